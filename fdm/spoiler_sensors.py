"""Spoiler sensors that died, are scaled or froze, as the landings of one tail tell, or left open.

Spoilers that read in throughout a landing, or stop part of the way, may truly have done so, or their sensor is dead or
its scale is wrong. Another landing of the tail on which they read full proves the scale; a later one, that the sensor
was not dead. Where the deceleration did not rise after contact no lift was dumped. The same on landing after landing,
and no landing on which nothing was felt: it is the sensor. With nothing to tell, both are possible.

Spoilers that read in or out alone and leapt late, with nothing felt, are believed where that is all the tail ever
shows, on landings enough: it is a discrete. Where another landing shows them on their way, they may have been held.

Limits are common practice without a source.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from fdm.bounded import FINE, Bounded, Measured
from fdm.measures.catalogue import CATALOGUE

SPOILERS = 0  # in place of an engine's number
FULL, DOWN = 0.9, 0.05  # shares of travel: fully out, and in
ALIKE = 0.015  # of travel, from landing to landing
FEWEST = 3  # landings in a row
FEWEST_IN_OR_OUT = 5  # landings that show no more before it is called a discrete
FELT_G = 0.025  # lift dump and drag of spoilers; half of what they are on any airliner
SEEN: dict[str, Any] = {
    "landing_id": pl.String,
    "engine": pl.Int8,
    "extension": pl.Float64,
    "unfelt": pl.Boolean,
    "on_their_way": pl.Boolean,
    "unseen": pl.Boolean,
}
TOLD: dict[str, Any] = {
    "landing_id": pl.String,
    "engine": pl.Int8,
    "since_utc": pl.Datetime("us", "UTC"),
    "sentence": pl.String,
    "possible": pl.Boolean,
}
UNPROVEN = "no other landing and nothing else recorded tells whether the spoilers' sensor is right"
HELD = "the spoilers stand still, frozen or not yet out, until they are out in the next sample"
RESTS_ON_SPOILERS = tuple(
    name
    for name, m in CATALOGUE.items()
    if "spoiler_panel|spoiler_handle" in m.needs and m.function.__module__ != "fdm.measures.clues"
)
DELAYS = ("spoiler_delay_s", "spoiler_delay_first_s")
TIMED = (*DELAYS, "spoiler_start_delay_s", "spoiler_travel_s")


def seen_spoilers(measured: Measured) -> pl.DataFrame:
    """What is asked of the spoilers of some landings, a row for each (columns SEEN)."""
    values = {
        name: measured.values[name].value
        for name in ("spoiler_extension_max", "deceleration_rise_g", "spoilers_on_their_way", "spoilers_out_unseen")
    }
    with np.errstate(invalid="ignore"):
        columns = {
            "landing_id": pl.Series(measured.landing_id, dtype=pl.String),
            "engine": pl.repeat(SPOILERS, len(measured.landing_id), dtype=pl.Int8, eager=True),
            "extension": pl.Series(values["spoiler_extension_max"], dtype=pl.Float64).fill_nan(None),
            "unfelt": np.abs(values["deceleration_rise_g"]) <= FELT_G,
            "on_their_way": values["spoilers_on_their_way"] == 1,
            "unseen": values["spoilers_out_unseen"] == 1,
        }
    return pl.DataFrame(columns, schema_overrides=SEEN)


def suspected() -> pl.Expr:
    """Rows that hint at a sensor that is wrong."""
    return (pl.col("engine") == SPOILERS) & ((pl.col("extension") < FULL) | pl.col("unseen"))


def wrong_spoilers(landings: pl.DataFrame, seen: pl.DataFrame) -> pl.DataFrame:
    """Landings whose spoilers are not believed, or not for certain (columns TOLD).

    landings    landing_id, tail, touchdown_utc, kind; those that are no rollout are left aside
    seen        frame of `seen_spoilers`, its rows among others
    """
    group = pl.coalesce("tail", "landing_id").alias("group")  # of an unnamed tail, each landing is alone
    known = landings.filter(pl.col("kind") == "full_stop").select("landing_id", "touchdown_utc", group)
    rows = seen.filter((pl.col("engine") == SPOILERS) & pl.col("extension").is_not_null()).select(list(SEEN))
    rows = rows.join(known, on="landing_id").sort("group", "touchdown_utc", "landing_id", nulls_last=True)
    full, near = pl.col("extension") >= FULL, pl.col("extension").diff().abs() <= ALIKE
    down = pl.col("extension") < DOWN
    alike = (near | (down & down.shift(1))) & ~full
    rows = rows.with_columns(full=full, run=(~alike.fill_null(False)).cum_sum().over("group"))
    run, out = ("group", "run"), pl.col("touchdown_utc").filter(pl.col("full"))
    rows = rows.with_columns(
        count=pl.len().over(run),
        since_utc=pl.col("touchdown_utc").min().over(run),
        unfelt_then=(pl.col("unfelt") & down).any().over(run),
        lived=pl.when(down).then(pl.col("touchdown_utc") < out.max()).otherwise(pl.col("full").any()).over("group"),
        moving=pl.col("full").sum().over("group"),
        travels=pl.col("on_their_way").any().over("group"),
    )
    always = ~full & (pl.col("count") >= FEWEST) & ~pl.col("unfelt_then") & pl.col("since_utc").is_not_null()
    proven = pl.col("lived").fill_null(False) | (down & pl.col("unfelt"))
    unproven = ~full & ~always & ~proven
    unseen = full & pl.col("unseen") & (pl.col("travels") | (pl.col("moving") < FEWEST_IN_OR_OUT))
    date = pl.col("since_utc").dt.strftime("%-d %B %Y")
    stops = pl.format(
        "spoilers stop at {} % on each landing of this tail since {}",
        (pl.col("extension").median().over(run) * 100).round().cast(pl.Int64),
        date,
    )
    stuck = pl.when(down).then(pl.format("spoilers never move on this tail since {}", date)).otherwise(stops)
    sentence = pl.when(always).then(stuck).when(unproven).then(pl.lit(UNPROVEN)).otherwise(pl.lit(HELD))
    possible = unproven | (unseen & ~pl.col("travels"))
    told = rows.with_columns(sentence=sentence, possible=possible).filter(always | unproven | unseen)
    return told.select(pl.col(name).cast(kind) for name, kind in TOLD.items())


def believed_spoilers(values: dict[str, Bounded], rows: np.ndarray, sentence: str, code: int, possible: bool) -> None:
    """Take from measures what is not believed on some landings, or widen their bounds to what may have been."""
    if sentence not in (UNPROVEN, HELD):
        for name in RESTS_ON_SPOILERS:
            values[name] = _changed(values[name], rows, code, value=np.nan, lower=np.nan, upper=np.nan)
        return
    if sentence == UNPROVEN:
        moved_s = np.nan_to_num(np.maximum(values["spoiler_start_delay_s"].lower[rows], 0.0))
        _sooner(values, DELAYS, rows, moved_s)
        values["spoiler_extension_max"] = _changed(values["spoiler_extension_max"], rows, FINE, upper=1.0)
    else:
        _sooner(values, TIMED, rows, np.zeros(len(rows)))
    if not possible:
        for name in TIMED:
            values[name] = _changed(values[name], rows, code, value=np.nan)
        return
    values["spoiler_sensor_unproven"] = _changed(
        values["spoiler_sensor_unproven"], rows, FINE, value=1.0, lower=1.0, upper=1.0
    )


def _sooner(values: dict[str, Bounded], names: tuple[str, ...], rows: np.ndarray, earliest_s: np.ndarray) -> None:
    """Lower bounds no later than so many seconds."""
    for name in names:
        values[name] = _changed(values[name], rows, FINE, lower=np.fmin(values[name].lower[rows], earliest_s))


def _changed(bounded: Bounded, rows: np.ndarray, code: int, **changes: float | np.ndarray) -> Bounded:
    """Fields put right on some rows of which something is known, with another reason where a code is given."""
    here = bounded.bounded[rows]
    fields = {name: getattr(bounded, name).copy() for name in ("value", "lower", "upper", "why")}
    for name, x in changes.items():
        fields[name][rows[here]] = np.broadcast_to(x, rows.shape)[here]
    if code != FINE:
        fields["why"][rows[here]] = code
    return Bounded(**fields, at=bounded.at)


__all__ = ["SEEN", "SPOILERS", "TOLD", "believed_spoilers", "seen_spoilers", "suspected", "wrong_spoilers"]
