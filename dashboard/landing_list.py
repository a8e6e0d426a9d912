"""Which landings a list shows, newest first. Pure Polars."""

from __future__ import annotations

import polars as pl

from dashboard.held import Held
from dashboard.query import ALL_WEEKS, Query
from dashboard.queue import matching

LANDINGS_PER_PAGE = 100
EVENTS = pl.sum_horizontal("high", "medium", "low")
COLUMNS = (
    "landing_id",
    "touchdown_utc",
    "month",
    "tail",
    "fleet",
    "flight",
    "place",
    "touchdown_ground_speed_kt",
    "kind",
    "judged",
    "assessed",
    "high",
    "medium",
    "low",
)
SHOWN = {
    "events": EVENTS > 0,
    "none": (EVENTS == 0) & (pl.col("assessed") > 0),
    "part": pl.col("assessed") < pl.col("judged"),
    "missing": (pl.col("assessed") == 0) & (pl.col("judged") > 0),
}


def landings(held: Held, query: Query) -> pl.DataFrame:
    """Landings that the filters leave, newest first, with the columns of COLUMNS."""
    chosen = matching(held.landings, query, week=query.week or ALL_WEEKS)
    shown = pl.concat_str(
        "tail", "fleet", "place", "departure", "flight", "landing_id", separator=" ", ignore_nulls=True
    )
    words = [shown.str.to_lowercase().str.contains(word, literal=True) for word in query.text.lower().split()]
    show = [SHOWN[query.show]] if query.show in SHOWN else []
    return chosen.filter(*words, *show).select(COLUMNS).collect()


def titles(held: Held, landing_ids: pl.Series) -> dict[str, list[str]]:
    """Titles of the events of some landings."""
    events = held.events.lazy().filter(pl.col("landing_id").is_in(landing_ids.implode()))
    return dict(events.group_by("landing_id").agg(pl.col("title").unique().sort()).collect().iter_rows())
