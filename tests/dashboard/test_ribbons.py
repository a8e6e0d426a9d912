"""Discretes and states as stretches of time: known, or not."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from dashboard.ribbons import Stretch, of, stretches
from fdm.archive import Trace


def discrete(times, values, *, step_s=1.0, lag_s=0.0, kind="discrete"):
    return Trace(np.array(times, float), np.array(values, np.int8), "", kind, step_s, lag_s)


def test_a_change_lies_between_its_two_samples():
    found = stretches(discrete([0, 1, 2, 3], [0, 0, 1, 1]), 0, 3)
    assert found == [Stretch(0, 1, 0), Stretch(1, 2, None), Stretch(2, 3, 1)]


def test_a_late_stamp_widens_the_time_in_which_it_may_have_changed():
    found = stretches(discrete([0, 1, 2, 3], [0, 0, 1, 1], lag_s=0.25), 0, 3)
    assert found == [Stretch(0, 0.75, 0), Stretch(0.75, 2, None), Stretch(2, 3, 1)]


def test_a_hole_is_not_recorded_even_when_both_ends_agree():
    found = stretches(discrete([0, 1, 6, 7], [1, 1, 1, 1]), 0, 7)
    assert found == [Stretch(0, 1, 1), Stretch(1, 6, None, recorded=False), Stretch(6, 7, 1)]


def test_nothing_recorded_is_one_hatched_stretch():
    assert stretches(discrete([], []), -3, 9) == [Stretch(-3, 9, None, recorded=False)]


def test_a_window_cuts_what_reaches_over_its_edge():
    found = stretches(discrete(range(20), [0] * 10 + [1] * 10), 8.5, 12.5)
    assert found == [Stretch(8.5, 9, 0), Stretch(9, 10, None), Stretch(10, 12.5, 1)]


def test_a_reverser_told_by_two_discretes_is_stowed_moving_deployed():
    traces = {
        "reverser_unlocked.1": discrete(range(8), [0, 0, 1, 1, 1, 1, 0, 0]),
        "reverser_deployed.1": discrete(range(8), [0, 0, 0, 0, 1, 1, 0, 0]),
    }
    found = of(("reverser_unlocked.1", "reverser_deployed.1"), traces, 0, 7)
    known = [(s.start_s, s.end_s, s.state) for s in found]
    assert known == [(0, 1, 0), (1, 2, None), (2, 3, 1), (3, 4, None), (4, 5, 2), (5, 6, None), (6, 7, 0)]


@given(st.lists(st.integers(0, 2), min_size=2, max_size=60), st.floats(0, 0.9))
def test_stretches_follow_one_another_and_cover_the_window(values, lag_s):
    n = len(values)
    found = stretches(discrete(range(n), values, lag_s=lag_s, kind="state"), 0, n - 1)
    assert found[0].start_s == 0
    assert found[-1].end_s == n - 1
    assert all(a.end_s <= b.start_s + 1e-9 for a, b in itertools.pairwise(found))
    # wherever a stretch claims a state, the sample there says the same
    for s in found:
        if s.state is not None:
            assert all(values[t] == s.state for t in range(n) if s.start_s <= t <= s.end_s)
