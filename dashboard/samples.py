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
    speed     the line of ground speed with the speeds of the steps in it; null when it was not recorded
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
    drawn = {name: _line(trace, start_s, end_s) for name, trace in lines.items()}
    times = [at for row in rows for at in row.times]
    places = {at.at_s: at.distance_m for at in times}
    placed = [0.0, *(at_s for at_s, distance_m in places.items() if distance_m is not None)]
    return {
        "start": round(start_s, 2),
        "end": round(end_s, 2),
        "lines": drawn,
        "speed": _through(drawn.get("ground_speed"), {at.at_s: at.ground_speed_kt for at in times}),
        "states": _states(traces, start_s, end_s),
        "spoilers": next((name for name in SPOILERS if name in lines), None),
        "psi": max([*psi, LEAST_PSI]),
        "lever": max([*lever, LEAST_LEVER_DEG]),
        "distance": _through(distance(traces, min(end_s, exit_s), start_s, max(placed)), places),
        "beside": distance(beside, end_s) if beside else None,
        "steps": [[row.number, round(row.last.at_s, 3)] for row in rows if row.number and row.last],
        "exit": round(exit_s, 3) if exit_s < math.inf else None,
        "off": off,
        "strip": None if span is None else _strip(span),
    }


def _strip(span: Strip) -> Json:
    runway_m = None if span.runway_m is None else round(span.runway_m, 6)
    return {
        "length": round(span.length_m, 6),
        "before": round(span.displaced_m, 6),
        "touchdown": round(span.touchdown_m, 6),
        "runway": runway_m,
    }


def _is_line(name: str, trace: Trace) -> bool:
    families = ("ground_speed", "spoiler_panel", "spoiler_handle", "reverse_lever", "thrust_lever", "n1", "epr")
    family = name.partition(".")[0]
    return family in (*families, "brake_pressure") and trace.kind == "analogue" and len(trace.time_s) > 0


def _through(line: Json | None, steps: Mapping[float, float | None]) -> Json | None:
    """The line with the values of the steps in it, which are what the table says; in between it bends to fit.

    steps    time -> value, None where it is not known; where the line has a gap, nothing is put into it
    """
    known = {round(at_s, 3): value for at_s, value in steps.items() if value is not None and math.isfinite(value)}
    if line is None or not line["t"] or not known:
        return line
    t, v = np.asarray(line["t"]), np.asarray(line["v"])
    at = np.asarray(sorted(each for each in known if _within(t, each, line["gap"])))
    if not len(at):
        return line
    off = np.asarray([known[each] for each in at]) - np.interp(at, t, v)
    every = np.union1d(t, at)
    values = np.interp(every, t, v) + np.interp(every, at, off)
    return line | {"t": every.tolist(), "v": np.round(values, 6).tolist()}


def _within(t: np.ndarray, at_s: float, gap_s: float) -> bool:
    """Whether a line is drawn at a time."""
    k = int(np.searchsorted(t, at_s))
    return k < len(t) and (t[k] == at_s or (k > 0 and bool(t[k] - t[k - 1] <= gap_s)))


def _line(trace: Trace, start_s: float, end_s: float) -> Json:
    t, v = np.asarray(trace.time_s, dtype=float), np.asarray(trace.values, dtype=float)
    near = (t >= start_s - 2 * trace.step_s) & (t <= end_s + 2 * trace.step_s)
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


def distance(
    traces: Mapping[str, Trace] | None, end_s: float, start_s: float = -BEFORE_S, placed_s: float = 0.0
) -> Json | None:
    """Metres from touchdown at each sample of ground speed up to `end_s`; None when speed was not recorded throughout.

    The trapezoidal integral of ground speed, as the archive's distances are; nothing is known in a hole, nor after one.

    placed_s    the last time at which a step has its place: a hole before that was short enough to be bridged
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
    gap_s = ribbons.GAP_STEPS * speed.step_s
    hole = np.flatnonzero((np.diff(t) > gap_s) & (t[1:] > max(placed_s, 0.0)))
    last = hole[0] + 1 if len(hole) else len(t)
    metres -= np.interp(0.0, t, metres)
    t, metres = t[:last], metres[:last]
    if t[-1] > end_s:
        t, metres = np.append(t[t < end_s], end_s), np.append(metres[t < end_s], np.interp(end_s, t, metres))
    return {"t": np.round(t, 3).tolist(), "v": np.round(metres, 3).tolist(), "gap": gap_s}
