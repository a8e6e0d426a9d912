"""The limit beside a finding is that of the rule that found it, and stands beside what the step expects."""

from __future__ import annotations

from typing import Any

import pytest

from dashboard import names
from dashboard.reports.procedure import expected
from dashboard.rule_card import RuleCard
from dashboard.rulecards import load_rule_cards
from dashboard.steps import StepRow


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
            "Within 5.0 s of selection, a pair within 1.5 s of each other; "
            "no forward power for 2.0 s with the other reverser out",
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
            "Within 4.0 s of touchdown; autothrottle not engaged for 1.0 s in reverse",
        ),
        ("touchdown", "reverser_unstowed_in_air", "No reverser unstowed for 0.5 s in the air"),
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
