"""Landings flown twice with JSBSim, with and without one lapse: what a late device truly cost.

`draw` makes pairs of plans that differ in the lapse alone; `make` flies them, writes the landings with the lapse and a
fleet of normal ones as recordings, and returns what each lapse cost. The twins are never recorded. In a twin the
device comes when it usually does: at the middle of what the normal landings are drawn from.

The wheel brakes are ours. Pedals hold one pressure. The automatic brake moves the pressure by how far the deceleration
is from its target, lets go at a speed, and pedals follow. On a wet runway anti-skid holds the friction to what
14 CFR 25.109(c) gives for 200 psi tyres, smooth and wet, with a fully modulating system; the recorder sees the pressure
behind it. Braking follows the load on the wheels, as JSBSim's own does, or (`torque_limited`) the pressure alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from .jsbsim_fleet import channels
from .jsbsim_landing import KT_FPS, NEVER, TICK_S, Flown, Plan, Simulator, fly, prepare
from .recorder import FLAG, Channel, Flight, write

G_MPS2, MPS_PER_KT, N_PER_LBF, M_PER_FT = 9.80665, 1852 / 3600, 4.4482216152605, 0.3048
STATIC = {"737": 0.8, "A320": 0.5}  # friction of the models' main wheels, fully braked
ROLLING = 0.02  # and not braked
MAIN_SHARE = 0.93  # of the load on all wheels, carried by the braked ones
FULL_RATE = 0.5  # of full pressure per second, how fast the automatic brake's valve moves
LEAST_KT = 30.0
KINDS = (
    "spoilers_late",
    "spoilers_partial",
    "spoilers_never",
    "reverse_late",
    "reverse_never",
    "one_slow",
    "one_locked",
    "both_slow",
    "brakes_late",
)
RULES = {
    "spoilers_late": "late_spoilers",
    "spoilers_partial": "spoilers_partial",
    "spoilers_never": "late_spoilers",
    "reverse_late": "late_reverse",
    "reverse_never": "no_reverse",
    "one_slow": "asymmetric_deployment",
    "one_locked": "reverser_not_deployed",
    "both_slow": "reverser_not_deployed",
    "brakes_late": "late_braking",
}


@dataclass(frozen=True)
class Braking:
    """How a landing is braked.

    start_s      after first contact
    level        pedal pressure, fraction of full; of the pedals that follow the automatic brake too
    target_g     of the automatic brake; 0 for pedals from the start
    release_kt   the automatic brake lets go
    """

    start_s: float
    level: float
    target_g: float = 0.0
    release_kt: float = 0.0
    wet: bool = False
    torque_limited: bool = False


@dataclass(frozen=True)
class Braked:
    """One landing to be flown."""

    plan: Plan
    braking: Braking


@dataclass(frozen=True)
class Stop:
    """From first contact to 30 kt: metres, seconds, and the heat that went into the brakes."""

    distance_m: float
    time_s: float
    brake_energy_mj: float


@dataclass(frozen=True)
class Twin:
    """What a lapse cost, and what it was."""

    kind: str
    flight: Braked
    flown: Stop
    without: Stop

    @property
    def extra(self) -> Stop:
        """The cost."""
        return Stop(
            self.flown.distance_m - self.without.distance_m,
            self.flown.time_s - self.without.time_s,
            self.flown.brake_energy_mj - self.without.brake_energy_mj,
        )


def smooth_wet_200_psi(speed_kt: float) -> float:
    """Maximum tyre-to-ground friction, 14 CFR 25.109(c)(1), smooth wet runway, 200 psi (from memory)."""
    x = speed_kt / 100
    return -0.0331 * x**3 + 0.252 * x**2 - 0.658 * x + 0.692


class BrakeSystem:
    """Works the brakes of one flight; `rows` holds pressure fraction, automatic brake on, braking force (N) by tick."""

    def __init__(self, braking: Braking, model: str):
        self.braking, self.static = braking, STATIC[model]
        self.rows: list[tuple[float, bool, float]] = []
        self.pressure = 0.0
        self.released = False
        self.speed_fps: float | None = None
        self.deceleration_g = 0.0

    def __call__(self, fdm: Simulator, plan: Plan, memory: Any, now: dict[str, float], time_s: float) -> None:
        """One tick: what the crew or the automatic brake wants, what anti-skid leaves, what the wheels then do."""
        spec, speed_kt = self.braking, now["ground_speed_kt"]
        since = -1.0 if memory.touchdown_s is None else time_s - memory.touchdown_s
        self._feel(speed_kt * KT_FPS)
        automatic = spec.target_g > 0 and since >= spec.start_s and not self.released
        self.released |= automatic and speed_kt < spec.release_kt
        if automatic:
            step = 2.0 * (spec.target_g - self.deceleration_g) * TICK_S
            self.pressure += max(-FULL_RATE * TICK_S, min(FULL_RATE * TICK_S, step))
        else:
            wanted = spec.level if since >= spec.start_s else 0.0
            self.pressure += max(-TICK_S, min(TICK_S, wanted - self.pressure))
        load_n = max(0.0, -float(fdm["forces/fbz-gear-lbs"])) * N_PER_LBF
        self.pressure = max(0.0, min(1.0, self.pressure))
        command = self._wheels(load_n, now["weight_kg"] * G_MPS2, speed_kt)
        memory.brake = self.pressure
        fdm["fcs/left-brake-cmd-norm"] = fdm["fcs/right-brake-cmd-norm"] = command
        force_n = max(0.0, -float(fdm["forces/fbx-gear-lbs"]) * N_PER_LBF - ROLLING * load_n)
        self.rows.append((self.pressure, automatic, force_n))

    def _feel(self, speed_fps: float) -> None:
        if self.speed_fps is not None:
            now_g = (self.speed_fps - speed_fps) / TICK_S * M_PER_FT / G_MPS2
            self.deceleration_g += (now_g - self.deceleration_g) * TICK_S / 0.15
        self.speed_fps = speed_fps

    def _wheels(self, load_n: float, weight_n: float, speed_kt: float) -> float:
        """Brake command of the model for the pressure; the pressure falls where anti-skid lets some off."""
        grip = 0.8 * smooth_wet_200_psi(speed_kt) if self.braking.wet else self.static
        most = min(1.0, (grip - ROLLING) / (self.static - ROLLING))
        share = 1.0
        if self.braking.torque_limited:
            share = MAIN_SHARE * weight_n / max(MAIN_SHARE * load_n, 0.02 * weight_n)
        self.pressure = min(self.pressure, most / share)
        return self.pressure * share


def flown(flight: Braked, models: Path) -> tuple[Flown, BrakeSystem]:
    """One landing, flown."""
    brakes = BrakeSystem(flight.braking, flight.plan.model)
    return fly(flight.plan, models, brakes), brakes


def stop(one: Flown, brakes: BrakeSystem) -> Stop:
    """What it took from first contact to 30 kt."""
    log = one.log
    contact = int(np.flatnonzero((log["left_on"] > 0) | (log["right_on"] > 0))[0])
    fast = np.flatnonzero(log["ground_speed_kt"] >= LEAST_KT)
    end = int(fast[-1]) + 1
    v0, v1 = log["ground_speed_kt"][end - 1 : end + 1]
    at_s = one.time_s[end - 1] + TICK_S * (v0 - LEAST_KT) / (v0 - v1)
    force = np.array([force for _, _, force in brakes.rows])
    power = force * log["ground_speed_kt"] * MPS_PER_KT
    return Stop(
        float(np.interp(at_s, one.time_s, log["distance_m"]) - log["distance_m"][contact]),
        float(at_s - one.time_s[contact]),
        float(power[contact:end].sum() * TICK_S / 1e6),
    )


# plans ---------------------------------------------------------------------------------------------------------------

PEDAL = {"737": (0.16, 0.38), "A320": (0.25, 0.60)}
TARGETS_G = {"737": (0.124, 0.155, 0.223), "A320": (0.173, 0.306)}  # 4, 5, 7.2 ft/s² ; 1.7, 3 m/s²
FUEL_LB = {"737": (2500.0, 8000.0), "A320": (2500.0, 7000.0)}


SPOILERS_S, SELECT_S, TRANSIT_S, POWER = (0.2, 0.9), (1.2, 3.4), (1.5, 2.2), (0.62, 0.98)
REDUCE_KT, PEDALS_S, AUTOMATIC_S = (60.0, 74.0), (2.0, 5.0), (1.5, 3.5)


def _middle(between: tuple[float, float]) -> float:
    return sum(between) / 2


def normal(rng: np.random.Generator, model: str, name: str, torque_limited: bool = False) -> Braked:
    """A landing without a lapse: everything near its usual time, and differently each time."""
    select_s, apart_s, power = rng.uniform(*SELECT_S), rng.uniform(0.0, 0.3), rng.uniform(*POWER)
    plan = Plan(
        name=name,
        model=model,
        spoilers_s=rng.uniform(*SPOILERS_S),
        select_s=(select_s, select_s + apart_s),
        transit_s=tuple(rng.uniform(*TRANSIT_S, 2)),
        stow_transit_s=tuple(rng.uniform(2.4, 3.6, 2)),
        power=(power, power + rng.uniform(-0.02, 0.02)),
        reduce_kt=rng.uniform(*REDUCE_KT),
        stow_kt=rng.uniform(32.0, 45.0),
        flare_ft=55.0 * rng.uniform(0.96, 1.04),
        headwind_kt=rng.uniform(-4.0, 14.0),
        fuel_lb=rng.uniform(*FUEL_LB[model]),
        end_kt=24.0,
    )
    automatic = rng.random() < 0.55
    target = float(rng.choice(TARGETS_G[model]))
    braking = Braking(
        start_s=rng.uniform(*AUTOMATIC_S) if automatic else rng.uniform(*PEDALS_S),
        level=float(rng.uniform(*PEDAL[model])),
        target_g=target if automatic else 0.0,
        release_kt=rng.uniform(32.0, 65.0),
        wet=bool(rng.random() < 0.4),
        torque_limited=torque_limited,
    )
    return Braked(plan, braking)


def on_time(kind: str, good: Braked) -> Braked:
    """The landing with the device of a kind of lapse at its usual time."""
    plan, braking = good.plan, good.braking
    if kind == "brakes_late":
        usual = AUTOMATIC_S if braking.target_g else PEDALS_S
        return replace(good, braking=replace(braking, start_s=_middle(usual)))
    changes: dict[str, dict[str, Any]] = {
        "spoilers": {"spoilers_s": _middle(SPOILERS_S)},
        "reverse_late": {"select_s": (_middle(SELECT_S), _middle(SELECT_S) + 0.15)},
        "reverse_never": {
            "select_s": (_middle(SELECT_S), _middle(SELECT_S) + 0.15),
            "transit_s": (_middle(TRANSIT_S), _middle(TRANSIT_S)),
            "power": (_middle(POWER), _middle(POWER)),
            "reduce_kt": _middle(REDUCE_KT),
        },
        "both_slow": {"transit_s": (_middle(TRANSIT_S), _middle(TRANSIT_S))},
    }
    return replace(good, plan=replace(plan, **changes.get(kind, changes.get(kind.split("_")[0], {}))))


def lapse(rng: np.random.Generator, kind: str, good: Braked) -> Braked:
    """The same landing with one lapse, from just noticeable to gross."""
    plan, braking = good.plan, good.braking
    if kind == "brakes_late":
        return replace(good, braking=replace(braking, start_s=rng.uniform(8.8, 16.0)))
    one = int(rng.integers(2))
    late_s = rng.uniform(4.6, 15.0)
    changes: dict[str, dict[str, Any]] = {
        "spoilers_late": {"spoilers_s": rng.uniform(2.2, 9.0)},
        "spoilers_partial": {"spoiler_travel": rng.uniform(0.2, 0.68)},
        "spoilers_never": {"spoilers_s": NEVER},
        "reverse_late": {"select_s": (late_s, late_s + rng.uniform(0.0, 0.3))},
        "reverse_never": {"select_s": (NEVER, NEVER)},
        "one_slow": {"transit_s": _with(plan.transit_s, one, rng.uniform(4.0, 11.0))},
        "one_locked": {"transit_s": _with(plan.transit_s, one, NEVER)},
        "both_slow": {"transit_s": tuple(rng.uniform(5.6, 12.0) + rng.uniform(0.0, 0.3, 2))},
    }
    return replace(good, plan=replace(plan, **changes[kind]))


def _with(pair: tuple[float, float], index: int, value: float) -> tuple[float, float]:
    return (value, pair[1]) if index == 0 else (pair[0], value)


def draw(
    count: int, normals: int, seed: int, torque_limited: bool = False, own_times: bool = False
) -> tuple[list[tuple], list[Braked]]:
    """(kind, landing with the lapse, its twin) by turns of kind and model; and normal landings of each model.

    own_times    the twin's device comes at a time drawn for it, as in any normal landing, not at the usual one
    """
    pairs, models = [], tuple(STATIC)
    for n in range(count):
        rng = np.random.default_rng([seed, 1, n])
        kind, model = KINDS[n % len(KINDS)], models[(n % len(KINDS) + n // len(KINDS)) % 2]
        good = normal(rng, model, f"{kind}_{n:04d}", torque_limited)
        bad = lapse(rng, kind, good)
        pairs.append((kind, bad, good if own_times else on_time(kind, good)))
    usual = [
        normal(np.random.default_rng([seed, 2, n]), models[n % 2], f"normal_{n:04d}", torque_limited)
        for n in range(2 * normals)
    ]
    return pairs, usual


def flight(one: Flown, brakes: BrakeSystem) -> Flight:
    """The landing as its recorder kept it."""
    active = np.array([on for _, on, _ in brakes.rows], dtype=float)
    on = Channel(
        "autobrake_active",
        lambda time_s: active[np.minimum(np.round(time_s / TICK_S).astype(int), len(active) - 1)],
        1,
        FLAG,
    )
    facts = {
        "tail": "ZZ-SIM",
        "start_utc": "2026-11-16T08:00:00Z",
        "departure": "ZZAA",
        "arrival": "ZZJS",
        "runway": "09",
    }
    return Flight(
        name=one.plan.name,
        start_s=0.0,
        end_s=float(one.time_s[-1]),
        channels=[*channels(one), on],
        fleet="jsbsim " + one.plan.model,
        facts=facts,
    )


def make(
    folder: Path, count: int, normals: int, seed: int, torque_limited: bool = False, own_times: bool = False
) -> dict[str, Twin]:
    """Fly pairs and normal landings, write the recordings, and say what each lapse cost, by flight."""
    (folder / "models").mkdir(parents=True, exist_ok=True)
    models = prepare(folder / "models")
    pairs, usual = draw(count, normals, seed, torque_limited, own_times)
    twins, flights = {}, []
    for kind, bad, good in pairs:
        made = flown(bad, models)
        twins[bad.plan.name] = Twin(kind, bad, stop(*made), stop(*flown(good, models)))
        flights.append(flight(*made))
    flights += [flight(*flown(one, models)) for one in usual]
    write(folder / "recordings", flights, seed)
    return twins
