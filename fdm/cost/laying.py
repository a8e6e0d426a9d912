"""A batch's landings laid on cells, or the reason why one cannot be.

Speed is ground speed smoothed, with the accelerometer filling in what happens between its samples; the deceleration is
that speed's own difference, so that replaying it gives the recorded distance back.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fdm.bounded import FINE, Instants
from fdm.cost.rolls import CELLS, FULL_PSI, STEP_S, STOP_KT, Rolls
from fdm.cost.smoothing import Sampled, filled, smooth_speed_mps
from fdm.steps import Rollout
from fdm.units import MPS2_PER_G, MPS_PER_KT

LIFT_S = np.linspace(-2.5, -0.5, 9)  # before contact, where the wing still carries the aeroplane
LONGEST_GAP_S = 3.0
GAP_CHANGE = 0.05  # of full range: a longer gap is bridged when the values on both of its sides differ by less
STUCK_SLEEVE = 0.35  # share of travel of a sleeve that left stowed and never arrived
AIRSPEED_KT = 45.0  # below it airspeed is not shown
LEAST_CELLS = 10
SPOILERS = ("spoiler_panel", "spoiler_handle")
BRAKES = ("brake_pressure.left", "brake_pressure.right")
_ENGINE_TIMES = ("selected_s", "unlocked_s", "deployed_s", "stow_s", "stowed_s")
_RANGES = {"n1": 100.0, "spoiler_panel": 1.0, "spoiler_handle": 1.0, "brake_pressure": FULL_PSI}
NO_PITCH = "pitch not recorded: taken as 4° lowered to none by 4 s after contact"
NO_AIRSPEED = "airspeed not recorded: taken as ground speed"


def rolls_of(batch: Rollout) -> Rolls:
    """Rollouts of a batch; one that cannot be laid out says why in `refused`."""
    contact = np.nan_to_num(batch.contact.best)
    sampled = Sampled(batch, contact)
    speed = smooth_speed_mps(sampled)
    stop_mps, used = _stop(batch, contact, speed)
    engines = range(1, batch.layout.engines + 1)
    after = _engine_times(batch, contact)
    at_contact = {name: sampled.at(name, np.zeros(1)) for name in ("flap", "gross_weight")}
    rolls = Rolls(
        landing_id=batch.facts["landing_id"].to_numpy(),
        fleet=batch.facts["fleet"].fill_null("").to_numpy(),
        speed_mps=speed,
        decel_g=-np.diff(speed, axis=1) / STEP_S / MPS2_PER_G,
        used=used,
        stop_mps=stop_mps,
        wind_mps=_wind(sampled, speed),
        pitch_deg=_pitch(sampled),
        flap_deg=np.repeat(at_contact["flap"], CELLS, axis=1),
        spoiler=filled(sampled.cells(_first(batch, SPOILERS))).clip(0, 1.05),
        n1=np.stack([filled(sampled.cells(f"n1.{e}")) / 100 for e in engines], axis=2),
        sleeve=np.stack([_sleeve(after, engine) for engine in engines], axis=2),
        lever=np.stack([sampled.cells(f"reverse_lever.{e}") for e in engines], axis=2),
        pressure=filled(_pressure(sampled)).clip(0) / FULL_PSI,
        automatic=filled(sampled.cells("autobrake_active")) > 0.5,
        automatic_known=np.full(batch.n, batch.has("autobrake_active")),
        mass_kg=at_contact["gross_weight"][:, 0],
        lift=_lift(sampled),
        settled_s=batch.settled.best - contact,
        brakes_s=_or_nan(batch.brakes_on) - contact,
        **{name: np.stack([after[name][e] for e in engines], axis=1) for name in _ENGINE_TIMES},
        airborne_s=np.nan_to_num(batch.touchdown.airborne_s.value),
        has_reverser=np.tile([e in batch.layout.reversers for e in engines], (batch.n, 1)),
        refused=_refusals(batch),
        notes=_notes(batch, stop_mps),
    )
    return replace(rolls, refused=_checked(sampled, rolls))


def _first(batch: Rollout, names: tuple[str, ...]) -> str:
    """The first of some parameters that is recorded; the last of them where none is."""
    return next((name for name in names if batch.has(name)), names[-1])


def _pressure(sampled: Sampled) -> np.ndarray:
    """Mean of both sides' brake pressure, or of the one recorded."""
    sides = [sampled.cells(name) for name in BRAKES if sampled.batch.has(name)]
    return np.mean(sides, axis=0) if sides else np.full((sampled.batch.n, CELLS), np.nan)


def _pitch(sampled: Sampled) -> np.ndarray:
    if sampled.batch.has("pitch"):
        return filled(sampled.cells("pitch"))
    after = (np.arange(CELLS) + 0.5) * STEP_S
    return np.tile(4.0 * np.clip((4.0 - after) / 3.0, 0, 1), (sampled.batch.n, 1))


def _wind(sampled: Sampled, speed: np.ndarray) -> np.ndarray:
    """Calibrated airspeed less ground speed; none where airspeed is not recorded, as before when it is too slow."""
    if not sampled.batch.has("airspeed"):
        return np.zeros((sampled.batch.n, CELLS))
    airspeed = sampled.cells("airspeed")
    ground = (speed[:, 1:] + speed[:, :-1]) / 2
    shown = airspeed > AIRSPEED_KT
    return filled(np.where(shown, airspeed * MPS_PER_KT - ground, np.nan)).clip(-30, 40)


def _lift(sampled: Sampled) -> np.ndarray:
    """Normal acceleration, airspeed (m/s) and pitch, means over the last seconds before contact."""
    names = ("normal_acceleration", _first(sampled.batch, ("airspeed", "ground_speed")), "pitch")
    normal, airspeed, pitch = (sampled.at(name, LIFT_S).mean(axis=1) for name in names)
    return np.stack([normal, airspeed * MPS_PER_KT, pitch], axis=1)


def _stop(batch: Rollout, contact: np.ndarray, speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Speed to which the cost is counted (30 kt, or that at the turn-off) and the cells until then."""
    exit_s = np.nan_to_num(_or_nan(batch.runway_exit) - contact, nan=np.inf)
    end_s = np.minimum(exit_s, batch.record_end - contact)
    known = np.arange(CELLS + 1) * STEP_S <= end_s[:, None]
    lowest = np.where(known, speed, np.inf).min(axis=1)
    stop_mps = np.maximum(STOP_KT * MPS_PER_KT, lowest)
    below = known & (speed <= stop_mps[:, None])
    end = np.where(below.any(axis=1), np.argmax(below, axis=1), 0)
    return stop_mps, np.arange(CELLS) < end[:, None]


# reversers -----------------------------------------------------------------------------------------------------------


def _or_nan(when: Instants) -> np.ndarray:
    return np.where(when.why == FINE, when.best, np.nan)


def _engine_times(batch: Rollout, contact: np.ndarray) -> dict[str, dict[int, np.ndarray]]:
    """Reverser times after first contact by engine number, NaN where never or no reverser."""
    never = np.full(batch.n, np.nan)
    found = {name: dict.fromkeys(range(1, batch.layout.engines + 1), never) for name in _ENGINE_TIMES}
    if not batch.layout.reversers:
        return found
    steps = (batch.reverse_selected, batch.unlocked, batch.deployed, batch.stow_start, batch.stowed)
    for name, when in zip(_ENGINE_TIMES, steps, strict=True):
        for column, engine in enumerate(batch.layout.reversers):
            found[name][engine] = _or_nan(when.engine(column)) - contact
    return found


def _sleeve(after: dict[str, dict[int, np.ndarray]], engine: int) -> np.ndarray:
    """Reverser position in every cell: straight from unlocked to deployed, and from leaving deployed to stowed."""
    time_s = (np.arange(CELLS) + 0.5) * STEP_S
    unlocked, deployed, stow, stowed = (after[name][engine][:, None] for name in _ENGINE_TIMES[1:])
    return sleeve_position(time_s, unlocked, deployed, stow, stowed)


def sleeve_position(
    time_s: np.ndarray, unlocked: np.ndarray, deployed: np.ndarray, stow: np.ndarray, stowed: np.ndarray
) -> np.ndarray:
    """Share of travel at moments; NaN times stand for never."""
    with np.errstate(invalid="ignore", divide="ignore"):
        out = np.clip((time_s - unlocked) / np.maximum(deployed - unlocked, 0.05), 0, 1)
        back = np.clip((np.fmax(stowed, stow + 0.05) - time_s) / np.maximum(stowed - stow, 0.05), 0, 1)
        stuck = np.where((time_s > unlocked) & ~(time_s > stowed), STUCK_SLEEVE, 0.0)
    out = np.where(np.isnan(deployed), stuck, np.nan_to_num(out))
    return np.where(np.isnan(stow), out, np.minimum(out, np.nan_to_num(back, nan=1.0)))


# what cannot be laid out, and what was assumed -----------------------------------------------------------------------


def _notes(batch: Rollout, stop_mps: np.ndarray) -> np.ndarray:
    notes = np.empty(batch.n, dtype=object)
    common = [note for name, note in (("pitch", NO_PITCH), ("airspeed", NO_AIRSPEED)) if not batch.has(name)]
    stop_kt = np.nan_to_num(stop_mps, posinf=0.0) / MPS_PER_KT
    for i, kt in enumerate(stop_kt):
        notes[i] = [*common, *([f"counted to {kt:.0f} kt, at the turn-off"] if kt > STOP_KT + 0.5 else [])]
    return notes


def _refusals(batch: Rollout) -> np.ndarray:
    refused = np.full(batch.n, "", dtype=object)
    refused[batch.went_around] = "the aeroplane flew again"
    refused[batch.contact.why != FINE] = "no touchdown found"
    needed: dict[str, tuple[str, ...]] = {
        "ground_speed": ("ground_speed",),
        "spoiler position": SPOILERS,
        "brake pressure": BRAKES,
        **{f"n1.{e}": (f"n1.{e}",) for e in range(1, batch.layout.engines + 1)},
    }
    for words, names in needed.items():
        if not any(batch.has(name) for name in names):
            refused[refused == ""] = f"not recorded: {words}"
    return refused


def _checked(sampled: Sampled, rolls: Rolls) -> np.ndarray:
    """Reasons too where the rollout is too short, or a parameter that it needs has a gap in it."""
    batch, refused = sampled.batch, rolls.refused.copy()

    def refuse(rows: np.ndarray, reason: str) -> None:
        refused[rows & (refused == "")] = reason

    refuse(np.isnan(rolls.speed_mps).any(axis=1), "too few samples of ground speed in the rollout")
    refuse(rolls.used.sum(axis=1) < LEAST_CELLS, "the rollout on the runway is too short to be fitted")
    names = [f"n1.{e}" for e in range(1, batch.layout.engines + 1)]
    for name in ("ground_speed", *names, _first(batch, SPOILERS), *BRAKES):
        if batch.has(name):
            most = 0.0 if name == "ground_speed" else GAP_CHANGE * _RANGES[name.split(".")[0]]
            missing = (_unbridged(sampled.cells(name), most) & rolls.used).sum(axis=1) * STEP_S
            refuse(missing > LONGEST_GAP_S, f"contaminated data: {name} is missing for seconds of the rollout")
    return refused


def _unbridged(values: np.ndarray, most: float) -> np.ndarray:
    """(n, m) cells without a value, unless the ones before and behind the gap differ by less than `most`."""
    missing = np.isnan(values)
    m = values.shape[1]
    before = np.maximum.accumulate(np.where(missing, -1, np.arange(m)), axis=1)
    behind = np.minimum.accumulate(np.where(missing, m, np.arange(m))[:, ::-1], axis=1)[:, ::-1]
    a = np.take_along_axis(values, np.maximum(before, 0), axis=1)
    b = np.take_along_axis(values, np.minimum(behind, m - 1), axis=1)
    return missing & ~(np.abs(a - b) < most)
