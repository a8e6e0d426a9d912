"""Parameters that cannot be true: not believed, named, and never turned into an event."""

from __future__ import annotations

import re

import numpy as np
import pytest

from tests.handmade import LEVER, POWER, SPEED, SPOILERS, Made, made
from tests.making import between, line, switch

MPS_PER_KT = 1852 / 3600  # International System of Units brochure, table 8: one knot is 1852 m an hour

IDLE = line((-4, 55), (0, 25))
IDLE_REVERSE = line((1.9, 0), (2.4, 0.25), (24.4, 0.25), (24.7, 0))


def _said(given: Made) -> str:
    return "\n".join(given.result.landings["quality"][0])


# -- an engine whose power never changes ------------------------------------------------------------------------------


@pytest.mark.parametrize("level", [25.0, 55.0, 0.0])
def test_n1_that_never_changes_is_not_believed(level: float) -> None:
    given = made({"n1.1": lambda t: np.full_like(t, level)}, rates={"n1.1": 1.0, "n1.2": 1.0})
    assert "n1.1 never changes" in _said(given)
    assert given("n1_above_idle_at_stow_pct", 1).missing
    assert not given("n1_above_idle_at_stow_pct", 2).missing


def test_n1_that_settles_at_idle_is_believed() -> None:
    """An engine that was shut down before landing still runs down and windmills; a steady idle is no fault."""
    shut = {"n1.1": lambda t: np.where(t < -20, 40.0, 25.0), "reverser_state.1": lambda t: 0 * t}
    given = made(shut, rates={"n1.1": 1.0})
    assert "n1.1" not in _said(given)


def test_power_that_stays_up_to_the_end_is_not_believed() -> None:
    """Engine 1 reads its reverse power, to the tenth, from 10 s on; engine 2 is back at idle by 24 s."""
    given = made({"n1.1": lambda t: POWER(np.minimum(t, 10.0))}, rates={"n1.1": 1.0, "n1.2": 1.0})
    assert re.search(r"n1\.1: frozen from 1[01]\.\d to (69|70)\.\d s after touchdown", _said(given))
    assert given("n1_above_idle_at_stow_pct", 1).missing
    assert not given("n1_above_idle_at_stow_pct", 2).missing


@pytest.mark.parametrize(("above_pct", "believed"), [(3, True), (9, False)])
def test_power_that_stays_little_above_the_others_idle(above_pct: float, believed: bool) -> None:
    """From where it spools up, at 11.25 % a second from 5 s on, to the end; idles differ by a few points at most."""
    stays = {"n1.1": lambda t: POWER(np.minimum(t, 5 + above_pct / 11.25)), "reverse_lever.1": IDLE_REVERSE}
    given = made(stays, rates={"n1.1": 1.0, "n1.2": 1.0})
    assert ("n1.1 stays" in _said(given)) is not believed


def test_an_engine_left_at_idle_while_the_other_reverses_is_believed() -> None:
    assert "n1" not in _said(made({"n1.1": IDLE, "reverse_lever.1": IDLE_REVERSE}))


def test_power_held_in_reverse_down_to_the_stop_is_believed() -> None:
    """Recorded as it was: 70 % on both, until the end of a recording that ends early."""
    power, lever = (lambda t: POWER(np.minimum(t, 17.0))), (lambda t: LEVER(np.minimum(t, 17.0)))
    both = {f"n1.{e}": power for e in (1, 2)} | {f"reverse_lever.{e}": lever for e in (1, 2)}
    assert "n1" not in _said(made(both, end_s=30))


def test_spoilers_in_another_unit_are_not_believed() -> None:
    """A handle from 0 to 1 in a column that the map says has 40 degrees of travel."""
    given = made({"spoiler_handle": lambda t: SPOILERS(t) / 40})
    assert "spoiler_handle moves by 2.5% of its travel" in _said(given)
    assert given("spoiler_delay_s").missing


@pytest.mark.parametrize("travel", [0.0, 0.005, 0.1, 0.3])
def test_spoilers_that_hardly_came_up_are_believed(travel: float) -> None:
    given = made({"spoiler_handle": lambda t: SPOILERS(t) * travel})
    assert "spoiler_handle" not in _said(given)
    assert not given("spoiler_delay_s").missing


def test_spoilers_lowered_early_but_for_a_rest_are_believed() -> None:
    early = line((0.5, 0), (1.5, 1), (4, 1), (5, 0.04))
    given = made({"spoiler_handle": early})
    assert "spoiler_handle" not in _said(given)
    assert not given("spoiler_delay_s").missing


def test_ground_speed_that_never_changes_is_not_believed() -> None:
    given = made({"ground_speed": lambda t: np.full_like(t, 140.0)})
    assert "ground_speed never changes" in _said(given)
    assert given("reverser_out_below_taxi_s").missing


# -- ground speed in another unit, with nothing recorded to hold it against -------------------------------------------


def test_a_ground_speed_in_metres_a_second_is_not_believed() -> None:
    """72 "kt" over the threshold: no jet airliner flies so slowly in still air."""
    given = made({"ground_speed": lambda t: SPEED(t) * MPS_PER_KT})
    assert "m/s" in _said(given)
    assert given("reverser_out_below_taxi_s").missing


def test_a_strong_wind_makes_a_slow_ground_speed_believable() -> None:
    """125 kt through the air into 45 kt of wind."""
    air = {"airspeed": lambda t: SPEED(t) - 15, "ground_speed": lambda t: SPEED(t) - 60}
    given = made(air)
    assert "ground" not in _said(given)
    assert not given("reverser_out_below_taxi_s").missing


# -- a recorder of "deployed" alone -----------------------------------------------------------------------------------


def test_idle_reverse_is_learned_where_only_deployed_is_recorded() -> None:
    """An engine that still runs down at contact, and is at idle from 24 s on; deployed from 4.6 to 25 s.

    Within 5 points of idle (25 %) from 18 s + 6 s x 40 / 45 on, at 140 kt less 4 kt for each second.
    """
    power = line((-4, 55), (0, 36), (5, 36), (9, 70), (18, 70), (24, 25))
    changes = {f"reverser_state.{e}": None for e in (1, 2)} | {f"n1.{e}": power for e in (1, 2)}
    given = made(changes | {f"reverser_deployed.{e}": between((4.6, 25)) for e in (1, 2)})
    assert given("high_reverse_below_taxi_s", 1).value == 0
    assert given("reverse_idle_speed_kt", 1).holds(140 - 4 * (18 + 6 * 40 / 45))


# -- a gap in which the clock may have leapt --------------------------------------------------------------------------


def test_deceleration_is_not_judged_over_a_long_gap() -> None:
    """The recorder's clock leaps by 30 s at 10 s after touchdown: 60 kt seems to come 30 s late."""
    late = {"ground_speed": lambda t: SPEED(np.where(t < 10, t, t - 30))}
    given = made(late, gaps={"ground_speed": [(10, 40)]})
    assert given("mean_deceleration_g").missing
    short = made(gaps={"ground_speed": [(10, 13)]})
    assert short("mean_deceleration_g").holds(4 * MPS_PER_KT / 9.80665)


# -- a switch or a lever that never leaves where it stands -------------------------------------------------------------


def test_an_autothrottle_that_reads_engaged_into_the_taxi_is_not_believed() -> None:
    """Selecting reverse drops it (design of the mechanism), and nobody taxis with it."""
    given = made({"autothrottle_engaged": switch(1)})
    assert "autothrottle_engaged reads engaged from the approach to the end of data" in _said(given)
    assert given("autothrottle_in_reverse_s").missing


def test_a_recording_that_begins_late_tells_of_a_stuck_switch_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    """From 12 s before touchdown on."""
    monkeypatch.setattr("tests.handmade.START_S", -12.0)
    given = made({"autothrottle_engaged": switch(1), "reverser_state.1": switch(2)})
    assert "autothrottle_engaged reads engaged" in _said(given)
    assert "reverser_state.1 reads out from the approach to the end of data" in _said(given)


def test_an_autothrottle_that_drops_late_or_reads_on_where_the_data_end_early_is_believed() -> None:
    assert made({"autothrottle_engaged": switch(1, (31, 0))})("autothrottle_in_reverse_s").holds(29)
    assert made({"autothrottle_engaged": switch(1)}, end_s=15)("autothrottle_in_reverse_s").lower > 10


@pytest.mark.parametrize("level", [0.3, 1.0])
def test_a_reverse_lever_that_stands_in_reverse_from_the_approach_is_not_believed(level: float) -> None:
    given = made({"reverse_lever.1": lambda t: np.full_like(t, level)})
    assert "reverse_lever.1 reads in reverse from the approach to the end of data" in _said(given)
    assert not given("reverse_wait_s", 1).value > 4
    assert not given("autothrottle_in_reverse_s").value > 0


@pytest.mark.parametrize("name", ["spoiler_handle", "spoiler_panel"])
def test_spoilers_that_stand_half_way_up_from_the_approach_are_not_believed(name: str) -> None:
    given = made({"spoiler_handle": None, name: lambda t: np.full_like(t, 0.5)})
    assert f"{name} never changes from the approach to the end of data" in _said(given)
    assert given("spoiler_extension_max").missing


def test_spoilers_that_never_come_up_are_believed() -> None:
    given = made({"spoiler_handle": lambda t: np.zeros_like(t)})
    assert given("spoiler_extension_max").holds(0)


# -- ground speed that stands still to the end ------------------------------------------------------------------------


@pytest.mark.parametrize("tells", ["airspeed", "longitudinal_acceleration"])
def test_ground_speed_held_to_the_end_is_no_fast_turn_off(tells: str) -> None:
    """It reads what it was 15 s after touchdown, to the last digit, while the aeroplane slows down and turns off."""
    slowing_g = line((0, 0), (1, -0.25), (20, -0.25), (40, -0.05), (90, 0))
    told = {"airspeed": SPEED, "longitudinal_acceleration": slowing_g}
    changes = {
        "ground_speed": lambda t: SPEED(np.minimum(t, 15.0)),
        "heading": line((35, 90), (45, 140)),
        **{name: truth if name == tells else None for name, truth in told.items()},
    }
    given = made(changes, rates={"ground_speed": 2.0})
    assert re.search(r"ground_speed: frozen from 15\.\d to (69|70)\.\d s after touchdown", _said(given))
    assert given("heading_excursion_deg").value < 3, "the turn-off, 50 deg, is no excursion"


def test_a_ground_speed_that_truly_stays_is_believed() -> None:
    """Rolling on at 45 kt to a far exit, and so says the airspeed."""
    rolling = line((0, 140), (20, 45), (999, 45))
    given = made({"ground_speed": rolling, "airspeed": rolling, "longitudinal_acceleration": lambda t: 0 * t})
    assert "ground_speed" not in _said(given)
