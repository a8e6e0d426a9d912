"""What a week comes to, counted: landings, rates by severity and kind, decisions, repeats. For the safety review."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from dashboard import words
from dashboard.held import Held, can
from dashboard.novelty import BEFORE_WEEKS
from dashboard.query import LEVELS
from dashboard.queue import TREND_WEEKS
from fdm.statistics import Rate, rate, rate_of_rule, u_chart, wilson_interval

FEWEST_WEEKS = 5  # before a usual range is told (common practice, no source)
REPEATED = 3  # events of one kind on one aircraft in a week
MOST_LISTED = 5
HIGHER = ("high", "medium")


@dataclass(frozen=True)
class Share:
    """A part of a whole, with Wilson's 95 % interval; shares None when the whole is nothing."""

    part: int
    whole: int
    share: float | None
    lower: float | None
    upper: float | None

    @classmethod
    def of(cls, part: int, whole: int) -> Share:
        """Counted."""
        if not whole:
            return cls(part, whole, None, None, None)
        return cls(part, whole, part / whole, *wilson_interval(part, whole))


@dataclass(frozen=True)
class Severity:
    """Events of one severity; `usual`: the median rate of the weeks before, None before there were enough."""

    severity: str
    events: int
    certain: int
    possible: int
    rate: Rate
    usual: float | None


@dataclass(frozen=True)
class Kind:
    """Events of one rule in the week, and its rate week by week, a share of the landings.

    weeks     the weeks of the trend with their rates, this week last
    usual     rate over the weeks before this one, the u-chart's centre line, per 1,000; None before there were enough
    limits    the chart's limits this week, per 1,000
    signal    "above" or "below" when this week's rate lies outside them
    """

    rule: str
    title: str
    events: int
    high: int
    medium: int
    low: int
    valid: int
    nuisance: int
    false: int
    open: int
    new: int
    weeks: tuple[tuple[str, Rate], ...]
    usual: float | None
    limits: tuple[float, float] | None
    signal: str


@dataclass(frozen=True)
class Place:
    """High and medium events at a runway or on an aircraft."""

    name: str
    rate: Rate


@dataclass(frozen=True)
class Given:
    """Runway given away: metres longer to 30 kt, the costliest lapse of each landing alone.

    landings   with a cost that could be told;  untold, with one that could not
    """

    name: str
    landings: int
    untold: int
    metres: float
    lower: float
    upper: float


@dataclass(frozen=True)
class Week:
    """The week's counts. `assessed`: by any rule; `complete`: by every rule; `reasons`: why not, with landings."""

    week: str
    landings: int
    tails: int
    assessed: Share
    complete: Share
    reasons: tuple[tuple[str, int], ...]
    severities: tuple[Severity, ...]
    kinds: tuple[Kind, ...]
    runways: tuple[Place, ...]
    aircraft: tuple[Place, ...]
    repeats: tuple[tuple[str, str, int], ...]  # tail, title, events
    new: Mapping[str, int]  # aircraft, runway, both -> events
    weeks_before: int  # that tell what is new
    origins: Mapping[str, int]
    decided: int
    to_decide: int


def counted(held: Held, week: str) -> Week:
    """The counts of one week; `held` with what was decided."""
    landings = held.landings.filter(pl.col("week") == week)
    events = held.events.filter(pl.col("week") == week)
    assessed = landings.filter(pl.col("assessed") > 0).height
    complete = landings.filter(pl.col("assessed") == pl.col("judged"), pl.col("judged") > 0).height
    silent = landings.filter(pl.col("assessed") == 0).group_by("silent").len().drop_nulls()
    kinds = tuple(_kind(held, rule, week) for rule in _rules(events))
    return Week(
        week=week,
        landings=landings.height,
        tails=landings["tail"].n_unique(),
        assessed=Share.of(assessed, landings.height),
        complete=Share.of(complete, landings.height),
        reasons=tuple(silent.sort("len", "silent", descending=[True, False]).head(3).iter_rows()),
        severities=tuple(_severity(held, level, week) for level in LEVELS),
        kinds=kinds,
        runways=_places(events, landings, "place"),
        aircraft=_places(events, landings, "tail"),
        repeats=_repeats(events),
        new=dict(events["new"].drop_nulls().value_counts().sort("new").iter_rows()),
        weeks_before=min(
            BEFORE_WEEKS, (words.monday(week) - words.monday(held.weeks[0])).days // 7 if held.weeks else 0
        ),
        origins={name: events.filter(origin=name).height for name in ("crew", "aircraft", "recording", "undetermined")},
        decided=events.height - events["verdict"].null_count(),
        to_decide=events["verdict"].null_count(),
    )


def trend_weeks(held: Held, week: str) -> list[str]:
    """The weeks up to one, as many as a trend has: that one last, also when no landing is of it."""
    return [*[w for w in held.weeks if w < week][1 - TREND_WEEKS :], week]


def _rules(events: pl.DataFrame) -> list[str]:
    """Rules with an event, the most events first, the worse ones first among equals."""
    counts = events.group_by("rule").agg(n=pl.len(), worst=pl.col("rank").max(), title=pl.col("title").first())
    return counts.sort("n", "worst", "title", descending=[True, True, False])["rule"].to_list()


def _severity(held: Held, level: str, week: str) -> Severity:
    mine = held.events.filter(severity=level)
    weeks = _weekly(mine, held.landings.filter(pl.col("assessed") > 0), trend_weeks(held, week), rate)
    now = mine.filter(week=week)
    before = [found.per_1000 for _, found in weeks[:-1] if found.per_1000 is not None]
    usual = float(np.median(before)) if len(before) >= FEWEST_WEEKS else None
    certain = int(now["certain"].sum())
    return Severity(level, now.height, certain, now.height - certain, weeks[-1][1], usual)


def _kind(held: Held, rule: str, week: str) -> Kind:
    mine = held.events.filter(rule=rule)
    able = held.landings.filter(pl.col(can(rule))) if can(rule) in held.landings.columns else held.landings
    weeks = _weekly(mine, able, trend_weeks(held, week), rate_of_rule)
    usual, limits, signal = usual_range([found for _, found in weeks])
    now = mine.filter(week=week)
    by = {name: dict(now[name].drop_nulls().value_counts().iter_rows()) for name in ("severity", "verdict")}
    return Kind(
        rule=rule,
        title=str(now["title"][0]),
        events=now.height,
        high=by["severity"].get("high", 0),
        medium=by["severity"].get("medium", 0),
        low=by["severity"].get("low", 0),
        valid=by["verdict"].get("valid", 0),
        nuisance=by["verdict"].get("nuisance", 0),
        false=by["verdict"].get("false", 0),
        open=now["verdict"].null_count(),
        new=now.height - now["new"].null_count(),
        weeks=tuple(weeks),
        usual=usual,
        limits=limits,
        signal=signal,
    )


def _weekly(
    events: pl.DataFrame, landings: pl.DataFrame, weeks: Sequence[str], rate: Callable[[int, int], Rate]
) -> list[tuple[str, Rate]]:
    counts = dict(events["week"].drop_nulls().value_counts().iter_rows())
    of = dict(landings["week"].drop_nulls().value_counts().iter_rows())
    return [(week, rate(counts.get(week, 0), of.get(week, 0))) for week in weeks]


def usual_range(weeks: Sequence[Rate]) -> tuple[float | None, tuple[float, float] | None, str]:
    """Rate of the weeks before the last, limits of the last, and whether it lies outside; by a u-chart, per 1,000.

    The last week has no part in what it is judged by. Weeks before without any event bound the rate by no more than
    the upper end of its 95 % interval, so the limits of the last are drawn around that.
    """
    known = [found for found in weeks if found.landings]
    if len(known) <= FEWEST_WEEKS or not weeks[-1].landings:
        return None, None, ""
    events, landings = (sum(getattr(found, name) for found in known[:-1]) for name in ("events", "landings"))
    now, before = known[-1], rate_of_rule(events, landings)
    chart = u_chart([now.events], [now.landings / 1000], before.per_1000 if before.events else before.upper)
    low, high, here = (float(line[0]) for line in (chart.lower, chart.upper, chart.per_unit))
    return before.per_1000, (low, high), "above" if here > high else "below" if here < low else ""


def _places(events: pl.DataFrame, landings: pl.DataFrame, by: str) -> tuple[Place, ...]:
    """Where high and medium events were the most, by count."""
    higher = events.filter(pl.col("severity").is_in(HIGHER), pl.col(by).is_not_null())
    of = dict(landings.filter(pl.col("assessed") > 0)[by].drop_nulls().value_counts().iter_rows())
    counts = higher.group_by(by).len().sort("len", by, descending=[True, False]).head(MOST_LISTED)
    return tuple(Place(str(name), rate(n, of.get(name, 0))) for name, n in counts.iter_rows())


def _repeats(events: pl.DataFrame) -> tuple[tuple[str, str, int], ...]:
    counts = events.drop_nulls("tail").group_by("tail", "title").len().filter(pl.col("len") >= REPEATED)
    return tuple(counts.sort("len", "tail", "title", descending=[True, False, False]).head(MOST_LISTED).iter_rows())


def worst_lines(held: Held, week: str, most: int) -> tuple[int, int, list[dict[str, Any]]]:
    """How many high events a week has, in how many lines, and the worst of these; repeats on one aircraft stand in one
    line.
    """
    high = held.events.filter(week=week, severity="high")
    same = ["rule", "tail", "engine", "certain", "verdict"]
    lines = high.group_by(same, maintain_order=True).agg(
        repeats=pl.len(), last=pl.col("touchdown_utc").max(), first=pl.col("touchdown_utc").min(),
        **{n: pl.col(n).first() for n in ("event_id", "title", "place", "value", "lower", "upper", "unit", "origin",
                                          "origin_confidence", "severity")},
    )  # fmt: skip
    return high.height, lines.height, list(lines.head(most).iter_rows(named=True))
