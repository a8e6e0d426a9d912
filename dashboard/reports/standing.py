"""Where a landing stands among its fleet's: box, line and tails, with the landing's value and its bounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from markupsafe import Markup

from dashboard import words
from dashboard.marks import joined
from dashboard.scale import limit_places
from dashboard.standings import one_each, shares_below
from dashboard.store import FEWEST_FOR_SPREAD

SHOWN = {  # measure -> label, and which engine's value counts where there are several
    "touchdown_ground_speed_kt": ("Touchdown speed", "max"),
    "spoiler_delay_s": ("Spoilers up", "max"),
    "reverse_select_delay_s": ("Reverse selected", "max"),
    "deploy_delay_s": ("Reversers deployed", "max"),
    "brake_delay_s": ("Brakes on", "max"),
    "mean_deceleration_g": ("Mean deceleration", "max"),
    "reverse_idle_speed_kt": ("Reverse back to idle", "min"),
    "rollout_60_m": ("Touchdown to 60 kt", "max"),
}
WIDE_PX, HIGH_PX, TEXT_PX = 236, 25, 62
ROW_PX = 44
TAILS = 40  # dots of each tail, at most
BEYOND = 0.35  # of the 5-95 % span: further out it is drawn at the edge


@dataclass(frozen=True)
class Place:
    """A value among its fleet's. percentile: lower bound, best and upper bound, 0 to 100; values sorted."""

    label: str
    unit: str
    value: float
    lower: float
    upper: float
    values: np.ndarray
    percentile: tuple[float, float, float]
    limits: Mapping[str, float]


def places(measures: pl.DataFrame, fleet: pl.DataFrame, limits: Mapping[str, Mapping[str, float]]) -> list[Place]:
    """The measures of SHOWN in which a landing stands among its fleet's, where these are enough.

    measures   of the landing (schemas.MEASURES)
    fleet      measure, landing_id, value of the fleet's landings to which each measure belongs
    limits     measure -> limits of the rule that judges it
    """
    found = []
    for measure, (label, which) in SHOWN.items():
        among = fleet.filter(pl.col("measure") == measure)
        mine = measures.filter(pl.col("measure") == measure, pl.col("value").is_finite())
        mine = mine.join(among, on="landing_id", how="semi")
        if measure not in limits and mine.height < measures.filter(pl.col("measure") == measure).height:
            continue  # an engine's value is missing, and no rule says whether the others will do
        values = one_each(among, "above" if which == "max" else "below")
        if mine.is_empty() or len(values) < FEWEST_FOR_SPREAD:
            continue
        row = mine.sort("value", descending=which == "max").row(0, named=True)
        found.append(_place(label, row, values, limits.get(measure, {})))
    return found


def _place(label: str, row: Mapping[str, Any], values: np.ndarray, limits: Mapping[str, float]) -> Place:
    value = float(row["value"])
    lower, upper = (value if row[side] is None else float(row[side]) for side in ("lower", "upper"))
    best, low, high = (100 * share for share in shares_below(values, value, lower, upper))
    return Place(label, row["unit"], value, lower, upper, values, (low, best, high), limits)


def drawing(found: Sequence[Place]) -> Markup:
    """All of them, one below another."""
    return joined(_drawn(place) for place in found)


def _drawn(place: Place) -> Markup:
    p5, p25, p50, p75, p95 = np.percentile(place.values, [5, 25, 50, 75, 95])
    wide = max(p95 - p5, 1e-9)
    low, high = min(p5 - BEYOND * wide, place.value - 0.05 * wide), max(p95 + BEYOND * wide, place.value + 0.05 * wide)

    def x(value: float) -> float:
        return round(2 + (WIDE_PX - 4) * float(np.clip((value - low) / (high - low), 0, 1)), 1)

    y = 8
    tails = np.concatenate([_some(place.values[place.values < p5]), _some(place.values[place.values > p95])])
    dots = joined(Markup('<circle class="tail" cx="{}" cy="{}" r="1.1"/>').format(x(v), y) for v in tails)
    limits = joined(
        Markup('<line class="limit {0}" x1="{1}" x2="{1}" y1="{2}" y2="{3}"/>').format(
            level, x(place.limits[level]), y - 7, y + 7
        )
        for level in limit_places(place.limits)
        if low < place.limits[level] < high
    )
    caps = joined(
        Markup('<line class="bound" x1="{0}" x2="{0}" y1="{1}" y2="{2}"/>').format(x(v), y - 4, y + 4)
        for v in (place.lower, place.upper)
        if low < v < high
    )
    return Markup(
        '<div class="standing"><p><span>{}</span><b>{}</b></p><svg width="{}" height="{}">'
        '{}<line class="axis" x1="{}" x2="{}" y1="{}" y2="{}"/>'
        '<rect class="band" x="{}" y="{}" width="{}" height="10"/>'
        '<line class="median" x1="{}" x2="{}" y1="{}" y2="{}"/>{}'
        '<line class="bound" x1="{}" x2="{}" y1="{}" y2="{}"/>{}<circle class="dot" cx="{}" cy="{}" r="3"/>'
        '<text x="{}" y="{}" text-anchor="middle">{}</text>'
        '<text class="name" x="{}" y="12" text-anchor="end">{}</text></svg></div>'
    ).format(
        place.label, words.quantity(place.value, place.unit), WIDE_PX + TEXT_PX, HIGH_PX,
        dots, x(p5), x(p95), y, y, x(p25), y - 5, max(x(p75) - x(p25), 1), x(p50), x(p50), y - 5, y + 5, limits,
        x(place.lower), x(place.upper), y, y, caps, x(place.value), y,
        min(max(x(p50), 14), WIDE_PX - 14), 24, words.number(float(p50), place.unit),
        WIDE_PX + TEXT_PX, percentile(place.percentile),
    )  # fmt: skip


def _some(values: np.ndarray) -> np.ndarray:
    if len(values) <= TAILS:
        return values
    return values[np.linspace(0, len(values) - 1, TAILS).astype(int)]


def percentile(of: tuple[float, float, float]) -> str:
    """70 (59–80); "below 0.1" and "99.9+" at the ends."""
    low, best, high = of
    if best >= 99.5:
        return "99.5+"
    if best <= 0.5:
        return "under 0.5"
    return f"{best:.0f}" if round(low) == round(high) else f"{best:.0f} ({low:.0f}–{high:.0f})"
