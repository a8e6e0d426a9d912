"""What the page of limits computes with while a limit moves: at most 501 points, each with its counts and intervals.

Between two moves the browser asks nothing of the server: it looks up the points that the limits stand on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from dashboard import words
from dashboard.limits_asked import Asked, direction, limits_now
from dashboard.limits_lists import in_force_told
from dashboard.rule_card import RuleCard
from fdm.rule import LEVELS
from fdm.statistics import PER, exact_intervals, wilson_interval
from fdm.tuning import Sweep, outcomes_by, points, resolved, sweep

BARS = 90
DECIDED_BARS = 9
LEFT_OUT = "Left out by the condition"
FEWEST_DECIDED = 10  # below, numbers are told instead of a share


@dataclass(frozen=True)
class Bars:
    """Landings by value: `edges` (n + 1,) and `counts` (n,); how many lie `under` and `over` the drawing, and the
    median of all."""

    edges: np.ndarray
    counts: np.ndarray
    under: int
    over: int
    median: float | None


@dataclass(frozen=True)
class Share:
    """Nuisance among some decided events, `middle` of whose values stands for them."""

    middle: float
    nuisance: int
    decided: int

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval of the share."""
        return wilson_interval(self.nuisance, self.decided)


@dataclass(frozen=True)
class Swept:
    """Everything that the page draws and computes with.

    landings      that the rule is for, by the draft's condition
    told          whether that number may be told: less those assessed, it says how few are not
    step          between neighbouring limits that can be chosen
    sweep         by the draft's condition; `events_now` (k,) by the rule's own, and `events_both` where both hold
    tried         whether the draft's condition is another one
    assessed_now  by the limits and the condition in force; None where it may not be told beside the draft's
    near          how far below and above each limit the recorder cannot tell (k,), or None
    """

    card: RuleCard
    fleet: str
    landings: int
    told: bool
    assessed: int
    step: float
    sweep: Sweep
    events_now: np.ndarray
    events_both: np.ndarray
    tried: bool
    assessed_now: int | None
    near: tuple[np.ndarray, np.ndarray] | None
    bars: Bars
    shares: tuple[Share, ...]
    found: pl.DataFrame


def swept(card: RuleCard, fleet: str, found: pl.DataFrame, *, tried: bool = False, least: int = 0) -> Swept:
    """The sweep of a rule over some landings (analysis.stood); numbers of landings below `least` are not told."""
    own = {level: x for level, x in limits_now(card, fleet)._asdict().items() if x is not None}
    limits, step = points(found, own, card.unit)
    landings, assessed = found.height - int(found["not_for"].sum()), found["reason"].null_count()
    return Swept(
        card=card,
        fleet=fleet,
        landings=landings,
        told=not 0 < landings - assessed < least,
        assessed=assessed,
        step=step,
        tried=tried,
        assessed_now=_assessed_now(card, fleet, found, least),
        bars=_bars(found, limits, step),
        shares=_shares(found, card),
        found=found,
        **_counts(card, found, limits)._asdict(),
    )


def _assessed_now(card: RuleCard, fleet: str, found: pl.DataFrame, least: int) -> int | None:
    if not in_force_told(found, card, Asked(fleet=fleet), least):
        return None
    by_own = found.with_columns(barred=pl.col("barred_now"))
    return int((outcomes_by(by_own, direction(card), limits_now(card, fleet)) != "not_assessed").sum())


def _events(found: pl.DataFrame, card: RuleCard, limits: np.ndarray, barred: pl.Expr) -> np.ndarray:
    return sweep(found.with_columns(barred=barred), direction(card), limits).events


def counted_at(card: RuleCard, found: pl.DataFrame, limits: np.ndarray) -> dict[str, Any]:
    """What `sent` holds of each point, at other limits (k,), ascending."""
    return _at_points(card, found, _counts(card, found, limits))


class Counts(NamedTuple):
    """The parts of Swept that are counted at limits (k,)."""

    sweep: Sweep
    events_now: np.ndarray
    events_both: np.ndarray
    near: tuple[np.ndarray, np.ndarray] | None


def _counts(card: RuleCard, found: pl.DataFrame, limits: np.ndarray) -> Counts:
    barred, barred_now = pl.col("barred"), pl.col("barred_now")
    return Counts(
        sweep(found, direction(card), limits),
        _events(found, card, limits, barred_now),
        _events(found, card, limits, barred | barred_now),
        resolved(found, limits),
    )


def _bars(found: pl.DataFrame, limits: np.ndarray, step: float) -> Bars:
    values = found.filter(~pl.col("barred"))["value"].to_numpy()
    values = values[np.isfinite(values)]
    low, high = limits[0], limits[-1]
    wide = step * max(1, int(np.ceil((high - low) / step / BARS)))
    edges = np.round(low + wide * np.arange(int(np.ceil((high - low) / wide)) + 1), 9)
    counts, _ = np.histogram(values, edges)
    under, over = int((values < edges[0]).sum()), int((values > edges[-1]).sum())
    return Bars(edges, counts, under, over, float(np.median(values)) if len(values) else None)


def decided(found: pl.DataFrame, card: RuleCard) -> pl.DataFrame:
    """Every decision on landings that the rule is for, with the `stands` that it was taken on, in the measure's unit:
    also on what was an event under earlier limits and is none now."""
    sign = 1.0 if card.direction == "above" else -1.0
    known = found.filter(~pl.col("barred"), pl.col("verdict").is_not_null(), pl.col("worst").is_finite())
    return known.with_columns(stands=sign * pl.col("worst"))


def _shares(found: pl.DataFrame, card: RuleCard) -> tuple[Share, ...]:
    """Decisions in about nine groups of equal size, by value."""
    known = decided(found, card).sort("stands")
    groups = max(1, min(DECIDED_BARS, known.height // FEWEST_DECIDED))
    if not known.height:
        return ()
    out = []
    for rows in np.array_split(np.arange(known.height), groups):
        part = known[rows[0] : rows[-1] + 1] if len(rows) else known.clear()
        nuisance = int((part["verdict"] == "nuisance").sum())
        out.append(Share(float(part["stands"][part.height // 2]), nuisance, part.height))
    return tuple(out)


def intervals(counts: np.ndarray, landings: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Exact intervals of events per 1,000 landings, for many counts at once; a landing has at most one event."""
    lower, upper = exact_intervals(counts, landings)
    return lower * PER, upper * PER


def sent(found: Swept) -> dict[str, Any]:
    """The numbers as the browser gets them: arrays (k,) over the points `x`, in the measure's unit."""
    card, counts = found.card, Counts(found.sweep, found.events_now, found.events_both, found.near)
    own = limits_now(card, found.fleet)
    return {
        "rule": card.name,
        "fleet": found.fleet,
        "direction": 1 if card.direction == "above" else -1,
        "unit": words.sign(card.unit),
        "scale": 100 if card.unit == "fraction" else 1,
        "decimals": decimals(card, found.step, [x for x in own if x is not None]),
        "step": found.step,
        "limits": {level: x for level, x in own._asdict().items() if x is not None},
        "landings": found.landings if found.told else None,
        "tried": found.tried,
        "left_out": {name: kind.height for name, kind in decisions(left_out(found.found), card).items()},
        "assessed_now": found.assessed_now,
        "fewest": FEWEST_DECIDED,
        **_at_points(card, found.found, counts),
    }


def _at_points(card: RuleCard, found: pl.DataFrame, counts: Counts) -> dict[str, Any]:
    """The arrays (k,) of `sent` over the points `x`."""
    at, near = counts.sweep, counts.near or (None, None)
    lower, upper = intervals(at.events, at.assessed)
    return {
        "x": at.limits.tolist(),
        "events": at.events.tolist(),
        "now": counts.events_now.tolist(),
        "both": counts.events_both.tolist(),
        "certain": at.certain.tolist(),
        "possible": at.possible.tolist(),
        "assessed": at.assessed.tolist(),
        "lower": _rounded(lower),
        "upper": _rounded(upper),
        "below": _rounded(near[0]),
        "above": _rounded(near[1]),
        **_decisions(card, found, at.limits),
    }


def decimals(card: RuleCard, step: float, limits: list[float]) -> int:
    """Digits after the point that tell neighbouring limits apart, as they are shown."""
    scale = 100 if card.unit == "fraction" else 1
    digits = 0
    while digits < 4 and any(abs(x * scale - round(x * scale, digits)) > 1e-9 for x in [step, *limits]):
        digits += 1
    return max(digits, words.DECIMALS.get(card.unit, 0))


def _rounded(values: np.ndarray | None) -> list[float | None] | None:
    if values is None:
        return None
    return [None if not np.isfinite(x) else float(np.format_float_positional(x, 5, fractional=False)) for x in values]


def decisions(found: pl.DataFrame, card: RuleCard) -> dict[str, pl.DataFrame]:
    """Landings of analysis.stood that were decided, those of them as nuisance, and events in force that are not."""
    said = decided(found, card)
    open_ = found.filter(~pl.col("barred"), pl.col("severity").is_not_null(), pl.col("verdict").is_null())
    return {"decided": said, "nuisance": said.filter(verdict="nuisance"), "undecided": open_}


def left_out(found: pl.DataFrame) -> pl.DataFrame:
    """The landings that the rule's own condition takes in and the one that is tried does not, not barred any more."""
    return found.filter(pl.col("barred") & ~pl.col("barred_now")).with_columns(barred=pl.lit(value=False))


def _decisions(card: RuleCard, found: pl.DataFrame, limits: np.ndarray) -> dict[str, list[int]]:
    """The decisions by the limit that would still find them."""
    sign = 1.0 if card.direction == "above" else -1.0
    out = {}
    for name, kind in decisions(found, card).items():
        worst = np.sort(kind["worst"].to_numpy())
        at = len(worst) - np.searchsorted(worst, sign * limits, side="right")
        out[name] = [*at.tolist(), len(worst)]  # the last: of all
    return out


def used(card: RuleCard, fleet: str) -> list[str]:
    """The levels that have a limit."""
    return [level for level in LEVELS if getattr(limits_now(card, fleet), level) is not None]
