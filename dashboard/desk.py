"""What officers did about events, and doing it. A store that fails keeps no page from reading."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

import polars as pl
from sqlalchemy import func, select

from dashboard.access import viewer
from fdm.people.acts import Act, Judged, standing
from fdm.people.books import Books
from fdm.people.errors import PeopleError
from fdm.people.location import people_url
from fdm.people.reviews import Bulk
from fdm.people.roles import Actor
from fdm.people.standing import CURRENT, released_again, with_reviews
from fdm.people.store import People
from fdm.people.tables import acts
from fdm.people.times import Clock, utc_now
from fdm.schemas import UTC

Answer = TypeVar("Answer")
NOBODY: Any = pl.DataFrame(schema=CURRENT)
# What stands on an event, as columns of Held.events; nothing does until with_verdicts says so.
DONE: dict[str, tuple[Any, Any]] = {
    "verdict": (None, pl.String),
    "decision_id": (None, pl.Int64),
    "rule_changed": (False, pl.Boolean),
    "snoozed": (False, pl.Boolean),
    "snoozed_until_utc": (None, UTC),
    "in_debriefing": (False, pl.Boolean),
    "assigned_to": (None, pl.String),
    "maintenance": (None, pl.String),
    "training": (None, pl.String),
    "comments": (0, pl.Int64),
}


@dataclass(frozen=True)
class Verdicts:
    """What stands on events (standing.CURRENT), or why it cannot be read.

    stamp    changes when anything was done, or a day came until which something was set aside
    at_utc   when this was asked
    """

    stamp: tuple[int, int]
    current: pl.DataFrame
    at_utc: datetime
    problem: str = ""


@dataclass(frozen=True)
class Past:
    """Everything done about one event, also taken back, oldest first.

    together   how many events the entry of the last decision holds
    left       on how many of them it still stands
    """

    acts: tuple[Act, ...] = ()
    together: int = 0
    left: int = 0
    problem: str = ""

    @property
    def decisions(self) -> tuple[Act, ...]:
        """Every decision, also taken back."""
        return tuple(act for act in self.acts if act.topic == "decision")

    @property
    def last(self) -> Act | None:
        """The decision that stands; its state is None when it was taken back."""
        return self.decisions[-1] if self.decisions else None

    def stands(self, topic: str) -> Act | None:
        """What stands on a topic, None when nothing does."""
        found = [act for act in self.acts if act.topic == topic][-1:]
        return found[0] if found and found[0].state is not None else None

    @property
    def shown(self) -> tuple[bool, ...]:
        """After each act, whether captains see the event: released to debriefing, and decided valid."""
        standing: dict[str, str | None] = {}
        found = []
        for act in self.acts:
            standing[act.topic] = act.state
            found.append(standing.get("decision") == "valid" and standing.get("release") is not None)
        return tuple(found)

    @property
    def seen(self) -> int | None:
        """What `decide` wants to know of what the reader saw."""
        return self.last.act_id if self.last else None


class Desk:
    """Decisions of one archive. Safe to share between threads; opened at the first question.

    open_    opens the store; raises StoreError
    actor    who asks
    clock    the time now, with its zone
    """

    def __init__(
        self, open_: Callable[[], People], actor: Callable[[], Actor] = viewer, clock: Clock = utc_now
    ) -> None:
        self._open = open_
        self._actor = actor
        self._clock = clock
        self._lock = threading.Lock()
        self._people: People | None = None
        self._known: tuple[int, pl.DataFrame] = (0, NOBODY)

    def verdicts(self) -> Verdicts:
        """What stands on every event now; read again only when somebody did something."""
        now = self._clock()
        try:
            people = self._store()
            newest = people.newest_act()
            with self._lock:
                known = self._known
            if known[0] != newest:
                known = (newest, people.current())
                with self._lock:
                    self._known = known
            asleep = known[1].filter(pl.col("snoozed_until_utc") > now).height
            return Verdicts((newest, asleep), known[1], now)
        except PeopleError as error:
            return Verdicts((-1, 0), NOBODY, now, str(error))

    def past(self, event_id: str) -> Past:
        """What was done about one event."""
        try:
            people = self._store()
            past = Past(tuple(people.history(event_id)))
            return Past(past.acts, *_together(people, past.last.entry_id)) if past.last else past
        except PeopleError as error:
            return Past(problem=str(error))

    def known_names(self) -> list[str]:
        """Names an event may be given to: accounts in use, and whoever was given one before."""
        users = self._store().accounts.list().filter(pl.col("disabled_utc").is_null()).get_column("name")
        given = self.verdicts().current.get_column("assigned_to").drop_nulls()
        return sorted({*users.to_list(), *given.to_list()})

    def ask(self, act: Callable[[People, Actor], Answer]) -> Answer:
        """Do something with the store, as whoever asks. Raises PeopleError."""
        return act(self._store(), self._actor())

    def decide(self, event: Mapping[str, Any], verdict: str, *, seen: int | None, **said: str) -> int:
        """Decide an event; the number of the log's entry. `said`: reason, note, token. Raises PeopleError."""
        return self._store().decide(Judged.of(event), verdict, by=self._actor(), seen=seen, **said).entry_id

    def decide_all(
        self, events: pl.DataFrame, verdict: str, count: int, chosen_by: Mapping[str, Any], **said: str
    ) -> Bulk:
        """Decide many events alike, in one entry (Reviews.bulk_decide). Raises PeopleError."""
        by = self._actor()
        return self._store().bulk_decide(events, verdict, count=count, chosen_by=chosen_by, by=by, **said)

    def undo(self, entry_id: int, token: str) -> Bulk:
        """Take back what an entry did (Reviews.undo). Raises PeopleError."""
        return self._store().undo(entry_id, by=self._actor(), token=token)

    def seen_again(self, entry_id: int) -> int:
        """How many events captains see again since an entry, as they were released before. Raises PeopleError."""
        return self._store().database.read(lambda connection: released_again(connection, entry_id))

    def books(self) -> Books:
        """The rule books that were saved. Raises PeopleError."""
        return self._store().books

    def close(self) -> None:
        """Let go of the store."""
        with self._lock:
            if self._people:
                self._people.close()
            self._people = None

    def _store(self) -> People:
        with self._lock:
            if self._people is None:
                self._people = self._open()
            return self._people


def beside(archive: Path | str, actor: Callable[[], Actor] = viewer) -> Desk:
    """The decisions kept beside an archive (see people_url)."""
    return Desk(lambda: People(people_url(archive), pause=lambda _seconds: None), actor)


def undone() -> list[pl.Expr]:
    """The columns of DONE for events that nobody did anything about."""
    return [pl.lit(value, kind).alias(name) for name, (value, kind) in DONE.items()]


def with_verdicts(events: pl.DataFrame, found: Verdicts) -> pl.DataFrame:
    """The events with what stands on them (DONE). A decision ends the time for which an event is set aside."""
    done = with_reviews(events.drop(DONE), found.current, found.at_utc)
    return done.with_columns(snoozed=pl.col("snoozed") & pl.col("verdict").is_null()).select(events.columns)


def _together(people: People, entry_id: int) -> tuple[int, int]:
    """How many acts an entry holds, and how many of them still stand."""
    every = select(func.count()).select_from(acts).where(acts.c.entry_id == entry_id)
    together, left = people.database.read(lambda connection: [connection.scalar(q) for q in (every, standing(every))])
    return int(together or 0), int(left or 0)
