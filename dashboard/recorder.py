"""What could not be assessed on account of the recording, by aircraft and parameter: for a request to maintenance."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from dashboard import names, words
from dashboard.held import Held
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
    "of_landings": pl.Int64,  # of this aircraft, from the first of these to its last
    "first_utc": pl.Datetime("us", "UTC"),
    "last_utc": pl.Datetime("us", "UTC"),
    "rules": pl.List(pl.String),
    "example": pl.String,
}


@dataclass(frozen=True)
class Silence:
    """A parameter of an aircraft that kept rules from being assessed: on how many landings, since when, which rules.

    of_landings   landings of this aircraft from the first of these on
    """

    tail: str | None
    fleet: str | None
    parameter: str
    reason: str
    landings: int
    of_landings: int
    first_utc: datetime | None
    last_utc: datetime | None
    rules: tuple[str, ...]
    example: str

    @property
    def always(self) -> bool:
        """Whether it has been so on every landing since the first."""
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


def silences(missing: pl.DataFrame, held: Held) -> list[Silence]:
    """By aircraft, parameter and kind of reason, the most landings first.

    missing   outcomes that were not assessed (see store.Held.missing)
    """
    return [Silence(**row | {"rules": tuple(row["rules"])}) for row in silent(missing, held).iter_rows(named=True)]


def silent(missing: pl.DataFrame, held: Held) -> pl.DataFrame:
    """The same as a table (columns SILENT); `rules` are titles."""
    reasons = missing.get_column("reason").drop_nulls().unique().to_list()
    blamed = {reason: name for reason in reasons if (name := parameter_of(reason))}
    rows = missing.filter(pl.col("reason").is_in(list(blamed)))
    if rows.is_empty():
        return pl.DataFrame(schema=SILENT)
    kinds = {reason: _kind(reason) for reason in blamed}
    landings = held.landings.select("landing_id", "tail", "fleet", "touchdown_utc")
    each = rows.with_columns(
        parameter=pl.col("reason").replace_strict(blamed, return_dtype=pl.String),
        kind=pl.col("reason").replace_strict(kinds, return_dtype=pl.String),
        title=pl.col("rule").replace_strict(held.titles, default=pl.col("rule"), return_dtype=pl.String),
    ).join(landings, on="landing_id")
    grouped = (
        each.sort("touchdown_utc", nulls_last=True)
        .group_by("tail", "fleet", "parameter", "kind", maintain_order=True)
        .agg(
            reason=pl.col("reason").last(),
            landings=pl.col("landing_id").n_unique().cast(pl.Int64),
            first_utc=pl.col("touchdown_utc").min(),
            last_utc=pl.col("touchdown_utc").max(),
            rules=pl.col("title").unique().sort(),
            example=pl.col("landing_id").last(),
        )
    )
    told = grouped.with_columns(pl.col("reason").map_elements(_told, return_dtype=pl.String))
    return _of_landings(told, landings).select(pl.col(name).cast(kind) for name, kind in SILENT.items())


def _of_landings(grouped: pl.DataFrame, landings: pl.DataFrame) -> pl.DataFrame:
    """With `of_landings`, the most landings first."""
    numbered = grouped.with_row_index("number")
    later = numbered.select("number", "tail", "first_utc").join(
        landings.select("tail", "touchdown_utc"), on="tail", nulls_equal=True
    )
    since = pl.col("first_utc").is_null() | (pl.col("touchdown_utc") >= pl.col("first_utc")).fill_null(False)
    counts = later.filter(since).group_by("number").agg(of_landings=pl.len())
    counted = numbered.join(counts, on="number", how="left").with_columns(pl.col("of_landings").fill_null(0))
    order = ["landings", "tail", "parameter", "kind"]
    return counted.sort(order, descending=[True, False, False, False], nulls_last=True)


def _kind(reason: str) -> str:
    """The same for reasons that differ in an amount or are told of one engine alone."""
    return _AMOUNT.sub("#", _ENGINE.sub("", reason))


def _told(reason: str) -> str:
    return words.plain(_LACKING.sub("not recorded", _ENGINE.sub("", reason)))


def as_text(found: list[Silence]) -> str:
    """A line for each that was seen more than once, to be copied into a request; for all when none was."""
    again = [one for one in found if one.landings > 1]
    return "\n".join(line(one) for one in again or found)


def line(one: Silence) -> str:
    """QQ-LAK: Spoilers armed. Not recorded, on all 67 landings since 1 Oct 2026. Cannot be assessed: …"""
    return (
        f"{one.tail or 'Aircraft unknown'}: {names.parameter(one.parameter)}. {words.sentence(one.reason)[:-1]}, "
        f"{how_often(one)}. Cannot be assessed: {'; '.join(one.rules)}."
    )


def how_often(one: Silence) -> str:
    """on all 67 landings since 1 Oct 2026; on 5 of 60 landings from 1 Oct to 20 Nov 2026"""
    if one.first_utc is None or one.last_utc is None:
        return f"on {words.count(one.landings, 'landing')}"
    if one.landings == 1:
        return f"on 1 landing, {one.first_utc:%-d %b %Y}"
    if one.always:
        return f"on all {one.landings:,} landings since {one.first_utc:%-d %b %Y}"
    return (
        f"on {one.landings:,} of {one.of_landings:,} landings since {one.first_utc:%-d %b %Y}, "
        f"last on {one.last_utc:%-d %b %Y}"
    )
