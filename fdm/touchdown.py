"""First contact of the main gear, bounces, settled contact, and whether the aeroplane stayed.

Contact is taken from the air/ground discretes of the main gear and narrowed by the vertical jolt where one stands
out; without discretes, from the radio height reaching its value on the ground. Every answer is a bounded instant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fdm.batch import Batch
from fdm.bounded import FINE, Bounded, Instants
from fdm.primitives import first, last
from fdm.signal import Signal
from fdm.windows import interpolate, time_above

SEARCH_BEFORE_S = 8.0  # around the anchor, first contact is looked for from here
SEARCH_AFTER_S = 15.0
HIGHEST_CONTACT_FT = 20.0  # a gear that says ground above this radio height is wrong
BOUNCE_WITHIN_S = 15.0  # contact lost later than this after first contact is not a bounce
JOLT_G = 0.12  # rise of normal acceleration over its mean before contact that counts as the jolt
JOLT_RISE_S = 0.25  # the jolt may take this long to build up after contact
FLYING_KT = 60.0

GEAR = ("main_gear_ground", "main_gear_ground.left", "main_gear_ground.right")


@dataclass(frozen=True)
class Touchdown:
    """contact, settled   instants of first and settled contact of the main gear, relative to the anchor
    by                 (n,) what contact was found from
    bounces            (n,) contacts lost and regained between contact and settled
    airborne_s         time airborne between them
    left_ground        instants of leaving the ground again for good (missing where the aeroplane stayed)
    """

    contact: Instants
    settled: Instants
    by: np.ndarray
    bounces: np.ndarray
    airborne_s: Bounded
    left_ground: Instants


def find_touchdown(batch: Batch) -> Touchdown:
    """Touchdown of every landing of a batch."""
    gears = [batch.signal(name) for name in GEAR if batch.has(name)]
    missing = batch.reason("no touchdown found: the main gear never shows a change from air to ground")
    if not gears:
        return _from_radio_height(batch)
    contacts = [_contact(batch, gear, missing) for gear in gears]
    contact = contacts[0]
    for other in contacts[1:]:
        contact = _sooner(contact, other)
    by = np.full(batch.n, "main gear", dtype=object)
    contact = _narrowed_by_jolt(batch, contact, by)
    gear = _either(gears)
    settled, bounces, airborne_s = _bounces(batch, gear, contact)
    left_ground = _left_ground(batch, gear, contact)
    return Touchdown(contact, settled, by, bounces, airborne_s, left_ground)


def _contact(batch: Batch, gear: Signal, missing: int) -> Instants:
    """First ground sample near the anchor that the radio height does not contradict."""
    ground = gear.values == 1
    if batch.has("radio_height"):
        ground = ground & ~(_at_samples(batch.signal("radio_height"), gear) > HIGHEST_CONTACT_FT)
    start = np.full(batch.n, -SEARCH_BEFORE_S)
    return first(gear, ground, start, start + SEARCH_BEFORE_S + SEARCH_AFTER_S, missing=missing)


def _at_samples(signal: Signal, like: Signal) -> np.ndarray:
    """A signal's nearest values at another one's sample times, (n, m) of the other."""
    time_s = like.start_s[:, None] + like.columns * np.float32(like.step_s)
    index = np.rint((time_s - signal.start_s[:, None]) / signal.step_s).astype(np.int64)
    inside = (index >= 0) & (index < signal.values.shape[1])
    values = np.take_along_axis(signal.values, np.clip(index, 0, signal.values.shape[1] - 1), axis=1)
    return np.where(inside, values, np.nan)


def _sooner(a: Instants, b: Instants) -> Instants:
    """The earlier of two instants, each possibly missing."""
    both = np.where((a.why != FINE) & (b.why != FINE), a.why, FINE).astype(np.int16)
    return Instants(np.fmin(a.best, b.best), np.fmin(a.earliest, b.earliest), np.fmin(a.latest, b.latest), both)


def _narrowed_by_jolt(batch: Batch, contact: Instants, by: np.ndarray) -> Instants:
    """Contact narrowed to the onset of the jolt, where one stands out inside the bounds."""
    if not batch.has("normal_acceleration"):
        return contact
    signal = batch.signal("normal_acceleration")
    if signal.step_s > JOLT_RISE_S:
        return contact
    calm = _mean_between(signal, contact.earliest - 2.0, contact.earliest)
    jolted = signal.values - calm[:, None] > JOLT_G
    seen = first(signal, jolted, contact.earliest, contact.latest + signal.step_s + JOLT_RISE_S, missing=1)
    earliest = np.maximum(contact.earliest, seen.earliest - JOLT_RISE_S)
    latest = np.minimum(contact.latest, seen.latest)
    use = (seen.why == FINE) & (contact.why == FINE) & (latest > earliest)
    use &= contact.latest - contact.earliest > latest - earliest
    by[use] = "main gear and jolt"
    earliest, latest = np.where(use, earliest, contact.earliest), np.where(use, latest, contact.latest)
    return Instants(np.where(use, (earliest + latest) / 2, contact.best), earliest, latest, contact.why)


def _mean_between(signal: Signal, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
    inside = (signal.columns >= signal.index_from(from_s)[:, None]) & (
        signal.columns < signal.index_from(to_s)[:, None]
    )
    inside &= signal.valid
    count = inside.sum(axis=1)
    total = np.where(inside, signal.values, 0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _either(gears: list[Signal]) -> Signal:
    """One discrete that says ground when any main gear does; sampled like the fastest of them."""
    gears = sorted(gears, key=lambda gear: gear.step_s)
    fastest = gears[0]
    values, lag_s = fastest.values, fastest.lag_s
    for other in gears[1:]:
        known = _at_samples(other, fastest)
        values = np.where(known == 1, np.int8(1), values).astype(np.int8)
        lag_s = np.maximum(lag_s, np.float32(other.step_s))
    return replace(fastest, name="main_gear_ground", values=values, lag_s=lag_s)


def _bounces(batch: Batch, gear: Signal, contact: Instants) -> tuple[Instants, np.ndarray, Bounded]:
    none = batch.reason("")
    airborne = gear.values == 0
    regained = last(gear, airborne, contact.latest, contact.latest + BOUNCE_WITHIN_S, missing=1)
    bounced = (regained.why == FINE) & _ground_after(gear, regained)
    settled = Instants(
        np.where(bounced, regained.best, contact.best),
        np.where(bounced, np.maximum(regained.earliest, contact.earliest), contact.earliest),
        np.where(bounced, regained.latest, contact.latest),
        contact.why,
    )
    airborne_s = time_above(_flipped(gear), 0.5, _late(contact), settled, missing=none).or_zero(~bounced)
    inside = (gear.columns >= gear.index_from(contact.latest)[:, None]) & (
        gear.columns <= gear.index_from(settled.latest)[:, None]
    )
    regains = (gear.values[:, 1:] == 1) & (gear.values[:, :-1] == 0) & inside[:, 1:]
    return settled, np.where(bounced, regains.sum(axis=1), 0), airborne_s.where(contact.why == FINE, contact.why)


def _late(contact: Instants) -> Instants:
    """Counting of time airborne starts at the first ground sample: before it the aeroplane was still arriving."""
    return Instants(contact.latest, contact.latest, contact.latest, contact.why)


def _flipped(gear: Signal) -> Signal:
    values = np.where(gear.values >= 0, 1 - gear.values, gear.values).astype(np.int8)
    return replace(gear, name="main_gear_air", values=values)


def _ground_after(gear: Signal, when: Instants) -> np.ndarray:
    index = np.clip(gear.index_from(when.latest), 0, gear.values.shape[1] - 1)
    return gear.values[np.arange(len(index)), index] == 1


def _left_ground(batch: Batch, gear: Signal, contact: Instants) -> Instants:
    """When the aeroplane flew again: the gear says air to the end of the stored landing at flying speed."""
    stayed = batch.reason("the aeroplane stayed on the ground")
    on_ground = gear.values == 1
    left = last(gear, on_ground, contact.earliest, missing=stayed)
    if batch.has("ground_speed"):
        speed = interpolate(batch.signal("ground_speed"), left.latest)
        left = left.where(~(speed < FLYING_KT), stayed)
    return left


def _from_radio_height(batch: Batch) -> Touchdown:
    missing = batch.reason("no touchdown found: neither main-gear air/ground nor radio height is recorded")
    nobody = batch.absent_instants(missing)
    nothing = np.zeros(batch.n, np.int64)
    by = np.full(batch.n, "", dtype=object)
    if not batch.has("radio_height"):
        return Touchdown(nobody, nobody, by, nothing, batch.absent(missing), nobody)
    height = batch.signal("radio_height")
    rest_ft = _mean_between(height, np.full(batch.n, 6.0), np.full(batch.n, 16.0))
    start = np.full(batch.n, -SEARCH_BEFORE_S)
    near = height.values <= (rest_ft + 1.0)[:, None]
    clear = height.values > (rest_ft + 4.0)[:, None]
    latest = first(height, near, start, start + SEARCH_BEFORE_S + SEARCH_AFTER_S, missing=missing)
    earliest = last(height, clear, start, latest.latest, missing=missing)
    contact = Instants((earliest.earliest + latest.latest) / 2, earliest.earliest, latest.latest, latest.why)
    by[:] = "radio height"
    stayed = batch.absent_instants(batch.reason("the aeroplane stayed on the ground"))
    unknown = batch.absent(batch.not_recorded("main_gear_ground"))
    return Touchdown(_narrowed_by_jolt(batch, contact, by), contact, by, nothing, unknown, stayed)
