"""Rates of events with exact intervals."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.stats import chi2

PER = 1000
CONFIDENCE = 0.95


@dataclass(frozen=True)
class Rate:
    """Events per 1,000 landings, with its 95 % interval; all three are None when no landing was assessed."""

    events: int
    landings: int
    per_1000: float | None
    lower: float | None
    upper: float | None


def poisson_interval(count: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Exact interval of a Poisson mean after `count` events (Garwood, Biometrika 28, 1936, 437-442)."""
    tail = (1 - confidence) / 2
    lower = float(chi2.ppf(tail, 2 * count)) / 2 if count else 0.0
    return lower, float(chi2.ppf(1 - tail, 2 * count + 2)) / 2


def rate(events: int, landings: int) -> Rate:
    """Events per 1,000 assessed landings. Poisson, since one landing may hold several events."""
    if landings <= 0:
        return Rate(events, 0, None, None, None)
    lower, upper = poisson_interval(events)
    scale = PER / landings
    return Rate(events, landings, events * scale, lower * scale, upper * scale)
