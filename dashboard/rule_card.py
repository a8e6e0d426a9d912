"""A rule as its file words it, for the pages."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class RuleCase:
    """A worked example of a rule: what it is called, what goes in, and what the rule must say of it."""

    name: str
    given: str
    expect: str


@dataclass(frozen=True)
class RuleCard:
    """A rule as its file words it.

    measured   how its measure is defined; needs, the parameters it is taken from, "a|b" where either will do
    """

    name: str
    title: str
    measure: str
    unit: str
    direction: str
    limits: Mapping[str, float]
    limits_by_fleet: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    where: str = ""
    basis: str = ""
    why: str = ""
    misses: str = ""
    procedure: str = ""
    hash: str = ""
    measured: str = ""
    needs: tuple[str, ...] = ()
    cases: tuple[RuleCase, ...] = ()

    def limits_for(self, fleet: str | None) -> dict[str, float]:
        """The limits that hold for a fleet: its own set where it has one."""
        return dict(self.limits_by_fleet.get(fleet or "", self.limits))

    @property
    def yes_or_no(self) -> bool:
        """True when the rule asks whether something happened: all its limits are one number."""
        return len(set(self.limits.values())) == 1 and not self.limits_by_fleet
