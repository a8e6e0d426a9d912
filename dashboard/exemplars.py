"""Landings to lay over another: without events, fully assessed, flown alike. Nobody is named."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard import words
from fdm.archive import Trace

MOST = 3
# How far apart two landings are: one unit for so much of a difference (common practice, no source).
ALIKE = {"touchdown_ground_speed_kt": 5.0, "gross_weight_kg": 2000.0, "headwind_kt": 5.0}
# What is drawn of it: the aeroplane alone, and nothing of where it was.
DRAWN = (
    *("ground_speed", "longitudinal_acceleration", "spoiler_panel", "spoiler_handle", "reverse_lever", "thrust_lever"),
    *("n1", "epr", "brake_pressure", "reverser_state", "reverser_unlocked", "reverser_deployed"),
)
EVENTS = pl.sum_horizontal("high", "medium", "low")


@dataclass(frozen=True)
class Exemplar:
    """A landing to lay over another, without anything it could be known by.

    traces      those of DRAWN
    instants    schemas.INSTANTS without its landing
    """

    same_runway: bool
    touchdown_distance_m: float | None
    traces: Mapping[str, Trace]
    instants: pl.DataFrame


def nearest(landings: pl.DataFrame, landing_id: str) -> pl.DataFrame:
    """Up to three landings most like one, the same runway before any other.

    landings    Held.landings, everything there is
    returns     their rows, with `same_runway`
    """
    one = landings.filter(pl.col("landing_id") == landing_id)
    if one.is_empty():
        return landings.clear().with_columns(same_runway=pl.lit(None, pl.Boolean))
    facts = one.row(0, named=True)
    fleet = landings.filter(pl.col("fleet").eq_missing(pl.lit(facts["fleet"], pl.String)))
    whole = fleet.filter(
        EVENTS == 0,
        pl.col("kind") == "full_stop",
        pl.col("assessed") == fleet["assessed"].max(),
        pl.col("touchdown_ground_speed_kt").is_not_null(),
        pl.col("landing_id") != landing_id,
    )
    runway = [pl.col(name) == facts[name] for name in ("arrival", "runway") if facts[name] is not None]
    same = pl.all_horizontal(runway).fill_null(False) if len(runway) == 2 else pl.lit(False)
    ordered = whole.with_columns(same_runway=same, apart=_apart(facts))
    return (
        ordered.sort(["same_runway", "apart", "landing_id"], descending=[True, False, False]).head(MOST).drop("apart")
    )


def _apart(facts: Mapping[str, Any]) -> pl.Expr:
    """How unlike each landing is; what is not known of either counts as one unit."""
    parts = [
        pl.lit(1.0)
        if facts[name] is None
        else ((pl.col(name) - facts[name]) / unit).pow(2).fill_nan(1.0).fill_null(1.0)
        for name, unit in ALIKE.items()
    ]
    return pl.sum_horizontal(parts)


def in_words(row: Mapping[str, Any]) -> str:
    """ "Same runway, 132 kt at touchdown, 57.3 t, 4 kt headwind"."""
    weight, wind = row["gross_weight_kg"], row["headwind_kt"]
    parts = [
        "Same runway" if row["same_runway"] else "Another runway",
        f"{words.quantity(row['touchdown_ground_speed_kt'], 'kt')} at touchdown",
        f"{weight / 1000:.1f} t" if weight else "",
        words.headwind(wind),
    ]
    return ", ".join(part for part in parts if part)


def drawn(traces: Mapping[str, Trace]) -> dict[str, Trace]:
    """The traces of DRAWN among those of a landing."""
    return {name: trace for name, trace in traces.items() if name.partition(".")[0] in DRAWN}
