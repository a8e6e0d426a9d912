"""Origins argued from levers, sleeves and flags, on measures made by hand."""

import numpy as np
import polars as pl
import pytest

from fdm.bounded import Bounded, Measured
from fdm.evidence import lines
from fdm.origin import ORIGINS, explain
from fdm.schemas import EVENTS


def values(*numbers):
    array = np.array([numbers], float)
    return Bounded(array, array, array, np.zeros(array.shape, np.int16))


def one(number):
    array = np.array([number], float)
    return Bounded(array, array, array, np.zeros(1, np.int16))


def event(rule, value, engine=None):
    row = dict.fromkeys(EVENTS) | {"event_id": "a-r", "landing_id": "a", "rule": rule, "value": value, "engine": engine}
    return pl.DataFrame([row], schema=EVENTS)


def explained(rule, value, instants, engine=None, **measures):
    """(origin, confidence, evidence) of one event of a twin."""
    known = {name: values(*v) if isinstance(v, tuple) else one(v) for name, v in measures.items()}
    measured = Measured(np.array(["a"]), (1, 2), known, ("",), {}, {})
    steps = {name: np.array([v], float) for name, v in instants.items()}
    found = explain(event(rule, value, engine), measured, steps)
    return found["origin"][0], found["origin_confidence"][0], found["evidence"][0].to_list()


NAN = float("nan")


def test_one_lever_late_is_the_crew():
    origin, sure, evidence = explained(
        "asymmetric_deployment",
        3.0,
        {"reverse_selected": (1.0, 4.0), "unlocked": (1.2, 4.2), "deployed": (3.2, 6.2)},
        lever_recorded=(1, 1),
        deploy_transit_s=(2.0, 2.0),
    )
    assert (origin, sure) == ("crew", "likely")
    assert evidence == ["Reverse lever 2 was raised 3.0 s after lever 1."]


def test_levers_together_and_a_slow_sleeve_is_the_aircraft():
    origin, sure, evidence = explained(
        "asymmetric_deployment",
        4.0,
        {"reverse_selected": (1.0, 1.2), "unlocked": (1.2, 1.4), "deployed": (3.2, 7.4)},
        lever_recorded=(1, 1),
        deploy_transit_s=(2.0, 6.0),
    )
    assert (origin, sure) == ("aircraft", "likely")
    assert "Reverser 2 took 6.0 s in transit, its mirror 2.0 s." in evidence


def test_power_in_reverse_without_deployment_is_the_recording():
    origin, _, evidence = explained(
        "asymmetric_deployment",
        20.0,
        {"reverse_selected": (1.0, 1.0), "unlocked": (1.2, NAN), "deployed": (3.2, NAN)},
        lever_recorded=(1, 1),
        n1_above_idle_not_deployed_pct=(NAN, 40.0),
    )
    assert origin == "recording"
    assert any("interlock" in sentence for sentence in evidence)


def test_spoilers_not_armed_is_the_crew_and_armed_points_to_the_aircraft():
    assert explained("late_spoilers", 4.0, {"spoilers_moving": 3.0}, spoilers_not_armed=1.0)[0] == "crew"
    assert explained("late_spoilers", 4.0, {"spoilers_moving": 3.0}, spoilers_not_armed=0.0)[0] == "aircraft"


def test_without_a_clue_it_is_undetermined():
    assert explained("low_deceleration", 0.08, {"taxi_speed": 40.0}) == ("undetermined", "none", [])


def test_no_events_stay_no_events():
    empty = pl.DataFrame(schema=EVENTS)
    assert explain(empty, Measured(np.array([]), (), {}, ("",), {}, {}), {}).height == 0


@pytest.mark.parametrize("line", lines(), ids=lambda line: f"{line.rules[0]}-{line.towards}")
def test_every_line_names_shipped_rules_and_a_known_origin(line):
    from fdm.rulebook import load_rule_book

    assert set(line.rules) <= set(load_rule_book().rules)
    assert line.towards is None or line.towards in ORIGINS
    assert line.weight > 0
