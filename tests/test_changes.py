"""What differs between two rule books is told once, by rule, with what it was and is."""

from __future__ import annotations

from dataclasses import replace

from fdm.changes import Changed, changes
from fdm.rule import Limits
from fdm.rulebook import RuleBook, load_rule_book

BOOK = load_rule_book()


def with_rule(name: str, **different: object) -> RuleBook:
    return replace(BOOK, rules={**BOOK.rules, name: replace(BOOK.rules[name], **different)})


def test_equal_books_differ_in_nothing() -> None:
    assert changes(BOOK, load_rule_book()) == []


def test_a_limit_that_moved_is_told_with_its_unit() -> None:
    other = with_rule("late_spoilers", limits=Limits(2.4, 3.0, 5.0))
    assert changes(BOOK, other) == [Changed("late_spoilers", "low limit", "2 s", "2.4 s")]
    assert changes(other, BOOK) == [Changed("late_spoilers", "low limit", "2.4 s", "2 s")]


def test_a_fleet_that_got_its_own_limits_is_held_against_those_it_had() -> None:
    other = with_rule("late_spoilers", limits_by_fleet={"Tern 200": Limits(2.0, 3.0, 6.0)})
    assert changes(BOOK, other) == [Changed("late_spoilers", "high limit, fleet Tern 200", "5 s", "6 s")]


def test_a_level_that_is_no_longer_used_and_a_condition_that_came() -> None:
    other = with_rule("late_spoilers", limits=Limits(2.0, None, 5.0), where="bounces = 0")
    assert changes(BOOK, other) == [
        Changed("late_spoilers", "condition", "", "bounces = 0"),
        Changed("late_spoilers", "medium limit", "3 s", ""),
    ]


def test_rules_that_came_or_went_and_settings() -> None:
    rules = {name: rule for name, rule in BOOK.rules.items() if name != "bounce"}
    other = replace(BOOK, rules=rules, settings=replace(BOOK.settings, taxi_speed_kt=35.0))
    assert changes(BOOK, other) == [
        Changed(None, "taxi_speed_kt", "30", "35"),
        Changed("bounce", "rule", BOOK.rules["bounce"].title, ""),
    ]
