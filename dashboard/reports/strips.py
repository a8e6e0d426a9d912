"""Traces of a rollout as they were recorded, drawn for paper: panels one below another on one time axis."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from dashboard import names, ribbons, words
from dashboard.chart import DASH_WORDS
from dashboard.chart_marks import Finding, Step, finite, inside, spread, with_bounds_rows
from dashboard.marks import joined
from dashboard.panels import Panel, ranging
from dashboard.reports.paper import WIDTH_PX
from dashboard.scale import limit_places
from dashboard.timeaxis import KNEE_S, TimeAxis
from fdm.archive import Trace

Levels = Callable[[np.ndarray], np.ndarray]  # values to pixels from the top
LEFT_PX, RIGHT_PX, TOP_PX, BOTTOM_PX = 142, 6, 34, 22
NAME_END_PX = LEFT_PX - 34
LINE_PX, RIBBON_PX, BOUNDS_PX = 43, 12, 13
LINE_GAP_PX, RIBBON_GAP_PX = 12, 4
KNEE_GAP_PX = 12
BADGE_PX, APART_PX = 8, 19
FEWEST_PX = 2.2  # between two samples, to draw each as a dot
WORD_PX = 5.0  # of a letter
CAP = Markup('<line class="bound" x1="{0}" x2="{0}" y1="{1}" y2="{2}"/>')
SIGNS = ("—", "- -", "···", "-·-")  # of lines, where their names have no room
MOST_BEYOND = 3  # samples told that stand above a panel
NOISE = 0.05  # of what is drawn


@dataclass(frozen=True)
class Across:
    """Seconds after touchdown to pixels: with a knee, the rest stands behind a gap."""

    axis: TimeAxis

    def px(self, time_s: float) -> float:
        """Pixels from the left edge of the drawing."""
        low, high = self.axis.range
        wide = WIDTH_PX - LEFT_PX - RIGHT_PX - (KNEE_GAP_PX if self.gap else 0)
        at = LEFT_PX + wide * (self.axis.unit(time_s) - low) / (high - low)
        return round(at + (KNEE_GAP_PX if self.gap and time_s > KNEE_S else 0), 1)

    @property
    def gap(self) -> bool:
        """Whether there is a knee inside the axis."""
        return self.axis.knee_s is not None and self.axis.end_s > KNEE_S

    @property
    def spans(self) -> list[tuple[float, float]]:
        """Stretches of time that are drawn without a break."""
        start, end = self.axis.start_s, self.axis.end_s
        return [(start, KNEE_S), (KNEE_S + 1e-6, end)] if self.gap else [(start, end)]


def drawing(
    chosen: Sequence[Panel],
    traces: Mapping[str, Trace],
    axis: TimeAxis,
    steps: Sequence[Step],
    findings: Sequence[Finding],
) -> Markup:
    """The panels as one SVG."""
    across, y = Across(axis), float(TOP_PX)
    parts: list[Markup] = []
    spans: dict[str, tuple[float, float]] = {}
    for panel in with_bounds_rows(chosen, findings):
        height = {"line": LINE_PX, "ribbon": RIBBON_PX, "bounds": BOUNDS_PX}[panel.kind]
        parts += _panel(panel, traces, across, y, height, findings)
        if panel.kind != "bounds":
            top, _ = spans.get(panel.key, (y, y))
            spans[panel.key] = (top, y + height)
        y += height + (LINE_GAP_PX if panel.kind == "line" else RIBBON_GAP_PX)
    limits = [_limits(found, spans, across) for found in findings]
    return Markup('<svg width="{}" height="{}" role="img" aria-label="{}">{}{}{}{}{}</svg>').format(
        WIDTH_PX,
        round(y + BOTTOM_PX),
        "Traces of the rollout: " + ", ".join(dict.fromkeys(p.label for p in chosen)),
        _steps(steps, across, y),
        joined(parts),
        joined(limits),
        _time_axis(across, y + 2),
        _speeds(across),
    )


def _panel(
    panel: Panel, traces: Mapping[str, Trace], across: Across, y: float, height: float, findings: Sequence[Finding]
) -> list[Markup]:
    if panel.kind == "line":
        return _lines(panel, traces, across, y, height)
    if panel.kind == "ribbon":
        return _ribbon(panel, traces, across, y, height)
    return [_value(found, across, y + height / 2) for found in findings if found.key == panel.key]


def _label(text: str, y: float, unit: str = "", below: str = "") -> Markup:
    name = Markup('<text x="{}" y="{}" text-anchor="end"><tspan class="name">{}</tspan> {}</text>').format(
        NAME_END_PX, y, text, unit
    )
    if not below:
        return name
    return name + Markup('<text x="{}" y="{}" text-anchor="end">{}</text>').format(NAME_END_PX, y + 11, below)


# lines -----------------------------------------------------------------------------------------------------------


def _lines(panel: Panel, traces: Mapping[str, Trace], across: Across, y: float, height: float) -> list[Markup]:
    start, end = across.axis.start_s, across.axis.end_s
    seen = {name: _within(traces[name], start, end) for name in panel.series}
    values = np.concatenate([ranging(panel, v * panel.scale) for _, v in seen.values()]) if seen else np.array([])
    low, high = value_range(values, panel)
    which = _which(panel)
    parts = [_label(panel.label, y + height / 2 + (-2 if which else 3), panel.unit, which)]

    def level(value: np.ndarray) -> np.ndarray:
        return np.round(y + height * (high - np.clip(value, low, high)) / (high - low), 1)

    for at in (low, high):
        tick = float(level(np.array([at]))[0])
        parts.append(
            Markup(
                '<text x="{}" y="{}" text-anchor="end">{}</text><line class="axis" x1="{}" x2="{}" y1="{}" y2="{}"/>'
            ).format(LEFT_PX - 7, tick + 3, _tick(at), LEFT_PX - 5, LEFT_PX - 2, tick, tick)
        )
    parts.append(Markup('<line class="axis" x1="{0}" x2="{0}" y1="{1}" y2="{2}"/>').format(LEFT_PX - 2, y, y + height))
    for number, name in enumerate(panel.series, 1):
        parts += _line(traces[name], panel, across, level, min(number, 4))
        parts += _beyond(seen[name][0], seen[name][1] * panel.scale, high, across, y)
    return parts


def _beyond(times: np.ndarray, values: np.ndarray, high: float, across: Across, y: float) -> list[Markup]:
    """Samples that stand above the panel, as an arrow with their value."""
    return [
        Markup('<text x="{}" y="{}" text-anchor="start">↑ {}</text>').format(
            across.px(float(t)) + 4, y + 9, _tick(float(v))
        )
        for t, v in zip(times[values > high][:MOST_BEYOND], values[values > high][:MOST_BEYOND], strict=True)
    ]


def _which(panel: Panel) -> str:
    """Which engine, or which side, is drawn how; nothing where there is one line, or no telling."""
    if len(panel.series) < 2 or not all("." in name for name in panel.series):
        return ""
    which = [name.partition(".")[2] for name in panel.series]
    how = SIGNS if len(which) > 2 else DASH_WORDS
    return ", ".join(f"{w} {k}" for w, k in zip(which, how, strict=False))


def _line(trace: Trace, panel: Panel, across: Across, level: Levels, number: int) -> list[Markup]:
    """A trace in each stretch of the axis, broken where nothing was recorded; each sample a dot where there is room."""
    parts = []
    for start, end in across.spans:
        times, values = _within(trace, start, end)
        if not len(times):
            continue
        heights = level(values * panel.scale)
        breaks = np.flatnonzero(np.diff(times) > 2.5 * trace.step_s) + 1
        for some_t, some_y in zip(np.split(times, breaks), np.split(heights, breaks), strict=True):
            points = " ".join(f"{across.px(float(t))},{h}" for t, h in zip(some_t, some_y, strict=True))
            parts.append(Markup('<polyline class="line-{}" points="{}"/>').format(number, points))
        apart = (across.px(end) - across.px(start)) / max(end - start, 1e-9) * trace.step_s
        if apart >= FEWEST_PX and number == 1:
            dots = (
                f'<circle class="sample" cx="{across.px(float(t))}" cy="{h}" r="1.5"/>'
                for t, h in zip(times, heights, strict=True)
            )
            parts.append(Markup("").join(Markup(dot) for dot in dots))
    return parts


def _within(trace: Trace, start: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    inside = (trace.time_s >= start) & (trace.time_s <= end)
    return trace.time_s[inside], np.asarray(trace.values, float)[inside]


def value_range(values: np.ndarray, panel: Panel) -> tuple[float, float]:
    """Lowest and highest value of a panel's axis: round numbers around what is drawn, never too narrow for it."""
    known = np.concatenate([values[np.isfinite(values)], np.array(panel.always, float)])
    if not len(known):
        return 0.0, 1.0
    low, high = float(known.min()), float(known.max())
    spare = max(panel.least_span - (high - low), 0.0)
    low, high = (low, high + spare) if low in panel.always else (low - spare / 2, high + spare / 2)
    for edge in panel.always:  # a little beyond it is noise, not a reason for another step
        low = edge if 0 < edge - low < NOISE * (high - low) else low
        high = edge if 0 < high - edge < NOISE * (high - low) else high
    step = 10.0 ** np.floor(np.log10(max(high - low, 1e-6))) / 2
    low, high = float(np.floor(low / step + 1e-9) * step), float(np.ceil(high / step - 1e-9) * step)
    return low, high if high > low else low + step


def _tick(value: float) -> str:
    return f"{value + 0.0:,.4g}".replace("-", "−")


# states ----------------------------------------------------------------------------------------------------------


def _ribbon(panel: Panel, traces: Mapping[str, Trace], across: Across, y: float, height: float) -> list[Markup]:
    parts = [_label(panel.label, y + height - 3)]
    parts.append(
        Markup('<line class="hair" x1="{}" x2="{}" y1="{}" y2="{}"/>').format(
            LEFT_PX, WIDTH_PX - RIGHT_PX, y + height, y + height
        )
    )
    reverser = panel.key == "reverser" and (len(panel.series) > 1 or panel.series[0].startswith("reverser_state"))
    said = (
        names.STATES
        if reverser
        else dict(enumerate(names.DISCRETES.get(panel.series[0].partition(".")[0], ("off", "on"))))
    )
    for start, end in across.spans:
        for stretch in ribbons.of(panel.series, traces, start, end):
            parts.append(_stretch(stretch, across, y, height, said, solid=2 if reverser else 1))
    return parts


def _stretch(
    stretch: ribbons.Stretch, across: Across, y: float, height: float, said: Mapping[int, str], solid: int
) -> Markup:
    left, right = across.px(stretch.start_s), across.px(stretch.end_s)
    wide = max(right - left, 0.5)
    if stretch.state is None:
        return Markup('<rect class="unknown" x="{}" y="{}" width="{}" height="{}"/>').format(
            left, y, round(wide, 1), height
        )
    look = "state-2" if stretch.state == solid else "state-1" if stretch.state else ""
    body = (
        Markup('<rect class="{}" x="{}" y="{}" width="{}" height="{}"/>').format(look, left, y, round(wide, 1), height)
        if look
        else Markup("")
    )
    word = said.get(stretch.state, "")
    if wide < WORD_PX * len(word) + 6:
        return body
    text = Markup('<text class="{}" x="{}" y="{}" text-anchor="middle">{}</text>').format(
        "on-solid" if look == "state-2" else "", round(left + wide / 2, 1), y + height - 3.2, word
    )
    return body + text


# findings --------------------------------------------------------------------------------------------------------


def _limits(found: Finding, spans: Mapping[str, tuple[float, float]], across: Across) -> Markup:
    """Limits as upright lines counted from where the time of the finding begins."""
    if found.key not in spans or found.origin_s is None:
        return Markup("")
    top, bottom = spans[found.key]
    times = {level: found.origin_s + found.limits[level] for level in limit_places(found.limits)}
    return joined(
        Markup('<line class="limit {0}" x1="{1}" x2="{1}" y1="{2}" y2="{3}"/>').format(
            level, across.px(at), top - 2, bottom + BOUNDS_PX
        )
        for level, at in times.items()
        if across.axis.start_s < at < across.axis.end_s
    )


def _value(found: Finding, across: Across, y: float) -> Markup:
    """The value as a dot with capped bounds, and its words on the side that has room."""
    event, origin = found.event, found.origin_s or 0.0
    if not finite(event["value"]):
        return Markup("")
    end = across.axis.end_s
    best = across.px(min(origin + event["value"], end))
    low = across.px(origin + event["lower"]) if finite(event["lower"]) else best
    high = across.px(min(origin + event["upper"], end)) if finite(event["upper"]) else across.px(end)
    text = words.of_event(event)
    left = high > WIDTH_PX - RIGHT_PX - WORD_PX * len(text) - 8
    caps = [low, high] if finite(event["upper"]) else [low]
    return Markup('<line class="bound" x1="{}" x2="{}" y1="{}" y2="{}"/>{}<circle class="dot" cx="{}" cy="{}" r="3"/>'
                  '<text class="strong" x="{}" y="{}" text-anchor="{}">{}</text>').format(
        low, high, y, y,
        joined(CAP.format(x, y - 4, y + 4) for x in caps),
        best, y, low - 5 if left else high + 6, y + 3, "end" if left else "start", text,
    )  # fmt: skip


# steps and axis --------------------------------------------------------------------------------------------------


def _steps(steps: Sequence[Step], across: Across, bottom: float) -> Markup:
    """Numbers above the panels, filled where something was found, and a hairline through all panels at each."""
    axis = across.axis
    shown = sorted((s for s in steps if axis.start_s <= s.at_s <= axis.end_s), key=lambda s: s.at_s)
    at = [across.px(step.at_s) for step in shown]
    spots = inside(spread(at, APART_PX), LEFT_PX - 30, WIDTH_PX - BADGE_PX - 2, APART_PX)
    parts = []
    for step, x, spot in zip(shown, at, spots, strict=True):
        found = " found" if step.found else ""
        parts.append(
            Markup(
                '<g class="runway"><line class="leader" x1="{0}" x2="{1}" y1="{2}" y2="{3}"/>'
                '<line class="hair" x1="{1}" x2="{1}" y1="{3}" y2="{4}"/>'
                '<circle class="badge{5}" cx="{0}" cy="{6}" r="{7}"/>'
                '<text class="badge{5}" x="{0}" y="{8}" text-anchor="middle">{9}</text></g>'
            ).format(round(spot, 1), x, 19 + BADGE_PX - 4, TOP_PX - 3, bottom, found, 19, BADGE_PX, 22.6, step.number)
        )
    return joined(parts)


def _time_axis(across: Across, y: float) -> Markup:
    parts = [
        Markup('<line class="axis" x1="{}" x2="{}" y1="{}" y2="{}"/>').format(across.px(a), across.px(b), y, y)
        for a, b in across.spans
    ]
    units, texts = across.axis.ticks()
    knee = across.axis.knee_s
    for unit, text in zip(units, texts, strict=True):
        time = unit if knee is None or unit <= knee else knee + (unit - knee) * 4
        x = across.px(time)
        parts.append(
            Markup(
                '<line class="axis" x1="{0}" x2="{0}" y1="{1}" y2="{2}"/>'
                '<text x="{0}" y="{3}" text-anchor="{4}">{5}</text>'
            ).format(x, y, y + 4, y + 14, "end" if x > WIDTH_PX - 14 else "middle", text)
        )
    return joined(parts)


def _speeds(across: Across) -> Markup:
    if not across.gap:
        return Markup("")
    (start, _), (after, _) = across.spans
    said = ((start, "touchdown and the 10 s after"), (after, "time runs 4× faster"))
    return joined(Markup('<text x="{}" y="8">{}</text>').format(across.px(t), text) for t, text in said)
