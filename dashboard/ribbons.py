"""A discrete or a state as stretches of time: known, or hatched where the samples do not tell."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fdm.archive import Trace

GAP_STEPS = 2.5


@dataclass(frozen=True)
class Stretch:
    """From one time to another, seconds after touchdown; `state` is None where it changed or was not recorded."""

    start_s: float
    end_s: float
    state: int | None
    recorded: bool = True


def of(members: Sequence[str], traces: Mapping[str, Trace], start_s: float, end_s: float) -> list[Stretch]:
    """Stretches of a ribbon: of one parameter, or of a reverser told by two discretes, unlocked and deployed."""
    each = [stretches(traces[name], start_s, end_s) for name in members]
    return each[0] if len(each) == 1 else _together(each[0], each[1])


def _together(unlocked: Sequence[Stretch], deployed: Sequence[Stretch]) -> list[Stretch]:
    """Deployed when that is known; else moving when unlocked and stowed when locked; else unknown."""
    edges = sorted({edge for s in (*unlocked, *deployed) for edge in (s.start_s, s.end_s)})
    found: list[Stretch] = []
    for start, end in itertools.pairwise(edges):
        free, out = _at(unlocked, start, end), _at(deployed, start, end)
        state = 2 if out.state == 1 else None if out.state is None or free.state is None else 1 if free.state else 0
        recorded = out.recorded and free.recorded
        if found and (found[-1].state, found[-1].recorded) == (state, recorded):
            found[-1] = Stretch(found[-1].start_s, end, state, recorded)
        else:
            found.append(Stretch(start, end, state, recorded))
    return found


def _at(found: Sequence[Stretch], start: float, end: float) -> Stretch:
    middle = (start + end) / 2
    return next((s for s in found if s.start_s <= middle <= s.end_s), Stretch(start, end, None, recorded=False))


def stretches(trace: Trace, start_s: float, end_s: float) -> list[Stretch]:
    """Stretches between two times.

    A change of state happened between two samples, up to `lag_s` before the earlier one's stamp; a hole of more
    than two sampling steps is not recorded.
    """
    t, v = np.asarray(trace.time_s, dtype=float), np.asarray(trace.values)
    if not len(t):
        return [Stretch(start_s, end_s, None, recorded=False)]
    hole = np.diff(t) > GAP_STEPS * trace.step_s + trace.lag_s
    unsure = (np.diff(v) != 0) | hole
    cuts = np.flatnonzero(unsure)
    starts, ends = np.append(t[0], t[cuts + 1]), np.append(t[cuts], t[-1])
    found: list[Stretch] = []
    for i, (a, b) in enumerate(zip(starts, ends, strict=True)):
        at = cuts[i] if i < len(cuts) else len(t) - 1
        found.append(Stretch(a, b, int(v[at])))
        if i < len(cuts):
            found.append(Stretch(b, starts[i + 1], None, recorded=not hole[cuts[i]]))
    whole = [
        Stretch(start_s, t[0], None, recorded=False),
        *_with_lag(found, trace.lag_s),
        Stretch(t[-1], end_s, None, recorded=False),
    ]
    clipped = (Stretch(max(s.start_s, start_s), min(s.end_s, end_s), s.state, s.recorded) for s in whole)
    return [s for s in clipped if s.end_s - s.start_s > (1e-9 if s.state is not None or s.recorded else trace.step_s)]


def unknown(traces: Sequence[Trace], start_s: float, end_s: float) -> list[Stretch]:
    """Stretches between two times in which none of some analogues has a sample: holes of over two sampling steps."""
    gap_s = GAP_STEPS * max(trace.step_s for trace in traces)
    t = np.unique(np.concatenate([np.asarray(trace.time_s, dtype=float) for trace in traces]))
    edges = [start_s, *t[(t > start_s) & (t < end_s)], end_s]
    return [Stretch(a, b, None, recorded=False) for a, b in itertools.pairwise(edges) if b - a > gap_s]


def _with_lag(found: list[Stretch], lag_s: float) -> list[Stretch]:
    """Known stretches end `lag_s` earlier where a change follows: the sample may be that old."""
    if not lag_s:
        return found
    shifted = []
    for i, s in enumerate(found):
        change_follows = i + 1 < len(found)
        if s.state is not None:
            shifted.append(Stretch(s.start_s, max(s.start_s, s.end_s - lag_s) if change_follows else s.end_s, s.state))
        else:
            shifted.append(Stretch(max(found[i - 1].start_s, s.start_s - lag_s), s.end_s, None, s.recorded))
    return shifted
