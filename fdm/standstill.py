"""Engine power that stood still in the recorder, told by what moved meanwhile: levers, another engine, EPR beside N1.

An engine left at idle may repeat one number for as long as it is left there, and so may a recorder that hangs. They are
told apart by what was asked of the engine. With its reverser out, one whose lever was high for seconds and low for
seconds had two powers; so had one whose lever moved with another's whose power went elsewhere, one whose thrust lever
was pushed forward, and one whose EPR moved. Above its idle with both levers down it has long been at idle; what changes
at once with neither lever moved changed long before. Where no lever is recorded, and another engine was in reverse and
at another power meanwhile, a standstill has no explanation: that is said, and the power is not used.

Limits are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, reduce

import numpy as np

from fdm.frames import Block, nearest_samples, samples_between
from fdm.quality import Fault, family
from fdm.signal import changes, pick_column

BEFORE_S, LATEST_S = 2.0, 90.0  # looked at, relative to the anchor
ON_GROUND_S = 4.0  # approach power has run down
STOOD_S = 5.0  # a standstill, to the last digit
UNEXPLAINED_S = 10.0  # ... that no lever explains
MOVED = {"n1": 10.0, "epr": 0.04}  # power is elsewhere
BESIDE = {"n1": 10.0, "epr": 0.1}  # ... further than levers that are alike explain
PARTNER = {"n1": "epr", "epr": "n1"}
MEANWHILE_S = 3  # ... for so long
FOLLOWS_S = 5  # what was asked for so long must show in the power
HIGH, LOW, IN_REVERSE, ALIKE = 0.6, 0.3, 0.1, 0.1  # share of a reverse lever's travel
FORWARD_DEG, UNMOVED_DEG, UNMOVED = 8.0, 3.0, 0.05  # of a thrust lever; of a reverse lever's travel
LEAP = {"n1": 5.0, "epr": 0.03}  # from one sample to the next, and there at once ...
ONWARD = 0.3  # ... but for this share of it
DEPLOYED = {"reverser_state": 2, "reverser_deployed": 1}
FROZEN, UNEXPLAINED = "frozen", "stands still, frozen or left at idle,"


@dataclass(frozen=True)
class Stands:
    """Standstills of one parameter, looked at once a second.

    rows       (k,) which landing
    begin_s    (k,) first sample, relative to the anchor; end_s last sample
    level      (k,); lowest, and highest on the ground, until then
    leap       (k,) to the sample after; 0 where it went on from there
    time_s     (k, w) from FOLLOWS_S before the first sample on
    """

    block: Block
    rows: np.ndarray
    begin_s: np.ndarray
    end_s: np.ndarray
    level: np.ndarray
    lowest: np.ndarray
    highest: np.ndarray
    leap: np.ndarray

    @cached_property
    def time_s(self) -> np.ndarray:
        """(k, w) the seconds looked at, relative to the anchor."""
        seconds = np.arange(-FOLLOWS_S, np.max(self.end_s - self.begin_s, initial=0) + 1)
        return np.asarray(self.begin_s[:, None] + seconds)

    @cached_property
    def inside(self) -> np.ndarray:
        """(k, w) true while it stands still."""
        return (self.time_s >= self.begin_s[:, None]) & (self.time_s <= self.end_s[:, None])

    def other(self, name: str) -> np.ndarray | None:
        """(k, w) another parameter meanwhile, NaN where it is missing; None where it is not recorded."""
        if name in self.block.values and name not in self._read:
            self._read[name] = nearest_samples(self.block, name, self.rows, self.time_s)
        return self._read.get(name)

    @cached_property
    def _read(self) -> dict[str, np.ndarray]:
        return {}

    def deployed(self, engine: int) -> np.ndarray:
        """(k, w) true where an engine's reverser reads deployed."""
        states = ((self.other(f"{kind}.{engine}"), code) for kind, code in DEPLOYED.items())
        whole = [state == code for state, code in states if state is not None]
        return reduce(np.logical_or, whole, np.zeros(self.time_s.shape, bool))

    def lasting(self, flags: np.ndarray, least_s: int = 1) -> np.ndarray:
        """(k,) whether it stands still for so many seconds in which flags hold."""
        return np.asarray((flags & self.inside).sum(axis=1) >= least_s)


def standing_still(block: Block) -> Iterator[Fault]:
    """Power that stood still in the recorder, or may have, located."""
    for kind in MOVED:
        engines = [e for e in range(1, block.layout.engines + 1) if f"{kind}.{e}" in block.values]
        for engine in engines:
            yield from _of(block, kind, engine, [e for e in engines if e != engine])


def _of(block: Block, kind: str, engine: int, others: list[int]) -> Iterator[Fault]:
    stands = _standstills(block, f"{kind}.{engine}")
    if not len(stands.rows):
        return
    levers = _up_and_down(stands, engine) | _pushed_forward(stands, engine) | _of_itself(stands, kind, engine)
    alone = levers | _partner_moved(stands, kind, engine)
    beside = [_beside(stands, kind, engine, other) for other in others]
    told = reduce(np.logical_or, [frozen for frozen, _ in beside], alone)
    told &= ~reduce(np.logical_or, [_swapped(stands, kind, other) for other in others], np.zeros(len(told), bool))
    open_ = reduce(np.logical_or, [unexplained for _, unexplained in beside], np.zeros(len(told), bool))
    step = dict(block.layout.steps)[f"{kind}.{engine}"]
    for number in np.flatnonzero(told | open_):
        begin_s, end_s = float(stands.begin_s[number]) + step, float(stands.end_s[number])
        label = FROZEN if told[number] else UNEXPLAINED
        yield Fault(int(stands.rows[number]), f"{kind}.{engine}", label, begin_s, end_s)


def _standstills(block: Block, name: str) -> Stands:
    """Where a parameter repeats one number."""
    step = dict(block.layout.steps)[name]
    time_s, values = samples_between(block, name, -BEFORE_S, LATEST_S)
    edges = np.ones((len(values), values.shape[1] + 1), bool)
    edges[:, 1:-1] = values[:, 1:] != values[:, :-1]
    edges[~changes(block.values[name])] = True  # what never changes is doubted whole
    at = np.flatnonzero(edges)
    long = np.flatnonzero(np.diff(at) > STOOD_S / step)
    rows, first = np.divmod(at[long], edges.shape[1])
    last = first + np.diff(at)[long] - 1
    inside = last < values.shape[1]  # between the end of a row and the beginning of the next lies nothing
    rows, first, last = rows[inside], first[inside], last[inside]
    lowest = np.fmin.accumulate(values, axis=1)[rows, first]
    highest = np.fmax.accumulate(np.where(time_s >= ON_GROUND_S, values, -np.inf), axis=1)[rows, first]
    after = [values[rows, np.minimum(last + k, values.shape[1] - 1)] for k in range(3)]
    leap, onward = after[1] - after[0], after[2] - after[1]
    leap = np.where(np.abs(onward) <= ONWARD * np.abs(leap), leap, 0)
    level, begin_s, end_s = values[rows, first], time_s[rows, first], time_s[rows, last]
    from_s, to_s = (x[rows] for x in _in_reverse(block))
    unlike_idle = (level - lowest > MOVED[family(name)]) | (np.abs(leap) > LEAP[family(name)])
    judged = ((begin_s <= to_s) & (end_s >= from_s)) | unlike_idle
    return Stands(block, *(x[judged] for x in (rows, begin_s, end_s, level, lowest, highest, leap)))


def _in_reverse(block: Block) -> tuple[np.ndarray, np.ndarray]:
    """(n,) first and last sample at which any reverser reads deployed; inf and -inf where none does."""
    from_s, to_s = np.full(block.facts.height, np.inf), np.full(block.facts.height, -np.inf)
    for name, code in ((f"{kind}.{e}", code) for kind, code in DEPLOYED.items() for e in block.layout.reversers):
        if name in block.values:
            time_s, states = samples_between(block, name, -BEFORE_S, LATEST_S)
            out = states == code
            some = out.any(axis=1)
            first, last = np.argmax(out, axis=1), out.shape[1] - 1 - np.argmax(out[:, ::-1], axis=1)
            from_s = np.where(some, np.minimum(from_s, pick_column(time_s, first)), from_s)
            to_s = np.where(some, np.maximum(to_s, pick_column(time_s, last)), to_s)
    return from_s, to_s


def _for_s(flags: np.ndarray) -> np.ndarray:
    """(k, w) true where flags hold and have held for FOLLOWS_S."""
    count = np.cumsum(np.pad(flags, ((0, 0), (FOLLOWS_S + 1, 0))), axis=1)
    return np.asarray(count[:, FOLLOWS_S + 1 :] - count[:, : -FOLLOWS_S - 1] > FOLLOWS_S)


def _up_and_down(stands: Stands, engine: int) -> np.ndarray:
    """(k,) the reverse lever was high with the reverser out, and low, each so long that power must have followed."""
    lever = stands.other(f"reverse_lever.{engine}")
    if lever is None:
        return np.zeros(len(stands.rows), bool)
    high = _for_s(lever >= HIGH) & _for_s(stands.deployed(engine))
    return stands.lasting(high) & stands.lasting(_for_s(lever <= LOW))


def _pushed_forward(stands: Stands, engine: int) -> np.ndarray:
    """(k,) the thrust lever went forward and stayed there, the reverser stowed."""
    lever = stands.other(f"thrust_lever.{engine}")
    if lever is None:
        return np.zeros(len(stands.rows), bool)
    at_first = lever[:, FOLLOWS_S, None]
    forward = _for_s((lever >= at_first + FORWARD_DEG) & (at_first > -FORWARD_DEG))
    return stands.lasting(forward, MEANWHILE_S) & ~stands.lasting(stands.deployed(engine))


def _of_itself(stands: Stands, kind: str, engine: int) -> np.ndarray:
    """(k,) power above idle with both levers down, or a change with neither moved: the power was that long before."""
    reverse, thrust = stands.other(f"reverse_lever.{engine}"), stands.other(f"thrust_lever.{engine}")
    if reverse is None or thrust is None:
        return np.zeros(len(stands.rows), bool)
    whole = stands.block.values[f"thrust_lever.{engine}"][stands.rows]
    highest, lowest = np.fmax.reduce(whole, axis=1)[:, None], np.fmin.reduce(whole, axis=1)[:, None]
    drawn_back = (thrust <= lowest + UNMOVED_DEG) & (thrust <= highest - FORWARD_DEG)  # else it may be left in a gate,
    down = _for_s((reverse <= LOW) & drawn_back)  # where the autothrottle sets the power
    above = (stands.level - stands.lowest > MOVED[kind]) & stands.lasting(down, MEANWHILE_S)
    still = [np.abs(x - _at(x, stands.end_s, stands)) <= by for x, by in ((reverse, UNMOVED), (thrust, UNMOVED_DEG))]
    unmoved = _at(_for_s(still[0] & still[1] & drawn_back), stands.end_s, stands)[:, 0]
    return above | (unmoved & (np.abs(stands.leap) > LEAP[kind]))


def _at(values: np.ndarray, time_s: np.ndarray, stands: Stands) -> np.ndarray:
    """(k, 1) values of the last second up to a time."""
    column = np.floor(time_s - stands.begin_s + 1e-3).astype(np.int64) + FOLLOWS_S
    return np.take_along_axis(values, column[:, None], axis=1)


def _partner_moved(stands: Stands, kind: str, engine: int) -> np.ndarray:
    """(k,) the engine's EPR went elsewhere while its N1 stood, or the other way round."""
    partner = stands.other(f"{PARTNER[kind]}.{engine}")
    if partner is None:
        return np.zeros(len(stands.rows), bool)
    away = np.abs(partner - partner[:, FOLLOWS_S, None]) > MOVED[PARTNER[kind]]
    return stands.lasting(away, MEANWHILE_S)


def _beside(stands: Stands, kind: str, engine: int, other: int) -> tuple[np.ndarray, np.ndarray]:
    """(k,) another engine's power went elsewhere, both in reverse: asked alike; and asked for nobody knows what."""
    power = stands.other(f"{kind}.{other}")
    assert power is not None, "only engines whose power is recorded are asked"
    apart = np.abs(power - stands.level[:, None])
    away = apart - apart[:, FOLLOWS_S, None] > BESIDE[kind]
    away &= stands.deployed(engine) & stands.deployed(other)
    levers = stands.other(f"reverse_lever.{engine}"), stands.other(f"reverse_lever.{other}")
    nothing = np.zeros(len(stands.rows), bool)
    if levers[0] is not None and levers[1] is not None:
        alike = _for_s(np.abs(levers[0] - levers[1]) <= ALIKE)
        return stands.lasting(away & alike, MEANWHILE_S), nothing
    if f"{PARTNER[kind]}.{engine}" in stands.block.values:
        return nothing, nothing
    idle = stands.level - stands.lowest <= MOVED[kind]
    never_up = stands.highest - stands.level <= MOVED[kind]  # what ran down to idle stands at idle
    long = stands.end_s - stands.begin_s >= UNEXPLAINED_S
    return nothing, idle & never_up & long & stands.lasting(away, MEANWHILE_S)


def _swapped(stands: Stands, kind: str, other: int) -> np.ndarray:
    """(k,) another engine's power rose with its lever in reverse and its reverser held: the engines may be swapped."""
    lever, power = stands.other(f"reverse_lever.{other}"), stands.other(f"{kind}.{other}")
    if lever is None or power is None:
        return np.zeros(len(stands.rows), bool)
    rose = power - power[:, FOLLOWS_S, None] > MOVED[kind]
    return stands.lasting(_for_s(~stands.deployed(other)) & (lever >= IN_REVERSE) & rose, MEANWHILE_S)
