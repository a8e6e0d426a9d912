"""The rule book as the pages show it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from dashboard.store import RuleCard
from fdm.rule import Limits, Rule
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
    )


def _used(limits: Limits) -> dict[str, float]:
    return {level: limit for level, limit in limits._asdict().items() if limit is not None}


def _stated(limits: Limits) -> dict[str, float]:
    """Level -> limit, of the levels that are used."""
    return {level: limit for level, limit in limits._asdict().items() if limit is not None}
