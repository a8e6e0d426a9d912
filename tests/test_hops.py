"""Hops that air/ground misses between its samples, and rings and lags that are none, by normal acceleration."""

from __future__ import annotations

import numpy as np
import pytest

from fdm.steps import Rollout
from tests.making import Arrival, between, recording, rollout, sampled, switch

HOP = Arrival(on=((0, 0.4), (1.25, 1e6)), jolts_g=(0.6, 0.5), airborne_g=0.8)
TOUCH = Arrival(jolts_g=(0.5,))


def _batch(arrival: Arrival, gear_hz: float | None, phase_s: float, gear=None, g_hz: float | None = 8.0) -> Rollout:  # type: ignore[no-untyped-def]
    samples = [
        sampled("radio_height", arrival.height_ft, 2.0, 0.3 * phase_s),
        sampled("ground_speed", lambda t: np.clip(140 - 4 * np.maximum(t, 0), 20, None), 2.0),
    ]
    if gear_hz:
        samples.append(sampled("main_gear_ground", gear or arrival.ground, gear_hz, phase_s))
    if g_hz:
        samples.append(sampled("normal_acceleration", arrival.normal_g, g_hz, phase_s % (1 / g_hz), noise=0.02))
    return rollout([recording(samples)])


@pytest.mark.parametrize("phase_s", np.arange(0.03, 1, 0.11))
def test_a_hop_between_the_samples_of_air_ground_is_felt(phase_s: float) -> None:
    """Contact at 0, airborne from 0.4 to 1.25 s, at 1 Hz: both contacts and the time between lie in their bounds."""
    touchdown = _batch(HOP, 1.0, phase_s).touchdown
    assert touchdown.contact.earliest[0] <= 0 <= touchdown.contact.latest[0]
    assert touchdown.settled.earliest[0] <= 1.25 <= touchdown.settled.latest[0]
    assert abs(touchdown.settled.best[0] - 1.25) < 0.3
    assert touchdown.bounces.value[0] == 1
    assert touchdown.airborne_s.lower[0] <= 0.85 <= touchdown.airborne_s.upper[0]
    assert abs(touchdown.airborne_s.value[0] - 0.85) < 0.35


@pytest.mark.parametrize("phase_s", np.arange(0.03, 1, 0.11))
def test_without_acceleration_such_a_hop_is_left_open(phase_s: float) -> None:
    touchdown = _batch(HOP, 1.0, phase_s, g_hz=None).touchdown
    assert touchdown.settled.earliest[0] <= 1.25 <= touchdown.settled.latest[0]
    assert touchdown.bounces.upper[0] >= 1


@pytest.mark.parametrize("late_s", [0.8, 1.4, 2.3, 3.1])
@pytest.mark.parametrize("jolt_g", [0.22, 0.5])
def test_a_tilting_bogie_is_neither_contact_nor_bounce(late_s: float, jolt_g: float) -> None:
    arrival = Arrival(jolts_g=(jolt_g,))
    for phase_s in (0.02, 0.13, 0.21):
        touchdown = _batch(arrival, 4.0, phase_s, switch(0, (late_s, 1))).touchdown
        assert touchdown.contact.earliest[0] <= 0 <= touchdown.contact.latest[0] < 0.5
        assert touchdown.settled.earliest[0] <= 0 <= touchdown.settled.latest[0]
        assert touchdown.bounces.value[0] == 0
        assert touchdown.airborne_s.value[0] < 0.3


@pytest.mark.parametrize("phase_s", [0.05, 0.2, 0.4])
def test_a_lone_air_sample_as_the_struts_ring_is_no_bounce(phase_s: float) -> None:
    chatter = between((0, phase_s + 0.4), (phase_s + 0.6, 1e6))
    touchdown = _batch(TOUCH, 2.0, phase_s, chatter).touchdown
    assert touchdown.bounces.value[0] == 0
    assert touchdown.airborne_s.value[0] < 0.3
    assert touchdown.settled.earliest[0] <= 0
    assert touchdown.settled.best[0] < 0.3


@pytest.mark.parametrize("phase_s", [0.03, 0.2, 0.38])
def test_a_faint_hop_leaves_settled_contact_open(phase_s: float) -> None:
    """At 0.95 g, and let down softly: nothing to place it by, but it may have been."""
    faint = Arrival(on=((0, 0.3), (0.9, 1e6)), jolts_g=(0.5, 0.05), airborne_g=0.95)
    touchdown = _batch(faint, 2.0, phase_s).touchdown
    assert touchdown.settled.earliest[0] <= 0.9 <= touchdown.settled.latest[0]


def test_a_landing_that_stays_is_not_widened_by_acceleration() -> None:
    touchdown = _batch(TOUCH, 1.0, 0.4).touchdown
    assert touchdown.settled.latest[0] == touchdown.contact.latest[0]


@pytest.mark.parametrize("phase_s", [0.03, 0.2, 0.42])
@pytest.mark.parametrize("again_s", [1.25, 2.2])
def test_without_air_ground_a_hop_is_felt(phase_s: float, again_s: float) -> None:
    """Devices are timed from the contact after which it stayed, at 1.25 or 2.2 s, whatever tells of it."""
    hop = Arrival(on=((0, 0.4), (again_s, 1e6)), jolts_g=(0.6, 0.5), airborne_g=0.8)
    touchdown = _batch(hop, None, phase_s).touchdown
    assert touchdown.contact.earliest[0] <= 0 <= touchdown.contact.latest[0]
    assert touchdown.settled.earliest[0] <= again_s <= touchdown.settled.latest[0]
    assert np.isnan(touchdown.bounces.value[0])


@pytest.mark.parametrize("phase_s", [0.03, 0.2, 0.42])
def test_without_air_ground_a_faint_hop_leaves_settled_contact_open(phase_s: float) -> None:
    faint = Arrival(on=((0, 0.4), (2.0, 1e6)), jolts_g=(0.6, 0.1), airborne_g=0.94)
    settled = _batch(faint, None, phase_s).touchdown.settled
    assert settled.earliest[0] <= 2.0 <= settled.latest[0]
    assert np.isnan(settled.best[0])
    stays = _batch(TOUCH, None, phase_s).touchdown
    assert stays.settled.latest[0] - stays.contact.latest[0] < 0.5
    assert not np.isnan(stays.settled.best[0])
