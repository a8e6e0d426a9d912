"""The steps of a landing, and where on the runway they happened."""

from __future__ import annotations

import itertools
import re

import numpy as np
import polars as pl
import pytest
from conftest import text_of

from dashboard import runway, samples
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


def test_one_engine_is_alone_only_where_the_other_did_nothing():
    both = step_rows(
        instants(at("deployed", 4.0, engine=1), at("deployed", 4.1, engine=2), at("stowed", 30.0, engine=1)), [], {}, 0
    )
    alone = step_rows(instants(at("deployed", 4.0, engine=2), at("stowed", 30.0, engine=2)), [], {}, 0)
    told = [str(fact({}, next(row for row in rows if row.step == "stowed"))) for rows in (both, alone)]
    assert "engine 1; engine 2 not seen" in told[0]
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
    assert (span.length_m, span.runway_m) == (1850.0, 1850.0)
    assert "end 1,850 m" in text_of(runway.drawing(rows, 2000.0, 400.0))


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


def test_where_speed_stood_still_no_distance_is_played():
    """Ground speed froze after 1 s: the steps have no distance from there on, and neither has the player."""
    table = instants(at("touchdown", 0.0, distance_m=0.0), at("brakes_on", 2.0), at("stowed", 20.0))
    rows = step_rows(table, [], {}, 0)
    assert "not known" in runway.drawing(rows, None, None)
    assert samples.table({"ground_speed": rolling()}, rows, None, 30.0)["distance"] is None
    table = instants(at("touchdown", 0.0, distance_m=0.0), at("brakes_on", 2.0, distance_m=140.0), at("stowed", 20.0))
    played = samples.table({"ground_speed": rolling()}, step_rows(table, [], {}, 0), None, 30.0)["distance"]
    assert played["t"][-1] == 2.0


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


def test_what_is_not_believed_is_not_played_as_speed():
    """The steps between 2 and 9 s have no speed: what was recorded meanwhile is no speed either."""
    table = instants(
        at("touchdown", 0.0, distance_m=0.0, speed=130.0), at("brakes_on", 2.0), at("deployed", 5.0, engine=1),
        at("speed_60kt", 9.0, speed=60.0),
    )  # fmt: skip
    line = samples.table({"ground_speed": rolling()}, step_rows(table, [], {}, 0), None, 30.0)["lines"]["ground_speed"]
    assert not [t for t in line["t"] if 0.0 < t < 9.0]
    assert {0.0, 9.0, 12.0} <= set(line["t"])


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
