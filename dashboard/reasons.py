"""Why rules could not be assessed, counted by reason in words."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from dashboard import words
from dashboard.store import Held


@dataclass(frozen=True)
class Reason:
    """A reason, how many landings and aircraft it concerns, the rules it silences, and a landing to look at."""

    sentence: str
    landings: int
    aircraft: int
    rules: tuple[str, ...]
    example: str


def by_reason(outcomes: pl.DataFrame, held: Held) -> list[Reason]:
    """Reasons of the outcomes that were not assessed, those concerning most landings first."""
    missing = outcomes.filter(pl.col("outcome") == "not_assessed").with_columns(
        pl.col("reason", "rule").cast(pl.String), reason_=pl.col("reason").cast(pl.String).fill_null("reason not known")
    )
    told = {reason: words.plain(reason) for reason in missing.get_column("reason_").unique().to_list()}
    grouped = (
        missing.with_columns(said=pl.col("reason_").replace_strict(told, return_dtype=pl.String))
        .join(held.landings.select("landing_id", "tail", "touchdown_utc"), on="landing_id", how="left")
        .sort("touchdown_utc", descending=True, nulls_last=True)
        .group_by("said", maintain_order=True)
        .agg(
            landings=pl.col("landing_id").n_unique(),
            aircraft=pl.col("tail").n_unique(),
            rules=pl.col("rule").unique().sort(),
            example=pl.col("landing_id").first(),
        )
        .sort("landings", "said", descending=[True, False])
    )
    return [
        Reason(said, n, aircraft, tuple(rules), example) for said, n, aircraft, rules, example in grouped.iter_rows()
    ]
