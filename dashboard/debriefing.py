"""Landings released to debriefing: which, what for, what was noted, and whether they were debriefed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from dashboard import words
from dashboard.identity import released_of
from dashboard.store import Store
from fdm.people.acts import Act
from fdm.people.errors import PeopleError, ReviewError

TAKEN_BACK, CURE = "this landing is not released to debriefing now", "Ask the safety officer."


@dataclass(frozen=True)
class Case:
    """One landing released to debriefing.

    key       what the viewer asks for it by
    name      what everybody calls it, which tells nothing of it: "Landing 7F3A"
    landing   its columns, as the viewer may see them
    events    its released events, worst first
    ids       the same events as the store of people's work knows them; never for a page
    context   airfield and month, as far as they were released
    """

    key: str
    name: str
    landing: Mapping[str, Any]
    events: tuple[Mapping[str, Any], ...]
    ids: tuple[str, ...]
    context: tuple[str, ...]
    released_utc: datetime | None
    done_utc: datetime | None
    done_by: str | None

    @property
    def done(self) -> bool:
        """True when every released event of it was debriefed."""
        return self.done_utc is not None


@dataclass(frozen=True)
class Cases:
    """Every released landing, open ones first, the last released first; or why they cannot be read."""

    cases: tuple[Case, ...] = ()
    problem: str = ""


def cases(store: Store, key: str = "") -> Cases:
    """What is released to debriefing now; only one landing when its key is given."""
    if store.desk is None:
        return Cases(problem="Decisions are not kept here, so nothing can be released.")
    found = store.desk.verdicts()
    if found.problem:
        return Cases(problem=found.problem)
    released = store.released()
    if key:
        released = released.filter(pl.col("landing_id") == key)
    called = store.called(released["landing_id"].to_list())
    ids = released["events"].explode(empty_as_null=True).drop_nulls()
    events = store.held().events.filter(pl.col("event_id").is_in(ids.implode()))
    by_landing = events.partition_by("landing_id", as_dict=True)
    stands = {row["event_id"]: row for row in found.current.iter_rows(named=True)}
    told = {
        row["event_id"]: (row["month"], row["airfield"]) for row in released_of(found.current).iter_rows(named=True)
    }
    listed = [
        _case(row, by_landing[(row["landing_id"],)], called[row["landing_id"]], stands, told)
        for row in released.iter_rows(named=True)
        if (row["landing_id"],) in by_landing
    ]
    return Cases(tuple(sorted(listed, key=lambda case: case.done)))


def case_of(store: Store, key: str) -> Case | None:
    """One released landing, None when this key is of none."""
    return next(iter(cases(store, key).cases), None) if key else None


def _case(
    row: Mapping[str, Any],
    events: pl.DataFrame,
    called: tuple[str, str],
    stands: Mapping[str, Mapping[str, Any]],
    told: Mapping[str, tuple[bool, bool]],
) -> Case:
    """One landing with its released events, from what stands on them."""
    name, landing_id = called
    ids = tuple(f"{landing_id}-{rule}" for rule in events["rule"])
    acts = [stands.get(event_id, {}) for event_id in ids]
    when = [act.get("released_utc") for act in acts]
    done = [act.get("debriefed_utc") for act in acts]
    by = next((act.get("debriefed_by") for act in acts if act.get("debriefed_by")), None)
    return Case(
        key=row["landing_id"],
        name=f"Landing {name}",
        landing=row,
        events=tuple(events.iter_rows(named=True)),
        ids=ids,
        context=_context(row, [told.get(event_id, (False, False)) for event_id in ids]),
        released_utc=max((each for each in when if each), default=None),
        done_utc=max((each for each in done if each), default=None) if all(done) else None,
        done_by=by if all(done) else None,
    )


def _context(row: Mapping[str, Any], told: Sequence[tuple[bool, bool]]) -> tuple[str, ...]:
    """Airfield and month, each only when it was released with one of the events, whoever looks."""
    month, airfield = (any(each[i] for each in told) for i in (0, 1))
    parts = (row["place"] if airfield else "", words.period(row["month"]) if month and row["month"] else "")
    return tuple(part for part in parts if part)


# what captains and officers write ------------------------------------------------------------------------------------


def notes(store: Store, case: Case) -> tuple[Act, ...]:
    """What was noted of a landing and when it was debriefed, oldest first. Raises PeopleError.

    Of an act on several events of the landing, once.
    """
    if store.desk is None:
        return ()
    acts = store.desk.ask(lambda people, _by: [act for event_id in case.ids for act in people.history(event_id)])
    found = {act.entry_id: act for act in acts if act.topic in ("comment", "debrief")}
    return tuple(found[entry] for entry in sorted(found))


def done(store: Store, ask: Mapping[str, Any]) -> str:
    """Does what the page asks: `act` note, done or open; `key`, `note`, `token`. What went wrong in words, or ""."""
    asked = {str(name): str(value) for name, value in ask.items()}
    try:
        _do(store, asked)
    except ReviewError as error:
        return f"Not saved: {error.problem}. {error.cure or ''}".strip()
    except PeopleError as error:
        return str(error)
    return ""


def _do(store: Store, ask: Mapping[str, str]) -> None:
    case = case_of(store, ask.get("key", ""))
    if store.desk is None or case is None:
        raise ReviewError(TAKEN_BACK, cure=CURE)
    ids, note, token = case.ids, ask.get("note", ""), ask.get("token") or None
    act = ask.get("act")
    if act not in ("note", "done", "open"):
        raise ReviewError("this page asked for something unknown", cure="Load the page anew.")
    if act != "note" and case.done != (act == "done"):
        store.desk.ask(lambda people, by: people.debriefed(ids, by=by, done=act == "done", note=note, token=token))
    elif note.strip():  # of a landing that is so already, as in another tab, what was written is kept as a note
        store.desk.ask(lambda people, by: people.comment(ids[0], note, by=by, token=token))
    elif act == "note":
        raise ReviewError("the note is empty", cure="Say it in a few words.")
