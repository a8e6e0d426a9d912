"""How much it was: values at instants, highest values and times above, for every landing of a batch at once, in NumPy.

Bounds are made of the instants' own, of the values' tolerance, and of what may lie between samples: there a value is
taken to run straight, with one bend at the most. With a gap in the window the best value is not known.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fdm.bounded import FINE, Bounded, Instants
from fdm.signal import MAYBE_IN_GAP, Signal, pick_column

BESIDE = np.arange(-1, 3)  # the two samples on either side of a stretch, from its left one


def value_at(signal: Signal, when: Instants, *, missing: int) -> Bounded:
    """A value at an instant, interpolated; bounds over all that the instant's own bounds reach, bends included."""
    best = interpolate(signal, when.best + signal.lag_s / 2)
    low, high = _reach(signal, when.earliest, when.latest + signal.lag_s)
    low, high = np.fmin(low, best) - signal.tolerance, np.fmax(high, best) + signal.tolerance
    absent = _absent(signal, when.happened, when.why, missing)
    value = Bounded(best, low, high, when.why, when.best).where(~np.isnan(low + high) & when.happened, absent)
    return replace(value, why=np.where(np.isnan(best) & (value.why == FINE), np.int16(missing), value.why))


def _absent(signal: Signal, asked: np.ndarray, why: np.ndarray, missing: int) -> np.ndarray:
    """Reason codes: the instants' own where there is nothing to ask at; not recorded; else `missing`."""
    return np.where(asked, np.where(signal.recorded, missing, signal.absent_codes), why)


def _reach(signal: Signal, from_s: np.ndarray, to_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest value that a stretch of time may hold, (n,) each; NaN where part of it is not known."""
    at = [interpolate(signal, x) for x in (from_s, to_s)]
    known = ~np.isnan(at[0] + at[1])
    low, high = np.fmin(*at), np.fmax(*at)
    k = np.where(known, signal.index_from(from_s), 0)
    last_k = np.where(known, signal.index_from(to_s), 0)
    bend = _bend(signal, k - 1)
    while (k < last_k).any():
        here = np.where(k < last_k, pick_column(signal.bridged, k), np.nan)
        low, high = np.fmin(low, here), np.fmax(high, here)
        bend = np.fmax(bend, np.where(k < last_k, _bend(signal, k), 0))
        k = k + 1
    return np.where(known, low - bend, np.nan), np.where(known, high + bend, np.nan)


def _bend(signal: Signal, left: np.ndarray) -> np.ndarray:
    """How far a value that bends once may stray from the straight line between samples `left` and the next.

    With slopes a before and b behind, the stray at a bend after a share f of the step is f (1 - f) |a - b|.
    """
    before, a, b, behind = pick_column(signal.bridged, left[:, None] + BESIDE).astype(np.float64).T
    at_edge = (left < 1) | (left + 2 >= signal.values.shape[1])
    stray = np.abs((a - before) - (behind - b)) / 4
    return np.where(at_edge | np.isnan(stray), 0, stray)


def interpolate(signal: Signal, time_s: np.ndarray) -> np.ndarray:
    """Values at times (n,) or (n, k) of each landing; NaN outside the recording or in a long gap."""
    values = signal.bridged
    start_s = signal.start_s if time_s.ndim == 1 else signal.start_s[:, None]
    position = (time_s - start_s) / signal.step_s
    known = (position >= 0) & (position <= values.shape[1] - 1)
    position = np.where(known, position, 0)
    left = np.floor(position).astype(np.int64)
    share = position - left
    a = pick_column(values, left)
    b = np.where(share > 1e-4, pick_column(values, left + 1), a)
    return np.where(known, a + share * (b - a), np.nan)


def highest(signal: Signal, start: Instants, end: Instants, *, missing: int) -> Bounded:
    """Highest value between two instants.

    At least what the samples and moments certainly inside show; at most what those possibly inside show, and what the
    slopes beside them leave room for between samples. With a gap inside it is only known to be at least so much.
    `missing` is the reason where there is no sample.
    """
    best = _peak(signal, start.best, end.best)
    for when in (start, end):
        best = np.fmax(best, interpolate(signal, when.best + signal.lag_s / 2))
    lower = _surely_reached(signal, start, end) - signal.tolerance
    upper = possibly_reached(signal, start.earliest, end.latest + signal.lag_s) + signal.tolerance
    why = np.where(start.why != FINE, start.why, end.why)
    gap_s = signal.longest_gap_s(start.earliest, end.latest)
    holed = gap_s > signal.wide_s + 1e-3
    if holed.any():
        why = np.where(holed & (why == FINE), signal.gap_codes(gap_s * holed, MAYBE_IN_GAP), why)
        upper = np.where(holed, np.inf, upper)  # nothing bounds what a gap hides
    there = start.happened & end.happened & ~np.isnan(best) | holed
    lower, upper = np.fmin(lower, best), np.fmax(upper, best)
    result = Bounded(np.where(why == FINE, best, np.nan), lower, upper, why.astype(np.int16), start.best)
    absent = _absent(signal, start.happened & end.happened, why, missing)
    return result.where(there & ~np.isnan(lower) & signal.recorded, absent)


def _surely_reached(signal: Signal, start: Instants, end: Instants) -> np.ndarray:
    """Highest of what is certainly inside; the lowest of what may be, where nothing is."""
    at_start = start.latest + signal.lag_s
    certain = at_start <= end.earliest
    position = np.nan_to_num((at_start - signal.start_s) / signal.step_s, nan=0.0, posinf=0.0, neginf=0.0)
    moment = interpolate(signal, at_start) - _bend(signal, position.astype(np.int64))
    sure = np.where(certain, np.fmax(_peak(signal, at_start, end.earliest), moment), np.nan)
    open_ = np.isnan(sure)
    if not open_.any():
        return sure
    ends = (start.earliest, end.latest + signal.lag_s)
    open_ &= start.earliest <= signal.time(signal.last_column) + signal.step_s  # nothing is known of what lies behind
    low, _ = _reach(signal, *(np.where(open_, _inside(signal, x), np.nan) for x in ends))
    return np.where(open_, low, sure)


def _inside(signal: Signal, time_s: np.ndarray) -> np.ndarray:
    return np.clip(time_s, signal.time(signal.first_column), signal.time(signal.last_column))


def possibly_reached(signal: Signal, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
    """Highest of what may be inside a window: samples, what may lie between them, and the window's ends."""
    most = _peak(signal, from_s, to_s)
    begin, end = signal.index_from(from_s), signal.index_past(to_s)
    for time_s, k in ((from_s, begin - 1), (to_s, end - 1)):
        most = np.fmax(most, interpolate(signal, time_s) + _bend(signal, k))
    c0, c1 = _columns(begin - 2, end + 2, signal.values.shape[1])
    if c1 - c0 < 4:
        return most
    v = signal.values[:, c0:c1]
    rises, falls = v[:, 1:-2] > v[:, :-3], v[:, 3:] < v[:, 2:-1]  # before and behind each inner stretch
    left = signal.columns[c0 + 1 : c1 - 2]
    inside = (left >= begin[:, None] - 1) & (left < end[:, None])
    row, k = np.nonzero(rises & falls & inside)
    before, here, there, behind = (v[row, k + i].astype(np.float64) for i in range(4))
    share = (there - here + there - behind) / ((here - before) + (there - behind))
    apex = here + (here - before) * share
    at_s = signal.start_s[row] + (c0 + 1 + k + share) * signal.step_s
    room_s = signal.step_s / 4
    fits = (share > 0) & (share < 1) & (at_s >= from_s[row] - room_s) & (at_s <= to_s[row] + room_s)
    np.maximum.at(most, row[fits], apex[fits])
    return most


def _peak(signal: Signal, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
    """Highest sample in a window; NaN where there is none."""
    begin, end = signal.index_from(from_s), signal.index_past(to_s)
    c0, c1 = _columns(begin, end, signal.values.shape[1])
    if c1 <= c0 or not len(begin):
        return np.full(len(begin), np.nan)
    some = signal.between(c0, c1)
    peak = np.fmax.reduce(some.numbers, axis=1, where=some.inside(begin - c0, end - c0), initial=-np.inf)
    return np.where(np.isneginf(peak), np.nan, peak)


def _columns(begin: np.ndarray, end: np.ndarray, width: int) -> tuple[int, int]:
    """The columns that any landing's window touches."""
    some = begin < end
    if not some.any():
        return 0, 0
    return max(int(begin[some].min()), 0), min(int(end[some].max()), width)


def time_above(
    signal: Signal, threshold: float | np.ndarray, start: Instants, end: Instants, *, missing: int
) -> Bounded:
    """Total time that a value was above a threshold between two instants, s. A discrete's threshold is 0.5.

    For certain: stretches between neighbouring samples that are both clearly above, within the certain window. At
    most: those with either one possibly above, within the possible window. With a gap inside there are bounds only.
    `missing` is the reason where the window or the threshold is not known. `at` is when it first was above, or the
    window's start where it never was.
    """
    begin, stop = signal.index_from(start.earliest) - 1, signal.index_past(end.latest + signal.lag_s) + 1
    c0, c1 = _columns(begin, stop, signal.values.shape[1])
    why = np.where(start.why != FINE, start.why, end.why)
    there = start.happened & end.happened & ~np.isnan(np.broadcast_to(threshold, why.shape))
    value, lower, upper = np.zeros((3, len(begin)))
    began_s = start.best.copy()
    some = np.flatnonzero(there & _perhaps_above(signal, threshold, begin, stop, c0, c1))
    if len(some):
        level = np.broadcast_to(threshold, why.shape)[some]
        parts = _above(signal.rows(some), level, start.rows(some), end.rows(some), c0, c1)
        value[some], lower[some], upper[some] = parts[:3]
        began_s[some] = np.where(np.isfinite(parts[3]), parts[3], began_s[some])
    upper = upper + _outside(signal, start.earliest, end.latest)
    gap_s = signal.longest_gap_s(start.earliest, end.latest)
    holed = gap_s > signal.wide_s + 1e-3
    if holed.any():
        why = np.where(holed & (why == FINE), signal.gap_codes(gap_s * holed, MAYBE_IN_GAP), why)
    value = np.where(why == FINE, np.clip(value, lower, upper), np.nan)
    result = Bounded(value, lower, upper, why.astype(np.int16), began_s)
    absent = _absent(signal, start.happened & end.happened, why, missing)
    return result.where(there & signal.recorded, absent)


def _perhaps_above(
    signal: Signal, threshold: float | np.ndarray, begin: np.ndarray, stop: np.ndarray, c0: int, c1: int
) -> np.ndarray:
    """(n,) true where some sample in the window may be above, or is missing."""
    if c1 - c0 < 2:
        return np.zeros(len(begin), bool)
    level = np.asarray(threshold, np.float32)[..., None] - np.float32(signal.tolerance)
    some = signal.between(c0, c1)
    inside = some.inside(begin - c0, stop - c0)
    return np.asarray((inside & ((some.values > level) | ~signal.valid[:, c0:c1])).any(axis=1))


def _above(
    signal: Signal, threshold: np.ndarray, start: Instants, end: Instants, c0: int, c1: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Best, least and most time above, and when it began, from the stretches between columns c0 to c1."""
    a, b = _sampled_neighbours(signal, c0, c1)
    level = threshold.astype(np.float32)[:, None]
    top = np.maximum(a, b) - level
    sure = np.minimum(a, b) - level > signal.tolerance
    possible = (top > -signal.tolerance) | np.isnan(top) & _within(signal, c0, c1)
    row, k = np.nonzero(possible)  # all that counts lies in these stretches
    left, lag_s, width = signal.start_s[row] + (c0 + k) * signal.step_s, signal.lag_s[row], signal.step_s
    high, low = top[row, k], np.minimum(a[row, k], b[row, k]) - level[row, 0]
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip(np.where(high > low, high / (high - low), high > 0), 0, 1)
    value = np.where(np.isnan(high), 0, share * _overlap(left - lag_s / 2, width, start.best[row], end.best[row]))
    rises_s = np.where(a[row, k] < b[row, k], (1 - share) * width, 0)
    above_s = np.clip(left - lag_s / 2 + rises_s, start.best[row], end.best[row])
    began_s = np.full(len(top), np.inf)
    np.minimum.at(began_s, row[value > 0], above_s[value > 0])
    least = np.where(sure[row, k], _overlap(left, width, start.latest[row], end.earliest[row]), 0)
    most = _overlap(left, width, start.earliest[row], end.latest[row])
    if lag_s.any():  # the last sample of a run may be older than its stamp; so may the first one behind it
        edge = np.zeros((len(top), 1), bool)
        ends, begins = sure & ~np.hstack([sure[:, 1:], edge]), possible & ~np.hstack([edge, possible[:, :-1]])
        behind = _overlap(left + width - lag_s, lag_s, start.latest[row], end.earliest[row])
        least -= np.where(ends[row, k], behind, 0)
        most += np.where(begins[row, k], _overlap(left - lag_s, lag_s, start.earliest[row], end.latest[row]), 0)
    each = (np.bincount(row, weights=x, minlength=len(top)) for x in (value, least, most))
    best, shortest, longest = each
    return best, np.maximum(shortest, 0), longest, began_s


def _within(signal: Signal, c0: int, c1: int) -> np.ndarray:
    """(n, c1 - c0 - 1) true for stretches between the first and the last sample."""
    columns = np.arange(c0, c1 - 1)
    return (columns >= signal.first_column[:, None]) & (columns < signal.last_column[:, None])


def _outside(signal: Signal, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
    """Seconds of a window that lie before the first sample or after the last."""
    ahead = np.minimum(signal.time(signal.first_column), to_s) - from_s
    behind = to_s - np.maximum(signal.time(signal.last_column) - signal.lag_s, from_s)
    return np.where(signal.recorded, np.fmax(ahead, 0) + np.fmax(behind, 0), np.fmax(to_s - from_s, 0))


def _sampled_neighbours(signal: Signal, c0: int, c1: int) -> tuple[np.ndarray, np.ndarray]:
    """For each stretch between two columns, the samples at or before it and at or after it; NaN where there is none."""
    if not signal.holed.any():
        values = np.where(signal.valid[:, c0:c1], signal.values[:, c0:c1], np.float32(np.nan))
        return values[:, :-1], values[:, 1:]
    left, right = signal.previous[:, c0 : c1 - 1], signal.following[:, c0 + 1 : c1]
    known = (left >= 0) & (right < len(signal.columns))
    known &= (right - left) * signal.step_s <= signal.wide_s + 1e-3
    values = signal.values.astype(np.float32, copy=False)
    a = np.take_along_axis(values, np.maximum(left, 0), axis=1)
    b = np.take_along_axis(values, np.minimum(right, len(signal.columns) - 1), axis=1)
    return np.where(known, a, np.nan), np.where(known, b, np.nan)


def _overlap(left: np.ndarray, width: float | np.ndarray, start_s: np.ndarray, end_s: np.ndarray) -> np.ndarray:
    """How much of stretches lies between two times, s; 0 where a time is not known."""
    with np.errstate(invalid="ignore"):
        overlap = np.minimum(left + width, end_s) - np.maximum(left, start_s)
    return np.fmax(overlap, 0)
