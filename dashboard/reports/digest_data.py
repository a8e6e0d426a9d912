"""Everything the digest of a week tells, as plain data: the same that stands on paper goes out as JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, TypeGuard

import polars as pl

from dashboard import desk, words
from dashboard.desk import Desk
from dashboard.flown import so_far, weeks_lost, with_recorded
from dashboard.held import Held
from dashboard.reports.questions import Question, questions
from dashboard.reports.weekly import MOST_LISTED, Given, Share, Week, counted, worst_lines
from dashboard.rulecards import load_rule_cards
from dashboard.store import Store
from fdm import health
from fdm.archive import Archive
from fdm.demo import last_full_week
from fdm.errors import ArchiveError
from fdm.people.errors import PeopleError
from fdm.people.roles import OFFICER, at_this_machine

VERSION = 1  # of the JSON's keys
MOST_HIGH = 9
MOST_DRIFTING = 7


@dataclass(frozen=True)
class Digest:
    """The digest of one week."""

    week: Week
    rule_book: str
    detected_utc: str
    recovery: Share | None
    recovery_of_week: bool
    unrecorded: tuple[tuple[str, int], ...]
    unrecorded_more: int
    unrecorded_more_aircraft: int
    high_events: int
    high_lines_in_all: int
    high_lines: tuple[Mapping[str, Any], ...]
    given_by_fleet: tuple[Given, ...]
    given_by_runway: tuple[Given, ...]
    drifting: tuple[Mapping[str, Any], ...]
    drifting_more: int
    silent: tuple[Mapping[str, Any], ...]
    silent_more: int
    decisions: Mapping[str, int]
    decided_by: int
    oldest_open: datetime | None
    open_before: int
    other_limits: int
    books: tuple[Mapping[str, Any], ...]
    problem: str
    questions: tuple[Question, ...]


def digest_of(address: Path | str, week: str | None, flown: pl.DataFrame | None = None) -> Digest:
    """The digest of a week of the archive at an address; the newest full week when None.

    flown    see digest; a week of flights without any landing counts as well
    raises   ArchiveError when there is no such archive, it holds no landing with a date, or begins after the week
    """
    archive = Archive(address)
    store = Store(archive, load_rule_cards, desk=desk.beside(address), viewer=lambda: at_this_machine(OFFICER))
    held = store.held()
    chosen = week or _last_full_week(held, flown) or (held.weeks[-1] if held.weeks else None)
    if chosen is None:
        raise ArchiveError("no landing here has a date", source=archive.address, cure="flights.csv gives start_utc.")
    lost = weeks_lost(flown, held.landings, held.weeks) if _dated(flown) else []
    if held.weeks and chosen < held.weeks[0] and chosen not in lost:
        raise ArchiveError(f"no landing of {chosen} here; the first week is {held.weeks[0]}", source=archive.address)
    return digest(archive, store, chosen, flown)


def _last_full_week(held: Held, flown: pl.DataFrame | None) -> str | None:
    """The newest week that is over by the newest landing, or by the newest flight flown."""
    known = held.landings.select("touchdown_utc")
    if _dated(flown):
        known = pl.concat([known, so_far(flown, held.landings).select(touchdown_utc="start_utc")])
    return last_full_week(known)


def _dated(flown: pl.DataFrame | None) -> TypeGuard[pl.DataFrame]:
    """Whether there is a list of flights flown that tells when they were."""
    return flown is not None and "week" in flown.columns


def digest(archive: Archive, store: Store, week: str, flown: pl.DataFrame | None = None) -> Digest:
    """The digest of a week.

    flown   flights flown, to tell how many were recorded: those of the week when their start is known (flown.FLOWN
            and `week`), all of them when it is not (tail, flight)
    """
    held = store.reviewed()
    now = counted(held, week)
    decided = _decided(store.desk, week)
    moving, bad = _health(archive, held, week)
    drifting, silent = moving[:MOST_DRIFTING], bad[:MOST_LISTED]
    by_fleet, by_runway = (given(held, week, by) for by in ("fleet", "place"))
    recovery, unrecorded = _recovery(held, week, flown)
    others = [n for _, n in unrecorded[MOST_LISTED:]]
    high_events, high_lines_in_all, high_lines = worst_lines(held, week, MOST_HIGH)
    return Digest(
        week=now,
        rule_book=str(held.run.get("rule_book") or ""),
        detected_utc=str(held.run.get("detected_utc") or ""),
        recovery=recovery,
        recovery_of_week=_dated(flown),
        unrecorded=unrecorded[:MOST_LISTED],
        unrecorded_more=sum(others),
        unrecorded_more_aircraft=len(others),
        high_events=high_events,
        high_lines_in_all=high_lines_in_all,
        high_lines=tuple(high_lines),
        given_by_fleet=by_fleet,
        given_by_runway=by_runway[:MOST_LISTED],
        drifting=drifting,
        drifting_more=len(moving) - len(drifting),
        silent=silent,
        silent_more=len(bad) - len(silent),
        questions=questions(now, by_runway, drifting, silent),
        **decided,
        **_before(held, week),
    )


def given(held: Held, week: str, by: str) -> tuple[Given, ...]:
    """Metres given away by fleet or runway, the most first."""
    names = held.landings.filter(week=week).select("landing_id", name=by).drop_nulls()
    costs = held.costs.join(names, on="landing_id").sort(pl.col("extra_m"), descending=True, nulls_last=True)
    worst = costs.unique("landing_id", keep="first", maintain_order=True)
    metres = [pl.col(name).clip(0).filter(pl.col("extra_m").is_not_null()).sum() for name in _METRES]
    grouped = worst.group_by("name").agg(
        pl.col("extra_m").is_not_null().sum().alias("told"), pl.col("extra_m").is_null().sum().alias("untold"), *metres
    )
    return tuple(Given(*row) for row in grouped.sort("extra_m", "name", descending=[True, False]).iter_rows())


_METRES = ("extra_m", "extra_m_lower", "extra_m_upper")


def _health(archive: Archive, held: Held, week: str) -> tuple[tuple[dict[str, Any], ...], tuple[dict[str, Any], ...]]:
    """What drifts, and which parameters are not good, from all landings up to the week's end."""
    known = held.landings.filter(pl.col("week") <= week)
    watched = [
        archive.scan("measures").filter(pl.col("measure").is_in(list(health.WATCHED))).collect(),
    ]
    trends = health.trends(known, pl.concat(watched)).filter("drifting")
    columns = ["tail", "fleet", "engine", "what", "unit", "landings", "was", "now"]
    slopes = ["per_30_days", "per_30_days_lower", "per_30_days_upper"]
    drifting = trends.select(*columns, *slopes)
    seen = archive.parameter_health().join(known.select("landing_id"), on="landing_id", how="semi")
    bad = health.parameters(known, seen).filter(pl.col("state") != "good")
    told = ["tail", "parameter", "state", "landings", "present_pct", "faulty_landings"]
    since = pl.col("silent_since_utc").dt.strftime("%-d %b %Y").alias("since")
    chosen = bad.select(*told, "silent_since_utc", "silent_landings", since)
    return tuple(drifting.iter_rows(named=True)), tuple(chosen.iter_rows(named=True))


def _recovery(held: Held, week: str, flown: pl.DataFrame | None) -> tuple[Share | None, tuple[tuple[str, int], ...]]:
    if flown is None:
        return None, ()
    if _dated(flown):
        each = with_recorded(so_far(flown, held.landings), held.landings).filter(pl.col("week") == week)
        found = each.group_by("tail").agg(flown=pl.len(), recorded=pl.col("recorded").sum())
    else:
        found = health.recovery(held.landings, flown)
    missing = found.with_columns(missing=pl.col("flown") - pl.col("recorded")).filter(pl.col("missing") > 0)
    worst = missing.sort("missing", "tail", descending=[True, False])
    share = Share.of(int(found["recorded"].sum()), int(found["flown"].sum()))
    return share, tuple(worst.select("tail", "missing").iter_rows())


def _decided(desk: Desk | None, week: str) -> dict[str, Any]:
    """Decisions made and rule books saved in the days of the week, as the store of people's work has them."""
    nothing: dict[str, Any] = {"decisions": {}, "decided_by": 0, "books": (), "problem": ""}
    if desk is None:
        return nothing
    first = words.monday(week)
    inside = pl.col("decided_utc").is_between(first, first + timedelta(days=7), closed="left")
    found = desk.verdicts()
    made = found.current.filter(inside, pl.col("verdict").is_not_null())
    counts = dict(made["verdict"].value_counts().sort("verdict").iter_rows())
    try:
        saved = desk.ask(lambda people, _actor: people.books.versions())
    except PeopleError as error:
        return {**nothing, "problem": found.problem or str(error)}
    books = saved.filter(pl.col("saved_utc").is_between(first, first + timedelta(days=7), closed="left"))
    listed = books.select("name", "version", "reason", "saved_by", "saved_utc").iter_rows(named=True)
    return {
        "decisions": counts,
        "decided_by": made["decided_by"].n_unique(),
        "books": tuple(listed),
        "problem": found.problem,
    }


def _before(held: Held, week: str) -> dict[str, Any]:
    """What is still open from the weeks before, and decisions that were made under other limits."""
    earlier = held.events.filter(pl.col("week") < week, pl.col("verdict").is_null())
    return {
        "oldest_open": earlier["touchdown_utc"].min(),
        "open_before": earlier.height,
        "other_limits": int(held.events["rule_changed"].sum()),
    }


def as_json(of: Digest) -> dict[str, Any]:
    """The digest with the keys of README.md beside this file; times are ISO 8601."""
    plain: dict[str, Any] = _plain(asdict(of))
    return {"version": VERSION, **plain}


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, datetime):
        return value.isoformat()
    return None if isinstance(value, float) and not math.isfinite(value) else value
