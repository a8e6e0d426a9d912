"""Where one landing's measures stand among those of its fleet. Pure functions of tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl

from dashboard.held import OF_REVERSE
from dashboard.rule_card import RuleCard
from dashboard.store import FEWEST_FOR_SPREAD, Store

CARD_RULES = ("late_spoilers", "late_reverser_stow", "asymmetric_deployment", "slow_high_reverse")
NOT_FOR_THIS = "does not apply: "  # so begins the reason of a landing that there is nothing to measure on
QUANTILES = (0.05, 0.25, 0.50, 0.75, 0.95)


@dataclass(frozen=True)
class Standing:
    """One measure of a landing among its fleet's that the rule judged, one value for each landing: that of the engine
    nearest the limits.

    value, lower, upper   of this landing; None when it has none or was not judged, and `reason` says why
    quantiles             5, 25, 50, 75, 95 % of the fleet; empty when it has too few landings
    below                 share of the fleet, 0 to 1, below the value; with the shares below either bound
    same                  share of the fleet with the same value
    n                     landings of the fleet with a value
    tails                 values of the fleet outside 5 to 95 %
    """

    card: RuleCard
    n: int
    value: float | None = None
    lower: float | None = None
    upper: float | None = None
    reason: str = ""
    limits: Mapping[str, float] = field(default_factory=dict)
    quantiles: tuple[float, ...] = ()
    below: tuple[float, float, float] | None = None
    same: float = 0.0
    tails: tuple[float, ...] = ()

    @property
    def few(self) -> bool:
        """True when the fleet has too few landings to say where one of them stands."""
        return self.n < FEWEST_FOR_SPREAD


def standings(store: Store, key: str, events: Sequence[Mapping[str, Any]]) -> list[Standing]:
    """Of each event's rule and, where it ended on the runway, of the four card rules; yes-or-no rules have no place to
    stand.
    """
    landing, rules = store.landing(key), store.held().rules
    if landing is None:
        return []
    always = () if landing["kind"] == "go_around" else CARD_RULES
    chosen = dict.fromkeys([*(event["rule"] for event in events), *always])
    cards = [rules[name] for name in chosen if name in rules and not rules[name].yes_or_no]
    measures, outcomes, fleet = store.measures_of(key), store.outcomes_of(key), landing["fleet"]
    return [
        standing(
            card,
            fleet,
            measures,
            store.fleet_values(card.measure, fleet, card.name),
            _without_place(card, measures, outcomes),
        )
        for card in cards
    ]


def _without_place(card: RuleCard, measures: pl.DataFrame, outcomes: pl.DataFrame) -> str:
    """Why a landing has no place in a measure: its rule did not assess it, or it is of reverse, which was not used."""
    for reason in outcomes.filter(rule=card.name, outcome="not_assessed")["reason"]:
        return str(reason or "reason not known")
    unused = measures.filter(pl.col("value") > 0, measure="reverse_not_used")
    return f"{NOT_FOR_THIS}reverse was not used" if card.measure in OF_REVERSE and unused.height else ""


def standing(
    card: RuleCard, fleet: str | None, measures: pl.DataFrame, values: pl.DataFrame, without_place: str = ""
) -> Standing:
    """One measure among its fleet's.

    measures        schemas.MEASURES of the landing
    values          `landing_id`, `value` of the fleet; several for a measure of engines
    without_place   why this landing has none among them, though it may have a value
    """
    own = measures.filter(pl.col("measure") == card.measure)
    known = own.filter(pl.col("value").is_finite()).sort("value", descending=card.direction == "above")
    among = one_each(values, card.direction)
    limits = card.limits_for(fleet)
    if without_place:
        return Standing(card, len(among), limits=limits, reason=without_place)
    if known.is_empty():
        reason = own.get_column("reason").drop_nulls().to_list()
        return Standing(card, len(among), limits=limits, reason=reason[0] if reason else "it was not measured")
    value, lower, upper = known.select("value", "lower", "upper").row(0)
    if len(among) < FEWEST_FOR_SPREAD:
        return Standing(card, len(among), value, lower, upper, limits=limits)
    quantiles = tuple(float(q) for q in np.quantile(among, QUANTILES))
    tails = among[(among < quantiles[0]) | (among > quantiles[-1])]
    below = shares_below(among, value, lower, upper)
    same = float(np.count_nonzero(among == value) / len(among))
    return Standing(
        card, len(among), value, lower, upper, "", limits, quantiles, below, same, tuple(_thinned(tails).tolist())
    )


def one_each(values: pl.DataFrame, direction: str) -> np.ndarray:
    """(n,) sorted: for each landing the finite value nearest the limits."""
    value = pl.col("value")
    nearest = value.max() if direction == "above" else value.min()
    return values.filter(value.is_finite()).group_by("landing_id").agg(nearest)["value"].sort().to_numpy()


def shares_below(
    among: np.ndarray, value: float, lower: float | None, upper: float | None
) -> tuple[float, float, float]:
    """Shares of sorted values below one, below its lower and its upper bound; of those equal to it, half count."""

    def share(x: float | None) -> float:
        x = value if x is None or np.isnan(x) else x
        return float((np.searchsorted(among, x, "left") + np.searchsorted(among, x, "right")) / 2 / len(among))

    return share(value), share(lower), share(upper)


def _thinned(values: np.ndarray, most: int = 120) -> np.ndarray:
    """At most so many of the values, evenly through their order, first and last among them."""
    if len(values) <= most:
        return values
    return values[np.linspace(0, len(values) - 1, most).round().astype(int)]
