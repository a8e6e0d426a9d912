"""What could not be assessed on account of the recording, by aircraft and parameter: for a request to maintenance."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from dashboard import names, words
from dashboard.held import Held
from dashboard.query import ALL_WEEKS, Query
from dashboard.queue import matching
from fdm.parameters import PARAMETERS

RECORDER = re.compile(
    r"not recorded|\bgap\b|never (?:changes|reads|shows|comes down)|repeats its|reads out from|\bsamples?\b"
    r"|not believed|at once|idle reverse of engine|its unit or source"
)
_NAME = re.compile(r"[a-z][a-z0-9]*(?:_[a-z0-9]+)*(?:\.(?:[1-4]|left|right|centre))?")
_SAID = (  # what is named in words in a reason -> the parameter
    (re.compile(r"reverser ([1-4])"), "reverser.{}"),
    (re.compile(r"N1 of engine ([1-4])|idle reverse of engine ([1-4])"), "n1.{}"),
    (re.compile(r"\bN1\b"), "n1"),
    (re.compile(r"main.gear"), "main_gear_ground"),
    (re.compile(r"nose gear"), "nose_gear_ground"),
    (re.compile(r"spoiler (?:handle|lever)"), "spoiler_handle"),
    (re.compile(r"spoiler"), "spoiler_panel"),
    *((re.compile(label.lower()), name) for name, label in names.PARAMETERS.items() if " " in label),
    (re.compile(r"\bheading\b"), "heading"),
)
_ENGINE = re.compile(r"^engine [1-4]: ")
_LACKING = re.compile(r"^not recorded: .*")
_AMOUNT = re.compile(r"\d+(?:\.\d+)?(?= s\b| points\b)")
SILENT: dict[str, Any] = {
    "tail": pl.String,
    "fleet": pl.String,
    "parameter": pl.String,
    "reason": pl.String,
    "landings": pl.Int64,
    "of_landings": pl.Int64,  # of this aircraft, on which any of the rules was tried: in the period, or since the first
    "not_tried": pl.Int64,  # of this aircraft in the same time, on which none was, as after a go-around
    "first_utc": pl.Datetime("us", "UTC"),
    "last_utc": pl.Datetime("us", "UTC"),
    "rules": pl.List(pl.String),
    "example": pl.String,
}


@dataclass(frozen=True)
class Silence:
    """A parameter of an aircraft that kept rules from being assessed: on how many landings, since when, which rules.

    of_landings   landings of this aircraft on which any of the rules was tried: in the period, else from the first on
    not_tried     landings of this aircraft in the same time on which none of them was tried, as after a go-around
    period        the week or month that alone was counted; empty when all were
    runway        the runway at which alone landings were counted; empty when all were
    """

    tail: str | None
    fleet: str | None
    parameter: str
    reason: str
    landings: int
    of_landings: int
    not_tried: int
    first_utc: datetime | None
    last_utc: datetime | None
    rules: tuple[str, ...]
    example: str
    period: str = ""
    runway: str = ""

    @property
    def always(self) -> bool:
        """Whether it was so on every landing of the period, or since the first."""
        return self.landings >= self.of_landings


def parameter_of(reason: str) -> str | None:
    """The parameter that a reason blames; None when it speaks of the flight and not of the recording."""
    if not RECORDER.search(reason):
        return None
    for word in _NAME.findall(reason):
        if word in PARAMETERS:
            return word
    for said, name in _SAID:
        found = said.search(reason)
        if found:
            return name.format(next((group for group in found.groups() if group), ""))
    return None


def silences(held: Held, query: Query) -> list[Silence]:
    """By aircraft, parameter and kind of reason, the most landings first, of the landings that a query leaves."""
    period = "" if query.week == ALL_WEEKS else query.week
    rows = silent(held, query).iter_rows(named=True)
    chosen: dict[str, Any] = {"period": period, "runway": query.runway}
    return [Silence(**{**row, **chosen, "rules": tuple(row["rules"])}) for row in rows]


def silent(held: Held, query: Query) -> pl.DataFrame:
    """The same as a table (columns SILENT); `rules` are titles."""
    chosen = matching(held.landings, query, week=query.week or ALL_WEEKS)
    landings = chosen.select("landing_id", "tail", "fleet", "touchdown_utc").collect()
    missing = of_rule(held.missing, query).join(landings, on="landing_id")
    reasons = missing.get_column("reason").drop_nulls().unique().to_list()
    blamed = {reason: name for reason in reasons if (name := parameter_of(reason))}
    blames = pl.col("reason").is_in(list(blamed)).fill_null(False)
    rows = missing.filter(blames)
    if rows.is_empty():
        return pl.DataFrame(schema=SILENT)
    kinds = {reason: _kind(reason) for reason in blamed}
    each = rows.with_columns(
        parameter=pl.col("reason").replace_strict(blamed, return_dtype=pl.String),
        kind=pl.col("reason").replace_strict(kinds, return_dtype=pl.String),
    )
    grouped = (
        each.sort("touchdown_utc", nulls_last=True)
        .group_by("tail", "fleet", "parameter", "kind", maintain_order=True)
        .agg(
            reason=pl.col("reason").last(),
            landings=pl.col("landing_id").n_unique().cast(pl.Int64),
            first_utc=pl.col("touchdown_utc").min(),
            last_utc=pl.col("touchdown_utc").max(),
            rules=pl.col("rule").unique(),
            example=pl.col("landing_id").last(),
        )
    )
    since_first = query.week in ("", ALL_WEEKS)
    out = of_rule(held.left_out, query).join(landings, on="landing_id")
    untried = pl.concat([missing.filter(~blames).select(out.columns), out])
    counted = _of_landings(grouped, landings, untried, since_first=since_first)
    title = pl.element().replace_strict(held.titles, default=pl.element(), return_dtype=pl.String)
    told = counted.with_columns(
        pl.col("reason").map_elements(_told, return_dtype=pl.String), rules=pl.col("rules").list.eval(title).list.sort()
    )
    return told.select(pl.col(name).cast(kind) for name, kind in SILENT.items())


def of_rule(missing: pl.DataFrame, query: Query) -> pl.DataFrame:
    """The outcomes of the rule that a query names; all when it names none."""
    return missing.filter(pl.col("rule") == query.rule) if query.rule else missing


def _of_landings(
    grouped: pl.DataFrame, landings: pl.DataFrame, flown_so: pl.DataFrame, *, since_first: bool
) -> pl.DataFrame:
    """With `of_landings` and `not_tried`, the most landings first.

    flown_so       outcomes that were not assessed for what was flown, such as a go-around, or left out by the rule: a
                   landing on which every rule of a group is among them tells nothing of the recording
    since_first    count from the group's first landing on, not over the whole period
    """
    numbered = grouped.with_row_index("number")
    mine = numbered.select("number", "tail", "first_utc").join(landings, on="tail", nulls_equal=True)
    if since_first:
        utc = pl.col("touchdown_utc")
        mine = mine.filter(pl.col("first_utc").is_null() | (utc >= pl.col("first_utc")).fill_null(False))
    counts = mine.join(_untried(numbered, flown_so), on=["number", "landing_id"], how="anti")
    counted = numbered
    for name, rows in (("of_landings", counts), ("every", mine)):
        counted = counted.join(rows.group_by("number").agg(pl.len().alias(name)), on="number", how="left")
    order = ["landings", "tail", "parameter", "kind"]
    known = counted.with_columns(pl.col("of_landings", "every").fill_null(0)).with_columns(
        not_tried=pl.col("every").cast(pl.Int64) - pl.col("of_landings").cast(pl.Int64)
    )
    return known.sort(order, descending=[True, False, False, False], nulls_last=True)


def _untried(numbered: pl.DataFrame, flown_so: pl.DataFrame) -> pl.DataFrame:
    """`number`, `landing_id`: landings on which no rule of a group was tried."""
    rules = numbered.select("number", "tail", rule="rules", of=pl.col("rules").list.len()).explode("rule")
    hit = rules.join(flown_so.select("landing_id", "tail", "rule"), on=["tail", "rule"], nulls_equal=True)
    return (
        hit.group_by("number", "landing_id").agg(pl.len(), pl.col("of").first()).filter(pl.col("len") >= pl.col("of"))
    )


def _kind(reason: str) -> str:
    """The same for reasons that differ in an amount or are told of one engine alone."""
    return _AMOUNT.sub("#", _ENGINE.sub("", reason))


def _told(reason: str) -> str:
    return words.plain(_LACKING.sub("not recorded", _ENGINE.sub("", reason)))


def as_text(found: list[Silence]) -> str:
    """A line for each that was seen more than once, to be copied into a request, and how many were not; for all when
    none was."""
    again = [one for one in found if one.landings > 1]
    once = len(found) - len(again) if again else 0
    each = "seen" if once == 1 else "each seen"
    left = [f"Left out: {words.count(once, 'more line')}, {each} on one landing only."] if once else []
    return "\n".join([*(line(one) for one in again or found), *left])


def line(one: Silence) -> str:
    """QQ-LAK: Spoilers armed. Not recorded, on all 67 landings since 1 Oct 2026. Cannot be assessed: …"""
    return (
        f"{one.tail or 'Aircraft unknown'}: {names.parameter(one.parameter)}. {words.sentence(one.reason)[:-1]}, "
        f"{how_often(one)}. Cannot be assessed: {'; '.join(one.rules)}."
    )


def how_often(one: Silence) -> str:
    """on all 67 landings since 1 Oct 2026; on 5 of 60 landings since 1 Oct 2026, last on 20 Nov 2026; of a period
    alone, on all 8 landings of week 41, 5–11 Oct 2026; at a runway alone, on all 7 landings at Korsby 09L since …;
    on all 31 landings that needed it since …, where others, as a go-around, did not."""
    at = f" at {one.runway}" if one.runway else ""
    if one.first_utc is None or one.last_utc is None:
        return f"on {words.count(one.landings, 'landing')}{at}"
    if one.landings == 1:
        return f"on 1 landing{at}, {one.first_utc:%-d %b %Y}"
    of = f"all {one.landings:,}" if one.always else f"{one.landings:,} of {one.of_landings:,}"
    landings = f"landings{at}{' that needed it' if one.not_tried else ''}"
    if one.period:
        return f"on {of} {landings} of {_period(one.period)}"
    last = "" if one.always else f", last on {one.last_utc:%-d %b %Y}"
    return f"on {of} {landings} since {one.first_utc:%-d %b %Y}{last}"


def _period(week: str) -> str:
    """week 41, 5–11 Oct 2026; October 2026"""
    return words.period(week).replace("Week", "week", 1)
