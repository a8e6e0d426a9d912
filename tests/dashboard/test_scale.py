"""Where values stand among their limits, whatever unit or direction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.scale import drawn, limit_places, places

ABOVE = {"low": 2.0, "medium": 3.0, "high": 5.0}
BELOW = {"low": 600.0, "medium": 450.0, "high": 300.0}


@pytest.mark.parametrize(("value", "place"), [(2, 1), (2.5, 1.5), (3, 2), (4, 2.5), (5, 3), (7, 4), (1, 0), (0, -1)])
def test_limits_stand_at_one_two_three_and_the_rest_between(value, place):
    assert places(np.array([value]), ABOVE, "above")[0] == pytest.approx(place)


@pytest.mark.parametrize(("value", "place"), [(600, 1), (525, 1.5), (450, 2), (375, 2.5), (300, 3), (150, 4), (750, 0)])
def test_a_low_value_is_the_worse_one_where_the_rule_looks_below(value, place):
    assert places(np.array([value]), BELOW, "below")[0] == pytest.approx(place)


def test_equal_limits_stand_together_at_the_highest():
    assert limit_places({"low": 0.5, "medium": 0.5, "high": 0.5}) == {"low": 3, "medium": 3, "high": 3}
    assert limit_places({"low": 0.5, "medium": 0.5}) == {"low": 2, "medium": 2}


def test_a_rule_with_one_level_still_has_a_scale():
    at = places(np.array([10.0, 15.0, 5.0]), {"low": 10.0}, "above")
    assert at == pytest.approx([1.0, 1.5, 0.5])


def test_unknown_values_stay_unknown():
    at = places(np.array([np.nan, np.inf]), ABOVE, "above")
    assert np.isnan(at[0])
    assert at[1] == np.inf


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_a_worse_value_never_stands_before_a_better_one(a, b):
    low, high = sorted((a, b))
    at = places(np.array([low, high]), ABOVE, "above")
    assert at[0] <= at[1]
    assert drawn(at[0]) <= drawn(at[1])


@given(st.floats(-1e9, 1e9))
def test_nothing_is_drawn_off_the_column(place):
    assert 0 < drawn(place) < 4
    if 1 <= place <= 3:
        assert drawn(place) == place
