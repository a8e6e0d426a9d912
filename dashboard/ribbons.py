"""A discrete or a state as stretches of time: known, or hatched where the samples do not tell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dashboard.store import Trace

GAP_STEPS = 2.5


@dataclass(frozen=True)
class Stretch:
    """From one time to another, seconds after touchdown; `state` is None where it changed or was not recorded."""

    start_s: float
    end_s: float
    state: int | None
    recorded: bool = True


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
    whole = [Stretch(start_s, t[0], None, recorded=False), *_with_lag(found, trace.lag_s), Stretch(t[-1], end_s, None, recorded=False)]
    clipped = (Stretch(max(s.start_s, start_s), min(s.end_s, end_s), s.state, s.recorded) for s in whole)
    return [s for s in clipped if s.end_s - s.start_s > (1e-9 if s.state is not None or s.recorded else trace.step_s)]


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
