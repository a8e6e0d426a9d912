"""Landings cut from recordings keep every sample, and never place one before it was taken."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fdm.frames import cut, stack_frames
from fdm.recording import Samples
from tests.making import CLOCK_S, block_of, line, recording, sampled, switch

SPEED = line((-30, 150), (0, 140), (60, 20))


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([0.25, 1.0, 4.0, 8.0]),
    st.floats(0, 1, exclude_max=True),
    st.floats(-0.005, 0.005),
    st.floats(0, 0.2),
    st.integers(0, 2**31),
)
def test_samples_are_placed_not_before_they_were_taken_nor_later_than_the_lag(
    rate_hz: float, phase: float, drift: float, jitter: float, seed: int
) -> None:
    """Clocks that run fast or slow by what still counts as a common rate, and stamps that jitter."""
    made = sampled("ground_speed", SPEED, rate_hz, phase / rate_hz)
    rng = np.random.default_rng(seed)
    time_s = (
        CLOCK_S + (made.time_s - CLOCK_S) * (1 + drift) + jitter * rng.uniform(-0.4, 0.4, len(made.time_s)) / rate_hz
    )
    values = np.arange(len(time_s), dtype=float)  # each sample tells which it is
    moved = Samples("ground_speed", time_s, values, made.step_s, 0.05)
    frame = cut(recording([moved]), 0, CLOCK_S + 1.5, CLOCK_S - 20, CLOCK_S + 50, [])
    grid, start_s, lag_s = (x["ground_speed"] for x in (frame.values, frame.start_s, frame.lag_s))
    columns = np.flatnonzero(~np.isnan(grid))
    placed_s = CLOCK_S + 1.5 + start_s + columns * made.step_s
    taken_s = time_s[grid[columns].astype(int)]
    assert (placed_s >= taken_s - 1e-6).all()
    assert (placed_s - taken_s <= lag_s - 0.05 + 1e-6).all()
    assert lag_s - 0.05 <= made.step_s + 1e-6
    inside = ((time_s >= CLOCK_S - 20) & (time_s <= CLOCK_S + 50)).sum()
    lost = inside - len(columns)  # two samples on one grid point: where drift and jitter meet
    assert lost <= 2 + abs(drift) * 70 * rate_hz + jitter * inside


def test_regular_stamps_add_no_lag_and_lose_no_sample() -> None:
    made = sampled("ground_speed", SPEED, 4.0, 0.1)
    frame = cut(recording([made]), 0, CLOCK_S, CLOCK_S - 30, CLOCK_S + 60, [])
    assert frame.lag_s["ground_speed"] == 0
    assert frame.start_s["ground_speed"] == pytest.approx(-29.9)
    np.testing.assert_allclose(frame.values["ground_speed"][:360], made.values, rtol=1e-6)


def test_only_the_window_is_kept_of_a_long_recording() -> None:
    made = sampled("ground_speed", SPEED, 4.0, start_s=-9000, end_s=4000)
    frame = cut(recording([made]), 0, CLOCK_S, CLOCK_S - 30, CLOCK_S + 60, [])
    assert len(frame.values["ground_speed"]) == 90 * 4 + 1
    assert frame.facts["length_s"] == 90


def test_a_parameter_without_a_sample_in_the_window_is_not_in_the_layout() -> None:
    speed = sampled("ground_speed", SPEED, 4.0)
    lost = sampled("main_gear_ground", switch(0, (0, 1)), 1.0, gaps=[(-40, 70)])
    blank = sampled("heading", line((0, 90)), 1.0, gaps=[(-40, 70)])
    early = sampled("n1.1", line((0, 90)), 1.0, start_s=-300, end_s=-100)
    frame = cut(recording([speed, lost, blank, early]), 0, CLOCK_S, CLOCK_S - 30, CLOCK_S + 60, [])
    assert [name for name, _ in frame.layout.steps] == ["ground_speed"]


def test_stacked_landings_are_filled_with_missing_samples_at_their_end() -> None:
    long = recording([sampled("ground_speed", SPEED, 4.0), sampled("main_gear_ground", switch(0, (0, 1)), 1.0)])
    short = recording(
        [
            sampled("ground_speed", SPEED, 4.0, end_s=20),
            sampled("main_gear_ground", switch(0, (0, 1)), 1.0, 0.4, end_s=20),
        ],
        content="1",
    )
    frames = [
        cut(long, 0, CLOCK_S, CLOCK_S - 30, CLOCK_S + 59, []),
        cut(short, 0, CLOCK_S, CLOCK_S - 30, CLOCK_S + 19, []),
    ]
    block = stack_frames(frames)
    assert block.values["ground_speed"].shape == (2, 357)
    assert np.isnan(block.values["ground_speed"][1, 49 * 4 + 1 :]).all()
    assert (block.values["main_gear_ground"][1, 50:] == -1).all()
    assert block.start_s["main_gear_ground"].tolist() == pytest.approx([-30, -29.6])
    assert block.facts["landing_id"].n_unique() == 2


def test_the_landing_id_depends_on_content_and_place_only() -> None:
    one = recording([sampled("ground_speed", SPEED, 4.0)])
    renamed = replace(one, source="elsewhere", facts={"tail": "QQ-1"})
    ids = [block_of([r]).facts["landing_id"][0] for r in (one, renamed, replace(one, content_hash="1"))]
    assert ids[0] == ids[1] != ids[2]
