"""Read-only view of one archive, as the pages need it and as the viewer may see it.

Held in memory until the archive is judged anew. Whoever may not know an aircraft, a flight or a day never gets one:
see identity. A key of a landing or an event is what a page was given before, and is looked up here.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any, TypeVar

import polars as pl

from dashboard import access, identity
from dashboard.believed import believed
from dashboard.desk import Desk, with_verdicts
from dashboard.exemplars import ALIKE, Exemplar, drawn, nearest
from dashboard.held import OF_REVERSE, Held, LoadRules, Source, can, read
from dashboard.once import Once
from dashboard.rule_moves import without_unmoved
from fdm.archive import Trace
from fdm.people.errors import NotAllowed
from fdm.people.pseudonyms import Pseudonyms
from fdm.people.roles import ANALYST, CAPTAIN, OFFICER, Actor

FEWEST_FOR_SPREAD = 20
SIGNS = 4  # of a landing's pseudonym, to call it by
KEPT_TABLES = 200  # four for each of the landings read last
KEPT_VALUES = 12  # measures of all landings; one landing's standing asks for about seven
KEPT_BOOKS = 4  # under which events were decided, and the one in force
KEPT_COUNTS = 5  # what was made last of all landings, and the rule book
NO_LANDING = "This landing is not in the archive."
SEE_EVERY_LANDING = (OFFICER, ANALYST)
SPREADS_FOR = (OFFICER, ANALYST, CAPTAIN)


Counted = TypeVar("Counted")


class Store:
    """Answers the pages' questions, each as the viewer may know it. Safe to share between threads.

    source       the archive
    load_rules   the rules behind a run
    reopen       opens the archive again, so that results made since are found; without it `source` stays
    desk         the decisions; without it nothing can be decided
    names        finds the pseudonyms when they are first needed; of a key that nobody keeps when left out
    flown        the list of flights flown, when there is one
    viewer       who asks
    """

    def __init__(
        self,
        source: Source,
        load_rules: LoadRules,
        reopen: Callable[[], Source] | None = None,
        desk: Desk | None = None,
        names: Callable[[], Pseudonyms] | None = None,
        viewer: Callable[[], Actor] = access.viewer,
        flown: Callable[[], pl.DataFrame | None] | None = None,
    ) -> None:
        self.desk = desk
        self._source = source
        self._load_rules = load_rules
        self._reopen = reopen or (lambda: source)
        self._names = cache(names or _new_names)
        self._viewer = viewer
        self._flown = flown
        self._lock = threading.Lock()
        self._held: Held | None = None
        self._reviewed: tuple[object, Held] | None = None
        self._seen: dict[str, tuple[object, identity.Seen]] = {}
        self._spreads: dict[str, pl.DataFrame] = {}
        self._read_last = Once(KEPT_TABLES)
        self._counted_last = Once(KEPT_COUNTS)
        self._values_last = Once(KEPT_VALUES)
        self._books_last = Once(KEPT_BOOKS)

    # as the viewer may see it ----------------------------------------------------------------------------------------

    def held(self) -> Held:
        """The tables now; read again when the archive has been judged since."""
        return self.whole() if self.role() == OFFICER else self._as_seen().held

    def reviewed(self) -> Held:
        """The tables now, events with what was decided of them."""
        return self._whole_reviewed() if self.role() == OFFICER else self._as_seen().held

    def released(self) -> pl.DataFrame:
        """Landings released to debriefing, the last released first: columns of Held.landings, and `events`, the keys
        of the events released. What the officer did not release with them is null for a captain. For nobody else.
        """
        whole = self.held().landings
        if self.role() not in (OFFICER, CAPTAIN):
            return whole.clear().with_columns(events=pl.lit(None, pl.List(pl.String)))
        found = self._released()
        if self.role() == CAPTAIN:
            seen = self._as_seen()
            key_of = {one: key for key, one in (seen.behind or {}).items()}
            key = pl.col("landing_id").replace_strict(key_of, default=None, return_dtype=pl.String)
            rule = pl.col("event_id").str.extract(identity.RULE_OF)
            found = found.with_columns(landing_id=key).with_columns(event_id=pl.col("landing_id") + rule)
        listed = found.group_by("landing_id", maintain_order=True).agg(events=pl.col("event_id"))
        return listed.join(whole, on="landing_id", how="inner", maintain_order="left").select(*whole.columns, "events")

    def event(self, event_id: str) -> dict[str, Any] | None:
        """One event with its landing's columns."""
        return _one(self.held().events, pl.col("event_id") == event_id)

    def landing(self, landing_id: str) -> dict[str, Any] | None:
        """One landing."""
        return _one(self.held().landings, pl.col("landing_id") == landing_id)

    def flights_flown(self) -> pl.DataFrame | None:
        """The list of flights flown (flown.FLOWN), None when there is none. For the officer alone. FactsError."""
        return self._flown() if self._flown and self.role() == OFFICER else None

    def why_not(self, landing_id: str) -> str:
        """Why there is no such landing for this viewer."""
        return f"This landing is {identity.NOT_RELEASED}." if self.role() == CAPTAIN else NO_LANDING

    def cost_of(self, event_id: str) -> dict[str, Any] | None:
        """What an event cost (schemas.COSTS); None where its kind has no cost, or none was estimated yet."""
        return _one(self.held().costs, pl.col("event_id") == event_id)

    def events_of(self, landing_id: str) -> pl.DataFrame:
        """The events of one landing, worst first."""
        return self.held().events.filter(pl.col("landing_id") == landing_id)

    def outcomes_of(self, landing_id: str) -> pl.DataFrame:
        """What each rule said of one landing."""
        return self._told("outcomes", landing_id)

    def instants_of(self, landing_id: str) -> pl.DataFrame:
        """The steps of one landing."""
        return self._told("instants", landing_id)

    def measures_of(self, landing_id: str) -> pl.DataFrame:
        """The measures of one landing."""
        return self._told("measures", landing_id)

    def traces_of(self, landing_id: str) -> Mapping[str, Trace]:
        """What was recorded around one landing, as its measures believe it."""
        traces = self._believed(self.landing_behind(landing_id))
        if self.role() == OFFICER:
            return traces
        landing = self.landing(landing_id) or {}
        return identity.shown_traces(traces, airfield=landing.get("arrival") is not None)

    def spread(self, measure: str, fleet: str | None) -> dict[str, Any] | None:
        """What a measure usually is in a fleet: `low`, `mid`, `high` (5, 50, 95 %) over the `n` landings to which it
        belongs, as in fleet_values.
        """
        held = self.whole()
        with self._lock:
            if measure not in self._spreads:
                self._spreads[measure] = _spreads(self._belonging(measure, held))
            found = _one(self._spreads[measure], pl.col("fleet").eq_missing(pl.lit(fleet)))
        return found if found and found["n"] >= FEWEST_FOR_SPREAD and self.role() in SPREADS_FOR else None

    # behind it: for methods here, and those who count over all landings; never for a page as it is -------------------

    def whole(self) -> Held:
        """The tables with every identity in them. A page never shows them: pass what is made of them to `shown`."""
        now = self._reopen()
        run = now.run
        stamp = (run.get("detected_utc"), run.get("rule_book_hash"), run.get("costed_utc"))
        with self._lock:
            if self._held is None or self._held.stamp != stamp:
                self._source = now
                self._held = read(now, run, self._load_rules, stamp)
                self._spreads = {}
            return self._held

    def shown(self, frame: pl.DataFrame) -> pl.DataFrame:
        """A frame with columns of the landings and events tables, as the viewer may see it: see identity.shown_to.

        NotAllowed for captains and administrators, who see released landings or none.
        """
        if self.role() not in SEE_EVERY_LANDING:
            raise NotAllowed(f"these landings are {identity.NOT_RELEASED}")
        return identity.shown_to(frame, self.role(), self._names(), self.whole().landings)

    def landing_behind(self, key: str) -> str:
        """The id of the landing behind a key that this viewer was given. NotAllowed when it is none of theirs."""
        return key if self.role() == OFFICER else self._as_seen().landing_id(key)

    def event_behind(self, key: str) -> str:
        """The id of the event behind a key that this viewer was given. NotAllowed when it is none of theirs."""
        if self.role() == OFFICER:
            return key
        event = self.event(key)
        if event is None:
            raise NotAllowed(f"this event is {identity.NOT_RELEASED}, or not in the archive")
        return f"{self.landing_behind(event['landing_id'])}-{event['rule']}"

    def fleet_values(self, measure: str, fleet: str | None, rule: str | None = None) -> pl.DataFrame:
        """`landing_id`, `value` of one measure on the landings of a fleet to which it belongs, to count among, never to
        be listed. It belongs to those that its rule judged, to full stops where no rule judges it; and where it is of
        reverse in use, to those that used it.

        rule    whose landings, where several judge this measure; the first of them when left out
        """
        held = self.whole()

        def read() -> pl.DataFrame:
            of_fleet = pl.col("fleet").eq_missing(pl.lit(fleet, pl.String))
            return self._belonging(measure, held, rule).filter(of_fleet).select("landing_id", "value")

        return self._values_last.get((held.stamp, measure, fleet, rule), read)

    def _belonging(self, measure: str, held: Held, rule: str | None = None) -> pl.DataFrame:
        """`landing_id`, `value`, `fleet` of a measure on the landings to which it belongs."""
        rule = rule or next((name for name, card in held.rules.items() if card.measure == measure), None)
        landings = held.landings.filter(pl.col(can(rule)) if rule else pl.col("kind") == "full_stop")
        values = self._source.measure_values(measure)
        if measure in OF_REVERSE:
            without = self._source.measure_values("reverse_not_used").filter(pl.col("value") > 0)
            values = values.join(without, on="landing_id", how="anti")
        return values.join(landings.select("landing_id", "fleet"), on="landing_id")

    def alike_without_events(self, key: str) -> list[dict[str, Any]]:
        """Landings to lay over one, the most alike first, for exemplars.in_words: no key, flight or day among them."""
        found = nearest(self.whole().landings, self.landing_behind(key))
        return list(found.select(*ALIKE, "same_runway").iter_rows(named=True))

    def laid_over(self, key: str, place: int) -> Exemplar | None:
        """The traces and steps of one of `alike_without_events`, by its place in that list; None when there is none."""
        found = nearest(self.whole().landings, self.landing_behind(key))
        if not 0 <= place < found.height:
            return None
        row = found.row(place, named=True)
        traces, instants = self._believed(row["landing_id"]), self._of_landing("instants", row["landing_id"])
        return Exemplar(row["same_runway"], row["touchdown_distance_m"], drawn(traces), instants.drop("landing_id"))

    def called(self, keys: Sequence[str]) -> dict[str, tuple[str, str]]:
        """Of released landings' keys, what everybody calls each, which tells nothing of it ("7F3A"), and its id."""
        seen, names = None if self.role() == OFFICER else self._as_seen(), self._names()
        ids = {key: seen.landing_id(key) if seen else key for key in keys}
        return {key: (names.of("landing_id", one)[:SIGNS], one) for key, one in ids.items()}

    def outcomes(self) -> pl.DataFrame:
        """What every rule said of every landing (schemas.OUTCOMES), with the landings' own ids."""
        self.whole()
        return self._source.outcomes()

    def names(self) -> Pseudonyms:
        """The pseudonyms, for the officer's reveal."""
        return self._names()

    def role(self) -> str:
        """The role of who asks."""
        return self._viewer().role

    def _whole_reviewed(self) -> Held:
        held = self.whole()
        if self.desk is None:
            return held
        found = self.desk.verdicts()
        key = (held.stamp, found.stamp)
        with self._lock:
            if self._reviewed is None or self._reviewed[0] != key:
                events = with_verdicts(held.events, found)
                events = without_unmoved(events, found.current, held.run, self.desk.books, self._books_last)
                self._reviewed = key, replace(held, events=events)
            return self._reviewed[1]

    def _as_seen(self) -> identity.Seen:
        held, role = self._whole_reviewed(), self.role()
        with self._lock:
            known, seen = self._seen.get(role, (None, None))
        if seen is None or known is not held:
            seen = identity.seen_as(held, role, self._names(), self._released())
            with self._lock:
                self._seen[role] = held, seen
        return seen

    def _released(self) -> pl.DataFrame:
        """identity.RELEASED, by the landings' own ids."""
        current = self.desk.verdicts().current if self.desk else pl.DataFrame()
        return identity.released_of(current)

    def _told(self, table: str, key: str) -> pl.DataFrame:
        """A table of one landing under the key that the viewer knows it by."""
        frame = self._of_landing(table, self.landing_behind(key))
        if self.role() == OFFICER:
            return frame
        named = frame.with_columns(landing_id=pl.lit(key, pl.String))
        return identity.told_apart(named, ["reason"], self.whole().landings, self.role())

    def archive(self) -> Source:
        """The archive as it is now, for those who count over all landings; what is made of it goes through `shown`."""
        return self._reopen() if self.whole().landings.is_empty() else self._source  # loading alone makes no results

    def kept(self, what: tuple[object, ...], make: Callable[[], Counted]) -> Counted:
        """What was made under this name from the results in force, made again when there are others."""
        return self._counted_last.get((self.whole().stamp, *what), make)

    def _believed(self, landing_id: str) -> Mapping[str, Trace]:
        landing = _one(self.whole().landings, pl.col("landing_id") == landing_id) or {}
        return believed(self._of_landing("traces", landing_id), landing.get("quality"))

    def _of_landing(self, table: str, landing_id: str) -> Any:
        """A table of one landing; those of the landings read last are kept, as one page asks several times."""
        key = (self.whole().stamp, table, landing_id)
        source = self._source
        return self._read_last.get(key, lambda: getattr(source, table)(landing_id))


def _new_names() -> Pseudonyms:
    return Pseudonyms(secrets.token_bytes(32))


def _one(frame: pl.DataFrame, condition: pl.Expr) -> dict[str, Any] | None:
    found = frame.filter(condition)
    return found.row(0, named=True) if found.height else None


def _spreads(values: pl.DataFrame) -> pl.DataFrame:
    value = pl.col("value")
    return (
        values.filter(value.is_finite())
        .group_by("fleet")
        .agg(low=value.quantile(0.05), mid=value.median(), high=value.quantile(0.95), n=pl.col("landing_id").n_unique())
    )
