"""Rates and shares of counted things, with intervals that hold for small counts.

poisson_interval   Garwood's exact interval (Garwood, Biometrika 28, 1936, 437-442)
exact_intervals    of shares, exact (Clopper and Pearson, Biometrika 26, 1934, 404-413)
wilson_interval    Wilson's score interval (Wilson, JASA 22, 1927, 209-212)
u_chart            limits of counts per unit (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.1)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.special import betaincinv, gammaincinv, ndtri

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
    """Exact interval of a Poisson mean after `count` events."""
    lower, upper = poisson_intervals(np.array([count]), confidence)
    return float(lower[0]), float(upper[0])


def poisson_intervals(counts: np.ndarray, confidence: float = CONFIDENCE) -> tuple[np.ndarray, np.ndarray]:
    """The same of many counts at once, (n,): quantiles of the gamma function, which are half those of chi-squared."""
    tail = (1 - confidence) / 2
    lower = np.where(counts > 0, gammaincinv(np.maximum(counts, 1), tail), 0.0)
    return lower, gammaincinv(counts + 1, 1 - tail)


def rate(events: int, landings: int) -> Rate:
    """Events per 1,000 assessed landings. Poisson, since one landing may hold several events."""
    if landings <= 0:
        return Rate(events, 0, None, None, None)
    lower, upper = poisson_interval(events)
    scale = PER / landings
    return Rate(events, landings, events * scale, lower * scale, upper * scale)


def rate_of_rule(events: int, landings: int) -> Rate:
    """Events of one rule per 1,000 assessed landings. A share of them, since a landing has at most one."""
    if landings <= 0:
        return Rate(events, 0, None, None, None)
    lower, upper = exact_intervals(np.array([events]), np.array([landings]))
    return Rate(events, landings, events * PER / landings, float(lower[0]) * PER, float(upper[0]) * PER)


def exact_intervals(
    counts: np.ndarray, totals: np.ndarray, confidence: float = CONFIDENCE
) -> tuple[np.ndarray, np.ndarray]:
    """Exact intervals of shares, (n,), many at once: quantiles of the beta function; NaN where there are none in all.

    ValueError unless 0 <= counts <= totals
    """
    if ((counts < 0) | (counts > totals)).any():
        raise ValueError("no share of more than all, or of less than none")
    tail, others = (1 - confidence) / 2, totals - counts
    lower = np.where(counts > 0, betaincinv(np.maximum(counts, 1), others + 1, tail), 0.0)
    upper = np.where(others > 0, betaincinv(counts + 1, np.maximum(others, 1), 1 - tail), 1.0)
    return np.where(totals > 0, lower, np.nan), np.where(totals > 0, upper, np.nan)


def wilson_interval(count: int, total: int, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Score interval of a share: `count` of `total`. ValueError unless 0 <= count <= total and total > 0."""
    if not 0 <= count <= total or total == 0:
        raise ValueError(f"no share of {count} in {total}")
    z = float(ndtri(1 - (1 - confidence) / 2))
    share, n = count / total, total
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    lower = 0.0 if count == 0 else max(middle - half, 0.0)
    return lower, 1.0 if count == total else min(middle + half, 1.0)


@dataclass(frozen=True)
class UChart:
    """Counts per unit with three-sigma limits; arrays (periods,). `signals` is true where a point lies outside."""

    per_unit: np.ndarray
    centre: float
    lower: np.ndarray
    upper: np.ndarray
    signals: np.ndarray


def u_chart(counts: Sequence[float], units: Sequence[float], centre: float | None = None) -> UChart:
    """Control chart of counts over unequal numbers of units; periods without units are NaN and never signal.

    centre    the line to judge by, per unit; that of all these periods when left out

    The lower limit is held at zero. ValueError when the lengths differ or there are no units at all.
    """
    count, unit = np.asarray(counts, float), np.asarray(units, float)
    if count.shape != unit.shape or unit.sum() <= 0:
        raise ValueError("counts and units must be as many, and some units are needed")
    centre = float(count.sum() / unit.sum()) if centre is None else centre
    with np.errstate(divide="ignore", invalid="ignore"):
        per_unit = np.where(unit > 0, count / unit, np.nan)
        half = np.where(unit > 0, 3 * np.sqrt(centre / unit), np.nan)
    lower, upper = np.maximum(centre - half, 0), centre + half
    with np.errstate(invalid="ignore"):
        return UChart(per_unit, centre, lower, upper, (per_unit > upper) | (per_unit < lower))
