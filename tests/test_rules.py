"""The shipped rule book: every case, and that every rule is complete."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

import rules
from fdm.advice import advise
from fdm.cases import run_case
from fdm.measures import CATALOGUE
from fdm.rule import LEVELS, Case, Rule
from fdm.rulebook import load_rule_book

FOLDER = Path(rules.__file__).parent
BOOK = load_rule_book(FOLDER)
CASES = [(rule, case) for rule in BOOK.rules.values() for case in rule.cases]

# names and limits that users' files and other programs rely on; the limits are common practice, no source
SHIPPED = {
    "late_reverser_stow": ("reverser_out_below_taxi_s", "above", (5, 10, 20)),
    "asymmetric_deployment": ("one_side_deployed_s", "above", (1.5, 3, 5)),
    "slow_high_reverse": ("high_reverse_below_taxi_s", "above", (2, 4, 8)),
    "late_spoilers": ("spoiler_delay_s", "above", (2, 3, 5)),
    "late_reverse": ("reverse_select_delay_s", "above", (4, 6, 10)),
    "reverser_not_deployed": ("reverse_wait_s", "above", (5, 8, 12)),
    "forward_power_with_reverser_out": ("forward_power_with_reverser_out_s", "above", (2, 3, 5)),
    "stow_before_idle": ("n1_above_idle_at_stow_pct", "above", (10, 20, 30)),
    "reverse_then_go_around": ("go_around_after_reverse", "above", (0.5, 0.5, 0.5)),
    "reverser_unstowed_in_air": ("unstowed_in_air_s", "above", (0.5, 1, 2)),
    "slow_transit": ("deploy_transit_s", "above", (3, 4, 6)),
    "spoilers_not_armed": ("spoilers_not_armed", "above", (0.5, 0.5, None)),
    "spoilers_partial": ("spoiler_extension_max", "below", (0.9, 0.7, 0.5)),
    "spoilers_retracted_early": ("spoiler_retract_speed_kt", "above", (50, 70, 90)),
    "no_reverse": ("reverse_not_used", "above", (0.5, None, None)),
    "unequal_reverse_power": ("reverse_power_split_pct", "above", (10, 20, 30)),
    "late_braking": ("brake_delay_s", "above", (8, 12, 16)),
    "low_deceleration": ("mean_deceleration_g", "below", (0.12, 0.10, 0.08)),
    "short_runway_left": ("runway_left_60_m", "below", (600, 450, 300)),
    "bounce": ("bounce_airborne_s", "above", (0.3, 1, 2)),
    "heading_excursion": ("heading_excursion_deg", "above", (3, 5, 8)),
    "autothrottle_in_reverse": ("autothrottle_in_reverse_s", "above", (1, 2, 4)),
}
CARD_RULES = ("late_reverser_stow", "asymmetric_deployment", "slow_high_reverse", "late_spoilers")


@pytest.mark.parametrize(("rule", "case"), CASES, ids=[f"{r.name}: {c.name}" for r, c in CASES])
def test_case(rule: Rule, case: Case) -> None:
    result = run_case(BOOK, rule, case)
    assert result.passed, f"expected {result.expected}, got {result.got} ({result.reason})"


def test_the_shipped_rules_are_these() -> None:
    got = {name: (rule.measure, rule.direction, tuple(rule.limits)) for name, rule in BOOK.rules.items()}
    assert got == SHIPPED


def test_settings_are_the_published_ones() -> None:
    s = BOOK.settings
    assert (s.extended, s.taxi_speed_kt, s.reduce_speed_kt, s.idle_margin_pct) == (0.70, 30, 60, 5)


@pytest.mark.parametrize("rule", BOOK.rules.values(), ids=list(BOOK.rules))
def test_rule_has_a_firing_a_silent_a_limit_and_a_gap_case(rule: Rule) -> None:
    expected = {case.expect for case in rule.cases}
    assert expected & set(LEVELS)
    assert "within" in expected
    assert "not_assessed" in expected
    assert [advice.text for advice in advise(BOOK) if advice.rule == rule.name and "no case" in advice.text] == []


@pytest.mark.parametrize("name", CARD_RULES)
def test_card_rules_are_shown_on_series(name: str) -> None:
    on_series = {case.expect for case in BOOK.rules[name].cases if case.series}
    assert on_series & set(LEVELS)
    assert {"within", "not_assessed"} <= on_series


@pytest.mark.parametrize("rule", BOOK.rules.values(), ids=list(BOOK.rules))
def test_basis_leaves_the_decision_to_the_operators_manual(rule: Rule) -> None:
    assert "operator's manual decides" in rule.basis


def test_measures_of_rules_exist_in_their_units() -> None:
    assert {(r.measure, r.unit) for r in BOOK.rules.values()} <= {(n, m.unit) for n, m in CATALOGUE.items()}


def test_a_wrong_case_does_not_pass() -> None:
    rule = BOOK.rules["late_spoilers"]
    wrong = Case("wrong", "high", given={"spoiler_delay_s": (1.0, 1.0, 1.0)})
    result = run_case(BOOK, rule, wrong)
    assert (result.passed, result.got) == (False, "within")
    open_bounds = Case("bounds", "medium", lowest="medium", given={"spoiler_delay_s": (2.5, 4.0, 4.5)})
    result = run_case(BOOK, rule, open_bounds)
    assert (result.passed, result.reason) == (False, "Low for certain, not Medium")


def test_the_format_page_names_every_key() -> None:
    page = (FOLDER / "README.md").read_text()
    keys = set(tomllib.loads((FOLDER / "late_reverser_stow.toml").read_text())) | {"where", "rollout"}
    assert {
        key for key in keys if f"`{key}`" not in page and f"[{key}]" not in page and f"[[{key}]]" not in page
    } == set()
