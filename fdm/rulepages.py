"""The page of the shipped rules, made from their files: `python -m fdm.rulepages > rules/RULES.md`."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from fdm.measures import CATALOGUE
from fdm.rule import LEVELS, Rule
from fdm.rulebook import RuleBook, load_rule_book

HEAD = """# The shipped rules

Made from the rule files by `python -m fdm.rulepages`; edit those, not this page. Every limit is for your operator's
manual to confirm. An event is a value beyond a limit; "not assessed" means that the recording could not tell.
"""


def page(book: RuleBook) -> str:
    """Every rule of a book: what it measures, from which parameters, its limits, and what it cannot see."""
    rules = sorted(book.rules.values(), key=lambda rule: rule.title)
    links = [f"- [{rule.title}](#{rule.name})" for rule in rules]
    return "\n".join([HEAD, *links, "", *(line for rule in rules for line in _section(rule))])


def _section(rule: Rule) -> Iterator[str]:
    measure = CATALOGUE[rule.measure]
    yield f'## <a id="{rule.name}"></a>{rule.title}'
    yield ""
    yield rule.why.strip()
    yield ""
    first, _, rest = measure.doc.partition("\n")
    yield f"**Measured:** `{rule.measure}`, {measure.unit}. {first} {' '.join(rest.split())}".rstrip()
    yield ""
    yield f"**Parameters needed:** {_needs(measure.needs)}."
    yield ""
    yield f"**Limits** ({rule.direction}): {_limits(rule)}."
    yield ""
    if rule.where:
        yield f"**Only where:** `{rule.where}`"
        yield ""
    for title, text in (("Cannot see", rule.misses), ("Procedure", rule.procedure), ("Basis", rule.basis)):
        yield f"**{title}:** {text.strip()}"
        yield ""


def _needs(needs: tuple[str, ...]) -> str:
    def either(need: str) -> str:
        return " or ".join(
            f"`{name.replace('.N', '')}`{' of each engine' if '.N' in name else ''}" for name in need.split("|")
        )

    return "; ".join(either(need) for need in needs) or "none"


def _limits(rule: Rule) -> str:
    unit = CATALOGUE[rule.measure].unit

    def words(limits: object) -> str:
        known = [(level, getattr(limits, level)) for level in LEVELS]
        return ", ".join(f"{level} {value:g} {unit}" for level, value in known if value is not None)

    fleets = [f"{fleet}: {words(limits)}" for fleet, limits in rule.limits_by_fleet.items()]
    return "; ".join([words(rule.limits), *fleets])


if __name__ == "__main__":
    sys.stdout.write(page(load_rule_book()) + "\n")
