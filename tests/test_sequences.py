"""Reversers out of order: told in the landing's quality, and a normal one never."""

from __future__ import annotations

import pytest

from tests.handmade import STATE, made
from tests.making import Truth, line, switch


def _said(state: Truth, lever: Truth | None = None, rate_hz: float = 4.0) -> list[str]:
    changes: dict[str, Truth | None] = {"reverser_state.1": state}
    if lever is not None:
        changes["reverse_lever.1"] = lever
    given = made(changes, rates={"reverser_state.1": rate_hz, "reverser_state.2": rate_hz})
    return [text for text in given.result.landings["quality"][0].to_list() if text.startswith("reverser 1")]


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 4.0, 8.0])
def test_a_normal_one_is_not_spoken_of(rate_hz: float) -> None:
    assert not _said(STATE, rate_hz=rate_hz)


def test_open_without_its_lever() -> None:
    (said,) = _said(STATE, line((0, 0)))
    assert said.startswith("reverser 1 left stowed 2.")
    assert said.endswith("its lever was never raised")


def test_open_before_its_lever() -> None:
    (said,) = _said(STATE, line((7, 0), (7.5, 0.9), (18, 0.9), (24.7, 0)))
    assert said.endswith("its lever was raised only later")


def test_a_lever_seen_to_rise_behind_its_reverser_leaves_its_selection_open() -> None:
    """A lever that stood still in the recorder until 7 s, or a reverser that opened unasked at 2.6 s."""
    given = made({"reverse_lever.1": line((7, 0), (7.5, 0.9), (18, 0.9), (24.7, 0))})
    selected = given("reverse_select_delay_s", 1)
    assert selected.open
    assert selected.lower < 2.6
    assert selected.upper > 7
    assert not given("reverse_wait_s", 1).upper < 2.0
    assert given("reverse_select_delay_s", 2).value < 2.6


def test_stowed_and_open_again() -> None:
    (said,) = _said(switch(0, (2.6, 1), (4.6, 2), (15, 1), (17, 0), (20, 1), (22, 2), (25, 1), (28, 0)))
    assert said.startswith("reverser 1 was stowed and opened again 20.")


def test_deployed_without_transit() -> None:
    (said,) = _said(switch(0, (2.6, 2), (25, 1), (28, 0)))
    assert "without transit 2." in said


def test_at_once_a_second_it_may_well_have_travelled() -> None:
    assert not _said(switch(0, (2.6, 2), (25, 1), (28, 0)), rate_hz=1.0)
