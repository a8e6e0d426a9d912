"""One time axis with two speeds."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.timeaxis import TimeAxis


def test_seconds_are_units_up_to_the_knee_and_a_quarter_after_it():
    axis = TimeAxis(-3, 50)
    assert axis.units(np.array([-3.0, 0.0, 10.0, 14.0, 50.0])).tolist() == [-3, 0, 10, 11, 20]
    assert axis.range == [-3, 20]


def test_without_a_knee_a_unit_is_a_second():
    assert TimeAxis(20, 44, None).units(np.array([20.0, 44.0])).tolist() == [20, 44]


@given(st.floats(-3, 90), st.floats(-3, 90))
def test_order_in_time_is_order_on_the_axis(a, b):
    axis = TimeAxis(-3, 90)
    low, high = sorted((a, b))
    assert axis.unit(low) <= axis.unit(high)


@pytest.mark.parametrize(
    "axis", [TimeAxis(-3, 60), TimeAxis(-3, 60, sparse=True), TimeAxis(31, 47, None), TimeAxis(-3, 12)]
)
def test_ticks_stand_where_their_text_says(axis):
    values, texts = axis.ticks()
    assert 3 <= len(values) <= 13
    said = np.array([float(text.removesuffix(" s").replace("−", "-")) for text in texts])
    assert axis.units(said).tolist() == pytest.approx(values)
    assert texts[-1].endswith(" s")
    assert "−0" not in texts
