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


def test_a_reverser_that_stowed_slowly_is_argued_by_its_own_lever_not_by_the_one_that_deployed_last():
    """Both levers down at once; sleeve 1 takes 14 s to stow, sleeve 2 deployed a little later than sleeve 1."""
    origin, _, evidence = explained(
        "late_reverser_stow",
        12.0,
        {
            "unlocked": (2.2, 2.2),
            "deployed": (4.2, 4.3),
            "reverse_cancelled": (20.0, 20.0),
            "stowed": (34.6, 22.6),
            "taxi_speed": 23.5,
        },
        lever_recorded=(1, 1),
    )
    assert origin == "aircraft"
    assert evidence == ["Lever 1 was back down 14.6 s before the reverser read stowed."]


@pytest.mark.parametrize(
    ("down_s", "stowed_s", "origin", "sentence"),
    [
        (40.0, 42.0, "crew", "The lever stayed in reverse below taxi speed."),
        (NAN, NAN, "crew", "The lever stayed in reverse below taxi speed."),
        (22.0, 28.0, "crew", "Lever 1 was put down only 1.5 s before taxi speed."),
        (15.0, NAN, "undetermined", "Lever 1 was put down, but its reverser never read stowed again."),
    ],
)
def test_a_late_stow_says_where_the_lever_was(down_s, stowed_s, origin, sentence):
    steps = {"reverse_selected": (2, 2), "unlocked": (2.2, 2.2), "deployed": (4.2, 4.2), "taxi_speed": 23.5}
    steps |= {"reverse_cancelled": (down_s, 15.0), "stowed": (stowed_s, 17.0)}
    found, _, evidence = explained("late_reverser_stow", 12.0, steps, lever_recorded=(1, 1))
    assert (found, evidence) == (origin, [sentence])


@pytest.mark.parametrize("rule", ["late_reverser_stow", "slow_high_reverse"])
def test_a_lever_that_was_never_raised_did_not_stay_in_reverse(rule):
    steps = {"reverse_selected": (NAN, 2), "unlocked": (2.2, 2.2), "deployed": (4.2, 4.2), "taxi_speed": 23.5}
    steps |= {"reverse_cancelled": (NAN, 15.0), "stowed": (NAN, 17.0)}
    assert explained(rule, 12.0, steps, engine=1, lever_recorded=(1, 1)) == ("undetermined", "none", [])


def test_a_slow_sleeve_is_the_reason_that_its_reverser_deployed_late():
    origin, _, evidence = explained(
        "reverser_not_deployed",
        8.1,
        {"reverse_selected": (1.0, 1.0), "unlocked": (1.2, 1.2), "deployed": (3.2, 8.7)},
        engine=2,
        lever_recorded=(1, 1),
        deploy_transit_s=(2.0, 7.5),
    )
    assert origin == "aircraft"
    assert evidence == ["Reverser 2 took 7.5 s in transit, its mirror 2.0 s."]


def test_armed_spoilers_that_never_moved_do_not_point_to_the_handle():
    steps = {"spoilers_moving": NAN}
    known = {"spoilers_not_armed": 0.0, "spoiler_handle_max": 0.0}
    origin, _, evidence = explained("spoilers_partial", 0.0, steps, **known)
    assert origin == "aircraft"
    assert evidence == ["The spoilers were armed at touchdown.", "They never moved."]


def test_spoilers_partly_up_are_not_called_late_without_saying_so():
    steps = {"spoilers_moving": 0.5, "spoilers_extended": NAN}
    _, _, evidence = explained("late_spoilers", 23.0, steps, spoilers_not_armed=0.0, spoiler_extension_max=0.61)
    assert "They came up to 61 % of their travel only, which does not count as extended." in evidence


@pytest.mark.parametrize(
    ("rule", "known", "sentence"),
    [
        ("late_spoilers", {}, "Whether the spoilers were armed is not recorded."),
        ("late_braking", {}, "Whether the autobrake was active is not recorded."),
        ("slow_high_reverse", {"lever_recorded": (0, 0)}, "Levers are not recorded"),
        ("stow_before_idle", {"lever_recorded": (0, 0)}, "Levers are not recorded"),
        ("late_reverser_stow", {"lever_recorded": (0, 0)}, "Levers are not recorded"),
        ("asymmetric_deployment", {"lever_recorded": (0, 0)}, "Levers are not recorded"),
        ("reverser_unstowed_in_air", {"lever_recorded": (0, 0)}, "Levers are not recorded"),
        ("unequal_reverse_power", {"lever_recorded": (0, 0)}, "Levers are not recorded"),
        ("low_deceleration", {}, "Whether the autobrake was active is not recorded."),
        ("autothrottle_in_reverse", {}, "Whether the crew or the system was to disengage it is not recorded."),
    ],
)
def test_what_is_not_recorded_is_said_and_points_nowhere(rule, known, sentence):
    origin, _, evidence = explained(rule, 5.0, {"spoilers_moving": 3.0, "deployed": (4.0, 4.5)}, **known)
    assert origin == "undetermined"
    assert any(sentence in said for said in evidence)


def test_without_a_clue_it_is_undetermined():
    assert explained("heading_excursion", 8.0, {"taxi_speed": 40.0}) == ("undetermined", "none", [])


def test_no_events_stay_no_events():
    empty = pl.DataFrame(schema=EVENTS)
    assert explain(empty, Measured(np.array([]), (), {}, ("",), {}, {}), {}).height == 0


@pytest.mark.parametrize("line", lines(), ids=lambda line: f"{line.rules[0]}-{line.towards}")
def test_every_line_names_shipped_rules_and_a_known_origin(line):
    from fdm.rulebook import load_rule_book

    assert set(line.rules) <= set(load_rule_book().rules)
    assert line.towards is None or line.towards in ORIGINS
    assert line.weight > 0


# one story of a landing ---------------------------------------------------------------------------------------------


def landing_of(measures, steps, *rules, touchdown_m=None):
    """Events of one landing, explained together: rule -> (origin, confidence, evidence)."""
    frames = [event(rule, value, engine) for rule, value, engine in rules]
    events = pl.concat(frames).with_columns(touchdown_distance_m=pl.lit(touchdown_m, pl.Float64))
    known = {name: values(*v) if isinstance(v, tuple) else one(v) for name, v in measures.items()}
    steps = {name: np.array([v], float) for name, v in steps.items()}
    found = explain(events, Measured(np.array(["a"]), (1, 2), known, ("",), {}, {}), steps)
    columns = ("rule", "origin", "origin_confidence", "evidence")
    return {rule: (origin, sure, said) for rule, origin, sure, said in found.select(columns).iter_rows()}


@pytest.mark.parametrize("handle", [0.60, 0.98, NAN])
@pytest.mark.parametrize("reverse_to_spoilers_s", [-1.3, 0.4])
@pytest.mark.parametrize("not_armed", [0.0, 1.0, NAN])
def test_spoilers_partly_up_and_so_never_extended_have_one_cause(handle, reverse_to_spoilers_s, not_armed):
    measures = {
        "spoilers_not_armed": not_armed,
        "spoiler_extension_max": 0.60,
        "spoiler_handle_max": handle,
        "reverse_to_spoilers_s": reverse_to_spoilers_s,
    }
    steps = {"spoilers_moving": 0.5, "spoilers_extended": NAN, "reverse_selected": (2.0, 1.8)}
    found = landing_of(measures, steps, ("late_spoilers", 42.1, None), ("spoilers_partial", 0.60, None))
    assert found["late_spoilers"][:2] == found["spoilers_partial"][:2]
    if handle == 0.60:
        assert all("The handle itself only reached 60 % of its travel." in said for _, _, said in found.values())
    if handle == 0.98:
        assert all("The handle reached 98 % of its travel, the panels only 60 %." in x[2] for x in found.values())


def test_spoilers_that_came_up_late_are_not_blamed_on_a_handle_that_stopped_short():
    steps = {"spoilers_moving": 4.0, "spoilers_extended": 5.0}
    _, _, evidence = explained("late_spoilers", 5.0, steps, spoiler_handle_max=0.8, spoiler_extension_max=0.8)
    assert not any("handle" in sentence for sentence in evidence)


@pytest.mark.parametrize(
    ("touchdown_m", "found"),
    [
        (1340.3, ("crew", "possible", ["Touchdown was 1,340 m past the threshold, beyond the touchdown zone."])),
        (1004.6, ("crew", "possible", ["Touchdown was 1,005 m past the threshold, beyond the touchdown zone."])),
        (960.0, ("crew", "possible", ["Touchdown was 960 m past the threshold, beyond the touchdown zone."])),
        (930.0, ("undetermined", "none", [])),  # positions may be 30 m off
        (400.0, ("undetermined", "none", [])),
        (None, ("undetermined", "none", [])),
    ],
)
def test_a_long_touchdown_explains_little_runway_left(touchdown_m, found):
    """FAA Pilot/Controller Glossary, touchdown zone: the first 3,000 feet of the runway beginning at the threshold."""
    said = landing_of({}, {"taxi_speed": 30.0}, ("short_runway_left", 338.0, None), touchdown_m=touchdown_m)
    assert said["short_runway_left"] == found


def test_late_devices_of_the_same_landing_explain_little_runway_left_and_blame_nobody():
    late = [("late_braking", 12.0, None), ("late_reverse", 8.0, 1), ("late_spoilers", 6.0, None)]
    found = landing_of({}, {"spoilers_moving": 4.0, "taxi_speed": 30.0}, ("short_runway_left", 338.0, None), *late)
    assert found["short_runway_left"] == (
        "undetermined",
        "none",
        [
            "The ground spoilers were late on this landing.",
            "Reverse was selected late on this landing.",
            "The brakes came on late on this landing.",
        ],
    )
    assert not any("on this landing" in said for rule in late for said in found[rule[0]][2])


def test_power_that_was_unequal_and_reversers_that_came_apart_are_told_of_a_swerve_and_blame_nobody():
    apart = [("asymmetric_deployment", 4.0, None), ("unequal_reverse_power", 20.0, None)]
    found = landing_of({}, {"deployed": (4.0, 8.0)}, ("heading_excursion", 8.0, None), *apart)
    says = ["The reversers did not deploy together on this landing.", "Reverse power was unequal on this landing."]
    assert found["heading_excursion"] == ("undetermined", "none", says)


def test_late_devices_of_another_landing_explain_nothing():
    short = event("short_runway_left", 338.0)
    late = event("late_braking", 12.0).with_columns(landing_id=pl.lit("b"))
    measured = Measured(np.array(["a", "b"]), (1, 2), {}, ("",), {}, {})
    found = explain(pl.concat([short, late]), measured, {})
    assert found["evidence"][0].to_list() == []


@pytest.mark.parametrize(("thrust", "begins"), [((NAN, NAN), "Levers are"), ((22.0, 3.0), "Reverse levers are")])
def test_only_the_levers_that_are_missing_are_called_not_recorded(thrust, begins):
    steps = {"deployed": (4.0, NAN)}
    known = {"lever_recorded": (0, 0), "thrust_lever_forward_deg": thrust}
    _, _, evidence = explained("asymmetric_deployment", 26.0, steps, **known)
    assert evidence == [f"{begins} not recorded, so what the crew did cannot be told."]
    _, _, evidence = explained("late_reverse", 5.0, steps, engine=1, **known)
    assert evidence == [f"{begins} not recorded: the time is that of the reverser unlocking."]


@pytest.mark.parametrize(
    ("after_s", "says"),
    [
        (0.3, "They began to move 0.3 s after reverse was selected on engine 2, as when"),
        (-0.3, "They began to move 0.3 s before reverse is seen selected on engine 2, as when"),
    ],
)
def test_it_is_said_which_selection_of_reverse_the_spoilers_followed(after_s, says):
    steps = {"spoilers_moving": 4.2, "spoilers_extended": 5.0, "reverse_selected": (4.9, 4.2 - after_s)}
    _, _, evidence = explained("late_spoilers", 5.0, steps, reverse_to_spoilers_s=after_s)
    assert any(sentence.startswith(says) for sentence in evidence)
