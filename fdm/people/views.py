"""What a role may see of landings and events. A column that is not listed for a role is not shown to it.

officer         keeps identities: everything listed
analyst         stable pseudonyms for aircraft, flight, departure and landing, the month of touchdown, and facts
captain         the landing as flown: no aircraft, flight, departure, airfield or date
administrator   nothing; accounts and backups need no flight data

What is small, to all but the officer: fewer than LEAST landings behind whatever is counted, listed or drawn. Such are
the landings under a filter, those that a condition takes in, those that it treats otherwise than the rule in force,
those of a month, a runway or a fleet, and those not assessed for a reason. They are not told, nor what would tell them:
where a total is known, the next smallest of its parts goes with a hidden one. What a rule found among landings that are
not few (events by severity, gained and lost, nuisance) is told however little it is, on every page alike: a limit that
moves tells it landing by landing, by keys that name nobody. Two questions, or two pages, whose landings differ by few
are not held against each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import polars as pl

from fdm.people.errors import NotAllowed
from fdm.people.pseudonyms import Pseudonyms
from fdm.people.roles import ADMINISTRATOR, ANALYST, CAPTAIN, OFFICER

LEAST = 5  # landings; fewer are not told; common practice, no source

_KEYS = {"landing_id", "event_id"}
_NAMED = ("tail", "flight", "departure", "landing_id")
_SURFACE = {"fleet", "runway_condition_code", "runway_length_m", "reversers_out"}
AIRFIELD = frozenset(
    {
        "arrival",
        "runway",
        "runway_displaced_m",
        "runway_width_m",
        "runway_heading_deg",
        "runway_latitude_deg",
        "runway_longitude_deg",
        "airport_elevation_ft",
    }
)
_FLOWN = {
    "touchdown_by",
    "kind",
    "bounces",
    "touchdown_ground_speed_kt",
    "touchdown_airspeed_kt",
    "touchdown_distance_m",
    "gross_weight_kg",
    "headwind_kt",
    "rollout_end_s",
    "rollout_end_by",
    "quality",
}
_JUDGED = {
    "rule",
    "severity",
    "severity_lowest",
    "severity_highest",
    "measure",
    "engine",
    "value",
    "lower",
    "upper",
    "unit",
    "limit",
    "at_s",
    "ground_speed_kt",
    "origin",
    "origin_confidence",
    "evidence",
    "rule_hash",
    "rule_book",
}
_IDENTITY = {
    "tail",
    "flight",
    "departure",
    "source_file",
    "recorder",
    "start_utc",
    "touchdown_utc",
    "touchdown_s",
    "touchdown_earliest_s",
    "touchdown_latest_s",
}
_TOLD = ("evidence", "quality")  # sentences
_MONTHS = "Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec"
DAY = rf"\b\d{{4}}-\d{{2}}-\d{{2}}\b|\b\d{{1,2}}\.? (?:{_MONTHS})[a-z]*\b|\b\d{{1,2}}:\d{{2}}\b|\bW(?:eek )?\d{{1,2}}\b"
LEFT_OUT = "(a sentence that names a flight, an aircraft or a day is left out)"
MONTH = "touchdown_month"

SEES: dict[str, frozenset[str]] = {
    OFFICER: frozenset(_KEYS | _IDENTITY | _SURFACE | AIRFIELD | _FLOWN | _JUDGED),
    ANALYST: frozenset(
        _KEYS | {"tail", "flight", "departure", "recorder", MONTH} | _SURFACE | AIRFIELD | _FLOWN | _JUDGED
    ),
    CAPTAIN: frozenset(_KEYS | _SURFACE | _FLOWN | _JUDGED),
    ADMINISTRATOR: frozenset(),
}


def seen_by(frame: pl.DataFrame, role: str, pseudonyms: Pseudonyms) -> pl.DataFrame:
    """The frame (columns of schemas.LANDINGS or EVENTS, or some of them) that a role may see.

    Tail, flight, departure, landing_id and event_id become pseudonyms for every role but the officer, the time of
    touchdown its month ("2026-11", column touchdown_month), and a sentence of evidence or quality that names the
    row's aircraft, flight or departure or any day is left out. Raises NotAllowed for a role that is not known.
    """
    if role not in SEES:
        raise NotAllowed(f"there is no role {role!r}")
    if role != OFFICER:
        frame = _disguised(frame, pseudonyms)
    return frame.select(name for name in frame.columns if name in SEES[role])


def _disguised(frame: pl.DataFrame, pseudonyms: Pseudonyms) -> pl.DataFrame:
    frame = frame.with_columns(_told(frame, name) for name in _TOLD if name in frame.columns)
    made: dict[str, Any] = {name: _renamed(frame[name], name, pseudonyms) for name in _NAMED if name in frame.columns}
    if "event_id" in frame.columns:
        landing = frame["event_id"].str.replace(r"-[a-z][a-z0-9_]*$", "")
        rule = frame["event_id"].str.extract(r"(-[a-z][a-z0-9_]*)$")
        made["event_id"] = _renamed(landing, "landing_id", pseudonyms) + rule
    if "touchdown_utc" in frame.columns:
        made[MONTH] = frame["touchdown_utc"].dt.strftime("%Y-%m")
    return frame.with_columns(**made)


def _told(frame: pl.DataFrame, name: str) -> pl.Series:
    """A column of sentences without those that name the row's own aircraft, flight or departure, or a day."""
    names = [column for column in ("tail", "flight", "departure") if column in frame.columns]
    long = frame.select(pl.col(name), *names).with_row_index("row").explode(name)
    tells = pl.col(name).str.contains(DAY)
    for column in names:
        named = pl.when(pl.col(column).str.len_chars() > 0).then(pl.col(column))
        tells |= pl.col(name).str.contains(named, literal=True).fill_null(False)
    kept = long.with_columns(pl.when(tells).then(pl.lit(LEFT_OUT)).otherwise(pl.col(name)).alias(name))
    lists = kept.group_by("row").agg(pl.col(name).drop_nulls())
    return (
        frame.with_row_index("row")
        .select("row")
        .join(lists, on="row", how="left", maintain_order="left")[name]
        .fill_null([])
    )


def _renamed(column: pl.Series, kind: str, pseudonyms: Pseudonyms) -> pl.Series:
    identities = column.cast(pl.String).drop_nulls().unique().to_list()
    names = [pseudonyms.of(kind, one) for one in identities]
    return column.cast(pl.String).replace_strict(identities, names, default=None, return_dtype=pl.String)


def without_small_counts(
    table: pl.DataFrame,
    counts: Sequence[str],
    role: str,
    *,
    least: int = LEAST,
    told_by: Iterable[str] = (),
    total_over: Sequence[str] | None = None,
) -> pl.DataFrame:
    """The table with counts from 1 to `least` - 1 taken out (null), for every role but the officer.

    A count of none stays: it tells of nobody. Where exactly one count of those that add up to a total was taken out,
    the next smallest goes too, or the total would tell it.

    counts        columns that hold counts; each is treated by itself
    told_by       columns that would tell the count (rates, shares), taken out wherever any count of the row is
    total_over    columns whose equal values make up one total; None when no total is shown; () for one over all rows
    """
    if role == OFFICER:
        return table
    hidden = [_hidden(table, name, least, total_over).alias(f"hide {name}") for name in counts]
    marked = table.with_columns(*hidden)
    any_hidden = pl.any_horizontal(f"hide {name}" for name in counts)
    shown = [pl.when(~pl.col(f"hide {name}")).then(pl.col(name)).alias(name) for name in counts]
    told = [pl.when(~any_hidden).then(pl.col(name)).alias(name) for name in told_by]
    return marked.with_columns(*shown, *told).select(table.columns)


def _hidden(table: pl.DataFrame, name: str, least: int, total_over: Sequence[str] | None) -> pl.Series:
    small = (pl.col(name) > 0) & (pl.col(name) < least)
    if total_over is None:
        return table.select(small.fill_null(False)).to_series()
    over: list[Any] = list(total_over) or [pl.lit(0)]
    alone = small.sum().over(over) == 1
    left = pl.when(~small & (pl.col(name) > 0)).then(pl.col(name))
    next_smallest = (left.rank("ordinal").over(over) == 1).fill_null(False)
    return table.select((small | (alone & next_smallest)).fill_null(False)).to_series()
