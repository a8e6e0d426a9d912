"""Published accident timelines: the events that the reports describe, and no others; their times within the bounds."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest

from .conftest import Detected
from .judging import SEVERITIES, escapes, rows_of
from .timeline_more import TIMELINES
from .timelines import Timeline, distance_m, linear

pytestmark = pytest.mark.outside
cases = pytest.mark.parametrize("timeline", TIMELINES, ids=lambda t: t.name)


@cases
def test_recording_agrees_with_the_published_distances(timeline: Timeline) -> None:
    """The rebuilt speed profile, integrated with SciPy, passes where the report has the aeroplane."""
    for mark in timeline.landmarks:
        from_threshold_m = timeline.touchdown_m + (distance_m(timeline, mark.time_s) if mark.time_s else 0.0)
        assert from_threshold_m == pytest.approx(mark.from_threshold_m, abs=mark.tolerance_m)
        if not math.isnan(mark.speed_kt):
            assert float(linear(timeline.roll)(np.array([mark.time_s]))[0]) == pytest.approx(mark.speed_kt, abs=0.5)


@cases
def test_touchdown_is_first_contact(timeline: Timeline, reported: Detected) -> None:
    row = reported.landing(timeline.name)
    assert not escapes(100.0, row["touchdown_earliest_s"], row["touchdown_latest_s"])


@cases
def test_events_are_those_that_the_report_describes(timeline: Timeline, reported: Detected) -> None:
    events = {row["rule"]: row for row in reported.of("events", timeline.name).iter_rows(named=True)}
    missing = sorted(set(timeline.events) - set(events))
    invented = sorted(set(events) - set(timeline.events) - set(timeline.possible))
    assert (missing, invented) == ([], []), f"{timeline.report}: missing {missing}, invented {invented}"


@cases
def test_severities_are_at_least_as_reported(timeline: Timeline, reported: Detected) -> None:
    """The severity by the report's figures lies between the event's lowest and highest."""
    for row in reported.of("events", timeline.name).iter_rows(named=True):
        if row["rule"] in timeline.events:
            lowest, highest = (SEVERITIES.index(row[f"severity_{end}"]) for end in ("lowest", "highest"))
            said = SEVERITIES.index(timeline.events[row["rule"]])
            assert lowest <= said <= highest, f"{timeline.report}: {row['rule']} {row['severity']}"


@cases
def test_published_figures_lie_within_the_bounds(timeline: Timeline, reported: Detected) -> None:
    for figure in timeline.published:
        if figure.what.startswith("step:"):
            table = reported.of("instants", timeline.name)
            of_engine = pl.col("engine").fill_null(0) == figure.engine
            row = table.filter((pl.col("step") == figure.what[5:]) & of_engine).row(0, named=True)
            best_s = reported.landing(timeline.name)["touchdown_s"] - 100.0
            lower, upper = row["earliest_s"] + best_s, row["latest_s"] + best_s
        else:
            table = reported.of("measures", timeline.name)
            row = rows_of(table, figure.what, figure.engine).row(0, named=True)
            lower, upper = row["lower"], row["upper"]
        assert lower is not None, f"{timeline.report}: {figure.what}: {row.get('reason')}"
        assert not escapes(figure.value, lower, upper, figure.tolerance + 1e-4), f"{figure}: [{lower}, {upper}]"


@pytest.mark.parametrize("timeline", [t for t in TIMELINES if t.reversers_out], ids=lambda t: t.name)
def test_a_reverser_known_to_be_out_does_not_stop_the_others_being_judged(
    timeline: Timeline, reported: Detected
) -> None:
    """In each of these the working reversers were selected and deployed promptly."""
    outcomes = dict(reported.of("outcomes", timeline.name).select("rule", "outcome").iter_rows())
    rules = ("late_reverse", "reverser_not_deployed", "slow_transit")
    assert {rule: outcomes[rule] for rule in rules} == dict.fromkeys(rules, "within")
    # two engines have no other pair to compare; four keep their inboard pair
    assert outcomes["asymmetric_deployment"] == ("not_assessed" if timeline.engines == 2 else "within")
