"""The rollout once more, with devices as they would have been on time: how far and how long to the same speed.

Every draw of coefficients and of usual times runs the same point mass from first contact. What the model does not
explain of the recorded deceleration stays where it was in time, so a replay with nothing changed is the recording.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fdm.cost.automatic import RAMP_S, Automatic
from fdm.cost.fitting import Scale
from fdm.cost.forces import Q0_MPS, Inputs, forces
from fdm.cost.reverse import NEVER_CELL, Use
from fdm.cost.rolls import STEP_S, Rolls
from fdm.cost.usual import TIMES_S, Usual
from fdm.units import MPS2_PER_G

PARTS = 2  # time steps inside a cell
TOUCH_MPS = 0.01  # so close counts as reached
PEDAL_S = 1.5  # after the pedals went down: from then on their pressure goes by speed, as the crew's and anti-skid's do
SPEED_STEP = 0.25  # m/s, of the table of when the recording came down to a speed
OVERTIME = 60  # cells a replay may take longer than the recording


@dataclass(frozen=True)
class Change:
    """What is changed in n rollouts, k draws each; NaN in a float leaves that device as recorded.

    spoilers_s     (n, k) the usual spoiler movement, so much later than usual
    source         (n, e) engine whose recorded reverser and power are taken
    shift_s        (n, k, e) and how much earlier
    deploy_s, transit_s   (n, k, e) reverser deployed then, and in transit so long before, instead
    made           (n, e) power as usual after that, instead of recorded power
    top            (n, k, e) highest N1 above idle of that; with recorded power, to which it would have gone on rising
    reduce_mps     (n, k, e) ground speed at which power is reduced instead
    brakes_s       (n, k) brakes so much earlier
    """

    spoilers_s: np.ndarray
    source: np.ndarray
    shift_s: np.ndarray
    deploy_s: np.ndarray
    transit_s: np.ndarray
    made: np.ndarray
    top: np.ndarray
    reduce_mps: np.ndarray
    brakes_s: np.ndarray


def unchanged(n: int, k: int, e: int) -> Change:
    """Every device as recorded."""
    free = np.full((n, k, e), np.nan)
    return Change(
        spoilers_s=np.full((n, k), np.nan),
        source=np.tile(np.arange(e), (n, 1)),
        shift_s=np.zeros((n, k, e)),
        deploy_s=free.copy(),
        transit_s=free.copy(),
        made=np.zeros((n, e), bool),
        top=free.copy(),
        reduce_mps=free.copy(),
        brakes_s=np.zeros((n, k)),
    )


@dataclass(frozen=True)
class Extra:
    """Recorded less replayed: metres, seconds, and brake energy over mass (J/kg); (n, k) each."""

    distance_m: np.ndarray
    time_s: np.ndarray
    brakes_j_per_kg: np.ndarray


class Replay:
    """One replay of n rollouts by k draws."""

    def __init__(
        self,
        rolls: Rolls,
        scale: Scale,
        usual: Usual,
        use: Use,
        automatic: Automatic,
        c: np.ndarray,
        response_s: np.ndarray,
        change: Change,
    ):
        self.rolls, self.usual, self.use, self.auto = rolls, usual, use, automatic
        self.c, self.response_s, self.change = c, response_s, change
        self.n, self.k = c.shape[:2]
        self.rows = np.arange(self.n)[:, None]
        self.x = scale.inputs(rolls)
        self.omega = scale.omega(rolls)
        self.idle_n1 = scale.idle_n1
        recorded = forces(c[:, :, None, :], _wide(self.x))
        self.rest = rolls.decel_g[:, None, :] - recorded.decel_g
        self.recorded_brakes = recorded.brakes_g
        self.last = np.maximum(rolls.used.sum(axis=1) - 1, 0)
        self.stop_mps = rolls.stop_mps
        self.rises = ~np.isnan(change.top).all(axis=(0, 1))
        self.moves = ~np.isnan(change.deploy_s).all(axis=(0, 1))
        self._setup()

    def _setup(self) -> None:
        shape = (self.n, self.k)
        e = self.rolls.n1.shape[2]
        self.reduced_s = np.full((*shape, e), np.nan)
        self.released_s = np.full(shape, np.nan)
        speeds = np.arange(0.0, 110.0, SPEED_STEP)
        edges = np.arange(self.rolls.speed_mps.shape[1]) * STEP_S
        falling = np.minimum.accumulate(self.rolls.speed_mps, axis=1)
        self.times = np.stack([np.interp(-speeds, -row, edges) for row in falling])
        self.pressure = np.zeros(shape)
        self.was_recorded = np.zeros(shape)
        at_work = np.where(self.auto.active, self.rolls.pressure, 0.0).max(axis=1)
        limited = self.auto.short.sum(axis=1) > self.auto.active.sum(axis=1) / 2
        self.alone_most = np.where(limited, at_work, 1.0)
        self.v = np.repeat(self.rolls.speed_mps[:, :1], self.k, axis=1)

    # -- the recorded run ---------------------------------------------------------------------------------------

    def recorded(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Metres (n, 1), seconds (n, 1) and brake energy (n, k) of the recording to the stop speed."""
        speed = self.rolls.speed_mps
        below = speed <= self.stop_mps[:, None]
        edge = np.where(below.any(axis=1), np.argmax(below, axis=1), speed.shape[1] - 1)
        cells = np.arange(speed.shape[1] - 1)
        a, b = speed[:, :-1], speed[:, 1:]
        with np.errstate(divide="ignore", invalid="ignore"):
            last = np.clip((a - self.stop_mps[:, None]) / (a - b), 0, 1)
        share = np.where(cells < edge[:, None] - 1, 1.0, np.where(cells == edge[:, None] - 1, last, 0.0))
        mean = a + (b - a) * share / 2
        metres = (mean * share).sum(axis=1) * STEP_S
        energy = (self.recorded_brakes * (mean * share)[:, None, :]).sum(axis=2) * STEP_S * MPS2_PER_G
        return metres[:, None], (share.sum(axis=1) * STEP_S)[:, None], energy

    # -- the replayed run ---------------------------------------------------------------------------------------

    def run(self) -> Extra:
        """Replay, and compare."""
        metres, seconds, energy = np.zeros((3, self.n, self.k))
        going = np.ones((self.n, self.k), bool)
        dt = STEP_S / PARTS
        for step in range((int(self.last.max()) + OVERTIME) * PARTS):
            decel, brakes = self._forces(step // PARTS, dt)
            v1 = np.maximum(self.v - decel * MPS2_PER_G * dt, 0.0)
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.clip((self.v - self.stop_mps[:, None]) / (self.v - v1), 0, 1)
            share = np.where(v1 > self.stop_mps[:, None], 1.0, share) * going
            rolled = (self.v + (v1 - self.v) * share / 2) * share * dt
            metres += rolled
            seconds += share * dt
            energy += brakes * rolled * MPS2_PER_G
            going &= v1 > self.stop_mps[:, None]
            self.v = v1
            if not going.any():
                break
        was = self.recorded()
        return Extra(was[0] - metres, was[1] - seconds, was[2] - energy)

    def _forces(self, cell: int, dt: float) -> tuple[np.ndarray, np.ndarray]:
        time_s = (cell + 0.5) * STEP_S
        at = np.minimum(cell, self.last)
        v = np.maximum(self.v - self.rolls.decel_g[np.arange(self.n), at][:, None] * MPS2_PER_G * dt / 2, 0.0)
        wind = self.rolls.wind_mps[np.arange(self.n), at][:, None]
        n1, sleeve = self._engines(time_s)
        pressure, follow = self._pressure(time_s)
        x = Inputs(
            q=(np.maximum(v + wind, 0) / Q0_MPS) ** 2 * self.omega,
            omega=self.omega,
            spoiler=self._spoiler(time_s, at),
            pitch_deg=self.x.pitch_deg[np.arange(self.n), at][:, None],
            flap=self.x.flap[:, :1],
            pressure=pressure,
            n1=n1,
            sleeve=sleeve,
        )
        f = forces(self.c, x)
        decel = f.decel_g + self.rest[np.arange(self.n), :, at]
        follow(decel, f.per_pressure, dt)
        return decel, f.brakes_g

    def _spoiler(self, time_s: float, at: np.ndarray) -> np.ndarray:
        recorded = np.repeat(self.rolls.spoiler[np.arange(self.n), at][:, None], self.k, axis=1)
        late = self.change.spoilers_s
        since = time_s - np.nan_to_num(self.rolls.settled_s)[:, None] - np.nan_to_num(late)
        usual = np.interp(since, TIMES_S, self.usual.spoilers) * (since >= 0)
        return np.where(np.isnan(late), recorded, np.maximum(recorded, usual))

    # -- reversers ----------------------------------------------------------------------------------------------

    def _engines(self, time_s: float) -> tuple[np.ndarray, np.ndarray]:
        found = [self._engine(time_s, e) for e in range(self.rolls.n1.shape[2])]
        return np.stack([n1 for n1, _ in found], axis=-1), np.stack([p for _, p in found], axis=-1)

    def _engine(self, time_s: float, e: int) -> tuple[np.ndarray, np.ndarray]:
        """N1 above idle and reverser position (n, k): before power is reduced, and after."""
        change, source, rows = self.change, self.change.source[:, e], np.arange(self.n)
        reduce = self.use.reduce[rows, source]
        reduce_s = np.where(reduce < NEVER_CELL, reduce * STEP_S, np.inf)[:, None]
        given = change.reduce_mps[:, :, e]
        limit = np.where(np.isnan(given), self.use.reduce_mps[rows, source][:, None], given)
        reduced_s = self.reduced_s[:, :, e]
        reduced_s[np.isnan(reduced_s) & (self.v <= limit + TOUCH_MPS)] = time_s - STEP_S / 2
        since = time_s - reduced_s
        before = np.isnan(since)
        clock = time_s + change.shift_s[:, :, e]
        held = np.minimum(clock, reduce_s - STEP_S / 2)
        at = np.where(before, held, reduce_s + since)
        n1, sleeve = self._lookup(self.x.n1, at, source), self._lookup(self.rolls.sleeve, at, source)
        over = before & (clock > held)
        n1 = np.where(over & self.use.powered[rows, source][:, None], self.use.top[rows, source][:, None], n1)
        if self.rises[e]:
            risen = self._risen(time_s, e, source)
            n1 = np.where(over | before & ~np.isnan(given), np.fmax(n1, risen), n1)
        if not self.moves[e]:
            return n1, sleeve
        made = change.made[:, e][:, None]
        moved = self._moved_sleeve(time_s, e)
        n1 = np.where(made, self._made_n1(time_s, e, since), n1) if change.made[:, e].any() else n1
        return n1, np.where(made, np.nan_to_num(moved), np.where(before & ~np.isnan(moved), moved, sleeve))

    def _lookup(self, values: np.ndarray, time_s: np.ndarray, source: np.ndarray) -> np.ndarray:
        """Values (n, m, e) of each row's source engine at times (n, k), straight between cells."""
        position = np.clip(time_s / STEP_S - 0.5, 0, self.last[:, None])
        left = position.astype(np.int64)
        share = position - left
        engine = source[:, None]
        a = values[self.rows, left, engine]
        if not share.any():
            return a
        b = values[self.rows, np.minimum(left + 1, values.shape[1] - 1), engine]
        return a + share * (b - a)

    def _risen(self, time_s: float, e: int, source: np.ndarray) -> np.ndarray:
        """N1 as it would have risen to `top`; NaN where that is not called for."""
        deployed = self.use.deployed[np.arange(self.n), source][:, None] * STEP_S - self.change.shift_s[:, :, e]
        return self.change.top[:, :, e] * _profile(self.usual.rise, time_s - deployed)

    def _made_n1(self, time_s: float, e: int, since_reduced: np.ndarray) -> np.ndarray:
        """Usual power: up from deployment, down from its reduction; nothing reversed before that."""
        top, deploy = self.change.top[:, :, e], self.change.deploy_s[:, :, e]
        up = top * _profile(self.usual.rise, time_s - deploy)
        down = top * _profile(self.usual.fall, since_reduced)
        idle = self._lookup(self.x.n1, np.full((self.n, self.k), time_s), np.full(self.n, e))
        return np.where(time_s < deploy, idle, np.where(np.isnan(since_reduced), up, np.minimum(up, down)))

    def _moved_sleeve(self, time_s: float, e: int) -> np.ndarray:
        deploy, transit = self.change.deploy_s[:, :, e], self.change.transit_s[:, :, e]
        return np.clip((time_s - deploy + transit) / np.maximum(transit, 0.05), 0, 1)

    # -- brakes -------------------------------------------------------------------------------------------------

    def _pressure(self, time_s: float) -> tuple[np.ndarray, Callable[[np.ndarray, np.ndarray, float], None]]:
        """Pressure (n, k), and what moves the automatic brake's once the deceleration is known.

        Pedals go down at their time and then press as they did at the same speed in the recording.
        The automatic brake's pressure changes as the recorded one did, less what the difference in deceleration calls
        for. Put to work earlier than recorded, it tracks its target by itself until the recorded one has caught up.
        """
        auto = self.auto
        by_auto, earlier = (auto.release_mps > 0)[:, None], self.change.brakes_s
        release_s, onset_s = auto.release[:, None] * STEP_S, auto.onset_s[:, None]
        newly = np.isnan(self.released_s) & by_auto & (self.v <= auto.release_mps[:, None] + TOUCH_MPS)
        self.released_s = np.where(newly, time_s - STEP_S / 2, self.released_s)
        since = time_s - self.released_s
        before = np.isnan(since)
        clock = np.where(by_auto, np.minimum(time_s, release_s - STEP_S / 2), time_s + earlier)
        clock = np.where(before, clock, release_s + since)
        full_s = np.nan_to_num(self.rolls.brakes_s, nan=np.inf)[:, None] + PEDAL_S
        clock = np.where(~by_auto & (clock > full_s), np.maximum(self._time_of(self.v), full_s), clock)
        recorded = self._series(self.rolls.pressure, clock)
        alone = by_auto & (earlier != 0) & (time_s >= onset_s - earlier) & (time_s < onset_s + RAMP_S) & before
        on = (self._flag(auto.active, clock) | alone) & before
        short = self._flag(auto.short, clock) & ~alone
        most = np.where(alone, self.alone_most[:, None], np.where(short, recorded, 1.0))
        moved = self.pressure + np.where(alone, 0.0, recorded - self.was_recorded)
        pressure = np.where(on, np.clip(moved, 0, most), np.where(by_auto & before & (earlier < 0), 0.0, recorded))
        self.was_recorded = recorded
        paired = self._flag(auto.follows, clock) & ~alone | np.isnan(auto.target_g)[:, None]
        goal = np.where(paired, self._series(self.rolls.decel_g, clock), auto.target_g[:, None])

        def follow(decel: np.ndarray, per_pressure: np.ndarray, dt: float) -> None:
            gain = dt / (self.response_s * np.maximum(per_pressure, 0.05))
            self.pressure = np.where(on, np.clip(pressure - gain * (decel - goal), 0, most), pressure)

        return pressure, follow

    def _time_of(self, v: np.ndarray) -> np.ndarray:
        """When the recording came down to speeds (n, k), s after contact."""
        index = np.clip(v / SPEED_STEP, 0, self.times.shape[1] - 1.001)
        left = index.astype(np.int64)
        a, b = self.times[self.rows, left], self.times[self.rows, left + 1]
        return a + (index - left) * (b - a)

    def _series(self, values: np.ndarray, time_s: np.ndarray) -> np.ndarray:
        return self._lookup(values[:, :, None], time_s, np.zeros(self.n, np.int64))

    def _flag(self, flags: np.ndarray, time_s: np.ndarray) -> np.ndarray:
        cell = np.clip(time_s / STEP_S, 0, self.last[:, None]).astype(np.int64)
        return flags[self.rows, cell]


def _profile(profile: np.ndarray, since_s: np.ndarray) -> np.ndarray:
    """A usual profile at times since its start; nothing before it."""
    found = np.interp(np.nan_to_num(since_s), TIMES_S, profile)
    return np.where(since_s >= 0, found, 0.0)


def _wide(x: Inputs) -> Inputs:
    """Inputs (n, m) with a place for draws."""
    return Inputs(
        x.q[:, None],
        x.omega[:, None],
        x.spoiler[:, None],
        x.pitch_deg[:, None],
        x.flap[:, None],
        x.pressure[:, None],
        x.n1[:, None],
        x.sleeve[:, None],
    )
