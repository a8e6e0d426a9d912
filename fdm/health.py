"""What is drifting, by tail and engine: robust trends of transit times, spoiler travel and idle N1.

The slope is that of Theil and Sen with its 95 % interval (SciPy `theilslopes`; Sen, JASA 63, 1968, 1379-1389): half of
the landings may be odd without moving it. A measure is drifting when the interval leaves zero out, and the change over
the period is more than the recorder's own step.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
from scipy.stats import theilslopes

WATCHED = {  # measure -> what the list calls it
    "deploy_transit_s": "reverser transit to deployed",
    "stow_transit_s": "reverser transit to stowed",
    "spoiler_travel_s": "spoiler extension",
    "idle_n1_pct": "idle N1",
}
FEWEST = 8  # landings below which no trend is drawn
LEAST_SHARE = 0.15  # of its own middle value by which a measure must have moved over the period

TRENDS: dict[str, Any] = {
    "tail": pl.String,
    "fleet": pl.String,
    "engine": pl.Int8,
    "measure": pl.String,
    "what": pl.String,
    "unit": pl.String,
    "landings": pl.Int64,
    "first_utc": pl.Datetime("us", "UTC"),
    "last_utc": pl.Datetime("us", "UTC"),
    "middle": pl.Float64,
    "per_30_days": pl.Float64,
    "per_30_days_lower": pl.Float64,
    "per_30_days_upper": pl.Float64,
    "change": pl.Float64,  # over the whole period
    "now": pl.Float64,  # the trend's value at the last landing
    "drifting": pl.Boolean,
}


def trends(landings: pl.DataFrame, measures: pl.DataFrame) -> pl.DataFrame:
    """Trend of every watched measure of every tail and engine (columns TRENDS), the strongest drift first.

    landings, measures   the tables of the contract
    """
    known = landings.filter(pl.col("touchdown_utc").is_not_null()).select(
        "landing_id", "tail", "fleet", "touchdown_utc"
    )
    watched = measures.filter(pl.col("measure").is_in(list(WATCHED)) & pl.col("value").is_not_null())
    rows = watched.join(known, on="landing_id").sort("touchdown_utc")
    found = pl.DataFrame(list(_each(rows)), schema=TRENDS)
    relative = (pl.col("change") / pl.col("middle")).abs()
    return found.sort(pl.col("drifting"), relative, descending=True, nulls_last=True)


def _each(rows: pl.DataFrame) -> Iterator[dict[str, object]]:
    for key, group in rows.group_by("tail", "fleet", "measure", "engine", maintain_order=True):
        if group.height < FEWEST:
            continue
        tail, fleet, measure, engine = key
        days = _days(group["touchdown_utc"])
        values = group["value"].to_numpy()
        if days[-1] <= 0:
            continue
        slope, start, lower, upper = theilslopes(values, days, 0.95)
        middle, change = float(np.median(values)), float(slope * days[-1])
        step = float(np.median((group["upper"] - group["lower"]).to_numpy())) / 2
        drifting = lower * upper > 0 and abs(change) > max(LEAST_SHARE * abs(middle), step)
        yield {
            "tail": tail,
            "fleet": fleet,
            "engine": engine,
            "measure": measure,
            "what": WATCHED[str(measure)],
            "unit": group["unit"][0],
            "landings": group.height,
            "first_utc": group["touchdown_utc"][0],
            "last_utc": group["touchdown_utc"][-1],
            "middle": middle,
            "per_30_days": float(slope) * 30,
            "per_30_days_lower": float(lower) * 30,
            "per_30_days_upper": float(upper) * 30,
            "change": change,
            "now": float(start + slope * days[-1]),
            "drifting": bool(drifting),
        }


def _days(times: pl.Series) -> np.ndarray:
    first: datetime = times[0]
    return np.array([(time - first).total_seconds() / 86400 for time in times])
