"""When something happened: three questions asked of a parameter, of every landing of a batch at once, in NumPy.

Times are seconds relative to the landing's anchor. A change seen between two samples happened after the first and not
after the second; a sample may itself be up to `lag_s` older than its stamp; an analogue value may differ from the true
one by its tolerance. Instants carry bounds made of exactly these three.

Samples may be missing. A change that falls into a long gap keeps its bounds but has no best time; nothing is said
never to have happened across a long gap. Results that cannot be had are NaN with a reason code.
"""

from __future__ import annotations

import numpy as np

from fdm.bounded import Instants
from fdm.signal import ALREADY, IN_GAP, MAYBE_IN_GAP, UNSEEN_S, Signal, nearest_column, pick_column


def _window(signal: Signal, after_s: np.ndarray, until_s: np.ndarray | None) -> np.ndarray:
    return signal.inside(signal.index_from(after_s), None if until_s is None else signal.index_past(until_s))


def first(
    signal: Signal, holds: np.ndarray, after_s: np.ndarray, until_s: np.ndarray | None = None, *, missing: int
) -> Instants:
    """When a condition (n, m) of samples began to hold, looking at samples in [after_s, until_s].

    It began after the last sample that does not show it, and not after the next one. Where it held as the window
    opened, it began before. `missing` is the reason where it never held.
    """
    inside = holds & _window(signal, after_s, until_s)
    k = np.argmax(inside, axis=1)
    found = pick_column(inside, k)
    before = np.where(found, nearest_column(signal.valid & ~holds, k - 1, -1), k - 1)
    behind = np.where(found, nearest_column(holds, before + 1, 1), k)
    return _instants(signal, before, behind).where(found, _never(signal, after_s, until_s, missing))


def last(
    signal: Signal, holds: np.ndarray, after_s: np.ndarray, until_s: np.ndarray | None = None, *, missing: int
) -> Instants:
    """When a condition (n, m) of samples that held in [after_s, until_s] ended for good.

    It ended after the last sample that shows it, and not after the next one. `missing` is the reason where it never
    held, and where it still held at the last sample.
    """
    inside = holds & _window(signal, after_s, until_s)
    k = signal.values.shape[1] - 1 - np.argmax(inside[:, ::-1], axis=1)
    held = pick_column(inside, k)
    following = np.where(held, nearest_column(signal.valid & ~holds, k + 1, 1), k + 1)
    found = held & (following < signal.values.shape[1])
    before = np.where(found, nearest_column(holds, following - 1, -1), k)
    return _instants(signal, before, following).where(found, _never(signal, after_s, until_s, missing))


def _instants(signal: Signal, before: np.ndarray, behind: np.ndarray) -> Instants:
    latest = signal.time(behind)
    earliest = np.where(before >= 0, signal.time(before) - signal.lag_s, -np.inf)
    return _doubtful(signal, Instants((earliest + latest) / 2, earliest, latest, np.zeros(len(latest), np.int16)))


def _doubtful(signal: Signal, when: Instants, bracket_s: np.ndarray | None = None) -> Instants:
    """No best time where the change fell into a gap, or came before the first sample."""
    bracket_s = when.latest - when.earliest - signal.lag_s if bracket_s is None else bracket_s
    wide = bracket_s > signal.wide_s + 1e-3
    if not wide.any():
        return when
    already = np.isneginf(when.earliest)
    codes = signal.gap_codes(np.where(already, 0, bracket_s) * wide, IN_GAP)
    codes = np.where(already, signal.reasons.code(ALREADY.format(name=signal.name)), codes)
    best, why = np.where(wide, np.nan, when.best), np.where(wide, codes, when.why)
    return Instants(best, when.earliest, when.latest, why.astype(np.int16))


def _never(signal: Signal, after_s: np.ndarray, until_s: np.ndarray | None, missing: int) -> np.ndarray:
    """Reason codes of what was not seen: `missing`, unless it may have happened in a gap, or nothing was recorded."""
    end_s = signal.time(signal.last_column) if signal.end_s is None else signal.end_s
    to_s = end_s if until_s is None else np.fmin(until_s, end_s)
    gap_s = signal.longest_gap_s(np.maximum(after_s, signal.start_s), to_s)
    long = gap_s > max(UNSEEN_S, signal.wide_s) + 1e-3
    codes = np.full(len(after_s), missing, np.int16)
    if long.any():
        codes = np.where(long, signal.gap_codes(gap_s * long, MAYBE_IN_GAP), codes)
    if not signal.recorded.all():
        codes = np.where(signal.recorded, codes, signal.absent_codes)
    return codes.astype(np.int16)


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
    """When a value passed a threshold, interpolated between its two samples: first, or (`final`) for the last time.

    threshold  number or (n,). Rising: to at or above it; falling: to at or below it. The bounds reach out to the
    nearest samples that lie beyond the threshold by more than the tolerance. Where the value was beyond it as the
    window opened, it passed before. `missing` is the reason where it never passed.
    """
    level = np.asarray(threshold, np.float32)[..., None]
    sign = np.float32(1 if rising else -1)
    height = sign * (signal.values.astype(np.float32, copy=False) - level)  # below zero before, above after
    window, width = _window(signal, after_s, until_s), height.shape[1]
    if final:
        inside = (height < 0) & window
        p = width - 1 - np.argmax(inside[:, ::-1], axis=1)
        k = nearest_column(signal.valid, p + 1, 1)
        found = pick_column(inside, p) & (k < width) & (pick_column(height, k) >= 0)
    else:
        inside = (height >= 0) & window
        k = np.argmax(inside, axis=1)
        found = pick_column(inside, k)
        p = np.where(found, nearest_column(height < 0, k - 1, -1), k - 1)
        k = np.where(found, nearest_column(height >= 0, p + 1, 1), k)
    when = _bracketed(signal, height, p, k, found)
    return when.where(found, _never(signal, after_s, until_s, missing))


def _passed_between(signal: Signal, height: np.ndarray, p: np.ndarray, k: np.ndarray) -> np.ndarray:
    """Best time of passing zero between samples p and k.

    Going on with the slope before p, coming from the slope behind k, and half-way, as far as the rise between p and k
    is more than these slopes account for: a jump between two levels may have come at any time between its samples.
    """
    low, high = pick_column(height, p), pick_column(height, k)
    steps, rise = np.maximum(k - p, 1), np.maximum(high - low, 1e-6)
    width = height.shape[1]
    slope_p = np.where(p >= 1, low - pick_column(height, p - 1), 0) * steps
    slope_k = np.where(k + 1 < width, pick_column(height, k + 1) - high, 0) * steps
    weight_p, weight_k = (np.nan_to_num(np.clip(slope, 0, rise), nan=0.0) for slope in (slope_p, slope_k))
    weight_half = np.maximum(rise - weight_p - weight_k, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        share_p = np.clip(-low / np.fmax(slope_p, rise), 0, 1)
        share_k = np.clip(1 - high / np.fmax(slope_k, rise), 0, 1)
        weighted = weight_p * share_p + weight_k * share_k + weight_half / 2
        share = weighted / (weight_p + weight_k + weight_half)
    return signal.time(p) + share * steps * signal.step_s


def _bracketed(signal: Signal, height: np.ndarray, p: np.ndarray, k: np.ndarray, found: np.ndarray) -> Instants:
    """The crossing between samples p (below zero) and k (not below); p is -1 where it was above from the beginning."""
    best = _passed_between(signal, height, p, k) - signal.lag_s / 2
    bracket_s = np.where(p >= 0, signal.time(k) - signal.time(p), np.inf)
    sure_p = nearest_column(signal.valid & ~(height > -signal.tolerance), np.where(found, p, -1), -1)
    sure_k = nearest_column(signal.valid & ~(height < signal.tolerance), np.where(found, k, height.shape[1]), 1)
    earliest = signal.time(np.maximum(sure_p, signal.first_column)) - signal.lag_s
    latest = np.maximum(signal.time(np.minimum(sure_k, signal.last_column)), best)
    earliest = np.where(p >= 0, np.minimum(earliest, best), -np.inf)
    when = Instants(best, earliest, latest, np.zeros(len(best), np.int16))
    return _doubtful(signal, when, np.where(found, bracket_s, 0))
