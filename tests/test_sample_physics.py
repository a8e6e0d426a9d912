"""The physics of the invented airline, against closed form, another integrator and reported spool times."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid

from sample_flights import physics
from sample_flights.airline import FLEETS, STRIPS, Fleet, Runway
from sample_flights.physics import DEPLOYED, STEP_S, STOWED, TIMES, ZERO, History
from sample_flights.plan import Plan, normal

KT = 1852 / 3600  # international knot: exact, NIST SP 811 appendix B
G = 9.80665  # standard gravity, NIST SP 811


def flown(fleet: Fleet, n: int = 40, change: Any = None) -> tuple[Plan, History]:
    """n everyday landings of a fleet on one long runway, the plan changed before it is flown."""
    rng = np.random.default_rng(3)
    runways = [long_runway()] * n
    plan = normal(rng, fleet, runways)
    if change is not None:
        change(plan)
    return plan, physics.fly(plan, fleet, runways, rng)


@cache
def everyday(fleet: Fleet) -> tuple[Plan, History]:
    """A hundred everyday landings."""
    return flown(fleet, 100)


def long_runway() -> Runway:
    low = (end for strip in STRIPS for end in strip.ends() if end.elevation_ft < 500)
    return max(low, key=lambda r: r.length_m - r.displaced_m)


def test_held_autobrake_rolls_the_distance_of_constant_deceleration() -> None:
    """s = (v1² - v2²) / 2a with the target for a: closed form."""

    def change(plan: Plan) -> None:
        plan.autobrake_g[:], plan.brake_s[:], plan.takeover_kt[:], plan.friction[:] = 0.30, 1.0, 45, 0.45
        plan.select_s[:] = np.inf

    _, h = flown(FLEETS[0], change=change)
    speed = h.speed_mps[ZERO:].astype(float)
    start = np.full(speed.shape[1], round(6 / STEP_S))
    end = (speed < 55 * KT).argmax(axis=0)
    rows = np.arange(speed.shape[1])
    v1, v2 = speed[start, rows], speed[end, rows]
    rolled = h.x_m[ZERO + end, rows] - h.x_m[ZERO + start, rows]
    np.testing.assert_allclose(rolled, (v1**2 - v2**2) / (2 * 0.30 * G), rtol=0.02)


@pytest.mark.parametrize("fleet", FLEETS, ids=lambda f: f.key)
def test_speed_distance_and_acceleration_agree(fleet: Fleet) -> None:
    """Work done is energy lost, and distance is the integral of speed, by another integrator (SciPy)."""
    _, h = everyday(fleet)
    t, v, a = TIMES[ZERO:], h.speed_mps[ZERO:].astype(float), h.acceleration[ZERO:].astype(float)
    until = (v < 25).argmax(axis=0)
    work = cumulative_trapezoid(a * v, t, axis=0, initial=0)
    along = cumulative_trapezoid(v, t, axis=0, initial=0)
    rows = np.arange(v.shape[1])
    lost = (v[until, rows] ** 2 - v[0] ** 2) / 2
    np.testing.assert_allclose(work[until, rows], lost, rtol=0.005)
    np.testing.assert_allclose(h.x_m[ZERO + until, rows] - h.x_m[ZERO], along[until, rows], rtol=1e-3)


@pytest.mark.parametrize("fleet", FLEETS, ids=lambda f: f.key)
def test_everyday_landings_look_like_landings(fleet: Fleet) -> None:
    """140 to 60 kt takes 706 m at 3.0 m/s² and 1,389 m at 5 ft/s² (closed form): the span of everyday rolls."""
    _, h = everyday(fleet)
    speed = h.speed_mps[ZERO:] / KT
    rolled = h.x_m[ZERO + (speed < 60).argmax(axis=0), np.arange(speed.shape[1])] - h.x_m[ZERO]
    assert 650 < np.percentile(rolled, 5) < np.percentile(rolled, 90) < 1600
    assert 105 < speed[0].min() < speed[0].max() < 165


def test_engines_spool_as_reported() -> None:
    """Idle to full reverse in 6-8 s, run-down from full reverse to idle in about 12 s: common practice, no source."""
    fleet = FLEETS[0]

    def change(plan: Plan) -> None:
        plan.target_pct[:] = fleet.max_reverse_pct
        plan.select_s[:], plan.power_s[:] = 5.0, 0.0
        plan.reduce_lever_s[:] = 2.0

    _, h = flown(fleet, change=change)
    n1 = h.n1[ZERO:, 0].astype(float)
    power = (h.lever[ZERO:, 0] > physics.DETENT + 0.02).argmax(axis=0)
    full = (n1 > fleet.max_reverse_pct - 2).argmax(axis=0)
    up_s = (full - power) * STEP_S
    assert 5.5 < np.median(up_s) < 8.5
    cut = len(n1) - (h.lever[ZERO:, 0] > 0.98)[::-1].argmax(axis=0)
    idle = len(n1) - (n1 > fleet.idle_pct + 1)[: round(60 / STEP_S)][::-1].argmax(axis=0) - len(n1) + round(60 / STEP_S)
    assert 9 < np.median((idle - cut) * STEP_S) < 15


@pytest.mark.parametrize("fleet", FLEETS, ids=lambda f: f.key)
def test_reversers_keep_to_their_mechanism(fleet: Fleet) -> None:
    """Nothing leaps between stowed and deployed, and power in reverse waits for the interlock."""
    plan, h = everyday(fleet)
    state = h.state.astype(int)
    assert np.abs(np.diff(state, axis=0)).max() == 1
    out, power = ((x[ZERO:]).argmax(axis=0) for x in (h.state != STOWED, h.lever > physics.DETENT + 0.02))
    used = power > 0
    assert used.mean() > 0.5
    assert ((power - out) * STEP_S >= fleet.interlock * plan.transit_s - 2 * STEP_S)[used].all()
    moving = (h.state == 1) & (TIMES < 15)[:, None, None]
    np.testing.assert_allclose(moving.sum(axis=0) * STEP_S, plan.transit_s, atol=2.1 * STEP_S)


def test_slower_sleeves_take_longer_and_partial_spoilers_stop_short() -> None:
    def change(plan: Plan) -> None:
        plan.transit_s[1], plan.spoiler_max[:] = 5.0, 0.6

    _, h = flown(FLEETS[0], change=change)
    for engine, low, high in ((0, 1.5, 2.5), (1, 4.8, 5.2)):
        out = (h.state[ZERO:, engine] != STOWED).argmax(axis=0)
        deployed = (h.state[ZERO:, engine] == DEPLOYED).argmax(axis=0)
        assert ((deployed - out) * STEP_S >= low).all()
        assert ((deployed - out) * STEP_S <= high).all()
    np.testing.assert_allclose(h.spoiler.max(axis=0), 0.6, atol=1e-6)
