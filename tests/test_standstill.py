"""Engine power that the recorder held, against engines that were truly left where they were.

Contact at 0, levers up from 5 to 18 s, N1 from 25 to 70 % between 5 and 9 s and back between 18 and 24 s, deployed from
4.6 to 25 s: tests/handmade.py. What is frozen, from when to when, follows from how each case is made.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np
import pytest

from tests.handmade import POWER, Made, made
from tests.making import Truth, line, switch

RATES = {f"{power}.{e}": 1.0 for power in ("n1", "epr") for e in (1, 2)}
NO_LEVERS: dict[str, Truth | None] = {f"reverse_lever.{e}": None for e in (1, 2)}
IDLE = line((-4, 55), (0, 25))
RETARDED = line((-6, 12), (-3, 0))
AT_IDLE_REVERSE = line((1.9, 0), (2.4, 0.25), (24.4, 0.25), (24.7, 0))


def _stopped(truth: Truth, from_s: float, to_s: float = np.inf) -> Truth:
    """A recorder that repeats what it had at one moment until another."""
    return lambda t: np.where(t < to_s, truth(np.minimum(t, from_s)), truth(t))


def _epr(power: Truth) -> Truth:
    """EPR that grows as the square of N1, to 1.6 at 100 %."""
    return lambda t: 1 + 0.6 * (power(t) / 100) ** 2


def _made(changes: Mapping[str, Truth | None]) -> Made:
    return made(changes, rates=RATES)


def _said(given: Made) -> str:
    return "\n".join(given.result.landings["quality"][0])


def _frozen(given: Made, name: str) -> tuple[float, float]:
    """From when to when it is said to be frozen."""
    found = re.search(rf"{name}: frozen from (-?[\d.]+) to (-?[\d.]+) s after touchdown", _said(given))
    assert found, _said(given)
    return float(found[1]), float(found[2])


@pytest.mark.parametrize("until_s", [30.0, np.inf])
def test_power_held_at_idle_while_its_lever_went_up(until_s: float) -> None:
    """Held from 2 s, at idle, to the end; or let go at idle, where nothing leaps."""
    given = _made({"n1.1": _stopped(POWER, 2.0, until_s)})
    from_s, to_s = _frozen(given, r"n1\.1")
    assert from_s <= 3
    assert to_s >= 25
    assert "gap" in given("reverse_power_split_pct").reason
    assert not given("n1_above_idle_at_stow_pct", 2).missing


def test_an_engine_left_at_idle_reverse_is_believed() -> None:
    """45 points apart while both were deployed but for 4 s up and 6 s down: about 35 on average over 20.4 s."""
    given = _made({"n1.1": IDLE, "reverse_lever.1": AT_IDLE_REVERSE})
    assert "n1" not in _said(given)
    assert given("reverse_power_split_pct").holds((45 * 9 + 45 * 2 + 45 * 3) / 20.4)


def test_without_a_lever_idle_to_the_last_digit_is_left_open() -> None:
    given = _made({"n1.1": IDLE, **NO_LEVERS})
    assert "n1.1: stands still, frozen or left at idle, from" in _said(given)
    assert given("reverse_power_split_pct").missing


def test_without_a_lever_an_idle_that_flickers_is_believed() -> None:
    given = _made({"n1.1": lambda t: IDLE(t) + 0.125 * (np.round(t) % 3 == 0), **NO_LEVERS})
    assert "n1" not in _said(given)
    assert not given("reverse_power_split_pct").missing


def test_what_ran_down_to_idle_before_the_other_is_believed() -> None:
    longer = line((-4, 55), (0, 25), (5, 25), (9, 70), (24, 70), (30, 25))
    state = switch(0, (2.6, 1), (4.6, 2), (31, 1), (34, 0))
    given = _made({"n1.2": longer, "reverser_state.1": state, "reverser_state.2": state, **NO_LEVERS})
    assert "n1" not in _said(given)


def test_forward_power_that_is_not_recorded() -> None:
    """The thrust lever goes forward at 2 s, its reverser stowed; N1 reads idle to the end."""
    forward: dict[str, Truth | None] = {
        "n1.1": IDLE,
        "thrust_lever.1": line((2, 0), (2.5, 15)),
        "reverse_lever.1": lambda t: 0 * t,
        "reverser_state.1": lambda t: 0 * t,
    }
    assert "n1.1: frozen" in _said(_made(forward))
    pulled = forward | {"thrust_lever.1": line((2, 15), (2.5, 0))}
    assert "n1.1" not in _said(_made(pulled))


def test_power_held_above_idle_long_after_the_levers_were_down() -> None:
    """Held while it ran down, at 47.5 % at 21 s; the other engine is not in reverse, its power tells nothing."""
    stowed: dict[str, Truth | None] = {"reverser_state.2": lambda t: 0 * t, "n1.2": line((-4, 55), (0, 50))}
    levers: dict[str, Truth | None] = {"reverse_lever.2": lambda t: 0 * t, "thrust_lever.1": RETARDED}
    given = _made({"n1.1": _stopped(POWER, 21.0), **stowed, **levers})
    from_s, to_s = _frozen(given, r"n1\.1")
    assert 20.5 <= from_s <= 23
    assert to_s >= 68


def test_forward_power_set_by_an_autothrottle_is_believed() -> None:
    """Its lever stays in the climb gate, as at Congonhas in 2007; N1 goes from 45 to 62 % and stays there."""
    gate: dict[str, Truth | None] = {"thrust_lever.1": lambda t: 0 * t + 25, "reverse_lever.1": lambda t: 0 * t}
    pushing = {"n1.1": line((-5, 45), (0, 50), (3, 62)), "reverser_state.1": lambda t: 0 * t}
    given = _made({**gate, **pushing})
    assert "n1" not in _said(given)
    assert given("forward_power_with_reverser_out_s").lower > 15


def test_power_that_falls_at_once_with_no_lever_moved() -> None:
    """Held 9 points above idle from 22.8 s, let go at 40 s; levers have been down since 24.7 s."""
    lever: dict[str, Truth | None] = {f"thrust_lever.{e}": RETARDED for e in (1, 2)}
    held = _stopped(POWER, 22.8, 40.0)
    assert 22 <= _frozen(_made({"n1.1": held, **lever}), r"n1\.1")[0] <= 25
    taxi: dict[str, Truth | None] = {f"thrust_lever.{e}": line((-6, 12), (-3, 0), (39, 0), (39.5, 6)) for e in (1, 2)}
    rises = line((-4, 55), (0, 25), (5, 25), (9, 70), (18, 70), (24, 25), (39.6, 25), (40.5, 32), (50, 32), (53, 25))
    assert "n1" not in _said(_made({"n1.1": rises, **taxi}))


@pytest.mark.parametrize("held", ["n1", "epr"])
def test_n1_and_epr_of_one_engine_are_held_against_each_other(held: str) -> None:
    truths: dict[str, Truth | None] = {f"epr.{e}": _epr(POWER) for e in (1, 2)}
    truth = POWER if held == "n1" else _epr(POWER)
    given = _made({**truths, f"{held}.1": _stopped(truth, 2.0), **NO_LEVERS})
    assert _frozen(given, rf"{held}\.1")[0] <= 3
    assert "frozen" not in _said(_made({**truths, **NO_LEVERS}))


def test_epr_alone_is_held_against_the_lever() -> None:
    truths: dict[str, Truth | None] = {f"n1.{e}": None for e in (1, 2)} | {f"epr.{e}": _epr(POWER) for e in (1, 2)}
    given = _made({**truths, "epr.1": _stopped(_epr(POWER), 2.0)})
    assert _frozen(given, r"epr\.1")[0] <= 3
    assert given("reverse_power_split_pct").missing
    assert not _made(truths)("reverse_power_split_pct").missing


def test_swapped_engines_are_not_taken_for_a_frozen_one() -> None:
    """Reverser 1 is held in transit with its lever at the interlock, and N1 of engine 2 reads idle."""
    state, held = switch(0, (2.6, 1), (28, 0)), line((1.9, 0), (2.4, 0.25), (24.4, 0.25), (24.7, 0))
    assert "frozen" not in _said(_made({"reverser_state.1": state, "n1.2": IDLE, "reverse_lever.1": held}))


def test_power_that_ends_before_reverse_is_not_compared() -> None:
    """Both engines alike; samples of one end at 12 s, the other's go on."""
    given = made(gaps={"n1.1": [(12.0, 100.0)]})
    assert given("reverse_power_split_pct").missing


def test_of_power_behind_its_last_sample_nothing_is_said() -> None:
    """It ran down from 18 s on, 10 points above idle at 22.7 s; no samples from 19 s on, 60 kt is at 20 s."""
    given = made(gaps={"n1.1": [(19.0, 100.0)]})("n1_above_idle_below_60kt_pct", 1)
    assert "gap" in given.reason
    assert not given.lower > 30
