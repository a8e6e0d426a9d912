"""Where to look for what a measure tells: of what lasted, where it began; of what was waited for, when it came."""

from __future__ import annotations

import numpy as np
import pytest

from tests.handmade import Made, made
from tests.making import Truth, between, line, switch

DOWN: dict[str, Truth | None] = {"reverser_state.2": switch(0), "reverse_lever.2": line((0, 0))}
PUSHED = line((-4, 55), (0, 25), (12, 25), (12.5, 60), (20, 60), (21, 25))  # 30 % from 12.07 s
ROSE_AGAIN = line((-4, 55), (0, 25), (5, 25), (9, 70), (18, 70), (24, 25), (31, 25), (35, 45), (37, 45), (41, 25))
LATE_STATE = switch(0, (2.6, 1), (4.6, 2), (44, 1), (47, 0))

BEGAN: list[tuple[str, int, dict[str, Truth | None], float]] = [
    ("one_side_deployed_s", 0, {"reverser_state.2": switch(0)}, 4.6),
    ("one_side_deployed_s", 0, {"reverser_state.2": switch(0, (2.6, 1), (9.6, 2), (25, 1), (28, 0))}, 4.6),
    ("deploy_split_s", 0, {"reverser_state.2": switch(0, (2.6, 1), (9.6, 2), (25, 1), (28, 0))}, 4.6),
    ("deploy_transit_s", 1, {}, 2.6),
    ("stow_transit_s", 1, {}, 25.0),
    ("reverse_wait_s", 1, {}, 2.0),
    ("spoiler_travel_s", 0, {}, 0.6),
    ("reverser_out_below_taxi_s", 0, {}, 27.5),
    ("forward_power_with_reverser_out_s", 0, {**DOWN, "n1.2": PUSHED}, 12.07),
    ("high_reverse_below_taxi_s", 1, {"n1.1": ROSE_AGAIN, "reverser_state.1": LATE_STATE}, 32.0),
    ("autothrottle_in_reverse_s", 0, {"autothrottle_engaged": switch(1, (8, 0))}, 2.0),
    ("autothrottle_in_reverse_s", 0, {"autothrottle_engaged": between((12, 15))}, 12.0),
    ("bounce_airborne_s", 0, {"main_gear_ground": between((0, 1), (3, 1e6)), "normal_acceleration": None}, 1.0),
    ("unstowed_in_air_s", 1, {"reverser_state.1": switch(0, (-3, 1), (-1, 2), (25, 1), (28, 0))}, -3.0),
    ("unstowed_in_air_s", 1, {"reverser_state.1": switch(0, (-3.3, 1), (-1.3, 0), (2.6, 1), (4.6, 2), (28, 0))}, -3.3),
    ("unstowed_in_air_s", 1, {"reverser_state.1": switch(0, (-22, 1), (-18, 0), (-3, 1), (4.6, 2), (28, 0))}, -22.0),
    ("unstowed_in_air_s", 1, {"reverser_state.1": switch(1, (4.6, 2), (25, 1), (28, 0))}, -30.0),
    ("unstowed_in_air_s", 2, {}, 2.6),  # not out in the air: where it came out
]
CAME: list[tuple[str, int, dict[str, Truth | None], float]] = [
    ("spoiler_delay_s", 0, {}, 1.2),
    ("reverse_select_delay_s", 1, {}, 2.0),
    ("deploy_delay_s", 1, {}, 4.6),
    ("brake_delay_s", 0, {}, 3.05),
    ("spoiler_retract_speed_kt", 0, {}, 29.3),
    ("runway_left_60_m", 0, {}, 20.0),
]


def _at(given: Made, name: str, engine: int) -> tuple[float, float]:
    """Where a measure says to look, seconds after contact at 0, and ground speed there."""
    touchdown_s = float(given.result.landings["touchdown_s"][0]) - 5000.0
    at_s, speed_kt = given.measured.at_s[name], given.measured.ground_speed_kt[name]
    at = (0, given.measured.engines.index(engine)) if at_s.ndim == 2 else (0,)
    return float(at_s[at]) + touchdown_s, float(speed_kt[at])


@pytest.mark.parametrize("rate_hz", [1.0, 4.0])
@pytest.mark.parametrize(("name", "engine", "changes", "true_s"), [*BEGAN, *CAME])
def test_it_is_looked_for_where_it_began_or_came(
    name: str, engine: int, changes: dict[str, Truth | None], true_s: float, rate_hz: float
) -> None:
    at_s, speed_kt = _at(made(changes, rate_hz=rate_hz), name, engine)
    assert at_s == pytest.approx(true_s, abs=0.6 / rate_hz + (0.5 / rate_hz if true_s == -30.0 else 0.1))
    if true_s > -29:
        true_kt = 140 - 4 * np.clip(true_s, 0, 30) - min(true_s, 0) * 2 / 30
        assert speed_kt == pytest.approx(true_kt, abs=4 / rate_hz + 0.5)


def test_a_go_around_after_reverse_is_looked_for_where_the_levers_went_forward() -> None:
    around: dict[str, Truth | None] = {
        "main_gear_ground": between((0, 12.5)),
        "ground_speed": line((-30, 142), (0, 140), (5, 128), (12, 150), (30, 170)),
        "radio_height": None,
        **{f"reverser_state.{e}": switch(0, (2.6, 1), (5.2, 0)) for e in (1, 2)},
        **{f"reverse_lever.{e}": line((1.9, 0), (2.4, 0.25), (4.2, 0.25), (4.4, 0)) for e in (1, 2)},
        **{f"n1.{e}": line((-4, 55), (0, 48), (5, 46), (12, 88)) for e in (1, 2)},
    }
    levers = {f"thrust_lever.{e}": line((-3, 18), (-2, 0), (5.6, 0), (7, 45)) for e in (1, 2)}
    at_s, _ = _at(made({**around, **levers}, end_s=30.0), "go_around_after_reverse", 0)
    assert at_s == pytest.approx(5.6 + 1.4 * 10 / 45, abs=0.3)
    at_s, _ = _at(made(around, end_s=30.0), "go_around_after_reverse", 0)
    assert at_s == pytest.approx(12.5, abs=0.3), "nothing tells when the levers went forward"
