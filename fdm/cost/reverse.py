"""How reverse power was used: highest N1, and when and at what speed it was reduced."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fdm.cost.rolls import STEP_S, Rolls

NEARLY, NEARLY_SHARE = 0.025, 0.08  # N1, as a fraction, so close to its highest (and by this share) is at its highest
POWER = 0.08  # N1 above idle, as a fraction, from which reverse counts as powered
LEVER_NEARLY, LEVER_S = 0.04, 1.5  # the lever was held so near its furthest travel for so long: it was set there
STEADY_S = 2.5  # N1 was near its highest for so long: it had stopped rising


@dataclass(frozen=True)
class Use:
    """(n, e) each.

    deployed       cell in which the reverser arrived, a large number where it never did
    top            highest N1 above idle while deployed
    powered        whether that was beyond idle
    reduce         edge (cell number) at which power began to be reduced; where it was not powered, the stow
    reduce_mps     ground speed there; 0 where nothing was reduced before the end
    steady         whether N1 had stopped rising when it was reduced
    lever          furthest travel at which the lever was held while deployed; NaN where not recorded
    """

    deployed: np.ndarray
    top: np.ndarray
    powered: np.ndarray
    reduce: np.ndarray
    reduce_mps: np.ndarray
    steady: np.ndarray
    lever: np.ndarray


NEVER_CELL = 10_000


def use_of(rolls: Rolls, idle_n1: float) -> Use:
    """Use of reverse by landing and engine."""
    u = rolls.n1 - idle_n1
    cells = np.arange(u.shape[1])[None, :, None]
    out = (rolls.sleeve > 0.99) & rolls.used[:, :, None]
    any_ = out.any(axis=1)
    top = np.where(out, u, -1.0).max(axis=1)
    powered = any_ & (top > POWER)
    high = out & (u > (top - np.clip(NEARLY_SHARE * top, 0.005, NEARLY))[:, None, :])
    last = np.where(high, cells, -1).max(axis=1)
    first = np.where(high, cells, NEVER_CELL).min(axis=1)
    last_out = np.where(out, cells, -1).max(axis=1)
    end = rolls.used.sum(axis=1)[:, None]
    reduce = np.where(powered, last + 1, last_out + 1)
    reduced = any_ & (reduce < end)
    edge = np.minimum(reduce, rolls.speed_mps.shape[1] - 1)
    speed = np.take_along_axis(rolls.speed_mps, edge, axis=1)
    return Use(
        deployed=np.where(any_, np.where(out, cells, NEVER_CELL).min(axis=1), NEVER_CELL),
        top=np.where(any_, top, 0.0),
        powered=powered,
        reduce=np.where(any_, reduce, NEVER_CELL),
        reduce_mps=np.where(reduced, speed, 0.0),
        steady=powered & ((last - first + 1) * STEP_S >= STEADY_S),
        lever=_furthest(rolls.lever, out),
    )


def _furthest(lever: np.ndarray, out: np.ndarray) -> np.ndarray:
    """Furthest lever position in the cells marked; NaN where it was not held for LEVER_S, or is not known."""
    known = np.where(out & ~np.isnan(lever), lever, -1.0)
    found = known.max(axis=1)
    held = (known > found[:, None, :] - LEVER_NEARLY).sum(axis=1) * STEP_S >= LEVER_S
    return np.where((found >= 0) & held, found, np.nan)
