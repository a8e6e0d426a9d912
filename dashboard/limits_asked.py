"""What is asked of the page of limits: which landings, which condition, and the limits as they stand in the address."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import parse_qs

import polars as pl

from dashboard.held import Held
from dashboard.query import LONGEST
from dashboard.rule_card import RuleCard
from fdm.conditions import LONGEST as LONGEST_CONDITION
from fdm.rule import LEVELS, Direction, Limits

IN_FORCE = "In force"
FOLDER_NOW = "Rule folder now"


@dataclass(frozen=True)
class Asked:
    """Landings by fleet, runway and month (empty: every one), and a condition in place of the rule's own, or None."""

    fleet: str = ""
    place: str = ""
    month: str = ""
    where: str | None = None


def asked(search: str | None) -> Asked:
    """What an address asks for. What cannot be understood is left out."""
    given = parse_qs((search or "").lstrip("?"), keep_blank_values=True)

    def last(name: str, longest: int = LONGEST) -> str:
        return given.get(name, [""])[-1][:longest]

    where = last("where", LONGEST_CONDITION).strip() if "where" in given else None
    return Asked(last("fleet"), last("runway"), last("month"), where)


def limits_asked(card: RuleCard, fleet: str, given: Mapping[str, Any]) -> Limits:
    """Limits from what a page sent; the rule's own where it sent none, or what is no number."""
    own = limits_now(card, fleet)
    said = {level: _number(given.get(level), getattr(own, level)) for level in LEVELS}
    return Limits(**said)  # type: ignore[arg-type]


def _number(value: Any, own: float | None) -> float | None:
    if own is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        return own
    return round(number, 9) if math.isfinite(number) else own


def limits_now(card: RuleCard, fleet: str) -> Limits:
    """The limits in force for a fleet, or for every fleet without limits of its own."""
    found = card.limits_for(fleet or None)
    return Limits(**{level: found.get(level) for level in LEVELS})  # type: ignore[arg-type]


def by_now(held: Held, card: RuleCard) -> str:
    """The heading over what the rule says without a draft: its file may have been edited since judging."""
    return FOLDER_NOW if card.name in held.changed_rules else IN_FORCE


def direction(card: RuleCard) -> Direction:
    """Which side of a limit is the event."""
    return "below" if card.direction == "below" else "above"


def movable(card: RuleCard) -> bool:
    """Whether the rule has limits that lie on a scale; one that counts asks whether something happened."""
    return card.unit != "count"


def is_tried(card: RuleCard, wanted: Asked) -> bool:
    """Whether another condition than the rule's own is asked for."""
    return wanted.where is not None and wanted.where != card.where


def population(found: pl.DataFrame, card: RuleCard, wanted: Asked) -> pl.DataFrame:
    """The landings that are asked about. Without a fleet: those of every fleet that goes by the general limits."""
    if wanted.fleet:
        found = found.filter(pl.col("fleet") == wanted.fleet)
    elif card.limits_by_fleet:
        found = found.filter(~pl.col("fleet").is_in(list(card.limits_by_fleet)).fill_null(False))
    for column, value in (("place", wanted.place), ("month", wanted.month)):
        found = found.filter(pl.col(column) == value) if value else found
    return found


def without_month(wanted: Asked) -> Asked:
    """The same landings, of every month."""
    return replace(wanted, month="")
