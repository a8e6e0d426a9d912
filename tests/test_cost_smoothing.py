"""Speed made smooth: against dense least squares, and against landings whose speed is known."""

from __future__ import annotations

import numpy as np
import pytest

from fdm.cost.laying import rolls_of, sleeve_position
from fdm.cost.rolls import CELLS, STEP_S
from fdm.cost.smoothing import smooth_line
from tests.making import between, line, recording, rollout, sampled, switch

KT, G = 1852 / 3600, 9.80665


def test_the_banded_solution_is_the_least_squares_one():
    """The same problem written out as rows and solved by NumPy's least squares."""
    rng = np.random.default_rng(4)
    size, noise, rate = 30, 0.2, 0.05
    at, values = np.sort(rng.uniform(0, size - 1.001, 40)), rng.standard_normal(40)
    rows = np.zeros((40 + size - 2, size))
    left = at.astype(int)
    rows[np.arange(40), left], rows[np.arange(40), left + 1] = 1 - (at - left), at - left
    rows[:40] /= noise
    for i in range(size - 2):
        rows[40 + i, i : i + 3] = np.array([1, -2, 1]) / (rate * G * STEP_S**1.5)
    wanted, *_ = np.linalg.lstsq(rows, np.concatenate([values / noise, np.zeros(size - 2)]), rcond=None)
    assert smooth_line(at, values, size, noise, rate) == pytest.approx(wanted, abs=1e-8)


def landing(slowing_g: float, *, accelerometer: bool, bias_g: float = 0.0, rate_hz: float = 1.0):
    """Uniform deceleration from 135 kt, ground speed in whole half knots, an accelerometer with a bias."""
    stop_s = 135 * KT / (slowing_g * G)
    speed = line((0, 135), (stop_s, 0))
    made = [
        sampled("ground_speed", speed, rate_hz, 0.35, resolution=0.5),
        sampled("main_gear_ground", between((0, 1e6)), 32.0),
        sampled("spoiler_handle", line((0.5, 0), (1.5, 1)), 2.0),
        sampled("brake_pressure.left", line((2, 0), (3, 900)), 2.0),
        sampled("n1.1", line((0, 30)), 1.0),
        sampled("n1.2", line((0, 30)), 1.0),
        sampled("airspeed", lambda t: speed(t) + 8.0, 1.0),
    ]
    if accelerometer:
        felt = switch(bias_g, (0, bias_g - slowing_g), (stop_s, bias_g))
        made += [
            sampled("longitudinal_acceleration", felt, 4.0, resolution=0.004),
            sampled("normal_acceleration", line((0, 1.0)), 8.0),
            sampled("pitch", line((0, 0.0)), 4.0),
        ]
    return rolls_of(rollout([recording(made, reversers=())])), stop_s


@pytest.mark.parametrize(("accelerometer", "bias_g"), [(False, 0.0), (True, 0.0), (True, 0.03), (True, -0.05)])
@pytest.mark.parametrize("slowing_g", [0.1, 0.2, 0.35])
def test_uniform_deceleration_is_found_again(slowing_g, accelerometer, bias_g):
    """A steady error of the accelerometer leaves no trace: ground speed holds it."""
    rolls, _ = landing(slowing_g, accelerometer=accelerometer, bias_g=bias_g)
    inside = np.flatnonzero(rolls.used[0])[4:-2]
    assert rolls.refused[0] == ""
    error = rolls.decel_g[0, inside] - slowing_g
    assert np.abs(error).max() < (0.008 if accelerometer else 0.04)
    assert abs(error.mean()) < 0.004


@pytest.mark.parametrize("slowing_g", [0.1, 0.2, 0.35])
def test_distance_to_30_kt(slowing_g):
    """(v0² - v²) / 2 a."""
    rolls, _ = landing(slowing_g, accelerometer=True)
    end = rolls.used[0].sum()
    v = rolls.speed_mps[0, : end + 1]
    rolled = ((v[1:] + v[:-1]) / 2).sum() * STEP_S
    assert rolled == pytest.approx(((135 * KT) ** 2 - v[-1] ** 2) / (2 * slowing_g * G), abs=3.0)


def test_wind_is_airspeed_less_ground_speed():
    rolls, _ = landing(0.2, accelerometer=True)
    assert rolls.wind_mps[0, rolls.used[0]] == pytest.approx(8 * KT, abs=0.6)


def test_sleeve_positions():
    """Half-way between unlocked and deployed; stuck where it never arrived; nowhere without reverse."""
    t = np.array([2.0, 4.0, 6.0, 20.5])
    nan = np.array([np.nan])
    moved = sleeve_position(t, np.array([[3.0]]), np.array([[5.0]]), np.array([[20.0]]), np.array([[21.0]]))
    assert moved[0] == pytest.approx([0.0, 0.5, 1.0, 0.5])
    stuck = sleeve_position(t, np.array([[3.0]]), nan[:, None], nan[:, None], nan[:, None])
    assert stuck[0, 0] == 0.0
    assert 0 < stuck[0, 1] < 1
    assert sleeve_position(t, *(nan[:, None],) * 4)[0] == pytest.approx(np.zeros(4))


def test_what_is_missing_is_said():
    """No brake pressure, no cost; the reason names it."""
    speed = line((0, 135), (40, 0))
    base = [sampled("ground_speed", speed, 1.0), sampled("main_gear_ground", between((0, 1e6)), 4.0)]
    engines = [sampled(f"n1.{e}", line((0, 30)), 1.0) for e in (1, 2)]
    spoilers = sampled("spoiler_handle", line((0.5, 0), (1.5, 1)), 2.0)
    brakes = sampled("brake_pressure.right", line((2, 0), (3, 900)), 2.0)
    for kept, said in (
        ([*engines, spoilers], "brake pressure"),
        ([*engines, brakes], "spoiler"),
        ([engines[0], spoilers, brakes], "n1.2"),
    ):
        assert said in rolls_of(rollout([recording([*base, *kept], reversers=())])).refused[0]


def test_a_long_gap_is_contaminated_data_unless_nothing_changed_in_it():
    speed = line((0, 135), (40, 0))

    def made(gaps, n1):
        kept = [
            sampled("ground_speed", speed, 1.0),
            sampled("main_gear_ground", between((0, 1e6)), 4.0),
            sampled("spoiler_handle", line((0.5, 0), (1.5, 1)), 2.0),
            sampled("brake_pressure.left", line((2, 0), (3, 900)), 2.0),
            sampled("n1.1", n1, 1.0, gaps=gaps),
            sampled("n1.2", line((0, 30)), 1.0),
        ]
        return rolls_of(rollout([recording(kept, reversers=())])).refused[0]

    steady, falling = line((0, 80)), line((10, 80), (20, 30))
    assert made([(10, 20)], steady) == ""
    assert "n1.1" in made([(9, 21)], falling)
    assert made([(12, 13)], falling) == ""


def test_cells_cover_a_long_rollout():
    assert CELLS * STEP_S == 90.0
