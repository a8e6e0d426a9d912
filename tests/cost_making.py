"""Rollouts of a point mass integrated by SciPy, every coefficient known, laid on cells for the cost of delays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.integrate import solve_ivp

from fdm.cost.rolls import CELLS, STEP_S, Rolls, join

G, KT = 9.80665, 1852 / 3600
NEVER = 1e9
Time = float | np.ndarray
Curve = Callable[[Time], Time]


@dataclass(frozen=True)
class Type:
    """Coefficients in g at the usual mass and 70 m/s, named as in the method's page; one for each engine of two."""

    drag: float = 0.09
    spoiler_drag: float = 0.04
    pitch_drag: float = 0.004
    lift: float = 0.5
    spoiler_lift: float = 0.45
    pitch_lift: float = 0.08
    rolling: float = 0.017
    forward: float = 0.005
    reverse: tuple[float, float, float] = (0.005, 0.05, 0.07)
    brakes: float = 0.6
    follows_load: float = 1.0
    idle_n1: float = 0.25


@dataclass(frozen=True)
class Landing:
    """One landing's schedule: times in s after contact, N1 as a fraction above idle."""

    name: str = "one"
    touchdown_kt: float = 135.0
    spoilers_s: float = 0.5
    spoilers: float = 1.0
    travel_s: float = 1.0
    select_s: tuple[float, float] = (2.0, 2.0)
    transit_s: tuple[float, float] = (2.0, 2.0)
    top: float = 0.5
    spool_s: float = 4.0
    reduce_kt: float = 65.0
    brakes_s: float = 3.0
    pressure: float = 0.3
    mass_kg: float = 60_000.0
    headwind_kt: float = 5.0
    pitch_s: float = 4.0
    fleet: str = "made"
    slope_g: float = 0.0


def ramp(t: Time, start: float, length: float) -> Time:
    """From 0 to 1 in so many seconds from a time on."""
    share = (t - start) / max(length, 1e-9)
    return np.clip(share, 0.0, 1.0) if isinstance(share, np.ndarray) else min(max(share, 0.0), 1.0)


@dataclass
class Flight:
    """The landing as it went, at any time."""

    landing: Landing
    kind: Type
    usual_kg: float = 60_000.0
    reduced_s: float = field(default=NEVER)

    def spoiler(self, t: Time) -> Time:
        return self.landing.spoilers * ramp(t, self.landing.spoilers_s, self.landing.travel_s)

    def sleeve(self, t: Time, e: int) -> Time:
        return ramp(t, self.landing.select_s[e] + 0.25, self.landing.transit_s[e])

    def n1(self, t: Time, e: int) -> Time:
        deployed = self.landing.select_s[e] + 0.25 + self.landing.transit_s[e]
        up = self.landing.top * ramp(t + (self.reduced_s - t) * (t > self.reduced_s), deployed, self.landing.spool_s)
        return up * (1 - ramp(t, self.reduced_s, self.landing.spool_s))

    def pitch(self, t: Time) -> Time:
        return 4.0 * (1 - ramp(t, self.landing.pitch_s - 3.0, 3.0))

    def pressure(self, t: Time) -> Time:
        return self.landing.pressure * ramp(t, self.landing.brakes_s, 0.5)

    def slowing_g(self, t: float, v: float) -> tuple[float, float]:
        """Deceleration and braking, g."""
        kind, omega = self.kind, self.usual_kg / self.landing.mass_kg
        q = ((v + self.landing.headwind_kt * KT) / 70.0) ** 2 * omega
        lift = kind.lift - kind.spoiler_lift * self.spoiler(t) + kind.pitch_lift * self.pitch(t)
        load = max(1 - q * lift, 0.0)
        brakes = kind.brakes * self.pressure(t) * (kind.follows_load * load + 0.95 * (1 - kind.follows_load))
        brakes = min(brakes, 0.75 * load)
        thrust = 0.0
        for e in (0, 1):
            u, p = self.n1(t, e), self.sleeve(t, e)
            r0, r1, r2 = kind.reverse
            thrust += p * (r0 + r1 * u + r2 * u * u) - (1 - p) * kind.forward
        drag = q * (kind.drag + kind.spoiler_drag * self.spoiler(t) + kind.pitch_drag * self.pitch(t))
        return drag + kind.rolling * load + brakes + omega * thrust + self.landing.slope_g, brakes


@dataclass(frozen=True)
class Run:
    """Speed (m/s), distance (m) and brake energy (J/kg) at `time_s`; until standstill or 90 s."""

    flight: Flight
    time_s: np.ndarray
    speed: np.ndarray
    distance: np.ndarray
    brakes: np.ndarray

    def to(self, speed_kt: float) -> tuple[float, float, float]:
        """Distance, time and brake energy to a speed."""
        at = float(np.interp(-speed_kt * KT, -self.speed, self.time_s))
        return float(np.interp(at, self.time_s, self.distance)), at, float(np.interp(at, self.time_s, self.brakes))


def run(landing: Landing, kind: Type | None = None) -> Run:
    """Integrate a landing, stopping at the reduction of power to change the schedule there."""
    flight = Flight(landing, kind or Type())

    def slope(t: float, y: np.ndarray) -> list[float]:
        v = max(y[0], 0.0)
        slowing, brakes = flight.slowing_g(t, v)
        return [-slowing * G if y[0] > 0 else 0.0, v, brakes * G * v]

    def slow(t: float, y: np.ndarray) -> float:
        return y[0] - landing.reduce_kt * KT

    slow.terminal = True  # type: ignore[attr-defined]
    fine = np.arange(0, CELLS * STEP_S + 0.01, 0.01)
    options = {"rtol": 1e-6, "atol": 1e-6, "max_step": 0.25}
    first = solve_ivp(
        slope, (0, fine[-1]), [landing.touchdown_kt * KT, 0, 0], events=slow, dense_output=True, **options
    )
    flight.reduced_s = float(first.t[-1])
    rest = solve_ivp(slope, (first.t[-1], fine[-1]), first.y[:, -1], dense_output=True, **options)
    y = np.where(fine <= flight.reduced_s, first.sol(np.minimum(fine, flight.reduced_s)), rest.sol(fine))
    return Run(flight, fine, np.maximum(y[0], 0), y[1], y[2])


def rolls(runs: list[Run], automatic: bool = False) -> Rolls:
    """Runs as they would be laid on cells from a perfect recording."""
    return join([_one(r, automatic) for r in runs])


def _one(r: Run, automatic: bool) -> Rolls:
    f = r.flight
    speed = np.interp(np.arange(CELLS + 1) * STEP_S, r.time_s, r.speed)
    end = int(np.argmax(speed <= 30 * KT)) if (speed <= 30 * KT).any() else CELLS

    def cells(of: Curve) -> np.ndarray:
        moments = (np.arange(CELLS * 4) + 0.5) / 4 * STEP_S
        return np.broadcast_to(of(moments), moments.shape).reshape(1, CELLS, 4).mean(axis=2)

    def engines(of: Callable[[float, int], float]) -> np.ndarray:
        return np.stack([cells(lambda t, e=e: of(t, e)) for e in (0, 1)], axis=2)

    land, notes = f.landing, np.empty(1, object)
    notes[0] = []
    select = np.array([land.select_s])
    unlocked = np.where(select < 900, select + 0.25, np.nan)
    deployed = unlocked + np.where(np.array([land.transit_s]) < 900, land.transit_s, np.nan)
    nose = f.pitch(-1.0)
    q = ((land.touchdown_kt + land.headwind_kt) * KT / 70) ** 2 * f.usual_kg / land.mass_kg
    normal = q * (f.kind.lift + f.kind.pitch_lift * nose)
    never = np.full((1, 2), np.nan)
    return Rolls(
        landing_id=np.array([land.name], object),
        fleet=np.array([land.fleet], object),
        speed_mps=speed[None],
        decel_g=-np.diff(speed)[None] / STEP_S / G,
        used=(np.arange(CELLS) < end)[None],
        stop_mps=np.array([30 * KT]),
        wind_mps=np.full((1, CELLS), land.headwind_kt * KT),
        pitch_deg=cells(f.pitch),
        flap_deg=np.full((1, CELLS), np.nan),
        spoiler=cells(f.spoiler),
        n1=engines(f.n1) + f.kind.idle_n1,
        sleeve=engines(f.sleeve),
        lever=np.full((1, CELLS, 2), np.nan),
        pressure=cells(f.pressure),
        automatic=np.full((1, CELLS), automatic),
        automatic_known=np.array([True]),
        mass_kg=np.array([land.mass_kg]),
        lift=np.array([[normal, (land.touchdown_kt + land.headwind_kt) * KT, nose]]),
        settled_s=np.zeros(1),
        brakes_s=np.array([land.brakes_s + 0.05]) if land.brakes_s < 900 else np.array([np.nan]),
        selected_s=np.where(select < 900, select, np.nan),
        unlocked_s=unlocked,
        deployed_s=deployed,
        stow_s=never,
        stowed_s=never,
        airborne_s=np.zeros(1),
        has_reverser=np.ones((1, 2), bool),
        refused=np.array([""], object),
        notes=notes,
    )


def fleet(count: int, seed: int, kind: Type | None = None) -> list[Run]:
    """Normal landings, drawn around the usual."""
    made = []
    for n in range(count):
        rng = np.random.default_rng([seed, n])
        select = rng.uniform(1.5, 2.5)
        one = Landing(
            name=f"normal-{n}",
            touchdown_kt=rng.uniform(125, 145),
            spoilers_s=rng.uniform(0.3, 0.7),
            select_s=(select, select + 0.1),
            top=rng.uniform(0.4, 0.6),
            reduce_kt=rng.uniform(60, 72),
            brakes_s=rng.uniform(2.0, 4.0),
            pressure=rng.uniform(0.15, 0.45),
            mass_kg=rng.uniform(54e3, 66e3),
            headwind_kt=rng.uniform(-3, 15),
        )
        made.append(run(one, kind))
    return made


def changed(landing: Landing, **changes: object) -> Landing:
    return replace(landing, **changes)  # type: ignore[arg-type]
