"""The week's queue: which events, in which lines, in which order. Pure Polars."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard.query import ALL_WEEKS, LEVELS, Query
from dashboard.rates import Rate, rate
from dashboard.store import RANK, Held, worst_first

LINES_PER_PAGE = 100
TREND_WEEKS = 13


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
    """The lines of one severity on this page, and how many events and lines it has in all."""

    severity: str
    events: int
    total: int
    lines: list[Line]


def week_of(held: Held, query: Query) -> str:
    """The week that a query means: the one it names, else the newest; "all" stays."""
    return query.week or (held.weeks[-1] if held.weeks else ALL_WEEKS)


def matching(frame: pl.DataFrame, query: Query, *, week: str = ALL_WEEKS) -> pl.DataFrame:
    """Landings or events that the landing filters (week, fleet, runway, aircraft) leave."""
    wanted = {
        "week": "" if week == ALL_WEEKS else week,
        "fleet": query.fleet,
        "place": query.runway,
        "tail": query.tail,
    }
    return frame.filter(*(pl.col(name) == value for name, value in wanted.items() if value))


def chosen_events(held: Held, query: Query, *, week: str = ALL_WEEKS) -> pl.DataFrame:
    """Events that every filter but severity leaves."""
    events = matching(held.events, query, week=week)
    wanted = {"rule": query.rule, "origin": query.origin}
    events = events.filter(*(pl.col(name) == value for name, value in wanted.items() if value))
    return events.filter(_has(query.text)) if query.text else events


def _has(text: str) -> pl.Expr:
    """Every word stands somewhere in what the line shows."""
    shown = pl.concat_str("title", "tail", "fleet", "place", "flight", "landing_id", separator=" ", ignore_nulls=True)
    lowered = shown.str.to_lowercase()
    return pl.all_horizontal(*(lowered.str.contains(word, literal=True) for word in text.lower().split()))


def groups(events: pl.DataFrame, query: Query) -> list[Group]:
    """One page of lines, by severity, worst severity first."""
    lines = _lines(events if not query.severity else events.filter(pl.col("severity") == query.severity), query)
    start = (query.page - 1) * LINES_PER_PAGE
    page = lines.slice(start, LINES_PER_PAGE)
    found = []
    for level in LEVELS:
        of_level = lines.filter(pl.col("severity") == level)
        here = page.filter(pl.col("severity") == level)
        if of_level.height:
            rows = [_line(row) for row in here.iter_rows(named=True)]
            found.append(Group(level, int(of_level.get_column("repeats").sum()), of_level.height, rows))
    return found


def first_event(held: Held, query: Query) -> dict[str, Any] | None:
    """The event of the first line, which is read when the address names none."""
    found = groups(chosen_events(held, query, week=week_of(held, query)), query)
    return next((group.lines[0].event for group in found if group.lines), None)


def _line(row: dict[str, Any]) -> Line:
    return Line(row, row["repeats"], row["places"], row["first"], row["last"])


def _lines(events: pl.DataFrame, query: Query) -> pl.DataFrame:
    """One row per line with `repeats`, `places`, `first`, `last`; repeats of a rule on one aircraft stand together."""
    ordered = worst_first(events)
    keys = ["severity", "certain", "rule", "tail"] if query.lines == "together" else ["event_id"]
    counts = ordered.group_by(keys).agg(
        repeats=pl.len(),
        places=pl.col("place").n_unique(),
        first=pl.col("touchdown_utc").min(),
        last=pl.col("touchdown_utc").max(),
    )
    lines = ordered.unique(subset=keys, keep="first", maintain_order=True).join(
        counts, on=keys, how="left", nulls_equal=True, maintain_order="left"
    )
    return _sorted(lines, query.sort)


def _sorted(lines: pl.DataFrame, order: str) -> pl.DataFrame:
    by = {
        "worst": [],
        "newest": [-pl.col("last").dt.timestamp()],
        "event": [pl.col("title")],
        "aircraft": [pl.col("tail")],
        "place": [pl.col("place")],
    }[order]
    rank = pl.col("severity").replace_strict(RANK, return_dtype=pl.Int8)
    return lines.sort(-rank, *by, nulls_last=True, maintain_order=True)


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


def assessed_landings(held: Held, query: Query) -> pl.DataFrame:
    """Landings of every week that the filters leave and that were assessed: the denominators of all rates."""
    landings = matching(held.landings, query)
    if not query.rule:
        return landings.filter(pl.col("assessed") > 0)
    by_rule = held.outcomes.filter(pl.col("rule") == query.rule, pl.col("outcome") != "not_assessed")
    return landings.join(by_rule.select("landing_id"), on="landing_id", how="semi")


def tiles(held: Held, query: Query) -> list[Tile]:
    """Counts and rates of the query's week, per severity, with the weeks before it."""
    week = week_of(held, query)
    weeks = _trend(held.weeks, week)
    per_week = dict(assessed_landings(held, query).group_by("week").len().iter_rows())
    events = chosen_events(held, query)
    counted = events.group_by("week", "severity").agg(n=pl.len(), certain=pl.col("certain").sum())
    counts = {(w, s): (n, sure) for w, s, n, sure in counted.iter_rows()}
    return [_tile(level, week, weeks, counts, per_week) for level in LEVELS]


def _trend(weeks: list[str], week: str) -> list[str]:
    if week == ALL_WEEKS:
        return weeks[-TREND_WEEKS:]
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
    missed = landings.filter(pl.col("assessed") == 0)
    reasons = (
        held.outcomes.join(missed.select("landing_id"), on="landing_id", how="semi")
        .group_by("reason")
        .agg(n=pl.col("landing_id").n_unique())
        .drop_nulls()
        .with_columns(pl.col("reason").cast(pl.String))
        .sort("n", "reason", descending=[True, False])
        .head(3)
    )
    return Coverage(
        landings.height,
        landings.height - missed.height,
        landings.filter(pl.col("assessed") == pl.col("judged"), pl.col("judged") > 0).height,
        list(reasons.iter_rows()),
    )
