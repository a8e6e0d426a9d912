"""What is drawn upon a stack of panels: findings among their limits, and numbered steps."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from dashboard import words
from dashboard.chart import Json, Placed, Stack, note, upright
from dashboard.palette import DASHES, LIGHT
from dashboard.panels import Panel
from dashboard.scale import limit_places
from dashboard.timeaxis import TimeAxis

STEP_ROW_PX = 16  # of the numbers above the panels
STEP_APART = 0.029  # of the axis, so that numbers do not cover one another
PANEL_UNITS = {"ground_speed": "kt", "spoilers": "fraction", "deceleration": "g"}


@dataclass(frozen=True)
class Step:
    """A numbered step on the time axis; `found` when a rule found something there."""

    number: int
    at_s: float
    found: bool


@dataclass(frozen=True)
class Finding:
    """A value with bounds among limits, drawn in time from `origin_s`, or as levels in a panel when that is None."""

    key: str
    origin_s: float | None
    event: Mapping[str, Any]
    limits: Mapping[str, float]


def with_bounds_rows(chosen: Sequence[Panel], findings: Sequence[Finding]) -> list[Panel]:
    """The panels, with a thin row for a value and its bounds below the last panel of each finding in time."""
    rows = list(chosen)
    for key in sorted({found.key for found in findings if found.origin_s is not None}):
        last = max((i for i, panel in enumerate(rows) if panel.key == key), default=None)
        if last is not None:
            rows.insert(last + 1, Panel(key, "", "", (), "bounds"))
    return rows


def draw(found: Finding, stack: Stack, axis: TimeAxis) -> tuple[list[Json], list[Json], list[Json]]:
    """Traces, shapes and notes of a finding."""
    group = [place for place in stack.placed if place.panel.key == found.key]
    if not group:
        return [], [], []
    if found.origin_s is None:
        return [], _levels(found, group), []
    shapes = _limits_in_time(found, group, axis)
    row = next((place for place in group if place.panel.kind == "bounds"), None)
    if row is None or not finite(found.event["value"]):
        return [], shapes, []
    dot, words_ = _bounded_dot(found, row, axis)
    return [dot], shapes, [words_]


def finite(x: Any) -> bool:
    """True for a number that is known and not infinite."""
    return x is not None and math.isfinite(x)


def _levels(found: Finding, group: Sequence[Placed]) -> list[Json]:
    """Limits as level lines, where the panel shows the measured quantity itself."""
    place = next((p for p in group if p.panel.kind == "line"), None)
    if place is None or PANEL_UNITS.get(found.key) != found.event["unit"]:
        return []
    factor = abs(place.panel.scale)
    return [
        {
            "type": "line",
            "xref": "paper",
            "yref": place.y,
            "x0": 0,
            "x1": 1,
            "y0": limit * factor,
            "y1": limit * factor,
            "line": {"color": LIGHT[level], "width": 1.4, "dash": DASHES[level]},
        }
        for level, limit in found.limits.items()
    ]


def _limits_in_time(found: Finding, group: Sequence[Placed], axis: TimeAxis) -> list[Json]:
    """Limits as upright lines counted from the origin, through every panel of the finding."""
    span = (min(place.bottom for place in group), max(place.top for place in group))
    times = {level: (found.origin_s or 0.0) + found.limits[level] for level in limit_places(found.limits)}
    return [
        upright(axis.unit(at), LIGHT[level], width=1.6, dash=DASHES[level], y=span, layer="above")
        for level, at in times.items()
        if axis.start_s < at < axis.end_s
    ]


def _bounded_dot(found: Finding, row: Placed, axis: TimeAxis) -> tuple[Json, Json]:
    """The value as a dot with capped bounds, and its words on the side that has room."""
    event, origin = found.event, found.origin_s or 0.0
    best = axis.unit(origin + event["value"])
    low = axis.unit(origin + event["lower"]) if finite(event["lower"]) else best
    high = axis.unit(origin + event["upper"]) if finite(event["upper"]) else axis.range[1]
    dot = {
        "type": "scatter",
        "mode": "markers",
        "x": [best],
        "y": [0],
        "yaxis": row.y,
        "marker": {"size": 7, "color": LIGHT["ink"]},
        "error_x": {
            "type": "data",
            "symmetric": False,
            "array": [high - best],
            "arrayminus": [best - low],
            "color": LIGHT["ink"],
            "thickness": 1.4,
            "width": 4,
        },
    }
    text = words.of_event(event)
    left = (high - axis.range[0]) / (axis.range[1] - axis.range[0]) > 0.7
    anchor, x, shift = ("right", low, -6) if left else ("left", high, 6)
    return dot, note(
        f"<b>{text}</b>", x, row.middle, anchor=anchor, shift=shift, colour="ink", xref="x", ground="paper"
    )


def draw_steps(steps: Sequence[Step], stack: Stack, axis: TimeAxis) -> list[Json]:
    """Numbers above the panels (filled where something was found), and a hairline through all panels at each."""
    shown = sorted((s for s in steps if axis.start_s <= s.at_s <= axis.end_s), key=lambda s: s.at_s)
    at = [axis.unit(step.at_s) for step in shown]
    spots = spread(at, STEP_APART * (axis.range[1] - axis.range[0]))
    lines = [upright(x, LIGHT["rule"]) for x in at]
    return lines + [
        shape for step, x, spot in zip(shown, at, spots, strict=True) for shape in _number(step, x, spot, stack)
    ]


def _number(step: Step, x: float, spot: float, stack: Stack) -> list[Json]:
    inside, outside = ("paper", "ink") if step.found else ("ink", "paper")
    circle = {
        "type": "circle",
        "xref": "x",
        "yref": "paper",
        "xsizemode": "pixel",
        "ysizemode": "pixel",
        "xanchor": spot,
        "yanchor": 1 + STEP_ROW_PX / stack.inner_px,
        "x0": -8,
        "x1": 8,
        "y0": -8,
        "y1": 8,
        "fillcolor": LIGHT[outside],
        "line": {"color": LIGHT["ink"], "width": 1.2},
        "label": {"text": str(step.number), "font": {"size": 10, "color": LIGHT[inside]}},
    }
    leader = {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": spot,
        "x1": x,
        "y0": 1 + (STEP_ROW_PX - 8) / stack.inner_px,
        "y1": 1,
        "line": {"color": LIGHT["rule2"], "width": 1},
    }
    return [leader, circle]


def spread(at: Sequence[float], apart: float) -> list[float]:
    """The same places in the same order, moved as little as needed to stand `apart` from each other."""
    blocks: list[tuple[float, int]] = []  # (sum of the first places wanted, how many)
    for x in at:
        blocks.append((x, 1))
        while len(blocks) > 1 and _first(blocks[-2]) + blocks[-2][1] * apart > _first(blocks[-1]):
            total, n = blocks.pop()
            before, m = blocks.pop()
            blocks.append((before + total - n * m * apart, m + n))
    return [_first(block) + i * apart for block in blocks for i in range(block[1])]


def inside(spots: Sequence[float], low: float, high: float, apart: float) -> list[float]:
    """Places that stand `apart`, brought between two edges as far as they have room there."""
    found = list(spots)
    for i in range(len(found)):
        found[i] = max(found[i], low if i == 0 else found[i - 1] + apart)
    for i in reversed(range(len(found))):
        found[i] = min(found[i], high if i == len(found) - 1 else found[i + 1] - apart)
    return found


def _first(block: tuple[float, int]) -> float:
    return block[0] / block[1]
