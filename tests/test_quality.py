"""Recorder faults in one landing made by hand: taken out, named, and never taken for what the aeroplane did."""

from __future__ import annotations

import re

import numpy as np
import pytest

from tests.handmade import POWER, SPEED, SPOILERS, STATE, TURN, Made, made, normal
from tests.making import Truth, between, line, switch


def _said(given: Made, row: int = 0) -> list[str]:
    return given.result.landings["quality"][row].to_list()


def _one_sample(truth: Truth, at_s: float, step_s: float, value: float) -> Truth:
    """A truth with another value for as long as one sampling step around a time."""
    return lambda t: np.where(np.abs(t - at_s) < step_s / 2, value, truth(t))


def _stands(truth: Truth, from_s: float, to_s: float) -> Truth:
    return lambda t: truth(np.where((t >= from_s) & (t < to_s), from_s, t))


# -- what a reverser can do in one sample, and what it cannot ---------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [1.0, 2.0])
def test_a_short_unlock_in_the_air_is_not_taken_out(rate_hz: float) -> None:
    """Out of stowed for 0.6 s, which one sample at 1 or 2 Hz may show: the bounds hold it."""
    for start_s in np.arange(-6.0, -5.0, 0.17):
        unlock = switch(0, (start_s, 1), (start_s + 0.6, 0), (2.6, 1), (4.6, 2), (25, 1), (28, 0))
        given = made({"reverser_state.1": unlock}, rates={"reverser_state.1": rate_hz, "reverser_state.2": rate_hz})
        assert given("unstowed_in_air_s", 1).holds(0.6), start_s


def test_reverse_selected_for_a_moment_before_going_around_is_seen() -> None:
    """Unlocked from 2.6 to 3.4 s, then power and off again: one sample in transit."""
    short = switch(0, (2.6, 1), (3.4, 0))
    away = line((3.2, 25), (8, 90))
    given = made(
        {
            "reverser_state.1": short,
            "reverser_state.2": short,
            "reverse_lever.1": None,
            "reverse_lever.2": None,
            "main_gear_ground": between((0, 9)),
            "radio_height": line((-30, 300), (0, 0), (9, 0), (40, 900)),
            "ground_speed": line((-30, 142), (0, 140), (4, 128), (40, 160)),
            "n1.1": away,
            "n1.2": away,
            "spoiler_handle": line((0.5, 0), (1.5, 1), (3.5, 1), (4, 0)),
        },
        rates={"reverser_state.1": 1.0, "reverser_state.2": 1.0},
        end_s=30,
    )
    assert given("go_around_after_reverse").value == 1


@pytest.mark.parametrize("value", [0.0, 2.0])
def test_a_whole_travel_there_and_back_in_a_sample_is_the_recorders(value: float) -> None:
    wrong = _one_sample(STATE, 15 if value == 0 else -5, 1.0, value)
    given = made({"reverser_state.1": wrong}, rates={"reverser_state.1": 1.0, "reverser_state.2": 1.0})
    assert any("reverser_state.1: lone change of state" in text for text in _said(given))
    assert given("unstowed_in_air_s", 1).value == 0
    assert given("one_side_deployed_s").holds(0)


# -- spikes and standstills at 1 Hz -----------------------------------------------------------------------------------


@pytest.mark.parametrize("off_deg", [-15, 12, 25])
def test_a_heading_that_leaps_away_and_back_is_a_spike(off_deg: float) -> None:
    heading = _one_sample(lambda t: 90 + TURN(t), 10, 1.0, 90 + off_deg)
    given = made({"heading": heading}, rates={"heading": 1.0})
    assert any("heading: spike" in text for text in _said(given))
    assert given("heading_excursion_deg").upper < 3


@pytest.mark.parametrize("samples", [1, 2])
@pytest.mark.parametrize("wrong_kt", [0.0, 255.0])
def test_a_ground_speed_away_for_a_sample_or_two_is_a_spike(samples: int, wrong_kt: float) -> None:
    """At 100 kt, 10 s after touchdown; taken at its word, 0 kt would be taxi speed."""
    wrong = _one_sample(SPEED, 10 + (samples - 1) / 2, samples, wrong_kt)
    given = made({"ground_speed": wrong}, rates={"ground_speed": 1.0})
    assert any("ground_speed: spike" in text for text in _said(given))
    assert given("reverser_out_below_taxi_s").holds(0.5)


@pytest.mark.parametrize(("name", "truth"), [("heading", lambda t: 90 + TURN(t)), ("ground_speed", SPEED)])
@pytest.mark.parametrize("lasts_s", [2, 5])
def test_what_reads_nought_for_some_seconds_was_lost(name: str, truth: Truth, lasts_s: float) -> None:
    """From 8 s after touchdown: taken at its word, a turn of 90 degrees, or reverse at a standstill."""
    given = made({name: _one_sample(truth, 8 + lasts_s / 2, lasts_s, 0.0)}, rates={name: 1.0})
    assert re.search(rf"{name}: (lost|spike) from [78]\.\d to \d+\.\d s after touchdown", "\n".join(_said(given)))
    assert not given("heading_excursion_deg").value > 3
    assert given("reverser_out_below_taxi_s").holds(0.5)


def test_a_spike_does_not_make_a_standstill_of_a_slow_taxi() -> None:
    """At 20 kt from 30 s on, to the knot."""
    given = made({"ground_speed": _one_sample(SPEED, 40, 1.0, 255.0)}, rates={"ground_speed": 1.0})
    assert not any("frozen" in text for text in _said(given))


def test_a_swerve_is_not_a_spike() -> None:
    """Twelve degrees off and back over six seconds: 4 degrees a second."""
    swerve = line((10, 0), (13, 12), (16, 0))
    given = made({"heading": lambda t: 90 + TURN(t) + swerve(t)}, rates={"heading": 1.0})
    assert not any("heading" in text for text in _said(given))
    assert given("heading_excursion_deg").holds(12)


@pytest.mark.parametrize(("at_s", "value"), [(15, 0), (15, 127.5), (22, 0.0)])
def test_an_engine_that_stands_still_for_one_sample_is_a_spike(at_s: float, value: float) -> None:
    given = made({"n1.1": _one_sample(POWER, at_s, 1.0, value)}, rates={"n1.1": 1.0, "n1.2": 1.0})
    assert any("n1.1: spike" in text for text in _said(given))
    assert given("high_reverse_below_taxi_s", 1).holds(0)


@pytest.mark.parametrize("rate_hz", [1.0, 4.0])
def test_an_engine_that_stands_still_and_leaps_is_frozen(rate_hz: float) -> None:
    given = made({"n1.1": _stands(POWER, 17.9, 25)}, rates={"n1.1": rate_hz, "n1.2": rate_hz})
    assert any("n1.1: frozen" in text for text in _said(given))


@pytest.mark.parametrize("pct_per_s", [8, 15, 30])
def test_an_engine_that_runs_down_from_steady_power_is_not_frozen(pct_per_s: float) -> None:
    """Even a quick one, which goes on running down after its first second."""
    down = line((-4, 55), (0, 25), (5, 25), (9, 70), (18, 70), (18 + 45 / pct_per_s, 25))
    given = made({"n1.1": down, "n1.2": down}, rates={"n1.1": 1.0, "n1.2": 1.0})
    assert not any("n1" in text for text in _said(given))


@pytest.mark.parametrize("lasts_s", [3.5, 6])
def test_ground_speed_that_stands_still_and_leaps_is_frozen(lasts_s: float) -> None:
    given = made({"ground_speed": _stands(SPEED, 12, 12 + lasts_s)}, rates={"ground_speed": 1.0})
    assert any("ground_speed: frozen" in text for text in _said(given))


def test_a_heading_that_stands_still_and_leaps_is_frozen() -> None:
    """Six degrees of crab from 2 s before touchdown on, taken out by 1 s after it, and seen only at 9 s."""
    crab = line((-30, 358), (-2, 356), (1, 362))
    given = made({"heading": lambda t: _stands(crab, -2, 9)(t) % 360}, rates={"heading": 1.0})
    assert re.search(r"heading: frozen from -?\d\.\d to [789]\.\d s", "\n".join(_said(given)))
    assert not given("heading_excursion_deg").upper > 3


@pytest.mark.parametrize("deg_per_s", [3, 6, 9])
def test_a_crab_kicked_straight_or_a_turn_begun_at_once_is_not_frozen(deg_per_s: float) -> None:
    heading = line((-1, 349), (-1 + 11 / deg_per_s, 360), (32, 360), (32 + 80 / deg_per_s, 440))
    for rate_hz in (1.0, 2.0, 4.0):
        given = made({"heading": lambda t: heading(t) % 360}, rates={"heading": rate_hz})
        assert not any("heading" in text for text in _said(given)), rate_hz


def test_brakes_that_bite_late_are_no_frozen_speed() -> None:
    """Constant speed to the letter for ten seconds, then 0.4 g."""
    speed = line((-30, 142), (0, 140), (10, 140), (25, 20))
    for rate_hz in (1.0, 2.0, 4.0, 8.0):
        given = made({"ground_speed": speed}, rates={"ground_speed": rate_hz})
        assert not any("ground_speed" in text for text in _said(given)), rate_hz


# -- spoilers and power that the recorder held -------------------------------------------------------------------------

LATE = np.arange(4.0, 5.0, 0.2)  # spoilers come out so late: at every phase of a recorder that samples once a second


def _late(at_s: float, travel_s: float = 0.4, rate_hz: float = 1.0, **more: Truth) -> Made:
    """Spoilers out late; the deceleration is steady unless said otherwise."""
    steady = {"longitudinal_acceleration": line((0, -0.2))}
    out = line((at_s, 0), (at_s + travel_s, 1), (29, 1), (30, 0))
    return made({"spoiler_handle": out} | steady | more, rates={"spoiler_handle": rate_hz})


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 4.0, 8.0])
@pytest.mark.parametrize("from_s", [-3.0, -0.2, 0.9])
def test_spoilers_that_the_recorder_held_are_not_late(rate_hz: float, from_s: float) -> None:
    """Out 1.2 s after contact, and read as they were before, or on their way, until 6 s."""
    given = made({"spoiler_handle": _stands(SPOILERS, from_s, 6)}, rates={"spoiler_handle": rate_hz})
    assert any(re.match(r"spoiler_handle: .*frozen.* to [56]\.\d s after touchdown", text) for text in _said(given))
    assert given("spoiler_delay_s").open
    assert given("spoiler_delay_s").holds(1.2)


def test_late_spoilers_whose_lift_dump_is_felt_are_late() -> None:
    """Between two samples, and 0.07 g more of deceleration with them: drag of the spoilers alone (common practice)."""
    for at_s in LATE:
        given = _late(at_s, longitudinal_acceleration=line((at_s, -0.1), (at_s + 0.4, -0.17)))
        assert given("spoiler_delay_s").value == pytest.approx(at_s, abs=1.0)
        assert given("spoiler_delay_s").holds(at_s + 0.28)
        assert not any("spoiler" in text for text in _said(given))


def test_late_spoilers_that_are_not_felt_are_open_where_no_sample_shows_them_move() -> None:
    found = [_late(at_s) for at_s in LATE]
    assert all(given("spoiler_delay_s").holds(at_s + 0.28) for given, at_s in zip(found, LATE, strict=True))
    words = "spoiler_handle: stands still, frozen or not yet out"
    named = [any(words in text for text in _said(given)) for given in found]
    assert named == [given("spoiler_delay_s").open for given in found]
    assert any(named)
    assert not all(named)


def _braked(at_s: float) -> dict[str, Truth]:
    return {f"brake_pressure.{side}": line((at_s, 0), (at_s + 0.2, 900)) for side in ("left", "right")}


def test_brakes_that_come_on_as_the_recorder_lets_go_are_no_late_spoilers() -> None:
    """Out at 1.2 s, which slowed it by 0.04 g more (common practice); held until 6.2 s, when the brakes bite."""
    slows = line((0.5, -0.1), (1.5, -0.14), (6.1, -0.14), (6.3, -0.35))
    stands = {"spoiler_handle": _stands(SPOILERS, -1, 6.2), "longitudinal_acceleration": slows}
    assert made(stands | _braked(6.1), rates={"spoiler_handle": 1.0})("spoiler_delay_s").open


def test_spoilers_that_the_brakes_waited_for_are_late() -> None:
    """Nothing slowed it more than before contact until they came, with the brakes."""
    for at_s in LATE:
        slows = line((at_s, -0.1), (at_s + 0.4, -0.35))
        given = _late(at_s, longitudinal_acceleration=slows, **_braked(at_s + 0.2))
        assert given("spoiler_delay_s").value == pytest.approx(at_s, abs=1.0)


@pytest.mark.parametrize(("rate_hz", "travel_s"), [(4.0, 0.5), (4.0, 1.0), (8.0, 0.5), (2.0, 2.0)])
def test_late_spoilers_seen_to_move_are_late(rate_hz: float, travel_s: float) -> None:
    for at_s in LATE[::2]:
        given = _late(at_s, travel_s, rate_hz)
        assert given("spoiler_delay_s").holds(at_s + 0.7 * travel_s)
        assert given("spoiler_delay_s").upper - given("spoiler_delay_s").lower < 1.0
        assert not any("spoiler" in text for text in _said(given))


def test_spoilers_that_come_out_in_two_stages_are_timed_by_the_second() -> None:
    """Three tenths with the first main gear, the rest with the other one, 5 s later."""
    stages = line((0.5, 0), (0.8, 0.3), (5.5, 0.3), (6.5, 1), (29, 1), (30, 0))
    given = made({"spoiler_handle": stages})
    assert given("spoiler_delay_s").value == pytest.approx(6.07, abs=0.2)
    assert not any("spoiler" in text for text in _said(given))


def test_spoilers_that_come_late_and_part_of_the_way_were_never_extended() -> None:
    for at_s in LATE[::2]:
        given = made({"spoiler_handle": line((at_s, 0), (at_s + 0.3, 0.6))}, rates={"spoiler_handle": 1.0})
        assert np.isposinf(given("spoiler_delay_s").upper)
        assert given("spoiler_delay_s").lower > 20


def test_an_engine_held_while_it_spools_up_is_frozen() -> None:
    """At 45 % from 10 s, while the other one runs up by 4 % a second; at 13.4 s it is there too."""
    up = line((-4, 55), (0, 25), (5, 25), (14, 61), (18, 61), (24, 25))
    given = made({"n1.1": _stands(up, 10, 13.4), "n1.2": up}, rates={"n1.1": 1.0, "n1.2": 1.0})
    assert any(re.match(r"n1\.1: frozen from 1[12]\.\d to 1[23]\.\d s after", text) for text in _said(given))
    assert not any("n1.2" in text for text in _said(given))


@pytest.mark.parametrize("pct_per_s", [6, 10])
def test_an_engine_that_follows_the_other_late_is_not_frozen(pct_per_s: float) -> None:
    """Steady at 45 % while the other one runs up to 70 %, and then up as well."""
    for at_s in np.arange(12.0, 13.0, 0.25):
        follows = line((-4, 55), (0, 25), (5, 25), (7, 45), (at_s, 45), (at_s + 25 / pct_per_s, 70), (18, 70), (24, 25))
        given = made({"n1.1": follows}, rates={"n1.1": 1.0, "n1.2": 1.0})
        assert not any("n1" in text for text in _said(given)), at_s


# -- air/ground ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("at_s", [-1.1, -1.6, -2.2])
def test_a_lone_ground_sample_before_contact_is_not_contact(at_s: float) -> None:
    """The jolt of contact comes after it, and proves nothing for it."""
    chatter = _one_sample(between((0, 1e6)), at_s, 1.0, 1.0)
    given = made({"main_gear_ground": chatter, "radio_height": None}, rates={"main_gear_ground": 1.0})
    assert given("spoiler_delay_first_s").holds(1.2)  # 0.7 of the travel from 0.5 to 1.5 s


# -- what lasts, and what many parameters share -----------------------------------------------------------------------


@pytest.mark.parametrize("off_g", [-0.2, 0.07, 0.12])
def test_an_accelerometer_with_its_datum_off_is_read_as_if_it_were_not(off_g: float) -> None:
    felt = normal()["normal_acceleration"]
    given = made({"normal_acceleration": lambda t: felt(t) + off_g})
    assert any(f"rests at {1 + off_g:.2f} g, not at 1 g" in text for text in _said(given))
    assert given("bounce_airborne_s").value == made()("bounce_airborne_s").value


def test_an_accelerometer_that_rests_at_1_g_is_left_alone() -> None:
    felt = normal()["normal_acceleration"]
    given = made({"normal_acceleration": lambda t: felt(t) + 0.03 + 0.1 * ((t > 9) & (t < 11))})
    assert not any("rests at" in text for text in _said(given))


# -- the recorder stood still ------------------------------------------------------------------------------------------


def _shaken(seed: int) -> Truth:
    """What an accelerometer feels besides: a sum of waves of a few hundredths of a g."""
    phases = np.random.default_rng(seed).uniform(0, 6, 5)
    return lambda t: sum(0.01 * np.sin((3 + 1.7 * k) * t + phase) for k, phase in enumerate(phases))


def _held(from_s: float, to_s: float) -> dict[str, Truth | None]:
    """Every parameter of the normal landing, shaken, standing still between two times."""
    felt = {
        "normal_acceleration": lambda t: normal()["normal_acceleration"](t) + _shaken(1)(t),
        "longitudinal_acceleration": lambda t: -0.2 + _shaken(2)(t),
    }
    return {name: _stands(truth, from_s, to_s) for name, truth in {**normal(), **felt}.items()}


@pytest.mark.parametrize("rate_hz", [1.0, 4.0])
def test_a_recording_that_stands_still_makes_nothing_late(rate_hz: float) -> None:
    """From 1 to 9.5 s: taken at its word, spoilers, reverse and brakes all came at 9.5 s."""
    rates = dict.fromkeys(normal(), rate_hz) | {"normal_acceleration": 8.0}
    given = made(_held(1.0, 9.5), rates=rates)
    repeats = r"every parameter repeats its last value, from [01]\.\d to 9\.\d s after touchdown"
    assert re.search(repeats, "\n".join(_said(given)))
    for name, truth in (("spoiler_delay_s", 1.2), ("brake_delay_s", 3.05)):
        assert given(name).lower <= truth, name
        assert not given(name).value > 2 * truth, name
    for engine in (1, 2):
        assert not given("reverse_select_delay_s", engine).value > 4


def test_a_recording_of_a_steady_roll_does_not_stand_still() -> None:
    """Constant speed to the letter for ten seconds, while the accelerometers go on."""
    steady = {**_held(99, 99), "ground_speed": line((-30, 142), (0, 140), (10, 140), (25, 20))}
    assert not any("repeats" in text for text in _said(made(steady)))


def test_a_recording_of_an_approach_in_still_air_does_not_stand_still() -> None:
    """Nothing is felt and the speed stays to the letter; the height comes down."""
    calm = {"normal_acceleration": line((0, 1)), "longitudinal_acceleration": line((0, 0.05), (0.1, -0.2))}
    speed = line((-30, 140), (0, 140), (30, 20))
    assert not any("repeats" in text for text in _said(made({**calm, "ground_speed": speed})))


def test_what_many_parameters_lack_together_is_said_once() -> None:
    lost = {name: [(9.0, 13.0)] for name in normal()}
    said = [text for text in _said(made(gaps=lost)) if "no samples" in text]
    assert len(said) == 1
    assert said[0].startswith(f"no samples of {len(lost)} parameters from 9.")


def test_what_two_parameters_lack_is_said_of_each() -> None:
    said = _said(made(gaps={name: [(9.0, 13.0)] for name in ("n1.1", "heading")}))
    assert sum("no samples" in text for text in said) == 2


def test_a_contradiction_is_placed_in_time() -> None:
    flags = {
        "reverser_state.1": None,
        "reverser_state.2": None,
        **{f"reverser_deployed.{e}": between((4.6, 25)) for e in (1, 2)},
        "reverser_unlocked.1": switch(0),
        "reverser_unlocked.2": between((2.6, 28)),
    }
    said = [text for text in _said(made(flags)) if "deployed and locked at once" in text]
    assert len(said) == 1
    assert re.search(r"from 4\.[6-9] to 2[45]\.\d s after touchdown", said[0])
