"""Measures of the rollout as a whole: braking, distance, runway left, heading."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fdm.bounded import FINE, Bounded
from fdm.measures.catalogue import measure
from fdm.primitives import first
from fdm.rolling import ALONG_RUNWAY_S
from fdm.signal import counted, middle
from fdm.steps import Rollout
from fdm.units import MPS2_PER_G, MPS_PER_KT
from fdm.windows import possibly_reached, value_at

LONGEST_HOLE_S = 5.0
DECELERATING_FROM_S = 3.0  # after contact: devices are out and brakes are on by then (common practice, no source)
EXCURSION_ABOVE_KT = 60.0
AUTOMATIC_WITHIN_S = 6.0  # an automatic brake that has to brake has pressure by then; one waits 4 s (A320, LO)
SHORTEST_S = 2.0  # over less than this a mean deceleration says nothing


@measure(unit="kt", needs=("ground_speed",))
def touchdown_ground_speed_kt(batch: Rollout) -> Bounded:
    """Ground speed at first main-gear contact."""
    if not batch.has("ground_speed"):
        return batch.absent(batch.not_recorded("ground_speed"))
    return value_at(batch.signal("ground_speed"), batch.contact, missing=batch.reason("ground speed has a gap there"))


@measure(unit="s", needs=("brake_pressure.left|brake_pressure.right",))
def brake_delay_s(batch: Rollout) -> Bounded:
    """From first main-gear contact to brake pressure on either side.

    Not said where the automatic brake had long been at work by then: reverse may meet its target, and brake pressure
    falls instead.
    """
    why = batch.reason("the automatic brake was at work, and reverse may have met its target")
    return (batch.brakes_on - batch.contact).where(~_automatic(batch), why)


def _automatic(batch: Rollout) -> np.ndarray:
    """(n,) whether the automatic brake was active from well before brake pressure came until it did."""
    if not batch.has("autobrake_active"):
        return np.zeros(batch.n, bool)
    signal, never = batch.signal("autobrake_active"), batch.reason("the automatic brake was not active")
    active = first(signal, signal.values == 1, batch.contact.earliest, missing=never)
    ended = first(signal, signal.values == 0, active.latest, missing=never)
    early = active.latest + AUTOMATIC_WITHIN_S < batch.brakes_on.earliest
    return np.asarray(active.happened & early & ~(ended.latest < batch.brakes_on.latest))


@measure(unit="g", needs=("ground_speed",))
def mean_deceleration_g(batch: Rollout) -> Bounded:
    """Mean deceleration from 3 s after first contact to 60 kt, from ground speed."""
    slow, start = batch.speed_reached(60.0), batch.contact.later(DECELERATING_FROM_S)
    if not batch.has("ground_speed"):
        return batch.absent(batch.not_recorded("ground_speed"))
    recorded = batch.signal("ground_speed")
    speed = value_at(recorded, start, missing=batch.reason("ground speed has a gap there"))
    taken = slow - start
    per_g = MPS_PER_KT / MPS2_PER_G
    with np.errstate(divide="ignore", invalid="ignore"):
        value = (speed.value - 60.0) * per_g / taken.value
        lower = (speed.lower - 60.0) * per_g / taken.upper
        upper = np.where(taken.lower <= 0, np.inf, (speed.upper - 60.0) * per_g / taken.lower)
    why = np.where(taken.why != FINE, taken.why, speed.why)
    result = Bounded(value, np.minimum(lower, upper), upper, why, start.best)
    too_soon = np.where(np.isnan(taken.value), taken.upper, taken.value) <= SHORTEST_S
    result = result.where(~too_soon, batch.reason("60 kt came too soon after touchdown to judge deceleration"))
    hole_s = recorded.longest_gap_s(start.best, slow.best)  # the clock may have leapt in it
    return result.where(~(hole_s > LONGEST_HOLE_S), batch.reason("ground speed has a long gap before 60 kt"))


@measure(unit="m", needs=("ground_speed",))
def rollout_60_m(batch: Rollout) -> Bounded:
    """Distance from first contact to 60 kt ground speed."""
    return batch.distance_to(batch.speed_reached(60.0))


@measure(unit="m", needs=("ground_speed",))
def rollout_30_m(batch: Rollout) -> Bounded:
    """Distance from first contact to 30 kt ground speed."""
    return batch.distance_to(batch.speed_reached(30.0))


@measure(unit="m", needs=("ground_speed", "latitude", "longitude"))
def runway_left_60_m(batch: Rollout) -> Bounded:
    """Runway ahead at 60 kt ground speed."""
    return batch.runway_left(batch.speed_reached(60.0))


@measure(unit="deg", needs=("heading", "ground_speed"))
def heading_excursion_deg(batch: Rollout) -> Bounded:
    """Largest departure of the heading from its median above 60 kt, from 2 s after first contact."""
    if not batch.has("heading"):
        return batch.absent(batch.not_recorded("heading"))
    signal = batch.signal("heading")
    slow = batch.speed_reached(EXCURSION_ABOVE_KT)
    end = slow.or_else(batch.end)
    until = np.where(np.isnan(end.best), end.earliest, end.best)
    first, behind = signal.index_from(batch.contact.best + ALONG_RUNWAY_S), signal.index_from(until)
    inside = signal.inside(first, behind) & signal.valid
    off = np.where(inside, batch.off_heading_deg, np.float32(np.nan))
    known = counted(~np.isnan(off)) >= 3
    along = np.where(known, middle(off), 0).astype(np.float32)
    away = np.abs(batch.off_heading_deg - along[:, None])
    k = np.argmax(np.where(inside, away, np.float32(-1)), axis=1)
    value = away[np.arange(batch.n), k].astype(np.float64)
    slack = 2 * signal.tolerance
    most = possibly_reached(replace(signal, values=away), batch.contact.earliest + ALONG_RUNWAY_S, end.latest)
    upper = np.fmax(value, most) + slack
    result = Bounded(value, np.maximum(value - slack, 0), upper, batch.contact.why, signal.time(k))
    always_fast = slow.why == batch.never_slow(EXCURSION_ABOVE_KT)
    result = result.where(known, batch.reason("too few heading samples above 60 kt"))
    return result.where(slow.happened | always_fast, slow.why)
