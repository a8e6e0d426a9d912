"""A rule as the program knows it: what is measured, the limits of low, medium and high, and its cases."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Any, Literal, NamedTuple

import numpy as np

Direction = Literal["above", "below"]
LEVELS = ("low", "medium", "high")


class Limits(NamedTuple):
    """Limits in the measure's unit; an event lies strictly beyond one. None: that level is not used."""

    low: float
    medium: float | None = None
    high: float | None = None

    def steps(self, direction: Direction) -> np.ndarray:
        """(3,) limits where a level that is not used stands at the next higher one, or out of reach."""
        high = self.high if self.high is not None else (inf if direction == "above" else -inf)
        return np.array([self.low, high if self.medium is None else self.medium, high], dtype=np.float64)


@dataclass(frozen=True)
class Case:
    """A worked example of a rule: what goes in, and what the rule must say.

    expect           low, medium, high, within or not_assessed
    lowest, highest  bounds of the severity, when stated
    given            measure -> (lower, value, upper), or a sentence saying why it is missing;
                     by engine number where the measure is per engine: measure -> {engine: either}
    series           canonical parameter -> points (seconds after contact, value); empty: not recorded
    gaps             canonical parameter -> spans (from_s, to_s) without a valid sample
    landing          columns of schemas.LANDINGS that the case sets (series: only of schemas.FACTS)
    """

    name: str
    expect: str
    lowest: str | None = None
    highest: str | None = None
    given: Mapping[str, Any] = field(default_factory=dict)
    series: Mapping[str, tuple[tuple[float, Any], ...]] = field(default_factory=dict)
    gaps: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    rate_hz: float = 4.0
    engines: int = 2
    reversers: tuple[int, ...] = (1, 2)
    landing: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Rule:
    """One rule of a rule book.

    limits           of every fleet that limits_by_fleet does not name; limits_by_fleet holds whole sets
    where            SQL expression over landing columns and measures that have one value per landing, or None
    rollout          False: also judged on landings that were not a full stop
    hash             over all that decides the outcome: measure, direction, limits, where, rollout, settings
    """

    name: str
    title: str
    measure: str
    unit: str
    direction: Direction
    limits: Limits
    basis: str
    why: str
    misses: str
    procedure: str
    limits_by_fleet: Mapping[str, Limits] = field(default_factory=dict)
    where: str | None = None
    rollout: bool = True
    cases: tuple[Case, ...] = ()
    hash: str = ""

    def limits_for(self, fleet: str | None) -> Limits:
        """The limits that hold on a fleet."""
        return self.limits_by_fleet.get(fleet or "", self.limits)

    def deciding(self) -> dict[str, Any]:
        """All that decides the outcome apart from the rule book's settings, as plain values."""
        return {
            "name": self.name,
            "measure": self.measure,
            "unit": self.unit,
            "direction": self.direction,
            "limits": list(self.limits),
            "limits_by_fleet": {fleet: list(limits) for fleet, limits in self.limits_by_fleet.items()},
            "where": self.where,
            "rollout": self.rollout,
        }


def digest(content: Any) -> str:
    """Hex digest of plain values; the order of keys and a file's layout do not matter."""
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.blake2b(text.encode(), digest_size=10).hexdigest()
