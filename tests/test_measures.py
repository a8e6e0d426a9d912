"""Every measure on landings made by hand: what never happened, what is not recorded, what is lost in a gap."""

from __future__ import annotations

import numpy as np
import pytest

from fdm.measures import CATALOGUE
from fdm.settings import Settings
from fdm.wide import instants_wide, measures_long, measures_wide
from tests.flown import RECORDERS, START_S, draw
from tests.handmade import END_S, LEVER, POWER, SPEED, STATE, landing, made, measured
from tests.making import CLOCK_S, Truth, between, line, switch

MPS_PER_KT, G_MPS2, M_PER_FT = 1852 / 3600, 9.80665, 0.3048  # NIST SP 811, appendix B


# the normal landing ---------------------------------------------------------------------------------------------------

NORMAL = {
    ("touchdown_ground_speed_kt", 0): 140.0,
    ("spoiler_delay_s", 0): 1.2,
    ("spoiler_delay_first_s", 0): 1.2,
    ("spoiler_start_delay_s", 0): 0.6,
    ("spoiler_travel_s", 0): 0.6,
    ("spoiler_extension_max", 0): 1.0,
    ("spoiler_retract_speed_kt", 0): 140 - 4 * 29.3,
    ("spoilers_not_armed", 0): 0.0,
    ("brake_delay_s", 0): 3.05,
    ("mean_deceleration_g", 0): 4 * MPS_PER_KT / G_MPS2,
    ("heading_excursion_deg", 0): 0.0,
    ("autothrottle_in_reverse_s", 0): 0.0,
    ("reverse_not_used", 0): 0.0,
    ("go_around_after_reverse", 0): 0.0,
    ("deploy_split_s", 0): 0.0,
    ("one_side_deployed_s", 0): 0.0,
    ("reverser_out_below_taxi_s", 0): 0.5,
    ("forward_power_with_reverser_out_s", 0): 0.0,
    ("reverse_power_split_pct", 0): 0.0,
    ("bounces", 0): 0.0,
    ("bounce_airborne_s", 0): 0.0,
    ("reverse_select_delay_s", 1): 2.0,
    ("deploy_delay_s", 2): 4.6,
    ("deploy_transit_s", 1): 2.0,
    ("stow_transit_s", 2): 3.0,
    ("reverse_wait_s", 1): 2.6,
    ("reverse_idle_speed_kt", 1): 140 - 4 * (24 - 5 / 7.5),
    ("n1_above_idle_below_60kt_pct", 2): 30.0,
    ("high_reverse_below_taxi_s", 1): 0.0,
    ("stow_start_speed_kt", 1): 40.0,
    ("stowed_speed_kt", 2): 28.0,
    ("n1_above_idle_at_stow_pct", 1): 0.0,
    ("unstowed_in_air_s", 1): 0.0,
    ("idle_n1_pct", 1): 25.0,
}


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 4.0, 8.0])
def test_the_normal_landing(rate_hz: float) -> None:
    given = made(rate_hz=rate_hz)
    for (name, engine), truth in NORMAL.items():
        found = given(name, engine)
        assert not np.isnan(found.value), f"{name}: {found}"
        assert found.holds(truth), f"{name}: {truth} not in {found}"


def test_every_measure_has_one_shape_whatever_is_recorded() -> None:
    for given in (made(), made(dict.fromkeys(("spoiler_handle", "heading", "n1.1", "n1.2")))):
        for name, measure in CATALOGUE.items():
            assert given.measured.values[name].value.shape == ((1, 2) if measure.per_engine else (1,)), name


# what is not recorded -------------------------------------------------------------------------------------------------

ABSENT = [
    ("spoiler_handle", "spoiler_delay_s", 0, "not recorded: spoiler_panel or spoiler_handle"),
    ("spoiler_handle", "spoiler_extension_max", 0, "not recorded: spoiler_panel or spoiler_handle"),
    ("spoiler_handle", "spoiler_retract_speed_kt", 0, "not recorded: spoiler_panel or spoiler_handle"),
    ("spoilers_armed", "spoilers_not_armed", 0, "not recorded: spoilers_armed"),
    ("ground_speed", "touchdown_ground_speed_kt", 0, "not recorded: ground_speed"),
    ("ground_speed", "rollout_60_m", 0, "not recorded: ground_speed"),
    ("ground_speed", "mean_deceleration_g", 0, "not recorded: ground_speed"),
    ("ground_speed", "stow_start_speed_kt", 1, "not recorded: ground_speed"),
    ("ground_speed", "reverser_out_below_taxi_s", 0, "not recorded: ground_speed"),
    ("ground_speed", "high_reverse_below_taxi_s", 2, "not recorded: ground_speed"),
    ("ground_speed", "heading_excursion_deg", 0, "not recorded: ground_speed"),
    ("ground_speed", "spoiler_retract_speed_kt", 0, "not recorded: ground_speed"),
    ("heading", "heading_excursion_deg", 0, "not recorded: heading"),
    ("autothrottle_engaged", "autothrottle_in_reverse_s", 0, "not recorded: autothrottle_engaged"),
    ("n1.2", "n1_above_idle_at_stow_pct", 2, "not recorded: n1.2"),
    ("n1.2", "high_reverse_below_taxi_s", 2, "not recorded: n1.2"),
    ("reverser_state.1", "deploy_delay_s", 1, "not recorded: reverser_state.1 or reverser_deployed.1"),
    ("reverser_state.1", "deploy_transit_s", 1, "not recorded: reverser_state.1 or reverser_deployed.1"),
    ("reverser_state.1", "stowed_speed_kt", 1, "not recorded: reverser_state.1 or reverser_unlocked.1"),
    ("reverser_state.1", "unstowed_in_air_s", 1, "not recorded: reverser_state.1 or reverser_unlocked.1"),
    ("reverser_state.1", "deploy_split_s", 0, "not recorded: reverser_state.1 or reverser_deployed.1"),
]


@pytest.mark.parametrize(("parameter", "measure", "engine", "reason"), ABSENT)
def test_what_is_not_recorded_is_missing_and_says_so(parameter: str, measure: str, engine: int, reason: str) -> None:
    found = made({parameter: None})(measure, engine)
    assert found.missing, found
    assert found.reason == reason


def test_brakes_need_one_side_only() -> None:
    one = made({"brake_pressure.left": None})
    assert one("brake_delay_s").holds(3.05)
    none = made({"brake_pressure.left": None, "brake_pressure.right": None})
    assert none("brake_delay_s").reason == "not recorded: brake_pressure"


def test_pressure_that_an_active_autobrake_asks_for_late_is_no_late_start() -> None:
    """Reverse may meet the automatic brake's target: brake pressure then falls instead (manufacturers' briefings)."""
    late = {name: line((11.5, 0), (12, 900)) for name in ("brake_pressure.left", "brake_pressure.right")}
    by_hand = made(late | {"autobrake_active": switch(0)})("brake_delay_s")
    assert by_hand.holds(11.58)
    automatic = made(late | {"autobrake_active": switch(0, (1.5, 1))})("brake_delay_s")
    assert automatic.missing
    assert automatic.reason == "the automatic brake was at work, and reverse may have met its target"
    disarmed = made(late | {"autobrake_active": switch(0, (1.5, 1), (4, 0))})("brake_delay_s")
    assert disarmed.holds(11.58)
    soon = {name: line((5.5, 0), (6, 900)) for name in late}
    assert made(soon | {"autobrake_active": switch(0, (1.5, 1))})("brake_delay_s").holds(5.58)


def test_the_earlier_brake_counts() -> None:
    found = made({"brake_pressure.right": line((6, 0), (6.5, 1500))})("brake_delay_s")
    assert found.holds(3.05)
    assert found.upper < 4


def test_nothing_recorded_but_the_gear_gives_no_value_but_touchdown_ones() -> None:
    given = made({name: None for name in landing().samples if name != "main_gear_ground"})
    allowed = {"bounces", "bounce_airborne_s", "lever_recorded", "go_around_after_reverse"}
    for name, bounded in given.measured.values.items():
        if name not in allowed:
            assert np.isnan(bounded.value).all(), name
            assert (bounded.why != 0).all(), name


# spoilers -------------------------------------------------------------------------------------------------------------


def test_spoilers_that_were_never_extended_are_late_without_end() -> None:
    given = made({"spoiler_handle": line((0, 0.0))})
    for name in ("spoiler_delay_s", "spoiler_delay_first_s"):
        found = given(name)
        assert found.value == found.lower == pytest.approx(27.5, abs=0.5), "watched to taxi speed"
        assert np.isposinf(found.upper)
    assert given("spoiler_extension_max").holds(0.0)
    assert given("spoiler_start_delay_s").reason == "the spoilers never moved"
    assert given("spoiler_retract_speed_kt").reason == "the spoilers were never extended"


def test_spoilers_partly_out_are_partial_and_never_extended() -> None:
    given = made({"spoiler_handle": line((0.5, 0), (1.5, 0.6), (29, 0.6), (30, 0))})
    assert given("spoiler_extension_max").holds(0.6)
    assert np.isposinf(given("spoiler_delay_s").upper)
    assert given("spoiler_start_delay_s").holds(0.5 + 0.1 / 0.6)


def test_spoilers_extended_in_a_gap_are_not_timed_at_its_middle() -> None:
    found = made(gaps={"spoiler_handle": [(0.2, 6)]})("spoiler_delay_s")
    assert found.open
    assert found.holds(1.2)
    assert found.upper > 5
    assert "gap of 6 s in spoiler_handle where the change happened" in found.reason


def test_spoilers_lost_for_a_while_are_not_never_extended() -> None:
    """Down before the gap and after it: they may have been up within."""
    found = made({"spoiler_handle": line((0, 0.0))}, gaps={"spoiler_handle": [(2, 9)]})("spoiler_delay_s")
    assert found.missing
    assert found.reason == "gap of 7 s in spoiler_handle, in which it may have happened"


def test_spoilers_lost_for_good_after_contact_are_not_never_extended() -> None:
    found = made({"spoiler_handle": line((0, 0.0))}, gaps={"spoiler_handle": [(2, 99)]})("spoiler_delay_s")
    assert found.missing
    assert "spoiler_handle" in found.reason


def test_speedbrakes_left_out_before_contact_are_not_late() -> None:
    """Extended in flight and left there, seen being extended or not."""
    seen = made({"spoiler_handle": line((-20, 0), (-18, 1), (29, 1), (30, 0))})("spoiler_delay_s")
    assert seen.holds(-20 + 1.4)
    unseen = made({"spoiler_handle": line((29, 1), (30, 0))})("spoiler_delay_s")
    assert unseen.open
    assert unseen.upper < 0
    assert unseen.reason == "spoiler_handle showed it already when the recording began"


def test_speedbrakes_partly_out_in_flight_do_not_begin_the_extension() -> None:
    found = made({"spoiler_handle": line((-20, 0), (-19, 0.4), (-8, 0.4), (-7, 0), (2, 0), (3, 1), (29, 1), (30, 0))})
    assert found("spoiler_start_delay_s").holds(2.1)
    assert found("spoiler_travel_s").holds(0.6)


def test_spoilers_still_extended_at_the_end() -> None:
    found = made({"spoiler_handle": line((0.5, 0), (1.5, 1))})("spoiler_retract_speed_kt")
    assert found.missing
    assert found.reason == "the spoilers were still extended at the end of the recording"


def test_spoilers_not_armed() -> None:
    assert made({"spoilers_armed": switch(0)})("spoilers_not_armed").value == 1
    assert made({"spoilers_armed": switch(1, (-3, 0))})("spoilers_not_armed").value == 1
    assert made({"spoilers_armed": switch(0, (-3, 1), (1, 0))})("spoilers_not_armed").value == 0


# reversers that did not do it all -------------------------------------------------------------------------------------

NEVER_OUT: dict[str, Truth | None] = {
    **{f"reverse_lever.{e}": line((0, 0.0)) for e in (1, 2)},
    **{f"reverser_state.{e}": switch(0) for e in (1, 2)},
}


def test_reverse_not_used() -> None:
    given = made(NEVER_OUT)
    assert given("reverse_not_used").value == 1
    assert given("reverser_out_below_taxi_s").value == given("one_side_deployed_s").value == 0
    assert given("forward_power_with_reverser_out_s").value == given("high_reverse_below_taxi_s", 1).value == 0
    for name in ("reverse_select_delay_s", "reverse_wait_s", "stowed_speed_kt"):
        assert given(name, 1).reason == "reverse was not used", name
    for name in ("deploy_delay_s", "deploy_transit_s", "n1_above_idle_at_stow_pct", "stow_start_speed_kt"):
        assert given(name, 1).reason == "the reverser was never deployed", name
    assert given("deploy_split_s").reason == "the reverser was never deployed"
    assert given("autothrottle_in_reverse_s").reason == "reverse was not used"


def test_without_levers_reverse_is_selected_when_the_reverser_unlocks() -> None:
    bare = {f"reverse_lever.{e}": None for e in (1, 2)}
    given = made(bare)
    assert given("reverse_select_delay_s", 1).holds(2.6)
    assert given("reverse_wait_s", 1).holds(2.0)
    assert made({**NEVER_OUT, **bare})("reverse_not_used").value == 1


def test_levers_up_and_no_reverser_moving_is_a_wait_until_they_came_down() -> None:
    given = made({"reverser_state.2": switch(0)})
    assert given("reverse_not_used").value == 0
    assert given("reverse_wait_s", 2).holds(24.64 - 2.0)
    assert given("deploy_transit_s", 2).reason == "reverse was selected, and the reverser is never shown deployed"
    assert given("one_side_deployed_s").holds(25 - 4.6)
    assert given("deploy_split_s").reason == "the reverser was never deployed"


def test_a_reverser_stuck_in_transit_never_deployed() -> None:
    given = made({"reverser_state.2": switch(0, (2.6, 1), (28, 0))})
    assert given("reverse_wait_s", 2).holds(24.64 - 2.0)
    assert given("stowed_speed_kt", 2).holds(28.0)
    assert given("stow_start_speed_kt", 2).reason == "the reverser was never deployed"
    assert given("reverser_out_below_taxi_s").holds(0.5)


def test_a_lever_held_up_to_the_end_waits_without_end() -> None:
    held = line((1.9, 0), (2.4, 0.25))
    found = made({"reverser_state.2": switch(0), "reverse_lever.2": held})("reverse_wait_s", 2)
    assert found.value == pytest.approx(END_S - 2.0, abs=0.6)
    assert np.isposinf(found.upper)


def test_a_reverser_still_out_at_the_end_is_out_without_end() -> None:
    out = switch(0, (2.6, 1), (4.6, 2))
    given = made({"reverser_state.2": out})
    found = given("reverser_out_below_taxi_s")
    assert found.value == pytest.approx(END_S - 27.5, abs=0.6)
    assert found.lower <= found.value
    assert np.isposinf(found.upper)
    for name in ("stowed_speed_kt", "stow_start_speed_kt", "stow_transit_s", "n1_above_idle_at_stow_pct"):
        assert given(name, 2).reason == "the reverser was still out at the end of the recording", name


def test_a_reverser_that_stays_out_on_a_roll_that_never_slows_is_not_known() -> None:
    fast = {"ground_speed": line((-30, 142), (0, 140), (15, 80))}
    stowed = made(fast, end_s=40.0)("reverser_out_below_taxi_s")
    assert stowed.value == 0, "stowed before taxi speed, whenever that came"
    out = made({**fast, "reverser_state.2": switch(0, (2.6, 1), (4.6, 2))}, end_s=40.0)("reverser_out_below_taxi_s")
    assert out.open or out.missing
    assert out.reason == "ground speed never fell to 30 kt in this recording"


def test_a_reverser_out_of_use_is_left_aside() -> None:
    shut = {"reverser_state.2": switch(0), "reverse_lever.2": line((0, 0.0)), "n1.2": line((-4, 55), (0, 25))}
    given = made(shut, facts={"reversers_out": [2]})
    for name in ("deploy_delay_s", "reverse_wait_s", "stowed_speed_kt", "deploy_transit_s"):
        assert given(name, 2).reason.startswith("reverser out of use"), name
    for name in ("deploy_split_s", "one_side_deployed_s"):
        assert given(name).reason == "reverser out of use: one of the pair is known to be inoperative", name
    assert given("reverse_not_used").value == 0
    assert given("reverser_out_below_taxi_s").holds(0.5)
    assert given("forward_power_with_reverser_out_s").value == 0


def test_all_reversers_out_of_use_is_no_choice_not_to_use_them() -> None:
    found = made(NEVER_OUT, facts={"reversers_out": [1, 2]})("reverse_not_used")
    assert found.reason.startswith("reverser out of use")


def test_both_levers_up_with_one_reverser_out_of_use() -> None:
    """The procedure on some types: the lever goes up with the other one, the reverser does not move."""
    given = made({"reverser_state.2": switch(0)}, facts={"reversers_out": [2]})
    assert given("reverse_select_delay_s", 2).holds(2.0)
    assert given("reverse_wait_s", 2).reason == "reverser out of use"


# one engine that is not known -----------------------------------------------------------------------------------------


def test_a_missing_discrete_of_one_engine_leaves_at_least_what_the_other_shows() -> None:
    late = switch(0, (2.6, 1), (4.6, 2), (38, 1), (41, 0))
    found = made({"reverser_state.1": late, "reverser_state.2": None})("reverser_out_below_taxi_s")
    assert found.open
    assert found.lower == pytest.approx(41 - 27.5, abs=0.6)
    assert np.isposinf(found.upper)
    assert found.reason == "not recorded: reverser_state.2 or reverser_unlocked.2"


def test_one_side_is_not_told_from_the_other_alone() -> None:
    for name in ("one_side_deployed_s", "deploy_split_s"):
        assert made({"reverser_state.2": None})(name).missing, name


def test_used_by_one_is_used_whatever_the_other_did() -> None:
    bare = {"reverse_lever.2": None, "reverser_state.2": None}
    assert made(bare)("reverse_not_used").value == 0
    open_ = made({**bare, "reverse_lever.1": line((0, 0.0)), "reverser_state.1": switch(0)})("reverse_not_used")
    assert open_.open
    assert (open_.lower, open_.upper) == (0, 1)


def test_a_deployment_in_a_gap_has_bounds_and_no_value() -> None:
    given = made(gaps={"reverser_state.2": [(3, 10)]})
    for name, engine, truth in (
        ("deploy_delay_s", 2, 4.6),
        ("reverse_wait_s", 2, 2.6),
        ("deploy_split_s", 0, 0.0),
    ):
        found = given(name, engine)
        assert found.open, name
        assert found.holds(truth), name
        assert "in reverser_state.2 where the change happened" in found.reason, name
    assert given("one_side_deployed_s").open
    assert given("one_side_deployed_s").holds(0.0)
    assert given("deploy_delay_s", 1).value == pytest.approx(4.6, abs=0.2)


def test_a_stow_in_a_gap_has_bounds_and_no_value() -> None:
    given = made(gaps={"reverser_state.1": [(24, 36)]})
    for name, engine, truth in (
        ("stow_start_speed_kt", 1, 40.0),
        ("stowed_speed_kt", 1, 28.0),
        ("reverser_out_below_taxi_s", 0, 0.5),
    ):
        found = given(name, engine)
        assert found.open, name
        assert found.holds(truth), name
    assert given("reverser_out_below_taxi_s").upper > 8


def test_a_reverser_lost_to_the_end_is_not_known_to_be_still_out() -> None:
    found = made(gaps={"reverser_state.1": [(24, 99)]})("reverser_out_below_taxi_s")
    assert np.isnan(found.value)
    assert "reverser_state.1" in found.reason


def test_a_touchdown_in_a_gap_gives_bounds_only() -> None:
    given = made({"radio_height": None, "normal_acceleration": None}, gaps={"main_gear_ground": [(-4, 4)]})
    for name, engine, truth in (
        ("spoiler_delay_s", 0, 1.2),
        ("deploy_delay_s", 1, 4.6),
        ("touchdown_ground_speed_kt", 0, 140.0),
    ):
        found = given(name, engine)
        assert found.open, name
        assert found.holds(truth), name
    assert given("deploy_transit_s", 1).value == pytest.approx(2.0, abs=0.3), "does not depend on touchdown"


# deployed and unlocked discretes --------------------------------------------------------------------------------------

PAIR: dict[str, Truth | None] = {
    "reverser_state.1": None,
    "reverser_state.2": None,
    **{f"reverser_unlocked.{e}": between((2.6, 28)) for e in (1, 2)},
    **{f"reverser_deployed.{e}": between((4.6, 25)) for e in (1, 2)},
}


def test_a_pair_of_discretes_says_what_a_state_says() -> None:
    given = made(PAIR, rate_hz=1.0, rates={"reverser_deployed.1": 2.0})
    for (name, engine), truth in NORMAL.items():
        found = given(name, engine)
        assert not np.isnan(found.value), f"{name}: {found}"
        assert found.holds(truth), f"{name}: {truth} not in {found}"


def test_deployed_alone_times_no_transit_and_no_stowing() -> None:
    alone = {**PAIR, "reverser_unlocked.1": None, "reverser_unlocked.2": None}
    given = made(alone)
    assert given("deploy_delay_s", 1).holds(4.6)
    assert given("stow_start_speed_kt", 1).holds(40.0)
    assert given("one_side_deployed_s").holds(0.0)
    for name in ("deploy_transit_s", "stow_transit_s", "stowed_speed_kt"):
        assert given(name, 1).reason == "not recorded: reverser_state.1 or reverser_unlocked.1", name
    assert given("reverser_out_below_taxi_s").missing


def test_unlocked_alone_is_not_deployed() -> None:
    alone = {**PAIR, "reverser_deployed.1": None, "reverser_deployed.2": None}
    given = made(alone)
    assert given("reverser_out_below_taxi_s").holds(0.5)
    assert given("stowed_speed_kt", 1).holds(28.0)
    for name in ("deploy_delay_s", "deploy_transit_s", "stow_start_speed_kt", "reverse_wait_s"):
        assert given(name, 1).reason == "not recorded: reverser_state.1 or reverser_deployed.1", name


# in the air -----------------------------------------------------------------------------------------------------------


def test_reversers_out_before_touchdown() -> None:
    early = switch(0, (-3, 1), (-1, 2), (25, 1), (28, 0))
    given = made({"reverser_state.1": early})
    assert given("unstowed_in_air_s", 1).holds(3.0)
    assert given("deploy_delay_s", 1).holds(-1.0)
    assert given("deploy_transit_s", 1).holds(2.0)
    assert given("unstowed_in_air_s", 2).value == 0


def test_a_reverser_that_came_out_on_approach_and_went_back() -> None:
    """It counts as out in the air, and not as the deployment of this landing."""
    blip = switch(0, (-22, 1), (-18, 0), (2.6, 1), (4.6, 2), (25, 1), (28, 0))
    given = made({"reverser_state.1": blip})
    assert given("unstowed_in_air_s", 1).holds(4.0)
    assert given("deploy_transit_s", 1).holds(2.0)
    near = switch(0, (-6, 1), (-3, 0), (2.6, 1), (4.6, 2), (25, 1), (28, 0))
    assert made({"reverser_state.1": near})("deploy_transit_s", 1).holds(2.0)


# power ----------------------------------------------------------------------------------------------------------------


def test_high_reverse_below_taxi_speed() -> None:
    power = line((-4, 55), (0, 25), (5, 25), (9, 70), (30, 70), (33, 25))
    state = switch(0, (2.6, 1), (4.6, 2), (34, 1), (37, 0))
    given = made({"n1.1": power, "reverser_state.1": state})
    assert given("high_reverse_below_taxi_s", 1).holds(30 + 3 * 40 / 45 - 27.5)
    assert given("n1_above_idle_below_taxi_pct", 1).holds(45.0)
    assert given("high_reverse_below_taxi_s", 2).value == 0


@pytest.mark.parametrize("level", [38.0, 70.0])
def test_reverse_held_to_the_end_is_never_within(level: float) -> None:
    """No idle is to be learned from an engine that is held above it; the other engine's is used."""
    held = line((-4, 55), (4, 30), (5, 30), (7, level))
    out = switch(0, (2.6, 1), (4.6, 2))
    up = line((1.9, 0), (2.4, 0.25), (5, 0.25), (5.5, 0.25 + 0.65 * (level - 25) / 45))
    first = {"n1.1": held, "reverser_state.1": out, "reverse_lever.1": up}
    both = first | {"n1.2": held, "reverser_state.2": out, "reverse_lever.2": up}
    given = made(both, end_s=45.0)
    for name in ("high_reverse_below_taxi_s", "n1_above_idle_below_taxi_pct", "n1_above_idle_below_60kt_pct"):
        found = given(name, 1)
        assert found.missing, f"{name}: {found}"
        assert found.reason == "idle reverse of engine 1 is not known"
    one = made(first, end_s=45.0)
    assert one("n1_above_idle_below_taxi_pct", 1).holds(level - 25)
    assert one("high_reverse_below_taxi_s", 1).lower > 15
    known = made(both, end_s=45.0, settings=Settings(idle_reverse_pct={"made": 25.0}))
    assert known("n1_above_idle_below_taxi_pct", 2).holds(level - 25)


def test_idle_is_the_rule_books_for_its_fleet_only() -> None:
    assert made(settings=Settings(idle_reverse_pct={"made": 21.0}))("idle_n1_pct", 1).value == 21.0
    assert made(settings=Settings(idle_reverse_pct={"other": 21.0}))("idle_n1_pct", 1).holds(25.0)


def test_stowing_at_power() -> None:
    power = line((-4, 55), (0, 25), (5, 25), (9, 70), (24, 70), (29, 25))
    assert made({"n1.2": power})("n1_above_idle_at_stow_pct", 2).holds(45 * 4 / 5)


def test_power_lost_in_a_gap_is_at_least_what_was_seen() -> None:
    found = made(gaps={"n1.1": [(21, 40)]})("n1_above_idle_below_60kt_pct", 1)
    assert np.isnan(found.value)
    assert np.isposinf(found.upper)
    assert found.holds(30.0)
    late = {"reverser_state.1": switch(0, (2.6, 1), (4.6, 2), (36, 1), (39, 0))}
    high = made(late, gaps={"n1.1": [(28, 33)]})("high_reverse_below_taxi_s", 1)
    assert np.isnan(high.value)
    assert high.holds(0.0)
    assert high.upper == pytest.approx(5, abs=0.6)


def test_forward_power_with_a_reverser_out() -> None:
    """One lever left forward: the other engine's reverser out from 4.6 to 25 s."""
    stuck = {"n1.2": line((0, 60.0)), "reverser_state.2": switch(0), "reverse_lever.2": line((0, 0.0))}
    given = made({**stuck, "n1.2": line((-4, 60), (50, 60), (54, 25))})
    assert given("forward_power_with_reverser_out_s").holds(25 - 4.6)


def test_forward_power_set_in_mid_roll() -> None:
    """Idle at first; then one lever is moved forward as the other one's reverse is reduced."""
    forward = line((-4, 55), (0, 25), (12, 25), (16, 65), (40, 65), (44, 25))
    given = made({"n1.1": forward, "reverser_state.1": switch(0), "reverse_lever.1": line((0, 0.0))})
    assert given("forward_power_with_reverser_out_s").holds(25 - 12.5)


def test_approach_power_running_down_is_not_forward_power() -> None:
    slow = line((-4, 55), (1, 55), (7, 25))
    given = made({"n1.2": slow, "reverser_state.2": switch(0), "reverse_lever.2": line((0, 0.0))})
    assert given("forward_power_with_reverser_out_s").value == 0


def test_power_of_an_engines_own_reverse_is_not_forward_power_before_it() -> None:
    """A lever 5 s late: approach power runs down until its reverser unlocks, and reverse power follows at once."""
    late = switch(0, (7.5, 1), (9.5, 2), (25, 1), (28, 0))
    power = line((-4, 55), (1, 55), (7.4, 45), (8, 60), (10, 75), (22, 75), (26, 25))
    lever = line((7.0, 0.0), (7.4, 0.3), (22, 0.3), (24, 0.0))
    rates = {"reverser_state.1": 0.5, "reverser_state.2": 0.5}
    given = made({"n1.2": power, "reverser_state.2": late, "reverse_lever.2": lever}, rates=rates)
    assert given("forward_power_with_reverser_out_s").value == 0


def test_unequal_reverse_power() -> None:
    weak = line((-4, 55), (0, 25), (5, 25), (8, 45), (18, 45), (22, 25))
    found = made({"n1.2": weak})("reverse_power_split_pct")
    left = np.mean(POWER(np.linspace(4.6, 25, 20001)))
    right = np.mean(weak(np.linspace(4.6, 25, 20001)))
    assert found.holds(left - right)
    assert found.upper - found.lower < 4


def test_only_epr_recorded() -> None:
    """EPR stands for N1 with a wide tolerance, and never for exactly nothing."""
    bare = {"n1.1": None, "n1.2": None}
    assert made(bare)("n1_above_idle_at_stow_pct", 1).missing
    epr = {f"epr.{e}": (lambda t: 1 + 0.6 * (POWER(t) / 100) ** 2) for e in (1, 2)}
    found = made({**bare, **epr})("n1_above_idle_below_60kt_pct", 1)
    assert found.holds(30.0)
    assert found.upper - found.lower > 10


@pytest.mark.parametrize("rate_hz", [1.0, 4.0])
def test_a_reverser_opened_again_counts_while_it_is_out(rate_hz: float) -> None:
    """Below 30 kt from 27.5 s on: out until 28 s, and for 1.5 s again 20 s later; it was shut in between."""
    again = switch(0, (2.6, 1), (4.6, 2), (25, 1), (28, 0), (48, 1), (49.5, 0))
    found = made({"reverser_state.1": again}, rates={"reverser_state.1": rate_hz})("reverser_out_below_taxi_s")
    assert found.holds(2.0)
    assert found.upper < 5


@pytest.mark.parametrize("idle_epr", [1.0, 1.008])
def test_a_step_of_a_recorded_epr_at_idle_is_no_power(idle_epr: float) -> None:
    """A third engine without a reverser goes from flight to ground idle, two steps of 0.004 of EPR, and stays there."""
    reverse = line((-4, 1.2), (0, idle_epr), (5, idle_epr), (9, 1.35), (18, 1.35), (24, idle_epr))
    settles = switch(idle_epr + 0.008, (14, idle_epr + 0.004), (17, idle_epr))
    epr = {"epr.1": reverse, "epr.2": lambda t: np.where(t < 0, 1.2, settles(t)), "epr.3": reverse}
    third = {"reverser_state.3": STATE, "reverse_lever.3": LEVER, "reverser_state.1": STATE, "reverse_lever.1": LEVER}
    given = made({"n1.1": None, "n1.2": None, "n1.3": None, **third, **epr}, engines=3, reversers=(1, 3))
    assert given("forward_power_with_reverser_out_s").value == 0
    assert not given("n1_above_idle_at_stow_pct", 1).value > 10


def test_autothrottle_left_in() -> None:
    assert made({"autothrottle_engaged": switch(1, (7, 0))})("autothrottle_in_reverse_s").holds(5.0)
    found = made({"autothrottle_engaged": switch(1, (7, 0))}, gaps={"autothrottle_engaged": [(4, 12)]})
    lost = found("autothrottle_in_reverse_s")
    assert np.isnan(lost.value)
    assert lost.holds(5.0)


# other layouts --------------------------------------------------------------------------------------------------------


def test_four_engines_with_inboard_reversers() -> None:
    """An outboard engine without a reverser, at forward power while the inboard ones are reversed.

    It was idle as they deployed at 4.6 s: what it does in the 4 s after that is not counted.
    """
    powers: dict[str, Truth | None] = {f"n1.{e}": POWER for e in (2, 3)}
    powers["n1.1"] = line((-4, 55), (0, 25))
    powers["n1.4"] = line((-4, 55), (0, 25), (6, 25), (10, 90), (35, 90), (40, 25))
    given = made(powers, engines=4, reversers=(2, 3))
    assert given("forward_power_with_reverser_out_s").holds(25 - 8.6)
    assert given("deploy_split_s").holds(0.0)
    assert given("deploy_delay_s", 3).holds(4.6)
    assert given.measured.engines == (2, 3)


def test_four_reversers_are_compared_with_their_mirrors() -> None:
    slow = switch(0, (2.6, 1), (8.6, 2), (25, 1), (28, 0))
    given = made({"reverser_state.4": slow}, engines=4, reversers=(1, 2, 3, 4))
    assert given("deploy_split_s").holds(4.0)
    both = made({"reverser_state.4": slow, "reverser_state.1": slow}, engines=4, reversers=(1, 2, 3, 4))
    assert both("deploy_split_s").holds(0.0), "outboard with outboard, inboard with inboard"
    aside = made({"reverser_state.4": switch(0)}, engines=4, reversers=(1, 2, 3, 4), facts={"reversers_out": [4]})
    assert aside("deploy_split_s").holds(0.0), "the pair with one out of use does not count"


def test_three_engines() -> None:
    outer = made(engines=3, reversers=(1, 3))
    assert outer("deploy_split_s").holds(0.0)
    three = made({"reverser_state.2": switch(0)}, engines=3, reversers=(1, 2, 3))
    assert three("deploy_split_s").holds(0.0), "the middle engine has no mirror"
    assert three("deploy_delay_s", 2).reason == "the reverser was never deployed"


def test_no_reversers_at_all() -> None:
    given = made(reversers=())
    for name, measure in CATALOGUE.items():
        bounded = given.measured.values[name]
        if measure.per_engine:
            assert bounded.value.shape == (1, 0), name
        elif "revers" in name or name in ("one_side_deployed_s", "deploy_split_s"):
            assert given(name).reason in (
                "no engine has a reverser",
                "no two engines with reversers mirror each other",
            ), name
    assert given("spoiler_delay_s").holds(1.2)


# heading --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("runway_deg", [0.0, 359.6, 180.0, 91.0])
@pytest.mark.parametrize("signed", [False, True])
def test_heading_excursions_do_not_wrap(runway_deg: float, signed: bool) -> None:
    """In 0 to 360 and in -180 to 180; the turn off the runway does not count."""
    turn = line((8, 0), (9, 4), (10, 4), (12, 0), (32, 0), (40, 80))

    def heading(t: np.ndarray) -> np.ndarray:
        degrees = (runway_deg + turn(t)) % 360
        return (degrees + 180) % 360 - 180 if signed else degrees

    given = made({"heading": heading})
    assert given("heading_excursion_deg").holds(4.0)
    assert given("heading_excursion_deg").value < 5
    exit_s = given.result.instants["runway_exit"]
    assert exit_s.earliest[0] - 0.2 <= 32 + 8 * 20 / 80 <= exit_s.latest[0] + 0.2


def test_a_noisy_heading_leaves_the_runway_once() -> None:
    rng = np.random.default_rng(3)
    noise = rng.uniform(-4, 4, 1000)
    turn = line((40, 0), (48, 80))
    given = made({"heading": lambda t: (3 + turn(t) + noise[np.rint((t + 40) * 4).astype(int) % 1000]) % 360})
    exit_s = given.result.instants["runway_exit"]
    assert exit_s.best[0] == pytest.approx(42, abs=1.0)


def test_a_single_heading_by_mistake_is_no_runway_exit() -> None:
    spike = line((32, 0), (40, 80))
    given = made({"heading": lambda t: (90 + spike(t) + 25 * (np.abs(t - 22) < 0.12)) % 360})
    assert given.result.instants["runway_exit"].best[0] == pytest.approx(34, abs=0.6)


def test_a_heading_excursion_needs_to_know_what_was_fast() -> None:
    assert made(gaps={"ground_speed": [(1, 69)]})("heading_excursion_deg").missing


# distance and deceleration --------------------------------------------------------------------------------------------

RATES = [
    1.7,
    3.0,
    4 * M_PER_FT,
    7.2 * M_PER_FT,
    14 * M_PER_FT,
]  # m/s2: common autobrake settings, in part from memory


@pytest.mark.parametrize("decel", RATES)
@pytest.mark.parametrize("rate_hz", [1.0, 4.0])
def test_constant_deceleration_rolls_the_closed_form_distance(decel: float, rate_hz: float) -> None:
    """s = (v1^2 - v2^2) / 2a."""
    knots_per_s = decel / MPS_PER_KT
    speed = line((-30, 140), (0, 140), (130 / knots_per_s, 10))
    given = made({"ground_speed": speed}, rate_hz=rate_hz, end_s=130 / knots_per_s + 20)
    for name, to_kt in (("rollout_60_m", 60), ("rollout_30_m", 30)):
        metres = ((140 * MPS_PER_KT) ** 2 - (to_kt * MPS_PER_KT) ** 2) / 2 / decel
        found = given(name)
        assert found.holds(metres), name
        assert found.value == pytest.approx(metres, abs=140 * MPS_PER_KT * 0.2), "a fifth of a second at 140 kt"
    assert given("mean_deceleration_g").holds(decel / G_MPS2)
    assert given("mean_deceleration_g").value == pytest.approx(decel / G_MPS2, rel=0.02)


def test_speed_never_reached() -> None:
    given = made({"ground_speed": line((-30, 142), (0, 140), (15, 80))}, end_s=40.0)
    assert given("rollout_60_m").reason == "ground speed never fell to 60 kt in this recording"
    assert given("mean_deceleration_g").missing
    assert given("high_reverse_below_taxi_s", 1).reason == "ground speed never fell to 30 kt in this recording"


def test_a_gap_of_ground_speed_says_nothing_of_distance() -> None:
    found = made(gaps={"ground_speed": [(5, 14)]})("rollout_60_m")
    assert found.missing
    assert found.reason == "ground speed has a gap in the rollout"


# flying again ---------------------------------------------------------------------------------------------------------


def test_go_around_after_reverse() -> None:
    ground = between((0, 8))
    fast = line((-30, 142), (0, 140), (8, 125), (30, 160))
    out = switch(0, (2.6, 1), (4.6, 2), (6, 1), (9, 0))
    lever = line((1.9, 0), (2.4, 0.25), (5.5, 0.25), (5.7, 0))
    power = line((-4, 55), (0, 25), (6, 25), (12, 95))
    common = {
        "main_gear_ground": ground,
        "ground_speed": fast,
        "n1.1": power,
        "n1.2": power,
        "radio_height": None,
    }
    used = {**{f"reverser_state.{e}": out for e in (1, 2)}, **{f"reverse_lever.{e}": lever for e in (1, 2)}}
    given = made({**common, **used}, end_s=30.0)
    assert given("go_around_after_reverse").value == 1
    assert given.result.landings["kind"][0] == "go_around"
    assert made({**common, **NEVER_OUT}, end_s=30.0)("go_around_after_reverse").value == 0
    unknown = dict.fromkeys(used)
    assert made({**common, **unknown}, end_s=30.0)("go_around_after_reverse").missing


# batches --------------------------------------------------------------------------------------------------------------


def test_a_batch_of_n_is_n_batches_of_one_for_every_measure() -> None:
    """Landings of one layout, each of its own length, with lapses, gaps and reversers out of use."""
    rng = np.random.default_rng(8)
    recorder = RECORDERS["once a second"]
    made_ = [recorder.record(draw(rng, bounce=0.3), rng, str(i)) for i in range(10)]
    made_ += [landing_like(made_[0], rng, i) for i in range(3)]
    whole = measured(made_, end_s=100.0)
    for row, one in enumerate(made_):
        alone = measured([one], end_s=100.0)
        for name, together in whole.measured.values.items():
            single = alone.measured.values[name]
            for field in ("value", "lower", "upper"):
                np.testing.assert_allclose(
                    getattr(together, field)[row],
                    getattr(single, field)[0],
                    rtol=1e-5,
                    atol=1e-5,
                    err_msg=f"{name} {row}",
                )
            says = [whole.reasons.sentences[c] for c in np.atleast_1d(together.why[row])]
            assert says == [alone.reasons.sentences[c] for c in np.atleast_1d(single.why[0])], name


def landing_like(one, rng: np.random.Generator, number: int):  # type: ignore[no-untyped-def]
    """The same recorder's landing with samples missing here and there."""
    from dataclasses import replace

    flown = RECORDERS["once a second"].record(draw(rng), rng, f"gaps {number}")
    samples = {}
    for name, s in flown.samples.items():
        begin = CLOCK_S + rng.uniform(START_S, 40)
        lost = (s.time_s >= begin) & (s.time_s < begin + rng.uniform(0, 9))
        values = s.values.copy()
        values[lost] = -1 if values.dtype == np.int8 else np.nan
        samples[name] = replace(s, values=values)
    assert set(samples) == set(one.samples)
    return replace(flown, samples=samples)


def test_the_names_used_here_are_the_catalogues() -> None:
    assert {name for name, _ in NORMAL} <= set(CATALOGUE)
    assert {measure for _, measure, _, _ in ABSENT} <= set(CATALOGUE)
    assert SPEED(np.array(20.0)) == 60
    assert LEVER(np.array(2.0)) == pytest.approx(0.05)
    assert STATE(np.array(4.6)) == 2


def test_no_reversers_make_whole_tables() -> None:
    given = made(reversers=())
    wide = measures_wide(given.result)
    assert "deploy_delay_s.1" not in wide.columns
    assert measures_long(wide, given.reasons.sentences).filter(measure="spoiler_delay_s")["value"][0] > 0
    assert instants_wide(given.result).height == 1


def test_spoilers_that_hover_at_the_extended_fraction_may_never_have_been_extended() -> None:
    """They truly stop at 0.695 of their travel; the recorder's own doubt reads 0.70 once."""
    hover = line((0.5, 0), (1.5, 0.695), (29, 0.695), (30, 0))
    given = made({"spoiler_handle": lambda t: hover(t) + 0.007 * (np.abs(t - 3.0) < 0.13)})
    assert given("spoiler_delay_s").upper == np.inf
    sure = made({"spoiler_handle": line((0.5, 0), (1.5, 0.72), (29, 0.72), (30, 0))})
    assert sure("spoiler_delay_s").upper < 3
