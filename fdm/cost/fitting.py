"""Fitting the point mass to recorded rollouts: what the model is told of each cell, and Gauss-Newton steps."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fdm.cost.forces import DELTA, HIGH, KAPPA, LOW, NAMES, PRIOR_SD, Q0_MPS, SIZE, Inputs, forces, slopes
from fdm.cost.rolls import STEP_S, Rolls

SETTLING_CELLS = 2  # after contact: the wheels spin up, the struts compress
LIFT_SD = 0.12  # of the load factor before contact: the angle of attack is not quite the pitch
KAPPA_SHARE, DELTA_SD = 0.15, 0.004  # how brakes and the lie of the runway differ between landings of one type
MOVING = 2.0  # cells in which a device moves count less: the samples do not say when in the cell it did
STEPS = 8
WALL = 0.05  # softness of the limits of a coefficient, in standard deviations of its prior


@dataclass(frozen=True)
class Scale:
    """What turns a recording's numbers into the model's: usual mass and flap (NaN: not recorded), idle N1 as a
    fraction, and by how many seconds thrust leads N1 as recorded.
    """

    mass_kg: float
    flap_deg: float
    idle_n1: float
    lead_s: float = 0.0

    def omega(self, rolls: Rolls) -> np.ndarray:
        """(n, 1) usual mass over mass; 1 where the mass is not recorded."""
        return np.nan_to_num(self.mass_kg / rolls.mass_kg, nan=1.0)[:, None]

    def inputs(self, rolls: Rolls) -> Inputs:
        """Inputs (n, m) of the rollouts as recorded."""
        omega = self.omega(rolls)
        airspeed = (rolls.speed_mps[:, 1:] + rolls.speed_mps[:, :-1]) / 2 + rolls.wind_mps
        return Inputs(
            q=(np.maximum(airspeed, 0) / Q0_MPS) ** 2 * omega,
            omega=omega,
            spoiler=rolls.spoiler,
            pitch_deg=rolls.pitch_deg,
            flap=self.flap(rolls),
            pressure=rolls.pressure,
            n1=self.power(rolls),
            sleeve=rolls.sleeve,
        )

    def power(self, rolls: Rolls) -> np.ndarray:
        """(n, m, e) N1 above idle, as a fraction, moved ahead by `lead_s` along its own slope."""
        above = rolls.n1 - self.idle_n1
        return np.maximum(above + self.lead_s * np.gradient(above, STEP_S, axis=1), np.minimum(above, 0.0))

    def flap(self, rolls: Rolls) -> np.ndarray:
        """(n, m) flap less the usual, in 10 degrees; 0 where it is not recorded."""
        return np.nan_to_num((rolls.flap_deg - self.flap_deg) / 10, nan=0.0)


def cell_weights(rolls: Rolls, noise_g: float) -> np.ndarray:
    """(n, m) one over the variance of each cell's deceleration; 0 for cells that do not count."""
    moving = np.abs(_change(rolls.spoiler)) > 0.1
    moving |= np.abs(_change(rolls.pressure)) > 0.05
    moving |= (np.abs(_change(rolls.sleeve)) > 0.1).any(axis=2) | (np.abs(_change(rolls.n1)) > 0.06).any(axis=2)
    sd = noise_g * np.where(moving, MOVING, 1.0)
    after = (np.arange(rolls.used.shape[1]) + 0.5) * STEP_S
    counts = rolls.used & (after > np.nan_to_num(rolls.settled_s)[:, None] + SETTLING_CELLS * STEP_S)
    return np.where(counts, 1 / sd**2, 0.0)


def _change(values: np.ndarray) -> np.ndarray:
    """Larger of the changes to a cell and from it, along axis 1."""
    step = np.abs(np.diff(values, axis=1))
    edge = np.zeros_like(values[:, :1])
    return np.maximum(np.concatenate([edge, step], axis=1), np.concatenate([step, edge], axis=1))


@dataclass(frozen=True)
class Misfit:
    """Normal equations of n rollouts at given coefficients: information (n, SIZE, SIZE), pull (n, SIZE)."""

    information: np.ndarray
    pull: np.ndarray


def misfit(rolls: Rolls, scale: Scale, x: Inputs, weights: np.ndarray, c: np.ndarray) -> Misfit:
    """What the cells, and the lift before contact, say about coefficients (n, SIZE)."""
    at = c[:, None, :]
    rest = np.where(weights > 0, rolls.decel_g - forces(at, x).decel_g, 0.0)
    j = slopes(at, x)
    weighted = j * weights[:, :, None]
    information = np.matmul(weighted.transpose(0, 2, 1), j)
    pull = np.matmul(weighted.transpose(0, 2, 1), rest[:, :, None])[:, :, 0]
    row, missed, known = _lift_row(rolls, scale, c)
    information += np.where(known[:, None, None], row[:, :, None] * row[:, None, :], 0) / LIFT_SD**2
    pull += np.where(known[:, None], row * missed[:, None], 0) / LIFT_SD**2
    return Misfit(information, pull)


def walls(c: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Information and pull (..., SIZE) that bring coefficients beyond what is possible back to it."""
    firm = 1 / (WALL * PRIOR_SD) ** 2
    off = np.where(c < LOW, LOW - c, np.where(c > HIGH, HIGH - c, 0.0))
    return np.where(off != 0, firm, 0.0), firm * off


def _lift_row(rolls: Rolls, scale: Scale, c: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Before contact the wing carries the aeroplane: Q (L0 + Lp θ + Lf f) is the load factor."""
    normal_g, airspeed, pitch = rolls.lift.T
    q = (airspeed / Q0_MPS) ** 2 * scale.omega(rolls)[:, 0]
    row = np.zeros((rolls.n, SIZE))
    row[:, NAMES.index("L0")], row[:, NAMES.index("Lp")] = q, q * pitch
    row[:, NAMES.index("Lf")] = q * scale.flap(rolls)[:, 0]
    known = ~np.isnan(row).any(axis=1) & ~np.isnan(normal_g)
    row, normal_g = np.nan_to_num(row), np.nan_to_num(normal_g)
    return row, normal_g - (row * c).sum(axis=1), known


def fit_each(
    rolls: Rolls, scale: Scale, mean: np.ndarray, covariance: np.ndarray, noise_g: float
) -> tuple[np.ndarray, np.ndarray]:
    """Most likely coefficients (n, SIZE) of each rollout and their covariance (n, SIZE, SIZE), from one prior."""
    x, weights = scale.inputs(rolls), cell_weights(rolls, noise_g)
    prior = np.linalg.inv(covariance)
    c = np.repeat(mean[None], rolls.n, axis=0)
    for _ in range(STEPS):
        said = misfit(rolls, scale, x, weights, c)
        firm, back = walls(c)
        information = said.information + prior + firm[:, :, None] * np.eye(SIZE)
        c = c + np.linalg.solve(information, (said.pull + back + (mean - c) @ prior)[:, :, None])[:, :, 0]
    said = misfit(rolls, scale, x, weights, c)
    return c, np.linalg.inv(said.information + prior)


OWN = [KAPPA, DELTA]  # coefficients that each landing of a type has for itself


def fit_jointly(
    rolls: Rolls, scale: Scale, mean: np.ndarray, sd: np.ndarray, noise_g: float
) -> tuple[np.ndarray, np.ndarray, float]:
    """Coefficients of a type from its landings together: mean (SIZE,), covariance, and the cells' rms misfit (g).

    Each landing has brakes and a runway of its own (OWN), eliminated from the normal equations by their Schur
    complement.
    """
    x, weights = scale.inputs(rolls), cell_weights(rolls, noise_g)
    prior = np.diag(1 / sd**2)
    c, own = mean.copy(), np.zeros((rolls.n, 2))
    total = prior
    for _ in range(STEPS + 2):
        own_prior = np.diag([1 / (KAPPA_SHARE * max(c[KAPPA], 0.05)) ** 2, 1 / DELTA_SD**2])
        said = misfit(rolls, scale, x, weights, _with_own(c, own))
        cross, inner = said.information[:, :, OWN], said.information[:, OWN][:, :, OWN] + own_prior
        inner_pull = said.pull[:, OWN] - own @ own_prior
        gain = np.linalg.solve(inner, cross.transpose(0, 2, 1))  # (n, 2, SIZE)
        firm, back = walls(c)
        total = prior + np.diag(firm) + (said.information - cross @ gain).sum(axis=0)
        pull = back + (mean - c) @ prior + (said.pull - np.einsum("nij,ni->nj", gain, inner_pull)).sum(axis=0)
        step = np.linalg.solve(total, pull)
        own = own + np.linalg.solve(inner, inner_pull[:, :, None])[:, :, 0] - gain @ step
        c = c + step
    at = _with_own(c, own)[:, None, :]
    counts = weights >= 1 / noise_g**2 * 0.99
    rest = (rolls.decel_g - forces(at, x).decel_g)[counts]
    return c, np.linalg.inv(total), float(np.sqrt(np.mean(rest**2))) if len(rest) else noise_g


def _with_own(c: np.ndarray, own: np.ndarray) -> np.ndarray:
    each = np.repeat(c[None], len(own), axis=0)
    each[:, OWN] += own
    return each
