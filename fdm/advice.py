"""What is usable in a rule book but poor: advice, never a refusal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import polars as pl

from fdm.rule import LEVELS, Case, Limits, Rule
from fdm.rulebook import RuleBook

# fleet -> measure -> how far apart the earliest and the latest possible value typically lie, in the measure's unit
Resolutions = Mapping[str, Mapping[str, float]]

NEAR = 0.05  # neighbouring limits closer than this share of the larger are near-equal
SHORT = 40  # characters; a procedure shorter than this tells a crew little
FEW_LANDINGS = 20


@dataclass(frozen=True)
class Advice:
    """One remark. level: "warning" when events will mislead, "note" when readers are left short."""

    level: Literal["warning", "note"]
    rule: str
    text: str


def advise(book: RuleBook, resolutions: Resolutions | None = None) -> list[Advice]:
    """Every remark on a rule book, rule by rule, warnings first.

    resolutions    what each fleet's recorder can tell apart (`resolutions_of`); without it limits are not held
                   against the recorders
    """
    found = [remark for rule in book.rules.values() for remark in _on_rule(rule, resolutions or {})]
    return sorted(found, key=lambda advice: advice.level != "warning")


def resolutions_of(landings: pl.DataFrame, measures: pl.DataFrame) -> dict[str, dict[str, float]]:
    """Median distance between the bounds, by fleet and measure, where at least 20 landings have finite ones.

    landings, measures    frames of schemas.LANDINGS and schemas.MEASURES
    """
    width = pl.col("upper") - pl.col("lower")
    table = (
        measures.filter(width.is_finite())
        .join(landings.select("landing_id", "fleet"), on="landing_id")
        .drop_nulls("fleet")
        .group_by("fleet", "measure")
        .agg(width.median().alias("width"), pl.col("landing_id").n_unique().alias("landings"))
        .filter(pl.col("landings") >= FEW_LANDINGS)
        .sort("fleet", "measure")
    )
    out: dict[str, dict[str, float]] = {}
    for fleet, measure, median, _ in table.iter_rows():
        out.setdefault(fleet, {})[measure] = median
    return out


def _on_rule(rule: Rule, resolutions: Resolutions) -> Iterator[Advice]:
    for text in _too_fine(rule, resolutions):
        yield Advice("warning", rule.name, text)
    for where, limits in _sets(rule):
        for text in _near_equal(limits, rule.unit):
            yield Advice("warning", rule.name, f"{text}{where}")
    for text in (*_texts(rule), *_fleets(rule, resolutions), *_cases(rule)):
        yield Advice("note", rule.name, text)


def _sets(rule: Rule) -> Iterator[tuple[str, Limits]]:
    yield "", rule.limits
    for fleet, limits in rule.limits_by_fleet.items():
        yield f" on fleet {fleet}", limits


def _stated(limits: Limits) -> list[tuple[str, float]]:
    return [(level, value) for level, value in zip(LEVELS, limits, strict=True) if value is not None]


def _near_equal(limits: Limits, unit: str) -> Iterator[str]:
    for (low, a), (high, b) in pairwise(_stated(limits)):
        if a != b and abs(b - a) < NEAR * max(abs(a), abs(b)):
            yield f"{low} {a:g} and {high} {b:g} {unit} are nearly equal; make them equal or set them apart"


def _too_fine(rule: Rule, resolutions: Resolutions) -> Iterator[str]:
    """A limit is too fine for a recorder that leaves a value wider open than the limits lie apart."""
    for fleet, widths in resolutions.items():
        width = widths.get(rule.measure, 0.0)
        values = [value for _, value in _stated(rule.limits_for(fleet))]
        gaps = [abs(b - a) for a, b in pairwise(values) if a != b]
        if rule.direction == "above" and values[0] > 0:
            gaps.append(values[0])  # the measure begins at zero
        if gaps and width > min(gaps):
            finest = min(gaps)
            yield (
                f"the recorder of fleet {fleet} leaves {width:.2g} {rule.unit} between the least and the most it can "
                f"have been, and limits lie {finest:.2g} {rule.unit} apart: most severities there will be uncertain"
            )


def _texts(rule: Rule) -> Iterator[str]:
    if "no source" in rule.basis:
        yield "no source stands behind the limits; put the operator's own in basis"
    if len(rule.procedure) < SHORT:
        yield "procedure says little; a crew reads it in the debrief"


def _fleets(rule: Rule, resolutions: Resolutions) -> Iterator[str]:
    own, loaded = sorted(rule.limits_by_fleet), sorted(resolutions)
    for fleet in own:
        if loaded and fleet not in loaded:
            yield f"limits for fleet {fleet}, of which nothing is loaded; check the spelling"
    if len(own) == 1 and len(loaded) > 1 and own[0] in loaded:
        others = ", ".join(fleet for fleet in loaded if fleet not in own)
        yield f"only {own[0]} has limits of its own; {others} go by the general ones"


def _cases(rule: Rule) -> Iterator[str]:
    wanted = {
        "that fires": lambda case: case.expect in LEVELS,
        "that stays silent": lambda case: case.expect == "within",
        "exactly on a limit": lambda case: _on_limit(rule, case),
        "with a gap": lambda case: case.expect == "not_assessed" or bool(case.gaps) or bool(case.lowest),
    }
    for what, holds in wanted.items():
        if not any(holds(case) for case in rule.cases):
            yield f"no case {what}"


def _on_limit(rule: Rule, case: Case) -> bool:
    value = case.given.get(rule.measure)
    triples = value.values() if isinstance(value, dict) else [value]
    return any(isinstance(t, tuple) and t[1] in rule.limits for t in triples)
