"""The automatic brake in a recording: whether it was at work, its target, and where it could not hold it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fdm.cost.rolls import STEP_S, Rolls
from fdm.units import MPS_PER_KT

NO_PRESSURE = 0.012  # share of full below which the automatic brake has let go of all pressure
RAMP_S = 4.0  # from its onset, the pressure is still being built up
ANSWERS = 0.4  # share of the expected change of pressure below which it does not answer: at a limit, or skidding
OFF_TARGET_G = 0.015
RESPONSE_S, RESPONSE_SPREAD = (
    1.0,
    0.4,
)  # closed-loop time constant and its relative scatter (common practice, no source)
STEADY_G = 0.010  # deceleration held as evenly as this, with pressure that varies, is an automatic brake's
VARIED = 0.10  # relative scatter of such a pressure
LETS_GO_KT = 60.0  # where an inferred automatic brake is taken to let go
JUDGE_ABOVE_KT, JUDGE_LEAST_S = 65.0, 5.0


@dataclass(frozen=True)
class Automatic:
    """active   (n, m) at work
    target_g   (n,) NaN where it was not, or never held one
    follows    (n, m) pressure answers to the deceleration: neither at a limit nor without pressure
    short      (n, m) below the target without the pressure answering: at a limit, on a ramp, let off by anti-skid
    release_mps   (n,) ground speed at which it let go; 0 where it never worked
    release    (n,) edge of that
    onset_s    (n,) when it began to work, after first contact; NaN where it never did
    """

    active: np.ndarray
    target_g: np.ndarray
    follows: np.ndarray
    short: np.ndarray
    release_mps: np.ndarray
    release: np.ndarray
    onset_s: np.ndarray


def automatic_of(rolls: Rolls, per_pressure: float) -> Automatic:
    """The automatic brake's work in each rollout; `per_pressure` is the usual braking (g) of full pressure."""
    m = rolls.used.shape[1]
    active = rolls.automatic & rolls.used & (rolls.pressure >= 0)
    worked = active.any(axis=1)
    onset = np.where(worked, np.argmax(active, axis=1) * STEP_S, np.nan)
    after = (np.arange(m) + 0.5) * STEP_S - onset[:, None]
    built = active & (after > RAMP_S)
    pressed = built & (rolls.pressure > NO_PRESSURE)
    target = _upper_middle(rolls.decel_g, pressed)
    off = rolls.decel_g - target[:, None]
    expected = -off / (per_pressure * RESPONSE_S)
    rise = np.gradient(rolls.pressure, STEP_S, axis=1)
    short = active & (off < -OFF_TARGET_G) & (rise < ANSWERS * expected)
    empty = active & (rolls.pressure <= NO_PRESSURE) & ~(off < 0)
    last = np.where(active, np.arange(m), -1).max(axis=1)
    edge = last + 1
    speed = np.take_along_axis(rolls.speed_mps, edge[:, None], axis=1)[:, 0]
    return Automatic(
        active,
        np.where(worked, target, np.nan),
        active & ~short & ~empty,
        short,
        np.where(worked, speed, 0.0),
        np.where(worked, edge, 0),
        onset,
    )


def _upper_middle(values: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """70th percentile of each row's values inside; NaN where there are fewer than four."""
    enough = inside.sum(axis=1) >= 4
    found = np.full(len(values), np.nan)
    if enough.any():
        found[enough] = np.nanpercentile(np.where(inside, values, np.nan)[enough], 70, axis=1)
    return found


def with_inferred(rolls: Rolls) -> Rolls:
    """Rollouts whose automatic brake is not recorded, with it inferred; refused where it shows neither.

    An automatic brake holds the deceleration and lets the pressure vary; a foot holds the pressure and lets the
    deceleration vary. Judged between brakes on and 65 kt.
    """
    unknown = np.flatnonzero(~rolls.automatic_known & (rolls.refused == ""))
    if not len(unknown):
        return rolls
    automatic, refused, notes = rolls.automatic.copy(), rolls.refused.copy(), rolls.notes.copy()
    for i in unknown:
        automatic[i], refused[i] = _inferred(rolls, int(i))
        notes[i] = [*notes[i], "automatic brake not recorded: inferred from deceleration and pressure"]
    return replace(rolls, automatic=automatic, refused=refused, notes=notes)


def _inferred(rolls: Rolls, i: int) -> tuple[np.ndarray, str]:
    """Cells in which one rollout's automatic brake seems to work, and why it cannot be told ("" where it can)."""
    after = (np.arange(rolls.used.shape[1]) + 0.5) * STEP_S
    none = np.zeros(rolls.used.shape[1], bool)
    if np.isnan(rolls.brakes_s[i]):
        return none, ""
    fast = (rolls.speed_mps[i, :-1] > JUDGE_ABOVE_KT * MPS_PER_KT) & rolls.used[i]
    inside = fast & (after > rolls.brakes_s[i] + 3.0) & (rolls.pressure[i] > NO_PRESSURE)
    if inside.sum() * STEP_S < JUDGE_LEAST_S:
        return none, "not recorded: autobrake_active, and the braking is too short to show it"
    pressure = rolls.pressure[i][inside]
    steady, varied = _scatter(rolls.decel_g[i][inside]) < STEADY_G, _scatter(pressure) > VARIED * np.median(pressure)
    if steady == varied:
        on = (after > rolls.brakes_s[i] - STEP_S) & (rolls.speed_mps[i, :-1] > LETS_GO_KT * MPS_PER_KT)
        return (on & rolls.used[i], "") if steady else (none, "")
    return none, "not recorded: autobrake_active, and deceleration and pressure do not show it"


def _scatter(values: np.ndarray) -> float:
    """Half the distance between the 10th and the 90th percentile."""
    low, high = np.percentile(values, [10, 90])
    return float(high - low) / 2
