"""What differs between two rule books, rule by rule, in words: why the one finds what the other does not."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass

from fdm.rule import LEVELS, Limits, Rule
from fdm.rulebook import RuleBook


@dataclass(frozen=True)
class Changed:
    """One difference. rule is None for the settings, which every rule depends on; `was` and `now` are empty where there
    was or is nothing."""

    rule: str | None
    what: str
    was: str
    now: str


def changes(a: RuleBook, b: RuleBook) -> list[Changed]:
    """Every difference of two rule books that changes what is judged, settings first, then rule by rule."""
    found = list(_settings(a, b))
    for name in sorted({*a.rules, *b.rules}):
        old, new = a.rules.get(name), b.rules.get(name)
        if old is None and new is not None:
            found.append(Changed(name, "rule", "", new.title))
        elif new is None and old is not None:
            found.append(Changed(name, "rule", old.title, ""))
        elif old is not None and new is not None:
            found += _of_rule(old, new)
    return found


def _settings(a: RuleBook, b: RuleBook) -> Iterator[Changed]:
    old, new = (asdict(book.settings) for book in (a, b))
    for key in old:
        if old[key] != new[key]:
            yield Changed(None, key, _said(old[key]), _said(new[key]))


def _said(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{name} {number:g}" for name, number in value.items()) or "none"
    return f"{value:g}" if isinstance(value, float | int) else str(value)


def _of_rule(old: Rule, new: Rule) -> Iterator[Changed]:
    name = old.name
    for what in ("measure", "direction", "where"):
        before, after = (getattr(rule, what) or "" for rule in (old, new))
        if before != after:
            yield Changed(name, "condition" if what == "where" else what, before, after)
    if old.rollout != new.rollout:
        said = {True: "landings that came to a full stop", False: "every landing"}
        yield Changed(name, "judged on", said[old.rollout], said[new.rollout])
    for fleet in (None, *sorted({*old.limits_by_fleet, *new.limits_by_fleet})):
        before_, after_ = (rule.limits if fleet is None else rule.limits_for(fleet) for rule in (old, new))
        yield from _limits(name, fleet, before_, after_, new.unit)


def _limits(name: str, fleet: str | None, old: Limits, new: Limits, unit: str) -> Iterator[Changed]:
    where = f", fleet {fleet}" if fleet else ""
    for level in LEVELS:
        before, after = getattr(old, level), getattr(new, level)
        if before != after:
            yield Changed(name, f"{level} limit{where}", _limit(before, unit), _limit(after, unit))


def _limit(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:g} {unit}"
