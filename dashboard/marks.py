"""Small drawings: severity, bounds among limits, origin, rates by week. SVG that takes its colours from the page.

Horizontal places are percentages, so that a drawing stretches with its column and its words do not.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
from markupsafe import Markup

from dashboard import names, words
from dashboard.scale import drawn, limit_places, places
from fdm.statistics import Rate

_SHAPES = {
    "high": Markup('<path d="M7 1.6 12.4 7 7 12.4 1.6 7Z"/>'),
    "medium": Markup('<path d="M7 2.2 12.6 11.8 1.4 11.8Z"/>'),
    "low": Markup('<circle cx="7" cy="7" r="4.6"/>'),
}
_UNIT = re.compile(r"(?<=\d) (?=(?:s|kt|m|g|t|ft|psi)\b|%)")
CROWDED = 0.08  # of the drawing: limits nearer than this are not drawn to scale
HATCH = Markup('<span class="hatch" aria-hidden="true"></span>')


def joined(parts: Iterable[Markup]) -> Markup:
    """Markup, one after another."""
    return Markup("").join(parts)


def unbroken(text: str) -> str:
    """The same sentence, in which a line never ends between a number and its unit."""
    return _UNIT.sub("\u00a0", text)


@cache
def severity(level: str, *, certain: bool = True) -> Markup:
    """Diamond, triangle or disc; filled when certain, hollow when only possible."""
    return Markup('<svg class="sev {} {}" viewBox="0 0 14 14" aria-hidden="true">{}</svg>').format(
        level, "certain" if certain else "possible", _SHAPES[level]
    )


@cache
def severity_words(level: str, *, certain: bool = True) -> Markup:
    """The mark with its word: shape, word and colour say the same thing."""
    tail = Markup('<span class="soft"><span class="comma">, </span>possible</span>') if not certain else Markup("")
    return Markup('<span class="severity">{}<span><b>{}</b>{}</span></span>').format(
        severity(level, certain=certain), names.SEVERITY[level], tail
    )


@cache
def origin(where: str | None, confidence: str | None = "likely") -> Markup:
    """Three fixed places (crew, aircraft, recording): filled likely, open not ruled out, dot ruled out."""
    shapes = joined(
        _origin_place(i, kind, where, confidence) for i, kind in enumerate(("crew", "aircraft", "recording"))
    )
    return Markup('<svg class="origin" viewBox="0 0 37 11" aria-hidden="true">{}</svg>').format(shapes)


def _origin_place(i: int, kind: str, where: str | None, confidence: str | None) -> Markup:
    undetermined = where not in ("crew", "aircraft", "recording")
    if kind == where and confidence == "likely":
        look, inset = "likely", 1.0
    elif kind == where or undetermined:
        look, inset = "open", 1.5
    else:
        look, inset = "ruled-out", 4.5
    return Markup('<rect class="{}" x="{}" y="{}" width="{}" height="{}"/>').format(
        look, 13 * i + inset, inset, 11 - 2 * inset, 11 - 2 * inset
    )


def pct(place: float) -> float:
    """Column place of a standing among limits: low, medium and high at 24, 50 and 76 %; beyond, it closes up."""
    return 26 * drawn(place) - 2


def capped(low: float, best: float, high: float, y: float, *, open_end: bool = False, half: float = 4) -> Markup:
    """A dot with its bounds; the caps are left off where a bound lies beyond the drawing."""
    line = Markup('<line class="bound" x1="{0}%" x2="{1}%" y1="{2}" y2="{2}"/>').format(_r(low), _r(high), y)
    caps = joined(
        Markup('<line class="bound" x1="{0}%" x2="{0}%" y1="{1}" y2="{2}"/>').format(_r(x), y - half, y + half)
        for x in ([low] if open_end else [low, high])
    )
    arrow = (
        Markup('<svg x="{}%" y="{}" overflow="visible"><path class="bound" d="M-5 -4 0 0 -5 4"/></svg>').format(
            _r(high), y
        )
        if open_end
        else Markup("")
    )
    dot = Markup('<circle class="dot" cx="{}%" cy="{}" r="3"/>').format(_r(best), y)
    return line + caps + arrow + dot


def _r(x: float) -> float:
    return round(x, 2)


def limit_column(at: float | None, lower: float | None, upper: float | None, levels: Collection[str]) -> Markup:
    """One row's value among the limits, which stand at the same place in every row."""
    lines = _limit_lines(frozenset(levels))
    if at is None or math.isnan(at):
        return Markup('<svg class="limits" aria-hidden="true">{}</svg>').format(lines)
    best = pct(at)
    low = best if lower is None or math.isnan(lower) else pct(lower)
    high = best if upper is None or math.isnan(upper) else pct(upper)
    open_end = upper is not None and math.isinf(upper)
    value = capped(min(low, high), best, 99.0 if open_end else max(low, high), 14, open_end=open_end)
    track = Markup('<line class="track" x1="2%" x2="98%" y1="14" y2="14"/>')
    return Markup('<svg class="limits" aria-hidden="true">{}{}{}</svg>').format(track, lines, value)


@cache
def _limit_lines(levels: frozenset[str]) -> Markup:
    return joined(
        Markup('<line class="limit {0}" x1="{1}%" x2="{1}%" y1="0" y2="28"/>').format(level, pct(i + 1))
        for i, level in enumerate(("low", "medium", "high"))
        if level in levels
    )


def drawn_levels(limits: Mapping[str, float]) -> list[str]:
    """Levels whose line is drawn: of equal limits only the highest."""
    at = limit_places(limits)
    return [level for i, level in enumerate(("low", "medium", "high")) if at.get(level) == i + 1]


def limit_scale(
    event: Mapping[str, Any],
    limits: Mapping[str, float],
    unit: str,
    direction: str,
    spread: Mapping[str, float] | None,
) -> Markup:
    """The value with bounds, every limit and the fleet's usual range; to scale unless that crowds the limits."""
    x, closes_up = _scale_places(event, limits, direction, spread)
    parts = [Markup('<line class="axis" x1="0" x2="100%" y1="30" y2="30"/>')]
    labels: list[tuple[float, str]] = []
    if spread:
        parts.append(
            Markup(
                '<rect class="band" x="{}%" width="{}%" y="24" height="12"/>'
                '<line class="median" x1="{}%" x2="{}%" y1="24" y2="36"/>'
            ).format(
                _r(min(x(spread["low"]), x(spread["high"]))),
                _r(abs(x(spread["high"]) - x(spread["low"]))),
                *[_r(x(spread["mid"]))] * 2,
            )
        )
        labels.append((x(spread["mid"]), f"fleet 5–95 %, median {words.number(spread['mid'], unit)}"))
    for level in drawn_levels(limits):
        parts.append(
            Markup('<line class="limit {0}" x1="{1}%" x2="{1}%" y1="17" y2="43"/>').format(level, _r(x(limits[level])))
        )
        labels.append((x(limits[level]), f"{names.SEVERITY[level]} {words.number(limits[level], unit)}"))
    parts.append(_scale_value(event, unit, x))
    if closes_up:
        labels.append((100, "not to scale beyond the limits"))
    rows = _label_rows(labels)
    parts += [
        Markup('<text x="{}%" y="{}" text-anchor="{}">{}</text>').format(_r(at), 56 + 14 * row, anchor, text)
        for (at, text), (row, anchor) in zip(labels, rows, strict=True)
    ]
    height = 62 + 14 * max((row for row, _ in rows), default=0)
    return Markup('<svg class="scale" height="{}" role="img" aria-label="{}">{}</svg>').format(
        height,
        "; ".join([words.bounded(event["value"], event["lower"], event["upper"], unit), *(t for _, t in labels)]),
        joined(parts),
    )


def _scale_places(
    event: Mapping[str, Any], limits: Mapping[str, float], direction: str, spread: Mapping[str, float] | None
) -> tuple[Callable[[float], float], bool]:
    """Per cent across the drawing of a value, and whether the scale closes up beyond the limits."""
    known = [
        event["value"],
        event["lower"],
        event["upper"],
        *limits.values(),
        *(spread[k] for k in ("low", "high") if spread),
    ]
    finite = [x for x in known if x is not None and math.isfinite(x)]
    low, high = min(finite), max(finite)
    pad = (high - low) * 0.08 or 1.0
    low, high = low - pad, high + pad
    levels = sorted(set(limits.values()))
    nearest = min((b - a for a, b in itertools.pairwise(levels)), default=high - low)
    if nearest / (high - low) >= CROWDED:
        return lambda value: 100 * (value - low) / (high - low), False
    flip = direction == "below"

    def closed_up(value: float) -> float:
        at = pct(float(places(np.array([value]), limits, direction)[0]))
        return 100 - at if flip else at

    return closed_up, True


def _scale_value(event: Mapping[str, Any], unit: str, x: Callable[[float], float]) -> Markup:
    value, lower, upper = event["value"], event["lower"], event["upper"]
    if value is None or not math.isfinite(value):
        return Markup("")
    at = x(value)
    low = at if lower is None or not math.isfinite(lower) else x(lower)
    open_end = upper is not None and math.isinf(upper)
    high = 99.0 if open_end else at if upper is None or math.isnan(upper) else x(upper)
    anchor = "start" if at < 8 else "end" if at > 92 else "middle"
    label = Markup('<text class="value" x="{}%" y="16" text-anchor="{}">{}</text>').format(
        _r(at), anchor, words.quantity(value, unit)
    )
    return capped(low, at, high, 30, open_end=open_end, half=6) + label


def _label_rows(
    labels: Sequence[tuple[float, str]], width_px: float = 420, char_px: float = 6.3
) -> list[tuple[int, str]]:
    """A row and an anchor for each label, so that none covers another in a drawing at least `width_px` wide."""
    taken: list[list[tuple[float, float]]] = [[] for _ in range(4)]
    rows = []
    for at, text in labels:
        wide = 100 * len(text) * char_px / width_px
        anchor = "start" if at < wide / 2 else "end" if at > 100 - wide / 2 else "middle"
        left = at if anchor == "start" else at - wide if anchor == "end" else at - wide / 2
        row = next(
            (i for i, spans in enumerate(taken) if all(left > b + 1.5 or left + wide < a - 1.5 for a, b in spans)),
            3,
        )
        taken[row].append((left, left + wide))
        rows.append((row, anchor))
    return rows


def rate_weeks(level: str, weeks: Sequence[tuple[str, Rate]]) -> Markup:
    """Rate by week with 95 % intervals (no caps); the last one, this week, carries the severity's colour."""
    if len(weeks) < 2:
        return Markup("")
    top = max((r.upper or 0 for _, r in weeks), default=0) or 1

    def y(per_1000: float) -> float:
        return _r(4 + 46 * (1 - per_1000 / top))

    bars = []
    for i, (_, found) in enumerate(weeks):
        if found.per_1000 is None or found.lower is None or found.upper is None:
            continue
        at = _r(6 + 88 * i / (len(weeks) - 1))
        now = " now " + level if i == len(weeks) - 1 else ""
        bars.append(
            Markup(
                '<line class="interval{0}" x1="{1}%" x2="{1}%" y1="{2}" y2="{3}"/>'
                '<circle class="rate{0}" cx="{1}%" cy="{4}" r="{5}"/>'
            ).format(now, at, y(found.upper), y(found.lower), y(found.per_1000), 3 if now else 2)
        )
    by_week = "W" in weeks[0][0]
    first, last = words.week_name(weeks[0][0]), words.week_name(weeks[-1][0])
    first, last = (first.lower(), last[5:]) if by_week else (first, last)
    span = f"{len(weeks)} {'weeks' if by_week else 'months'}"
    label = f"{names.SEVERITY[level]} events per 1,000 landings over {span}, " + "; ".join(
        f"{words.week_name(week)}: {words.rate(found)}" for week, found in weeks
    )
    return Markup(
        '<svg class="weeks" role="img" aria-label="{}"><line class="axis" x1="4%" x2="96%" y1="54" y2="54"/>{}'
        '<text x="4%" y="67">{}</text><text x="96%" y="67" text-anchor="end">{}</text></svg>'
    ).format(label, joined(bars), first, last)


def share_bar(part: int, whole: int) -> Markup:
    """A bar of `part` in `whole`, the missing rest hatched."""
    share = 100 * part / whole if whole else 0
    return Markup(
        '<span class="share" aria-hidden="true"><span class="full" style="width:{}%"></span>'
        '<span class="hatch" style="width:{}%"></span></span>'
    ).format(_r(share), _r(100 - share if whole else 0))


def alone(text: str) -> Markup:
    """What somebody wrote, in its own direction of writing, whatever stands around it (HTML, bdi)."""
    return Markup("<bdi>{}</bdi>").format(text)
