"""Rollouts with a closed-form solution, and one with SciPy's: distances, speeds and times the product must find.

Units are exact by NIST SP 811 appendix B: 1 kt = 1852/3600 m/s, 1 ft = 0.3048 m. A constant deceleration a from v1 to
v2 takes (v1 - v2)/a and (v1^2 - v2^2)/2a.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from .conftest import Detected, detect
from .judging import escapes, rows_of
from .recorder import FLAG, Channel, Flight, Signal, write

pytestmark = pytest.mark.outside
MPS_PER_KT, M_PER_FT, G_MPS2 = 1852 / 3600, 0.3048, 9.80665
CONTACT_S = 60.0
RATES_HZ = (1.0, 2.0, 4.0)

# deceleration in m/s2: autobrake targets named in public descriptions of two families (common practice, no source)
DECELERATIONS = {
    "4 ft/s2": 4 * M_PER_FT,
    "5 ft/s2": 5 * M_PER_FT,
    "7.2 ft/s2": 7.2 * M_PER_FT,
    "14 ft/s2": 14 * M_PER_FT,
}
DECELERATIONS |= {"1.7 m/s2": 1.7, "3.0 m/s2": 3.0}
START_KT = 140.0


def _constant(a_mps2: float) -> Signal:
    """140 kt before contact, then evenly slower down to a 5 kt roll."""
    return lambda t: np.clip(START_KT - a_mps2 / MPS_PER_KT * np.maximum(t - CONTACT_S, 0.0), 5.0, START_KT)


def _drag_and_brakes() -> tuple[Signal, dict[str, float]]:
    """dv/dt = -(k v^2 + b): quadratic drag and constant brakes, solved by SciPy to 1e-10."""
    k, b = 2.4e-4, 1.1

    def slower(_: float, y: np.ndarray) -> list[float]:
        return [y[1], -(k * y[1] ** 2 + b)]

    def falls_to(kt: float) -> Callable[[float, np.ndarray], float]:
        return lambda _, y: float(y[1] - kt * MPS_PER_KT)

    events = [falls_to(60.0), falls_to(30.0)]
    start = [0.0, START_KT * MPS_PER_KT]
    found = solve_ivp(slower, (0.0, 40.0), start, events=events, rtol=1e-10, atol=1e-10, dense_output=True)
    (t60,), (t30,) = found.t_events
    truth = {
        "speed_60kt": t60,
        "taxi_speed": t30,
        "rollout_60_m": float(found.sol(t60)[0]),
        "rollout_30_m": float(found.sol(t30)[0]),
        "mean_deceleration_g": (float(found.sol(3.0)[1]) - 60 * MPS_PER_KT) / (t60 - 3.0) / G_MPS2,
    }
    return lambda t: found.sol(np.clip(t - CONTACT_S, 0.0, 40.0))[1] / MPS_PER_KT, truth


def _flight(name: str, speed: Signal, end_s: float, rate_hz: float) -> Flight:
    contact: Signal = lambda t: (t >= CONTACT_S).astype(float)  # noqa: E731
    height: Signal = lambda t: np.maximum((CONTACT_S - t) * 11.0, 0.0)  # noqa: E731
    jolt: Signal = lambda t: 1.0 + 0.3 * np.exp(-(((t - CONTACT_S - 0.12) / 0.12) ** 2))  # noqa: E731
    channels = [
        Channel("ground_speed", speed, rate_hz, {"unit": "kt"}, 0.1),
        Channel("main_gear_ground", contact, 4.0, FLAG),
        Channel("radio_height", height, 2.0, {"unit": "ft"}, 1.0),
        Channel("normal_acceleration", jolt, 8.0, {"unit": "g"}, 0.004),
    ]
    return Flight(name, 20.0, end_s, channels, fleet="closed form", facts={"tail": "ZZ-PHY"})


def _truths() -> dict[str, tuple[Signal, float, dict[str, float]]]:
    made = {}
    for name, a in DECELERATIONS.items():
        v1, v60, v30 = (kt * MPS_PER_KT for kt in (START_KT, 60.0, 30.0))
        truth = {
            "speed_60kt": (v1 - v60) / a,
            "taxi_speed": (v1 - v30) / a,
            "rollout_60_m": (v1**2 - v60**2) / (2 * a),
            "rollout_30_m": (v1**2 - v30**2) / (2 * a),
            "mean_deceleration_g": a / G_MPS2,
        }
        made[name] = (_constant(a), CONTACT_S + v1 / a + 20.0, truth)
    speed, truth = _drag_and_brakes()
    made["drag and brakes"] = (speed, CONTACT_S + 40.0, truth)
    return made


@pytest.fixture(scope="module")
def rolled(tmp_path_factory: pytest.TempPathFactory) -> Detected:
    folder: Path = tmp_path_factory.mktemp("physics")
    flights = [
        _flight(f"{name.replace('/', ' per ')} at {rate_hz:g} Hz", speed, end_s, rate_hz)
        for name, (speed, end_s, _) in _truths().items()
        for rate_hz in RATES_HZ
    ]
    write(folder / "recordings", flights, seed=7)
    return detect(folder / "recordings", folder / "archive")


@pytest.mark.parametrize("rate_hz", RATES_HZ)
@pytest.mark.parametrize("name", [*DECELERATIONS, "drag and brakes"])
def test_rollout_against_closed_form(name: str, rate_hz: float, rolled: Detected) -> None:
    truth = _truths()[name][2]
    flight = f"{name.replace('/', ' per ')} at {rate_hz:g} Hz"
    row = rolled.landing(flight)
    assert not escapes(CONTACT_S, row["touchdown_earliest_s"], row["touchdown_latest_s"])
    early_s = CONTACT_S - row["touchdown_s"]  # times in the table run from the best touchdown
    for step in ("speed_60kt", "taxi_speed"):
        found = rolled.of("instants", flight).filter(step=step).row(0, named=True)
        assert not escapes(truth[step] + early_s, found["earliest_s"], found["latest_s"], 1e-4)
        assert found["at_s"] == pytest.approx(truth[step] + early_s, abs=0.1)
    for measure in ("rollout_60_m", "rollout_30_m", "mean_deceleration_g"):
        found = rows_of(rolled.of("measures", flight), measure, 0).row(0, named=True)
        assert not escapes(truth[measure], found["lower"], found["upper"])
    best = rows_of(rolled.of("measures", flight), "rollout_60_m", 0)["value"].item()
    # contact is known to an eighth of a second either way: 9 m at 140 kt, and 3 m more for the rest
    assert best == pytest.approx(truth["rollout_60_m"], abs=12.0)
