"""A handful of questions asked of a parameter, of every landing of a batch at once, in NumPy.

A `Signal` is a matrix (n landings, m samples) on a regular grid per landing. Times are seconds relative to the
landing's anchor. A change seen between two samples happened after the first and not after the second; a sample may
itself be up to `lag_s` older than its stamp; an analogue value may differ from the true one by its tolerance.
Instants and values carry bounds made of exactly these three. Results that cannot be had are NaN with a reason code.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fdm.bounded import FINE, Bounded, Instants

LONGEST_BRIDGE_S = 3.0  # a gap in a steadily changing value that may be bridged by a straight line


@dataclass(frozen=True)
class Signal:
    """One parameter of a batch.

    values     (n, m) float, NaN missing; or int8, negative missing
    start_s    (n,) time of column 0; step_s, sampling step
    lag_s      (n,) a sample may be this much older than its stamp
    tolerance  half-width within which a value may differ from the true one, in its unit
    """

    name: str
    values: np.ndarray
    start_s: np.ndarray
    step_s: float
    lag_s: np.ndarray
    tolerance: float

    @cached_property
    def valid(self) -> np.ndarray:
        """(n, m) true where a sample was recorded."""
        return self.values >= 0 if self.values.dtype == np.int8 else ~np.isnan(self.values)

    @cached_property
    def columns(self) -> np.ndarray:
        """(m,) column numbers."""
        return np.arange(self.values.shape[1])

    def time(self, index: np.ndarray) -> np.ndarray:
        """Stamp of each landing's sample `index` (n,)."""
        return self.start_s + index * self.step_s

    def index_from(self, time_s: np.ndarray) -> np.ndarray:
        """First column at or after a time, clipped to [0, m]; m where the time is missing."""
        raw = np.ceil((time_s - self.start_s) / self.step_s - 1e-4)
        return np.clip(np.where(np.isnan(raw), np.inf, raw), 0, self.values.shape[1]).astype(np.int64)

    @cached_property
    def bridged(self) -> np.ndarray:
        """(n, m) values with short gaps bridged linearly; NaN stays in long gaps, before the first and after the last."""
        values = self.values.astype(np.float32) if self.values.dtype == np.int8 else self.values
        inside = self.valid
        last = inside.shape[1] - 1 - np.argmax(inside[:, ::-1], axis=1)
        first = np.argmax(inside, axis=1)
        holes = inside.sum(axis=1) < last - first + 1
        if not holes.any():
            return values
        values = values.copy()
        for row in np.flatnonzero(holes):
            _bridge(values[row], int(LONGEST_BRIDGE_S / self.step_s))
        return values


def _bridge(values: np.ndarray, longest: int) -> None:
    known = np.flatnonzero(~np.isnan(values))
    for left, right in zip(known[:-1], known[1:], strict=True):
        if 1 < right - left <= longest:
            values[left : right + 1] = np.linspace(values[left], values[right], right - left + 1)


def _pick(matrix: np.ndarray, index: np.ndarray) -> np.ndarray:
    return matrix[np.arange(len(matrix)), np.clip(index, 0, matrix.shape[1] - 1)]


def _nearest(flags: np.ndarray, index: np.ndarray, step: int) -> np.ndarray:
    """Walk from `index` by `step` until `flags` holds; -1 or m when it never does."""
    index, end = index.copy(), flags.shape[1]
    rows = np.arange(len(flags))
    while True:
        out = (index < 0) | (index >= end)
        go = ~out & ~flags[rows, np.clip(index, 0, end - 1)]
        if not go.any():
            return np.where(out, -1 if step < 0 else end, index)
        index[go] += step


def _window(signal: Signal, after_s: np.ndarray, until_s: np.ndarray | None) -> np.ndarray:
    inside = signal.columns >= signal.index_from(after_s)[:, None]
    if until_s is not None:
        stop = signal.index_from(np.where(np.isnan(until_s), np.inf, until_s + 1e-4))
        inside &= signal.columns < stop[:, None]
    return inside


def first(
    signal: Signal, holds: np.ndarray, after_s: np.ndarray, until_s: np.ndarray | None = None, *, missing: int
) -> Instants:
    """When a condition (n, m) first held, looking at samples in [after_s, until_s].

    It began after the last recorded sample before, and not after the first sample that shows it.
    """
    found_in = holds & _window(signal, after_s, until_s)
    k = np.argmax(found_in, axis=1)
    found = _pick(found_in, k)
    before = _nearest(signal.valid, k - 1, -1)
    return _instants(signal, before, k, found & (before >= 0), missing)


def last(
    signal: Signal, holds: np.ndarray, after_s: np.ndarray, until_s: np.ndarray | None = None, *, missing: int
) -> Instants:
    """When a condition (n, m) ended for good: after the last sample that shows it, not after the next recorded one.

    Missing where it never held in [after_s, until_s] or where no sample follows.
    """
    found_in = holds & _window(signal, after_s, until_s)
    k = signal.values.shape[1] - 1 - np.argmax(found_in[:, ::-1], axis=1)
    found = _pick(found_in, k)
    following = _nearest(signal.valid, k + 1, 1)
    return _instants(signal, k, following, found & (following < signal.values.shape[1]), missing)


def _instants(signal: Signal, before: np.ndarray, behind: np.ndarray, found: np.ndarray, missing: int) -> Instants:
    earliest = signal.time(before) - signal.lag_s
    latest = signal.time(behind)
    best = (earliest + latest) / 2
    return Instants(best, earliest, latest, np.zeros(len(found), np.int16)).where(found, missing)


def crossing(
    signal: Signal,
    threshold: float | np.ndarray,
    after_s: np.ndarray,
    until_s: np.ndarray | None = None,
    *,
    rising: bool,
    missing: int,
    final: bool = False,
) -> Instants:
    """When a value first (or, `final`, for the last time) passed a threshold, interpolated between its two samples.

    threshold  number or (n,). Rising: to at or above it; falling: to at or below it. The bounds reach out to the
    nearest samples that lie beyond the threshold by more than the tolerance.
    """
    level = np.asarray(threshold, np.float32)[..., None]
    sign = 1.0 if rising else -1.0
    height = sign * (signal.values.astype(np.float32, copy=False) - level)  # below zero before, above after
    if final:
        inside = (height < 0) & _window(signal, after_s, until_s)
        p = height.shape[1] - 1 - np.argmax(inside[:, ::-1], axis=1)
        found = _pick(inside, p)
        k = _nearest(signal.valid, p + 1, 1)
        found &= k < height.shape[1]
    else:
        inside = (height >= 0) & _window(signal, after_s, until_s)
        k = np.argmax(inside, axis=1)
        found = _pick(inside, k)
        p = _nearest(signal.valid, k - 1, -1)
        found &= p >= 0
    low, high = _pick(height, p), _pick(height, k)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.clip(np.where(high > low, -low / (high - low), 1.0), 0, 1)
    best = signal.time(p) + share * (signal.time(k) - signal.time(p)) - signal.lag_s / 2
    sure_before = np.maximum(_nearest(signal.valid & ~(height > -signal.tolerance), p, -1), 0)
    sure_behind = np.minimum(_nearest(signal.valid & ~(height < signal.tolerance), k, 1), height.shape[1] - 1)
    earliest = signal.time(sure_before) - signal.lag_s
    latest = np.maximum(signal.time(sure_behind), best)
    return Instants(best, np.minimum(earliest, best), latest, np.zeros(len(best), np.int16)).where(found, missing)


def value_at(signal: Signal, when: Instants, *, missing: int) -> Bounded:
    """A value at an instant, interpolated; bounds over all samples that the instant's own bounds reach."""
    best = interpolate(signal, when.best)
    ends = [interpolate(signal, when.earliest - 0.0), interpolate(signal, when.latest + signal.lag_s)]
    low, high = np.fmin(best, np.fmin(*ends)), np.fmax(best, np.fmax(*ends))
    low, high = _extremes_between(signal, when.earliest, when.latest + signal.lag_s, low, high)
    found = ~np.isnan(best)
    why = np.where(when.why != FINE, when.why, np.where(found, FINE, missing)).astype(np.int16)
    return Bounded(best, low - signal.tolerance, high + signal.tolerance, why, when.best).where(found, missing)


def interpolate(signal: Signal, time_s: np.ndarray) -> np.ndarray:
    """Values (n,) at one time per landing; NaN outside the recording or in a long gap."""
    values = signal.bridged
    position = (time_s - signal.start_s) / signal.step_s
    known = (position >= 0) & (position <= values.shape[1] - 1)
    position = np.where(known, position, 0)
    left = np.floor(position).astype(np.int64)
    share = position - left
    a = _pick(values, left)
    b = np.where(share > 1e-4, _pick(values, left + 1), a)
    return np.where(known, a + share * (b - a), np.nan)


def _extremes_between(
    signal: Signal, from_s: np.ndarray, to_s: np.ndarray, low: np.ndarray, high: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    k, end = signal.index_from(from_s), signal.index_from(to_s)
    while (k < end).any():
        here = np.where(k < end, _pick(signal.bridged, k), np.nan)
        low, high = np.fmin(low, here), np.fmax(high, here)
        k = k + 1
    return low, high


def highest(signal: Signal, start: Instants, end: Instants, *, missing: int) -> Bounded:
    """Highest value between two instants.

    At least what the samples certainly inside show; at most what those possibly inside, and one more on either
    side, show.
    """
    sure = _peak(signal, start.latest, end.earliest, 0)
    best = _peak(signal, start.best, end.best, 0)
    most = _peak(signal, start.earliest, end.latest, 1)
    best = np.fmax(best, sure)
    best = np.where(np.isnan(best), np.fmax(interpolate(signal, start.best), interpolate(signal, end.best)), best)
    found = ~np.isnan(best)
    why = np.where(start.why != FINE, start.why, end.why)
    lower = np.where(np.isnan(sure), -np.inf, sure) - signal.tolerance
    result = Bounded(best, np.minimum(lower, best), np.fmax(most, best) + signal.tolerance, why, start.best)
    return result.where(found & (why == FINE), missing)


def _peak(signal: Signal, from_s: np.ndarray, to_s: np.ndarray, margin: int) -> np.ndarray:
    begin = signal.index_from(from_s) - margin
    end = signal.index_from(to_s + 1e-4) + margin
    c0, c1 = _columns(begin, end, signal.values.shape[1])
    columns = signal.columns[c0:c1]
    inside = (columns >= begin[:, None]) & (columns < end[:, None]) & signal.valid[:, c0:c1]
    if not inside.size:
        return np.full(len(begin), np.nan)
    peak = np.where(inside, signal.values[:, c0:c1], -np.inf).max(axis=1)
    return np.where(np.isneginf(peak), np.nan, peak)


def _columns(begin: np.ndarray, end: np.ndarray, width: int) -> tuple[int, int]:
    """The columns that any landing's window touches."""
    some = begin < end
    if not some.any():
        return 0, 0
    return max(int(begin[some].min()), 0), min(int(end[some].max()), width)


def time_above(signal: Signal, threshold: float | np.ndarray, start: Instants, end: Instants, *, gap: int) -> Bounded:
    """Total time that a value was above a threshold between two instants, s.

    For certain: intervals between neighbouring samples that are both clearly above, within the certain window.
    At most: those with either one possibly above, within the possible window. A window with more than two sampling
    steps missing has no best value, only bounds. A discrete's threshold is 0.5.
    """
    begin = np.floor(np.nan_to_num((start.earliest - signal.start_s) / signal.step_s, nan=0)).astype(np.int64) - 1
    stop = signal.index_from(end.latest) + 1
    c0, c1 = _columns(begin, stop, signal.values.shape[1])
    zeros = np.zeros(len(begin))
    why = np.where(start.why != FINE, start.why, end.why)
    if c1 - c0 < 2:
        return Bounded(zeros, zeros, zeros, why, start.best).where(why == FINE, gap)
    height = signal.values[:, c0:c1].astype(np.float32) - np.asarray(threshold, np.float32)[..., None]
    height[~signal.valid[:, c0:c1]] = np.nan
    a, b = height[:, :-1], height[:, 1:]
    with np.errstate(invalid="ignore", divide="ignore"):
        top, bottom = np.maximum(a, b), np.minimum(a, b)
        share = np.clip(np.where(top > bottom, top / (top - bottom), top > 0), 0, 1)
    unknown = np.isnan(a) | np.isnan(b)
    left = signal.start_s[:, None] + (c0 + np.arange(c1 - c0 - 1, dtype=np.float32)) * signal.step_s
    best_s = _overlap(left, signal.step_s, start.best, end.best)
    sure_s = _overlap(left, signal.step_s, start.latest, end.earliest)
    most_s = _overlap(left - signal.lag_s[:, None], signal.step_s + signal.lag_s[:, None], start.earliest, end.latest)
    tolerance = signal.tolerance
    value = np.where(unknown, 0, share * best_s).sum(axis=1)
    lower = np.where(~unknown & (bottom > tolerance), sure_s, 0).sum(axis=1)
    upper = np.where(unknown | (top > -tolerance), most_s, 0).sum(axis=1)
    lower = np.maximum(lower - signal.lag_s, 0)
    patchy = np.where(unknown, best_s, 0).sum(axis=1) > 2 * signal.step_s
    result = Bounded(np.clip(value, lower, upper), lower, upper, why, start.best).where(why == FINE, gap)
    return Bounded(
        np.where(patchy, np.nan, result.value),
        result.lower,
        result.upper,
        np.where(patchy & (result.why == FINE), np.int16(gap), result.why),
        result.at,
    )


def _overlap(left: np.ndarray, width: float | np.ndarray, start_s: np.ndarray, end_s: np.ndarray) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        overlap = np.minimum(left + width, end_s[:, None]) - np.maximum(left, start_s[:, None])
    return np.maximum(np.nan_to_num(overlap, nan=0.0), 0)
