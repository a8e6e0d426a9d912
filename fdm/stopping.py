"""Stopping on a runway, as the regulations count it: wet friction, wheel braking by runway condition, length factors.

Sources. Friction: 14 CFR 25.109(c)(1) and (d)(2), anti-skid efficiency 25.109(c)(2). Wheel braking by runway condition
code: AC 25-32 table 2 (the same values in AMC 25.1592). Factors: 14 CFR 121.195(b) and (d); landing distance at time of
arrival: SAFO 19001, AC 91-79. The polynomials are from memory (those for 100 psi were also seen quoted elsewhere).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from fdm.units import MPS2_PER_G, MPS_PER_KT

Surface = Literal["smooth", "grooved"]

# tyre pressure, psi -> coefficients of the maximum tyre-to-ground friction, highest power of (ground speed in kt / 100)
# first; 14 CFR 25.109(c)(1) smooth, (d)(2) grooved or porous friction course
WET_FRICTION: dict[Surface, dict[float, tuple[float, ...]]] = {
    "smooth": {
        50.0: (-0.0350, 0.306, -0.851, 0.883),
        100.0: (-0.0437, 0.320, -0.805, 0.804),
        200.0: (-0.0331, 0.252, -0.658, 0.692),
        300.0: (-0.0401, 0.263, -0.611, 0.614),
    },
    "grooved": {
        50.0: (0.1470, -1.050, 2.673, -2.683, 0.403, 0.859),
        100.0: (0.1106, -0.813, 2.130, -2.200, 0.317, 0.807),
        200.0: (0.0498, -0.398, 1.140, -1.285, 0.140, 0.701),
        300.0: (0.0314, -0.247, 0.703, -0.779, -0.00954, 0.614),
    },
}
# 14 CFR 25.109(c)(2), where no efficiency was determined by flight test
ANTI_SKID = {"on_off": 0.30, "quasi_modulating": 0.50, "fully_modulating": 0.80}
TYRE_PSI = 200.0  # about that of the main wheels of an airliner (common practice, no source)
DRY_BRAKING = 0.40  # wheel braking of a dry runway, as certified (common practice, no source)


def wet_friction(speed_kt: np.ndarray | float, tyre_psi: float, surface: Surface = "smooth") -> np.ndarray:
    """Maximum tyre-to-ground friction on a wet runway, before anti-skid (14 CFR 25.109(c)(1), (d)(2)).

    speed_kt    ground speed, any shape
    tyre_psi    50 to 300, interpolated linearly between the published ones; ValueError outside
    """
    published = WET_FRICTION[surface]
    pressures = list(published)
    if not pressures[0] <= tyre_psi <= pressures[-1]:
        raise ValueError(f"tyre pressure {tyre_psi:g} psi is outside the published 50 to 300 psi")
    x = np.asarray(speed_kt, np.float64) / 100
    curves = [np.polyval(c, x) for c in published.values()]
    share = [np.interp(tyre_psi, pressures, row) for row in np.eye(len(pressures))]
    return np.sum([s * c for s, c in zip(share, curves, strict=True)], axis=0)


def hydroplaning_kt(tyre_psi: float) -> float:
    """Ground speed from which a tyre may float: 9 times the root of its pressure in psi (AC 25-32)."""
    return 9.0 * float(np.sqrt(tyre_psi))


def wheel_braking(
    code: int, speed_kt: np.ndarray | float, tyre_psi: float = TYRE_PSI, dry: float = DRY_BRAKING
) -> np.ndarray:
    """Airplane wheel-braking coefficient that a runway condition code stands for (AC 25-32 table 2).

    code     6 dry (90 % of `dry`, the certified one), 5 wet by 25.109(c) with fully modulating anti-skid, 4, 3, 2
             (half of wet and 0.16 at the most, 0.05 at speeds from 85 % of hydroplaning), 1; ValueError otherwise:
             0 is no runway to land on
    returns  shaped like speed_kt
    """
    speed = np.asarray(speed_kt, np.float64)
    wet = ANTI_SKID["fully_modulating"] * wet_friction(speed, tyre_psi)
    floats = speed >= 0.85 * hydroplaning_kt(tyre_psi)
    table = {
        6: np.full(speed.shape, 0.9 * dry),
        5: wet,
        4: np.full(speed.shape, 0.20),
        3: np.full(speed.shape, 0.16),
        2: np.where(floats, 0.05, np.minimum(wet / 2, 0.16)),
        1: np.full(speed.shape, 0.08),
    }
    if code not in table:
        raise ValueError(f"no wheel braking is published for runway condition code {code}; there are 1 to 6")
    return table[code]


def braking_distance_m(code: int, from_kt: float, tyre_psi: float = TYRE_PSI, steps: int = 400) -> float:
    """Distance in which wheel braking alone stops the aeroplane by a code's coefficient: integral of v dv / (g mu)."""
    edges = np.linspace(0.0, from_kt, steps + 1)
    middle = (edges[1:] + edges[:-1]) / 2
    v_dv = np.diff((edges * MPS_PER_KT) ** 2) / 2
    return float((v_dv / (MPS2_PER_G * wheel_braking(code, middle, tyre_psi))).sum())


@dataclass(frozen=True)
class Factor:
    """A factor between a landing distance and the runway that a rule asks for."""

    value: float
    applies: str
    source: str


FACTORS = {
    "dry": Factor(1 / 0.60, "planning, dry: a full stop within 60 % of the runway", "14 CFR 121.195(b)"),
    "wet": Factor(1.15 / 0.60, "planning, wet or slippery: 115 % of that for dry", "14 CFR 121.195(d)"),
    "arrival": Factor(1.15, "landing distance at time of arrival, with the conditions found", "SAFO 19001; AC 91-79"),
}
