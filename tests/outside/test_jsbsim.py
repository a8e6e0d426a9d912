"""Landings flown with JSBSim: what the product finds in their recordings against what JSBSim says happened."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest

from . import jsbsim_fleet
from .conftest import Detected
from .jsbsim_landing import Flown
from .jsbsim_truth import Truth
from .judging import SEVERITIES, escapes, rows_of, rules, severity

pytestmark = pytest.mark.outside
# JSBSim's contacts and crossings are known to a tick of 0.01 s: so much may they move a value, by unit
TICK_SLACK = {
    "s": 0.02,
    "m": 1.5,
    "kt": 0.1,
    "%": 0.2,
    "g": 0.001,
    "deg": 0.01,
    "fraction": 0.02,
    "count": 0.0,
}
Fleet = tuple[Detected, dict[str, tuple[Flown, Truth]]]


def _full_stops(truths: dict[str, tuple[Flown, Truth]]) -> dict[str, tuple[Flown, Truth]]:
    return {flight: pair for flight, pair in truths.items() if not flight.startswith("go_around")}


def test_every_landing_is_found_once(flown: Fleet) -> None:
    detected, truths = flown
    assert sorted(detected.landings["flight"]) == sorted(truths)
    for flight in truths:
        expected = "go_around" if flight.startswith("go_around") else "full_stop"
        assert detected.landing(flight)["kind"] == expected, flight


def test_first_contact_lies_within_its_bounds(flown: Fleet) -> None:
    detected, truths = flown
    misses = []
    for flight, (_, truth) in truths.items():
        row = detected.landing(flight)
        if escapes(truth.touchdown_s, row["touchdown_earliest_s"], row["touchdown_latest_s"], 0.01):
            misses.append((flight, truth.touchdown_s, row["touchdown_earliest_s"], row["touchdown_latest_s"]))
        assert row["touchdown_latest_s"] - row["touchdown_earliest_s"] <= 1.0  # slowest air/ground: once a second
    assert not misses, misses


def test_instants_lie_within_their_bounds(flown: Fleet) -> None:
    """The table's bounds are seconds after the best touchdown, so the truth is moved to that origin."""
    detected, truths = flown
    misses: list[tuple] = []
    for flight, (_, truth) in truths.items():
        table, best_s = detected.of("instants", flight), detected.landing(flight)["touchdown_s"]
        for (step, engine), after_s in truth.instants.items():
            if step == "settled" and 0 < truth.measures["bounce_airborne_s", 0] < 0.3:
                continue  # a hop between two samples of air/ground, too short for any rule
            rows = table.filter((pl.col("step") == step) & (pl.col("engine").fill_null(0) == engine))
            for row in rows.drop_nulls("at_s").iter_rows(named=True):
                at = truth.touchdown_s + after_s - best_s
                if escapes(at, row["earliest_s"], row["latest_s"], TICK_SLACK["s"]):
                    misses.append((flight, step, engine, at, row["earliest_s"], row["at_s"], row["latest_s"]))
            if not math.isnan(after_s) and not rows.drop_nulls("at_s").height:
                misses.append((flight, step, engine, after_s, "missing"))
    assert not misses, _lines(misses)


def test_measures_hold_the_truth(flown: Fleet) -> None:
    detected, truths = flown
    misses, checked = [], 0
    for flight, (_, truth) in truths.items():
        table = detected.of("measures", flight)
        for (name, engine), true in truth.measures.items():
            for row in rows_of(table, name, engine).drop_nulls("value").iter_rows(named=True):
                checked += 1
                may_be_none = math.isnan(true) and math.isinf(row["lower"])
                if not may_be_none and escapes(true, row["lower"], row["upper"], TICK_SLACK[row["unit"]]):
                    misses.append((flight, name, engine, true, row["lower"], row["value"], row["upper"]))
    assert checked > 20 * len(truths)
    assert not misses, _lines(misses)


def test_measures_that_exist_are_given(flown: Fleet) -> None:
    """A measure with a true value has a value, or bounds and a reason; never silence."""
    detected, truths = flown
    misses: list[tuple] = []
    for flight, (_, truth) in _full_stops(truths).items():
        table = detected.of("measures", flight)
        for (name, engine), true in truth.measures.items():
            rows = rows_of(table, name, engine)
            if rows.height != 1:
                misses.append((flight, name, engine, true, f"{rows.height} rows"))
            elif not math.isnan(true) and rows["value"][0] is None:
                misses.append((flight, name, engine, true, rows["reason"][0]))
    assert not misses, _lines(misses)


def test_runway_left_agrees_with_the_flown_distance(flown: Fleet) -> None:
    """JSBSim's own distance from the threshold under its start, on its ellipsoid."""
    detected, truths = flown
    length_m = jsbsim_fleet.RUNWAY_LENGTH_FT * 0.3048
    start = next(iter(truths.values()))[0]
    misses = []
    for flight, (one, truth) in _full_stops(truths).items():
        assert one.log["longitude_deg"][0] == pytest.approx(start.log["longitude_deg"][0], abs=1e-9)
        slow_s = truth.touchdown_s + truth.instants["speed_60kt", 0]
        true = length_m - float(np.interp(slow_s, one.time_s, one.log["distance_m"]))
        row = rows_of(detected.of("measures", flight), "runway_left_60_m", 0).row(0, named=True)
        if escapes(true, row["lower"], row["upper"]) or abs(true - row["value"]) > 60.0:
            misses.append((flight, true, row["lower"], row["value"], row["upper"]))
    assert not misses, _lines(misses)


def _true_severity(rule: dict, truth: Truth) -> int:
    """The worst engine's severity by the true values; within when the measure does not exist."""
    values = [v for (name, _), v in truth.measures.items() if name == rule["measure"] and not math.isnan(v)]
    return max((severity(rule, v) for v in values), default=0)


def test_events_are_the_true_ones(flown: Fleet) -> None:
    """Where the bounds leave one severity it is the true one; where they straddle a limit it is among them."""
    detected, truths = flown
    misses, certain, grey = [], 0, 0
    for flight, (_, truth) in truths.items():
        outcomes, events = detected.of("outcomes", flight), detected.of("events", flight)
        for name, rule in rules().items():
            if not any(measure == rule["measure"] for measure, _ in truth.measures):
                continue
            judged = rule.get("rollout", True) is False or not flight.startswith("go_around")
            true = _true_severity(rule, truth) if judged else 0
            outcome = outcomes.filter(pl.col("rule") == name)["outcome"].item()
            low, best, high = _said(events, detected.of("measures", flight), name, rule)
            sure = low == high
            certain, grey = certain + sure, grey + (not sure)
            if (sure and best != true) or not low <= true <= high or (outcome == "not_assessed" and true):
                misses.append((flight, name, SEVERITIES[true], outcome, SEVERITIES[low], SEVERITIES[best]))
    assert not misses, _lines(misses)
    assert certain > 4 * grey, f"{grey} of {grey + certain} lie in the grey zone"


def _said(events: pl.DataFrame, measures: pl.DataFrame, name: str, rule: dict) -> tuple[int, int, int]:
    """Lowest, best and highest severity that the product gives a rule."""
    event = events.filter(pl.col("rule") == name)
    if event.height:
        row = event.row(0, named=True)
        return tuple(SEVERITIES.index(row[k]) for k in ("severity_lowest", "severity", "severity_highest"))  # type: ignore[return-value]
    rows = measures.filter((pl.col("measure") == rule["measure"]) & pl.col("value").is_not_null())
    ends = [severity(rule, row[end]) for row in rows.iter_rows(named=True) for end in ("lower", "upper")]
    return 0, 0, max(ends, default=0)


def test_each_lapse_makes_its_event(flown: Fleet) -> None:
    """The lapses that were flown, by construction far beyond their limits."""
    detected, truths = flown
    expected = {
        "late_spoilers": "late_spoilers",
        "no_spoilers": "late_spoilers",
        "late_reverse": "late_reverse",
        "one_slow": "asymmetric_deployment",
        "one_never": "reverser_not_deployed",
        "late_stow": "late_reverser_stow",
        "no_reverse": "no_reverse",
        "forward_power": "forward_power_with_reverser_out",
        "stow_at_power": "stow_before_idle",
        "partial_spoilers": "spoilers_partial",
        "early_retraction": "spoilers_retracted_early",
        "go_around": "reverse_then_go_around",
    }
    for flight in truths:
        lapse = flight.rsplit("_", 1)[0]
        if lapse in expected:
            assert expected[lapse] in set(detected.of("events", flight)["rule"]), flight


def test_bounds_are_no_wider_than_the_sampling(flown: Fleet) -> None:
    """A device's step is known to one sampling interval of its own parameter (737: twice, A320: once a second)."""
    detected, truths = flown
    wide = []
    for flight, (one, _) in truths.items():
        interval_s = 0.5 if one.plan.model == "737" else 1.0
        table = detected.of("instants", flight).drop_nulls("at_s")
        for row in table.filter(pl.col("step").is_in(["unlocked", "deployed", "stow_start", "stowed"])).to_dicts():
            if row["latest_s"] - row["earliest_s"] > interval_s + 1e-3:
                wide.append((flight, row["step"], row["engine"], row["latest_s"] - row["earliest_s"]))
    assert not wide, _lines(wide)


def _lines(misses: list[tuple]) -> str:
    shown = [" ".join(f"{x:.3f}" if isinstance(x, float) else str(x) for x in miss) for miss in misses]
    return f"{len(misses)} misses\n" + "\n".join(shown)
