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


def small_trend(
    trend: Mapping[str, Any], points: pl.DataFrame, low: float, high: float, size: tuple[float, float] = SMALL
) -> Markup:
    """One tail's landings over time, with the straight trend through them; the large one with its scale and interval.

    trend     health.TRENDS, with the axis (`axis_from_utc`, `axis_to_utc`, written `from` and `to`) and `start`, the
              trend's value where the axis begins
    points    at_utc, value; and least, most where they are months
    """
    wide, tall = size
    left, right, foot = (44.0 if size == LARGE else 8.0), wide - 8, tall - FOOT
    days = _days(trend, trend["axis_to_utc"])

    def x(values: Any) -> np.ndarray:
        return np.asarray(left + (right - left) * np.asarray(values, float) / days)

    def y(values: Any) -> np.ndarray:
        return np.asarray(TOP + (foot - TOP) * (high - np.asarray(values, float)) / ((high - low) or 1.0))

    at, value = _days(trend, points["at_utc"]), points["value"].to_numpy()
    parts = []
    if size == LARGE:
        ends, corners = _ends(trend, points), fan(trend, points)
        shape = "".join(f"L{a:.1f} {b:.1f}" for a, b in zip(x([*ends, *ends[::-1]]), y(corners), strict=True))
        parts += [_path("hm-fan", f"M{shape[1:]}Z"), _scale_words(trend["unit"], low, high, left, foot)]
    if "least" in points.columns:
        ranges = zip(x(at), y(points["least"].to_numpy()), y(points["most"].to_numpy()), strict=True)
        parts.append(_path("hm-range", "".join(f"M{a:.1f} {b:.1f}V{c:.1f}" for a, b, c in ranges)))
    inside = (value >= low) & (value <= high)
    dots = "".join(f"M{a:.1f} {b:.1f}h0" for a, b in zip(x(at[inside]), y(value[inside]), strict=True))
    parts += [_beyond(x(at[value > high]), TOP, 4.0), _beyond(x(at[value < low]), foot, -4.0)]
    kind = "hm-trend drifting" if trend["drifting"] else "hm-trend"
    (a, b), (c, d) = x(_ends(trend, points)), y(line(trend, points))
    parts += [_path("hm-dots", dots), _path(kind, f"M{a:g} {c:.1f}L{b:g} {d:.1f}")]
    return Markup(
        '<svg class="hm" viewBox="0 0 {:g} {:g}" role="img" aria-label="{}"><line class="axis" '
        'x1="{:g}" x2="{:g}" y1="{:g}" '
        'y2="{:g}"/>{}<text x="{:g}" y="{:g}">{}</text><text x="{:g}" y="{:g}" text-anchor="end">{}</text></svg>'
    ).format(
        wide, tall, sentence(trend), left, right, foot + 2, foot + 2, marks.joined(parts),
        left, tall - 3, trend["from"], right, tall - 3, trend["to"],
    )  # fmt: skip


def _days(trend: Mapping[str, Any], utc: Any) -> Any:
    """Days from where the axis begins to a time, or to each of some."""
    if isinstance(utc, pl.Series):
        return (utc - trend["axis_from_utc"]).dt.total_seconds().to_numpy() / 86400
    return (utc - trend["axis_from_utc"]).total_seconds() / 86400


def _ends(trend: Mapping[str, Any], points: pl.DataFrame) -> list[float]:
    """Where the trend is drawn, in days: from the first point to the last; a lone month says nothing of a slope."""
    return [float(_days(trend, points["at_utc"].min())), float(_days(trend, points["at_utc"].max()))]


def line(trend: Mapping[str, Any], points: pl.DataFrame) -> list[float]:
    """The trend's values at its two ends."""
    return [trend["start"] + trend["per_30_days"] / 30 * day for day in _ends(trend, points)]


def fan(trend: Mapping[str, Any], points: pl.DataFrame) -> list[float]:
    """Values of the slopes that the 95 % interval leaves, through the middle of the trend: the lower one's at its ends
    from left to right, then the upper one's from right to left."""
    middle, (first, last) = sum(line(trend, points)) / 2, _ends(trend, points)
    low, high = (trend[f"per_30_days_{end}"] / 30 * (last - first) / 2 for end in ("lower", "upper"))
    return [middle - low, middle + low, middle + high, middle - high]


def _beyond(x: np.ndarray, y: float, tall: float) -> Markup:
    """Arrows to where points are that the scale does not hold."""
    return _path(
        "hm-range", "".join(f"M{a - 3:.1f} {y + tall:.1f}L{a:.1f} {y:g}L{a + 3:.1f} {y + tall:.1f}" for a in x)
    )


def _path(kind: str, d: str) -> Markup:
    return Markup('<path class="{}" d="{}"/>').format(kind, d)


def _scale_words(unit: str, low: float, high: float, left: float, foot: float) -> Markup:
    """The least and the greatest value of the drawing, left of it."""
    text = '<text x="{:g}" y="{:g}" text-anchor="end">{}</text>'
    return Markup(text + text).format(
        left - 6, TOP + 8, words.quantity(high, unit), left - 6, foot, words.quantity(low, unit)
    )


def sentence(trend: Mapping[str, Any]) -> str:
    """ "Was 2.4 s (first 20 landings), now 4.9 s (last 10); +1.5 s (+1.2 to +1.8) per 30 days over 67 landings"."""
    unit = trend["unit"]
    change = f"{signed(trend['per_30_days'], unit)}{words.sign(unit)}"
    bounds = f"{signed(trend['per_30_days_lower'], unit)} to {signed(trend['per_30_days_upper'], unit)}"
    return (
        f"Was {words.quantity(trend['was'], unit)} (first {words.count(trend['was_landings'], 'landing')}), "
        f"now {words.quantity(trend['now'], unit)} (last {trend['now_landings']}); {change} ({bounds}) "
        f"per 30 days over {words.count(trend['landings'], 'landing')}"
    )


def presence(row: Mapping[str, Any]) -> str:
    """What became of a parameter, after its name: "has been silent since 27 Oct 2026: …".

    row    health.PARAMETERS, with `since`: the day or the month, as the reader may know it
    """
    landings = words.count(row["landings"], "landing")
    since = f" since {row['since']}" if row["since"] else ""
    told: dict[str, str] = {
        "gone": f"has been silent{since}: none of the {row['silent_landings']:,} landings from then on has it",
        "silent": f"has not changed on {words.count(row['silent_landings'], 'landing')} in a row{since}",
        "missing": f"is not in the recordings of {landings}",
        "patchy": f"was there for {row['present_pct']:.0f} % of what should have been recorded around touchdown, over "
        f"{landings}",
    }
    return told.get(row["state"]) or f"held a fault on {row['faulty_landings'] or 'a few'} of {landings}"


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
