"""The steps of a landing, and where on the runway they happened."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from conftest import text_of

from dashboard import runway, samples
from dashboard.believed import believed
from dashboard.steps import EXPECTED, step_rows
from dashboard.steptable import fact
from fdm import schemas
from fdm.archive import Trace


def instants(*rows):
    columns = list(schemas.INSTANTS)
    full = [dict.fromkeys(columns) | {"landing_id": "x"} | row for row in rows]
    return pl.DataFrame(full, schema=dict(schemas.INSTANTS))


def at(step, at_s, *, engine=None, distance_m=None, speed=None, left_m=None):
    return {
        "step": step, "engine": engine, "at_s": at_s, "earliest_s": at_s - 0.4, "latest_s": at_s + 0.1,
        "distance_m": distance_m, "ground_speed_kt": speed, "runway_left_m": left_m,
    }  # fmt: skip


def test_steps_are_numbered_in_procedure_order_whatever_came_first():
    rows = step_rows(instants(at("brakes_on", 1.0), at("touchdown", 0.0), at("spoilers_extended", 4.0)), [], {}, 0)
    found = [(row.number, row.step) for row in rows if row.times]
    assert [step for _, step in found] == ["touchdown", "spoilers_extended", "brakes_on"]
    numbers = [row.number for row in rows if row.number]
    assert numbers == list(range(1, len(numbers) + 1))


def test_engines_of_one_step_stand_together_and_the_last_one_counts():
    rows = step_rows(instants(at("deployed", 5.3, engine=1), at("deployed", 5.8, engine=2)), [], {}, 0)
    deployed = next(row for row in rows if row.step == "deployed")
    assert deployed.title == "Both reversers deployed"
    assert (deployed.last.engine, deployed.last.at_s) == (2, 5.8)


def test_why_one_engine_did_not_do_it_is_told_beside_the_one_that_did():
    done = instants(at("deployed", 4.0, engine=1), at("deployed", 4.1, engine=2), at("reverse_idle", 20.0, engine=2))
    rows = step_rows(done, [], {"reverse_idle_speed_kt": "reverse was kept at idle"}, 0)
    told = str(fact({}, next(row for row in rows if row.step == "reverse_idle")))
    assert "engine 2; engine 1: reverse was kept at idle" in told


def test_one_engine_is_alone_only_where_the_other_did_nothing():
    both = step_rows(
        instants(at("deployed", 4.0, engine=1), at("deployed", 4.1, engine=2), at("stowed", 30.0, engine=1)), [], {}, 0
    )
    alone = step_rows(instants(at("deployed", 4.0, engine=2), at("stowed", 30.0, engine=2)), [], {}, 0)
    told = [str(fact({}, next(row for row in rows if row.step == "stowed"))) for rows in (both, alone)]
    assert "engine 1; engine 2: not seen" in told[0]
    assert "engine 2 alone" in told[1]


def test_what_was_expected_and_not_found_says_why():
    rows = step_rows(instants(at("touchdown", 0.0)), [], {"spoiler_delay_s": "not recorded: spoiler_handle"}, 0)
    missing = {row.step: row.missing for row in rows if not row.times}
    assert set(missing) == set(EXPECTED) - {"touchdown"}
    assert missing["spoilers_extended"] == "not recorded: spoiler_handle"
    assert missing["brakes_on"] == "It did not happen, or was not recorded."


def test_what_a_rule_found_missing_was_recorded():
    event = {"measure": "spoiler_extension_max", "severity": "high"}
    rows = step_rows(instants(at("touchdown", 0.0)), [event], {}, 0)
    assert next(row for row in rows if row.step == "spoilers_extended").missing == "It did not happen."


def test_an_event_stands_at_its_step():
    event = {"measure": "reverser_out_below_taxi_s", "severity": "high"}
    rows = step_rows(instants(at("stowed", 40.0, engine=1)), [event], {}, 0)
    assert [row.step for row in rows if row.events] == ["stowed"]


def lasting(measure, at_s):
    """A landing whose left engine reversed from 4.3 s on, stowed at 38 s; what was found began at `at_s`."""
    table = instants(
        at("touchdown", 0.0), at("spoilers_extended", 0.8), at("brakes_on", 1.9),
        at("reverse_selected", 1.4, engine=1), at("reverse_selected", 1.7, engine=2), at("unlocked", 1.4, engine=1),
        at("deployed", 4.3, engine=1), at("speed_60kt", 27.5), at("stow_start", 38.0, engine=1), at("stowed", 41.0),
    )  # fmt: skip
    event = {"measure": measure, "severity": "high", "at_s": at_s}
    (row,) = (row for row in step_rows(table, [event], {}, 0) if row.events)
    return row.step


@pytest.mark.parametrize("measure", ["forward_power_with_reverser_out_s", "autothrottle_in_reverse_s"])
def test_what_lasts_stands_at_the_step_last_reached_when_it_began(measure):
    assert lasting(measure, 8.7) == "deployed"
    assert lasting(measure, 4.29) == "brakes_on"
    assert lasting(measure, 1.4) == "reverse_selected"  # unlocked at the same time: the step that leads to it
    assert lasting(measure, 30.0) == "deployed"  # not at 60 kt, which has no number
    assert lasting(measure, 39.0) == "stow_start"
    for unknown in (-0.1, None, float("nan")):
        assert lasting(measure, unknown) == "touchdown"


def test_what_a_step_is_measured_by_stands_at_it_whenever_it_began():
    assert lasting("reverser_out_below_taxi_s", 30.0) == "stowed"
    assert lasting("deploy_transit_s", 1.4) == "deployed"


def test_settled_contact_is_told_only_after_a_bounce():
    table = instants(at("touchdown", 0.0), at("settled", 1.4))
    assert "settled" not in [row.step for row in step_rows(table, [], {}, 0)]
    assert "settled" in [row.step for row in step_rows(table, [], {}, 1)]


def test_an_instant_without_a_time_did_not_happen():
    rows = step_rows(instants(at("brakes_on", float("nan"))), [], {}, 0)
    assert next(row for row in rows if row.step == "brakes_on").times == ()


@pytest.fixture(scope="module")
def rolled():
    table = instants(
        at("touchdown", 0.0, distance_m=0.0, speed=137.0),
        at("spoilers_extended", 1.0, distance_m=70.0),
        at("brakes_on", 4.0, distance_m=275.0),
        at("speed_60kt", 20.0, distance_m=1000.0),
        at("stowed", 30.0, distance_m=1300.0, engine=1),
    )
    return step_rows(table, [], {}, 0)


def test_the_runway_is_to_scale(rolled):
    """Touchdown 400 m in and 60 kt 1,000 m later stand at 20 % and 70 % of 2,000 m."""
    span = runway.strip(rolled, 2000.0, 400.0)
    assert (span.length_m, span.known) == (2000.0, True)
    assert [span.pct(0.0), span.pct(1000.0)] == [20.0, 70.0]
    drawing = runway.drawing(rolled, 2000.0, 400.0)
    assert re.search(r'class="milestone" x1="70.0%"', drawing)
    assert re.search(r'class="path" x1="20.0%" x2="85.0%"', drawing)


def test_without_a_known_runway_distances_count_from_touchdown(rolled):
    for length, touchdown in ((None, 400.0), (2000.0, None)):
        span = runway.strip(rolled, length, touchdown)
        assert not span.known
        assert span.pct(0.0) == 0.0
        assert 90 < span.pct(1300.0) < 100
        assert "0 m from touchdown" in text_of(runway.drawing(rolled, length, touchdown))


def test_a_rollout_that_does_not_fit_its_runway_is_not_drawn_on_it(rolled):
    assert not runway.strip(rolled, 1000.0, 400.0).known


def test_a_runway_begins_at_its_displaced_threshold():
    """Landing distance available counts from the displaced threshold (ICAO Annex 14, 2.8): 150 m of 2,000 m lie before
    it, so 400 m after it and 1,000 m on, 450 m are left."""
    table = instants(
        at("touchdown", 0.0, distance_m=0.0, left_m=1450.0), at("stowed", 30.0, distance_m=1000.0, left_m=450.0)
    )
    rows = step_rows(table, [], {}, 0)
    span = runway.strip(rows, 2000.0, 400.0)
    assert (span.length_m, span.runway_m, span.displaced_m) == (2000.0, 1850.0, 150.0)
    assert (span.past_pct(0.0), span.pct(0.0), span.pct(1000.0)) == (7.5, 27.5, 77.5)
    drawing = runway.drawing(rows, 2000.0, 400.0)
    assert "end 1,850 m" in text_of(drawing)
    assert "0 m from the displaced threshold" in text_of(drawing)
    assert re.search(r'class="band displaced" x="0" y="\d+" width="7.5%"', drawing)
    assert re.search(r'class="path" x1="27.5%" x2="77.5%"', drawing)
    assert samples.table({}, rows, span, 40.0)["strip"] == {
        "length": 2000.0, "before": 150.0, "touchdown": 400.0, "runway": 1850.0,
    }  # fmt: skip


def test_a_displaced_threshold_is_told_with_the_length_of_the_runway(rolled):
    assert runway.length_in_words(2700.0, 120.0) == "2,580 m from the displaced threshold (runway 2,700 m)"
    for none in (None, 0.0, 0.4):
        assert runway.length_in_words(2700.0, none) == "2,700 m runway"
    assert runway.length_in_words(None, 120.0) == ""
    assert "displaced" not in runway.drawing(rolled, 2000.0, 400.0)


def test_after_the_runway_was_left_nothing_is_placed_on_it():
    table = instants(
        at("touchdown", 0.0, distance_m=0.0, left_m=1600.0),
        at("runway_exit", 50.0, distance_m=1500.0, left_m=100.0),
        at("spoilers_retracted", 56.0, distance_m=1540.0, speed=15.0, left_m=60.0),
    )
    rows = step_rows(table, [], {}, 0)
    told = {row.step: str(fact({"touchdown_distance_m": 400.0}, row)) for row in rows if row.step != "touchdown"}
    assert "100 m left" in told["runway_exit"]
    assert "15 kt" in told["spoilers_retracted"]
    assert "left" not in told["spoilers_retracted"]
    drawing = runway.drawing(rows, 2000.0, 400.0)
    assert re.search(r'class="path" x1="20.0%" x2="95.0%"', drawing)
    assert "spoilers down" not in text_of(drawing)


FROZEN = ["ground_speed: frozen from 3.0 to 9.0 s after touchdown"]


def test_each_step_tells_where_it_was_and_what_was_left():
    """Touchdown 400 m in on 2,000 m; brakes 275 m on, at 675 m, with 1,325 m left."""
    table = instants(
        at("touchdown", 0.0, distance_m=0.0, speed=130.0, left_m=1600.0),
        at("brakes_on", 4.0, distance_m=275.0, speed=120.0, left_m=1325.0),
        at("stowed", 20.0, engine=1),
    )
    told = {
        touchdown_m: {row.step: text_of(fact(landed | {"touchdown_distance_m": touchdown_m}, row))
                      for row in step_rows(table, [], {}, 0) if row.last}
        for touchdown_m in (400.0, None)
    }  # fmt: skip
    assert "400 m past the threshold" in told[400.0]["touchdown"]
    assert "at 130 kt, 1,600 m left" in told[400.0]["touchdown"]
    assert "at 120 kt, at 675 m, 1,325 m left" in told[400.0]["brakes_on"]
    assert " m" not in told[400.0]["stowed"]
    assert "at 120 kt, 275 m from touchdown, 1,325 m left" in told[None]["brakes_on"]


landed = {
    "touchdown_s": 0.0, "touchdown_earliest_s": -0.1, "touchdown_latest_s": 0.1, "touchdown_by": "main gear",
    "touchdown_ground_speed_kt": 130.0,
}  # fmt: skip


def test_where_speed_stood_still_neither_speed_nor_distance_is_played():
    """Ground speed froze from 3 to 9 s: nothing is known between the good samples, and all is before them."""
    table = instants(at("touchdown", 0.0, distance_m=0.0, speed=100.0), at("brakes_on", 5.0), at("stowed", 20.0))
    traces = believed({"ground_speed": rolling()}, FROZEN)
    played = samples.table(traces, step_rows(table, [], {}, 0), None, 30.0)
    shown = [t for t in played["speed"]["t"] if 0 <= t <= 12]
    assert shown == [0.0, 1.0, 2.0, 10.0, 11.0, 12.0]
    assert played["speed"]["gap"] < 8.0
    assert played["distance"]["t"][-1] == 2.0


def test_a_hole_takes_nothing_that_was_recorded_before_it():
    """A step in a hole from 19 to 24 s has no speed and no place; up to 19 s both were recorded without fault."""
    table = instants(
        at("touchdown", 0.0, distance_m=0.0, speed=100.0), at("reverse_idle", 15.0, distance_m=772.0, speed=100.0),
        at("stowed", 22.0), at("taxi_speed", 29.0, speed=30.0),
    )  # fmt: skip
    trace = rolling()
    kept = (trace.time_s <= 19) | (trace.time_s >= 24)
    traces = {"ground_speed": replace(trace, time_s=trace.time_s[kept], values=trace.values[kept])}
    played = samples.table(traces, step_rows(table, [], {}, 0), None, 35.0)
    assert {16.0, 17.0, 18.0, 19.0, 24.0, 25.0} <= set(played["speed"]["t"])
    assert played["distance"]["t"][-1] == 19.0


def test_a_hole_that_the_distances_of_the_steps_bridge_is_bridged_and_nothing_told_in_it():
    trace = rolling()
    kept = (trace.time_s <= 10) | (trace.time_s >= 14)
    traces = {"ground_speed": replace(trace, time_s=trace.time_s[kept], values=trace.values[kept])}
    table = instants(at("touchdown", 0.0, distance_m=0.0, speed=100.0), at("stowed", 20.0, distance_m=1029.0))
    played = samples.table(traces, step_rows(table, [], {}, 0), None, 30.0)["distance"]
    assert dict(zip(played["t"], played["v"], strict=True))[20.0] == 1029.0
    assert not [t for t in played["t"] if 10 < t < 14]
    assert played["gap"] < 4.0


def test_a_fault_takes_out_its_samples_and_no_others():
    found = believed({"ground_speed": rolling(), "n1.2": rolling(), "n1.1": rolling()}, [
        *FROZEN, "n1.2: spike at 4.0 s after touchdown", "n1.2: lost from -3.0 to -2.0 s after touchdown",
        "no samples of 34 parameters from 20.0 to 23.1 s after touchdown", "No data from 77.0 to 80.2 s, by the clock.",
    ])  # fmt: skip
    every = set(range(-4, 40))
    assert set(found["ground_speed"].time_s) == every - set(range(3, 10))
    assert set(found["n1.2"].time_s) == every - {-3, -2, 4}
    assert set(found["n1.1"].time_s) == every
    wrong_unit = believed({"ground_speed": rolling()}, ["ground speed is 0.51 times the airspeed on approach"])
    assert not len(wrong_unit["ground_speed"].time_s)


def test_a_sample_stands_in_the_middle_of_what_its_stamp_leaves_open():
    """Stamps up to 0.5 s late: samples taken 0.25 s before them on average, as the measures have it."""
    lagging = replace(rolling(), lag_s=0.5)
    discrete = replace(rolling(), kind="discrete", lag_s=0.5)
    found = believed({"ground_speed": lagging, "main_gear_ground": discrete}, None)
    assert found["ground_speed"].time_s[0] == -4.25
    assert (found["main_gear_ground"].time_s[0], found["main_gear_ground"].lag_s) == (-4.0, 0.5)


def test_the_player_is_where_the_steps_are():
    """Distances of the steps come from checked speeds; a spike of the recorded one moves no step in the player."""
    table = instants(
        at("touchdown", 0.0, distance_m=0.0),
        at("brakes_on", 5.0, distance_m=257.0),
        at("stowed", 20.0, distance_m=1000.0),
    )
    trace = rolling()
    trace.values[trace.time_s == 10.0] = 900.0
    played = samples.table({"ground_speed": trace}, step_rows(table, [], {}, 0), None, 30.0)["distance"]
    where = np.interp([0.0, 5.0, 20.0], played["t"], played["v"])
    assert where == pytest.approx([0.0, 257.0, 1000.0], abs=0.1)


def test_at_a_step_the_player_says_what_the_table_says():
    table = instants(
        at("touchdown", 0.0, distance_m=0.0, speed=100.5),
        at("brakes_on", 5.2504, distance_m=270.4567, speed=99.4),
        at("stowed", 20.0, distance_m=1029.0, speed=100.6),
    )
    played = samples.table({"ground_speed": rolling()}, step_rows(table, [], {}, 0), None, 30.0)
    speed, place = (dict(zip(played[name]["t"], played[name]["v"], strict=True)) for name in ("speed", "distance"))
    assert [speed[t] for t in (0.0, 5.25, 20.0)] == [100.5, 99.4, 100.6]
    assert [place[t] for t in (0.0, 5.25, 20.0)] == [0.0, 270.4567, 1029.0]
    assert 5.25 not in played["lines"]["ground_speed"]["t"]  # it is no sample


def test_in_the_air_again_nothing_is_played_on_the_runway():
    table = instants(
        at("touchdown", 0.0, distance_m=0.0, left_m=1600.0), at("airborne_again", 12.0, distance_m=800.0, left_m=800.0)
    )
    played = samples.table({"ground_speed": rolling()}, step_rows(table, [], {}, 0), None, 30.0)
    assert (played["exit"], played["off"]) == (12.0, "in the air again")
    assert played["distance"]["t"][-1] == 12.0


def test_no_distance_is_played_after_the_runway_was_left():
    table = instants(at("touchdown", 0.0, distance_m=0.0), at("runway_exit", 25.0, distance_m=1300.0))
    played = samples.table({"ground_speed": rolling()}, step_rows(table, [], {}, 0), None, 30.0)
    assert (played["distance"]["t"][-1], played["exit"], played["off"]) == (25.0, 25.0, "off the runway")


def rolling():
    time_s = np.arange(-4.0, 40.0, 1.0)
    return Trace(time_s, np.full(len(time_s), 100.0), "kt", "analogue", 1.0, 0.0)


def test_without_distances_there_is_a_sentence_and_no_drawing():
    drawing = runway.drawing(step_rows(instants(at("touchdown", 0.0)), [], {}, 0), 2000.0, 400.0)
    assert "<svg" not in drawing
    assert "not known" in drawing


@pytest.mark.parametrize("name", ["wide", "narrow"])
def test_numbers_on_the_runway_do_not_cover_one_another(held, store, name):
    width = {"wide": runway.WIDE_PX, "narrow": runway.NARROW_PX}[name]
    for landing_id in held.landings["landing_id"].head(20):
        rows = step_rows(store.instants_of(landing_id), [], {}, 0)
        drawing = str(runway.drawing(rows, 2600.0, 430.0))
        part = drawing[drawing.index(f"runway {name}") :].split("</svg>")[0]
        at_px = sorted(float(x) * width / 100 for x in re.findall(r'<circle class="badge[^"]*" cx="([\d.]+)%"', part))
        assert len(at_px) == len([row for row in rows if row.number and row.last and row.last.distance_m is not None])
        assert all(b - a >= 17.5 for a, b in itertools.pairwise(at_px)), landing_id


def test_labels_on_the_runway_do_not_cover_one_another():
    labels = [f"label number {i}" for i in range(9)]
    spots = [10.0, 11.8, 13.6, 15.4, 17.2, 19.0, 24.0, 70.0, 71.8]
    rows = runway._rows(labels, spots, runway.WIDE_PX)
    spans: dict[int, list[tuple[float, float]]] = {}
    for (text, level, anchor), spot in zip(rows, spots, strict=True):
        if level is None:
            continue
        wide = 100 * len(text) * runway.CHAR_PX / runway.WIDE_PX
        left = {"middle": spot - wide / 2, "start": spot - 0.3, "end": spot - wide + 0.3}[anchor]
        spans.setdefault(level, []).append((left, left + wide))
    for row in spans.values():
        row.sort()
        assert all(a[1] < b[0] for a, b in itertools.pairwise(row))
    assert sum(map(len, spans.values())) >= 6
