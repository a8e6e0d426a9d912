"""Flies planned landings: a point mass with spool, lever, sleeve, spoiler and brake dynamics, many landings at a time.

Fixed steps of 0.05 s; first main-gear contact is at t = 0. Before it the path is closed form (glide, flare), after it
the states are integrated: semi-implicit Euler for speed, so distance is the trapezoid of the stored speed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from sample_flights.airline import KT, Fleet, G, Runway
from sample_flights.plan import NEVER, Plan

STEP_S = 0.05
BEFORE_S, AFTER_S = 62.0, 142.0
ZERO = round(BEFORE_S / STEP_S)  # index of t = 0
STEPS = ZERO + round(AFTER_S / STEP_S)
TIMES = (np.arange(STEPS) - ZERO) * STEP_S
START = ZERO - round(12 / STEP_S)  # systems are stepped from here on

DETENT = 0.3  # reverse lever travel at reverse idle
TAXI = 30 * KT
STOWED, IN_TRANSIT, DEPLOYED = 0, 1, 2
GLIDE = np.tan(np.radians(3.0))
ROLLING_FRICTION = 0.015


def single(values: np.ndarray) -> np.ndarray:
    """In single precision, which the states are kept in for speed."""
    return values.astype(np.float32)


def between(values: np.ndarray, low: object, high: object) -> np.ndarray:
    """Clipped (the two ufuncs cost a third of ndarray.clip at this size)."""
    return np.minimum(np.maximum(values, low), high)  # type: ignore[call-overload]


@dataclass
class History:
    """What happened: arrays over (steps, n) or (steps, engines, n), float32 unless said otherwise; SI units.

    speed_mps is ground speed; x_m runs along the runway from the landing threshold, y_m to its right; heading_rad is
    relative to the runway; state is int8 (STOWED, IN_TRANSIT, DEPLOYED); left, right, nose are contact (bool).
    """

    speed_mps: np.ndarray
    acceleration: np.ndarray
    height_m: np.ndarray
    x_m: np.ndarray
    y_m: np.ndarray
    heading_rad: np.ndarray
    pitch_rad: np.ndarray
    left: np.ndarray
    right: np.ndarray
    nose: np.ndarray
    spoiler: np.ndarray
    brake_psi: np.ndarray
    autobrake: np.ndarray
    lever: np.ndarray
    forward: np.ndarray
    n1: np.ndarray
    state: np.ndarray
    exit_m: np.ndarray  # (n,) where each turned off, from the landing threshold

    @property
    def ground(self) -> np.ndarray:
        """Any main gear in contact."""
        return self.left | self.right


def fly(plan: Plan, fleet: Fleet, runways: list[Runway], rng: np.random.Generator) -> History:
    """Every landing of the plan, flown."""
    return _Flight(plan.single(), fleet, runways, rng).run()


class _Flight:
    """Working state of one run; one method per system, all of it arrays over the landings."""

    def __init__(self, plan: Plan, fleet: Fleet, runways: list[Runway], rng: np.random.Generator):
        n, e = len(plan), fleet.engines
        self.plan, self.fleet, self.n = plan, fleet, n
        self.settled_s = np.where(plan.bounce_s > 0, plan.first_contact_s + plan.bounce_s, 0.0)
        zeros = partial(np.zeros, dtype=np.float32)
        self.exits = _exit_table(runways)
        self.exit = self.exits[:, -1].copy()
        self.exit_chosen = np.zeros(n, bool)
        self.exit_point = np.full(n, np.nan, np.float32)
        self.airspeed, self.height, self.ahead = _approach(plan)
        self.v = self.airspeed[ZERO] - plan.headwind
        self.a = zeros(n)
        self.x, self.y = plan.touchdown_m.copy(), single(rng.normal(0, 1.5, n))
        self.psi, self.psi_rate, self.trim = single(rng.normal(0, 0.006, n)), zeros(n), zeros(n)
        self.turned = np.zeros(n, bool)
        self.lever, self.p = zeros((e, n)), zeros((e, n))
        self.mode, self.raised_for, self.lowered_for = np.zeros((e, n), np.int8), zeros((e, n)), zeros((e, n))
        self.unlocked = np.zeros((e, n), bool)
        self.put_away = False  # every reverser stowed for good
        self.n1 = single(fleet.approach_pct + rng.normal(0, 1.2, (1, n)) + rng.normal(0, 0.25, (e, n)))
        self.approach = self.n1.copy()
        self.thrust_lever = np.full((e, n), 18.0, np.float32)
        self.spoiler, self.psi_brake = zeros(n), zeros(n)
        self.autobrake = np.zeros(n, bool)
        self.below_taxi_for = zeros(n)
        self.lifted, self.climb = np.zeros(n, bool), zeros(n)
        self.rise = zeros(n)
        self.some_go_around = bool((plan.go_around_s < NEVER).any())
        self.yaw_arm = single(-np.array(fleet.engine_arm_m)[:, None] / fleet.yaw_inertia)
        span = fleet.max_reverse_pct - fleet.idle_pct
        self.wanted = DETENT + (1 - DETENT) * (plan.target_pct - fleet.idle_pct).clip(0) / span
        self.lift_to_weight = plan.mass_kg * G / (0.5 * plan.density * plan.touchdown_mps**2 * fleet.wing_m2)
        self.history = self._blank()

    def _blank(self) -> History:
        n, e, plan = self.n, self.fleet.engines, self.plan
        flat, wide = (STEPS, n), (STEPS, e, n)
        made = History(
            **{
                name: np.zeros(flat, np.float32)
                for name in (
                    "speed_mps",
                    "acceleration",
                    "height_m",
                    "x_m",
                    "y_m",
                    "heading_rad",
                    "pitch_rad",
                    "spoiler",
                    "brake_psi",
                )
            },
            **{name: np.zeros(flat, bool) for name in ("left", "right", "nose", "autobrake")},
            **{name: np.zeros(wide, np.float32) for name in ("lever", "forward", "n1")},
            state=np.zeros(wide, np.int8),
            exit_m=np.zeros(n),
        )
        made.speed_mps[: ZERO + 1] = self.airspeed - plan.headwind
        made.acceleration[:ZERO] = np.gradient(made.speed_mps[: ZERO + 1], STEP_S, axis=0)[:ZERO]
        made.height_m[:ZERO] = self.height[:ZERO]
        made.x_m[:ZERO] = plan.touchdown_m - self.ahead[:ZERO]
        made.y_m[:ZERO], made.heading_rad[:ZERO] = self.y, self.psi
        made.n1[:START], made.forward[:START] = self.n1, self.thrust_lever
        return made

    def run(self) -> History:
        """Step through the landing."""
        plan = self.plan
        for k in range(START, STEPS):
            t = float(TIMES[k])
            if not self.put_away:
                self._levers(t)
                self._sleeves(t)
            self._engines(t)
            self._spoilers(t)
            if t > 30 and k % 20 == 0:
                self.put_away = bool((self.p == 0).all() and ((self.mode == 3) | (plan.select_s > t + 99)).all())
            if t >= 0:
                self._brakes(t)
                self._roll(t, k)
                self._yaw(t)
            self._note(k, t)
        _contacts(self.history, self.plan, self.settled_s)
        self.history.exit_m[:] = self.exit_point
        return self.history

    # -- crew hands on the levers ---------------------------------------------------------------
    def _levers(self, t: float) -> None:
        plan, mode = self.plan, self.mode
        if t >= 0:
            down = self.v < TAXI
            self.below_taxi_for = np.where(down, self.below_taxi_for + STEP_S, 0)
            above_idle = np.where(mode >= 1, self.n1, 0).max(axis=0) - self.fleet.idle_pct
            around = t >= plan.go_around_s
            raise_ = (mode == 0) & (t >= plan.select_s) & ~around
            reduce = (mode == 1) & (self.v < plan.reduce_kt * KT) & (self.below_taxi_for >= plan.reduce_hold_s)
            stow = (mode == 2) & (self.v < plan.stow_kt * KT) & (self.below_taxi_for >= plan.stow_hold_s)
            stow &= above_idle <= plan.stow_gate_pct
            give_up = (mode >= 1) & (self.raised_for >= plan.cancel_s) & (self.p < 1)
            mode[raise_] = 1
            mode[reduce] = 2
            mode[stow | give_up | (around & (mode >= 1))] = 3
        power = (mode == 1) & (self.p >= self.fleet.interlock) & (t >= plan.select_s + plan.power_s)
        goal = np.where(power, self.wanted, np.where((mode == 1) | (mode == 2), DETENT, 0.0))
        falling = np.where(mode == 2, (1 - DETENT) / plan.reduce_lever_s, 1.6)
        self.lever += between(goal - self.lever, -falling * STEP_S, np.where(mode == 1, 1.2 * STEP_S, 1.6 * STEP_S))

    # -- reverser sleeves and their locks -------------------------------------------------------
    def _sleeves(self, t: float) -> None:
        plan = self.plan
        up = self.lever > DETENT / 2
        self.raised_for = np.where(up, self.raised_for + STEP_S, 0)
        self.lowered_for = np.where(up, 0, self.lowered_for + STEP_S)
        self.unlocked |= up & (self.raised_for >= plan.unlock_s)
        limit = np.where(self.raised_for < plan.stuck_s, plan.stuck_at, 1.0)
        out = np.minimum(self.p + STEP_S / plan.transit_s, np.maximum(limit, self.p))
        back = np.where(self.lowered_for > 0.15, self.p - STEP_S / plan.stow_transit_s, self.p)
        self.p = between(np.where(self.unlocked, np.where(up, out, back), 0.0), 0.0, 1.0)
        self.p[self.p > 1 - 1e-5] = 1.0
        self.unlocked &= up | (self.p > 0)
        self.state = np.where(self.unlocked, IN_TRANSIT, STOWED)
        self.state[self.p >= 1] = DEPLOYED
        adrift = (t >= plan.air_unlock_s) & (t < plan.air_unlock_s + plan.air_unlock_for_s)
        self.state[adrift & (self.state == STOWED)] = IN_TRANSIT

    # -- engines --------------------------------------------------------------------------------
    def _engines(self, t: float) -> None:
        plan, fleet, n1 = self.plan, self.fleet, self.n1
        idle = fleet.flight_idle_pct if t < 4.5 else fleet.idle_pct
        locked = self.state == STOWED
        pushed = (t >= plan.forward_from_s) & (t < plan.forward_from_s + plan.forward_for_s) & locked
        around = (t >= plan.go_around_s) & locked
        command = np.where(t < -3.0, self.approach, idle)
        lever = np.where(t < -3.0, 18.0, 0.0)
        command, lever = np.where(pushed, 62.0, command), np.where(pushed, 22.0, lever)
        command, lever = np.where(around, 92.0, command), np.where(around, 45.0, lever)
        if t > 20:
            slow = (self.v < self._pace() - 2.5 * KT) & (t < plan.go_around_s) & locked.all(axis=0)
            command, lever = np.where(slow, fleet.idle_pct + 13, command), np.where(slow, 6.0, lever)
        self.thrust_lever += between(lever - self.thrust_lever, -30 * STEP_S, 30 * STEP_S)
        reverse = np.maximum(self.lever - DETENT, 0) / (1 - DETENT) * (fleet.max_reverse_pct - fleet.idle_pct)
        command = np.where(locked | (self.p < fleet.interlock), command, np.maximum(idle, fleet.idle_pct + reverse))
        spool_up = (3.0 + 0.22 * np.maximum(n1 - fleet.idle_pct, 0)) * STEP_S
        self.n1 = n1 + np.where(
            command > n1,
            np.minimum((command - n1) * (STEP_S / 0.6), spool_up),
            np.maximum((command - n1) * (STEP_S / 2.8), -12 * STEP_S),
        )

    def _thrust(self, airspeed: np.ndarray) -> np.ndarray:
        """Net thrust per engine, N, forward positive."""
        fleet = self.fleet
        part = self.n1 / 100
        forward = fleet.thrust_n * part * part * (0.55 + 0.45 * part)
        share = np.maximum((self.n1 - fleet.idle_pct) / (fleet.max_reverse_pct - fleet.idle_pct), 0)
        reverse = fleet.reverse_n * (0.03 + share * (0.6 + 0.4 * share)) * (0.55 + 0.45 * airspeed / 67)
        return (1 - self.p) * forward - self.p * reverse

    # -- ground spoilers ------------------------------------------------------------------------
    def _spoilers(self, t: float) -> None:
        plan = self.plan
        after = t - self.settled_s
        automatic = plan.armed & (after >= plan.auto_s)
        lifted = plan.by_reverse & (self.unlocked & (self.lever > 0.1)).any(axis=0) & (after >= 0)
        out = automatic | lifted | (after >= plan.by_hand_s) | (self.spoiler > 0)
        out &= (self.v > plan.retract_kt * KT) & (t < plan.go_around_s) & (t >= 0)
        out &= ~(self.turned & (np.abs(self.psi) > 1.2))
        goal = np.where(out, plan.spoiler_max, 0.0)
        rate = STEP_S / self.fleet.spoiler_travel_s
        self.spoiler += between(goal - self.spoiler, -0.6 * rate, rate)

    # -- wheel brakes ---------------------------------------------------------------------------
    def _pace(self) -> np.ndarray:
        """Ground speed the crew wants once slow, m/s."""
        return np.where(self.turned, self.plan.taxi_kt, self.plan.exit_kt) * KT

    def _brakes(self, t: float) -> None:
        plan = self.plan
        self._choose_exit()
        acting = (t - self.settled_s >= plan.brake_s) & (t < plan.go_around_s)
        fast = self.v > plan.takeover_kt * KT
        self.autobrake = acting & (plan.autobrake_g > 0) & fast
        pace = self._pace()
        room = np.maximum(self.exit - 25 - self.x, 4)
        needed = between((self.v * self.v - pace * pace) / (2 * room), 0, 4.0)
        slowing = np.where(self.turned | (self.x > self.exit - 25), between(0.8 * (self.v - pace), 0, 2.5), needed)
        pedals = np.where(fast, np.maximum(plan.pedal_g * G, np.where(needed > 1.6, needed, 0)), slowing)
        target = np.where(self.autobrake, plan.autobrake_g * G, pedals)
        gain = self.plan.mass_kg / self.fleet.brake_n_per_psi
        change = gain * 1.5 * (target + self.a)
        change = np.where(acting & (target > 0.05), change, -4000.0)
        self.psi_brake = between(self.psi_brake + between(change, -2500, 1500) * STEP_S, 0, 3000)

    def _choose_exit(self) -> None:
        fast = self.v > np.maximum(self.plan.takeover_kt, 45) * KT
        choose = ~self.exit_chosen & ~fast
        if not choose.any():
            return
        reach = self.x + (self.v**2 - (self.plan.exit_kt * KT) ** 2) / (2 * 1.35) + 40
        good = self.exits >= reach[:, None]
        first = np.where(good.any(axis=1), good.argmax(axis=1), self.exits.shape[1] - 1)
        self.exit = np.where(choose, self.exits[np.arange(self.n), first], self.exit)
        self.exit_chosen |= choose

    # -- motion ---------------------------------------------------------------------------------
    def _roll(self, t: float, k: int) -> None:
        plan, fleet = self.plan, self.fleet
        cosine, sine = np.cos(self.psi), np.sin(self.psi)
        airspeed = np.maximum(self.v + plan.headwind * cosine, 0)
        pressure = 0.5 * plan.density * airspeed**2 * fleet.wing_m2
        up = 1 - between((t - self.settled_s - plan.nose_s + 1.8) / 1.8, 0, 1)  # 1 nose up, 0 nose down
        lift = pressure * self.lift_to_weight * (0.60 + 0.35 * up - 0.52 * self.spoiler)
        drag = pressure * (0.095 + 0.05 * up + 0.063 * self.spoiler)
        airborne = self.lifted | ((t >= plan.first_contact_s) & (t < self.settled_s))
        load = np.where(airborne, 0, np.maximum(plan.mass_kg * G - lift, 0))
        braking = np.minimum(fleet.brake_n_per_psi * self.psi_brake, plan.friction * load)
        self.thrust = self._thrust(airspeed)
        force = self.thrust.sum(axis=0) - drag - braking - np.where(self.v > 0, ROLLING_FRICTION * load, 0)
        if k > ZERO:
            before = self.v
            self.v = np.maximum(self.v + self.a * STEP_S, 0)
            mean = 0.5 * (before + self.v)
            self.x = self.x + mean * cosine * STEP_S
            self.y = self.y + mean * sine * STEP_S
        self.a = np.where((self.v <= 0) & (force < 0), 0, force / plan.mass_kg)
        self._take_off(t, airspeed)

    def _take_off(self, t: float, airspeed: np.ndarray) -> None:
        if not self.some_go_around:
            return
        rotate = (t >= self.plan.go_around_s + 2) & (airspeed > 1.01 * self.plan.touchdown_mps)
        self.lifted |= rotate & (self.plan.go_around_s < NEVER)
        self.climb = np.where(
            self.lifted, np.minimum(np.minimum(self.climb + 2.2 * STEP_S, 12.0), (460 - self.rise) * 0.08), 0
        )
        self.a = np.where(self.lifted & (airspeed > self.plan.approach_mps + 8), 0, self.a)
        self.rise = self.rise + self.climb * STEP_S

    def _yaw(self, t: float) -> None:
        plan = self.plan
        on_runway = ~self.turned
        push = (self.thrust * self.yaw_arm).sum(axis=0)
        kick = plan.yaw_kick * np.exp(-(((t - plan.yaw_kick_s) / 0.8) ** 2)) if t < 14 else 0.0
        self.trim += (push - self.trim) * (STEP_S / 1.8)
        wanted = between(-0.004 * self.y, -0.025, 0.025)
        turn = push - self.trim + kick - 1.2 * (self.psi - wanted) - 1.75 * self.psi_rate
        fade = np.minimum(self.v / 15, 1)
        self.psi_rate = np.where(on_runway, (self.psi_rate + turn * STEP_S) * fade, 0)
        starts = on_runway & (self.x >= self.exit) & (self.v < TAXI) & (plan.go_around_s == NEVER)
        self.exit_point = np.where(starts, self.x, self.exit_point)
        self.turned |= starts
        to_go = plan.turn * (np.pi / 2) - self.psi
        rate = np.minimum(self.v / 45, 0.21)
        self.psi = self.psi + np.where(
            self.turned, between(to_go, -rate * STEP_S, rate * STEP_S), self.psi_rate * STEP_S
        )

    # -- history --------------------------------------------------------------------------------
    def _note(self, k: int, t: float) -> None:
        h = self.history
        h.lever[k], h.forward[k], h.n1[k], h.state[k] = self.lever, self.thrust_lever, self.n1, self.state
        if t < 0:
            return
        h.spoiler[k], h.brake_psi[k], h.autobrake[k] = self.spoiler, self.psi_brake, self.autobrake
        h.speed_mps[k], h.acceleration[k], h.height_m[k] = self.v, self.a, self.rise
        h.x_m[k], h.y_m[k], h.heading_rad[k] = self.x, self.y, self.psi


def _exit_table(runways: list[Runway]) -> np.ndarray:
    """Exit distances from the landing threshold, (n, most exits), the last one repeated."""
    widest = max(len(r.exits) for r in runways)
    rows = [[d - r.displaced_m for d, _ in r.exits] for r in runways]
    return single(np.array([row + row[-1:] * (widest - len(row)) for row in rows]))


def _approach(plan: Plan) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Airspeed (m/s), height (m) and distance still to fly (m) up to contact, (ZERO + 1, n), closed form."""
    to_go = single(-TIMES[: ZERO + 1, None])
    share = (to_go / plan.flare_s).clip(0, 1)
    airspeed = plan.touchdown_mps + (plan.approach_mps - plan.touchdown_mps) * share
    sink = (plan.approach_mps - plan.headwind) * GLIDE
    in_flare = np.minimum(to_go, plan.flare_s)
    height = plan.sink_mps * in_flare + (sink - plan.sink_mps) * in_flare**2 / (2 * plan.flare_s)
    height += sink * (to_go - in_flare)
    slower = (plan.approach_mps - plan.touchdown_mps) * (in_flare - in_flare**2 / (2 * plan.flare_s))
    ahead = (plan.approach_mps - plan.headwind) * to_go - slower
    return airspeed, height, ahead


def _contacts(h: History, plan: Plan, settled_s: np.ndarray) -> None:
    """Wheels, pitch and the height of a bounce, which follow from the plan once the roll is known."""
    after, pitch = TIMES[ZERO:, None].astype(np.float32), np.empty_like(h.pitch_rad)
    flying = h.height_m[ZERO:] > 0
    for i in np.flatnonzero(plan.bounce_s > 0):
        t = TIMES[ZERO:]
        hop = (t >= plan.first_contact_s[i]) & (t < settled_s[i])
        flying[hop, i] = True
        h.height_m[ZERO:, i] += np.where(hop, (t - plan.first_contact_s[i]) * (settled_s[i] - t), 0)  # 2 m/s² down
    late = plan.second_gear_s.astype(np.float32)
    h.left[ZERO:] = ~flying & (after >= late)
    h.right[ZERO:] = ~flying & (after >= -late)
    nose_s = (settled_s + plan.nose_s).astype(np.float32)
    h.nose[ZERO:] = ~flying & (after >= nose_s)
    flare = (1 + TIMES[:ZERO, None] / plan.flare_s).clip(0, 1)
    pitch[:ZERO] = 2.6 + 2.6 * flare
    pitch[ZERO:] = 5.2 - 5.6 * between((after - nose_s + np.float32(1.8)) / np.float32(1.8), 0, 1)
    pitch[ZERO:][h.height_m[ZERO:] > 3] = 8.0
    h.pitch_rad[:] = np.radians(pitch)
