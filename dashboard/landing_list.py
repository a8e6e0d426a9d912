"""Which landings, in which order, with what was found on each. Pure Polars."""

from __future__ import annotations

import polars as pl

from dashboard.query import ALL_WEEKS, LEVELS, Query
from dashboard.queue import matching
from dashboard.store import Held

LANDINGS_PER_PAGE = 100


def landings(held: Held, query: Query) -> pl.DataFrame:
    """Landings that the filters leave, newest first, with `high`, `medium`, `low`: how many events of each."""
    chosen = matching(held.landings, query, week=query.week or ALL_WEEKS)
    if query.text:
        chosen = chosen.filter(_has(query.text))
    counts = held.events.group_by("landing_id").agg(
        *((pl.col("severity") == level).sum().alias(level) for level in LEVELS), titles=pl.col("title").unique().sort()
    )
    counted = chosen.join(counts, on="landing_id", how="left").with_columns(pl.col(*LEVELS).fill_null(0))
    return _shown(counted, query.show).sort("touchdown_utc", descending=True, nulls_last=True)


def _shown(counted: pl.DataFrame, show: str) -> pl.DataFrame:
    events = pl.sum_horizontal(LEVELS)
    conditions = {
        "events": events > 0,
        "none": (events == 0) & (pl.col("assessed") > 0),
        "part": pl.col("assessed") < pl.col("judged"),
        "missing": pl.col("assessed") == 0,
    }
    return counted.filter(conditions[show]) if show in conditions else counted


def _has(text: str) -> pl.Expr:
    shown = pl.concat_str(
        "tail", "fleet", "place", "departure", "flight", "landing_id", "source_file", separator=" ", ignore_nulls=True
    ).str.to_lowercase()
    return pl.all_horizontal(*(shown.str.contains(word, literal=True) for word in text.lower().split()))
