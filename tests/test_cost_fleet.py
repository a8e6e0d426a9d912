"""Learning a type: what is predicted afterwards, what is usual, and the model as JSON."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fdm.cost import METHOD, fit_fleet, from_json, join
from fdm.cost.forces import LAW, NAMES, forces
from tests.cost_making import KT, Landing, Type, fleet, rolls, run


@pytest.fixture(scope="module")
def by_load():
    return fit_fleet([rolls(fleet(14, seed=3))])


@pytest.fixture(scope="module")
def by_pressure():
    return fit_fleet([rolls(fleet(14, seed=4, kind=replace(Type(), follows_load=0.0)))])


def test_normal_landings_are_explained(by_load, by_pressure):
    """The data have no noise: what is left is a cell's own coarseness, far below what a recorder resolves (0.004 g)."""
    for model in (by_load, by_pressure):
        assert model.landings == 14
        assert model.misfit_g < 0.003


def test_landings_that_were_not_learned_from_are_predicted(by_load):
    """Deceleration of new landings, lapses among them, against SciPy's integration."""
    for landing in (Landing(spoilers_s=5.0), Landing(select_s=(8.0, 8.0)), Landing(pressure=0.1, mass_kg=65e3)):
        laid = rolls([run(landing)])
        found = forces(by_load.mean, by_load.scale.inputs(laid)).decel_g
        inside = laid.used[0] & (np.arange(laid.used.shape[1]) > 3)
        error = (found - laid.decel_g)[0, inside]
        assert np.abs(error).mean() < 0.010


def test_the_brake_law_shows(by_load, by_pressure):
    """With landings that brake at different weights on the wheels, more braking follows the load where it does."""
    assert by_load.mean[LAW] > by_pressure.mean[LAW] + 0.2


def test_what_is_usual(by_load):
    """Drawn around 0.5 s + half a second of travel, 2.0 s, 2.25 s to deploy, 2 s transit, 0.5 of N1, 66 kt, 3 s."""
    usual = by_load.usual
    assert usual.spoilers_s.middle == pytest.approx(1.0, abs=0.3)
    assert usual.selected_s.middle == pytest.approx(2.05, abs=0.4)
    assert usual.wait_s.middle == pytest.approx(2.25, abs=0.05)
    assert usual.transit_s.middle == pytest.approx(2.0, abs=0.05)
    assert usual.top.middle == pytest.approx(0.5, abs=0.06)
    assert usual.reduce_mps.middle == pytest.approx(66 * KT, abs=3.0)
    assert usual.pedals_s.middle == pytest.approx(3.0, abs=0.6)
    assert not usual.automatic_s.known
    assert usual.spoilers[0] < 0.2
    assert usual.spoilers[-1] == pytest.approx(1.0)
    assert by_load.scale.idle_n1 == pytest.approx(0.25, abs=0.01)
    assert by_load.scale.mass_kg == pytest.approx(60e3, rel=0.06)


def test_five_landings_are_needed():
    assert fit_fleet([]) is None
    laid = rolls(fleet(5, seed=6))
    assert fit_fleet([laid]).landings == 5
    assert fit_fleet([laid.take(np.arange(4))]) is None
    refused = replace(laid, refused=np.array(["", "", "", "", "contaminated data"], object))
    assert fit_fleet([refused]) is None


def test_recorder_layouts_of_one_type_are_learned_together(by_load):
    laid = rolls(fleet(14, seed=3))
    apart = fit_fleet([laid.take(np.arange(6)), laid.take(np.arange(6, 14))])
    assert apart.mean == pytest.approx(by_load.mean, abs=1e-9)


def test_a_bounced_landing_is_left_aside():
    laid = rolls(fleet(6, seed=7))
    bounced = replace(laid, airborne_s=np.array([0, 0, 0, 0, 0, 2.0]))
    assert fit_fleet([bounced]).landings == 5


def test_a_model_comes_back_from_json(by_load):
    back = from_json(by_load.to_json())
    assert back.mean == pytest.approx(by_load.mean)
    assert back.covariance == pytest.approx(by_load.covariance)
    assert back.usual.spoilers == pytest.approx(by_load.usual.spoilers)
    assert back.usual.top == by_load.usual.top
    assert np.isnan(back.scale.flap_deg)
    assert back.to_json() == by_load.to_json()


def test_a_model_of_another_method_is_refused(by_load):
    with pytest.raises(ValueError, match="learn the fleet again"):
        from_json(by_load.to_json().replace(METHOD, "point mass 0"))


def test_coefficients_stay_possible(by_load):
    """Spoilers neither push nor pull the wings up; brakes brake."""
    known = dict(zip(NAMES, by_load.mean, strict=True))
    assert known["Ds"] > -0.01
    assert known["Ls"] > 0
    assert known["kappa"] > 0.3
    assert np.linalg.eigvalsh(by_load.covariance).min() > 0


def test_joining_keeps_every_landing():
    laid = rolls(fleet(3, seed=8))
    assert join([laid, laid]).n == 6
