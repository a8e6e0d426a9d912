"""Where a value stands among the limits that judge it: 1 at low, 2 at medium, 3 at high, whatever unit or direction."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

BEYOND = 0.72  # of a step between limits: the room for all that lies beyond them
LEVEL_PLACES = {"low": 1.0, "medium": 2.0, "high": 3.0}


def limit_places(limits: Mapping[str, float]) -> dict[str, float]:
    """Place of each limit that is to be drawn; equal limits stand together at the highest of them."""
    return {
        level: max(LEVEL_PLACES[other] for other in limits if limits[other] == limits[level])
        for level in LEVEL_PLACES
        if level in limits
    }


def places(values: np.ndarray, limits: Mapping[str, float], direction: str) -> np.ndarray:
    """Place of each value: linear between limits, and beyond them at the pace of the nearest pair.

    values     (n,) in the rule's unit; NaN and infinities pass through
    limits     level -> limit; at least one
    direction  "above" or "below": which side of a limit is the event
    """
    sign = -1.0 if direction == "below" else 1.0
    at = limit_places(limits)
    anchors = sorted({(sign * limits[level], at[level]) for level in at})
    x = np.array([anchor[0] for anchor in anchors])
    y = np.array([anchor[1] for anchor in anchors])
    if len(x) == 1:
        return y[0] + (sign * values - x[0]) / (abs(x[0]) or 1.0)
    slope = np.diff(y) / np.diff(x)
    signed = sign * np.asarray(values, dtype=float)
    inside = np.interp(signed, x, y)
    under = y[0] + (signed - x[0]) * slope[0]
    over = y[-1] + (signed - x[-1]) * slope[-1]
    return np.where(signed < x[0], under, np.where(signed > x[-1], over, inside))


def drawn(place: float) -> float:
    """Where a place is drawn: as it stands between the limits, closing up beyond them so that nothing falls off.

    From the high limit on, places approach 3.72; below the low one they approach 0.28.
    """
    if place > 3:
        return 3 + BEYOND * (1 - 1 / (place - 2))
    if place < 1:
        return 1 - BEYOND * (1 - 1 / (2 - place))
    return place
