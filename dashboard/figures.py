"""Charts as plain Plotly dictionaries in the light palette; the browser recolours them for a dark page.

All traces of a landing share one x axis and stack as y, y2, ... domains. The cursor through all of them and the
values read beside them are the page's own (assets/2_traces.js), so no box covers a trace and keys move it too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from dashboard import names, ribbons, words
from dashboard.palette import CAPTION_FONT, DASHES, FONT, LIGHT
from dashboard.panels import DRAWN_AT, LINE_GAP_PX, RIBBON_GAP_PX, Panel, keys_for, panels
from dashboard.scale import limit_places
from dashboard.store import RuleCard, Trace
from dashboard.timeaxis import TimeAxis

LEFT_PX, RIGHT_PX, TOP_PX, BOTTOM_PX = 104, 96, 54, 30
BEFORE_S = 3.0
STEP_ROW_PX = 20
DOTS_FROM_STEP_S = 0.2

Figure = dict[str, Any]


@dataclass(frozen=True)
class Mark:
    """A numbered step on the time axis; `found` when a rule found something there."""

    number: int
    words: str
    at_s: float
    found: bool


@dataclass(frozen=True)
class Finding:
    """What is drawn of an event: a value with bounds among limits, in time from `origin_s` or across the panel."""

    key: str
    origin_s: float | None
    event: Mapping[str, Any]
    limits: Mapping[str, float]


@dataclass(frozen=True)
class Placed:
    """A panel with its place on the paper, 0 at the bottom and 1 at the top."""

    panel: Panel
    axis: int
    bottom: float
    top: float

    @property
    def y(self) -> str:
        """Plotly's short name of its y axis."""
        return "y" if self.axis == 1 else f"y{self.axis}"


def rollout(
    traces: Mapping[str, Trace], steps: Sequence[Mark], findings: Sequence[Finding], end_s: float, cursor_s: float
) -> Figure:
    """The whole rollout: touchdown and ten seconds wide, the rest four times faster."""
    axis = TimeAxis(-BEFORE_S, max(end_s, 12.0))
    return _chart(traces, panels(traces), axis, steps, findings, cursor_s)


def around_event(
    traces: Mapping[str, Trace], instants: pl.DataFrame, event: Mapping[str, Any], card: RuleCard | None
) -> Figure | None:
    """The panels and seconds in which one event can be seen; None when nothing of them was recorded."""
    chosen = panels(traces, keys_for(event["measure"]))
    if not chosen:
        return None
    found = finding_of(event, card, instants)
    start, end = _window(event, found, traces)
    steps = [Mark(0, "touchdown", 0.0, False)] if start <= 0 <= end else []
    return _chart(traces, chosen, TimeAxis(start, end, None), steps, [found] if found else [], _looked_at(event, found))


def finding_of(event: Mapping[str, Any], card: RuleCard | None, instants: pl.DataFrame) -> Finding | None:
    """What to draw of an event, or None when its measure has no place in a chart."""
    drawn = DRAWN_AT.get(event["measure"])
    if drawn is None or card is None:
        return None
    key, step = drawn
    origin = None if step is None else step_time(instants, step, event.get("engine"))
    if step is not None and origin is None:
        return None
    return Finding(key, origin, event, {} if card.yes_or_no else card.limits_for(event.get("fleet")))


def step_time(instants: pl.DataFrame, step: str, engine: int | None = None) -> float | None:
    """When a step happened: on that engine when it has its own, else first of any. Touchdown is 0."""
    if step == "touchdown":
        return 0.0
    found = instants.filter(pl.col("step") == step, pl.col("at_s").is_finite())
    own = found.filter(pl.col("engine") == engine) if engine else found
    times = (own if own.height else found).get_column("at_s")
    if times.is_empty():
        return 0.0 if step == "settled" else None
    return float(times.min())  # type: ignore[arg-type]


def _looked_at(event: Mapping[str, Any], found: Finding | None) -> float:
    if found and found.origin_s is not None and _finite(event["value"]):
        return float(found.origin_s + event["value"])
    return float(event["at_s"]) if _finite(event["at_s"]) else 0.0


def _window(event: Mapping[str, Any], found: Finding | None, traces: Mapping[str, Trace]) -> tuple[float, float]:
    at = _looked_at(event, found)
    start = found.origin_s if found and found.origin_s is not None else at
    last = max((float(t.time_s[-1]) for t in traces.values() if len(t.time_s)), default=at + 10)
    beyond = found.origin_s + max(found.limits.values()) if found and found.limits and found.origin_s is not None else at
    end = max(at, beyond if beyond < at + 15 else at) + 5
    begin = -BEFORE_S if 0 <= start < 15 and end < 40 else start - 6
    return begin, min(max(end, begin + 10), max(last, begin + 10))


def _finite(x: Any) -> bool:
    return x is not None and math.isfinite(x)


# --- the chart ---------------------------------------------------------------------------------------------------


def _chart(
    traces: Mapping[str, Trace],
    chosen: Sequence[Panel],
    axis: TimeAxis,
    steps: Sequence[Mark],
    findings: Sequence[Finding],
    cursor_s: float,
) -> Figure:
    rows = _with_bounds_rows(chosen, findings)
    placed, height = _stack(rows)
    data: list[dict[str, Any]] = []
    for place in placed:
        data += _panel_data(place, traces, axis)
    shapes, notes = _furniture(placed, axis)
    for found in findings:
        drawn = _finding(found, placed, axis)
        data += drawn[0]
        shapes += drawn[1]
        notes += drawn[2]
    step_data, step_shapes = _steps(steps, axis, height)
    layout = _layout(placed, axis, height)
    layout["shapes"], layout["annotations"] = shapes + step_shapes, notes
    layout["meta"] = _meta(placed, axis, steps, cursor_s, height)
    return {"data": data + step_data, "layout": layout}


def _with_bounds_rows(chosen: Sequence[Panel], findings: Sequence[Finding]) -> list[Panel]:
    """A thin row for a value with its bounds, below the last panel of the finding's key."""
    rows = list(chosen)
    for key in {found.key for found in findings if found.origin_s is not None}:
        last = max((i for i, panel in enumerate(rows) if panel.key == key), default=None)
        if last is not None:
            rows.insert(last + 1, Panel(key, "", "", (), "bounds"))
    return rows


def _gap(above: Panel, below: Panel) -> int:
    if below.kind == "bounds":
        return 2
    return RIBBON_GAP_PX if above.kind == below.kind == "ribbon" else LINE_GAP_PX


def _stack(rows: Sequence[Panel]) -> tuple[list[Placed], int]:
    gaps = [0, *(_gap(a, b) for a, b in zip(rows, rows[1:], strict=False))]
    inner = sum(panel.height_px for panel in rows) + sum(gaps)
    placed, y = [], inner
    for i, (panel, gap) in enumerate(zip(rows, gaps, strict=True)):
        top = y - gap
        y = top - panel.height_px
        placed.append(Placed(panel, i + 1, y / inner, top / inner))
    return placed, inner + TOP_PX + BOTTOM_PX


def _layout(placed: Sequence[Placed], axis: TimeAxis, height: int) -> dict[str, Any]:
    values, texts = axis.ticks()
    layout: dict[str, Any] = {
        "height": height,
        "margin": {"l": LEFT_PX, "r": RIGHT_PX, "t": TOP_PX, "b": BOTTOM_PX},
        "font": {"family": FONT, "size": 12, "color": LIGHT["ink3"]},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "showlegend": False,
        "barmode": "overlay",
        "hovermode": False,
        "dragmode": "zoom",
        "uirevision": "kept",
        "xaxis": {
            "range": axis.range,
            "tickvals": values,
            "ticktext": texts,
            "ticks": "outside",
            "ticklen": 4,
            "tickcolor": LIGHT["rule2"],
            "tickfont": {"family": CAPTION_FONT, "size": 11},
            "showgrid": False,
            "zeroline": False,
            "showline": True,
            "linecolor": LIGHT["rule2"],
            "anchor": placed[-1].y,
        },
    }
    for place in placed:
        layout[f"yaxis{'' if place.axis == 1 else place.axis}"] = _y_axis(place)
    return layout


def _y_axis(place: Placed) -> dict[str, Any]:
    base = {"domain": [place.bottom, place.top], "anchor": "x", "showgrid": False, "zeroline": False, "fixedrange": True}
    if place.panel.kind != "line":
        return base | {"range": [-0.5, 0.5], "visible": False}
    return base | {
        "nticks": 4,
        "ticks": "outside",
        "ticklen": 3,
        "tickcolor": LIGHT["rule2"],
        "tickfont": {"family": CAPTION_FONT, "size": 11},
        "showline": True,
        "linecolor": LIGHT["rule2"],
        "separatethousands": True,
    }


def _panel_data(place: Placed, traces: Mapping[str, Trace], axis: TimeAxis) -> list[dict[str, Any]]:
    if place.panel.kind == "line":
        return [_line(place, name, traces[name], axis, i) for i, name in enumerate(place.panel.series)]
    if place.panel.kind == "ribbon":
        return [_ribbon(place, place.panel.series[0], traces[place.panel.series[0]], axis)]
    return []


def _line(place: Placed, name: str, trace: Trace, axis: TimeAxis, index: int) -> dict[str, Any]:
    t = np.asarray(trace.time_s, dtype=float)
    inside = (t >= axis.start_s - trace.step_s) & (t <= axis.end_s + trace.step_s)
    t, v = t[inside], np.asarray(trace.values, dtype=float)[inside] * place.panel.scale
    x, y = axis.units(t).round(4).tolist(), v.round(4).tolist()
    x, y = _broken_at_holes(t, x, y, trace.step_s)
    sparse = trace.step_s >= DOTS_FROM_STEP_S
    return {
        "type": "scatter",
        "mode": "lines+markers" if sparse else "lines",
        "x": x,
        "y": y,
        "yaxis": place.y,
        "cliponaxis": True,
        "line": {"color": LIGHT["ink"], "width": 1.4, "dash": ("solid", "dash", "dot", "dashdot")[index % 4]},
        "marker": {"size": 3.4, "color": LIGHT["ink"]},
        "meta": {"panel": place.axis, "label": _short(name), "unit": _read_unit(place.panel)},
    }


def _broken_at_holes(t: np.ndarray, x: list[float], y: list[float], step_s: float) -> tuple[list, list]:
    """A line is not drawn through what was not recorded."""
    holes = np.flatnonzero(np.diff(t) > ribbons.GAP_STEPS * step_s)
    for i in reversed(holes.tolist()):
        x.insert(i + 1, x[i])
        y.insert(i + 1, None)  # type: ignore[arg-type]
    return x, y


def _short(name: str) -> str:
    return name.partition(".")[2]


def _read_unit(panel: Panel) -> str:
    return "%" if panel.unit.startswith("%") else panel.unit


def _ribbon(place: Placed, name: str, trace: Trace, axis: TimeAxis) -> dict[str, Any]:
    found = ribbons.stretches(trace, axis.start_s, axis.end_s)
    start, end = (np.array([axis.unit(t) for t in times]) for times in ([s.start_s for s in found], [s.end_s for s in found]))
    total = axis.range[1] - axis.range[0]
    texts = [_state_words(name, s.state) if (b - a) / total > 0.11 else "" for s, a, b in zip(found, start, end, strict=True)]
    looks = [_look(trace.kind, s.state) for s in found]
    return {
        "type": "bar",
        "orientation": "h",
        "y": [0] * len(found),
        "base": start.round(4).tolist(),
        "x": (end - start).round(4).tolist(),
        "width": 1,
        "yaxis": place.y,
        "text": texts,
        "textposition": "inside",
        "insidetextanchor": "middle",
        "constraintext": "none",
        "textangle": 0,
        "textfont": {"color": [look["text"] for look in looks], "size": 11},
        "marker": {
            "color": [look["fill"] for look in looks],
            "line": {"width": 0},
            "pattern": {
                "shape": [look["pattern"] for look in looks],
                "fgcolor": LIGHT["hatch"],
                "size": 5,
                "solidity": 0.28,
                "fillmode": "overlay",
            },
        },
        "meta": {"panel": place.axis, "label": "", "unit": "", "words": [_state_words(name, s.state, s.recorded) for s in found]},
    }


def _state_words(name: str, state: int | None, recorded: bool = True) -> str:
    if state is None:
        return "between samples" if recorded else "not recorded"
    family = name.partition(".")[0]
    if family in names.DISCRETES:
        return names.DISCRETES[family][1 if state else 0]
    return names.STATES.get(state, "") if family == "reverser_state" else ("on" if state else "off")


def _look(kind: str, state: int | None) -> dict[str, str]:
    """Blank, light or solid for stowed, moving, deployed (off and on: blank, solid); hatched where unknown."""
    if state is None:
        return {"fill": LIGHT["paper"], "text": LIGHT["ink3"], "pattern": "/"}
    solid = state == 2 or (kind != "state" and state == 1)
    fill = LIGHT["solid"] if solid else LIGHT["band"] if state == 1 else LIGHT["paper"]
    return {"fill": fill, "text": LIGHT["paper"] if solid else LIGHT["ink3"], "pattern": ""}


def _furniture(placed: Sequence[Placed], axis: TimeAxis) -> tuple[list[dict], list[dict]]:
    """Panel names with units, the line under each ribbon, touchdown, and where time begins to run faster."""
    shapes: list[dict[str, Any]] = [_vertical(axis.unit(0.0), LIGHT["ink3"], 1)] if axis.start_s <= 0 <= axis.end_s else []
    notes: list[dict[str, Any]] = []
    for place in placed:
        middle = (place.top + place.bottom) / 2
        if place.panel.label:
            unit = f"<br><span style='color:{LIGHT['ink3']}'>{place.panel.unit}</span>" if place.panel.unit else ""
            notes.append(_note(place.panel.label + unit, 0, middle, anchor="right", shift=-36 if place.panel.kind == "line" else -8, colour="ink"))
        if place.panel.kind == "line" and len(place.panel.series) > 1:
            notes.append(_note(_who(place.panel.series), 1, place.top, anchor="right", shift=-2, size=11, yanchor="top"))
        if place.panel.kind == "ribbon":
            shapes.append(_across(place.bottom, LIGHT["rule"]))
    if axis.knee_s is not None and axis.end_s > axis.knee_s:
        knee = axis.unit(axis.knee_s)
        shapes.append(_vertical(knee, LIGHT["rule2"], 1, "dot"))
        notes.append(_note("touchdown and the 10 s after", axis.range[0], 1, anchor="left", xref="x", yshift=38, size=11))
        notes.append(_note("time runs 4× faster", knee, 1, anchor="left", xref="x", shift=4, yshift=38, size=11))
    return shapes, notes


def _who(series: Sequence[str]) -> str:
    kinds = ("solid", "dashed", "dotted", "dash-dotted")
    said = [f"{_short(name)} {kind}" for name, kind in zip(series, kinds, strict=False)]
    return ("engine " if _short(series[0]).isdigit() else "") + ", ".join(said)


def _note(
    text: str,
    x: float,
    y: float,
    *,
    anchor: str,
    shift: int = 0,
    yshift: int = 0,
    size: int = 12,
    colour: str = "ink3",
    xref: str = "paper",
    yanchor: str = "middle",
) -> dict[str, Any]:
    return {
        "text": text, "x": x, "y": y, "xref": xref, "yref": "paper", "xanchor": anchor, "yanchor": yanchor,
        "xshift": shift, "yshift": yshift, "showarrow": False, "align": anchor, "font": {"size": size, "color": LIGHT[colour]},
    }  # fmt: skip


def _vertical(x: float, colour: str, width: float, dash: str = "solid", y: tuple[float, float] = (0, 1), layer: str = "below") -> dict:
    return {
        "type": "line", "xref": "x", "yref": "paper", "x0": x, "x1": x, "y0": y[0], "y1": y[1], "layer": layer,
        "line": {"color": colour, "width": width, "dash": dash},
    }  # fmt: skip


def _across(y: float, colour: str) -> dict[str, Any]:
    return {
        "type": "line", "xref": "paper", "yref": "paper", "x0": 0, "x1": 1, "y0": y, "y1": y, "layer": "below",
        "line": {"color": colour, "width": 1},
    }  # fmt: skip


# --- findings and steps --------------------------------------------------------------------------------------------


def _finding(found: Finding, placed: Sequence[Placed], axis: TimeAxis) -> tuple[list[dict], list[dict], list[dict]]:
    group = [place for place in placed if place.panel.key == found.key]
    if not group:
        return [], [], []
    return _in_time(found, group, axis) if found.origin_s is not None else _across_panel(found, group)


def _in_time(found: Finding, group: Sequence[Placed], axis: TimeAxis) -> tuple[list[dict], list[dict], list[dict]]:
    """Limits as upright lines counted from the origin, and the value with capped bounds in the row below."""
    origin = found.origin_s or 0.0
    span = (min(place.bottom for place in group), max(place.top for place in group))
    shapes, notes = [], []
    for level in limit_places(found.limits):
        at = origin + found.limits[level]
        if axis.start_s < at < axis.end_s:
            shapes.append(_vertical(axis.unit(at), LIGHT[level], 1.6, DASHES[level], span, "above"))
    row = next((place for place in group if place.panel.kind == "bounds"), None)
    event = found.event
    if row is None or not _finite(event["value"]):
        return [], shapes, notes
    best, low, high = (axis.unit(origin + x) if _finite(x) else None for x in (event["value"], event["lower"], event["upper"]))
    best = best if best is not None else axis.range[1]
    high = high if high is not None else axis.range[1]
    label = words.bounded(event["value"], event["lower"], event["upper"], event["unit"])
    data = [_bounded_dot(best, best if low is None else low, high, row.y)]
    left = (high - axis.range[0]) / (axis.range[1] - axis.range[0]) > 0.7
    middle = (row.top + row.bottom) / 2
    x = (best if low is None else low) if left else high
    notes.append(_note(f"<b>{label}</b>", x, middle, anchor="right" if left else "left", shift=-6 if left else 6, colour="ink", xref="x"))
    return data, shapes, notes


def _bounded_dot(best: float, low: float, high: float, y: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "markers",
        "x": [best],
        "y": [0],
        "yaxis": y,
        "marker": {"size": 7, "color": LIGHT["ink"]},
        "error_x": {
            "type": "data", "symmetric": False, "array": [high - best], "arrayminus": [best - low],
            "color": LIGHT["ink"], "thickness": 1.4, "width": 4,
        },
    }  # fmt: skip


def _across_panel(found: Finding, group: Sequence[Placed]) -> tuple[list[dict], list[dict], list[dict]]:
    """Limits as level lines in the panel that shows the measured quantity itself."""
    place = next((p for p in group if p.panel.kind == "line"), None)
    same = {"ground_speed": "kt", "spoilers": "fraction", "deceleration": "g"}
    if place is None or same.get(found.key) != found.event["unit"]:
        return [], [], []
    factor = abs(place.panel.scale)
    shapes = [
        {
            "type": "line", "xref": "paper", "yref": place.y, "x0": 0, "x1": 1, "y0": limit * factor, "y1": limit * factor,
            "line": {"color": LIGHT[level], "width": 1.4, "dash": DASHES[level]},
        }
        for level, limit in found.limits.items()
    ]  # fmt: skip
    return [], shapes, []


def _steps(steps: Sequence[Mark], axis: TimeAxis, height: int) -> tuple[list[dict], list[dict]]:
    """Numbered steps above the panels, and a hairline through all panels at each."""
    shown = [step for step in sorted(steps, key=lambda s: s.at_s) if step.number and axis.start_s <= step.at_s <= axis.end_s]
    if not shown:
        return [], []
    x = [axis.unit(step.at_s) for step in shown]
    inner = height - TOP_PX - BOTTOM_PX
    shapes = [_vertical(at, LIGHT["rule"], 1) for at in x]
    for step, at, spot in zip(shown, x, spread(x, 0.021 * (axis.range[1] - axis.range[0])), strict=True):
        y = 1 + (STEP_ROW_PX - 4) / inner
        shapes.append({
            "type": "circle", "xref": "x", "yref": "paper", "xsizemode": "pixel", "ysizemode": "pixel", "xanchor": spot, "yanchor": y,
            "x0": -8, "x1": 8, "y0": -8, "y1": 8, "fillcolor": LIGHT["ink"] if step.found else LIGHT["paper"],
            "line": {"color": LIGHT["ink"], "width": 1.2},
            "label": {"text": str(step.number), "font": {"size": 10, "color": LIGHT["paper"] if step.found else LIGHT["ink"]}},
        })  # fmt: skip
        shapes.append({
            "type": "line", "xref": "x", "yref": "paper", "x0": spot, "x1": at, "y0": 1 + (STEP_ROW_PX - 12) / inner, "y1": 1,
            "line": {"color": LIGHT["rule2"], "width": 1},
        })  # fmt: skip
    return [], shapes


def spread(at: Sequence[float], apart: float) -> list[float]:
    """The same places in the same order, moved as little as needed to stand `apart` from each other."""
    blocks: list[list[float]] = []  # [sum of wanted first places, count]
    for x in at:
        blocks.append([x, 1])
        while len(blocks) > 1 and blocks[-2][0] / blocks[-2][1] + blocks[-2][1] * apart > blocks[-1][0] / blocks[-1][1]:
            total, n = blocks.pop()
            blocks[-1][0] += total - n * blocks[-1][1] * apart
            blocks[-1][1] += n
    return [total / n + i * apart for total, n in blocks for i in range(int(n))]


def _meta(placed: Sequence[Placed], axis: TimeAxis, steps: Sequence[Mark], cursor_s: float, height: int) -> dict[str, Any]:
    """What the browser needs to read values beside the panels and to move the cursor by keys."""
    inner = height - TOP_PX - BOTTOM_PX
    return {
        "knee": axis.knee_s,
        "faster": 4.0,
        "cursor": axis.unit(cursor_s),
        "steps": {str(s.number): axis.unit(s.at_s) for s in steps if s.number and s.at_s <= axis.end_s},
        "readouts": [
            {"panel": p.axis, "top": round(TOP_PX + inner * (1 - (p.top + p.bottom) / 2))} for p in placed if p.panel.kind != "bounds"
        ],
    }
