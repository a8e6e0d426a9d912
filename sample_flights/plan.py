"""What crew, systems and weather will do on each landing, drawn before it is flown."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from sample_flights.airline import KT, Fleet, G, Runway

NEVER = np.inf


@dataclass
class Plan:
    """Arrays over n landings of one fleet; (n,) or, for engines, (engines, n). Times run from first contact.

    Speeds `_kt` are ground speeds at which something is done. Fields that name a failure are harmless by default:
    NEVER for a time, 1 for a fraction.
    """

    # aeroplane and weather
    mass_kg: np.ndarray
    density: np.ndarray  # kg/m³
    headwind: np.ndarray  # m/s
    friction: np.ndarray  # most that wheels can pull, fraction of their load
    condition_code: np.ndarray  # runway condition code, 6 dry
    approach_mps: np.ndarray  # airspeed
    touchdown_mps: np.ndarray  # airspeed
    sink_mps: np.ndarray  # at contact
    flare_s: np.ndarray
    touchdown_m: np.ndarray  # from the landing threshold
    # contact
    first_contact_s: np.ndarray  # how long the first contact lasts when a bounce follows
    bounce_s: np.ndarray  # airborne time of the bounce, 0 for none
    second_gear_s: np.ndarray  # by how much one main gear follows the other; negative: right gear first
    nose_s: np.ndarray  # from settling until the nose gear is down
    # spoilers, times from settling
    armed: np.ndarray  # bool
    auto_s: np.ndarray  # automatic extension begins; NEVER when it fails
    by_hand_s: np.ndarray  # crew extends
    by_reverse: np.ndarray  # bool: reverse levers drive them up
    spoiler_max: np.ndarray  # fraction reached
    retract_kt: np.ndarray
    # reverse
    select_s: np.ndarray  # (engines, n) lever raised
    power_s: np.ndarray  # (engines, n) at the earliest this long after raising, lever beyond idle
    target_pct: np.ndarray  # (engines, n) N1 wanted
    reduce_kt: np.ndarray
    reduce_hold_s: np.ndarray  # time below 30 kt before reducing
    reduce_lever_s: np.ndarray  # time that the lever takes from power to idle reverse
    stow_kt: np.ndarray
    stow_hold_s: np.ndarray  # time below 30 kt before stowing
    stow_gate_pct: np.ndarray  # N1 above idle at which the crew accepts to stow
    cancel_s: np.ndarray  # crew gives up on an engine that has not deployed, from selection
    unlock_s: np.ndarray  # (engines, n) from raising to unlocked; NEVER when the lock fails
    transit_s: np.ndarray  # (engines, n)
    stow_transit_s: np.ndarray  # (engines, n)
    stuck_at: np.ndarray  # (engines, n) sleeve position where it stops
    stuck_s: np.ndarray  # (engines, n) until so long after raising
    air_unlock_s: np.ndarray  # (engines, n) unlocks by itself before contact (negative time)
    air_unlock_for_s: np.ndarray  # (engines, n)
    autothrottle_off_s: np.ndarray  # from contact
    forward_from_s: np.ndarray  # (engines, n) forward lever up by mistake, from contact
    forward_for_s: np.ndarray  # (engines, n)
    # brakes and the way out
    autobrake_g: np.ndarray  # target, 0 for pedals
    brake_s: np.ndarray  # from settling until autobrake or pedals act
    pedal_g: np.ndarray  # deceleration that the crew wants by pedal
    takeover_kt: np.ndarray  # crew takes over from autobrake
    exit_kt: np.ndarray
    taxi_kt: np.ndarray
    turn: np.ndarray  # +1 right, -1 left
    end_s: np.ndarray  # end of recording, from the runway exit
    yaw_kick: np.ndarray  # rad/s², a gust's or a reverser's yawing push
    yaw_kick_s: np.ndarray
    go_around_s: np.ndarray
    # left low pressure, left system; side: 0 healthy, 1 left, 2 right
    low_hydraulics: np.ndarray

    def __len__(self) -> int:
        return len(self.mass_kg)

    def single(self) -> Plan:
        """The same, with numbers in single precision."""
        kept = {f.name: getattr(self, f.name) for f in fields(self)}
        return Plan(**{name: x.astype(np.float32) if x.dtype == np.float64 else x for name, x in kept.items()})

    def part(self, chosen: np.ndarray | slice) -> Plan:
        """Some of the landings."""
        return Plan(**{f.name: getattr(self, f.name)[..., chosen] for f in fields(self)})


def normal(rng: np.random.Generator, fleet: Fleet, runways: list[Runway]) -> Plan:
    """Landings as they should be, with the scatter of everyday flying (spreads: common practice, no source)."""
    n = len(runways)
    length = np.array([r.length_m - r.displaced_m for r in runways])
    elevation = np.array([r.elevation_ft for r in runways])
    return Plan(
        **_aeroplane(rng, fleet, n, elevation, length),
        **_contact(rng, n),
        **_spoilers(rng, fleet, n),
        **_reverse(rng, fleet, n),
        **_brakes(rng, n, length),
        yaw_kick=rng.normal(0, 0.006, n),
        yaw_kick_s=rng.uniform(2, 9, n),
        go_around_s=np.full(n, NEVER),
        low_hydraulics=np.zeros(n, np.int8),
    )


def _aeroplane(rng: np.random.Generator, fleet: Fleet, n: int, elevation: np.ndarray, length: np.ndarray) -> dict:
    mass = rng.uniform(*fleet.mass_kg, n)
    density = 1.225 * (1 - 6.8756e-6 * elevation) ** 4.2559 * rng.normal(1, 0.015, n)  # ISA troposphere
    reference = np.sqrt(2 * mass * G / (density * fleet.wing_m2 * fleet.landing_cl))
    code = rng.choice(np.array([6, 5, 3], np.int8), n, p=[0.84, 0.13, 0.03])  # AC 25-32 table 2; from memory
    headwind = rng.normal(5, 5, n).clip(-5, 22) * KT
    approach = reference + (5 + rng.uniform(0, 3, n)) * KT + 0.3 * headwind.clip(0)
    return {
        "mass_kg": mass,
        "density": density,
        "headwind": headwind,
        "friction": np.select([code == 6, code == 5], [0.42, 0.27], 0.16) * rng.normal(1, 0.03, n),
        "condition_code": code,
        "approach_mps": approach,
        "touchdown_mps": approach * rng.normal(0.965, 0.008, n).clip(0.94, 0.985),
        "sink_mps": rng.gamma(9, 0.075, n).clip(0.2, 1.3),
        "flare_s": rng.uniform(5, 7.5, n),
        "touchdown_m": rng.gamma(20, 20, n).clip(180, 0.23 * length),
    }


def _contact(rng: np.random.Generator, n: int) -> dict:
    return {
        "first_contact_s": np.zeros(n),
        "bounce_s": np.zeros(n),
        "second_gear_s": np.where(rng.random(n) < 0.5, 1, -1) * rng.exponential(0.12, n).clip(0, 0.5),
        "nose_s": rng.gamma(30, 0.12, n).clip(2.2, 6),
    }


def _spoilers(rng: np.random.Generator, fleet: Fleet, n: int) -> dict:
    return {
        "armed": np.ones(n, bool),
        "auto_s": rng.uniform(0.12, 0.4, n),
        "by_hand_s": np.full(n, NEVER),
        "by_reverse": np.full(n, fleet.reverse_lifts),
        "spoiler_max": np.ones(n),
        "retract_kt": rng.uniform(6, 27, n),
    }


def _reverse(rng: np.random.Generator, fleet: Fleet, n: int) -> dict:
    engines = (fleet.engines, n)
    idle, full = fleet.idle_pct, fleet.max_reverse_pct
    use = rng.random(n)  # how much reverse the crew wants: a quarter idle only, some full
    wanted = np.where(use < 0.22, idle, np.where(use < 0.8, rng.uniform(idle + 22, full - 12, n), full))
    above = np.where(use < 0.22, 0, 1)
    fitted = np.isin(np.arange(1, fleet.engines + 1), fleet.reversers)[:, None]
    select = rng.gamma(14, 0.12, n).clip(0.7, 3.2) + rng.normal(0, 0.06, engines)
    return {
        "select_s": np.where(fitted, select, NEVER),
        "power_s": np.broadcast_to(rng.uniform(0.8, 2.2, n), engines).copy(),
        "target_pct": wanted + above * rng.normal(0, 0.8, engines),
        "reduce_kt": rng.normal(68, 4, n).clip(61, 80),
        "reduce_hold_s": np.zeros(n),
        "reduce_lever_s": rng.uniform(1.5, 3.0, n),
        "stow_kt": rng.normal(45, 3, n).clip(39, 54),
        "stow_hold_s": np.zeros(n),
        "stow_gate_pct": rng.uniform(1.0, 3.5, n),
        "cancel_s": np.full(n, NEVER),
        "unlock_s": rng.uniform(0.25, 0.45, engines),
        "transit_s": fleet.transit_s * rng.normal(1, 0.03, engines),
        "stow_transit_s": fleet.stow_s * rng.normal(1, 0.03, engines),
        "stuck_at": np.ones(engines),
        "stuck_s": np.zeros(engines),
        "air_unlock_s": np.full(engines, NEVER),
        "air_unlock_for_s": np.zeros(engines),
        "autothrottle_off_s": -rng.uniform(1, 45, n),
        "forward_from_s": np.full(engines, NEVER),
        "forward_for_s": np.zeros(engines),
    }


def _brakes(rng: np.random.Generator, n: int, length: np.ndarray) -> dict:
    auto = rng.random(n) < 0.7
    short = length < 2450
    target = np.where(short | (rng.random(n) < 0.25), 0.30, np.where(rng.random(n) < 0.5, 0.22, 0.18))
    return {
        "autobrake_g": np.where(auto | short, target, 0),
        "brake_s": np.where(auto | short, rng.uniform(1.0, 2.5, n), rng.gamma(25, 0.14, n).clip(1.5, 6)),
        "pedal_g": rng.uniform(0.19, 0.27, n),
        "takeover_kt": rng.normal(68, 8, n).clip(45, 90),
        "exit_kt": rng.uniform(12, 19, n),
        "taxi_kt": rng.uniform(13, 20, n),
        "turn": np.where(rng.random(n) < 0.5, 1.0, -1.0),
        "end_s": rng.uniform(60, 88, n),
    }
