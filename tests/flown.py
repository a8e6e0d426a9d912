"""Whole invented landings, drawn at random, with the truth of every measure from their continuous states.

Definitions are the measures' own words, worked out here anew on a grid of 5 ms; nothing of the product is used. Times
are seconds after first main-gear contact, speeds are ground speed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from fdm.recording import Recording, Samples
from tests.making import Arrival, Truth, between, line, recording, sampled, switch

GRID_S = 0.005
START_S = -30.0
MPS_PER_KT, G_MPS2, M_PER_DEG = 1852 / 3600, 9.80665, 111_195.0  # NIST SP 811; mean sphere of 6 371 km
EXTENDED, MOVING, LEVER, MARGIN_PCT, BRAKING_PSI = 0.70, 0.10, 0.05, 5.0, 150.0
REDUCE_KT, TAXI_KT = 60.0, 30.0
SPOOL_DOWN_S = 4.0
NEVER = float("nan")
STOWED, TRANSIT, DEPLOYED = 0, 1, 2


@dataclass(frozen=True)
class Reverser:
    """One engine's reverser and power; NaN: never."""

    select_s: float
    unlock_s: float
    deploy_s: float
    stow_s: float
    stowed_s: float
    lever: Truth
    n1: Truth

    @property
    def state(self) -> Truth:
        """0 stowed, 1 in transit, 2 deployed."""
        changes = (
            (self.unlock_s, TRANSIT),
            (self.deploy_s, DEPLOYED),
            (self.stow_s, TRANSIT),
            (self.stowed_s, STOWED),
        )
        return switch(STOWED, *((t, v) for t, v in changes if not np.isnan(t)))


@dataclass(frozen=True)
class Flown:
    """One landing. Truths by parameter are in `signals`, true measures in `measures` ((name, engine), 0: none)."""

    arrival: Arrival
    speed: Truth
    end_s: float
    idle_pct: float
    runway_deg: float
    heading: Truth
    spoilers: Truth
    brakes: Truth
    armed: bool
    autothrottle_off_s: float
    reversers: Mapping[int, Reverser]
    out_of_use: tuple[int, ...] = ()
    levers: bool = True  # reverse counts as selected by the lever; else by the reverser unlocking
    threshold_m: float = 400.0
    runway_m: float = 2800.0
    facts: Mapping[str, object] = field(default_factory=dict)

    @cached_property
    def t(self) -> np.ndarray:
        return np.arange(START_S, self.end_s, GRID_S)

    @cached_property
    def travelled_m(self) -> np.ndarray:
        """Metres from contact on the grid."""
        v = self.speed(self.t) * MPS_PER_KT
        metres = np.concatenate([[0], np.cumsum((v[1:] + v[:-1]) / 2 * GRID_S)])
        return metres - np.interp(0, self.t, metres)

    def position_m(self, t: np.ndarray) -> np.ndarray:
        return self.threshold_m + np.interp(t, self.t, self.travelled_m)

    def latitude(self, t: np.ndarray) -> np.ndarray:
        return 10.0 + self.position_m(t) * np.cos(np.radians(self.runway_deg)) / M_PER_DEG

    def longitude(self, t: np.ndarray) -> np.ndarray:
        east_m = self.position_m(t) * np.sin(np.radians(self.runway_deg))
        return 20.0 + east_m / M_PER_DEG / np.cos(np.radians(10.0))

    # the truth ----------------------------------------------------------------------------------------------------

    def falls_to(self, level_kt: float) -> float:
        """When ground speed first falls to a value after contact, NaN: not before the end."""
        low = (self.speed(self.t) <= level_kt) & (self.t >= 0)
        return float(self.t[np.argmax(low)]) if low.any() else NEVER

    def metres_at(self, t: float) -> float:
        return float(np.interp(t, self.t, self.travelled_m)) if not np.isnan(t) else NEVER

    def kt_at(self, t: float) -> float:
        return float(self.speed(np.array(t))) if not np.isnan(t) else NEVER

    @cached_property
    def measures(self) -> dict[tuple[str, int], float]:
        """True values; NaN: does not exist."""
        said: dict[tuple[str, int], float] = {}
        self._rollout(said)
        self._spoilers(said)
        for engine in self.reversers:
            self._engine(said, engine)
        self._pair(said)
        self._all_reversers(said)
        return said

    def _rollout(self, said: dict[tuple[str, int], float]) -> None:
        at_60, at_30, settled = self.falls_to(60), self.falls_to(30), self.arrival.on[-1][0]
        hops = [b[0] - a[1] for a, b in zip(self.arrival.on[:-1], self.arrival.on[1:], strict=True)]
        braked = (self.brakes(self.t) >= BRAKING_PSI) & (self.t >= 0)
        said["touchdown_ground_speed_kt", 0] = self.kt_at(0)
        said["rollout_60_m", 0], said["rollout_30_m", 0] = self.metres_at(at_60), self.metres_at(at_30)
        said["runway_left_60_m", 0] = self.runway_m - self.threshold_m - self.metres_at(at_60)
        said["mean_deceleration_g", 0] = (self.kt_at(3) - 60) * MPS_PER_KT / G_MPS2 / (at_60 - 3)
        said["brake_delay_s", 0] = float(self.t[np.argmax(braked)]) if braked.any() else NEVER
        said["bounces", 0], said["bounce_airborne_s", 0] = float(len(hops)), float(sum(hops))
        said["settled", 0] = settled
        inside = (self.t >= 2) & ~(self.t > at_60)
        off = (self.heading(self.t[inside]) - self.runway_deg + 180) % 360 - 180
        said["heading_excursion_deg", 0] = float(np.abs(off - np.median(off)).max())

    def _spoilers(self, said: dict[tuple[str, int], float]) -> None:
        s, settled = self.spoilers(self.t), self.arrival.on[-1][0]
        after = self.t >= 0
        out = (s >= EXTENDED) & after
        at = float(self.t[np.argmax(out)]) if out.any() else np.inf
        moving = (s >= MOVING) & after
        said["spoiler_delay_s", 0], said["spoiler_delay_first_s", 0] = at - settled, at
        moved_s = float(self.t[np.argmax(moving)]) if moving.any() else NEVER
        said["spoiler_start_delay_s", 0] = moved_s - settled
        said["spoiler_travel_s", 0] = at - moved_s if np.isfinite(at) else NEVER
        below = after & ~(self.t > self.falls_to(TAXI_KT))
        said["spoiler_extension_max", 0] = float(s[below].max())
        last = np.flatnonzero(out)
        left = float(self.t[last[-1]]) if len(last) and last[-1] + 1 < len(s) else NEVER
        said["spoiler_retract_speed_kt", 0] = self.kt_at(left)
        said["spoilers_not_armed", 0] = float(not self.armed)

    def _engine(self, said: dict[tuple[str, int], float], engine: int) -> None:
        r, out = self.reversers[engine], engine in self.out_of_use
        n1 = r.n1(self.t) - self.idle_pct
        end_s = self.end_s if np.isnan(r.stow_s) else r.stow_s
        deployed = (self.t >= r.deploy_s) & (self.t < end_s)
        out_s = self.end_s if np.isnan(r.stowed_s) else r.stowed_s
        lever = r.lever(self.t) >= LEVER
        selected = r.select_s if self.levers else r.unlock_s
        said["reverse_select_delay_s", engine] = selected
        said["deploy_delay_s", engine] = r.deploy_s
        said["deploy_transit_s", engine] = r.deploy_s - r.unlock_s
        said["stow_transit_s", engine] = r.stowed_s - r.stow_s
        last = np.flatnonzero(lever)
        cancelled = float(self.t[last[-1]]) if len(last) and last[-1] + 1 < len(lever) else np.inf
        if not self.levers:
            cancelled = np.inf if np.isnan(r.stowed_s) else r.stowed_s
        said["reverse_wait_s", engine] = (cancelled if np.isnan(r.deploy_s) else r.deploy_s) - selected
        said["stow_start_speed_kt", engine] = self.kt_at(r.stow_s)
        said["stowed_speed_kt", engine] = self.kt_at(r.stowed_s)
        said["n1_above_idle_at_stow_pct", engine] = (
            float(np.interp(r.stow_s, self.t, n1)) if not np.isnan(r.stow_s) else NEVER
        )
        for name, level in (("60kt", REDUCE_KT), ("taxi", TAXI_KT)):
            slow = deployed & (self.t >= self.falls_to(level))
            said[f"n1_above_idle_below_{name}_pct", engine] = float(n1[slow].max()) if slow.any() else NEVER
        slow = deployed & (self.t >= self.falls_to(TAXI_KT)) & (n1 > MARGIN_PCT)
        said["high_reverse_below_taxi_s", engine] = float(slow.sum()) * GRID_S
        powered = np.flatnonzero((self.t >= r.deploy_s) & (self.t < out_s) & (n1 > MARGIN_PCT))
        came_back = len(powered) and self.t[powered[-1]] + 2 * GRID_S < out_s and n1[powered[-1] + 1] <= MARGIN_PCT
        said["reverse_idle_speed_kt", engine] = self.kt_at(float(self.t[powered[-1]])) if came_back else NEVER
        away = ~np.isnan(r.unlock_s) & (self.t >= r.unlock_s) & (self.t < 0) & (self.t < out_s)
        said["unstowed_in_air_s", engine] = float(np.sum(away)) * GRID_S
        if out:
            for name in (
                "reverse_wait_s",
                "deploy_transit_s",
                "stow_transit_s",
                "deploy_delay_s",
                "reverse_select_delay_s",
            ):
                said[name, engine] = NEVER

    def _pair(self, said: dict[tuple[str, int], float]) -> None:
        """Worst mirror pair; pairs with a reverser out of use are left aside."""
        last = 1 + max(self.reversers, default=0)
        engines = max(2, last - 1) if last <= 3 else 4
        found: dict[str, list[float]] = {
            "deploy_split_s": [],
            "one_side_deployed_s": [],
            "reverse_power_split_pct": [],
        }
        for number in sorted(self.reversers):
            mirror = engines + 1 - number
            if number >= mirror or mirror not in self.reversers:
                continue
            if {number, mirror} & set(self.out_of_use):
                continue
            a, b = self.reversers[number], self.reversers[mirror]
            found["deploy_split_s"].append(abs(a.deploy_s - b.deploy_s))
            one, two = (r.state(self.t) == DEPLOYED for r in (a, b))
            first_stow = np.nanmin([a.stow_s, b.stow_s, self.end_s])
            found["one_side_deployed_s"].append(float((one ^ two)[self.t < first_stow].sum()) * GRID_S)
            both = one & two & (self.t < first_stow)
            apart = abs(float((a.n1(self.t) - b.n1(self.t))[both].mean())) if both.any() else NEVER
            found["reverse_power_split_pct"].append(apart)
        for name, values in found.items():
            known = [v for v in values if not np.isnan(v)]
            said[name, 0] = max(known) if known else NEVER

    def _all_reversers(self, said: dict[tuple[str, int], float]) -> None:
        states = {e: r.state(self.t) for e, r in self.reversers.items()}
        late = self.t >= self.falls_to(TAXI_KT)
        out = np.any([s != STOWED for s in states.values()], axis=0)
        used = [r.select_s for e, r in self.reversers.items() if not np.isnan(r.select_s) and e not in self.out_of_use]
        said["reverser_out_below_taxi_s", 0] = float((out & late).sum()) * GRID_S
        said["reverse_not_used", 0] = float(not used)
        said["go_around_after_reverse", 0] = 0.0
        said["autothrottle_in_reverse_s", 0] = max(self.autothrottle_off_s - min(used), 0.0) if used else NEVER
        said["forward_power_with_reverser_out_s", 0] = max(
            (self._forward(engine, states) for engine in self.reversers), default=NEVER
        )

    def _forward(self, engine: int, states: Mapping[int, np.ndarray]) -> float:
        """Not counting approach power that runs down within 4 s of the first other reverser deploying."""
        others = np.any([s == DEPLOYED for e, s in states.items() if e != engine] or [np.zeros(len(self.t))], axis=0)
        if not others.any():
            return 0.0
        start = float(self.t[np.argmax(others)])
        own = self.reversers[engine].unlock_s
        above = (self.reversers[engine].n1(self.t) - self.idle_pct > MARGIN_PCT) & others
        above &= ~(self.t >= own)
        at_first = above & (self.t >= start) & (self.t < start + SPOOL_DOWN_S)
        lasting = at_first.sum() * GRID_S > SPOOL_DOWN_S - 0.1
        return float((above if lasting else above & (self.t >= start + SPOOL_DOWN_S)).sum()) * GRID_S


# drawing --------------------------------------------------------------------------------------------------------------


def draw(rng: np.random.Generator, engines: Sequence[int] = (1, 2), *, bounce: float = 0.03) -> Flown:
    """A landing as they come: mostly normal, some with a lapse of each kind."""
    v0, idle = rng.uniform(120, 150), rng.uniform(20, 27)
    knots, t = [(-40.0, v0 + 8), (0.0, v0)], 0.0
    v = v0
    for lasts_s, rate in (
        (rng.uniform(1, 3), rng.uniform(0.5, 2)),
        (rng.uniform(5, 10), rng.uniform(3, 7)),
        (90, rng.uniform(2.5, 6)),
    ):
        stop = max((v - 15) / rate, 0.01)
        lasts_s = min(lasts_s, stop)
        t, v = t + lasts_s, v - rate * lasts_s
        knots.append((t, v))
    speed = line(*knots, (t + 100, v))
    slow_s = t
    end_s = min(slow_s + rng.uniform(20, 50), 100.0)
    when = {kt: knots_time(knots, kt) for kt in (80, 60, 45, 30, 20)}
    arrival = _arrival(rng, bounce)
    out = tuple(int(e) for e in engines if rng.random() < 0.03)
    reversers = {e: _reverser(rng, when, end_s, idle, e in out) for e in engines}
    if rng.random() < 0.05:
        reversers = {e: _unused(rng, idle) for e in engines}
    heading_deg = rng.uniform(0, 360)
    return Flown(
        arrival,
        speed,
        end_s,
        idle,
        heading_deg,
        _heading(rng, heading_deg, slow_s),
        _spoilers(rng, arrival.on[-1][0], when, end_s),
        _brakes(rng),
        bool(rng.random() < 0.95),
        rng.uniform(-3, 6),
        reversers,
        out,
        rng.uniform(200, 900),
    )


def knots_time(knots: Sequence[tuple[float, float]], kt: float) -> float:
    time_s, speed = map(np.array, zip(*knots, strict=True))
    return float(np.interp(-kt, -speed, time_s))


def _arrival(rng: np.random.Generator, bounce: float) -> Arrival:
    if rng.random() < bounce:
        rolled_s, hop_s = rng.uniform(0.5, 1.5), rng.uniform(0.5, 2)
        return Arrival(((0, rolled_s), (rolled_s + hop_s, 1e6)), (rng.uniform(0.3, 0.7), 0.3), 0.1, 6.0, 0.05, 0.75)
    return Arrival(jolts_g=(rng.uniform(0.05, 0.5),), rise_s=rng.uniform(0.05, 0.5), sink_fps=rng.uniform(1.5, 7))


def _reverser(rng: np.random.Generator, when: Mapping[int, float], end_s: float, idle: float, out: bool) -> Reverser:
    if out:
        return _unused(rng, idle)
    select = rng.uniform(-0.5, 6)
    unlock = select + rng.uniform(0.3, 0.9)
    deploy = unlock + rng.uniform(1.2, 4) if rng.random() > 0.03 else NEVER
    reduce = rng.choice([when[80], when[60], when[60], when[45], when[30]]) + rng.uniform(0, 2)
    begun = select + 1 if np.isnan(deploy) else deploy
    reduce = max(reduce, begun + 2)
    down = max(rng.choice([when[60], when[30], when[30], when[20]]) + rng.uniform(0, 8), reduce + rng.uniform(0.5, 6))
    stow = down + rng.uniform(0.2, 0.6)
    stowed = stow + rng.uniform(1.5, 4)
    if rng.random() < 0.05:
        down, stow, stowed = end_s + 99, NEVER, NEVER
    stow, stowed = (x if x < end_s - 0.1 else NEVER for x in (stow, stowed))
    if np.isnan(deploy):
        stow = NEVER
    detent, full, lift = 0.25, rng.uniform(0.5, 1.0), 0.4
    crossed = select - LEVER / detent * lift  # the lever passes 0.05 at `select`
    points = [(crossed, 0.0), (crossed + lift, detent)]
    if not np.isnan(deploy):
        points += [(deploy + 0.5, detent), (deploy + 1.0, full), (reduce, full), (reduce + 0.8, detent)]
    points += [(max(down, points[-1][0] + 0.2) - 0.2, detent), (max(down, points[-1][0] + 0.2) + 0.2, 0.0)]
    return Reverser(select, unlock, deploy, stow, stowed, line(*points), _n1(rng, idle, deploy, reduce))


def _unused(rng: np.random.Generator, idle: float) -> Reverser:
    return Reverser(NEVER, NEVER, NEVER, NEVER, NEVER, line((0, 0.0)), _n1(rng, idle, NEVER, 0))


def _n1(rng: np.random.Generator, idle: float, deploy: float, reduce: float) -> Truth:
    approach, closed = rng.uniform(45, 60), rng.uniform(-4, -1)
    points = [(-40.0, approach), (closed, approach), (closed + rng.uniform(3, 5), idle)]
    if not np.isnan(deploy):
        up, top, rate = rng.uniform(5, 12), rng.uniform(50, 85), rng.uniform(4, 9)
        begin = max(deploy + 0.4, points[-1][0] + 0.1)
        peak = min(top, idle + up * max(reduce - begin, 0.2))
        points += [(begin, idle), (begin + (peak - idle) / up, peak)]
        fall = max(reduce, points[-1][0] + 0.1)
        points += [(fall, peak), (fall + (peak - idle) / rate, idle)]
    return line(*points, (points[-1][0] + 500, idle))


def _spoilers(rng: np.random.Generator, settled: float, when: Mapping[int, float], end_s: float) -> Truth:
    if rng.random() < 0.04:
        return line((0, 0.0))
    start = settled + rng.choice([rng.uniform(0.1, 1.2), rng.uniform(0.1, 6)])
    travel, level = rng.uniform(0.5, 2), rng.choice([1.0, 1.0, 1.0, rng.uniform(0.3, 0.95)])
    back = rng.choice([when[60], when[30], when[20]]) + rng.uniform(0, 12)
    back = max(back, start + travel + 1)
    return line((start, 0.0), (start + travel, level), (back, level), (back + rng.uniform(0.8, 2), 0.0))


def _brakes(rng: np.random.Generator) -> Truth:
    start = rng.uniform(0.3, 8)
    return line((start, 20.0), (start + rng.uniform(0.3, 1.0), 1500.0), (start + 60, 600.0))


def _heading(rng: np.random.Generator, runway_deg: float, slow_s: float) -> Truth:
    swing, period, turn = rng.uniform(0, 4), rng.uniform(4, 9), rng.choice([-1, 1]) * rng.uniform(40, 90)
    turned = line((slow_s + 2, 0.0), (slow_s + 10, turn))
    return lambda t: (
        runway_deg + swing * np.sin(2 * np.pi * np.asarray(t) / period) * (np.asarray(t) < slow_s) + turned(t)
    )


# recording ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Recorder:
    """Sampling rates by parameter family, how reversers are recorded, and how much later stamps are than samples."""

    rates: Mapping[str, float] = field(default_factory=dict)
    default_hz: float = 1.0
    reversers: str = "state"  # or "pair"
    levers: bool = True
    lag_s: float = 0.0

    def record(self, flown: Flown, rng: np.random.Generator, content: str, without: Sequence[str] = ()) -> Recording:
        """The landing as this recorder keeps it: each parameter at its own phase, resolution and noise."""
        made: list[Samples] = []
        for name, (truth, resolution, noise) in self._channels(flown).items():
            if name.partition(".")[0] in without or name in without:
                continue
            rate_hz = self.rates.get(name.partition(".")[0], self.default_hz)
            phase_s = rng.uniform(0, 1 / rate_hz)
            made.append(
                sampled(
                    name,
                    truth,
                    rate_hz,
                    phase_s,
                    start_s=START_S,
                    end_s=flown.end_s,
                    resolution=resolution,
                    noise=noise,
                    lag_s=self.lag_s,
                    rng=rng,
                )
            )
        facts = {
            "reversers_out": list(flown.out_of_use) or None,
            "runway_length_m": flown.runway_m,
            "runway_heading_deg": flown.runway_deg,
            "runway_latitude_deg": 10.0,
            "runway_longitude_deg": 20.0,
            **flown.facts,
        }
        engines = 4 if max(flown.reversers, default=2) > 2 else 2
        return recording(made, engines=engines, reversers=tuple(flown.reversers), facts=facts, content=content)

    def _channels(self, flown: Flown) -> dict[str, tuple[Truth, float, float]]:
        """Truth, resolution and noise by parameter; together within its tolerance."""
        found: dict[str, tuple[Truth, float, float]] = {
            "ground_speed": (flown.speed, 0.5, 0.2),
            "main_gear_ground": (flown.arrival.ground, 0, 0),
            "nose_gear_ground": (switch(0, (flown.arrival.on[-1][0] + 4, 1)), 0, 0),
            "radio_height": (flown.arrival.height_ft, 1, 0.7),
            "normal_acceleration": (flown.arrival.normal_g, 0.004, 0.01),
            "heading": (lambda t: flown.heading(t) % 360, 0.5, 0.2),
            "latitude": (flown.latitude, 0.0001, 0),
            "longitude": (flown.longitude, 0.0001, 0),
            "spoiler_handle": (flown.spoilers, 0.005, 0.005),
            "spoilers_armed": (lambda t: np.full(np.shape(t), float(flown.armed)), 0, 0),
            "brake_pressure.left": (flown.brakes, 10, 5),
            "brake_pressure.right": (flown.brakes, 10, 5),
            "autothrottle_engaged": (between((-99, flown.autothrottle_off_s)), 0, 0),
        }
        for engine, r in flown.reversers.items():
            found[f"n1.{engine}"] = (r.n1, 0.1, 0.2)
            if self.levers:
                found[f"reverse_lever.{engine}"] = (r.lever, 0.01, 0.01)
            if self.reversers == "state":
                found[f"reverser_state.{engine}"] = (r.state, 0, 0)
            else:
                found[f"reverser_unlocked.{engine}"] = (_at(r.state, 1), 0, 0)
                found[f"reverser_deployed.{engine}"] = (_at(r.state, 2), 0, 0)
        return found


def _at(state: Truth, least: int) -> Truth:
    return lambda t: (state(t) >= least).astype(float)


RECORDERS = {
    "once a second": Recorder({"normal_acceleration": 8, "latitude": 0.25, "longitude": 0.25}),
    "fast": Recorder({"normal_acceleration": 16, "radio_height": 4}, default_hz=4.0, reversers="pair"),
    "slow reversers": Recorder(
        {"reverser_state": 0.25, "n1": 0.5, "normal_acceleration": 4, "ground_speed": 2}, levers=False
    ),
    "held": Recorder({"normal_acceleration": 8}, default_hz=2.0, lag_s=0.125),
}
