"""Landings are found in recordings of any length, and only landings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from fdm.errors import RecordingError
from fdm.finding import frames_of
from fdm.recording import Recording, Samples
from tests.making import CLOCK_S, Truth, between, line, recording, sampled, switch

HEIGHT = line((-600, 6000), (-8, 60), (0, 0))
SPEED = line((-900, 250), (-300, 160), (0, 140), (35, 30), (60, 12), (900, 12))
GROUND = between((0, 9000))


def flight(
    ground: Truth = GROUND,
    height: Truth | None = HEIGHT,
    speed: Truth | None = SPEED,
    *,
    start_s: float = -300,
    end_s: float = 200,
    rate_hz: float = 1.0,
    gear: str = "main_gear_ground",
    more: Sequence[Samples] = (),
) -> Recording:
    made = [sampled(gear, ground, rate_hz, 0.3, start_s=start_s, end_s=end_s), *more]
    if height is not None:
        made.append(sampled("radio_height", height, 4.0, 0.1, start_s=start_s, end_s=end_s, resolution=1))
    if speed is not None:
        made.append(sampled("ground_speed", speed, 1.0, 0.7, start_s=start_s, end_s=end_s))
    return recording(made)


def anchors(made: Recording) -> list[float]:
    """Seconds from the true contact at which landings are found."""
    return [round(float(frame.facts["anchor_s"]) - CLOCK_S, 3) for frame in frames_of(made)]


def window(made: Recording) -> tuple[float, float]:
    """From and to, in seconds after the true contact, of the only landing kept."""
    (frame,) = frames_of(made)
    start_s = min(frame.facts["anchor_s"] + s for s in frame.start_s.values()) - CLOCK_S
    return start_s, start_s + frame.facts["length_s"]


@pytest.mark.parametrize("rate_hz", [0.25, 0.5, 1.0, 2.0, 8.0])
def test_a_landing_is_found_where_the_gear_first_says_ground(rate_hz: float) -> None:
    (at_s,) = anchors(flight(rate_hz=rate_hz))
    assert 0 <= at_s <= 1 / rate_hz


def test_only_the_landing_of_a_flight_of_hours_is_kept() -> None:
    """Taxi, take-off, three hours of cruise, landing."""
    ground = switch(1, (-10800, 0), (0, 1))
    height = line((-10800, 0), (-10700, 8000), (-600, 8000), (-8, 60), (0, 0))
    speed = line(
        (-10900, 10),
        (-10840, 15),
        (-10800, 150),
        (-10000, 450),
        (-2000, 450),
        (-300, 160),
        (0, 140),
        (35, 30),
        (60, 12),
    )
    made = flight(ground, height, speed, start_s=-11400, end_s=600)
    assert anchors(made) == [0.3]
    start_s, end_s = window(made)
    assert start_s == pytest.approx(0.3 - 30, abs=0.3)
    assert end_s == pytest.approx(35.7 + 60, abs=1.0), "60 s after ground speed fell below 30 kt"


def test_a_recording_that_begins_seconds_before_contact() -> None:
    for start_s in (-2.0, -1.0, -25.0):
        made = flight(start_s=start_s)
        assert anchors(made) == [0.3]
        assert window(made)[0] == pytest.approx(max(start_s, -29.7), abs=0.3)


def test_a_recording_that_begins_on_the_ground_or_ends_in_the_air_has_no_landing() -> None:
    for made in (
        flight(start_s=5),
        flight(end_s=-5),
        flight(switch(0), None),
        flight(switch(1), start_s=5),
    ):
        with pytest.raises(RecordingError, match="no landing found") as refused:
            frames_of(made)
        assert refused.value.cure


def test_a_touch_and_go_and_the_landing_after_it_are_two() -> None:
    for second_s in (240.0, 90.0):
        ground = between((0, 6), (second_s, 9000))
        height = line(
            (-300, 3000),
            (-8, 60),
            (0, 0),
            (6, 0),
            (40, 800),
            (second_s - 20, 800),
            (second_s - 6, 50),
            (second_s, 0),
        )
        speed = line(
            (-300, 160),
            (0, 140),
            (6, 130),
            (20, 150),
            (second_s, 140),
            (second_s + 35, 30),
            (second_s + 60, 12),
        )
        made = flight(ground, height, speed, end_s=second_s + 200)
        assert anchors(made) == [0.3, second_s + 0.3]
        first, second = frames_of(made)
        assert first.facts["length_s"] == pytest.approx(30 + min(6 + 20, second_s - 30), abs=1.5)
        assert second.facts["length_s"] == pytest.approx(30 + 35 + 60, abs=2)


@pytest.mark.parametrize("with_height", [True, False])
def test_false_ground_samples_in_the_air_are_not_landings(with_height: bool) -> None:
    """Isolated false samples at height, at cruise and on approach."""
    ground = between((-900, -899), (-700, -699), (-60, -59), (-25, -24), (0, 9000))
    made = flight(ground, HEIGHT if with_height else None, start_s=-1000)
    assert anchors(made) == [0.3]


@pytest.mark.parametrize("with_height", [True, False])
def test_false_air_samples_on_the_ground_are_not_landings(with_height: bool) -> None:
    ground = between((0, 7), (8, 12), (13, 40), (41, 9000))
    assert anchors(flight(ground, HEIGHT if with_height else None)) == [0.3]
    assert window(flight(ground))[1] > 90


def test_a_bounce_is_part_of_its_landing() -> None:
    assert anchors(flight(between((0, 1.5), (5.5, 9000)))) == [0.3]
    assert anchors(flight(between((0, 1.0), (1.5, 9000)), rate_hz=4.0)) == [0.05]


def test_a_rejected_take_off_is_not_a_landing() -> None:
    """One false air sample at high speed."""
    speed = line((0, 0), (30, 130), (31, 130), (60, 10))
    for rate_hz in (0.25, 1.0, 4.0):
        ground = switch(1, (30, 0), (30 + 1 / rate_hz, 1))
        with pytest.raises(RecordingError):
            frames_of(flight(ground, line((0, 0)), speed, start_s=-60, rate_hz=rate_hz))


RUN_UP = line((0, 0), (30, 130), (36, 130), (60, 10))  # kt, and never off the ground


@pytest.mark.parametrize("gear", [True, False])
def test_a_refusal_says_what_was_recorded_instead_of_a_landing(gear: bool) -> None:
    """A rejected take-off, taxi, a take-off: nobody has to look for a fault in the map."""
    height = line((0, 0), (7, 1))

    def said(speed: Truth, height: Truth, ground: Truth) -> str:
        made = flight(ground, height, speed, start_s=-60)
        samples = [made.samples[name] for name in ("radio_height", "ground_speed")]
        with pytest.raises(RecordingError, match="no landing found") as refused:
            frames_of(made if gear else recording(samples))
        return str(refused.value)

    assert "rose to 130 kt and fell again without leaving the ground: a rejected take-off" in said(
        RUN_UP, height, switch(1)
    )
    assert "never above 25 kt, and it never left the ground: taxi only" in said(
        line((0, 0), (30, 25), (99, 25)), height, switch(1)
    )
    climb, rolling = line((40, 0), (100, 2400)), line((0, 0), (40, 150), (100, 180))
    assert "took off, and the recording ends in the air" in said(rolling, climb, switch(1, (40, 0)))


def test_a_gear_stuck_on_ground_through_a_flight_is_no_rejected_take_off() -> None:
    """With a radio height that cannot be used the speed alone is left: it was high from the start on."""
    with pytest.raises(RecordingError, match="no landing found") as refused:
        frames_of(flight(switch(1), line((0, 0)), SPEED))
    assert "rejected" not in str(refused.value)
    assert "taxi" not in str(refused.value)


def test_a_gear_that_says_ground_for_minutes_in_cruise_is_not_a_landing() -> None:
    """Above radio height's range, where the speed tells."""
    ground = between((-900, -700), (0, 9000))
    speed = line((-900, 420), (-600, 380), (-300, 160), (0, 140), (35, 30), (60, 12))
    assert anchors(flight(ground, None, speed, start_s=-1000)) == [0.3]


@pytest.mark.parametrize("with_height", [True, False])
def test_an_inverted_gear_is_read_the_other_way_round(with_height: bool) -> None:
    made = flight(lambda t: 1 - GROUND(t), HEIGHT if with_height else None, start_s=-120)
    (frame,) = frames_of(made)
    assert round(frame.facts["anchor_s"] - CLOCK_S, 3) == 0.3
    assert frame.facts["quality"] == [
        "main_gear_ground is inverted: it says ground in flight; read the other way round"
    ]
    assert frame.values["main_gear_ground"][-1] == 1


def test_a_gear_stuck_on_ground_is_left_out_and_the_other_one_used() -> None:
    right = sampled("main_gear_ground.right", GROUND, 1.0, 0.6, start_s=-300, end_s=200)
    made = flight(switch(1), gear="main_gear_ground.left", more=[right])
    (frame,) = frames_of(made)
    assert round(frame.facts["anchor_s"] - CLOCK_S, 3) == 0.6
    assert frame.facts["quality"] == ["main_gear_ground.left says ground in flight and on the ground; left out"]
    assert "main_gear_ground.left" not in frame.values


def test_without_a_gear_discrete_the_radio_height_finds_the_landing() -> None:
    made = flight(switch(0), gear="nose_gear_ground")
    (at_s,) = anchors(made)
    assert abs(at_s) < 1.5
    take_off = line((-300, 0), (-200, 0), (-150, 3000), (-100, 3000), (-8, 60), (0, 0))
    (at_s,) = anchors(
        flight(
            switch(0),
            take_off,
            line((-300, 10), (-250, 10), (-200, 150), (0, 140), (35, 30)),
            gear="nose_gear_ground",
        )
    )
    assert abs(at_s) < 1.5


def test_one_gear_first_is_one_landing_found_at_the_first() -> None:
    """Warsaw 14 September 1993: right gear, and the left one 9 s later."""
    left = sampled("main_gear_ground.left", between((9, 9000)), 1.0, 0.2, start_s=-300, end_s=200)
    assert anchors(flight(gear="main_gear_ground.right", more=[left])) == [0.3]


def test_a_slow_sample_by_mistake_does_not_end_the_landing() -> None:
    speed = flight().samples["ground_speed"]
    values = speed.values.copy()
    values[305] = 0.0
    made = flight(speed=None, more=[Samples("ground_speed", speed.time_s, values, speed.step_s)])
    assert window(made)[1] == pytest.approx(95.7, abs=1.0)


def test_no_landing_is_kept_for_longer_than_four_minutes_after_contact() -> None:
    made = flight(speed=line((-300, 160), (0, 140), (30, 40), (600, 40)), end_s=600)
    assert window(made)[1] == pytest.approx(240.3, abs=0.5)


def test_a_gear_dropout_on_the_ground_is_not_flying_again() -> None:
    samples = sampled("main_gear_ground", GROUND, 1.0, 0.3, start_s=-300, end_s=200, gaps=[(10, 30)])
    made = recording([samples, *(s for n, s in flight().samples.items() if n != "main_gear_ground")])
    assert window(made)[1] > 90


def test_a_gear_stuck_in_the_air_leaves_it_to_the_radio_height() -> None:
    (at_s,) = anchors(flight(switch(0)))
    assert abs(at_s) < 1.5


def test_a_ground_speed_that_never_changes_hides_no_landing() -> None:
    (at_s,) = anchors(flight(speed=lambda t: np.zeros_like(t)))
    assert -1.0 <= at_s <= 1.0


@pytest.mark.parametrize("wrong_kt", [0.0, 400.0])
@pytest.mark.parametrize("at_s", [-1.0, 0.0, 1.0])
def test_a_speed_sample_by_mistake_at_touchdown_hides_no_landing(wrong_kt: float, at_s: float) -> None:
    found = anchors(flight(speed=lambda t: np.where(np.abs(t - at_s) < 0.5, wrong_kt, SPEED(t))))
    assert len(found) == 1


def test_no_gear_and_no_height_is_no_landing() -> None:
    with pytest.raises(RecordingError, match="no landing found"):
        frames_of(recording([sampled("ground_speed", SPEED, 1.0, start_s=-300, end_s=200)]))


def test_missing_heights_do_not_matter() -> None:
    blank = sampled("radio_height", HEIGHT, 4.0, start_s=-300, end_s=200, gaps=[(-400, 300)])
    assert np.isnan(blank.values).all()
    assert anchors(flight(height=None, more=[blank])) == [0.3]


@pytest.mark.parametrize("feet", [2500.0, 0.0, -8.0])
def test_a_radio_height_that_never_changes_hides_no_landing(feet: float) -> None:
    """A dead radio altimeter reads its upper end, nought, or what it shows on the ground."""
    made = flight(height=lambda t: np.full_like(t, feet))
    (frame,) = frames_of(made)
    assert round(float(frame.facts["anchor_s"]) - CLOCK_S, 3) == 0.3
    assert frame.facts["quality"] == ["radio_height never changes; left out"]


@pytest.mark.parametrize("at_s", [40.0, 80.0])
def test_a_wrong_height_while_rolling_is_no_second_landing(at_s: float) -> None:
    """Without air/ground: one sample of 2,000 ft while taxiing at 60 kt and more, and one of 500 ft."""
    wrong = lambda t: np.where(np.abs(t - at_s) < 0.125, 2000.0, HEIGHT(t))  # noqa: E731
    made = flight(GROUND, wrong, line((-300, 160), (0, 140), (20, 70), (200, 65)))
    assert anchors(recording([made.samples["radio_height"], made.samples["ground_speed"]])) == anchors(
        recording([flight().samples["radio_height"], made.samples["ground_speed"]])
    )


def test_without_air_ground_the_refusal_speaks_of_the_radio_height() -> None:
    high = flight(height=line((-300, 3000), (200, 3000.5)))
    with pytest.raises(RecordingError) as refused:
        frames_of(recording([high.samples["radio_height"], high.samples["ground_speed"]]))
    assert refused.value.where == "radio_height"
    assert "main_gear_ground is not recorded" in str(refused.value)


@pytest.mark.parametrize("with_height", [True, False])
def test_one_gear_of_two_that_reads_air_while_rolling_is_no_second_landing(with_height: bool) -> None:
    """From 16 to 22 s after touchdown, at 90 to 71 kt; the other gear says ground throughout."""
    left = sampled("main_gear_ground.left", switch(0, (0, 1), (16, 0), (22, 1)), 2.0, start_s=-300, end_s=200)
    made = flight(gear="main_gear_ground.right", more=[left], height=HEIGHT if with_height else None)
    assert len(anchors(made)) == 1
