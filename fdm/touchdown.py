"""First contact of the main gear, bounces, settled contact, and whether the aeroplane stayed.

Contact is taken from the air/ground discretes of the main gear, those held against the radio height, and narrowed by
the vertical jolt where one stands out; where they show no contact, from the radio height reaching its value on the
ground. A jolt shortly before the discretes say ground is the contact they missed: a bounce between their samples, or a
switch that comes late (tilting bogie). Every answer is a bounded instant.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from fdm.batch import Batch
from fdm.bounded import FINE, Bounded, Instants, pick, the_sooner
from fdm.hops import UNFELT_S, Hops, felt_hops, light_until, unfelt, usable
from fdm.jolt import COARSEST_S, jolt_between, rise_of
from fdm.primitives import first, last
from fdm.signal import Signal, counted, nearest_values
from fdm.windows import interpolate, time_above

SEARCH_BEFORE_S = 8.0  # around the anchor, first contact is looked for from here
SEARCH_AFTER_S = 15.0
REACH_FT = 12.0  # a gear that says ground further than this above the resting radio height is wrong ...
SINGLE_FT = 6.0  # ... and so is a single sample of ground this far above it
TOUCHING_FT, HOP_FT, HOP_RISES_S = 3.0, 3.0, 2.5  # ... unless it is this low and soon this much higher: a hop began
ALONE_S = 5.0  # without radio height, a ground sample is believed when others lie this near
ALONE_SHARE = 0.08
CLEAR_FT, DOWN_FT = 5.0, 1.0  # above its resting value: clearly in the air; as good as on the ground
FLOAT_S = 4.0  # an aeroplane may float so long as good as on the ground
TILT_S = 1.0  # radio height may come down so early, because of where its antenna sits on a pitched-up aeroplane
BOUNCE_WITHIN_S = 15.0  # contact lost later than this after first contact is not a bounce
STIR_G = 0.06  # an aeroplane in the air or just back strays this far from 1 g; rolling, it does not
MISSED_S = 2.5  # a jolt up to this long before the gear says ground is the contact that it missed ...
MISSED_JOLT_G = 0.25  # ... when it is this hard
LATE_S = 4.0  # ... and up to this long, however soft, when none is felt where the gear says ground
MISSED_FT = 4.0  # ... and the radio height within this of its resting value
CORE_S = 0.2  # the gear may follow so much behind in a hop
HIDING_STEP_S = 0.45  # a hop is not shorter than this: sampled more often, the gear sees it

FLYING_KT = 60.0
FLOWN_S = 2.5  # in the air for this long to the end of the stored landing: flown again
FLOWN_FT = 30.0

MISSED = "jolt before main gear"

GEAR = ("main_gear_ground", "main_gear_ground.left", "main_gear_ground.right")


@dataclass(frozen=True)
class Touchdown:
    """contact, settled   instants of first and settled contact of the main gear, relative to the anchor
    by                 (n,) what contact was found from
    bounces            contacts lost and regained between contact and settled
    airborne_s         time airborne between them
    left_ground        instants of leaving the ground again for good (missing where the aeroplane stayed)
    notes              row -> what the air/ground discretes said that was not believed, one sentence each
    """

    contact: Instants
    settled: Instants
    by: np.ndarray
    bounces: Bounded
    airborne_s: Bounded
    left_ground: Instants
    notes: Mapping[int, list[str]] = field(default_factory=dict)


@dataclass(frozen=True)
class _Gear:
    """The main gear as one discrete, sampled like the fastest: values, and which samples are believed to be ground."""

    signal: Signal
    ground: np.ndarray
    contact: Instants


def find_touchdown(batch: Batch) -> Touchdown:
    """Touchdown of every landing of a batch."""
    gears = [_gear(batch, batch.signal(name)) for name in GEAR if batch.has(name)]
    low = _from_radio_height(batch)
    by = np.full(batch.n, "radio height", dtype=object)
    if not gears:
        return _without_gear(batch, _narrowed(batch, low, by), by)
    gear = gears[0] if len(gears) == 1 else _joined(gears)
    by[gear.contact.happened] = "main gear"
    contact = _narrowed(batch, _or_radio_height(gear.contact, low, by), by)
    touchdown = _with_bounces(batch, gear, contact, by, _left_ground(batch, gear, contact))
    return replace(touchdown, notes=_notes(batch, gears, gear.contact, touchdown))


def _or_radio_height(contact: Instants, low: Instants, by: np.ndarray) -> Instants:
    """Contact by the gear; by radio height where the gear shows none, by both where the gear has a gap."""
    earliest, latest = np.fmax(contact.earliest, low.earliest), np.fmin(contact.latest, low.latest)
    both = contact.happened & (contact.why != FINE) & low.happened & (earliest < latest)
    by[both] = "main gear and radio height"
    chosen = pick(contact.happened | ~low.happened, contact, low)
    return _between(chosen, both, earliest, (earliest + latest) / 2, latest)


# the air/ground discretes ---------------------------------------------------------------------------------------------


def _gear(batch: Batch, signal: Signal) -> _Gear:
    ground = _believed(batch, signal)
    start = np.full(batch.n, -SEARCH_BEFORE_S)
    missing = batch.reason("no touchdown found: the main gear never shows a change from air to ground")
    contact = first(signal, ground, start, start + SEARCH_BEFORE_S + SEARCH_AFTER_S, missing=missing)
    already = np.isneginf(contact.earliest)
    return _Gear(signal, ground, contact.where(~already, missing))


def _believed(batch: Batch, gear: Signal) -> np.ndarray:
    """(n, m) ground samples that nothing contradicts.

    The radio height must allow them; where it says nothing, they must not stand alone. A single one between samples of
    air needs more: a radio height nearer to the ground, and some stir in normal acceleration where that is recorded.
    """
    ground = gear.values == 1
    window = round(ALONE_S / gear.step_s)
    near = _count_within(ground, window)
    believed = ground & (near >= max(2, ALONE_SHARE * (2 * window + 1)))
    single = ground & _beside(gear.values == 0)
    if batch.has("radio_height"):
        above_ft = nearest_values(batch.signal("radio_height"), gear) - _resting_ft(batch)[:, None]
        reach_ft = np.where(single, SINGLE_FT, REACH_FT)
        believed = np.where(np.isnan(above_ft), believed, ground & ~(above_ft > reach_ft))
    rows = np.flatnonzero(single.any(axis=1))
    calm = _calm(batch, gear, rows, rising=True)
    if batch.has("radio_height") and len(rows):
        calm &= ~_hops_from(batch.signal("radio_height").rows(rows), gear.rows(rows), _resting_ft(batch)[rows])
    believed[rows] &= ~(single[rows] & calm)
    return believed


def _hops_from(height: Signal, gear: Signal, resting_ft: np.ndarray) -> np.ndarray:
    """(n, m) gear samples as good as on the ground by radio height, and well above it within HOP_RISES_S of that."""
    above_ft = height.values - resting_ft[:, None]
    samples = max(1, round(HOP_RISES_S / height.step_s))
    ahead = np.pad(above_ft, ((0, 0), (0, samples)), constant_values=np.nan)
    width = above_ft.shape[1]
    highest = np.fmax.reduce([ahead[:, i : i + width] for i in range(samples + 1)])
    with np.errstate(invalid="ignore"):
        rises = (above_ft <= TOUCHING_FT) & (highest > above_ft + HOP_FT)
    return nearest_values(replace(height, values=rises.astype(np.int8)), gear) == 1


def _beside(flags: np.ndarray) -> np.ndarray:
    """(n, m) true where both neighbours' flags hold."""
    between = np.zeros(flags.shape, bool)
    between[:, 1:-1] = flags[:, :-2] & flags[:, 2:]
    return between


def _count_within(flags: np.ndarray, window: int, ahead: int | None = None) -> np.ndarray:
    """How many flags hold within so many columns of each, itself included; `ahead`: that many after it instead."""
    behind = window if ahead is None else ahead
    total = np.cumsum(np.pad(flags, ((0, 0), (window + 1, behind))), axis=1, dtype=np.int32)
    return total[:, window + behind + 1 :] - total[:, : -(window + behind + 1)]


def _resting_ft(batch: Batch) -> np.ndarray:
    """(n,) what the radio height shows with the wheels on the ground: the low end of what it shows around contact."""
    around = np.full(batch.n, -5.0), np.full(batch.n, 16.0)
    height = batch.signal("radio_height").part(*around)
    begin, end = (height.index_from(time_s)[:, None] for time_s in around)
    values = np.where((height.columns >= begin) & (height.columns < end), height.values, np.nan)
    ordered = np.sort(values, axis=1)
    count: np.ndarray = (~np.isnan(ordered)).sum(axis=1)
    return ordered[np.arange(batch.n), (np.maximum(count - 1, 0) * 0.1).astype(np.int64)]


def _joined(gears: list[_Gear]) -> _Gear:
    """One discrete that says ground when any main gear does; sampled like the fastest of them."""
    gears = sorted(gears, key=lambda gear: gear.signal.step_s)
    signal, ground, contact = gears[0].signal, gears[0].ground, gears[0].contact
    values, lag_s = signal.values, signal.lag_s
    for other in gears[1:]:
        state = np.where(other.ground, np.int8(1), other.signal.values)
        known = nearest_values(replace(other.signal, values=state), signal)
        ground = ground | (known == 1)
        values = np.maximum(values, known).astype(np.int8)
        lag_s = np.maximum(lag_s, np.float32(other.signal.step_s))
        contact = the_sooner(contact, other.contact)
    return _Gear(replace(signal, name="main_gear_ground", values=values, lag_s=lag_s), ground, contact)


# first contact --------------------------------------------------------------------------------------------------------


def _narrowed(batch: Batch, contact: Instants, by: np.ndarray) -> Instants:
    """Contact narrowed to the jolt, or moved to a hard one shortly before; `by` is told."""
    if not batch.has("normal_acceleration"):
        return contact
    signal = batch.signal("normal_acceleration")
    if signal.step_s > COARSEST_S:
        return contact
    inside = jolt_between(signal, contact.earliest, contact.latest + signal.step_s)
    missed = jolt_between(signal, contact.earliest - MISSED_S, contact.earliest, MISSED_JOLT_G)
    plain = contact.happened & (by == "main gear")
    use = missed.found & plain & _low_at(batch, missed.latest)
    silent = plain & ~use & ~inside.found
    if silent.any():  # a switch that came late: nothing was felt when it did
        soft = jolt_between(signal, contact.earliest - LATE_S, contact.earliest)
        found = soft.found & silent & _low_at(batch, soft.latest)
        missed, use = missed.instead(soft, found), use | found
    contact = _between(contact, use, missed.earliest, missed.best, missed.latest)
    by[use] = MISSED
    earliest, latest = np.fmax(contact.earliest, inside.earliest), np.fmin(contact.latest, inside.latest)
    use = inside.found & contact.happened & ~use & (latest > earliest)
    use &= latest - earliest < contact.latest - contact.earliest - 1e-3
    by[use] = [f"{what} and jolt" for what in by[use]]
    return _between(contact, use, earliest, np.clip(inside.best, earliest, latest), latest)


def _between(
    contact: Instants, use: np.ndarray, earliest: np.ndarray, best: np.ndarray, latest: np.ndarray
) -> Instants:
    return pick(use, Instants(best, earliest, latest, np.zeros(len(use), np.int16)), contact)


def _low_at(batch: Batch, time_s: np.ndarray) -> np.ndarray:
    if not batch.has("radio_height"):
        return np.zeros(batch.n, bool)
    return interpolate(batch.signal("radio_height"), time_s) - _resting_ft(batch) <= MISSED_FT


def _from_radio_height(batch: Batch) -> Instants:
    """Contact by radio height: between its last sample clearly above the resting value and soon after any above."""
    if not batch.has("radio_height"):
        missing = batch.reason("no touchdown found: neither main-gear air/ground nor radio height is recorded")
        return batch.absent_instants(missing)
    missing = batch.reason("no touchdown found: the radio height never comes down to its value on the ground")
    height = batch.signal("radio_height")
    above_ft = height.values - _resting_ft(batch)[:, None]
    start = np.full(batch.n, -SEARCH_BEFORE_S)
    with np.errstate(invalid="ignore"):
        down = first(height, above_ft <= DOWN_FT, start, start + SEARCH_BEFORE_S + SEARCH_AFTER_S, missing=missing)
        clear = last(height, above_ft > CLEAR_FT, start, down.latest, missing=missing)
        lowered = last(height, above_ft > DOWN_FT, start, down.latest + FLOAT_S, missing=missing)
    latest = np.fmax(down.latest, lowered.latest) + TILT_S
    best = np.clip(down.latest, clear.earliest, latest)
    return Instants(best, clear.earliest, latest, clear.why).where(clear.happened & down.happened, missing)


# bounces, and flying again --------------------------------------------------------------------------------------------


def _with_bounces(batch: Batch, gear: _Gear, contact: Instants, by: np.ndarray, left_ground: Instants) -> Touchdown:
    known = gear.contact.happened
    missed = by == MISSED  # contact was before the gear said so
    until = np.fmin(contact.latest + BOUNCE_WITHIN_S, left_ground.earliest - 1e-3)
    airborne, doubtful = _airborne_flags(batch, gear, contact)
    regained = last(gear.signal, airborne, gear.contact.latest, until, missing=0).where(known, 0)
    hops = _felt_hops(batch, gear, contact, until)
    settled = pick(missed, replace(contact, latest=gear.contact.latest), contact)
    settled = pick(regained.happened, regained, _unfelt_later(batch, gear, settled, missed))
    settled = _or_later(gear.signal, _settled_by(hops, settled, regained), doubtful)
    inside = _columns_between(gear.signal, gear.contact.latest + 0.5 * gear.signal.step_s, regained.latest)
    returns = (airborne[:, :-1] & gear.ground[:, 1:] & inside[:, 1:]).sum(axis=1) * regained.happened
    count = returns.astype(np.float64)
    most = np.maximum(count, hops.count)
    bounces = Bounded(most, count, most + 1 + counted(doubtful), contact.why)
    airborne_s = _airborne(gear, contact, regained, airborne, missed, hops)
    perhaps_s = 2 * gear.signal.step_s * counted(doubtful)
    airborne_s = replace(airborne_s, upper=airborne_s.upper + perhaps_s)
    unknown = np.where(contact.happened, batch.reason("a bounce cannot be told from radio height"), contact.why)
    return Touchdown(contact, settled, by, bounces.where(known, unknown), airborne_s.where(known, unknown), left_ground)


def _airborne_flags(batch: Batch, gear: _Gear, contact: Instants) -> tuple[np.ndarray, np.ndarray]:
    """(n, m) samples of air after contact that nothing contradicts; and lone ones during which no hop was felt."""
    airborne = gear.signal.valid & ~gear.ground
    in_question = _columns_between(gear.signal, gear.contact.latest, contact.latest + BOUNCE_WITHIN_S)
    rows = np.flatnonzero((airborne & in_question).any(axis=1))
    airborne[rows] &= ~_surely_rolling(batch, gear.signal, rows)
    lone = airborne & in_question & _beside(gear.ground)
    row, column = np.nonzero(lone)
    felt = _normal(batch)
    if len(row) and felt is not None:
        time_s, step_s = gear.signal.start_s[row] + column * gear.signal.step_s, gear.signal.step_s
        lone[row, column] = unfelt(felt.rows(row), time_s - step_s, time_s + step_s)
        return airborne & ~lone, lone
    return airborne, np.zeros_like(airborne)


def _or_later(gear: Signal, settled: Instants, doubtful: np.ndarray) -> Instants:
    """Settled contact may be as late as the sample after the last doubtful one of air."""
    rows = np.flatnonzero(doubtful.any(axis=1))
    if not len(rows):
        return settled
    latest = settled.latest.copy()
    last_doubt = doubtful.shape[1] - 1 - np.argmax(doubtful[rows, ::-1], axis=1)
    latest[rows] = np.maximum(latest[rows], gear.start_s[rows] + (last_doubt + 1) * gear.step_s)
    return replace(settled, latest=latest)


def _normal(batch: Batch) -> Signal | None:
    """Normal acceleration, where it is sampled often enough to feel contacts."""
    signal = batch.signal("normal_acceleration") if batch.has("normal_acceleration") else None
    return signal if usable(signal) else None


def _felt_hops(batch: Batch, gear: _Gear, contact: Instants, until: np.ndarray) -> Hops:
    """Hops by normal acceleration that the gear does not deny: it says ground during one no more often than air."""
    nothing = batch.reason("no hop was felt")
    signal = _normal(batch)
    if signal is None:
        zero = np.zeros(batch.n)
        return Hops(zero, zero, batch.absent_instants(nothing), zero)
    hops = felt_hops(signal, contact.latest, until, nothing)
    rows = np.flatnonzero(hops.count > 0)
    during = _columns_between(gear.signal, hops.from_s + CORE_S, hops.regained.latest - CORE_S)[rows]
    ground = (during & gear.ground[rows]).sum(axis=1)
    denied = np.zeros(batch.n, bool)
    denied[rows] = (ground > 1) & (2 * ground > (during & gear.signal.valid[rows]).sum(axis=1))
    kept = ~denied
    return Hops(hops.count * kept, hops.felt_s * kept, hops.regained.where(kept, nothing), hops.from_s)


def _unfelt_later(batch: Batch, gear: _Gear, settled: Instants, missed: np.ndarray) -> Instants:
    """Settled contact may be later by a hop between two samples of the gear, where acceleration does not deny it."""
    if gear.signal.step_s < HIDING_STEP_S:
        return settled
    signal, most_s = _normal(batch), settled.latest + gear.signal.step_s
    if signal is not None:
        light_s = light_until(signal, settled.latest, most_s)
        most_s = np.where(signal.recorded, np.fmax(np.fmin(light_s, most_s), settled.latest), most_s)
    return replace(settled, latest=np.where(missed, settled.latest, most_s))


def _settled_by(hops: Hops, settled: Instants, regained: Instants) -> Instants:
    """Settled contact by the last hop felt, together with what the gear says of it, unless the gear shows a later."""
    hop = hops.regained
    earliest, latest = np.fmax(hop.earliest, regained.earliest), np.fmin(hop.latest, regained.latest)
    both = hop.happened & regained.happened & (earliest < latest)
    use = hop.happened & ~(regained.happened & (regained.earliest >= hop.latest))
    return _between(pick(use, hop, settled), both, earliest, np.clip(hop.best, earliest, latest), latest)


def _notes(batch: Batch, gears: list[_Gear], said: Instants, touchdown: Touchdown) -> dict[int, list[str]]:
    """Sentences on what the discretes said that was not believed, by row; `said`, contact as they said it."""
    contact, notes = touchdown.contact, dict[int, list[str]]()
    quiet = (touchdown.bounces.value == 0) & contact.happened
    for gear in gears:
        signal = gear.signal
        before = _columns_between(signal, np.full(batch.n, -np.inf), contact.earliest)
        after = _columns_between(signal, said.latest, contact.latest + BOUNCE_WITHIN_S) & quiet[:, None]
        in_air = (signal.values == 1) & ~gear.ground & before
        rolling = (signal.values == 0) & _beside(signal.values == 1) & after
        for flags, what in ((in_air, "ground in the air"), (rolling, "air while rolling")):
            for row in np.flatnonzero(flags.any(axis=1) & contact.happened):
                columns = np.flatnonzero(flags[row])[[0, -1]]
                ends = (signal.start_s[row] + signal.step_s * columns - contact.latest[row]).tolist()
                text = f"{signal.name} says {what} from {ends[0]:.1f} to {ends[1]:.1f} s after touchdown; not believed"
                notes.setdefault(int(row), []).append(text)
    for row in np.flatnonzero((touchdown.by == MISSED) & quiet):
        behind_s = said.latest[row] - contact.latest[row]
        text = f"air/ground says ground only {behind_s:.1f} s after the jolt of touchdown; the jolt is believed"
        notes.setdefault(int(row), []).append(text)
    return notes


def _airborne(
    gear: _Gear,
    contact: Instants,
    regained: Instants,
    airborne: np.ndarray,
    missed: np.ndarray,
    hops: Hops,
) -> Bounded:
    """Time airborne between first and settled contact: seen in samples, and at most so much between them."""
    again = pick(regained.happened, regained, gear.contact)
    flag = np.where(gear.signal.valid, airborne.astype(np.int8), np.int8(-1))
    from_contact = gear.contact.map(lambda _: gear.contact.latest, np.zeros(len(missed), np.int16))
    seen = time_above(replace(gear.signal, values=flag), 0.5, from_contact, again, missing=0)
    seen = seen.or_zero(~regained.happened)
    unseen_s = np.where(missed, gear.contact.latest, contact.latest) - contact.earliest
    unseen_s = np.where(regained.happened & ~missed, 0, np.fmax(unseen_s, gear.signal.step_s))
    value = np.maximum(seen.value, hops.felt_s)
    upper = np.maximum(seen.upper + unseen_s, np.where(hops.count > 0, hops.felt_s + 2 * UNFELT_S, 0))
    felt_s = np.where(hops.count > 0, hops.from_s, contact.best)
    return Bounded(value, seen.lower, upper, seen.why, np.where(seen.value > 0, seen.at_s, felt_s))


def _surely_rolling(batch: Batch, gear: Signal, rows: np.ndarray) -> np.ndarray:
    """(rows, m) true at samples around which the nose gear was down, or the aeroplane felt no more than 1 g.

    A main gear that says air then is chattering.
    """
    rolling = _calm(batch, gear, rows)
    if batch.has("nose_gear_ground"):
        rolling |= nearest_values(batch.signal("nose_gear_ground").rows(rows), gear.rows(rows)) == 1
    return rolling


def _calm(batch: Batch, gear: Signal, rows: np.ndarray, *, rising: bool = False) -> np.ndarray:
    """(rows, m) true at samples around which normal acceleration is known and stays at 1 g: nothing touched or left.

    rising   it may be off 1 g, as in a flare, as long as it does not rise sharply: nothing touched
    """
    gear = gear.rows(rows)
    if not batch.has("normal_acceleration") or batch.signal("normal_acceleration").step_s > COARSEST_S:
        return np.zeros(gear.values.shape, bool)
    signal = batch.signal("normal_acceleration").rows(rows)
    with np.errstate(invalid="ignore"):
        felt = (rise_of(signal) if rising else np.abs(signal.values - 1.0)) > STIR_G
    window = int(np.ceil((gear.step_s + 0.1) / signal.step_s))
    ahead = int(np.ceil(0.1 / signal.step_s)) if rising else window  # what was touched, was touched by then
    stirs, known = (_count_within(flags, window, ahead) for flags in (felt, signal.valid))
    calm = np.where((stirs == 0) & (known > window), np.int8(1), np.int8(0))
    return nearest_values(replace(signal, values=calm), gear) == 1


def _columns_between(signal: Signal, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
    return signal.inside(signal.index_from(from_s), signal.index_past(to_s))


def _left_ground(batch: Batch, gear: _Gear, contact: Instants) -> Instants:
    """When the aeroplane flew again: the gear says air to the end of the stored landing, at flying speed."""
    stayed = batch.reason("the aeroplane stayed on the ground")
    left = last(gear.signal, gear.ground, contact.earliest, missing=stayed)
    end_s = gear.signal.time(gear.signal.last_column)
    gone = left.happened & (end_s - left.latest >= np.fmax(FLOWN_S - gear.signal.step_s, 0))
    return left.where(gone & _flying(batch, left.latest), stayed)


def _flying(batch: Batch, time_s: np.ndarray) -> np.ndarray:
    """(n,) true where the speed just after a moment is a flying one; by radio height where there is no speed."""
    if batch.has("ground_speed"):
        return ~(interpolate(batch.signal("ground_speed"), time_s) < FLYING_KT)
    if batch.has("radio_height"):
        return _risen(batch)
    return np.zeros(batch.n, bool)


def _risen(batch: Batch) -> np.ndarray:
    """(n,) true where the stored landing ends in the air by radio height."""
    height = batch.signal("radio_height")
    final = height.values[np.arange(batch.n), height.last_column]
    return final - _resting_ft(batch) > FLOWN_FT


def _without_gear(batch: Batch, contact: Instants, by: np.ndarray) -> Touchdown:
    unknown = batch.not_recorded("main_gear_ground")
    stayed = batch.reason("the aeroplane stayed on the ground")
    left = batch.absent_instants(stayed)
    if batch.has("radio_height"):
        height = batch.signal("radio_height")
        low = height.values - _resting_ft(batch)[:, None] <= REACH_FT
        left = last(height, low, contact.earliest, missing=stayed)
        left = left.where(left.happened & _risen(batch), stayed)
    settled = _settled_as_felt(batch, contact, left)
    return Touchdown(contact, settled, by, batch.absent(unknown), batch.absent(unknown), left)


def _settled_as_felt(batch: Batch, contact: Instants, left_ground: Instants) -> Instants:
    """Settled contact where no gear tells: after the last hop felt, and as late as one may have been there unfelt."""
    signal = _normal(batch)
    if signal is None:
        return contact
    until = np.fmin(contact.latest + BOUNCE_WITHIN_S, left_ground.earliest - 1e-3)
    hops = felt_hops(signal, contact.latest, until, batch.reason("no hop was felt")).regained
    settled = pick(hops.happened, hops, contact)
    light_s = light_until(signal, settled.latest, np.fmin(settled.latest + FLOAT_S, until))
    either = batch.reason("whether it hopped after first contact cannot be told without air/ground")
    perhaps = settled.happened & (light_s > settled.latest + HIDING_STEP_S)
    best, why = np.where(perhaps, np.nan, settled.best), np.where(perhaps, np.int16(either), settled.why)
    return Instants(best, settled.earliest, np.fmax(settled.latest, light_s), why)
