"""Why rules could not be assessed, counted by reason in words."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from dashboard import words
from dashboard.held import Held

MEASURED = re.compile(r"\d+(?:\.\d+)?(?= (?:s|points) )")  # how long a gap was, how far power rose


@dataclass(frozen=True)
class Reason:
    """A reason, how many landings and aircraft it concerns, the rules it silences, and the newest such landing."""

    sentence: str
    landings: int
    aircraft: int
    rules: tuple[str, ...]
    example: str
    newest: datetime | None


def by_reason(missing: pl.DataFrame, held: Held) -> list[Reason]:
    """Reasons of outcomes that were not assessed (see store.Held.missing), those concerning most landings first.

    Those that differ in what was measured alone are one, with the least and the most of it: "gap of 4 to 6 s".
    """
    reasons = missing.with_columns(pl.col("reason").fill_null("reason not known"))
    told = {reason: words.plain(reason) for reason in reasons.get_column("reason").unique().to_list()}
    alike = spans(list(told.values()))
    said = {reason: alike[text] for reason, text in told.items()}
    grouped = (
        reasons.with_columns(said=pl.col("reason").replace_strict(said, return_dtype=pl.String))
        .join(held.landings.select("landing_id", "tail", "touchdown_utc"), on="landing_id", how="left")
        .sort("touchdown_utc", descending=True, nulls_last=True)
        .group_by("said", maintain_order=True)
        .agg(
            landings=pl.col("landing_id").n_unique(),
            aircraft=pl.col("tail").n_unique(),
            rules=pl.col("rule").unique().sort(),
            example=pl.col("landing_id").first(),
            newest=pl.col("touchdown_utc").first(),
        )
        .sort("landings", "said", descending=[True, False])
    )
    return [
        Reason(said, n, aircraft, tuple(rules), example, newest)
        for said, n, aircraft, rules, example, newest in grouped.iter_rows()
    ]


def spans(sentences: Sequence[str]) -> dict[str, str]:
    """Each sentence, with the least and the most measured in all those that tell one number and differ in it alone."""
    alike: dict[str, set[str]] = {}
    for sentence in sentences:
        alike.setdefault(_shape(sentence), set()).update(MEASURED.findall(sentence))
    return {sentence: _shape(sentence).replace("#", _span(alike[_shape(sentence)])) for sentence in sentences}


def _shape(sentence: str) -> str:
    return MEASURED.sub("#", sentence) if len(MEASURED.findall(sentence)) == 1 else sentence


def _span(numbers: Collection[str]) -> str:
    least, most = min(numbers, key=float, default=""), max(numbers, key=float, default="")
    return least if least == most else f"{least} to {most}"
