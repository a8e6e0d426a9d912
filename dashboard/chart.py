"""A stack of panels over one time axis as a plain Plotly dictionary, in the light palette.

All traces share one x axis and stack as y, y2, ... domains. The cursor through all of them and the values read beside
them are the page's own (assets/2_traces.js), so no box covers a trace and keys move it too.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from dashboard import names, ribbons
from dashboard.palette import CAPTION_FONT, FONT, LIGHT
from dashboard.panels import LINE_GAP_PX, RIBBON_GAP_PX, Panel, ranging
from dashboard.ribbons import Stretch
from dashboard.timeaxis import TimeAxis
from fdm.archive import Trace

LEFT_PX, RIGHT_PX, BOTTOM_PX = 126, 84, 30
DOTS_FROM_STEP_S = 0.1
APART_PCT = 5  # spoilers whose samples lie further apart were anywhere from one to the other in between
DRAWN_PX, NARROW_PX = 450, 210  # charts, and charts beside a list, are seldom narrower
LINE_DASHES = ("solid", "dash", "dot", "dashdot")
DASH_WORDS = ("solid", "dashed", "dotted", "dash-dotted")

Json = dict[str, Any]


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

    @property
    def middle(self) -> float:
        """Half-way up."""
        return (self.bottom + self.top) / 2


@dataclass(frozen=True)
class Stack:
    """Panels from top to bottom, the height of all of them together and of the margin above."""

    placed: tuple[Placed, ...]
    inner_px: int
    top_px: int

    @property
    def height_px(self) -> int:
        """Height of the whole chart."""
        return self.inner_px + self.top_px + BOTTOM_PX


def stacked(rows: Sequence[Panel], top_px: int) -> Stack:
    """Panels below each other: ribbons close together, lines with room for their words."""
    gaps = [0, *(_gap(a, b) for a, b in itertools.pairwise(rows))]
    inner = sum(panel.height_px for panel in rows) + sum(gaps)
    placed, y = [], inner
    for i, (panel, gap) in enumerate(zip(rows, gaps, strict=True)):
        top = y - gap
        y = top - panel.height_px
        placed.append(Placed(panel, i + 1, y / inner, top / inner))
    return Stack(tuple(placed), inner, top_px)


def _gap(above: Panel, below: Panel) -> int:
    if below.kind == "bounds":
        return 2
    return RIBBON_GAP_PX if above.kind == below.kind == "ribbon" else LINE_GAP_PX


def layout(stack: Stack, axis: TimeAxis) -> Json:
    """Axes, margins and type of a stack."""
    values, texts = axis.ticks()
    small = {"family": CAPTION_FONT, "size": 11}
    found: Json = {
        "height": stack.height_px,
        "margin": {"l": LEFT_PX, "r": RIGHT_PX, "t": stack.top_px, "b": BOTTOM_PX},
        "font": {"family": FONT, "size": 12, "color": LIGHT["ink3"]},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "showlegend": False,
        "barmode": "overlay",
        "hovermode": False,
        "dragmode": "zoom",
        "xaxis": {
            "range": axis.range,
            "tickvals": values,
            "ticktext": texts,
            "ticks": "outside",
            "ticklen": 4,
            "tickfont": small,
            "tickangle": 0,
            "tickcolor": LIGHT["rule2"],
            "showgrid": False,
            "zeroline": False,
            "showline": True,
            "linecolor": LIGHT["rule2"],
            "anchor": stack.placed[-1].y,
        },
    }
    for place in stack.placed:
        base = {
            "domain": [place.bottom, place.top],
            "anchor": "x",
            "showgrid": False,
            "zeroline": False,
            "fixedrange": True,
        }
        own = {
            "nticks": 4,
            "ticks": "outside",
            "ticklen": 3,
            "tickcolor": LIGHT["rule2"],
            "tickfont": small,
            "showline": True,
            "linecolor": LIGHT["rule2"],
            "separatethousands": True,
        }
        bare = {"range": [-0.5, 0.5], "visible": False}
        found[f"yaxis{'' if place.axis == 1 else place.axis}"] = base | (own if place.panel.kind == "line" else bare)
    return found


def fill(
    stack: Stack, traces: Mapping[str, Trace], axis: TimeAxis, drawn: Json, beside: Mapping[str, Trace]
) -> list[Json]:
    """The traces of every panel; sets each line panel's range in the layout `drawn`.

    beside    another landing's traces, drawn thin behind those of line panels
    """
    data: list[Json] = []
    for place in stack.placed:
        if place.panel.kind == "ribbon":
            data += _ribbon(place, traces, axis)
            if place.panel.key == "reverser" and all(name in beside for name in place.panel.series):
                data += _ribbon_behind(place, beside, axis)
        elif place.panel.kind == "line":
            lines = [_line(place, name, traces[name], axis, i) for i, name in enumerate(place.panel.series)]
            shown = zip(lines, place.panel.series, strict=True)
            behind = [
                _behind(_line(place, name, beside[name], axis, i))
                for i, name in enumerate(place.panel.series)
                if name in beside
            ]
            drawn[f"yaxis{'' if place.axis == 1 else place.axis}"]["range"] = _range(place.panel, behind + lines)
            data += behind + lines + [_dots(line, axis) for line, name in shown if _room_for_dots(traces[name], axis)]
    return data


def _range(panel: Panel, lines: Sequence[Json]) -> list[float]:
    """Range of a panel: what is in view, what the quantity always shows (0 for a pressure), never too narrow."""
    each = (ranging(panel, np.array([y for y in line["y"] if y is not None], float)) for line in lines)
    seen = [float(y) for values in each for y in values] + list(panel.always)
    if not seen:
        return [0.0, 1.0]
    low, high = min(seen), max(seen)
    missing = max(panel.least_span - (high - low), 0) / 2
    pad = 0.06 * (high - low + 2 * missing or 1.0)
    below = 0 if low == min(panel.always, default=None) else missing  # a quantity that starts at 0 is widened upwards
    return [round(low - below - pad, 4), round(high + 2 * missing - below + pad, 4)]


def _line(place: Placed, name: str, trace: Trace, axis: TimeAxis, index: int) -> Json:
    t = np.asarray(trace.time_s, dtype=float)
    inside = (t >= axis.start_s - trace.step_s) & (t <= axis.end_s + trace.step_s)
    t, v = t[inside], np.asarray(trace.values, dtype=float)[inside] * place.panel.scale
    if name == "heading" and len(v):
        v = np.unwrap(v, period=360)
    x, y = _broken_at_holes(t, axis.units(t).round(4).tolist(), v.round(4).tolist(), trace.step_s)
    return {
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": y,
        "yaxis": place.y,
        "line": {"color": LIGHT["ink"], "width": 1.4, "dash": LINE_DASHES[index % 4]},
        "meta": {"panel": place.axis, "unit": "%" if place.panel.unit.startswith("%") else place.panel.unit}
        | ({"apart": APART_PCT} if place.panel.key == "spoilers" else {}),
    }


def _behind(line: Json) -> Json:
    """A line of another landing: thin and grey, and not read by the cursor."""
    return line | {"line": line["line"] | {"color": LIGHT["edge"], "width": 1}, "meta": {}}


def _dots(line: Json, axis: TimeAxis) -> Json:
    """The samples of a line, up to where time begins to run faster."""
    count = sum(x <= axis.knee_s for x in line["x"]) if axis.knee_s is not None else len(line["x"])
    dots = {"mode": "markers", "x": line["x"][:count], "y": line["y"][:count], "meta": {}}
    return line | dots | {"marker": {"size": 3.4, "color": LIGHT["ink"]}}


def _room_for_dots(trace: Trace, axis: TimeAxis) -> bool:
    """Dots are samples; where they would touch, the line says it."""
    return trace.step_s / (axis.range[1] - axis.range[0]) * DRAWN_PX > 7 and trace.step_s >= DOTS_FROM_STEP_S


def _broken_at_holes(t: np.ndarray, x: list[Any], y: list[Any], step_s: float) -> tuple[list[Any], list[Any]]:
    """A line is not drawn through what was not recorded."""
    for i in reversed(np.flatnonzero(np.diff(t) > ribbons.GAP_STEPS * step_s).tolist()):
        x.insert(i + 1, x[i])
        y.insert(i + 1, None)
    return x, y


def _ribbon(place: Placed, traces: Mapping[str, Trace], axis: TimeAxis) -> list[Json]:
    """One bar trace per look, as arrays of colours are not taken everywhere."""
    members = place.panel.series
    found = ribbons.of(members, traces, axis.start_s, axis.end_s)
    states = sorted({s.state for s in found}, key=lambda state: -1 if state is None else state)
    name, kind = (members[0], traces[members[0]].kind) if len(members) == 1 else ("reverser_state", "state")
    return [bars(place, name, kind, state, [s for s in found if s.state == state], axis) for state in states]


def _ribbon_behind(place: Placed, beside: Mapping[str, Trace], axis: TimeAxis) -> list[Json]:
    """Another landing's reverser, as a thin line under the ribbon: light while it moved, darker while deployed."""
    found = ribbons.of(place.panel.series, beside, axis.start_s, axis.end_s)
    drawn = []
    for state, colour in ((1, "rule2"), (2, "ink3")):
        shown = bars(place, "reverser_state", "state", state, [s for s in found if s.state == state], axis)
        marker = {"color": LIGHT[colour], "line": {"width": 0}}
        thin = {
            "y": [-0.39] * len(shown["y"]),
            "width": 0.22,
            "text": [""] * len(shown["y"]),
            "marker": marker,
            "meta": {},
        }
        drawn.append(shown | thin)
    return drawn


def bars(place: Placed, name: str, kind: str, state: int | None, found: Sequence[Stretch], axis: TimeAxis) -> Json:
    """The stretches of one state: blank, light or solid; hatched where it is not known."""
    fill_, ink, pattern = _look(kind, state)
    start = np.array([axis.unit(s.start_s) for s in found])
    width = np.array([axis.unit(s.end_s) for s in found]) - start
    said = [state_words(name, state, s.recorded) for s in found]
    width_px = width / (axis.range[1] - axis.range[0]) * (NARROW_PX if axis.sparse else DRAWN_PX)
    room = width_px > [6.5 * len(text) + 6 for text in said]
    return {
        "type": "bar",
        "orientation": "h",
        "y": [0] * len(found),
        "base": start.round(4).tolist(),
        "x": width.round(4).tolist(),
        "width": 1,
        "yaxis": place.y,
        "text": [text if wide and state is not None else "" for text, wide in zip(said, room, strict=True)],
        "textposition": "inside",
        "insidetextanchor": "middle",
        "constraintext": "none",
        "textangle": 0,
        "insidetextfont": {"color": LIGHT[ink], "size": 11},
        "marker": {
            "color": LIGHT[fill_],
            "line": {"width": 0},
            "pattern": {
                "shape": pattern,
                "fgcolor": LIGHT["hatch"],
                "size": 5,
                "solidity": 0.28,
                "fillmode": "overlay",
            },
        },
        "meta": {"panel": place.axis, "unit": "", "words": said},
    }


def state_words(name: str, state: int | None, recorded: bool = True) -> str:
    """What a stretch of a ribbon is called."""
    if state is None:
        return "changing" if recorded else "not recorded"
    family = name.partition(".")[0]
    if family == "reverser_state":
        return names.STATES.get(state, "")
    return names.DISCRETES.get(family, ("off", "on"))[1 if state else 0]


def _look(kind: str, state: int | None) -> tuple[str, str, str]:
    """Fill, words and pattern: blank, light, solid for stowed, moving, deployed (off, on: blank, solid)."""
    if state is None:
        return "paper", "ink3", "/"
    if state == 2 or (kind != "state" and state == 1):
        return "solid", "paper", ""
    return ("band", "ink3", "") if state == 1 else ("paper", "ink3", "")


def furniture(stack: Stack, axis: TimeAxis) -> tuple[list[Json], list[Json]]:
    """Shapes and notes: panel names with units, touchdown, and where time begins to run faster."""
    shapes = [upright(axis.unit(0.0), LIGHT["ink3"])] if axis.start_s <= 0 <= axis.end_s else []
    notes: list[Json] = []
    for place in stack.placed:
        panel = place.panel
        if panel.label:
            unit = f"<br><span style='color:{LIGHT['ink3']}'>{panel.unit}</span>" if panel.unit else ""
            shift = -40 if panel.kind == "line" else -8
            notes.append(note(panel.label + unit, 0, place.middle, anchor="right", shift=shift, colour="ink"))
        if panel.kind == "line" and len(panel.series) > 1:
            notes.append(note(_who(panel.series), 1, place.top, anchor="right", size=11, yanchor="bottom", yshift=-1))
        if panel.kind == "ribbon":
            shapes.append(_across(place.bottom, LIGHT["rule"]))
    if axis.knee_s is not None and axis.end_s > axis.knee_s:
        knee, above = axis.unit(axis.knee_s), stack.top_px - 16
        shapes.append(upright(knee, LIGHT["rule2"], dash="dot"))
        late = knee > (axis.unit(axis.start_s) + axis.unit(axis.end_s)) / 2  # beside it the time of the cursor is told
        anchor, shift = ("right", -4) if late else ("left", 4)
        notes.append(note("from here 4× faster", knee, 1, anchor=anchor, xref="x", shift=shift, yshift=above, size=11))
    return shapes, notes


def _who(series: Sequence[str]) -> str:
    """Which line is whose: "engine 1 solid, 2 dashed"."""
    suffixes = [name.partition(".")[2] for name in series]
    said = ", ".join(f"{suffix} {words}" for suffix, words in zip(suffixes, DASH_WORDS, strict=False))
    return f"engine {said}" if suffixes[0].isdigit() else said


def note(
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
    ground: str | None = None,
) -> Json:
    """Words on the chart; with a ground, what is drawn behind them does not run through them."""
    return {
        "text": text,
        "x": x,
        "y": y,
        "xref": xref,
        "yref": "paper",
        "xanchor": anchor,
        "yanchor": yanchor,
        "xshift": shift,
        "yshift": yshift,
        "showarrow": False,
        "align": anchor,
        "font": {"size": size, "color": LIGHT[colour]},
        **({"bgcolor": LIGHT[ground], "borderpad": 1} if ground else {}),
    }


def upright(
    x: float,
    colour: str,
    *,
    width: float = 1,
    dash: str = "solid",
    y: tuple[float, float] = (0, 1),
    layer: str = "below",
) -> Json:
    """An upright line through some height of the paper."""
    return {
        "type": "line",
        "xref": "x",
        "yref": "paper",
        "x0": x,
        "x1": x,
        "y0": y[0],
        "y1": y[1],
        "layer": layer,
        "line": {"color": colour, "width": width, "dash": dash},
    }


def _across(y: float, colour: str) -> Json:
    return {
        "type": "line",
        "xref": "paper",
        "yref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": y,
        "y1": y,
        "layer": "below",
        "line": {"color": colour, "width": 1},
    }
