"""Hops after first contact as normal acceleration shows them: below 1 g for a while, ended by the jolt of coming down.

Air/ground sampled once or twice a second may miss a hop between two samples, or show a lone sample of air that is none.
Rolling, an aeroplane rings about 1 g at a few cycles a second; in the air its lift is less than its weight, and it
stays below 1 g for longer than half a cycle. Thresholds are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fdm.bounded import FINE, Instants
from fdm.jolt import COARSEST_S, JOLT_G, SLOW_S, rise_of
from fdm.signal import Signal, counted, nearest_column, pick_column

AIRBORNE_G = 0.93  # below this ...
HOP_S = 0.45  # ... for so long it was airborne, when a jolt ended it
DOUBT_S = 0.4  # a lone sample of air is believed where it was below for so long
LIGHT_G, LIGHT_S = 0.97, 0.45  # below this for so long it may have been, even if no jolt ended it
LANDED_G = 1.05  # the jolt of coming down goes above this ...
STRUCK_G = 1.15  # struts that ring stay below this
DOWN_JOLT_G = 0.25  # ... by so much from what it was ...
WITHIN_S = 0.4  # ... within so long
UNFELT_S = 0.25  # a hop may last so much longer than it is felt


@dataclass(frozen=True)
class Hops:
    """count, felt_s  (n,) how many, and for how long together
    regained      when the last one ended; missing where there was none
    from_s        (n,) when the last one began
    """

    count: np.ndarray
    felt_s: np.ndarray
    regained: Instants
    from_s: np.ndarray


def usable(signal: Signal | None) -> bool:
    """Whether normal acceleration is sampled often enough to tell."""
    return signal is not None and signal.step_s <= COARSEST_S


def felt_hops(signal: Signal, from_s: np.ndarray, to_s: np.ndarray, none: int) -> Hops:
    """Hops between two times of each landing; `none`: the reason code where there was none."""
    signal = signal.part(from_s, to_s + WITHIN_S)
    inside = signal.inside(signal.index_from(from_s), signal.index_past(to_s))
    run = _run(_low(signal) & inside)
    going_on = np.pad(run[:, 1:] > 0, ((0, 0), (0, 1)))
    ends = (run * signal.step_s >= HOP_S) & ~going_on
    rows = np.flatnonzero(ends.any(axis=1))
    count, felt_s, start_s = (np.zeros(len(run)) for _ in range(3))
    best, earliest, latest = (np.full(len(run), np.nan) for _ in range(3))
    why = np.full(len(run), none, np.int16)
    if len(rows):
        some = signal.rows(rows)
        ends = ends[rows] & (_highest_behind(some) >= np.maximum(LANDED_G, some.values + DOWN_JOLT_G))
        k = ends.shape[1] - 1 - np.argmax(ends[:, ::-1], axis=1)
        up = some.values >= np.maximum(1.0, pick_column(some.values, k) + JOLT_G)[:, None]
        down_s = some.time(nearest_column(up, k + 1, 1))
        hit = ends.any(axis=1)
        count[rows], felt_s[rows] = counted(ends), (run[rows] * ends).sum(axis=1) * some.step_s
        last_s = some.time(k)
        start_s[rows] = last_s - pick_column(run[rows], k) * some.step_s
        earliest[rows] = np.where(hit, last_s - some.lag_s - SLOW_S, np.nan)
        best[rows] = np.where(hit, (last_s + down_s) / 2, np.nan)
        latest[rows] = np.where(hit, down_s, np.nan)
        why[rows] = np.where(hit, FINE, none)
    return Hops(count, felt_s, Instants(best, earliest, latest, why), start_s)


def light_until(signal: Signal, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
    """(n,) when normal acceleration was back from the last time that it was light between two times; -inf: never."""
    signal = signal.part(from_s, to_s + 2 * LIGHT_S)
    inside = signal.inside(signal.index_from(from_s), signal.index_past(to_s + LIGHT_S))
    with np.errstate(invalid="ignore"):
        run = _run((signal.values < LIGHT_G) & inside)
    long = run * signal.step_s >= LIGHT_S
    k = long.shape[1] - 1 - np.argmax(long[:, ::-1], axis=1)
    return np.where(long.any(axis=1), signal.time(k + 1), -np.inf)


def unfelt(signal: Signal, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
    """True for stretches (one for each of the signal's rows) known throughout, in which nothing of a hop was felt."""
    inside = signal.inside(signal.index_from(from_s), signal.index_past(to_s + UNFELT_S))
    low = _low(signal) & inside
    felt = ((_run(low) * signal.step_s >= DOUBT_S) & low).any(axis=1)
    later = signal.inside(signal.index_from((from_s + to_s) / 2))
    with np.errstate(invalid="ignore"):
        jolt = ((rise_of(signal) > 2 * JOLT_G) & (signal.values > STRUCK_G) & inside & later).any(axis=1)
    known = counted(signal.valid & inside) * signal.step_s >= (to_s - from_s) - 2 * signal.step_s
    return np.asarray(known & ~felt & ~jolt)


def _low(signal: Signal) -> np.ndarray:
    with np.errstate(invalid="ignore"):
        return np.asarray(signal.values < AIRBORNE_G)


def _run(flags: np.ndarray) -> np.ndarray:
    """(n, m) how many flags in a row hold up to each column, 0 where it does not."""
    total = np.cumsum(flags, axis=1, dtype=np.int32)
    return np.where(flags, total - np.maximum.accumulate(np.where(flags, 0, total), axis=1), 0)


def _highest_behind(signal: Signal) -> np.ndarray:
    """(n, m) highest of the samples within WITHIN_S after each; NaN where none is there."""
    width = signal.values.shape[1]
    samples = max(1, round(WITHIN_S / signal.step_s))
    padded = np.pad(signal.values, ((0, 0), (0, samples)), constant_values=np.nan)
    return np.fmax.reduce([padded[:, 1 + i : 1 + i + width] for i in range(samples)])
