"""Intervals and charts against published values."""

import numpy as np
import pytest
from scipy.stats import binomtest

from fdm.statistics import exact_intervals, poisson_interval, rate, rate_of_rule, u_chart, wilson_interval

# Garwood's exact interval. 95 %, k = 0 and 10: tables of the exact Poisson interval, from memory and as published by
# two open calculators; k = 25 at 90, 95 and 99 %: a statistics package's published documentation.
GARWOOD = [
    (0, 0.95, 0.0, 3.689),
    (10, 0.95, 4.80, 18.39),
    (25, 0.95, 16.18, 36.90),
    (25, 0.90, 17.38, 34.92),
    (25, 0.99, 14.00, 41.00),
]


@pytest.mark.parametrize(("count", "confidence", "lower", "upper"), GARWOOD)
def test_poisson_interval_is_garwoods(count, confidence, lower, upper):
    assert poisson_interval(count, confidence) == pytest.approx((lower, upper), abs=0.006)


# Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, method 3 (Wilson's score), from memory.
NEWCOMBE = [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)]


@pytest.mark.parametrize(("count", "total", "lower", "upper"), NEWCOMBE)
def test_share_interval_is_wilsons(count, total, lower, upper):
    assert wilson_interval(count, total) == pytest.approx((lower, upper), abs=6e-5)


# Newcombe 1998, table I, method 5 (Clopper-Pearson), from memory.
EXACT = [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)]


@pytest.mark.parametrize(("count", "total", "lower", "upper"), EXACT)
def test_exact_interval_of_a_share_is_clopper_and_pearsons(count, total, lower, upper):
    found = [float(x[0]) for x in exact_intervals(np.array([count]), np.array([total]))]
    assert found == pytest.approx((lower, upper), abs=6e-5)


@pytest.mark.parametrize(("count", "total"), [(0, 1), (1, 1), (4, 7), (7, 7), (0, 2038), (44, 1999), (1999, 1999)])
def test_a_rate_of_one_rule_never_passes_all_landings(count, total):
    expected = binomtest(count, total).proportion_ci(method="exact")  # SciPy finds its roots, another way
    found = rate_of_rule(count, total)
    assert (found.lower, found.upper) == pytest.approx((1000 * expected.low, 1000 * expected.high), rel=1e-6)
    assert found.upper is not None
    assert found.upper <= 1000
    assert rate_of_rule(0, 0).upper is None


def test_there_is_no_share_of_more_than_all():
    with pytest.raises(ValueError, match="more than all"):
        exact_intervals(np.array([3]), np.array([2]))


def test_u_chart_is_the_wafer_example():
    # NIST/SEMATECH e-Handbook 6.3.3.1: 400 defects in 25 wafers, centre 16, limits 4 and 28 (from memory).
    chart = u_chart([400 / 25] * 25, [1] * 25)
    assert (chart.centre, chart.lower[0], chart.upper[0]) == pytest.approx((16, 4, 28))
    assert not chart.signals.any()


def test_u_chart_of_unequal_units_is_the_dyed_cloth():
    # Montgomery, Introduction to Statistical Quality Control: 153 defects in 107.5 units of dyed cloth, u = 1.42;
    # n = 10: 2.56 and 0.29 (from memory).
    chart = u_chart([14, 139], [10, 97.5])
    assert chart.centre == pytest.approx(1.42, abs=0.005)
    assert (chart.upper[0], chart.lower[0]) == pytest.approx((2.56, 0.29), abs=0.01)


def test_u_chart_signals_what_lies_outside_and_passes_over_empty_periods():
    chart = u_chart([1, 2, 1, 30, 0], [100, 100, 100, 100, 0])
    assert chart.signals.tolist() == [False, False, False, True, False]
    assert np.isnan(chart.per_unit[4])


def test_rate_counts_per_thousand():
    found = rate(10, 2000)
    assert (found.per_1000, found.lower, found.upper) == pytest.approx((5, 2.40, 9.20), abs=0.01)
    assert rate(3, 0).per_1000 is None


@pytest.mark.parametrize(("count", "total"), [(-1, 5), (6, 5), (0, 0)])
def test_share_of_nothing_is_refused(count, total):
    with pytest.raises(ValueError, match="no share"):
        wilson_interval(count, total)
