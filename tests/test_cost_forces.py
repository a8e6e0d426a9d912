"""The point mass: known forces by hand, slopes against finite differences."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import approx_fprime

from fdm.cost.forces import GRIP, HIGH, LOW, NAMES, PRIOR_MEAN, PRIOR_SD, SIZE, Inputs, forces, slopes


def inputs(**given) -> Inputs:
    """One moment: nothing at work but what is given."""
    still = {"q": 0.0, "omega": 1.0, "spoiler": 0.0, "pitch_deg": 0.0, "flap": 0.0, "pressure": 0.0}
    scalars = {name: np.array(given.get(name, value)) for name, value in still.items()}
    return Inputs(**scalars, n1=np.array(given.get("n1", [0.0, 0.0])), sleeve=np.array(given.get("sleeve", [0.0, 0.0])))


def coefficients(**given) -> np.ndarray:
    return np.array([given.get(name, 0.0) for name in NAMES])


def test_drag_and_rolling_friction():
    """At q = 0.8 with lift 0.5: drag 0.8 x 0.1, and friction 0.02 of the 0.6 left on the wheels."""
    f = forces(coefficients(D0=0.1, L0=0.5, mu=0.02), inputs(q=0.8))
    assert f.load == pytest.approx(0.6)
    assert f.decel_g == pytest.approx(0.08 + 0.012)


def test_spoilers_add_drag_and_put_weight_on_the_wheels():
    c = coefficients(D0=0.1, Ds=0.05, L0=0.6, Ls=0.4, mu=0.02)
    f = forces(c, inputs(q=1.0, spoiler=1.0))
    assert f.load == pytest.approx(0.8)
    assert f.decel_g == pytest.approx(0.15 + 0.016)


@pytest.mark.parametrize(("law", "braking"), [(1.0, 0.6 * 0.5 * 0.4), (0.0, 0.6 * 0.5 * 0.95)])
def test_both_brake_laws(law, braking):
    """Following the load: 0.4 of the weight is on the wheels; following the pressure: as if 0.95 were."""
    f = forces(coefficients(L0=0.6, kappa=0.6, law=law), inputs(q=1.0, pressure=0.5))
    assert f.brakes_g == pytest.approx(braking)
    assert f.decel_g == pytest.approx(braking)


def test_braking_is_not_more_than_the_grip():
    f = forces(coefficients(L0=0.9, kappa=2.0, law=0.0), inputs(q=1.0, pressure=1.0))
    assert f.brakes_g == pytest.approx(GRIP * 0.1)


def test_airborne_wheels_do_nothing():
    f = forces(coefficients(D0=0.1, L0=1.2, mu=0.02, kappa=1.0, law=1.0), inputs(q=1.0, pressure=1.0))
    assert f.load == 0.0
    assert f.decel_g == pytest.approx(0.1)


def test_thrust_of_each_engine_scaled_by_mass():
    """One engine reversed at 40 % above idle, the other forward at idle; 10 % lighter than usual."""
    c = coefficients(f0=0.008, f1=0.1, r0=0.005, r1=0.1, r2=0.2)
    f = forces(c, inputs(omega=1 / 0.9, n1=[0.4, 0.0], sleeve=[1.0, 0.0]))
    assert f.decel_g == pytest.approx((0.005 + 0.04 + 0.032 - 0.008) / 0.9)


@pytest.mark.parametrize("seed", range(12))
def test_slopes_are_those_of_finite_differences(seed):
    rng = np.random.default_rng(seed)
    c = PRIOR_MEAN + 0.3 * PRIOR_SD * rng.standard_normal(SIZE)
    x = inputs(
        q=rng.uniform(0.1, 1.2),
        omega=rng.uniform(0.85, 1.15),
        spoiler=rng.uniform(),
        pitch_deg=rng.uniform(0, 6),
        flap=rng.uniform(-1, 1),
        pressure=rng.uniform(0, 0.6),
        n1=rng.uniform(0, 0.6, 2),
        sleeve=rng.uniform(0, 1, 2),
    )
    found = slopes(c, x)
    assert found == pytest.approx(approx_fprime(c, lambda c: float(forces(c, x).decel_g), 1e-7), abs=2e-5)


def test_priors_are_possible():
    assert (PRIOR_MEAN >= LOW).all()
    assert (PRIOR_MEAN <= HIGH).all()
    assert (PRIOR_SD > 0).all()
