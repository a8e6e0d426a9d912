"""Small multiples of the health page: a mechanism's landings with their trend, and a parameter's months."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl
from markupsafe import Markup

from dashboard import marks, names, words

SMALL, LARGE = (210.0, 72.0), (440.0, 130.0)
TOP, FOOT = 6.0, 16.0


def _spread(values: np.ndarray, low: float, high: float) -> np.ndarray:
    return np.clip((values - low) / ((high - low) or 1.0), 0, 1)


def small_trend(
    trend: Mapping[str, Any], points: pl.DataFrame, low: float, high: float, size: tuple[float, float] = SMALL
) -> Markup:
    """One tail's landings over time on a scale that all drawings share, with the straight trend through them.

    points    touchdown_utc, value; or month, value, least, most where days are not shown
    """
    wide, tall = size
    by_day = "touchdown_utc" in points.columns
    when = points["touchdown_utc"].dt.timestamp("ms").to_numpy() / 86.4e6 if by_day else np.arange(points.height)
    x = 8 + (wide - 16) * _spread(when.astype(float), float(when.min()), float(when.max() or 1))
    if points.height == 1:
        x = np.array([wide / 2])

    def y(values: Any) -> np.ndarray:
        return np.asarray(TOP + (tall - TOP - FOOT) * (1 - _spread(np.asarray(values, float), low, high)))

    dots = "".join(f"M{a:.1f} {b:.1f}h0" for a, b in zip(x, y(points["value"].to_numpy()), strict=True))
    inside = [Markup('<path class="hm-dots" d="{}"/>').format(dots)]
    if not by_day:
        ranges = zip(x, y(points["least"].to_numpy()), y(points["most"].to_numpy()), strict=True)
        inside.insert(
            0,
            Markup('<path class="hm-range" d="{}"/>').format(
                "".join(f"M{a:.1f} {b:.1f}V{c:.1f}" for a, b, c in ranges)
            ),
        )
    start, end = trend["now"] - trend["change"], trend["now"]
    kind = "hm-trend drifting" if trend["drifting"] else "hm-trend"
    ends = y([start, end])
    inside.append(Markup('<path class="{}" d="M8 {:.1f}L{} {:.1f}"/>').format(kind, ends[0], wide - 8, ends[1]))
    return Markup(
        '<svg class="hm" viewBox="0 0 {} {}" role="img" aria-label="{}"><line class="axis" '
        'x1="8" x2="{}" y1="{}" y2="{}"/>'
        '{}<text x="8" y="{}">{}</text><text x="{}" y="{}" text-anchor="end">{}</text></svg>'
    ).format(
        wide, tall, sentence(trend), wide - 8, tall - FOOT + 2, tall - FOOT + 2, marks.joined(inside),
        tall - 3, trend["from"], wide - 8, tall - 3, trend["to"],
    )  # fmt: skip


def sentence(trend: Mapping[str, Any]) -> str:
    """ "Usual 2.1 s, now 4.3 s; +1.5 s (+1.2 to +1.8) per 30 days over 67 landings"."""
    unit = trend["unit"]
    change = f"{signed(trend['per_30_days'], unit)}{words.sign(unit)}"
    bounds = f"{signed(trend['per_30_days_lower'], unit)} to {signed(trend['per_30_days_upper'], unit)}"
    return (
        f"Usual {words.quantity(trend['middle'], unit)}, now {words.quantity(trend['now'], unit)}; {change} ({bounds}) "
        f"per 30 days over {words.count(trend['landings'], 'landing')}"
    )


def signed(value: float, unit: str) -> str:
    """+1.46, −0.02: one digit more than the unit is shown with."""
    digits = words.DECIMALS.get(unit, 0) + 1
    return f"{value:+.{digits}f}".replace("-", "−")


def month_strip(months: Sequence[str], found: Mapping[str, Mapping[str, Any]], parameter: str) -> Markup:
    """A bar for each month: as high as the share of landings on which the parameter was not usable, hatched."""
    wide = 22
    cells, told = [], []
    for i, month in enumerate(months):
        row = found.get(month)
        x = i * wide
        cells.append(Markup('<rect class="hs-cell" x="{}" y="1" width="{}" height="20"/>').format(x + 1, wide - 3))
        if row is None or not row["landings"]:
            told.append(f"{month}: no landing told")
            continue
        if row["unusable"] is None:
            cells.append(Markup('<text x="{}" y="15" text-anchor="middle">few</text>').format(x + wide / 2))
            told.append(f"{month}: few, not told")
            continue
        tall = 20 * row["unusable"] / row["landings"]
        if tall:
            tall = max(tall, 2.0)
            cells.append(
                Markup(
                    '<foreignObject x="{}" y="{:.1f}" width="{}" height="{:.1f}"><i class="hs-bad"></i></foreignObject>'
                ).format(x + 1, 21 - tall, wide - 3, tall)
            )
        told.append(f"{month}: {row['unusable']} of {row['landings']}")
    return Markup(
        '<svg class="hs" width="{}" height="22" role="img" aria-label="{} not usable, by month. {}">{}</svg>'
    ).format(wide * len(months), names.parameter(parameter), "; ".join(told), marks.joined(cells))
