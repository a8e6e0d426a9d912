"""The week's queue: which events, in which lines, in which order. Pure Polars."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from dashboard.held import Held, can
from dashboard.names import VERDICT
from dashboard.query import ALL_WEEKS, GIVEN_TO, LEVELS, Query
from fdm.statistics import Rate, rate, rate_of_rule

LINES_PER_PAGE = 100
TREND_WEEKS = 13
NARROW = (
    *("index", "rank", "severity", "certain", "rule", "tail", "engine", "place", "title", "touchdown_utc", "week"),
    *("verdict", "snoozed", "new"),
)
ENGINES = (1, 2, 3, 4)
SHORTEST_WORD = 3  # letters; fewer stand at the beginning of too many words
_TERM = re.compile(r"engine [1-4](?!\S)|\S+")
REPEATS = {  # what the events of one line have in common, beside their severity and what was decided
    "together": ("rule", "tail", "engine"),
    "place": ("rule", "place"),
    "rule": ("rule",),
}


@dataclass(frozen=True)
class Line:
    """One line of the queue: its worst event, how often it repeats, over how many runways and aircraft, and when."""

    event: dict[str, Any]
    repeats: int
    places: int
    tails: int
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
    same = replace(query, week="", severity="", sort="", lines="", show="", page=1, event="")
    return held.once.get(("events", same, week), lambda: _chosen(held, query, week))


def _chosen(held: Held, query: Query, week: str) -> pl.DataFrame:
    wanted = {"rule": query.rule, "origin": query.origin}
    words = [_says(term) for term in _TERM.findall(" ".join(query.text.lower().split()))]
    filters = [
        *_landing_filters(query, week),
        *_standing_filters(query),
        *(pl.col(name) == value for name, value in wanted.items() if value),
        *words,
    ]
    return held.events.lazy().filter(*filters).select(NARROW).collect()


def _says(term: str) -> pl.Expr:
    """Whether an event's line shows what is searched for: a part of a name, or the beginning of a word on it."""
    shown = [is_so for word, is_so in _shown_words().items() if len(term) >= SHORTEST_WORD and word.startswith(term)]
    person = pl.col("assigned_to").str.to_lowercase().str.contains(term, literal=True)
    return pl.any_horizontal(pl.col("words").str.contains(term, literal=True), person, *shown)


def _shown_words() -> dict[str, pl.Expr]:
    """Words that a line shows beside its names, and of which events."""
    return {
        "certain": pl.col("certain"),
        "possible": ~pl.col("certain"),
        **{f"engine {number}": pl.col("engine") == number for number in ENGINES},
        **{word.lower(): pl.col("verdict") == verdict for verdict, word in VERDICT.items()},
        "maintenance": pl.col("maintenance") == "open",
        "training": pl.col("training") == "open",
        "released": pl.col("in_debriefing"),
    }


def _standing_filters(query: Query) -> list[pl.Expr]:
    """What was done about an event; what is set aside is out of the way unless it was asked for."""
    decided = {"no": [pl.col("verdict").is_null()], "yes": [pl.col("verdict").is_not_null()]}
    passed = {
        "": ~pl.col("snoozed").fill_null(False),
        "any": pl.lit(True),
        "snoozed": pl.col("snoozed"),
        "assigned": pl.col("assigned_to").is_not_null(),
        "maintenance": pl.col("maintenance") == "open",
        "training": pl.col("training") == "open",
        "released": pl.col("in_debriefing"),
    }
    to = pl.col("assigned_to") == query.passed.removeprefix(GIVEN_TO)
    new = [pl.col("new").is_not_null()] if query.new else []
    return [*decided.get(query.decided, []), passed.get(query.passed, to), *new]


def set_aside(held: Held, query: Query, week: str) -> int:
    """How many events of the list are set aside until another day."""
    return _of_severity(chosen_events(held, replace(query, decided="", passed="snoozed"), week=week), query).height


def _listed(held: Held, query: Query) -> pl.DataFrame:
    """The events of the list, on every page of it, worst first."""
    return _of_severity(chosen_events(held, query, week=week_of(held, query)), query)


def _of_severity(chosen: pl.DataFrame, query: Query) -> pl.DataFrame:
    return chosen.filter(pl.col("severity") == query.severity) if query.severity else chosen


def to_decide_of(held: Held, query: Query, week: str) -> tuple[int, int]:
    """How many events are to decide, of how many, under every filter but the one on decisions."""
    chosen = _of_severity(chosen_events(held, replace(query, decided=""), week=week), query)
    return chosen.get_column("verdict").null_count(), chosen.height


def verdicts(held: Held, query: Query, week: str) -> dict[str, int]:
    """How many events of the list, decided or not, were given each verdict, the most often given first."""
    chosen = _of_severity(chosen_events(held, replace(query, decided="yes"), week=week), query)
    counts = chosen.group_by("verdict").len().sort("len", "verdict", descending=[True, False])
    return dict(counts.iter_rows())


def left_to_decide(held: Held, query: Query) -> pl.DataFrame:
    """The events of the list, on every page of it, that are not decided."""
    return held.events[_listed(held, replace(query, decided="no")).get_column("index")]


def listed_events(held: Held, query: Query) -> pl.DataFrame:
    """Every event of the list, on every page of it, worst first or newest first."""
    return held.events[lines_of(held, replace(query, lines="single")).get_column("index")]


def groups(held: Held, query: Query) -> list[Group]:
    """One page of lines, by severity, worst severity first."""
    lines = lines_of(held, query)
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


def next_open(held: Held, query: Query) -> Query | None:
    """The view of the first line to decide on a later page, else on an earlier one; None when there is none."""
    lines = lines_of(held, query).select("index", "verdict").with_row_index("at")
    here = pl.col("at") // LINES_PER_PAGE + 1
    elsewhere = lines.with_columns(page=here.cast(pl.Int64)).filter(
        pl.col("verdict").is_null(), pl.col("page") != query.page
    )
    found = elsewhere.sort(pl.col("page") < query.page, "at", maintain_order=True).head(1)
    if found.is_empty():
        return None
    event = held.events.item(found.item(0, "index"), "event_id")
    return replace(query, page=found.item(0, "page"), event=event)


def at_most_last(held: Held, query: Query) -> Query:
    """The same view, on the last page that there is when its own is past it."""
    last = max(1, -(-lines_of(held, query).height // LINES_PER_PAGE))
    return replace(query, page=min(query.page, last))


@dataclass(frozen=True)
class Place:
    """Where an event stands in the list: its line of how many, counted from one, and the page it is on."""

    line: int
    lines: int
    page: int


def place_of(held: Held, query: Query, event: dict[str, Any]) -> Place | None:
    """Where an event stands in the list of a query; None when the list does not hold it."""
    mine = _listed(held, query).filter(pl.col("index") == event["index"])
    if mine.is_empty():
        return None
    same = ("index",) if query.lines == "single" else ("rank", "certain", *REPEATS[query.lines], "verdict")
    here = pl.all_horizontal(pl.col(name).eq_missing(pl.lit(mine.item(0, name))) for name in same)
    lines = lines_of(held, query)
    found = lines.with_row_index("at").filter(here)
    if found.is_empty():
        return None
    at = found.item(0, "at")
    return Place(at + 1, lines.height, at // LINES_PER_PAGE + 1)


def repeats_of(held: Held, event: dict[str, Any], query: Query) -> pl.DataFrame:
    """The other events of the query's week that have in common with one what the list puts together; newest first."""
    same = REPEATS.get(query.lines, REPEATS["together"])
    week = week_of(held, query)
    rows = held.events.filter(
        *_landing_filters(Query(), event["week"] if week != ALL_WEEKS else week),
        *(pl.col(name).eq_missing(pl.lit(event[name])) for name in same),
        pl.col("event_id") != event["event_id"],
    )
    return rows.sort("touchdown_utc", descending=True, nulls_last=True)


def _totals(lines: pl.DataFrame) -> pl.DataFrame:
    to_decide = pl.col("repeats").filter(pl.col("verdict").is_null()).sum()
    return lines.group_by("severity").agg(pl.col("repeats").sum(), to_decide=to_decide, n=pl.len())


def first_event(held: Held, query: Query) -> dict[str, Any] | None:
    """The event of the first line, which is read when the address names none."""
    line = lines_of(held, query).slice((query.page - 1) * LINES_PER_PAGE, 1)
    return None if line.is_empty() else held.events.row(line.item(0, "index"), named=True)


def _line(event: dict[str, Any], line: dict[str, Any]) -> Line:
    return Line(event, *(line[name] for name in ("repeats", "places", "tails", "first", "last")))


def lines_of(held: Held, query: Query) -> pl.DataFrame:
    """Every line of the list, on every page of it, as they are ordered."""
    same = replace(query, show="", page=1, event="")
    return held.once.get(("lines", same), lambda: _lines(_listed(held, query), query))


def _lines(chosen: pl.DataFrame, query: Query) -> pl.DataFrame:
    """One row per line with `repeats`, `places`, `first`, `last`; repeats stand together as REPEATS says.

    Repeats with different verdicts stand apart, so that what is left to decide can be seen and reached.
    """
    if query.lines == "single":
        utc = pl.col("touchdown_utc")
        one = pl.lit(1)
        return _sorted(chosen.with_columns(repeats=one, places=one, tails=one, first=utc, last=utc), query.sort)
    same = ("rank", "certain", *REPEATS[query.lines], "verdict")
    worst = [pl.col(name).first() for name in ("index", "severity", "title", "place", "tail") if name not in same]
    lines = chosen.group_by(same, maintain_order=True).agg(
        *worst,
        repeats=pl.len(),
        places=pl.col("place").n_unique() if "place" not in same else pl.lit(1),
        tails=pl.col("tail").n_unique() if "tail" not in same else pl.lit(1),
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
    """Landings under the filters: how many, how many were assessed by any rule and by every one, and why not.

    With a rule chosen, both are the landings that it was assessed on, as the rates count them.

    left_out    landings that the chosen rule, or every rule, is not for: neither assessed nor missing
    """

    landings: int
    assessed: int
    complete: int
    reasons: list[tuple[str, int]]
    left_out: int = 0

    @property
    def missing(self) -> int:
        """Landings that could not be assessed."""
        return self.landings - self.assessed - self.left_out


def assessed_per_week(held: Held, query: Query) -> dict[str, int]:
    """Landings of each week that the filters leave and that were assessed: the denominators of all rates."""
    landings = matching(held.landings, query)
    if query.rule:
        assessed = pl.col(can(query.rule)) if query.rule in held.rules else pl.lit(False)
    else:
        assessed = pl.col("assessed") > 0
    return dict(landings.filter(assessed).group_by("week").len().collect().iter_rows())


def tiles(held: Held, query: Query) -> list[Tile]:
    """Counts and rates of the query's week, per severity, with the weeks before it, whatever was decided."""
    week, query = week_of(held, query), query.facts
    weeks = _trend(held.weeks, week)
    per_week = assessed_per_week(held, query)
    counted = chosen_events(held, query).group_by("week", "severity").agg(n=pl.len(), certain=pl.col("certain").sum())
    counts = {(w, s): (n, sure) for w, s, n, sure in counted.iter_rows()}
    counted_as = rate_of_rule if query.rule else rate
    return [_tile(level, week, weeks, counts, per_week, counted_as) for level in LEVELS]


def _trend(weeks: tuple[str, ...], week: str) -> list[str]:
    if week == ALL_WEEKS:
        return list(weeks[-TREND_WEEKS:])
    return [*[w for w in weeks if w < week][1 - TREND_WEEKS :], week]


def _tile(
    level: str,
    week: str,
    weeks: list[str],
    counts: dict[tuple[str, str], tuple[int, int]],
    per_week: dict[str, int],
    rate: Callable[[int, int], Rate],
) -> Tile:
    here = list(per_week) if week == ALL_WEEKS else [week]
    n, certain = (sum(counts.get((w, level), (0, 0))[i] for w in here) for i in (0, 1))
    now = rate(n, sum(per_week.get(w, 0) for w in here))
    trend = [(w, rate(counts.get((w, level), (0, 0))[0], per_week.get(w, 0))) for w in weeks]
    return Tile(level, n, certain, now, trend)


def coverage(held: Held, query: Query) -> Coverage:
    """What part of the landings under the filters could be assessed, and the commonest reasons why not."""
    landings = matching(held.landings, query, week=week_of(held, query))
    if query.rule:
        return _coverage_of_rule(held, query.rule, landings)
    found = landings.select("assessed", "judged", "silent").collect()
    tried = found.filter(pl.col("judged") > 0)
    silent = tried.filter(pl.col("assessed") == 0)
    complete = tried.filter(pl.col("assessed") == pl.col("judged")).height
    left_out = found.height - tried.height
    return Coverage(found.height, tried.height - silent.height, complete, _commonest(silent["silent"]), left_out)


def _coverage_of_rule(held: Held, rule: str, landings: pl.LazyFrame) -> Coverage:
    assessed = pl.col(can(rule)) if rule in held.rules else pl.lit(False)
    found = landings.select("landing_id", assessed=assessed).collect()
    missing = held.missing.filter(pl.col("rule") == rule).join(found, on="landing_id", how="semi")
    n = int(found["assessed"].sum())
    left_out = held.left_out.filter(pl.col("rule") == rule).join(found, on="landing_id", how="semi").height
    return Coverage(found.height, n, n, _commonest(missing["reason"]), left_out)


def _commonest(reasons: pl.Series) -> list[tuple[str, int]]:
    counts = reasons.drop_nulls().alias("reason").value_counts(name="n")
    return list(counts.sort("n", "reason", descending=[True, False]).head(3).iter_rows())
