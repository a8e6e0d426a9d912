"""Parameters of a batch at any moments and on cells; ground speed made smooth, with the accelerometer's help."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded

from fdm.cost.rolls import CELLS, STEP_S
from fdm.signal import Signal
from fdm.steps import Rollout
from fdm.units import MPS2_PER_G, MPS_PER_KT

PARTS = 4  # moments inside a cell over which a value is averaged
SPEED_NOISE_KT = 0.3  # of a recorded ground speed (resolution of 0.5 to 1 kt; common practice, no source)
DRIFT_G_PER_S = 0.004  # how fast the accelerometer's error may change
FREE_G_PER_S = 0.10  # how fast the deceleration itself may change, where no accelerometer shows it
BEFORE_S = 2.0  # samples so long before contact steady the first cells
LEAST_SAMPLES = 8


@dataclass(frozen=True)
class Sampled:
    """A batch asked for values at moments after first contact.

    contact_s   (n,) first contact, on the batch's clock
    """

    batch: Rollout
    contact_s: np.ndarray

    def at(self, name: str, after_s: np.ndarray) -> np.ndarray:
        """A parameter at moments (k,) after contact, (n, k), straight between its samples; NaN where not known."""
        if not self.batch.has(name):
            return np.full((self.batch.n, len(after_s)), np.nan)
        return between(self.batch.signal(name), self.contact_s[:, None] + after_s)

    def cells(self, name: str) -> np.ndarray:
        """A parameter's mean in every cell, (n, CELLS)."""
        parts = self.at(name, MOMENTS_S)
        return parts.reshape(self.batch.n, CELLS, PARTS).mean(axis=2)


MOMENTS_S = (np.arange(CELLS * PARTS) + 0.5) / PARTS * STEP_S


def between(signal: Signal, time_s: np.ndarray) -> np.ndarray:
    """A signal at moments (n, k); the nearest sample's value just outside the recorded ones, NaN far outside."""
    values = signal.bridged.astype(np.float64)
    if signal.values.dtype == np.int8:
        values = np.where(signal.values < 0, np.nan, values)
    first, last = signal.first_column[:, None], signal.last_column[:, None]
    position = (time_s + signal.lag_s[:, None] / 2 - signal.start_s[:, None]) / signal.step_s
    reach = 1.0 / signal.step_s + 1.0
    known = (position > first - reach) & (position < last + reach)
    position = np.clip(np.where(known, position, 0), first, last)
    left = position.astype(np.int64)
    share = position - left
    a = np.take_along_axis(values, left, axis=1)
    b = np.take_along_axis(values, np.minimum(left + 1, values.shape[1] - 1), axis=1)
    return np.where(known, np.where(share > 0, a + share * (b - a), a), np.nan)


def filled(values: np.ndarray) -> np.ndarray:
    """NaN replaced by the last value before, 0 where there is none: what lies behind the recording is never used."""
    index = np.maximum.accumulate(np.where(np.isnan(values), 0, np.arange(values.shape[1])), axis=1)
    return np.nan_to_num(np.take_along_axis(values, index, axis=1))


def smooth_speed_mps(sampled: Sampled) -> np.ndarray:
    """Ground speed at the cells' edges, (n, CELLS + 1): what the accelerometer adds up to, plus a smooth line through
    the rest. NaN where there are too few samples.
    """
    batch, edges = sampled.batch, CELLS + 1
    if not batch.has("ground_speed"):
        return np.full((batch.n, edges), np.nan)
    felt = _felt_g(sampled)
    with_it = ~np.isnan(felt).any(axis=1)
    gained = np.concatenate([np.zeros((batch.n, 1)), np.cumsum(np.nan_to_num(felt), axis=1)], axis=1)
    gained *= STEP_S * MPS2_PER_G * with_it[:, None]
    signal = batch.signal("ground_speed")
    after_s = (signal.start_s - signal.lag_s / 2 - sampled.contact_s)[:, None] + signal.columns * signal.step_s
    speed = np.full((batch.n, edges), np.nan)
    for i in range(batch.n):
        seen = signal.valid[i] & (after_s[i] >= -BEFORE_S) & (after_s[i] <= CELLS * STEP_S)
        if seen.sum() >= LEAST_SAMPLES:
            at = after_s[i, seen] / STEP_S
            rest = signal.values[i, seen] * MPS_PER_KT - np.interp(at, np.arange(edges), gained[i])
            rate = DRIFT_G_PER_S if with_it[i] else FREE_G_PER_S
            speed[i] = gained[i] + smooth_line(at, rest, edges, SPEED_NOISE_KT * MPS_PER_KT, rate)
    return speed


def _felt_g(sampled: Sampled) -> np.ndarray:
    """Acceleration along the runway in every cell, g, from the accelerometers: NX cos(pitch) - NZ sin(pitch)."""
    batch = sampled.batch
    if not (batch.has("longitudinal_acceleration") and batch.has("pitch")):
        return np.full((batch.n, CELLS), np.nan)
    along, normal = (sampled.at(f"{axis}_acceleration", MOMENTS_S) for axis in ("longitudinal", "normal"))
    tilt = np.radians(sampled.at("pitch", MOMENTS_S))
    felt = along * np.cos(tilt) - np.where(np.isnan(normal), 1.0, normal) * np.sin(tilt)
    felt = felt.reshape(batch.n, CELLS, PARTS).mean(axis=2)
    late = np.isnan(felt[:, :20]).any(axis=1)
    return np.where(late[:, None], np.nan, filled(felt))


def smooth_line(at: np.ndarray, values: np.ndarray, size: int, noise: float, rate_g_per_s: float) -> np.ndarray:
    """A line of `size` nodes, STEP_S apart, through values at positions `at` (in nodes).

    The least squares of misfit over `noise` and of change of slope over the rate allowed: Whittaker's graduation
    (Proc. Edinburgh Math. Soc. 41, 1923) with second differences.
    """
    left = np.clip(np.floor(at).astype(np.int64), 0, size - 2)
    share = at - left  # outside the nodes the end's own slope goes on
    weight = 1.0 / noise**2
    bands = np.zeros((3, size))  # upper form: bands[2] the diagonal, bands[1] next above, bands[0] two above
    np.add.at(bands[2], left, weight * (1 - share) ** 2)
    np.add.at(bands[2], left + 1, weight * share**2)
    np.add.at(bands[1], left + 1, weight * share * (1 - share))
    right = np.zeros(size)
    np.add.at(right, left, weight * (1 - share) * values)
    np.add.at(right, left + 1, weight * share * values)
    bend = 1.0 / (rate_g_per_s * MPS2_PER_G * STEP_S**1.5) ** 2
    inner = np.arange(size - 2)
    for i, a in enumerate((1.0, -2.0, 1.0)):
        bands[2][inner + i] += bend * a * a
    bands[1][inner + 1] += bend * -2.0
    bands[1][inner + 2] += bend * -2.0
    bands[0][inner + 2] += bend
    return solveh_banded(bands, right)
