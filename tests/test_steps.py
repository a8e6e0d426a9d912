"""The steps of a rollout: their names, their times, and why one is missing."""

from __future__ import annotations

import numpy as np
import pytest

from fdm.wide import instants_long, instants_wide, steps_of
from tests.flown import RECORDERS, Recorder, draw
from tests.handmade import Made, landing, made, measured
from tests.making import Truth, between, line, switch

# Seconds after contact in the landing made by hand.
TRUE_S = {
    ("touchdown", None): 0.0,
    ("settled", None): 0.0,
    ("nose_gear", None): 4.0,
    ("spoilers_moving", None): 0.6,
    ("spoilers_extended", None): 1.2,
    ("spoilers_retracted", None): 29.3,
    ("brakes_on", None): 3.05,
    ("speed_60kt", None): 20.0,
    ("taxi_speed", None): 27.5,
    ("runway_exit", None): 34.0,
    ("reverse_selected", 1): 2.0,
    ("reverse_cancelled", 2): 24.64,
    ("unlocked", 1): 2.6,
    ("deployed", 2): 4.6,
    ("reverse_idle", 1): 24 - 5 / 7.5,
    ("stow_start", 2): 25.0,
    ("stowed", 1): 28.0,
}


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 4.0, 8.0])
def test_every_step_holds_its_true_time(rate_hz: float) -> None:
    given = made(rate_hz=rate_hz)
    touchdown_s = float(given.result.landings["touchdown_s"][0]) - 5000.0
    wide = instants_wide(given.result)
    found = {(row["step"], row["engine"]): row for row in instants_long(wide, steps_of(wide)).iter_rows(named=True)}
    assert {name for name, _ in found} == {name for name, _ in TRUE_S}
    for key, true_s in TRUE_S.items():
        row = found[key]
        assert row["earliest_s"] - 1e-3 <= true_s - touchdown_s <= row["latest_s"] + 1e-3, (key, row)
        assert row["earliest_s"] <= row["at_s"] <= row["latest_s"], key
        speed_kt = 140 - 4 * np.clip(true_s, 0, 30)
        assert row["ground_speed_kt"] == pytest.approx(speed_kt, abs=4 / rate_hz + 1), key


def test_steps_that_were_not_taken_have_no_row() -> None:
    quiet = {"reverser_state.2": switch(0), "reverse_lever.2": line((0, 0.0)), "nose_gear_ground": switch(0)}
    given = made(quiet)
    wide = instants_wide(given.result)
    rows = {(step, engine) for step, engine in instants_long(wide, steps_of(wide)).select("step", "engine").iter_rows()}
    assert ("deployed", 1) in rows
    assert not rows & {("deployed", 2), ("unlocked", 2), ("reverse_selected", 2), ("nose_gear", None)}


REASONS = [
    ({"nose_gear_ground": switch(0)}, "nose_gear", "the nose gear never shows ground"),
    ({"nose_gear_ground": None}, "nose_gear", "not recorded: nose_gear_ground"),
    ({"heading": None}, "runway_exit", "not recorded: heading"),
    ({"heading": line((0, 90))}, "runway_exit", "runway exit not found in the heading"),
    (
        {"ground_speed": line((0, 140), (20, 60.5))},
        "taxi_speed",
        "ground speed never fell to 30 kt in this recording",
    ),
    (
        {"brake_pressure.left": line((0, 0.0)), "brake_pressure.right": line((0, 0.0))},
        "brakes_on",
        "the brakes were never applied",
    ),
]


@pytest.mark.parametrize(("changes", "step", "reason"), REASONS)
def test_a_missing_step_says_why(changes, step: str, reason: str) -> None:  # type: ignore[no-untyped-def]
    given = made(changes)
    assert given.reasons.sentences[int(given.result.instants[step].why[0])] == reason


KEPT_AT_IDLE = "reverse was kept at idle"
UNTOLD = "whether N1 in reverse was power or ran down from the approach cannot be told"
IDLE_LEVER = line((1.9, 0), (2.4, 0.25), (24.4, 0.25), (24.7, 0))
QUICK_LEVER = line((1.9, 0), (2.4, 0.25), (4.7, 0.25), (5.2, 0.9), (7, 0.9), (7.5, 0.25), (24.4, 0.25), (24.7, 0))
RUNS_DOWN = line((2, 55), (7, 25))  # past 30 % at 6 1/6 s, with the reverser out since 4.6 s
RUNS_DOWN_SLOWLY = line((2, 55), (10, 25))  # past 30 % at 8 2/3 s
HELD_FROM_THE_APPROACH = line((18, 55), (24, 25))  # past 30 % at 23 s
NO_LEVERS = {"reverse_lever.1": None, "reverse_lever.2": None}
OUT = between((4.6, 25))
DISCRETES = {"reverser_state.1": None, "reverser_state.2": None, "reverser_deployed.1": OUT, "reverser_deployed.2": OUT}


def idle_lever(lever: Truth) -> dict[str, Truth | None]:
    return {"reverse_lever.1": lever, "reverse_lever.2": lever}


def reverse_idle(given: Made) -> tuple[float, str]:
    """When the first engine was back at idle, in seconds on the truth's clock, and why it is not known."""
    when, shift_s = given.result.instants["reverse_idle"], float(given.result.landings["touchdown_s"][0]) - 5000.0
    return float(when.best[0, 0]) + shift_s, given.reasons.sentences[int(when.why[0, 0])]


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 4.0, 8.0])
@pytest.mark.parametrize(
    ("levers", "n1"),
    [
        (idle_lever(IDLE_LEVER), RUNS_DOWN),
        (idle_lever(IDLE_LEVER), RUNS_DOWN_SLOWLY),  # whatever N1 does, the lever stayed
        (idle_lever(IDLE_LEVER), line((-8, 55), (-4, 25))),
        (NO_LEVERS, RUNS_DOWN),
        (NO_LEVERS | DISCRETES, RUNS_DOWN),
        (idle_lever(line((0, 0.0))), RUNS_DOWN),  # levers whose recording is dead
        (NO_LEVERS, line((-8, 55), (-4, 25))),
    ],
)
def test_reverse_that_stayed_at_idle_never_came_back_to_it(levers, n1: Truth, rate_hz: float) -> None:  # type: ignore[no-untyped-def]
    """Power of the approach that runs down while the reverser goes out is no reverse power."""
    given = made({"n1.1": n1, "n1.2": n1, **levers}, rate_hz=rate_hz)
    assert reverse_idle(given)[1] == KEPT_AT_IDLE
    assert given("reverse_idle_speed_kt", 1).reason == KEPT_AT_IDLE
    assert given("high_reverse_below_taxi_s", 1).value == 0.0
    assert given("n1_above_idle_at_stow_pct", 1).holds(0.0)
    assert given("reverse_power_split_pct").holds(0.0)


@pytest.mark.parametrize(
    ("levers", "n1", "back_s"),
    [
        (idle_lever(QUICK_LEVER), RUNS_DOWN_SLOWLY, 2 + 8 * 25 / 30),  # power asked for before N1 had run down
        (NO_LEVERS, HELD_FROM_THE_APPROACH, 23.0),
        ({}, HELD_FROM_THE_APPROACH, 23.0),
        (NO_LEVERS, line((2, 55), (5, 35), (6, 60), (7, 60), (8, 25)), 7 + 30 / 35),  # short, but it rose
    ],
)
def test_power_in_reverse_comes_back_to_idle_whatever_the_approach_had(levers, n1, back_s: float) -> None:  # type: ignore[no-untyped-def]
    found, why = reverse_idle(made({"n1.1": n1, **levers}))
    assert (found, why) == (pytest.approx(back_s, abs=0.3), "")


def test_where_neither_lever_nor_n1_tells_power_from_run_down_it_says_so() -> None:
    given = made({"n1.1": RUNS_DOWN_SLOWLY, **NO_LEVERS})
    assert reverse_idle(given)[1] == UNTOLD
    assert given("reverse_idle_speed_kt", 1).reason == UNTOLD


def test_power_that_lasts_never_came_back_to_idle() -> None:
    still = made({"n1.1": line((-4, 55), (0, 25), (5, 25), (9, 68), (40, 72), (45, 25))})
    assert reverse_idle(still)[1] == "N1 never came back to idle reverse in this recording"


def test_a_single_bounce_settles_at_the_second_contact() -> None:
    given = made({"main_gear_ground": between((0, 1.0), (2.0, 1e6)), "normal_acceleration": None}, rate_hz=4.0)
    settled = given.result.instants["settled"]
    touchdown_s = float(given.result.landings["touchdown_s"][0]) - 5000.0
    assert settled.earliest[0] <= 2.0 - touchdown_s <= settled.latest[0]
    assert given("spoiler_delay_first_s").value - given("spoiler_delay_s").value == pytest.approx(2.0, abs=0.3)
    assert given("bounces").value == 1
    assert given("bounce_airborne_s").holds(1.0)


def test_a_batch_of_n_takes_the_steps_of_n_batches_of_one() -> None:
    rng = np.random.default_rng(5)
    recorder = RECORDERS["fast"]
    made_ = [recorder.record(draw(rng, bounce=0.3), rng, str(i)) for i in range(6)]
    whole = measured(made_, end_s=100.0).result.instants
    for row, one in enumerate(made_):
        alone = measured([one], end_s=100.0).result.instants
        for step, together in whole.items():
            for field in ("best", "earliest", "latest"):
                np.testing.assert_allclose(
                    getattr(together, field)[row],
                    getattr(alone[step], field)[0],
                    atol=1e-5,
                    err_msg=f"{step} {row}",
                )


def test_the_landing_says_how_it_ended() -> None:
    table = made().result.landings
    assert table["kind"][0] == "full_stop"
    assert table["touchdown_by"][0] in ("main gear", "main gear and jolt")
    assert table["rollout_end_by"][0] == "runway exit"
    assert table["rollout_end_s"][0] == pytest.approx(34.0, abs=0.4)
    assert table["touchdown_ground_speed_kt"][0] == pytest.approx(140.0, abs=0.5)
    assert landing().facts["fleet"] == table["fleet"][0]


# flown again after reverse ------------------------------------------------------------------------------------------

# Reversers unlocked at 2.6 s and stowed at 5.2 s; levers pass 10 degrees at 4.9 s; off the ground at 12.5 s.
LEVERS_S, OFF_S, STOWED_S = 4.6 + 1.4 * 10 / 45, 12.5, 5.2
AROUND_KT = line((-30, 142), (0, 140), (5, 128), (12, 150), (30, 170))
AROUND: dict[str, Truth | None] = {
    "ground_speed": AROUND_KT,
    "main_gear_ground": between((0, OFF_S)),
    "radio_height": line((-30, 250), (0, 0), (OFF_S, 0), (30, 400)),
    "heading": line((0, 90)),
    "spoiler_handle": line((0.5, 0), (1.5, 1), (3, 1), (4, 0)),
    **{
        f"{name}.{engine}": truth
        for engine in (1, 2)
        for name, truth in (
            ("n1", line((-4, 55), (0, 25), (5, 25), (12, 88))),
            ("reverser_state", switch(0, (2.6, 1), (STOWED_S, 0))),
            ("reverse_lever", line((1.9, 0), (2.4, 0.25), (4.2, 0.25), (4.4, 0))),
            ("thrust_lever", line((-3, 18), (-2, 0), (4.6, 0), (6, 45))),
        )
    },
}
NO_THRUST_LEVERS: dict[str, Truth | None] = {f"thrust_lever.{engine}": None for engine in (1, 2)}
NO_REVERSE_LEVERS: dict[str, Truth | None] = {f"reverse_lever.{engine}": None for engine in (1, 2)}


def _steps(given: Made) -> dict[tuple[str, int | None], dict[str, float]]:
    wide = instants_wide(given.result)
    return {(row["step"], row["engine"]): row for row in instants_long(wide, steps_of(wide)).iter_rows(named=True)}


@pytest.mark.parametrize("rate_hz", [1.0, 2.0, 4.0])
def test_a_go_around_after_reverse_is_told_to_its_end(rate_hz: float) -> None:
    given = made(AROUND, rate_hz=rate_hz, end_s=30.0)
    touchdown_s, steps = float(given.result.landings["touchdown_s"][0]) - 5000.0, _steps(given)
    truths = {("thrust_forward", None): LEVERS_S, ("airborne_again", None): OFF_S, ("stowed", 2): STOWED_S}
    for key, true_s in truths.items():
        row = steps[key]
        assert row["earliest_s"] - 1e-3 <= true_s - touchdown_s <= row["latest_s"] + 1e-3, (key, row)
        assert row["latest_s"] - row["earliest_s"] < 2 / rate_hz + 0.1, key
        assert row["ground_speed_kt"] == pytest.approx(float(AROUND_KT(true_s)), abs=3 / rate_hz + 1), key
        metres = np.trapezoid(AROUND_KT(np.linspace(0, true_s, 500)), dx=true_s / 499) * 1852 / 3600
        assert row["distance_m"] == pytest.approx(metres, abs=140 / rate_hz), key


@pytest.mark.parametrize("rate_hz", [1.0, 4.0])
@pytest.mark.parametrize("reverse_levers", [{}, NO_REVERSE_LEVERS])
def test_without_thrust_levers_n1_bounds_when_they_went_forward(
    rate_hz: float, reverse_levers: dict[str, Truth | None]
) -> None:
    """They stood at idle until reverse was put away, and N1 passed idle and 5 points at 5.6 s."""
    given = made({**AROUND, **NO_THRUST_LEVERS, **reverse_levers}, rate_hz=rate_hz, end_s=30.0)
    touchdown_s, row = float(given.result.landings["touchdown_s"][0]) - 5000.0, _steps(given)["thrust_forward", None]
    assert row["earliest_s"] <= LEVERS_S - touchdown_s <= row["latest_s"]
    assert row["latest_s"] <= 5 + 5 / 9 - touchdown_s + 1.6 / rate_hz


def test_without_thrust_levers_and_idle_it_is_not_told_when_they_went_forward() -> None:
    power = {f"n1.{engine}": line((-4, 55), (0, 48), (5, 46), (12, 88)) for engine in (1, 2)}
    given = made({**AROUND, **NO_THRUST_LEVERS, **power}, end_s=30.0)
    assert given("go_around_after_reverse").value == 1
    assert ("thrust_forward", None) not in _steps(given)
    assert ("airborne_again", None) in _steps(given)


@pytest.mark.parametrize(
    "changes",
    [
        {f"thrust_lever.{e}": line((-3, 18), (-2, 0), (38, 0), (39, 15), (44, 15), (45, 0)) for e in (1, 2)},  # taxi
        {"thrust_lever.1": line((-3, 18), (-2, 0), (7, 0), (8, 22), (12, 22), (13, 0))},
    ],
)
def test_levers_forward_on_the_ground_are_no_go_around(changes: dict[str, Truth | None]) -> None:
    assert not {"thrust_forward", "airborne_again"} & {name for name, _ in _steps(made(changes))}


def test_flown_again_without_reverse_is_no_go_around_after_it() -> None:
    down = {f"reverser_state.{e}": switch(0) for e in (1, 2)} | {f"reverse_lever.{e}": line((0, 0)) for e in (1, 2)}
    given = made({**AROUND, **down}, end_s=30.0)
    assert given.result.landings["kind"][0] == "go_around"
    assert not {"thrust_forward", "airborne_again"} & {name for name, _ in _steps(given)}


# a measure and the step that it is taken at ---------------------------------------------------------------------------

LATE_STAMPS = Recorder({"normal_acceleration": 8}, default_hz=2.0, lag_s=0.45)
AT_STEPS = [
    ("runway_left_60_m", "speed_60kt", "runway_left_m"),
    ("runway_left_taxi_m", "taxi_speed", "runway_left_m"),
    ("rollout_60_m", "speed_60kt", "distance_m"),
    ("reverse_idle_speed_kt", "reverse_idle", "speed_kt"),
    ("stowed_speed_kt", "stowed", "speed_kt"),
    ("touchdown_ground_speed_kt", "touchdown", "speed_kt"),
]


@pytest.mark.parametrize(("measure", "step", "column"), AT_STEPS)
def test_a_measure_and_its_step_tell_one_number(measure: str, step: str, column: str) -> None:
    """Samples are older than their stamps by up to 0.45 s: at 60 kt that is 14 m."""
    rng = np.random.default_rng(11)
    given = measured([LATE_STAMPS.record(draw(rng, bounce=0.0), rng, str(i)) for i in range(8)], end_s=100.0)
    told, value = getattr(given.result, column)[step], given.measured.values[measure].value
    both = ~np.isnan(value) & ~np.isnan(given.result.instants[step].best)
    assert both.any()
    np.testing.assert_allclose(told[both], value[both], atol=1e-6)


def test_late_stamps_move_no_landing_along_its_runway() -> None:
    """Positions and speeds are stamped late alike; at 140 kt half of 0.45 s is 16 m."""
    rng = np.random.default_rng(12)
    flown = [draw(rng, bounce=0.0) for _ in range(12)]
    given = measured([LATE_STAMPS.record(one, rng, str(i)) for i, one in enumerate(flown)], end_s=100.0)
    left, truth = (
        given.measured.values["runway_left_60_m"],
        np.array([one.measures["runway_left_60_m", 0] for one in flown]),
    )
    known = ~np.isnan(left.value) & ~np.isnan(truth)
    assert known.sum() > 6
    assert ((left.lower <= truth) & (truth <= left.upper))[known].all()
    assert abs(np.mean(left.value[known] - truth[known])) < 5.0
    first_m = given.result.landings["touchdown_distance_m"].to_numpy()
    assert abs(np.mean(first_m - [one.threshold_m for one in flown])) < 5.0
