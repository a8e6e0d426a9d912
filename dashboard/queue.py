"""The week's queue: which events, in which lines, in which order. Pure Polars."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from dashboard.query import ALL_WEEKS, LEVELS, Query
from dashboard.store import Held, can
from fdm.statistics import Rate, rate

LINES_PER_PAGE = 100
TREND_WEEKS = 13
NARROW = ("index", "rank", "severity", "certain", "rule", "tail", "place", "title", "touchdown_utc", "week", "verdict")


@dataclass(frozen=True)
class Line:
    """One line of the queue: its worst event, and how often it repeats."""

    event: dict[str, Any]
    repeats: int
    places: int
    first: Any
    last: Any


@dataclass(frozen=True)
class Group:
    """The lines of one severity on this page, and how many events, of them to decide, and lines it has in all."""

    severity: str
    events: int
    to_decide: int
    total: int
    lines: list[Line]


def week_of(held: Held, query: Query) -> str:
    """The week that a query means: the one it names, else the newest; "all" stays."""
    return query.week or (held.weeks[-1] if held.weeks else ALL_WEEKS)


def matching(landings: pl.DataFrame, query: Query, *, week: str = ALL_WEEKS) -> pl.LazyFrame:
    """Landings that the landing filters (week, fleet, runway, aircraft) leave."""
    return landings.lazy().filter(*_landing_filters(query, week))


def _landing_filters(query: Query, week: str) -> list[pl.Expr]:
    wanted = {
        "week": week if week != ALL_WEEKS else "",
        "fleet": query.fleet,
        "place": query.runway,
        "tail": query.tail,
    }
    return [pl.col(name) == value for name, value in wanted.items() if value]


def chosen_events(held: Held, query: Query, *, week: str = ALL_WEEKS) -> pl.DataFrame:
    """Events that every filter but severity leaves, worst first, with the columns that lists are made from."""
    wanted = {"rule": query.rule, "origin": query.origin}
    words = [pl.col("words").str.contains(word, literal=True) for word in query.text.lower().split()]
    decided = {"no": [pl.col("verdict").is_null()], "yes": [pl.col("verdict").is_not_null()]}
    filters = [
        *_landing_filters(query, week),
        *decided.get(query.decided, []),
        *(pl.col(name) == value for name, value in wanted.items() if value),
        *words,
    ]
    return held.events.lazy().filter(*filters).select(NARROW).collect()


def to_decide_of(held: Held, query: Query, week: str) -> tuple[int, int]:
    """How many events are to decide, of how many, under every filter but the one on decisions."""
    chosen = chosen_events(held, replace(query, decided=""), week=week)
    if query.severity:
        chosen = chosen.filter(pl.col("severity") == query.severity)
    return chosen.get_column("verdict").null_count(), chosen.height


def left_to_decide(held: Held, query: Query) -> pl.DataFrame:
    """The events of the list, on every page of it, that are not decided."""
    chosen = chosen_events(held, replace(query, decided="no"), week=week_of(held, query))
    if query.severity:
        chosen = chosen.filter(pl.col("severity") == query.severity)
    return held.events[chosen.get_column("index")]


def groups(held: Held, chosen: pl.DataFrame, query: Query) -> list[Group]:
    """One page of lines, by severity, worst severity first. `chosen` is what chosen_events found."""
    lines = _lines(chosen.filter(pl.col("severity") == query.severity) if query.severity else chosen, query)
    page = lines.slice((query.page - 1) * LINES_PER_PAGE, LINES_PER_PAGE)
    whole = held.events[page.get_column("index")]
    rows = [
        _line(event, line) for event, line in zip(whole.iter_rows(named=True), page.iter_rows(named=True), strict=True)
    ]
    totals = {level: (events, left, n) for level, events, left, n in _totals(lines).iter_rows()}
    return [
        Group(level, *totals[level], [line for line in rows if line.event["severity"] == level])
        for level in LEVELS
        if level in totals
    ]


def _totals(lines: pl.DataFrame) -> pl.DataFrame:
    to_decide = pl.col("repeats").filter(pl.col("verdict").is_null()).sum()
    return lines.group_by("severity").agg(pl.col("repeats").sum(), to_decide=to_decide, n=pl.len())


def first_event(held: Held, query: Query) -> dict[str, Any] | None:
    """The event of the first line, which is read when the address names none."""
    found = groups(held, chosen_events(held, query, week=week_of(held, query)), query)
    return next((group.lines[0].event for group in found if group.lines), None)


def _line(event: dict[str, Any], line: dict[str, Any]) -> Line:
    return Line(event, line["repeats"], line["places"], line["first"], line["last"])


def _lines(chosen: pl.DataFrame, query: Query) -> pl.DataFrame:
    """One row per line with `repeats`, `places`, `first`, `last`; repeats of a rule on one aircraft stand together.

    Repeats with different verdicts stand apart, so that what is left to decide can be seen and reached.
    """
    if query.lines == "single":
        utc = pl.col("touchdown_utc")
        return _sorted(chosen.with_columns(repeats=pl.lit(1), places=pl.lit(1), first=utc, last=utc), query.sort)
    worst = [pl.col(name).first() for name in ("index", "severity", "title", "place")]
    lines = chosen.group_by("rank", "certain", "rule", "tail", "verdict", maintain_order=True).agg(
        *worst,
        repeats=pl.len(),
        places=pl.col("place").n_unique(),
        first=pl.col("touchdown_utc").min(),
        last=pl.col("touchdown_utc").max(),
    )
    return _sorted(lines, query.sort)


def _sorted(lines: pl.DataFrame, order: str) -> pl.DataFrame:
    """By severity, then as asked; lines come in worst first, and keep that order among equals."""
    if order == "worst":
        return lines
    by = {
        "newest": -pl.col("last").dt.timestamp(),
        "event": pl.col("title"),
        "aircraft": pl.col("tail"),
        "place": pl.col("place"),
    }
    return lines.sort(-pl.col("rank"), by[order], nulls_last=True, maintain_order=True)


@dataclass(frozen=True)
class Tile:
    """How many events of one severity this week, how sure, and the rate over the last weeks (this one last)."""

    severity: str
    events: int
    certain: int
    rate: Rate
    weeks: list[tuple[str, Rate]]


@dataclass(frozen=True)
class Coverage:
    """Landings under the filters: how many, how many were assessed by any rule and by every one, and why not."""

    landings: int
    assessed: int
    complete: int
    reasons: list[tuple[str, int]]


def assessed_per_week(held: Held, query: Query) -> dict[str, int]:
    """Landings of each week that the filters leave and that were assessed: the denominators of all rates."""
    landings = matching(held.landings, query)
    if query.rule:
        assessed = pl.col(can(query.rule)) if query.rule in held.rules else pl.lit(False)
    else:
        assessed = pl.col("assessed") > 0
    return dict(landings.filter(assessed).group_by("week").len().collect().iter_rows())


def tiles(held: Held, query: Query) -> list[Tile]:
    """Counts and rates of the query's week, per severity, with the weeks before it."""
    week = week_of(held, query)
    weeks = _trend(held.weeks, week)
    per_week = assessed_per_week(held, query)
    counted = chosen_events(held, query).group_by("week", "severity").agg(n=pl.len(), certain=pl.col("certain").sum())
    counts = {(w, s): (n, sure) for w, s, n, sure in counted.iter_rows()}
    return [_tile(level, week, weeks, counts, per_week) for level in LEVELS]


def _trend(weeks: tuple[str, ...], week: str) -> list[str]:
    if week == ALL_WEEKS:
        return list(weeks[-TREND_WEEKS:])
    upto = [w for w in weeks if w <= week]
    return upto[-TREND_WEEKS:]


def _tile(
    level: str,
    week: str,
    weeks: list[str],
    counts: dict[tuple[str, str], tuple[int, int]],
    per_week: dict[str, int],
) -> Tile:
    here = list(per_week) if week == ALL_WEEKS else [week]
    n, certain = (sum(counts.get((w, level), (0, 0))[i] for w in here) for i in (0, 1))
    now = rate(n, sum(per_week.get(w, 0) for w in here))
    trend = [(w, rate(counts.get((w, level), (0, 0))[0], per_week.get(w, 0))) for w in weeks]
    return Tile(level, n, certain, now, trend)


def coverage(held: Held, query: Query) -> Coverage:
    """What part of the landings under the filters could be assessed, and the commonest reasons why not."""
    landings = matching(held.landings, query, week=week_of(held, query))
    found = landings.select("assessed", "judged", "silent").collect()
    silent = found.filter(pl.col("assessed") == 0)
    reasons = silent.group_by("silent").len().drop_nulls().sort("len", "silent", descending=[True, False]).head(3)
    complete = found.filter(pl.col("assessed") == pl.col("judged"), pl.col("judged") > 0).height
    return Coverage(found.height, found.height - silent.height, complete, list(reasons.iter_rows()))
