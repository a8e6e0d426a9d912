"""The vertical jolt of first contact: where normal acceleration rises sharply out of the calm of the flare.

Used to narrow what the air/ground discretes leave open. A slow rise, as of a flare or of a soft landing on long struts,
and a jolt that does not stand out of the turbulence before it say nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fdm.signal import Signal, nearest_column, pick_column

JOLT_G = 0.12  # rise that counts as a jolt, and in multiples of the calm's own scatter
JOLT_SCATTERS = 5.0
SHARP_S = 0.3  # it must rise within so long; a flare and a soft landing take longer
ABOVE_CALM_G = 0.08  # and rise above what the calm showed
STIR_G = 0.04  # contact was before this much of the rise is seen
SLOW_S = 0.25  # a strut may be loaded so long before normal acceleration shows it
CALM_S = 2.5  # the calm is judged over so long
COARSEST_S = 0.26  # sampled less often than this, a jolt may be missed


@dataclass(frozen=True)
class Jolt:
    """Where contact was by the jolt.

    found            (n,) true where a jolt stands out
    earliest, latest (n,) from a little before the last calm sample to the first of the jolt
    best             (n,) between these two samples
    """

    found: np.ndarray
    earliest: np.ndarray
    best: np.ndarray
    latest: np.ndarray

    def instead(self, other: Jolt, rows: np.ndarray) -> Jolt:
        """This one, and another on some landings."""
        mine, others = ((jolt.found, jolt.earliest, jolt.best, jolt.latest) for jolt in (self, other))
        return Jolt(*(np.where(rows, b, a) for a, b in zip(mine, others, strict=True)))


def jolt_between(signal: Signal, from_s: np.ndarray, to_s: np.ndarray, least_g: float = JOLT_G) -> Jolt:
    """The first jolt in [from_s, to_s], against the calm just before `from_s`."""
    signal = signal.part(from_s - CALM_S - signal.step_s, to_s + signal.step_s)
    calm, scatter = _calm(signal, from_s - CALM_S, from_s)
    low = _lowest_before(signal)
    begin, end = signal.index_past(from_s)[:, None], signal.index_past(to_s)[:, None]
    with np.errstate(invalid="ignore"):
        rises = signal.values - low > np.maximum(least_g, JOLT_SCATTERS * scatter)[:, None]
        rises &= signal.values - calm[:, None] > ABOVE_CALM_G
        rises &= (signal.columns >= begin) & (signal.columns < end)
        k = np.argmax(rises, axis=1)
        quiet = signal.values <= pick_column(low, k)[:, None] + STIR_G
    last_quiet = nearest_column(quiet, k - 1, -1)
    latest = signal.time(k)
    whole = signal.longest_gap_s(from_s - CALM_S, latest) <= 1.5 * signal.step_s
    found = rises.any(axis=1) & whole
    calm_s = signal.time(last_quiet) - signal.lag_s
    moments = (calm_s - SLOW_S, (calm_s + latest) / 2, latest)
    return Jolt(found, *(np.where(found, x, np.nan) for x in moments))


def rise_of(signal: Signal) -> np.ndarray:
    """(n, m) how far each sample has risen within SHARP_S, g; NaN where a sample is missing."""
    return np.asarray(signal.values - _lowest_before(signal))


def _lowest_before(signal: Signal) -> np.ndarray:
    """(n, m) lowest of the samples within SHARP_S before each; NaN where one is missing."""
    samples = max(1, round(SHARP_S / signal.step_s))
    padded = np.pad(signal.values, ((0, 0), (samples, 0)), constant_values=np.nan)
    width = signal.values.shape[1]
    low = padded[:, :width]
    for shift in range(1, samples):
        low = np.minimum(low, padded[:, shift : shift + width])
    return low


def _calm(signal: Signal, from_s: np.ndarray, to_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and scatter of the samples in a window, NaN where there are too few."""
    begin, end = signal.index_from(from_s)[:, None], signal.index_past(to_s)[:, None]
    inside = (signal.columns >= begin) & (signal.columns < end) & signal.valid
    count: np.ndarray = inside.sum(axis=1)
    enough = count * signal.step_s >= CALM_S / 2
    few = np.maximum(count, 1)
    mean = np.where(inside, signal.values, 0).sum(axis=1, dtype=np.float64) / few
    square = np.where(inside, (signal.values - mean[:, None]) ** 2, 0).sum(axis=1, dtype=np.float64) / few
    return np.where(enough, mean, np.nan), np.where(enough, np.sqrt(square), np.nan)
