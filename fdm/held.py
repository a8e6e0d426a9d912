"""Values that a recorder held while the aeroplane moved on, where one parameter alone cannot tell: others are asked.

A retracted spoiler stands still to the last digit through a whole approach, and runs out within a second: that it
stands still and leaps is no fault by itself. Out after being still on the ground for some time, in one step between
samples, it was late, or its recorder held it. Where samples are so close that nothing can travel from one to the next,
it was held. Elsewhere the lift dump is looked for: spoilers that come out are felt in the deceleration at that moment.
Brakes that come on then may be felt in their place; they wait for the spoilers on many types, so they are taken for no
other cause where the deceleration had not risen since before contact, as it had with spoilers out. Where spoilers are
not felt, nothing is said of when they came out. What is in or out on a landing and nothing between may be a discrete,
which has no travel to be seen: that is left to the landings of its tail (`spoiler_sensors`).

An engine at steady power may repeat its N1 for seconds, and then change it. Where another engine's N1 ran up or down
meanwhile, and this one is where that leads to in the next sample, it was held.

Ground speed that stays to the end of data at one number, above taxi speed, was held where airspeed fell meanwhile or
the aeroplane is felt to slow down; nothing but a gap is left of it.

Limits are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from fdm.frames import Block, nearest_samples, samples_between
from fdm.quality import Fault
from fdm.signal import pick_column

LEAP = 0.3  # share of the travel in one step; a recorder that lets go shows where the spoilers have long been ...
OUT, RESTS = 0.7, 0.05  # ... which is out, and they go no further by more than this
STILL_S = 2.0  # they must have stood still for so long, and until so long after the anchor: sooner is not late
LATEST_S = 60.0
N1_LATEST_S = 90.0
AHEAD_S = 2.0  # first contact may be so long before the anchor
QUICKEST_S = 0.35  # nothing runs its travel in less
FELT_G = 0.05  # rise of deceleration at a lift dump, beyond what it was rising by already
MEAN_OVER_S = 1.0
BRAKES_COME_ON_PSI = 150.0
SOONER_G = 0.02  # deceleration that has risen by more since before contact may be that of spoilers long out
N1_LEAP_PCT = 5.0  # a change from one sample to the next after a standstill ...
N1_ONWARD = 0.7  # ... that goes on by no more than this share of it: an engine that begins to move is slow at first
N1_STILL_S = 3.0
SPEED_STILL_S, SPEED_STILL_KT = 8.0, 30.0  # ground speed that stays so long, above so much, to the end of data
WHOLE_S = 1e4  # longer than what is kept of any landing
FELL_KT, SLOWING_G = 15.0, -0.08  # airspeed fell by more; mean deceleration felt, more than any slope of a runway
ALONG, AT_ONCE = 0.6, 0.5  # shares of it by which another engine ran along: at least, and in the last sample at most
FROZEN, FROZEN_OR_LATE = "frozen", "stands still, frozen or not yet out,"


def held(block: Block) -> Iterator[Fault]:
    """What was held, or may have been, located."""
    for name in ("spoiler_panel", "spoiler_handle"):
        if name in block.values:
            yield from _spoilers(block, name)
    if "ground_speed" in block.values:
        yield from _speed(block)
    engines = [f"n1.{e}" for e in range(1, block.layout.engines + 1) if f"n1.{e}" in block.values]
    for name in engines:
        yield from _power(block, name, [other for other in engines if other != name])


def in_or_out_unseen(block: Block, name: str) -> np.ndarray:
    """(n,) where a position read as in or out alone stands still until it is late, and that is not felt."""
    rows = np.zeros(block.facts.height, bool)
    rows[[fault.row for fault in _spoilers(block, name, discrete=True)]] = True
    return rows


def _spoilers(block: Block, name: str, discrete: bool = False) -> Iterator[Fault]:
    """Spoilers that stand still until they are late, and are out in the next sample; of discretes, or of the others."""
    step = dict(block.layout.steps)[name]
    time_s, values = samples_between(block, name, -AHEAD_S, LATEST_S)
    with np.errstate(invalid="ignore"):
        leaps = (values[:, 1:] - values[:, :-1] > LEAP) & (values[:, 1:] > OUT)
    rows = np.flatnonzero(leaps.any(axis=1))
    rows = rows[in_or_out(block.values[name][rows]) == discrete]
    if not len(rows):
        return
    time_s, values = time_s[rows], values[rows]
    still = np.argmax(leaps[rows] & (time_s[:, :-1] >= STILL_S), axis=1)  # the last sample before the leap
    since, until_s = _since(values, still), pick_column(time_s, still)
    level, reached, then = (pick_column(values, still + k) for k in range(3))
    leap, sooner = reached - level, (time_s >= -AHEAD_S) & (time_s < until_s[:, None])
    been_out = np.fmax.reduce(values, axis=1, where=sooner, initial=-np.inf) > level + RESTS
    found = (until_s >= STILL_S) & ((still - since) * step >= STILL_S) & ~(np.abs(then - reached) > RESTS) & ~been_out
    too_quick = step < QUICKEST_S * leap
    found &= too_quick | ~_felt(block, rows, until_s, until_s + step)
    for number in np.flatnonzero(found):
        first = since[number] + 1 + np.argmax(time_s[number, since[number] + 1 :] >= -AHEAD_S)
        label = FROZEN if too_quick[number] else FROZEN_OR_LATE
        yield Fault(int(rows[number]), name, label, float(time_s[number, first]), float(until_s[number]))


def in_or_out(values: np.ndarray) -> np.ndarray:
    """(n,) whether a landing's samples are two values and nothing between: a discrete has no travel to be missed.

    Few samples of a position that travels fast may be so too: the tail's other landings tell which it is.
    """
    ends = [reduce(values, axis=1)[:, None] for reduce in (np.fmin.reduce, np.fmax.reduce)]
    return np.asarray(((values == ends[0]) | (values == ends[1]) | np.isnan(values)).all(axis=1))


def _speed(block: Block) -> Iterator[Fault]:
    """Ground speed that stands still to the end while the aeroplane slows down."""
    step = dict(block.layout.steps)["ground_speed"]
    time_s, values = samples_between(block, "ground_speed", 0.0, WHOLE_S)
    if not values.size:
        return
    known = ~np.isnan(values)
    last = values.shape[1] - 1 - np.argmax(known[:, ::-1], axis=1)
    since = _since(np.where(known, values, pick_column(values, last)[:, None]), last)
    begin_s, end_s, level = pick_column(time_s, since), pick_column(time_s, last), pick_column(values, last)
    rows = np.flatnonzero((end_s - begin_s >= SPEED_STILL_S) & (level > SPEED_STILL_KT))
    slows = np.zeros(len(rows), bool)
    if "airspeed" in block.values:
        before, after = (nearest_samples(block, "airspeed", rows, t[rows]) for t in (begin_s, begin_s + SPEED_STILL_S))
        slows |= before - after > FELL_KT
    if "longitudinal_acceleration" in block.values:
        seconds = [
            _mean(block, "longitudinal_acceleration", rows, begin_s[rows] + k) for k in range(int(SPEED_STILL_S))
        ]
        slows |= np.mean(seconds, axis=0) < SLOWING_G
    for row in rows[slows]:
        yield Fault(int(row), "ground_speed", FROZEN, float(begin_s[row]) + step, float(end_s[row]))


def _power(block: Block, name: str, others: list[str]) -> Iterator[Fault]:
    """N1 that stands still while another engine's runs up or down, and is there too in the next sample."""
    step = dict(block.layout.steps)[name]
    time_s, values = samples_between(block, name, -AHEAD_S, N1_LATEST_S)
    with np.errstate(invalid="ignore"):
        change = values[:, 1:] - values[:, :-1]
        leaps = np.abs(change) > N1_LEAP_PCT
    leaps[:, 2:] &= (change[:, 1:-1] == 0) & (change[:, :-2] == 0)
    leaps[:, :2], leaps[:, -1:] = False, False
    rows, still = np.nonzero(leaps)
    leap = change[rows, still]
    since, onward = _since(values[rows], still), change[rows, still + 1] * np.sign(leap)
    stood = ((still - since + 1) * step >= N1_STILL_S) & ~(onward > N1_ONWARD * np.abs(leap))
    rows, still, since, leap = (x[stood] for x in (rows, still, since, leap))
    begin_s, until_s, along = time_s[rows, since], time_s[rows, still], np.zeros(len(rows), bool)
    for other in others if len(rows) else ():
        at_first, before, after = (nearest_samples(block, other, rows, t) for t in (begin_s, until_s, until_s + step))
        ran, at_once = (after - at_first) / leap, (after - before) / leap
        along |= (ran >= ALONG) & (at_once <= AT_ONCE * ran)
    for number in np.flatnonzero(along):
        yield Fault(int(rows[number]), name, FROZEN, float(begin_s[number]) + step, float(until_s[number]))


def _since(values: np.ndarray, column: np.ndarray) -> np.ndarray:
    """(n,) first column from which a value stays exactly the same up to a column of its row."""
    columns = np.arange(values.shape[1])
    other = (values != pick_column(values, column)[:, None]) & (columns < column[:, None])
    return np.where(other.any(axis=1), values.shape[1] - np.argmax(other[:, ::-1], axis=1), 0)


def _felt(block: Block, rows: np.ndarray, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
    """Whether a lift dump between two times is felt in the deceleration of some landings, and is not the brakes'."""
    name = "longitudinal_acceleration"
    if name not in block.values:
        return np.zeros(len(rows), bool)
    begin_s = (np.full(len(rows), -AHEAD_S), from_s - 2 * MEAN_OVER_S, from_s - MEAN_OVER_S, to_s)
    airborne, earlier, before, after = (_mean(block, name, rows, time_s) for time_s in begin_s)
    rising = np.maximum(earlier - before, 0) / MEAN_OVER_S * (to_s - from_s + MEAN_OVER_S)
    felt = before - after - rising > FELT_G
    for brake in ("brake_pressure.left", "brake_pressure.right"):
        if brake in block.values:
            came_on = _mean(block, brake, rows, to_s) - _mean(block, brake, rows, from_s - MEAN_OVER_S)
            felt &= ~(came_on > BRAKES_COME_ON_PSI) | (airborne - before <= SOONER_G)
    return felt


def _mean(block: Block, name: str, rows: np.ndarray, from_s: np.ndarray) -> np.ndarray:
    """(n,) mean of the samples within MEAN_OVER_S from a time of each landing, at least one; NaN where one lacks."""
    step, start_s = dict(block.layout.steps)[name], block.start_s[name][rows]
    first = np.ceil((from_s - start_s) / step - 1e-3).astype(np.int64)
    columns = first[:, None] + np.arange(max(1, round(MEAN_OVER_S / step)))
    values, width = block.values[name][rows], block.values[name].shape[1]
    samples = np.take_along_axis(values, np.clip(columns, 0, width - 1), axis=1)
    return np.where((columns >= 0) & (columns < width), samples, np.nan).mean(axis=1)
