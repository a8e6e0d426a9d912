"""The point mass: deceleration of an aeroplane on the ground from its devices, in g, and its slope by coefficient.

    x = Q (D0 + Ds s + Dp θ + Dq θ² + Df f) + μ N + b + δ + ω Σ [ p (r0 + r1 u + r2 u²) - (1 - p) (f0 + f1 u) ]
    N = 1 - Q (L0 - Ls s + Lp θ + Lf f), not below 0                   share of the weight on the wheels
    b = κ P (λ N + 0.95 (1 - λ)), not above GRIP N                      wheel brakes
    Q = ω (½ ρ0 CAS²) / (½ ρ0 (70 m/s)²),  ω = usual mass / mass

s spoiler position, θ pitch in degrees, f flap less the usual in 10 degrees, u N1 above idle as a fraction, p reverser
position, P brake pressure as a share of 3,000 psi. λ is 1 for brakes that follow the load, 0 for those that follow the
pressure alone. Every coefficient is in g at the usual mass. The equation is that of any textbook on aircraft
performance for the ground run (thrust, drag, rolling friction and braking of a point mass).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Q0_MPS = 70.0
TORQUE_SHARE = 0.95  # of the weight, carried by the braked wheels once the wing has let go
GRIP = 0.75  # tyre on a dry runway; 14 CFR 25.109 gives 0.6 to 0.9 smooth and wet at walking pace

# name: prior mean, prior standard deviation (from common sense of twin-jet airliners; "no source")
PRIORS: dict[str, tuple[float, float]] = {
    "D0": (0.095, 0.05),
    "Ds": (0.05, 0.04),
    "Dp": (0.004, 0.004),
    "Dq": (0.0004, 0.0006),
    "Df": (0.01, 0.01),
    "L0": (0.50, 0.30),
    "Ls": (0.45, 0.30),
    "Lp": (0.08, 0.04),
    "Lf": (0.05, 0.05),
    "mu": (0.017, 0.005),
    "f0": (0.008, 0.008),
    "f1": (0.10, 0.10),
    "r0": (0.005, 0.010),
    "r1": (0.10, 0.15),
    "r2": (0.15, 0.25),
    "law": (0.70, 0.35),
    "kappa": (0.60, 0.50),
    "delta": (0.0, 0.01),
}
NAMES = tuple(PRIORS)
SIZE = len(NAMES)
KAPPA, DELTA, LAW = NAMES.index("kappa"), NAMES.index("delta"), NAMES.index("law")
# what a coefficient cannot be below, or above
LOWEST = {"D0": 0.01, "Ds": 0.0, "Ls": 0.0, "Dq": 0.0, "mu": 0.005, "law": 0.0, "kappa": 0.05}
HIGHEST = {"law": 1.0}
LOW = np.array([LOWEST.get(name, -np.inf) for name in NAMES])
HIGH = np.array([HIGHEST.get(name, np.inf) for name in NAMES])
PRIOR_MEAN = np.array([mean for mean, _ in PRIORS.values()])
PRIOR_SD = np.array([sd for _, sd in PRIORS.values()])


@dataclass(frozen=True)
class Inputs:
    """What the model is told, arrays of one shape (...), engines on one more axis at the end.

    q          dynamic pressure over that at 70 m/s, times usual mass over mass
    omega      usual mass over mass
    """

    q: np.ndarray
    omega: np.ndarray
    spoiler: np.ndarray
    pitch_deg: np.ndarray
    flap: np.ndarray
    pressure: np.ndarray
    n1: np.ndarray
    sleeve: np.ndarray


@dataclass(frozen=True)
class Forces:
    """Deceleration and what it is made of, g.

    decel_g, brakes_g   (...)
    load                share of the weight on the wheels
    per_pressure        braking for each unit of pressure
    """

    decel_g: np.ndarray
    brakes_g: np.ndarray
    load: np.ndarray
    per_pressure: np.ndarray


def forces(c: np.ndarray, x: Inputs) -> Forces:
    """Deceleration by coefficients (..., SIZE) or (SIZE,), broadcast against the inputs."""
    v = {name: c[..., i] for i, name in enumerate(NAMES)}
    lift = v["L0"] - v["Ls"] * x.spoiler + v["Lp"] * x.pitch_deg + v["Lf"] * x.flap
    load = np.maximum(1 - x.q * lift, 0)
    per_pressure = v["kappa"] * (v["law"] * load + TORQUE_SHARE * (1 - v["law"]))
    brakes = np.minimum(per_pressure * x.pressure, GRIP * load)
    drag = x.q * (v["D0"] + v["Ds"] * x.spoiler + x.pitch_deg * (v["Dp"] + v["Dq"] * x.pitch_deg) + v["Df"] * x.flap)
    thrust = np.zeros_like(drag)
    for e in range(x.n1.shape[-1]):
        u, p = x.n1[..., e], x.sleeve[..., e]
        reverse = v["r0"] + u * (v["r1"] + u * v["r2"])
        thrust = thrust + p * reverse - (1 - p) * (v["f0"] + v["f1"] * u)
    return Forces(drag + v["mu"] * load + brakes + v["delta"] + x.omega * thrust, brakes, load, per_pressure)


def slopes(c: np.ndarray, x: Inputs) -> np.ndarray:
    """(..., SIZE) change of deceleration with each coefficient, at coefficients (..., SIZE) broadcast alike."""
    f = forces(c, x)
    kappa, law, mu = c[..., KAPPA], c[..., LAW], c[..., NAMES.index("mu")]
    free = per_load = np.where(f.load > 0, 1.0, 0.0)
    gripped = f.brakes_g < f.per_pressure * x.pressure - 1e-12
    braked = np.where(gripped, 0.0, x.pressure)
    per_load = free * (mu + np.where(gripped, GRIP, kappa * law * x.pressure))
    one = np.ones_like(f.decel_g)
    columns = {
        "D0": x.q * one,
        "Ds": x.q * x.spoiler,
        "Dp": x.q * x.pitch_deg,
        "Dq": x.q * x.pitch_deg**2,
        "Df": x.q * x.flap,
        "L0": -per_load * x.q,
        "Ls": per_load * x.q * x.spoiler,
        "Lp": -per_load * x.q * x.pitch_deg,
        "Lf": -per_load * x.q * x.flap,
        "mu": f.load,
        "f0": -x.omega * (1 - x.sleeve).sum(axis=-1),
        "f1": -x.omega * ((1 - x.sleeve) * x.n1).sum(axis=-1),
        "r0": x.omega * x.sleeve.sum(axis=-1),
        "r1": x.omega * (x.sleeve * x.n1).sum(axis=-1),
        "r2": x.omega * (x.sleeve * x.n1**2).sum(axis=-1),
        "law": braked * kappa * (f.load - TORQUE_SHARE),
        "kappa": braked * (law * f.load + TORQUE_SHARE * (1 - law)),
        "delta": one,
    }
    return np.stack([np.broadcast_to(columns[name], one.shape) for name in NAMES], axis=-1)
