"""Parameters held against each other: what cannot all be true is not believed, and is left out of the landing.

Each check names the parameters it doubts, the landings, and why in words; a batch then treats them as not recorded
there. Limits are common practice without a source unless one is named.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from fdm.frames import Block, samples_between
from fdm.signal import changes, counted, middle
from fdm.units import MPS_PER_KT

M_PER_DEG = 111_195.0
LEAST_BIAS_KT = 8.0  # ground speed may differ from the speed of the positions by this much
APPROACH_RATIO = (0.62, 1.6)  # of ground speed to airspeed; 40 kt of wind at 110 kt lies inside, a wrong unit outside
WIND_BIAS_KT = 20.0
APPROACH_LAST_S = (-15.0, -1.0)
POSITIONS_S = (-10.0, 20.0)  # the fast part of a landing, relative to the anchor
FEWEST_SAMPLES = 6
STAYS_ABOVE = {"n1": 6.0, "epr": 0.06}
STAYS_S = 10.0
TAXIING_KT = 30.0
SPOILERS_UP_S = (2.0, 16.0)
HUNDREDTHS = (0.012, 0.06)  # a handle or panel that is not moved stays within the first; a degree of 60 is the second
FEWEST_STILL = 30  # samples that are one number before it is called stuck
CONTRADICTING_SAMPLES = 2
SLOWEST_APPROACH_KT = 85.0  # no jet airliner flies an approach more slowly over the ground without a strong wind
APPROACH_S, FLARE_S, TAXI_BY_S = 20.0, 6.0, 30.0  # before, before and after the anchor
DOWN_SHARE, RAISED_SHARE = 0.05, 0.05  # spoilers down; a reverse lever that left its stop
RESTING_S = ((-25.0, -6.0), (6.0, 25.0))  # steady on approach, and rolling: both at 1 g on average
DATUM_G, ALIKE_G = 0.05, 0.05


@dataclass(frozen=True)
class Doubt:
    """Parameters that are not believed on some landings, and why.

    rows        (n,) true where
    sentence    of a landing's row
    when        of a landing's row: from and to, relative to the anchor; None where it lasts for the whole recording
    """

    parameters: tuple[str, ...]
    rows: np.ndarray
    sentence: Callable[[int], str]
    when: Callable[[int], tuple[float, float]] | None = None


def doubts(block: Block) -> Iterator[Doubt]:
    """Every doubt about a block's parameters."""
    yield from _standing_still(block)
    yield from _power_that_stays(block)
    yield from _spoilers_by_hundredths(block)
    yield from _stuck_reversers(block)
    yield from _left_where_they_stood(block)
    yield from _contradictions(block)
    yield from _ground_speed_against_airspeed(block)
    yield from _ground_speed_against_positions(block)
    yield from _ground_speed_alone(block)


def _same(sentence: str) -> Callable[[int], str]:
    return lambda _row: sentence


def _values(block: Block, name: str) -> np.ndarray | None:
    return block.values.get(name)


def _standing_still(block: Block) -> Iterator[Doubt]:
    """What cannot be one number from the approach to the taxiway: ground speed and the power of an engine."""
    engines = range(1, block.layout.engines + 1)
    for name in ("ground_speed", *(f"{power}.{engine}" for power in ("n1", "epr") for engine in engines)):
        values = _values(block, name)
        if values is None:
            continue
        long = (counted(~np.isnan(values)) >= FEWEST_STILL) & (block.start_s[name] < -APPROACH_S)
        still = long & ~changes(values)
        yield Doubt((name,), still, _same(f"{name} never changes from the approach to the end of data"))
    for name in ("spoiler_handle", "spoiler_panel"):  # down all the time they may have been
        if name in block.values:
            still = _throughout(block, name, block.values[name] > DOWN_SHARE) & ~changes(block.values[name])
            yield Doubt((name,), still, _same(f"{name} never changes from the approach to the end of data"))


def _left_where_they_stood(block: Block) -> Iterator[Doubt]:
    """What cannot last from the approach into the taxi: autothrottle, which reverse drops, and levers in reverse."""
    levers = tuple(f"reverse_lever.{engine}" for engine in block.layout.reversers)
    for name, reads in (("autothrottle_engaged", "engaged"), *((lever, "in reverse") for lever in levers)):
        if name in block.values:
            values = block.values[name]
            on = values == 1 if values.dtype == np.int8 else values > RAISED_SHARE
            rows = _throughout(block, name, on)
            yield Doubt((name,), rows, _same(f"{name} reads {reads} from the approach to the end of data"))


def _throughout(block: Block, name: str, flags: np.ndarray) -> np.ndarray:
    """(n,) whether all samples have a flag, from before the flare to well after touchdown."""
    values, step = block.values[name], dict(block.layout.steps)[name]
    known = values >= 0 if values.dtype == np.int8 else ~np.isnan(values)
    last_s = block.start_s[name] + step * (values.shape[1] - 1 - np.argmax(known[:, ::-1], axis=1))
    lasts = (block.start_s[name] < -FLARE_S) & (last_s > TAXI_BY_S)
    return np.asarray(lasts & known.any(axis=1) & (flags == known).all(axis=1))


def _power_that_stays(block: Block) -> Iterator[Doubt]:
    """An engine whose reverser was out and is in, and that stays at one value into the taxi, above another's idle.

    No other engine: one left at forward power against the other's reverse has ended landings beyond the runway.
    """
    if "ground_speed" not in block.values:
        return
    slow = _end_level(block, "ground_speed")[0] < TAXIING_KT
    for power, above in STAYS_ABOVE.items():
        engines = [e for e in range(1, block.layout.engines + 1) if f"{power}.{e}" in block.values]
        ends = {e: _end_level(block, f"{power}.{e}") for e in engines}
        for engine in engines if len(engines) > 1 else ():
            level, for_s = ends[engine]
            lowest = np.fmin.reduce([ends[other][0] for other in engines if other != engine])
            with np.errstate(invalid="ignore"):
                rows = (level - lowest > above) & (for_s >= STAYS_S) & slow & _out_and_in(block, engine)
            name = f"{power}.{engine}"
            yield Doubt((name,), rows, _stays(name, level), _till_the_end(block, name, for_s))


def _stays(name: str, level: np.ndarray) -> Callable[[int], str]:
    return lambda row: f"{name} stays at {level[row]:.3g} to the end of data"


def _till_the_end(block: Block, name: str, for_s: np.ndarray) -> Callable[[int], tuple[float, float]]:
    """The last so many seconds of a parameter."""
    values, start_s, step = block.values[name], block.start_s[name], dict(block.layout.steps)[name]

    def when(row: int) -> tuple[float, float]:
        end_s = float(start_s[row]) + float(np.flatnonzero(~np.isnan(values[row]))[-1]) * step
        return end_s - float(for_s[row]), end_s

    return when


def _out_and_in(block: Block, engine: int) -> np.ndarray:
    """(n,) whether an engine's reverser read out, and all its discretes read in at last."""
    rows = block.facts.height
    out, back = np.zeros(rows, bool), np.ones(rows, bool)
    for name in (f"reverser_state.{engine}", f"reverser_unlocked.{engine}", f"reverser_deployed.{engine}"):
        if name in block.values:
            out |= (block.values[name] >= 1).any(axis=1)
            back &= _end_level(block, name)[0] < 1
    return out & back


def _end_level(block: Block, name: str) -> tuple[np.ndarray, np.ndarray]:
    """(n,) the last value of a parameter, and for how many seconds it has been exactly that."""
    values, step = block.values[name], dict(block.layout.steps)[name]
    known = values >= 0 if values.dtype == np.int8 else ~np.isnan(values)
    last = values.shape[1] - 1 - np.argmax(known[:, ::-1], axis=1)
    level = np.where(known.any(axis=1), values[np.arange(len(values)), last], np.float32(np.nan))
    other = known & (values != level[:, None])
    before = np.where(other.any(axis=1), values.shape[1] - 1 - np.argmax(other[:, ::-1], axis=1), -1)
    return level, (last - before - 1) * step


def _spoilers_by_hundredths(block: Block) -> Iterator[Doubt]:
    """Spoilers that move after touchdown, but by a few hundredths of their travel, are in another unit."""
    for name in ("spoiler_handle", "spoiler_panel"):
        if _values(block, name) is None:
            continue
        before, after = (_stretch(block, name, *seconds) for seconds in (APPROACH_LAST_S, SPOILERS_UP_S))
        resting = middle(before)
        moved = middle(after) - resting
        highest = np.fmax.reduce(after, axis=1, initial=-np.inf)  # they may have been lowered early
        with np.errstate(invalid="ignore"):
            rows = (moved > HUNDREDTHS[0]) & (highest - resting < HUNDREDTHS[1])
        yield Doubt((name,), rows, _moves(name, moved))


def _moves(name: str, moved: np.ndarray) -> Callable[[int], str]:
    return lambda row: f"{name} moves by {moved[row]:.1%} of its travel at touchdown; its unit or full_travel is wrong"


def _stuck_reversers(block: Block) -> Iterator[Doubt]:
    """A reverser that reads out from the first sample of the approach to the last is a stuck discrete."""
    for engine in block.layout.reversers:
        for name in (f"reverser_state.{engine}", f"reverser_deployed.{engine}", f"reverser_unlocked.{engine}"):
            values = _values(block, name)
            if values is None:
                continue
            known, out = values >= 0, values >= 1
            rows = known.any(axis=1) & (out == known).all(axis=1)
            long = (block.start_s[name] < -APPROACH_S) | _throughout(block, name, out)
            yield Doubt((name,), rows & long, _same(f"{name} reads out from the approach to the end of data"))


def _contradictions(block: Block) -> Iterator[Doubt]:
    """Deployed and locked at once."""
    for engine in block.layout.reversers:
        names = f"reverser_deployed.{engine}", f"reverser_unlocked.{engine}"
        deployed, unlocked = (_values(block, name) for name in names)
        if deployed is None or unlocked is None:
            continue
        row, column = np.nonzero(deployed == 1)
        steps = dict(block.layout.steps)
        time_s = block.start_s[names[0]][row] + column * np.float32(steps[names[0]])
        position = (time_s - block.start_s[names[1]][row]) / steps[names[1]]
        last = unlocked.shape[1] - 1
        before, behind = (unlocked[row, np.clip(f(position), 0, last).astype(np.int64)] for f in (np.floor, np.ceil))
        wrong = (before == 0) & (behind == 0)
        rows = np.bincount(row[wrong], minlength=len(deployed)) >= CONTRADICTING_SAMPLES
        ends = _ends(row[wrong], time_s[wrong], len(deployed))
        yield Doubt(names, rows, _same(f"reverser {engine} reads deployed and locked at once"), ends)


def _ends(row: np.ndarray, time_s: np.ndarray, n: int) -> Callable[[int], tuple[float, float]]:
    """The first and the last of some times, by row."""
    first, last = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(first, row, time_s)
    np.maximum.at(last, row, time_s)
    return lambda number: (float(first[number]), float(last[number]))


def datum_off_g(block: Block) -> np.ndarray:
    """(n,) how far normal acceleration rests off 1 g on approach and in the rollout alike; 0 where it does not."""
    means = [_mean_of(block, "normal_acceleration", *window) for window in RESTING_S]
    with np.errstate(invalid="ignore"):
        alike = np.abs(means[0] - means[1]) < ALIKE_G
        off = (means[0] + means[1]) / 2 - 1.0
        return np.where(alike & (np.abs(off) > DATUM_G), off, 0.0)


def _mean_of(block: Block, name: str, from_s: float, to_s: float) -> np.ndarray:
    """(n,) mean of the samples around a stretch of time; NaN where one is missing."""
    _, values = samples_between(block, name, from_s, to_s)
    return values.mean(axis=1, dtype=np.float64) if values.shape[1] else np.full(len(values), np.nan)


def _ground_speed_against_airspeed(block: Block) -> Iterator[Doubt]:
    """On approach, ground speed and airspeed differ by the wind; a factor is a unit."""
    speed, air = _approach(block, "ground_speed"), _approach(block, "airspeed")
    if speed is None or air is None:
        return
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = speed / air
        rows = (air > 70) & ((ratio < APPROACH_RATIO[0]) | (ratio > APPROACH_RATIO[1]))
    yield Doubt(
        ("ground_speed",),
        rows,
        lambda row: f"ground speed is {ratio[row]:.2f} times the airspeed on approach; its unit or source is wrong",
    )
    wind, origin, heading = (_approach(block, name) for name in ("wind_speed", "wind_from", "heading"))
    if wind is None or origin is None or heading is None:
        return
    with np.errstate(invalid="ignore"):
        off = speed - (air - wind * np.cos(np.radians(origin - heading)))
        biased = ~rows & (np.abs(off) > WIND_BIAS_KT)
    yield Doubt(
        ("ground_speed",),
        biased,
        lambda row: f"ground speed is {off[row]:+.0f} kt off airspeed and wind on approach",
    )


def _approach(block: Block, name: str) -> np.ndarray | None:
    """(n,) middle value of the last 15 s before the anchor; NaN where there is none."""
    return None if _values(block, name) is None else middle(_stretch(block, name, *APPROACH_LAST_S))


def _stretch(block: Block, name: str, from_s: float, to_s: float) -> np.ndarray:
    """(n, m) samples of a stretch of time relative to the anchor; NaN for those outside it."""
    time_s, values = samples_between(block, name, from_s, to_s)
    return np.where((time_s > from_s) & (time_s < to_s), values, np.float32(np.nan))


def _ground_speed_alone(block: Block) -> Iterator[Doubt]:
    """Where neither airspeed nor positions can tell, an approach too slow to be flown is a wrong unit."""
    speed = _approach(block, "ground_speed")
    if speed is None:
        return
    told = _approach(block, "airspeed")
    alone = np.ones(len(speed), bool) if told is None else np.isnan(told)
    if _values(block, "latitude") is not None:
        alone &= np.isnan(block.values["latitude"]).all(axis=1)
    with np.errstate(invalid="ignore"):
        slow = alone & (speed < SLOWEST_APPROACH_KT)
    yield Doubt(
        ("ground_speed",),
        slow,
        lambda row: (
            f"ground speed is {speed[row]:.0f} kt on approach, too slow to be flown; its unit may be m/s, and neither "
            "airspeed nor positions are recorded to tell"
        ),
    )


def _ground_speed_against_positions(block: Block) -> Iterator[Doubt]:
    """Over the fast part of the rollout, the distance by ground speed is the distance between positions."""
    speed, latitude = (_values(block, name) for name in ("ground_speed", "latitude"))
    if speed is None or latitude is None or _values(block, "longitude") is None:
        return
    time_s, latitude = samples_between(block, "latitude", *POSITIONS_S)
    at_s, speed = samples_between(block, "ground_speed", *POSITIONS_S)
    if not latitude.size:
        return
    longitude = _longitude_at(block, time_s)
    inside = ~np.isnan(latitude + longitude) & (time_s > POSITIONS_S[0]) & (time_s < POSITIONS_S[1])
    rows = np.arange(len(speed))
    first, last = np.argmax(inside, axis=1), inside.shape[1] - 1 - np.argmax(inside[:, ::-1], axis=1)
    north = (latitude[rows, last] - latitude[rows, first]) * M_PER_DEG
    east = (longitude[rows, last] - longitude[rows, first]) * M_PER_DEG * np.cos(np.radians(latitude[rows, first]))
    start_s, end_s = time_s[rows, first], time_s[rows, last]
    during = ~np.isnan(speed) & (at_s >= start_s[:, None]) & (at_s <= end_s[:, None])
    samples = during.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_kt = np.where(during, speed, 0).sum(axis=1) / samples
        off = mean_kt - np.hypot(north, east) / (end_s - start_s) / MPS_PER_KT
        coarse_kt = 2 * _position_step_m(latitude, inside) / (end_s - start_s) / MPS_PER_KT
        whole = samples * dict(block.layout.steps)["ground_speed"] >= 0.9 * (end_s - start_s)
        biased = (samples >= FEWEST_SAMPLES) & whole & (np.abs(off) > LEAST_BIAS_KT + coarse_kt)
    yield Doubt(
        ("ground_speed",),
        biased,
        lambda row: f"ground speed is {off[row]:+.0f} kt off the speed of the recorded positions",
    )


def _longitude_at(block: Block, time_s: np.ndarray) -> np.ndarray:
    """Longitude run straight between its own samples, which need not be taken with those of latitude."""
    values, start_s = block.values["longitude"], block.start_s["longitude"][:, None]
    position = (time_s - start_s) / dict(block.layout.steps)["longitude"]
    last = values.shape[1] - 1
    left = np.clip(np.floor(position), 0, last).astype(np.int64)
    a, b = (np.take_along_axis(values, np.minimum(left + i, last), axis=1) for i in (0, 1))
    share = position - left
    known = (position >= 0) & (position <= last)
    return np.where(known, np.where(share > 1e-4, a + share * (b - a), a), np.nan)


def _position_step_m(latitude: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """(n,) how far a position jumps where it repeats between samples: the recorder's resolution, m."""
    step = np.abs(np.diff(latitude, axis=1)) * M_PER_DEG
    both = inside[:, 1:] & inside[:, :-1]
    repeats = (both & (step == 0)).sum(axis=1) > 0.3 * np.maximum(both.sum(axis=1), 1)
    return np.where(repeats, np.where(both, step, 0).max(axis=1, initial=0.0), 2.0)
