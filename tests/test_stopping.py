"""Stopping: friction and braking values against the published ones, measures against uniform deceleration."""

from __future__ import annotations

import numpy as np
import pytest

from fdm.measures import CATALOGUE
from fdm.stopping import (
    ANTI_SKID,
    FACTORS,
    WET_FRICTION,
    braking_distance_m,
    hydroplaning_kt,
    wet_friction,
    wheel_braking,
)
from tests.making import between, line, recording, rollout, sampled, why

KT, G = 1852 / 3600, 9.80665
M_PER_DEG = np.pi / 180 * 6_371_009.0  # mean sphere

# friction ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("speed_kt", "published"), [(0, 0.64), (50, 0.38), (100, 0.22)])
def test_wet_braking_is_the_published_one_for_100_psi(speed_kt, published):
    """Fully modulating anti-skid, 100 psi: 0.64, 0.38, 0.22 at 0, 50, 100 kt, as quoted with AC 25-32 for code 5."""
    assert wheel_braking(5, speed_kt, tyre_psi=100.0) == pytest.approx(published, abs=0.005)


@pytest.mark.parametrize(
    ("psi", "smooth"),
    [
        (50, (0.883, 0.530, 0.303)),
        (100, (0.804, 0.476, 0.275)),
        (200, (0.692, 0.422, 0.253)),
        (300, (0.614, 0.369, 0.226)),
    ],
)
def test_smooth_wet_friction_by_tyre_pressure(psi, smooth):
    """14 CFR 25.109(c)(1) at 0, 50, 100 kt, worked by hand from its polynomials (from memory)."""
    assert wet_friction(np.array([0.0, 50.0, 100.0]), psi) == pytest.approx(smooth, abs=0.0006)


def test_grooved_wet_friction_at_100_kt():
    """14 CFR 25.109(d)(2), worked by hand from its polynomials (from memory)."""
    found = [float(wet_friction(100.0, psi, "grooved")) for psi in (50, 100, 200, 300)]
    assert found == pytest.approx([0.349, 0.352, 0.348, 0.313], abs=0.0006)


def test_friction_between_published_pressures_is_interpolated_linearly():
    """14 CFR 25.109(c)(1): linear interpolation may be used for tyre pressures other than those listed."""
    for surface in WET_FRICTION:
        half = (wet_friction(80.0, 100.0, surface) + wet_friction(80.0, 200.0, surface)) / 2
        assert wet_friction(80.0, 150.0, surface) == pytest.approx(float(half))
    for psi in (40.0, 310.0):
        with pytest.raises(ValueError, match="50 to 300"):
            wet_friction(80.0, psi)


@pytest.mark.parametrize("psi", [50, 100, 200, 300])
def test_wet_friction_falls_with_speed_and_is_higher_on_grooves(psi):
    """The purpose of grooves, from 20 kt on; a slip in one coefficient of a polynomial would show here."""
    speed = np.linspace(20, 160, 29)
    smooth, grooved = (wet_friction(speed, psi, surface) for surface in ("smooth", "grooved"))
    assert (np.diff(smooth) < 0).all()
    assert (np.diff(grooved) < 0).all()
    assert (grooved > smooth).all()
    assert abs(wet_friction(0.0, psi, "grooved") - wet_friction(0.0, psi)) < 0.03


def test_anti_skid_efficiency():
    """14 CFR 25.109(c)(2)."""
    assert (ANTI_SKID["on_off"], ANTI_SKID["quasi_modulating"], ANTI_SKID["fully_modulating"]) == (0.30, 0.50, 0.80)


def test_braking_by_runway_condition_code():
    """AC 25-32 table 2: 4 0.20, 3 0.16, 1 0.08; 2 half of wet, at most 0.16, 0.05 when it may float; 6 0.9 of dry."""
    assert wheel_braking(4, 90.0) == pytest.approx(0.20)
    assert wheel_braking(3, 90.0) == pytest.approx(0.16)
    assert wheel_braking(1, 90.0) == pytest.approx(0.08)
    assert wheel_braking(6, 90.0, dry=0.5) == pytest.approx(0.45)
    slow, middling, fast = wheel_braking(2, np.array([20.0, 76.0, 77.0]), tyre_psi=100.0)
    assert slow == pytest.approx(0.16)
    assert middling == pytest.approx(0.8 * float(wet_friction(76.0, 100.0)) / 2)
    assert fast == pytest.approx(0.05)  # 85 % of 90 kt is 76.5 kt
    for code in (0, 7):
        with pytest.raises(ValueError, match=f"code {code}"):
            wheel_braking(code, 90.0)


@pytest.mark.parametrize(("psi", "published_kt"), [(100, 90), (200, 127)])
def test_hydroplaning_speed(psi, published_kt):
    """AC 25-32: 9 times the root of the pressure; 90 kt at 100 psi."""
    assert hydroplaning_kt(psi) == pytest.approx(published_kt, abs=0.5)


@pytest.mark.parametrize(("code", "coefficient"), [(4, 0.20), (3, 0.16), (1, 0.08)])
def test_braking_distance_of_a_constant_coefficient(code, coefficient):
    """v² / (2 g mu)."""
    assert braking_distance_m(code, 60.0) == pytest.approx((60 * KT) ** 2 / (2 * G * coefficient), rel=1e-9)


def test_braking_distance_of_a_wet_runway_against_quadrature():
    """The integral of v dv / (g mu(v)) by SciPy."""
    from scipy.integrate import quad

    exact, _ = quad(lambda kt: kt * KT * KT / (G * 0.8 * np.polyval((-0.0331, 0.252, -0.658, 0.692), kt / 100)), 0, 120)
    assert braking_distance_m(5, 120.0, 200.0) == pytest.approx(exact, rel=1e-4)


def test_factors_of_the_regulations():
    """14 CFR 121.195(b): within 60 %; (d): 115 % of that; SAFO 19001: 15 % at time of arrival."""
    assert FACTORS["dry"].value == pytest.approx(1.667, abs=5e-4)
    assert FACTORS["wet"].value == pytest.approx(1.917, abs=5e-4)
    assert FACTORS["arrival"].value == pytest.approx(1.15)


# measures -------------------------------------------------------------------------------------------------------------


def landing(slowing_g, *, length_m=2600.0, start_m=450.0, touchdown_kt=140.0, first_g=None, code=None, phase_s=0.3):
    """Straight along a runway to the north from the equator at uniform deceleration, another one in the first 10 s."""
    first_g = slowing_g if first_g is None else first_g
    at_10 = touchdown_kt - first_g * G * 10 / KT
    stop_s = 10 + at_10 * KT / (slowing_g * G)
    speed = line((-40, touchdown_kt), (0, touchdown_kt), (10, at_10), (stop_s, 0.0))
    fine = np.arange(-40, 120, 0.005)
    metres = np.concatenate([[0.0], np.cumsum((speed(fine[1:]) + speed(fine[:-1])) / 2 * KT * 0.005)])
    metres += start_m - np.interp(0.0, fine, metres)
    facts = {
        "runway_length_m": length_m,
        "runway_displaced_m": 100.0,
        "runway_latitude_deg": 0.0,
        "runway_longitude_deg": 20.0,
        "runway_heading_deg": 0.0,
        "runway_condition_code": code,
    }
    made = recording(
        [
            sampled("ground_speed", speed, 2.0, phase_s),
            sampled("main_gear_ground", between((0, 1e6)), 4.0, phase_s / 3),
            sampled("latitude", lambda t: np.interp(t, fine, metres) / M_PER_DEG, 1.0, phase_s),
            sampled("longitude", lambda t: np.full(len(t), 20.0), 1.0, phase_s),
        ],
        facts=facts,
    )
    return rollout([made]), metres, fine, speed


def value(batch, name):
    found = CATALOGUE[name].function(batch)
    return float(found.value[0]), float(found.lower[0]), float(found.upper[0])


def holds(found, truth, within):
    best, lower, upper = found
    assert lower <= truth <= upper
    assert best == pytest.approx(truth, abs=within)


@pytest.mark.parametrize("phase_s", [0.0, 0.2, 0.45])
@pytest.mark.parametrize("slowing_g", [0.10, 0.155, 0.30])
def test_first_ten_seconds_and_the_runway_left(slowing_g, phase_s):
    """Uniform deceleration from 140 kt: v = v0 - a t, s = (v0² - v²) / 2 a."""
    batch, *_ = landing(slowing_g, phase_s=phase_s)
    holds(value(batch, "deceleration_first_10s_g"), slowing_g, 0.005)
    rolled = ((140 * KT) ** 2 - (30 * KT) ** 2) / (2 * slowing_g * G)
    holds(value(batch, "runway_left_taxi_m"), 2600 - 450 - rolled, 25)
    holds(value(batch, "landing_distance_factor"), 2500 / (450 - 100 + rolled), 0.05)


@pytest.mark.parametrize(("first_g", "length_m"), [(0.05, 2000.0), (0.08, 1800.0), (0.12, 1500.0)])
def test_speed_at_the_end_had_the_first_ten_seconds_gone_on(first_g, length_m):
    """v² = v0² - 2 a s over the whole runway ahead at touchdown, at the deceleration of the first ten seconds."""
    batch, *_ = landing(0.35, first_g=first_g, length_m=length_m)
    truth = np.sqrt((140 * KT) ** 2 - 2 * first_g * G * (length_m - 450)) / KT
    holds(value(batch, "overrun_speed_first_10s_kt"), truth, 3.0)


def test_it_would_have_stopped():
    batch, *_ = landing(0.30)
    assert value(batch, "overrun_speed_first_10s_kt")[0] == 0.0


def test_room_left_by_the_condition_code():
    """Code 3, 0.16: from 60 kt v² / (2 g 0.16)."""
    batch, *_ = landing(0.2, code=3)
    left = 2600 - 450 - ((140 * KT) ** 2 - (60 * KT) ** 2) / (2 * 0.2 * G)
    holds(value(batch, "room_by_condition_code_m"), left - (60 * KT) ** 2 / (2 * G * 0.16), 25)


def test_without_a_code_or_a_runway_it_says_so():
    batch, *_ = landing(0.2)
    room = CATALOGUE["room_by_condition_code_m"].function(batch)
    assert "runway condition code" in why(batch, room.why[0])
    batch, *_ = landing(0.2, length_m=None)
    for name in ("runway_left_taxi_m", "overrun_speed_first_10s_kt", "landing_distance_factor"):
        assert "runway" in why(batch, CATALOGUE[name].function(batch).why[0])


def test_a_gap_in_ground_speed_leaves_no_value():
    made = recording(
        [
            sampled("ground_speed", line((0, 140), (40, 0)), 1.0, gaps=[(6, 14)]),
            sampled("main_gear_ground", between((0, 1e6)), 4.0),
        ]
    )
    batch = rollout([made])
    assert np.isnan(CATALOGUE["deceleration_first_10s_g"].function(batch).value[0])
