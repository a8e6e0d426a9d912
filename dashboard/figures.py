"""Charts of landings and events: pure functions from tables and traces to plain Plotly dictionaries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl

from dashboard import chart, chart_marks, chart_unknown
from dashboard.chart import Json
from dashboard.chart_marks import Finding, Step, finite
from dashboard.panels import DRAWN_AT, Panel, keys_for, panels
from dashboard.rule_card import RuleCard
from dashboard.timeaxis import FASTER, KNEE_S, TimeAxis
from fdm.archive import Trace

BEFORE_S = 3.0
SHORTEST_S = 12.0
LONG_S = 25.0  # a longer look at one event runs faster after the first seconds
WHOLE_ROLLOUT = {"mean_deceleration_g", "runway_left_60_m", "reverse_not_used"}  # seen from touchdown to 60 kt
TOP_PX, STEPS_TOP_PX = 28, 56


def rollout(
    traces: Mapping[str, Trace],
    steps: Sequence[Step],
    findings: Sequence[Finding],
    end_s: float,
    cursor_s: float,
    keys: Sequence[str] | None = None,
    beside: Mapping[str, Trace] | None = None,
    start_s: float = -BEFORE_S,
) -> Json | None:
    """The whole rollout: touchdown and ten seconds wide, the rest four times faster. None when nothing was recorded.

    keys      only these panels
    beside    another landing's traces, drawn thin behind
    """
    axis = TimeAxis(start_s, max(end_s, SHORTEST_S))
    return _figure(panels(traces, keys), traces, axis, steps, findings, cursor_s, beside)


def around_event(
    traces: Mapping[str, Trace], instants: pl.DataFrame, event: Mapping[str, Any], card: RuleCard | None
) -> Json | None:
    """The panels and seconds in which one event can be seen; None when nothing of them was recorded."""
    chosen = panels(traces, keys_for(event["measure"]))
    found = finding_of(event, card, instants)
    start, end = _window(event, found, traces, instants)
    axis = TimeAxis(start, end, KNEE_S if start == -BEFORE_S and end > LONG_S else None, sparse=True)
    return _figure(chosen, traces, axis, [], [found] if found else [], looked_at(event, found))


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
    times = (own if own.height else found).get_column("at_s").to_list()
    if not times:
        return 0.0 if step == "settled" else None
    return min(times)


def looked_at(event: Mapping[str, Any], found: Finding | None) -> float:
    """Where the cursor stands first: at the end of what was measured, or where the event says."""
    if found and found.origin_s is not None and finite(event["value"]):
        return float(found.origin_s + event["value"])
    return float(event["at_s"]) if finite(event["at_s"]) else 0.0


def _slowed(instants: pl.DataFrame) -> float:
    return step_time(instants, "speed_60kt") or 30.0


def _window(
    event: Mapping[str, Any], found: Finding | None, traces: Mapping[str, Trace], instants: pl.DataFrame
) -> tuple[float, float]:
    """Seconds to show: from just before what is measured to just after it and the nearest limits."""
    last = max((float(t.time_s[-1]) for t in traces.values() if len(t.time_s)), default=10.0)
    at = min(looked_at(event, found), last)
    origin = found.origin_s if found and found.origin_s is not None else at
    if event["measure"] in WHOLE_ROLLOUT:
        return -BEFORE_S, min(max(_slowed(instants) + 4, 20.0), max(last, 12.0))
    limits = [origin + limit for limit in found.limits.values()] if found and found.origin_s is not None else []
    end = max([at, *(limit for limit in limits if limit < at + 15)]) + 4
    start = -BEFORE_S if -1 <= origin < 8 else min(origin, at) - 5
    return start, max(min(end, last), start + 8)


def _figure(
    chosen: Sequence[Panel],
    traces: Mapping[str, Trace],
    axis: TimeAxis,
    steps: Sequence[Step],
    findings: Sequence[Finding],
    cursor_s: float,
    beside: Mapping[str, Trace] | None = None,
) -> Json | None:
    if not chosen:
        return None
    stack = chart.stacked(chart_marks.with_bounds_rows(chosen, findings), STEPS_TOP_PX if steps else TOP_PX)
    drawn = chart.layout(stack, axis)
    lines = chart.fill(stack, traces, axis, drawn, beside or {})
    data = lines + chart_unknown.hatching(stack, traces, axis, drawn)
    shapes, notes = chart.furniture(stack, axis)
    notes += chart_unknown.in_words(stack, traces, axis)
    for found in findings:
        more = chart_marks.draw(found, stack, axis)
        data, shapes, notes = data + more[0], shapes + more[1], notes + more[2]
    drawn["shapes"] = shapes + chart_marks.draw_steps(steps, stack, axis)
    drawn["annotations"] = notes
    drawn["meta"] = _meta(stack, axis, steps, cursor_s)
    return {"data": data, "layout": drawn}


def _meta(stack: chart.Stack, axis: TimeAxis, steps: Sequence[Step], cursor_s: float) -> Json:
    """What the browser needs to read values beside the panels and to move the cursor by keys."""
    return {
        "knee": axis.knee_s,
        "faster": FASTER,
        "cursor": axis.unit(cursor_s),
        "steps": {str(s.number): axis.unit(s.at_s) for s in steps if axis.start_s <= s.at_s <= axis.end_s},
        "readouts": [
            {"panel": place.axis, "top": round(stack.top_px + stack.inner_px * (1 - place.middle))}
            for place in stack.placed
            if place.panel.kind != "bounds"
        ],
    }
