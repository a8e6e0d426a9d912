"""Trends against made-up drifts, the recorder's parameters, and data recovery."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from fdm.health import by_month, parameters, recovery, trends

START = datetime(2026, 9, 28, tzinfo=UTC)


def landings(count, tail="QQ-LAF"):
    times = [START + timedelta(days=2 * i) for i in range(count)]
    return pl.DataFrame(
        {"landing_id": [f"{tail}{i}" for i in range(count)], "tail": tail, "fleet": "Tern 200", "touchdown_utc": times,
         "flight": [f"VH{i}" for i in range(count)]},
        schema_overrides={"touchdown_utc": pl.Datetime("us", "UTC")},
    )  # fmt: skip


def transits(values, tail="QQ-LAF"):
    n = len(values)
    return pl.DataFrame(
        {"landing_id": [f"{tail}{i}" for i in range(n)], "measure": "deploy_transit_s", "engine": 2, "value": values,
         "lower": np.asarray(values) - 0.25, "upper": np.asarray(values) + 0.25, "unit": "s"}
    )  # fmt: skip


def test_slope_of_a_straight_drift_is_its_own():
    # 0.05 s a landing, one landing every two days: 0.75 s in 30 days
    found = trends(landings(20), transits(2.0 + 0.05 * np.arange(20))).row(0, named=True)
    assert found["per_30_days"] == pytest.approx(0.75)
    assert found["drifting"]
    assert found["end"] == pytest.approx(2.95)
    assert found["end"] - found["change"] == pytest.approx(2.0)
    # landings 0 to 9 and 10 to 19: the middle of either half
    assert (found["was"], found["was_landings"]) == (pytest.approx(2.225), 10)
    assert (found["now"], found["now_landings"]) == (pytest.approx(2.725), 10)


def test_what_was_and_what_is_are_those_of_the_first_and_the_last_landings():
    values = [2.4] * 20 + [3.0] * 40 + [4.9] * 10
    found = trends(landings(70), transits(values)).row(0, named=True)
    assert (found["was"], found["was_landings"], found["now"], found["now_landings"]) == (2.4, 20, 4.9, 10)


def test_a_coarse_recorder_and_odd_landings_do_not_hide_a_drift():
    values = np.round((2.0 + 0.15 * np.arange(24)) * 2) / 2
    values[[5, 11, 17]] = 2.0
    assert trends(landings(24), transits(values))["drifting"][0]


def test_noise_is_no_drift():
    values = 2.0 + 0.2 * np.random.default_rng(3).standard_normal(40)
    assert not trends(landings(40), transits(values))["drifting"][0]


def test_few_landings_draw_no_trend():
    assert trends(landings(5), transits([2.0, 3, 4, 5, 6])).height == 0


def seen(count, changes, share=1.0, name="reverser_state.2"):
    return pl.DataFrame(
        {"landing_id": [f"QQ-LAF{i}" for i in range(count)], "parameter": name, "share": share, "changes": changes,
         "faults": 0}
    )  # fmt: skip


def test_a_discrete_that_stops_changing_is_silent_since_then():
    found = parameters(landings(12), seen(12, [True] * 6 + [False] * 6)).row(0, named=True)
    assert found["state"] == "silent"
    assert found["silent_since_utc"] == START + timedelta(days=12)
    assert found["silent_landings"] == 6


def test_a_parameter_that_leaves_the_recording_is_gone_since_then():
    found = parameters(landings(12), seen(6, [True] * 6)).row(0, named=True)
    assert (found["state"], found["present_pct"]) == ("gone", 50.0)
    assert found["silent_since_utc"] == START + timedelta(days=12)
    assert found["silent_landings"] == 6


def test_a_parameter_that_comes_and_goes_is_patchy():
    here = seen(12, True).filter(~pl.col("landing_id").is_in([f"QQ-LAF{i}" for i in (2, 3, 4, 5, 6, 9, 11)]))
    found = parameters(landings(12), here).row(0, named=True)
    assert (found["state"], found["silent_since_utc"]) == ("patchy", None)


def test_a_healthy_parameter_is_good():
    assert parameters(landings(12), seen(12, [True] * 12))["state"][0] == "good"


def test_recovery_is_recorded_of_flown():
    flown = pl.DataFrame({"tail": ["QQ-LAF"] * 4, "flight": ["VH0", "VH1", "VH7", "VH8"]})
    assert recovery(landings(3), flown).row(0, named=True) == {
        "tail": "QQ-LAF",
        "flown": 4,
        "recorded": 2,
        "recovered_pct": 50.0,
    }


def test_months_tell_where_a_parameter_was_not_usable():
    # a landing every two days from 28 Sep 2026: two in September, fifteen or sixteen in October
    some = seen(20, True)
    poor = some.with_columns(
        share=pl.when(pl.col("landing_id").is_in(["QQ-LAF0", "QQ-LAF5"])).then(0.5).otherwise(1.0),
        faults=pl.when(pl.col("landing_id") == "QQ-LAF6").then(2).otherwise(0),
    ).filter(pl.col("landing_id") != "QQ-LAF7")
    found = by_month(landings(20), poor).rows()
    assert found == [
        ("QQ-LAF", "reverser_state.2", "2026-09", 2, 1, 0),
        ("QQ-LAF", "reverser_state.2", "2026-10", 15, 3, 1),
        ("QQ-LAF", "reverser_state.2", "2026-11", 3, 0, 0),
    ]
