"""Everything a sheet tells of one landing, as whoever reads it may know it."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from dashboard import identity
from dashboard.believed import believed
from dashboard.reports.standing import SHOWN
from dashboard.rule_card import RuleCard
from dashboard.rulecards import load_rule_cards
from dashboard.store import Store
from fdm.archive import Archive, Trace
from fdm.errors import ArchiveError
from fdm.people.location import key_path
from fdm.people.pseudonyms import Pseudonyms, load_key
from fdm.people.roles import CAPTAIN, OFFICER, at_this_machine


@dataclass(frozen=True)
class Subject:
    """A landing with its tables.

    name       what it is called on paper: its id, or a pseudonym
    named      whether tail, flight, date and airfield may stand on it
    landing    the columns of Held.landings; events of Held.events, worst first
    costs      event_id -> row of schemas.COSTS
    fleet      measure, landing_id, value of the measures of standing.SHOWN, each of the fleet's landings it belongs to
    partly     some of its events were not released, and are not among these
    """

    name: str
    named: bool
    landing: Mapping[str, Any]
    events: list[dict[str, Any]]
    instants: pl.DataFrame
    measures: pl.DataFrame
    outcomes: pl.DataFrame
    traces: Mapping[str, Trace]
    costs: Mapping[str, Mapping[str, Any]]
    rules: Mapping[str, RuleCard]
    fleet: pl.DataFrame
    rule_book: str
    partly: bool = False


def find(archive: Archive, landing: str, names: Pseudonyms) -> str:
    """The id of a landing given by its id, by the id of one of its events, or by its pseudonym. ArchiveError."""
    ids = set(archive.landings()["landing_id"])
    if landing in ids:
        return landing
    by_event = landing.rpartition("-")[0]
    if by_event in ids:
        return by_event
    found = names.identity("landing_id", landing.replace(" ", ""), ids)
    if found is None:
        cure = "fdm events lists the events; --format csv gives each one's landing_id."
        raise ArchiveError(f"no landing {landing!r} here", source=archive.address, cure=cure)
    return found


def pseudonyms(address: Path | str) -> Pseudonyms:
    """Those of this machine's key."""
    return Pseudonyms(load_key(key_path(), archive=address))


def subject(
    archive: Archive,
    landing_id: str,
    names: Pseudonyms,
    *,
    named: bool = False,
    released: Collection[str] = (),
) -> Subject:
    """A landing for paper; without names it tells what a captain may know of it.

    released    events released to debriefing: without names, a landing that has such tells of no others
    """
    store = Store(archive, load_rule_cards, names=lambda: names, viewer=lambda: at_this_machine(OFFICER))
    held = store.held()
    mine = pl.col("landing_id") == landing_id
    landing, events = held.landings.filter(mine), held.events.filter(mine)
    of_them = events.filter(pl.col("event_id").is_in(list(released)))
    partly = not named and 0 < of_them.height < events.height
    events = of_them if partly else events
    fleet = landing["fleet"][0]
    outcomes, measures = archive.outcomes(landing_id), archive.measures(landing_id)
    traces: Mapping[str, Trace] = believed(archive.traces(landing_id), landing.row(0, named=True)["quality"])
    if not named:
        kept = events.select("event_id", "title")  # what an event is called names nobody
        events = identity.shown_to(events, CAPTAIN, names, held.landings).with_columns(kept)
        landing = identity.shown_to(landing, CAPTAIN, names, held.landings)
        outcomes, measures = (identity.told_apart(f, ["reason"], held.landings, CAPTAIN) for f in (outcomes, measures))
        traces = identity.shown_traces(traces, airfield=False)
    return Subject(
        name=landing_id if named else names.of("landing_id", landing_id),
        named=named,
        landing=landing.row(0, named=True),
        events=list(events.iter_rows(named=True)),
        instants=archive.instants(landing_id),
        measures=measures,
        outcomes=outcomes,
        traces=traces,
        costs={row["event_id"]: row for row in archive.costs(landing_id).iter_rows(named=True)},
        rules=held.rules,
        fleet=_of_fleet(store, fleet),
        rule_book=str(archive.run.get("rule_book") or ""),
        partly=partly,
    )


def _of_fleet(store: Store, fleet: str | None) -> pl.DataFrame:
    return pl.concat(store.fleet_values(name, fleet).with_columns(measure=pl.lit(name)) for name in SHOWN)
