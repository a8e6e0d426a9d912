"""Reverser discretes that died, told on one landing from a reverser that stayed shut, or left open."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from fdm.tails import dead_discretes, seen_of
from tests.handmade import POWER, STATE, Made, made
from tests.making import Truth, between, line, switch

DOWN, IDLE = line((0, 0)), line((-4, 55), (0, 25))
HELD = line((1.9, 0), (2.4, 0.25), (24.4, 0.25), (24.7, 0))  # at the interlock
SHUT, STUCK = switch(0), switch(0, (2.6, 1), (26, 0))


def _flags(engine: int, unlocked: Truth, deployed: Truth) -> dict[str, Truth | None]:
    names = f"reverser_state.{engine}", f"reverser_unlocked.{engine}", f"reverser_deployed.{engine}"
    return dict(zip(names, (None, unlocked, deployed), strict=True))


def _dead(given: Made) -> dict[int, str]:
    """Sentences on dead discretes by engine."""
    instants = {name: when.best for name, when in given.result.instants.items()}
    landings = given.result.landings.with_columns(tail=pl.lit("QQ-AAA"))
    found = dead_discretes(landings, seen_of(given.measured, instants))
    return dict(found.select("engine", "sentence").iter_rows())


def test_nothing_is_dead_on_a_normal_landing() -> None:
    assert not _dead(made())


def test_idle_reverse_does_not_tell_a_dead_discrete_from_a_reverser_that_stayed_shut() -> None:
    given = made(
        {"reverser_state.1": SHUT, "n1.1": IDLE, "n1.2": IDLE, "reverse_lever.1": HELD, "reverse_lever.2": HELD}
    )
    assert "look alike" in _dead(given)[1]


def test_a_deployed_discrete_may_be_dead_though_the_unlocked_one_lives() -> None:
    living = {name: lambda t, least=least: (STATE(t) >= least) * 1.0 for name, least in (("u", 1), ("d", 2))}
    given = made(
        {
            **_flags(1, living["u"], SHUT),
            **_flags(2, living["u"], living["d"]),
            "n1.1": IDLE,
            "n1.2": IDLE,
            "reverse_lever.1": HELD,
            "reverse_lever.2": HELD,
        }
    )
    assert list(_dead(given)) == [1]


def test_a_reverser_seen_in_transit_is_believed() -> None:
    given = made({"reverser_state.1": STUCK, "n1.1": IDLE, "n1.2": IDLE})
    assert not _dead(given)


def test_power_on_the_other_engine_tells_that_the_interlock_held() -> None:
    assert not _dead(made({"reverser_state.1": SHUT, "n1.1": IDLE, "reverse_lever.1": HELD}))


def test_power_behind_a_reverser_that_reads_shut_is_a_dead_discrete() -> None:
    assert "N1 rose" in _dead(made({"reverser_state.1": SHUT}))[1]


def test_one_dead_and_one_shut_are_told_apart() -> None:
    """Neither reads deployed: the one with power is dead, the one at the interlock stayed shut."""
    given = made({"reverser_state.1": SHUT, "reverser_state.2": SHUT, "n1.2": IDLE, "reverse_lever.2": HELD})
    assert list(_dead(given)) == [1]


@pytest.mark.parametrize("power", [POWER, IDLE])
def test_neither_reverser_out_with_both_levers_raised_is_believed(power: Truth) -> None:
    shut = {f"reverser_state.{e}": SHUT for e in (1, 2)}
    assert not _dead(made({**shut, "n1.1": power, "n1.2": power}))


def test_a_lever_that_stayed_down_explains_its_reverser() -> None:
    given = made({"reverser_state.1": SHUT, "reverse_lever.1": DOWN, "n1.1": IDLE, "n1.2": IDLE})
    assert not _dead(given)


def test_one_lever_alone_at_idle_is_left_open() -> None:
    """The other engine was never put in reverse."""
    given = made(
        {
            "reverser_state.1": SHUT,
            "reverser_state.2": SHUT,
            "reverse_lever.2": DOWN,
            "n1.1": IDLE,
            "n1.2": line((-4, 55), (0, 25), (5, 25), (6, 45), (20, 45), (22, 25)),
        }
    )
    assert list(_dead(given)) == [1]


def test_without_levers_idle_reverse_is_left_open_too() -> None:
    gone = {f"reverse_lever.{e}": None for e in (1, 2)}
    given = made({"reverser_state.1": SHUT, "n1.1": IDLE, "n1.2": IDLE, **gone})
    assert list(_dead(given)) == [1]
    assert np.isnan(given.measured.values["reverse_select_delay_s"].value[0, 0])


def test_a_reverser_known_to_be_out_of_use_is_not_dead() -> None:
    given = made({"reverser_state.1": SHUT, "n1.1": IDLE, "n1.2": IDLE}, facts={"reversers_out": [1]})
    assert not _dead(given)


def test_a_lever_given_up_before_the_other_tells_that_the_crew_saw_it() -> None:
    early = line((1.9, 0), (2.4, 0.25), (9, 0.25), (9.3, 0))
    given = made(
        {"reverser_state.1": SHUT, "reverse_lever.1": early, "reverse_lever.2": HELD, "n1.1": IDLE, "n1.2": IDLE}
    )
    assert not _dead(given)


def test_one_lever_alone_with_power_is_a_dead_discrete() -> None:
    """The other engine ran in forward thrust, its lever down."""
    given = made({"reverser_state.1": SHUT, "reverser_state.2": SHUT, "reverse_lever.2": DOWN})
    assert "N1 rose" in _dead(given)[1]


LATE_STATE = switch(0, (2.6, 1), (9.6, 2), (25, 1), (28, 0))
LATE_POWER = line((-4, 55), (0, 25), (10, 25), (14, 70), (18, 70), (24, 25))
LATE_LEVER = line((1.9, 0), (2.4, 0.25), (9.8, 0.25), (10.3, 0.9), (18, 0.9), (18.5, 0.25), (24.4, 0.25), (24.7, 0))


def test_power_that_rises_on_the_side_whose_reverser_is_not_out_is_a_swap() -> None:
    """Reverser 1 is slow, and engine 2 spools up late: N1 or the discretes are in each other's columns."""
    given = made({"reverser_state.1": LATE_STATE, "n1.2": LATE_POWER, "reverse_lever.1": LATE_LEVER})
    found = _dead(given)
    assert list(found) == [1, 2]
    assert all("engines look swapped" in sentence for sentence in found.values())


@pytest.mark.parametrize("never", [False, True])
def test_a_slow_reverser_with_its_own_engine_late_is_no_swap(never: bool) -> None:
    state = switch(0, (2.6, 1), (28, 0)) if never else LATE_STATE
    power = IDLE if never else LATE_POWER
    given = made({"reverser_state.1": state, "n1.1": power, "reverse_lever.1": HELD if never else LATE_LEVER})
    assert not _dead(given)


def test_a_swap_shows_too_when_one_reverser_never_deployed() -> None:
    state = switch(0, (2.6, 1), (28, 0))
    found = _dead(made({"reverser_state.1": state, "n1.2": IDLE, "reverse_lever.1": HELD}))
    assert list(found) == [1, 2]


# without levers: power that is the other engine's, and power that is not ----------------------------------------------

NO_LEVERS: dict[str, Truth | None] = {"reverse_lever.1": None, "reverse_lever.2": None}


@pytest.mark.parametrize("rate_hz", [1.0, 4.0])
def test_without_levers_power_that_is_another_engines_is_a_dead_discrete(rate_hz: float) -> None:
    own = lambda t: POWER(t - 0.3) * 1.02  # noqa: E731
    rates = dict.fromkeys(("n1.1", "n1.2"), rate_hz)
    given = made({**NO_LEVERS, "reverser_state.1": SHUT, "n1.1": own}, rates=rates)
    assert "rose and fell with another engine's in reverse" in _dead(given)[1]


@pytest.mark.parametrize(
    "forward",
    [
        line((-30, 57), (0, 55), (40, 53)),  # left where it was on approach
        line((-4, 55), (0, 25), (10, 25), (13, 70)),  # pushed forward later, and left there
        lambda t: POWER(t) + line((10, 0), (11, -20), (14, -20), (15, 0))(t),  # alike but for a while
        line((-4, 55), (0, 25), (5, 25), (9, 45), (18, 45), (24, 25)),  # other power, in time with it
    ],
)
def test_without_levers_forward_power_is_believed(forward: Truth) -> None:
    """São Paulo 2007, Irkutsk 2006: one engine pushed forward while the other reversed, and went off the runway."""
    given = made({**NO_LEVERS, "reverser_state.1": SHUT, "n1.1": forward})
    assert not _dead(given)
    assert given("forward_power_with_reverser_out_s").value > 5


def test_without_levers_a_push_forward_beside_idle_reverse_is_not_the_others_power() -> None:
    """Three seconds of it, in a rollout of which the most is alike."""
    push = line((-4, 55), (0, 25), (9, 25), (11, 45), (12, 45), (14, 25))
    given = made({**NO_LEVERS, "reverser_state.1": SHUT, "n1.1": push, "n1.2": IDLE})
    assert "rose and fell" not in _dead(given).get(1, "")
    assert given("forward_power_with_reverser_out_s").holds(4.0)


LATER = switch(0, (11.0, 1), (11.5, 2), (25, 1), (28, 0))


def test_power_in_reverse_before_the_state_reads_deployed_is_a_discrete_that_stood_still() -> None:
    """An interlock releases the lever when the reverser is out: N1 rose from 5 s, deployed is read from 11.5 s."""
    assert "before" in _dead(made({"reverser_state.1": LATER}))[1]


def test_a_reverser_that_deploys_late_at_idle_is_believed() -> None:
    later = line((-4, 55), (0, 25), (12, 25), (16, 70), (18, 70), (24, 25))
    assert not _dead(made({"reverser_state.1": LATER, "n1.1": later}))


# power that is no reverse power: the reverser away again, or the thrust lever forward -------------------------------

BRIEFLY = switch(0, (2.6, 1), (5.2, 0))  # unlocked, and put away again before it was out
AROUND = line((-4, 55), (0, 25), (5, 25), (12, 88))
RETARDED, PUSHED = line((-3, 18), (-2, 0)), line((-3, 18), (-2, 0), (4.6, 0), (6, 45))
FLOWN = between((0, 12.5))
GO_AROUND: dict[str, Truth | None] = {
    **NO_LEVERS,
    "main_gear_ground": FLOWN,
    "ground_speed": line((-30, 142), (0, 140), (5, 128), (12, 150), (30, 170)),
    "radio_height": line((-30, 250), (0, 0), (12.5, 0), (30, 400)),
    "heading": line((0, 90)),
    "spoiler_handle": line((0.5, 0), (1.5, 1), (3, 1), (4, 0)),
    **{f"{name}.{e}": truth for name, truth in (("n1", AROUND), ("reverser_state", BRIEFLY)) for e in (1, 2)},
}


@pytest.mark.parametrize("levers", [{f"thrust_lever.{e}": PUSHED for e in (1, 2)}, {}])
@pytest.mark.parametrize("rate_hz", [1.0, 4.0])
def test_power_of_a_go_around_is_no_power_in_reverse(levers: dict[str, Truth], rate_hz: float) -> None:
    """The reversers were stowed at 5.2 s, and N1 rose from 30 to 88 for flying again."""
    given = made({**GO_AROUND, **levers}, rate_hz=rate_hz, end_s=30.0)
    assert given("go_around_after_reverse").value == 1
    assert not _dead(given)


def test_power_of_a_go_around_beside_a_reverser_that_was_out_for_a_moment_is_none_either() -> None:
    out = {"reverser_state.2": switch(0, (2.6, 1), (4.0, 2), (4.4, 1), (5.2, 0)), "reverser_state.1": SHUT}
    raised = line((1.9, 0), (2.4, 0.25), (4.2, 0.25), (4.4, 0))
    given = made({**GO_AROUND, **out, "reverse_lever.1": raised, "reverse_lever.2": raised}, end_s=30.0)
    assert "N1 rose" not in _dead(given).get(1, "")
    assert not given("n1_above_idle_not_deployed_pct", 1).value > 5
    assert not given("n1_above_idle_mirror_out_pct", 1).value > 5


@pytest.mark.parametrize(("lever", "found"), [(PUSHED, []), (RETARDED, [1])])
def test_power_with_the_thrust_lever_forward_is_no_power_in_reverse(lever: Truth, found: list[int]) -> None:
    """A reverser that stays in transit while its engine pushes; the lever tells which way."""
    given = made({**NO_LEVERS, "reverser_state.1": STUCK, "thrust_lever.1": lever, "thrust_lever.2": RETARDED})
    assert list(_dead(given)) == found


def test_a_thrust_lever_that_goes_below_idle_in_reverse_is_not_forward() -> None:
    """One lever for both: 0 at idle, -20 in full reverse, and back."""
    both_ways = line((-3, 18), (-2, 0), (1.9, 0), (5, -20), (18, -20), (18.5, -5), (24.4, -5), (24.7, 0))
    given = made({"reverser_state.1": SHUT, "thrust_lever.1": both_ways, "thrust_lever.2": both_ways})
    assert "N1 rose" in _dead(given)[1]
