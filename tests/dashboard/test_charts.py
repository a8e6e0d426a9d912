"""Charts: what is drawn stands where the tables say, in colours a dark page can turn."""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import replace

import numpy as np
import plotly.graph_objects as go
import polars as pl
import pytest

from dashboard import chart, figures, identity, rollouts, samples
from dashboard.chart_marks import Step, spread
from dashboard.pages import debrief, landing
from dashboard.palette import DARK, LIGHT
from dashboard.panels import keys_for, panels, ranging
from dashboard.steps import step_rows
from dashboard.timeaxis import TimeAxis
from fdm.archive import Trace


@pytest.fixture(scope="module")
def late(held):
    return held.events.filter(pl.col("rule") == "late_spoilers").row(0, named=True)


@pytest.fixture(scope="module")
def rollout(store, late):
    return landing.figure(store, late["landing_id"], late["event_id"])


def test_a_figure_is_valid_for_plotly(rollout):
    go.Figure(rollout)


def test_a_figure_is_plain_data(rollout):
    assert json.loads(json.dumps(rollout, allow_nan=False)) == rollout


def test_every_colour_is_one_that_the_dark_page_knows(rollout):
    colours = set(re.findall(r"#[0-9a-f]{6}", json.dumps(rollout)))
    assert colours
    assert colours <= set(LIGHT.values())
    assert set(LIGHT) == set(DARK)


def test_all_panels_share_one_time_axis_and_none_overlaps(rollout):
    assert {trace.get("xaxis", "x") for trace in rollout["data"]} == {"x"}
    domains = [axis["domain"] for name, axis in rollout["layout"].items() if name.startswith("yaxis")]
    assert len(domains) >= 12
    tops = sorted(domains)
    assert all(a[1] < b[0] for a, b in itertools.pairwise(tops))
    assert tops[0][0] == pytest.approx(0)
    assert tops[-1][1] == pytest.approx(1)


def test_limits_stand_at_their_seconds_after_the_step_they_count_from(rollout, late, store):
    axis = TimeAxis(-3, 200)
    limits = store.held().rules["late_spoilers"].limits_for(late["fleet"])
    for level, limit in limits.items():
        drawn = [s for s in rollout["layout"]["shapes"] if s["line"]["color"] == LIGHT[level] and s["x0"] == s["x1"]]
        assert axis.unit(limit) in [pytest.approx(s["x0"]) for s in drawn], level


def test_the_value_is_drawn_with_both_bounds(rollout, late):
    axis = TimeAxis(-3, 200)
    dots = [t for t in rollout["data"] if "error_x" in t and t["x"][0] == pytest.approx(axis.unit(late["value"]))]
    assert len(dots) == 1
    x, error = dots[0]["x"][0], dots[0]["error_x"]
    assert x - error["arrayminus"][0] == pytest.approx(axis.unit(late["lower"]))
    assert x + error["array"][0] == pytest.approx(axis.unit(late["upper"]))


def test_the_cursor_stands_at_the_event_that_was_asked_for(rollout, late):
    assert rollout["layout"]["meta"]["cursor"] == pytest.approx(TimeAxis(-3, 200).unit(late["value"]))


def test_samples_are_drawn_as_they_were_taken(store, late, rollout):
    trace = store.traces_of(late["landing_id"])["ground_speed"]
    drawn = next(t for t in rollout["data"] if t["meta"]["unit"] == "kt")
    axis = TimeAxis(-3, 200)
    for x, y in zip(drawn["x"], drawn["y"], strict=True):
        at = min(range(len(trace.time_s)), key=lambda i: abs(axis.units(trace.time_s[i]) - x))
        assert y == pytest.approx(trace.values[at], abs=1e-3)


def test_where_no_line_of_a_panel_is_known_it_is_hatched_and_said():
    """Ground speed lacks 3 to 9 s; engine 1 lacks them too, engine 2 does not; nothing is recorded after 39 s."""
    t = np.arange(-4.0, 40.0, 1.0)
    whole = Trace(t, np.full(len(t), 100.0), "", "analogue", 1.0, 0.0)
    holed = replace(whole, time_s=t[(t < 3) | (t > 9)], values=whole.values[(t < 3) | (t > 9)])
    traces = {"ground_speed": holed, "n1.1": holed, "n1.2": whole}
    figure = figures.rollout(traces, [], [], 60.0, 0.0)
    axis = TimeAxis(-3, 60)
    hatched = [bar for bar in figure["data"] if bar["type"] == "bar"]
    spans = [list(zip(bar["base"], bar["x"], strict=True)) for bar in hatched]
    tail = (axis.unit(39.0), axis.unit(60.0) - axis.unit(39.0))
    assert spans == [[(2.0, 8.0), tail], [tail]]
    for bar in hatched:
        low, high = figure["layout"]["yaxis" + bar["yaxis"][1:]]["range"]
        assert (bar["y"][0] - bar["width"] / 2, bar["y"][0] + bar["width"] / 2) == pytest.approx((low, high))
        assert bar["marker"]["pattern"]["shape"] == "/"
    said = [note["x"] for note in figure["layout"]["annotations"] if note["text"] == "not known"]
    assert said == [6.0, axis.unit(39.0) + tail[1] / 2, axis.unit(39.0) + tail[1] / 2]
    go.Figure(figure)


def test_an_event_shows_the_panels_that_tell_it(store, held):
    for rule in held.rules.values():
        event = held.events.filter(pl.col("rule") == rule.name).row(0, named=True)
        traces, instants = store.traces_of(event["landing_id"]), store.instants_of(event["landing_id"])
        figure = figures.around_event(traces, instants, event, rule)
        assert figure is not None
        start, end = figure["layout"]["xaxis"]["range"]
        assert start < figure["layout"]["meta"]["cursor"] <= end, rule.name
        assert panels(traces, keys_for(rule.measure))


def test_nothing_recorded_draws_nothing(held, late, store):
    assert figures.around_event({}, store.instants_of(late["landing_id"]), late, held.rules["late_spoilers"]) is None
    assert figures.rollout({}, [Step(1, 0.0, False)], [], 40.0, 0.0) is None


def test_crowded_numbers_are_moved_apart_and_keep_their_order():
    at = [0.0, 0.1, 0.2, 5.0, 5.1, 9.0]
    moved = spread(at, 1.0)
    assert all(b - a >= 1.0 - 1e-9 for a, b in itertools.pairwise(moved))
    assert sum(moved[:3]) / 3 == pytest.approx(sum(at[:3]) / 3)
    assert moved[-1] == 9.0


@pytest.mark.parametrize(("end_s", "anchor"), [(200, "left"), (27, "right")])
def test_where_time_runs_faster_is_told_away_from_the_time_of_the_cursor(store, late, end_s, anchor):
    """The cursor's time stands at the right end of the same line."""
    rows = panels(store.traces_of(late["landing_id"]), keys_for(late["measure"]))
    _, notes = chart.furniture(chart.stacked(rows, 40), TimeAxis(-3, end_s))
    (told,) = [note for note in notes if "faster" in note["text"]]
    assert told["xanchor"] == anchor


def test_what_began_before_touchdown_is_in_the_picture(store, late):
    """A reverser out in the air from 5.5 s before touchdown on: the chart and what is played begin before that."""
    early = late | {"rule": "reverser_unstowed_in_air", "measure": "unstowed_in_air_s", "at_s": -5.5}
    traces, instants = store.traces_of(late["landing_id"]), store.instants_of(late["landing_id"])
    figure = rollouts.figure(late, [early], instants, store.held().rules, traces)
    assert figure["layout"]["xaxis"]["range"][0] < -5.5
    rows = step_rows(instants, [early], {}, 0)
    played = samples.table(traces, rows, None, 30.0, start_s=rollouts.start_s([early]))
    assert played["start"] < -5.5
    assert played["lines"]["ground_speed"]["t"][0] < -5.5
    assert rollouts.start_s([late]) == -3.0


def test_a_swing_on_the_runway_is_not_dwarfed_by_the_turn_off_it():
    time_s = np.arange(0.0, 60.0)
    swing = np.interp(time_s, [0, 5, 7, 10, 50, 59], [135, 135, 145, 135, 135, 45])
    panel = panels({"heading": Trace(time_s, swing, "deg", "analogue", 1.0, 0.0)})[0]
    seen = ranging(panel, swing)
    assert seen.max() == 145
    assert seen.min() > 110


def test_a_debrief_about_heading_draws_its_change_and_not_where_the_runway_lies(store, late):
    card = replace(store.held().rules["late_spoilers"], name="heading_excursion", measure="heading_excursion_deg")
    event = late | {"rule": "heading_excursion", "measure": "heading_excursion_deg", "unit": "deg"}
    flown = store.traces_of(late["landing_id"])
    shown = identity.shown_traces(flown, airfield=False)
    instants = store.instants_of(late["landing_id"])
    found = rollouts.figure(late, [event], instants, {card.name: card}, shown, debrief.PANELS)
    notes = [note.get("text", "") for note in found["layout"]["annotations"]]
    assert any("Heading change" in note for note in notes)
    (drawn,) = [t["y"] for t in found["data"] if t.get("meta", {}).get("unit") == "deg"]
    assert max(abs(y) for y in drawn if y is not None) < 3  # 88 degrees in the recording
