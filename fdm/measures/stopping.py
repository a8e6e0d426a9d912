"""Measures of the stopping margin: runway left at taxi speed, how hard the first seconds slowed, where that would end.

Distances are to taxi speed, not to a full stop, and from recorded positions; performance figures belong to the
aeroplane's manual. Factors and runway condition codes: `fdm.stopping`, with their sources.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from fdm.bounded import FINE, Bounded
from fdm.measures.catalogue import measure
from fdm.steps import Rollout
from fdm.stopping import braking_distance_m
from fdm.units import MPS2_PER_G, MPS_PER_KT
from fdm.windows import value_at

FIRST_S = 10.0
PLACED = ("ground_speed", "latitude", "longitude")
ROOM_FROM_KT = 60.0


@measure(unit="m", needs=PLACED)
def runway_left_taxi_m(batch: Rollout) -> Bounded:
    """Runway ahead at taxi speed."""
    return batch.runway_left(batch.taxi_speed)


@measure(unit="g", needs=("ground_speed",))
def deceleration_first_10s_g(batch: Rollout) -> Bounded:
    """Mean deceleration over the first ten seconds after first contact, from ground speed."""
    if not batch.has("ground_speed"):
        return batch.absent(batch.not_recorded("ground_speed"))
    contact, later = _speed(batch, 0.0), _speed(batch, FIRST_S)
    per_g = MPS_PER_KT / MPS2_PER_G / FIRST_S
    why = np.where(contact.why != FINE, contact.why, later.why)
    value, lower, upper = (
        (a - b) * per_g
        for a, b in ((contact.value, later.value), (contact.lower, later.upper), (contact.upper, later.lower))
    )
    slowing = Bounded(value, lower, upper, why, batch.contact.best)
    airborne = batch.went_around & (batch.touchdown.left_ground.best < batch.contact.best + FIRST_S)
    return slowing.where(~airborne, batch.reason("the aeroplane flew again within ten seconds"))


def _speed(batch: Rollout, after_s: float) -> Bounded:
    gap = batch.reason("ground speed has a gap there")
    return value_at(batch.signal("ground_speed"), batch.contact.later(after_s), missing=gap)


@measure(unit="kt", needs=PLACED)
def overrun_speed_first_10s_kt(batch: Rollout) -> Bounded:
    """Speed at the runway's end, had the deceleration stayed as in the first ten seconds; 0: it would have stopped.

    v² = v10² - 2 a s, with the speed and the runway left ten seconds after contact and the mean deceleration until
    then.
    """
    slowing = deceleration_first_10s_g(batch)
    if not batch.has("ground_speed"):
        return slowing
    speed, left = _speed(batch, FIRST_S), batch.runway_left(batch.contact.later(FIRST_S))
    why = np.where(slowing.why != FINE, slowing.why, np.where(left.why != FINE, left.why, speed.why))
    best = _speed_after(speed.value, slowing.value, left.value)
    least = _speed_after(speed.lower, slowing.upper, left.upper)
    most = _speed_after(speed.upper, slowing.lower, left.lower)
    return Bounded(best, least, most, why.astype(np.int16), batch.contact.best + FIRST_S)


def _speed_after(speed_kt: np.ndarray, slowing_g: np.ndarray, distance_m: np.ndarray) -> np.ndarray:
    """Speed after a distance at constant deceleration, kt; 0 where it was too far to reach."""
    v = speed_kt * MPS_PER_KT
    return np.sqrt(np.maximum(v * v - 2 * slowing_g * MPS2_PER_G * np.maximum(distance_m, 0), 0)) / MPS_PER_KT


@measure(unit="ratio", needs=PLACED)
def landing_distance_factor(batch: Rollout) -> Bounded:
    """Landing distance available over what was used of it down to taxi speed.

    From the displaced threshold on. To be held, with caution, against stopping.FACTORS: 1.15 at time of arrival,
    1.67 and 1.92 in planning; those are of the manual's distances to a full stop.
    """
    left = batch.runway_left(batch.taxi_speed)
    available = batch.fact("runway_length_m") - np.nan_to_num(batch.fact("runway_displaced_m"))
    with np.errstate(divide="ignore", invalid="ignore"):
        value, lower, upper = (available / (available - x) for x in (left.value, left.lower, left.upper))
    factor = Bounded(value, lower, upper, left.why, left.at)
    used = available - left.upper > 0
    return factor.where(used, batch.reason("taxi speed was reached before the landing threshold"))


@measure(unit="m", needs=PLACED)
def room_by_condition_code_m(batch: Rollout) -> Bounded:
    """Runway left over, had wheel braking alone stopped it from 60 kt as the flight's runway condition code promises.

    Wheel-braking coefficients of AC 25-32 table 2, tyres of 200 psi; below 0 the runway would have been too short.
    """
    codes = batch.facts["runway_condition_code"].cast(pl.Int64).fill_null(-1).to_numpy()
    needed = np.full(batch.n, np.nan)
    for code in np.unique(codes[(codes >= 1) & (codes <= 6)]):
        needed[codes == code] = braking_distance_m(int(code), ROOM_FROM_KT)
    room = batch.runway_left(batch.speed_reached(ROOM_FROM_KT)).map(lambda left: left - needed)
    return room.where(~np.isnan(needed), batch.reason("the flight has no runway condition code from 1 to 6"))
