"""A few hundred invented landings on four recorders: the truth of every measure lies within its bounds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest

from fdm.bounded import Measured, Reasons
from fdm.frames import cut, stack_frames
from fdm.measures import CATALOGUE
from fdm.measuring import measure_block
from fdm.settings import Settings
from tests.flown import RECORDERS, START_S, Flown, Recorder, draw
from tests.making import CLOCK_S

LANDINGS = 70  # on each recorder
# Clues and regulatory figures have tests of their own; the others must hold the truth here.
NOT_STUDIED = {
    "autobrake_in_rollout",
    "deceleration_first_10s_g",
    "deceleration_rise_g",
    "hydraulic_share_in_transit",
    "idle_n1_pct",
    "landing_distance_factor",
    "lever_below_mirror",
    "lever_recorded",
    "n1_above_idle_mirror_out_pct",
    "n1_above_idle_not_deployed_pct",
    "n1_above_idle_other_reversing_pct",
    "n1_below_mirror_pct",
    "n1_rise_before_deployed_pct",
    "overrun_speed_first_10s_kt",
    "power_like_anothers",
    "power_on_the_wrong_side",
    "reverse_kept_at_idle",
    "reverse_lever_highest",
    "reverse_to_spoilers_s",
    "reverser_fault_flagged",
    "room_by_condition_code_m",
    "runway_left_taxi_m",
    "spoiler_handle_max",
    "spoiler_handle_when_retracted",
    "spoiler_sensor_unproven",
    "spoilers_on_their_way",
    "spoilers_out_unseen",
    "state_in_transit",
    "thrust_lever_forward_deg",
}
# Whether it came before the window's end (stowed, taxi speed) may be open between two samples.
MAY_NOT_EXIST = {
    "reverse_idle_speed_kt",
    "n1_above_idle_below_taxi_pct",
    "n1_above_idle_below_60kt_pct",
    "spoiler_travel_s",
}
# Median widths: two samplings of a device each a sampling step apart, or what speed and time make of them.
WIDEST_IN_STEPS = {"s": 2.0, "kt": 9.0}


@dataclass(frozen=True)
class Case:
    """A true value and what was made of it; NaN where it does not exist, or is missing."""

    truth: float
    value: float
    lower: float
    upper: float

    @property
    def inside(self) -> bool:
        if np.isinf(self.truth):
            return bool(np.isinf(self.upper))
        return bool(self.lower - 1e-3 <= self.truth <= self.upper + 1e-3)


def measured(recorder: Recorder, seed: int) -> tuple[list[Flown], Measured]:
    rng = np.random.default_rng(seed)
    landings = [replace(draw(rng), levers=recorder.levers) for _ in range(LANDINGS)]
    frames = [
        cut(recorder.record(one, rng, str(i)), 0, CLOCK_S, CLOCK_S + START_S, CLOCK_S + one.end_s, [])
        for i, one in enumerate(landings)
    ]
    return landings, measure_block(stack_frames(frames), Settings(), Reasons()).measured


def cases(landings: Sequence[Flown], found: Measured, name: str) -> list[Case]:
    bounded = found.values[name]
    engines = found.engines if bounded.value.ndim == 2 else (0,)
    columns = [x.reshape(len(landings), -1) for x in (bounded.value, bounded.lower, bounded.upper)]
    return [
        Case(one.measures[name, engine], *(float(x[row, column]) for x in columns))
        for row, one in enumerate(landings)
        for column, engine in enumerate(engines)
    ]


@pytest.fixture(scope="module")
def study() -> dict[str, tuple[list[Flown], Measured]]:
    return {name: measured(recorder, seed) for seed, (name, recorder) in enumerate(RECORDERS.items())}


STUDIED = sorted(set(CATALOGUE) - NOT_STUDIED)


def test_every_measure_is_studied_or_named_as_not() -> None:
    assert set(CATALOGUE) >= NOT_STUDIED
    assert {name for name, _ in draw(np.random.default_rng(0)).measures} >= set(STUDIED)


@pytest.mark.parametrize("name", STUDIED)
def test_the_truth_lies_within_the_bounds(name: str, study: dict[str, tuple[list[Flown], Measured]]) -> None:
    """At least 99 of 100, on all recorders together; never a value for what does not exist; never silence."""
    everything: list[Case] = []
    for landings, found in study.values():
        everything += cases(landings, found, name)
    exist = [case for case in everything if not np.isnan(case.truth)]
    assert exist, "the study would say nothing"
    silent = [case for case in exist if np.isnan(case.lower)]
    assert len(silent) <= 0.005 * len(exist)
    known = [case for case in exist if not np.isnan(case.lower)]
    assert np.mean([case.inside for case in known]) >= 0.99
    invented = [case for case in everything if np.isnan(case.truth) and not np.isnan(case.value)]
    assert len(invented) <= (0.15 * len(everything) if name in MAY_NOT_EXIST else 0)
    for case in known:
        assert np.isnan(case.value) or case.lower <= case.value <= case.upper


TIMED = (
    "deploy_delay_s",
    "deploy_split_s",
    "deploy_transit_s",
    "high_reverse_below_taxi_s",
    "one_side_deployed_s",
    "reverse_select_delay_s",
    "reverse_wait_s",
    "reverser_out_below_taxi_s",
    "spoiler_delay_s",
    "spoiler_start_delay_s",
    "stow_start_speed_kt",
    "stow_transit_s",
    "stowed_speed_kt",
)
TAXI_DOUBT_S = 0.35  # half a knot of ground speed either way, at three knots a second


@pytest.mark.parametrize("name", TIMED)
def test_best_values_are_unbiased_and_bounds_no_wider_than_the_sampling(
    name: str, study: dict[str, tuple[list[Flown], Measured]]
) -> None:
    """On the recorders whose steps are no longer than a second."""
    for recorder, step_s in (("once a second", 1.0), ("fast", 0.25), ("held", 0.625)):
        known = [c for c in cases(*study[recorder], name) if np.isfinite([c.truth, c.value, c.lower, c.upper]).all()]
        if len(known) < 20:
            continue
        error = np.array([c.value - c.truth for c in known])
        width = np.array([c.upper - c.lower for c in known])
        assert abs(error.mean()) <= 0.12 * WIDEST_IN_STEPS[CATALOGUE[name].unit] * step_s, recorder
        doubt = TAXI_DOUBT_S if name.endswith("below_taxi_s") else 1e-3
        assert np.median(width) <= WIDEST_IN_STEPS[CATALOGUE[name].unit] * step_s + doubt, recorder
