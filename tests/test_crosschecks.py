"""Parameters that cannot be true: not believed, named, and never turned into an event."""

from __future__ import annotations

import numpy as np
import pytest

from tests.handmade import SPEED, Made, made
from tests.making import between, line

MPS_PER_KT = 1852 / 3600  # International System of Units brochure, table 8: one knot is 1852 m an hour


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
    given = made({"n1.1": lambda t: np.where(t < -20, 40.0, 25.0)}, rates={"n1.1": 1.0})
    assert "n1.1" not in _said(given)


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
