"""Costs of events: against SciPy's twins of a known point mass, and when nothing is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from fdm.cost import COSTS, LAPSES, METHOD, estimate, fit_fleet, join
from tests.cost_making import NEVER, Landing, fleet, rolls, run


@pytest.fixture(scope="module")
def model():
    return fit_fleet([rolls(fleet(14, seed=3))])


def events(*rows) -> pl.DataFrame:
    """(landing, rule) or (landing, rule, engine) as events."""
    full = [(f"{r[0]}-{r[1]}", r[0], r[1], r[2] if len(r) > 2 else None) for r in rows]
    schema = {"event_id": pl.String, "landing_id": pl.String, "rule": pl.String, "engine": pl.Int8}
    return pl.DataFrame(full, schema=schema, orient="row")


USUAL = Landing(spoilers_s=0.5, select_s=(2.05, 2.05), brakes_s=3.0)
CASES = {
    "late_spoilers": replace(USUAL, spoilers_s=5.0),
    "spoilers_partial": replace(USUAL, spoilers=0.45),
    "late_reverse": replace(USUAL, select_s=(9.0, 9.0)),
    "no_reverse": replace(USUAL, select_s=(NEVER, NEVER)),
    "asymmetric_deployment": replace(USUAL, transit_s=(2.0, 9.0)),
    "reverser_not_deployed": replace(USUAL, transit_s=(9.0, 9.2)),
    "late_braking": replace(USUAL, brakes_s=11.0),
}


def cost(rule, model, landing=None, **changes) -> dict:
    laid = rolls([run(landing or CASES[rule])])
    laid = replace(laid, **changes)
    return estimate(laid, events(("one", rule)), model).row(0, named=True)


@pytest.mark.parametrize("rule", list(CASES))
def test_cost_of_each_lapse(rule, model):
    """To 30 kt, against the same landing integrated with the device at its usual time."""
    late, on_time = run(CASES[rule]).to(30.0), run(USUAL).to(30.0)
    metres, seconds, joules = (a - b for a, b in zip(late, on_time, strict=True))
    row = cost(rule, model)
    assert row["reason"] is None
    assert row["extra_m"] == pytest.approx(metres, abs=max(12.0, 0.2 * abs(metres)))
    assert row["extra_m_lower"] < metres < row["extra_m_upper"]
    assert row["extra_s"] == pytest.approx(seconds, abs=max(0.3, 0.2 * abs(seconds)))
    assert row["brake_energy_mj"] == pytest.approx(joules * 60_000 / 1e6, abs=max(1.5, 0.25 * abs(joules * 0.06)))
    assert row["brake_energy_mj_lower"] < joules * 60_000 / 1e6 < row["brake_energy_mj_upper"]
    for name in ("extra_m", "extra_s", "brake_energy_mj"):
        assert row[f"{name}_lower"] < row[name] < row[f"{name}_upper"]
    assert row["method"] == METHOD


def test_a_landing_on_time_costs_next_to_nothing(model):
    for rule in ("late_spoilers", "late_reverse", "late_braking"):
        row = cost(rule, model, USUAL)
        assert abs(row["extra_m"]) < 12.0
        assert row["extra_m_lower"] < 0 < row["extra_m_upper"]


def test_more_lateness_costs_more(model):
    found = [cost("late_reverse", model, replace(USUAL, select_s=(t, t)))["extra_m"] for t in (5.0, 7.0, 9.0, 11.0)]
    assert (np.diff(found) > 0).all()


def test_the_frame_keeps_to_its_schema(model):
    laid = rolls([run(CASES["late_spoilers"])])
    given = events(("one", "late_spoilers"), ("one", "bounce"), ("other", "late_reverse"))
    frame = estimate(laid, given, model)
    assert dict(frame.schema) == COSTS
    assert frame["event_id"].to_list() == ["one-late_spoilers"]  # a bounce has no cost, the other no rollout
    assert dict(estimate(laid, given.clear(), model).schema) == COSTS


def test_an_event_costs_the_same_alone_and_among_others(model):
    """The same random numbers for every landing, in any company and order."""
    names = list(CASES)
    laid = join([replace(rolls([run(replace(CASES[rule], name=rule))])) for rule in names])
    given = events(*((rule, rule) for rule in names))
    together = estimate(laid, given, model)
    backwards = estimate(laid.take(np.arange(len(names))[::-1]), given.reverse(), model)
    assert together["event_id"].to_list() == given["event_id"].to_list()
    assert_frame_equal(backwards.reverse(), together, abs_tol=1e-6)
    for i, rule in enumerate(names):
        alone = estimate(laid.take(np.array([i])), events((rule, rule)), model)
        assert alone["extra_m"][0] == pytest.approx(together["extra_m"][i], abs=1e-6)


# cannot tell ---------------------------------------------------------------------------------------------------------


def test_without_normal_landings_it_cannot_be_told():
    row = cost("late_spoilers", None)
    assert row["extra_m"] is None
    assert row["extra_m_lower"] is None
    assert "normal landings" in row["reason"]


def test_a_refused_rollout_says_why(model):
    row = cost("late_spoilers", model, refused=np.array(["not recorded: brake pressure"], object))
    assert row["reason"] == "not recorded: brake pressure"
    assert row["extra_m_upper"] is None


def test_without_weight_there_is_no_brake_energy(model):
    row = cost("late_spoilers", model, mass_kg=np.array([np.nan]))
    assert row["extra_m"] is not None
    assert row["brake_energy_mj"] is None
    assert "gross weight" in row["notes"][0]


def test_a_skip_leaves_only_a_range(model):
    row = cost("late_spoilers", model, airborne_s=np.array([1.4]))
    assert row["extra_m"] is None
    assert row["extra_m_lower"] < row["extra_m_upper"]
    assert "left the runway again for 1.4 s" in row["reason"]


def test_deceleration_that_the_devices_do_not_explain_is_contaminated_data(model):
    laid = rolls([run(CASES["late_spoilers"])])
    wave = 0.08 * np.sin(np.arange(laid.decel_g.shape[1]) * 1.1)
    row = cost("late_spoilers", model, decel_g=laid.decel_g + wave)
    assert row["extra_m"] is None
    assert "contaminated" in row["reason"]


def test_a_locked_reverser_with_the_other_at_idle_cannot_be_told(model):
    """The crew left the good engine at idle: what power it would have used is not recorded."""
    row = cost("reverser_not_deployed", model, replace(USUAL, transit_s=(2.0, NEVER), top=0.0))
    assert row["extra_m"] is None
    assert "idle" in row["reason"]


def test_a_locked_reverser_follows_a_powered_mirror(model):
    locked = replace(USUAL, transit_s=(2.0, NEVER))
    metres = run(locked).to(30.0)[0] - run(USUAL).to(30.0)[0]
    row = cost("reverser_not_deployed", model, locked)
    assert row["extra_m"] == pytest.approx(metres, abs=max(15.0, 0.25 * metres))


def test_without_reversers_there_is_nothing_to_deploy(model):
    none = np.zeros((1, 2), bool)
    row = cost("no_reverse", model, has_reverser=none)
    assert row["reason"] == "no engine has a reverser"


def test_brakes_never_applied(model):
    row = cost("late_braking", model, replace(USUAL, pressure=0.0), brakes_s=np.array([np.nan]))
    assert "never applied" in row["reason"]


@pytest.mark.parametrize("pressure", [0.15, 0.3, 0.45])
def test_pedals_are_told_from_an_automatic_brake(model, pressure):
    """Without autobrake_active: constant pressure and falling deceleration is a foot."""
    landing = replace(USUAL, spoilers_s=5.0, pressure=pressure)
    row = cost("late_spoilers", model, landing, automatic_known=np.array([False]))
    assert row["reason"] is None
    assert "inferred" in row["notes"][0]


def test_every_rule_with_a_cost_is_a_shipped_rule():
    from fdm.rulebook import load_rule_book

    assert set(LAPSES) <= set(load_rule_book().rules)
