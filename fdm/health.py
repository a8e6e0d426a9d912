"""What is drifting and what has gone silent, by tail: trends of mechanisms, the recorder's parameters, data recovery.

The slope is that of Theil and Sen with its 95 % interval (SciPy `theilslopes`; Sen, JASA 63, 1968, 1379-1389): half of
the landings may be odd without moving it. A measure is drifting when Kendall's tau says that it is ordered in time, and
the change over the period is more than the recorder's own step and a share of its usual value.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

import numpy as np
import polars as pl
from scipy.stats import kendalltau, theilslopes

WATCHED = {  # measure -> what the list calls it
    "deploy_transit_s": "reverser transit to deployed",
    "stow_transit_s": "reverser transit to stowed",
    "spoiler_travel_s": "spoiler extension",
    "idle_n1_pct": "idle N1",
}
FEWEST = 8  # landings below which no trend is drawn
SIGNIFICANT = 0.05  # p of Kendall's tau (SciPy; it allows for the ties that a coarse recorder makes)
FIRST, LAST = 20, 10  # landings that say what was and what is, at most half each; common practice, no source
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
    "end": pl.Float64,  # the trend's value at the last landing
    "was": pl.Float64,  # median of the first `was_landings`
    "was_landings": pl.Int64,
    "now": pl.Float64,  # median of the last `now_landings`
    "now_landings": pl.Int64,
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
        ordered = kendalltau(days, values).pvalue < SIGNIFICANT
        first, last = (min(most, group.height // 2) for most in (FIRST, LAST))
        drifting = ordered and abs(change) > max(LEAST_SHARE * abs(middle), step)
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
            "end": float(start + slope * days[-1]),
            "was": float(np.median(values[:first])),
            "was_landings": first,
            "now": float(np.median(values[-last:])),
            "now_landings": last,
            "drifting": bool(drifting),
        }


def _days(times: pl.Series) -> np.ndarray:
    first: datetime = times[0]
    return np.array([(time - first).total_seconds() / 86400 for time in times])


PARAMETERS: dict[str, Any] = {
    "tail": pl.String,
    "parameter": pl.String,
    "landings": pl.Int64,
    "present_pct": pl.Float64,  # share of the samples that should be there, around touchdown
    "faulty_landings": pl.Int64,  # landings with a spike, a freeze, a dropout or a lone change in it
    "silent_since_utc": pl.Datetime("us", "UTC"),  # from this landing on it was not there, or has not changed
    "silent_landings": pl.Int64,
    "state": pl.String,  # good, patchy, missing, silent (it no longer changes), gone (it is no longer there)
}
GOOD_PCT, MISSING_PCT = 95.0, 5.0
SILENT_LANDINGS = 5  # landings in a row up to the last on which a parameter was not there, or did not change as usual
WORST_FIRST = ("gone", "silent", "missing", "patchy", "good")
CHANGES_EVERY_LANDING = ("main_gear_ground", "reverser_state", "reverser_unlocked", "reverser_deployed", "ground_speed")


def parameters(landings: pl.DataFrame, seen: pl.DataFrame) -> pl.DataFrame:
    """Each recorded parameter of each tail over all landings (columns PARAMETERS), the worst first.

    seen    Archive.parameter_health()
    """
    known = landings.select("landing_id", "tail", "touchdown_utc").filter(pl.col("tail").is_not_null())
    rows = _with_absent(seen.join(known, on="landing_id"), known).sort("touchdown_utc", nulls_last=True)
    utc, here = pl.col("touchdown_utc"), pl.col("share") > 0
    last_change = utc.filter(pl.col("changes")).max()
    gone = utc > utc.filter(pl.col("share") * 100 >= MISSING_PCT).max()
    table = rows.group_by("tail", "parameter").agg(
        landings=pl.len(),
        present_pct=pl.col("share").cast(pl.Float64).mean() * 100,
        faulty_landings=(pl.col("faults") > 0).sum(),
        silent_since_utc=utc.filter(here & (utc > last_change)).min(),
        never=utc.filter(here).min(),
        changed=pl.col("changes").any(),
        silent_landings=(here & ((utc > last_change) | ~pl.col("changes").any())).sum(),
        gone_since_utc=utc.filter(gone).min(),
        gone_landings=gone.sum(),
    )
    family = pl.col("parameter").str.split(".").list.first().is_in(CHANGES_EVERY_LANDING)
    silent = family & (pl.col("silent_landings") >= SILENT_LANDINGS)
    gone = pl.col("gone_landings") >= SILENT_LANDINGS
    state = (
        pl.when(gone)
        .then(pl.lit("gone"))
        .when(pl.col("present_pct") < MISSING_PCT)
        .then(pl.lit("missing"))
        .when(silent)
        .then(pl.lit("silent"))
        .when(pl.col("present_pct") < GOOD_PCT)
        .then(pl.lit("patchy"))
        .otherwise(pl.lit("good"))
    )
    since = pl.when(pl.col("changed")).then("silent_since_utc").otherwise("never")
    table = table.with_columns(
        state=state,
        silent_since_utc=pl.when(gone).then("gone_since_utc").when(silent).then(since),
        silent_landings=pl.when(gone).then("gone_landings").otherwise("silent_landings"),
    )
    order = pl.col("state").replace_strict({state: i for i, state in enumerate(WORST_FIRST)}, return_dtype=pl.Int8)
    return table.sort(order, "tail", "parameter").select(pl.col(n).cast(kind) for n, kind in PARAMETERS.items())


def _with_absent(rows: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """A row also for each landing on which a parameter that the tail records otherwise is not in the recording."""
    expected = known.join(rows.select("tail", "parameter").unique(), on="tail")
    found = expected.join(rows.drop("tail", "touchdown_utc"), on=["landing_id", "parameter"], how="left")
    return found.with_columns(
        pl.col("share").fill_null(0.0), pl.col("changes").fill_null(False), pl.col("faults").fill_null(0)
    )


MONTHS: dict[str, Any] = {
    "tail": pl.String,
    "parameter": pl.String,
    "month": pl.String,  # of the touchdown in UTC, such as 2026-11
    "landings": pl.Int64,
    "unusable": pl.Int64,  # landings on which the parameter was not there, not whole, or held a fault
    "absent": pl.Int64,  # of them, those on which it was not in the recording at all
}


def by_month(landings: pl.DataFrame, seen: pl.DataFrame) -> pl.DataFrame:
    """On how many landings of each month a parameter of a tail could not be relied on (columns MONTHS).

    seen    Archive.parameter_health()
    """
    known = landings.select("landing_id", "tail", "touchdown_utc").filter(
        pl.col("tail").is_not_null() & pl.col("touchdown_utc").is_not_null()
    )
    rows = _with_absent(seen.join(known, on="landing_id"), known)
    poor = (pl.col("share") * 100 < GOOD_PCT) | (pl.col("faults") > 0)
    table = rows.group_by("tail", "parameter", month=pl.col("touchdown_utc").dt.strftime("%Y-%m")).agg(
        landings=pl.len(), unusable=poor.sum(), absent=(pl.col("share") <= 0).sum()
    )
    return table.sort("tail", "parameter", "month").select(pl.col(n).cast(kind) for n, kind in MONTHS.items())


RECOVERY: dict[str, Any] = {
    "tail": pl.String,
    "flown": pl.Int64,
    "recorded": pl.Int64,
    "recovered_pct": pl.Float64,
}


def recovery(landings: pl.DataFrame, flown: pl.DataFrame) -> pl.DataFrame:
    """How many of the flights flown have a recorded landing, by tail (columns RECOVERY), the worst first.

    flown   one row per flight, with `tail` and `flight`
    """
    have = landings.select("tail", "flight").unique().with_columns(recorded=pl.lit(1))
    each = flown.select(pl.col("tail", "flight").cast(pl.String)).unique().join(have, on=["tail", "flight"], how="left")
    table = each.group_by("tail").agg(flown=pl.len(), recorded=pl.col("recorded").sum())
    table = table.with_columns(recovered_pct=pl.col("recorded") / pl.col("flown") * 100).sort("recovered_pct", "tail")
    return table.select(pl.col(name).cast(kind) for name, kind in RECOVERY.items())
