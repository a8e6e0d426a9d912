"""The vertical jolt of first contact: where normal acceleration leaves the calm of the flare, sharply and far enough.

Used to narrow what the air/ground discretes leave open. A slow rise, a flare or a gust that is not sharp, and a jolt
that does not stand out of the turbulence before it, say nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fdm.signal import Signal

JOLT_G = 0.12  # departure from the calm that counts as a jolt, and in multiples of the calm's own scatter
JOLT_SCATTERS = 5.0
STIR_G = 0.04  # departure from which the calm is over
STIR_SCATTERS = 3.0
SHARP_S = 0.5  # from the calm to the jolt at the most; a flare and a soft landing take longer
SLOW_S = 0.25  # a strut may be loaded so long before normal acceleration shows it
CALM_S = 2.5  # the calm is judged over so long
COARSEST_S = 0.26  # sampled less often than this, a jolt may be missed


@dataclass(frozen=True)
class Jolt:
    """Where contact was by the jolt.

    found            (n,) true where a jolt stands out
    earliest, latest (n,) between the last calm and the first sample of the jolt
    """

    found: np.ndarray
    earliest: np.ndarray
    latest: np.ndarray


def jolt_between(signal: Signal, from_s: np.ndarray, to_s: np.ndarray, least_g: float = JOLT_G) -> Jolt:
    """The first jolt in [from_s, to_s], against the calm just before `from_s`."""
    time_s = signal.start_s[:, None] + signal.columns * signal.step_s
    calm, scatter = _calm(signal, from_s - CALM_S, from_s)
    with np.errstate(invalid="ignore"):
        away = signal.values - calm[:, None]
        inside = (time_s > from_s[:, None]) & (time_s <= to_s[:, None])
        stirred = inside & (np.abs(away) > np.maximum(STIR_G, STIR_SCATTERS * scatter)[:, None])
        jolted = inside & (away > np.maximum(least_g, JOLT_SCATTERS * scatter)[:, None])
    first_stir, first_jolt = np.argmax(stirred, axis=1), np.argmax(jolted, axis=1)
    earliest = signal.time(first_stir - 1) - signal.lag_s - SLOW_S
    latest = signal.time(first_jolt)
    sharp = latest - signal.time(first_stir) <= SHARP_S
    whole = signal.longest_gap_s(from_s - CALM_S, latest) <= 1.5 * signal.step_s
    found = jolted.any(axis=1) & ~np.isnan(scatter) & sharp & whole
    return Jolt(found, np.where(found, earliest, np.nan), np.where(found, latest, np.nan))


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
