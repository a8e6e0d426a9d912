"""What stands beside a step: the limit of the rule that found something, why bounds differ, and what is not known."""

from __future__ import annotations

from typing import Any

import polars as pl
import pytest
from conftest import text_of

from dashboard import expected as told
from dashboard import names
from dashboard.reports.procedure import expected
from dashboard.rule_card import RuleCard
from dashboard.rulecards import load_rule_cards
from dashboard.steps import At, StepRow
from fdm import schemas


@pytest.fixture(scope="module")
def shipped() -> dict[str, RuleCard]:
    return dict(load_rule_cards({"rules": None}))


def at(step: str, *rules: str) -> StepRow:
    events: list[dict[str, Any]] = [{"rule": rule} for rule in rules]
    return StepRow(step, 1, (), tuple(events))


@pytest.mark.parametrize(
    ("step", "rule", "said"),
    [
        (
            "deployed",
            "forward_power_with_reverser_out",
            "Within 5.0 s of selection, a pair within 1.5 s of each other; forward power 2.0 s at most",
        ),
        (
            "deployed",
            "unequal_reverse_power",
            "Within 5.0 s of selection, a pair within 1.5 s of each other; N1 of a pair within 10 % in reverse",
        ),
        (
            "deployed",
            "slow_transit",
            "Within 5.0 s of selection, a pair within 1.5 s of each other; within 3.0 s of unlocking",
        ),
        (
            "reverse_selected",
            "autothrottle_in_reverse",
            "Within 4.0 s of touchdown; autothrottle engaged 1.0 s at most",
        ),
        ("touchdown", "reverser_unstowed_in_air", "No reverser unstowed for more than 0.5 s in the air"),
        ("touchdown", "spoilers_not_armed", "Spoilers armed"),
        ("spoilers_extended", "spoilers_partial", "Within 2.0 s of settling; at least 90 % of full travel"),
        ("thrust_forward", "reverse_then_go_around", "A full stop once reverse is selected"),
        ("reverse_selected", "no_reverse", "Within 4.0 s of touchdown; reverse used"),
    ],
)
def test_a_finding_carries_the_low_limit_of_its_own_rule_beside_the_steps(shipped, step, rule, said):
    assert expected(at(step, rule), shipped, None) == said


def test_a_limit_that_the_step_names_already_is_told_once(shipped):
    alone = "Within 5.0 s of selection, a pair within 1.5 s of each other"
    assert expected(at("deployed"), shipped, None) == alone
    assert expected(at("deployed", "asymmetric_deployment", "reverser_not_deployed"), shipped, None) == alone


def test_every_shipped_rule_has_words_for_its_limit_wherever_it_may_stand(shipped):
    for name, card in shipped.items():
        steps = names.STEPS if card.measure in names.LASTING else [names.MEASURE_STEP[card.measure]]
        for step in steps:
            said = expected(at(step, name), shipped, None)
            assert said, name
            assert card.measure.replace("_", " ") not in said


def test_a_rule_of_an_operators_own_is_told_by_what_it_measures():
    own = RuleCard("own", "Own rule", "stowed_speed_kt", "kt", "below", {"low": 40.0})
    assert expected(at("stowed", "own"), {"own": own}, None) == "Stowed speed at least 40 kt"


def test_of_two_rules_of_one_measure_the_one_that_found_something_is_told():
    first = RuleCard("dry", "Dry", "spoiler_delay_s", "s", "above", {"low": 2.0})
    second = RuleCard("wet", "Wet", "spoiler_delay_s", "s", "above", {"low": 1.0})
    for rules in ({"dry": first, "wet": second}, {"wet": second, "dry": first}):
        assert expected(at("spoilers_extended", "dry"), rules, None) == "Within 2.0 s of settling"
        assert expected(at("spoilers_extended", "wet"), rules, None) == "Within 1.0 s of settling"


# bounds of a finding beside those of its step -------------------------------------------------------------------------

WHY_WIDER = "Bounds include the doubt of touchdown."


def up_at(lower: float, upper: float, **changed: Any) -> str:
    """What is said of spoilers up at 5.7 s (5.0–6.1), found late with other bounds."""
    event = {
        "rule": "late_spoilers", "title": "Ground spoilers late", "severity": "high", "certain": True, "value": 5.7,
        "lower": lower, "upper": upper, "unit": "s", "limit": 5.0, "at_s": 5.7, "ground_speed_kt": 103.0,
    }  # fmt: skip
    row = StepRow("spoilers_extended", 3, (At(None, 5.7, 5.0, 6.1, 103.0, None, None),), (event | changed,))
    card = RuleCard("late_spoilers", "Ground spoilers late", "spoiler_delay_s", "s", "above", {"low": 2.0, "high": 5.0})
    return text_of(told.events(row, {"late_spoilers": card}))


def test_bounds_wider_than_those_of_the_step_say_why():
    assert up_at(4.9, 6.4).count(WHY_WIDER) == 1
    assert WHY_WIDER not in up_at(5.0, 6.1)
    assert WHY_WIDER not in up_at(5.02, 6.12)  # told alike
    assert WHY_WIDER not in up_at(4.9, 6.4, value=4.2)  # not from touchdown: another time altogether
    assert WHY_WIDER not in up_at(4.9, 6.4, unit="kt")


# what was not assessed ------------------------------------------------------------------------------------------------

DEAD = "reverser 2 never reads deployed"


def silent(reasons: dict[str, str], shipped: dict[str, RuleCard], *how: told.Told) -> list[str]:
    rows = [("x", rule, "not_assessed", why) for rule, why in reasons.items()]
    outcomes = pl.DataFrame(rows, schema=schemas.OUTCOMES, orient="row")
    return [str(one) for one in told.silent(outcomes, shipped, *how)]


def test_a_reason_is_told_once_whether_it_names_its_engine_or_not(shipped):
    (one,) = silent({"slow_transit": f"engine 2: {DEAD}", "late_reverser_stow": DEAD}, shipped)
    assert text_of(one).startswith("Reverser 2 never reads deployed. Reverser slow to deploy; Reverser still out")


def test_engines_of_one_reason_are_told_together(shipped):
    why = "N1 has a gap there"
    (one,) = silent({"slow_transit": f"engine 2: {why}", "stow_before_idle": f"engine 1: {why}"}, shipped)
    assert text_of(one).startswith("Engines 1 and 2: N1 has a gap there.")
    (alone,) = silent({"slow_transit": f"engine 2: {why}"}, shipped)
    assert text_of(alone).startswith("Engine 2: N1 has a gap there.")
    assert len(silent({"slow_transit": f"engine 2: {why}", "late_spoilers": "gap of 4 s"}, shipped)) == 2


def test_a_long_list_opens_and_is_complete(shipped):
    reasons = dict.fromkeys(shipped, "go-around or touch-and-go: not judged as a rollout")
    (one,) = silent(reasons, shipped)
    first, _, rest = one.partition("<details")
    assert f"<summary>and {len(shipped) - 3} more</summary>" in rest
    assert "on-paper" in rest
    for number, card in enumerate(shipped.values()):
        assert card.title in (first if number < 3 else rest)
    (whole,) = silent(reasons, shipped, "whole")
    (short,) = silent(reasons, shipped, "short")
    assert "<details" not in whole + short
    assert f"; and {len(shipped) - 3} more." in short
    assert all(card.title in whole for card in shipped.values())
    assert "<details" not in silent(dict(list(reasons.items())[:4]), shipped)[0]  # one more is told, not folded
