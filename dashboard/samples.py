"""The samples of a rollout that the debrief plays: one table of numbers for the browser, which adds nothing to them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from dashboard import ribbons
from dashboard.chart import Json
from dashboard.figures import BEFORE_S
from dashboard.runway import Strip
from dashboard.steps import LEFT_BY, StepRow
from fdm.archive import Trace
from fdm.units import MPS_PER_KT

LEAST_PSI, LEAST_LEVER_DEG = 1000.0, 40.0  # what bars and levers reach to at least
DEPLOYED, NOT_DEPLOYED = 2, 3
GEAR = ("main_gear_ground", "main_gear_ground.left", "main_gear_ground.right", "nose_gear_ground")
SPOILERS = ("spoiler_panel", "spoiler_handle")


def table(
    traces: Mapping[str, Trace],
    rows: Sequence[StepRow],
    span: Strip | None,
    end_s: float,
    beside: Mapping[str, Trace] | None = None,
    start_s: float = -BEFORE_S,
) -> Json:
    """What the browser plays, from `start_s` to `end_s`; times in seconds after touchdown.

    lines     name -> `t`, `v`, and `gap`: samples further apart than that have nothing known between them
    states    name -> stretches [from, to, state or null, recorded]; null and recorded is between two samples
    distance  metres from touchdown, the integral of ground speed, while on the runway; beside: the other landing's
    exit      when the runway was left, and `off` how; null when that is not known
    strip     how the runway drawing is scaled; null when it is none
    """
    lines = {name: trace for name, trace in traces.items() if _is_line(name, trace)}
    psi = [float(np.max(trace.values)) for name, trace in lines.items() if name.startswith("brake_pressure")]
    lever = [float(np.max(np.abs(trace.values))) for name, trace in lines.items() if name.startswith("thrust_lever")]
    exit_s, off = min(
        ((row.last.at_s, LEFT_BY[row.step]) for row in rows if row.step in LEFT_BY and row.last), default=(math.inf, "")
    )
    doubts = doubted(rows)
    return {
        "start": round(start_s, 2),
        "end": round(end_s, 2),
        "lines": {
            name: _line(trace, start_s, end_s, doubts if name == "ground_speed" else ())
            for name, trace in lines.items()
        },
        "states": _states(traces, start_s, end_s),
        "spoilers": next((name for name in SPOILERS if name in lines), None),
        "psi": max([*psi, LEAST_PSI]),
        "lever": max([*lever, LEAST_LEVER_DEG]),
        "distance": _through(distance(traces, min(end_s, exit_s, placed_until_s(rows)), start_s), rows),
        "beside": distance(beside, end_s) if beside else None,
        "steps": [[row.number, round(row.last.at_s, 3)] for row in rows if row.number and row.last],
        "exit": round(exit_s, 3) if exit_s < math.inf else None,
        "off": off,
        "strip": None if span is None else _strip(span),
    }


def _strip(span: Strip) -> Json:
    runway_m = None if span.runway_m is None else round(span.runway_m, 1)
    return {"length": round(span.length_m, 1), "touchdown": round(span.touchdown_m, 1), "runway": runway_m}


def placed_until_s(rows: Sequence[StepRow]) -> float:
    """The last step with a known place before the first without one; infinite when every step has its place."""
    timed = sorted((at for row in rows for at in row.times), key=lambda at: at.at_s)
    lost = next((i for i, at in enumerate(timed) if at.distance_m is None), None)
    if lost is None:
        return math.inf
    return max((at.at_s for at in timed[:lost]), default=0.0)


def _is_line(name: str, trace: Trace) -> bool:
    families = ("ground_speed", "spoiler_panel", "spoiler_handle", "reverse_lever", "thrust_lever", "n1", "epr")
    family = name.partition(".")[0]
    return family in (*families, "brake_pressure") and trace.kind == "analogue" and len(trace.time_s) > 0


def doubted(rows: Sequence[StepRow]) -> list[tuple[float, float]]:
    """From and to, seconds: steps in between have no speed, so what was recorded of it there is not believed."""
    timed = sorted((at for row in rows for at in row.times), key=lambda at: at.at_s)
    found, known_s, lost = [], -math.inf, False
    for at in timed:
        if at.ground_speed_kt is None or not math.isfinite(at.ground_speed_kt):
            lost = True
            continue
        if lost:
            found.append((known_s, at.at_s))
        known_s, lost = at.at_s, False
    return [*found, (known_s, math.inf)] if lost else found


def _through(line: Json | None, rows: Sequence[StepRow]) -> Json | None:
    """The distances with those of the steps in them, which come from checked speeds; in between they bend to fit."""
    known = {at.at_s: at.distance_m for row in rows for at in row.times if at.distance_m is not None}
    if line is None or not known:
        return line
    t, v = np.asarray(line["t"]), np.asarray(line["v"])
    at = np.asarray(sorted(each for each in known if t[0] <= each <= t[-1]))
    if not len(at):
        return line
    off = np.asarray([known[each] for each in at]) - np.interp(at, t, v)
    every = np.union1d(t, at)
    metres = np.interp(every, t, v) + np.interp(every, at, off)
    return line | {"t": np.round(every, 3).tolist(), "v": np.round(metres, 1).tolist()}


def _line(trace: Trace, start_s: float, end_s: float, doubts: Sequence[tuple[float, float]] = ()) -> Json:
    t, v = np.asarray(trace.time_s, dtype=float), np.asarray(trace.values, dtype=float)
    near = (t >= start_s - 2 * trace.step_s) & (t <= end_s + 2 * trace.step_s)
    for from_s, to_s in doubts:
        near &= (t <= from_s) | (t >= to_s)
    return {
        "t": np.round(t[near], 3).tolist(),
        "v": np.round(v[near], 3).tolist(),
        "gap": ribbons.GAP_STEPS * trace.step_s,
    }


def _states(traces: Mapping[str, Trace], start_s: float, end_s: float) -> Json:
    """Stretches of the reversers ("reverser.2") and of the gear."""
    found = {}
    for name in sorted(traces):
        family, _, engine = name.partition(".")
        if name in GEAR:
            found[name] = [name]
        elif family == "reverser_state":
            found[f"reverser.{engine}"] = [name]
        elif family == "reverser_deployed" and f"reverser.{engine}" not in found:
            unlocked = f"reverser_unlocked.{engine}"
            found[f"reverser.{engine}"] = [unlocked, name] if unlocked in traces else [name]
    return {name: _stretches(members, traces, start_s, end_s) for name, members in found.items()}


def _stretches(members: Sequence[str], traces: Mapping[str, Trace], start_s: float, end_s: float) -> list[list[Any]]:
    """Stretches of a ribbon; where a reverser is told by "deployed" alone, 0 is not known to be stowed and is said."""
    alone = {0: NOT_DEPLOYED, 1: DEPLOYED} if len(members) == 1 and members[0].startswith("reverser_deployed") else {}
    return [
        [round(s.start_s, 3), round(s.end_s, 3), None if s.state is None else alone.get(s.state, s.state), s.recorded]
        for s in ribbons.of(members, traces, start_s, end_s)
    ]


def distance(traces: Mapping[str, Trace] | None, end_s: float, start_s: float = -BEFORE_S) -> Json | None:
    """Metres from touchdown at each sample of ground speed up to `end_s`; None when speed was not recorded throughout.

    The trapezoidal integral of ground speed, as the archive's distances are; nothing is known across a hole.
    """
    speed = (traces or {}).get("ground_speed")
    if speed is None or len(speed.time_s) < 2 or end_s <= 0:
        return None
    t, v = np.asarray(speed.time_s, dtype=float), np.asarray(speed.values, dtype=float)
    near = (t >= start_s - speed.step_s) & (t <= end_s + speed.step_s)
    if near.sum() < 2 or not t[near][0] <= 0 <= t[near][-1]:
        return None
    t, v = t[near], v[near]
    metres = np.concatenate([[0.0], np.cumsum(np.diff(t) * (v[1:] + v[:-1]) / 2 * MPS_PER_KT)])
    hole = np.flatnonzero((np.diff(t) > ribbons.GAP_STEPS * speed.step_s) & (t[1:] > 0))
    last = hole[0] + 1 if len(hole) else len(t)
    metres -= np.interp(0.0, t, metres)
    t, metres = t[:last], metres[:last]
    if t[-1] > end_s:
        t, metres = np.append(t[t < end_s], end_s), np.append(metres[t < end_s], np.interp(end_s, t, metres))
    return {"t": np.round(t, 3).tolist(), "v": np.round(metres, 1).tolist(), "gap": 1e9}
