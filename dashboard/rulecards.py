"""The rule book as the pages show it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard import names, words
from dashboard.rule_card import RuleCard, RuleCase
from fdm.measures import CATALOGUE
from fdm.rule import Case, Limits, Rule
from fdm.rulebook import load_rule_book


def load_rule_cards(run: Mapping[str, Any]) -> dict[str, RuleCard]:
    """The rules an archive was judged by, from the folder its run names.

    Raises fdm.errors.RuleError when that rule book cannot be read.
    """
    book = load_rule_book(run["rules"])
    return {name: card(name, rule) for name, rule in book.rules.items()}


def card(name: str, rule: Rule) -> RuleCard:
    """One rule of a rule book."""
    return RuleCard(
        name=name,
        title=rule.title,
        measure=rule.measure,
        unit=rule.unit,
        direction=rule.direction,
        limits=_stated(rule.limits),
        limits_by_fleet={fleet: _stated(limits) for fleet, limits in rule.limits_by_fleet.items()},
        where=rule.where or "",
        basis=rule.basis,
        why=rule.why,
        misses=rule.misses,
        procedure=rule.procedure,
        hash=rule.hash,
        measured=" ".join(CATALOGUE[rule.measure].doc.split()) if rule.measure in CATALOGUE else "",
        needs=CATALOGUE[rule.measure].needs if rule.measure in CATALOGUE else (),
        cases=tuple(RuleCase(case.name, _given(case, rule), case.expect) for case in rule.cases),
    )


def _given(case: Case, rule: Rule) -> str:
    """What goes into a case, in a few words."""
    if case.series:
        series = sorted({names.parameter(name.split(".")[0]).lower() for name in case.series})
        return f"a short recording of {', '.join(series)}"
    values = [f"{_value(value, rule.unit)}" for name, value in case.given.items() if name == rule.measure]
    return ", ".join(values) or "other measures"


def _value(value: Any, unit: str) -> str:
    if isinstance(value, str):
        return f"missing: {value}"
    if isinstance(value, Mapping):
        return "; ".join(f"engine {engine}: {_value(one, unit)}" for engine, one in value.items())
    lower, best, upper = value
    return words.bounded(best, lower, upper, unit)


def _stated(limits: Limits) -> dict[str, float]:
    """Level -> limit, of the levels that are used."""
    return {level: limit for level, limit in limits._asdict().items() if limit is not None}
