"""A small fleet flown with JSBSim: plans with one lapse each, two recorder layouts, files and truth together."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from .jsbsim_landing import NEVER, RUNWAY_HEADING_DEG, Flown, Plan, fly, prepare
from .jsbsim_truth import Truth, truth
from .recorder import FLAG, STATES, Channel, Flight, Signal, write

RUNWAY_LENGTH_FT = 9200.0
FULL_48_DEG = {"unit": "deg", "full_travel": 48.0}
LAPSES: dict[str, dict[str, object]] = {
    "normal": {},
    "late_spoilers": {"spoilers_s": 4.6},
    "no_spoilers": {"spoilers_s": NEVER, "spoilers_armed": False},
    "late_reverse": {"select_s": (12.0, 12.2)},
    "one_slow": {"transit_s": (1.8, 7.0)},
    "one_never": {"transit_s": (NEVER, 2.0)},
    "power_to_stop": {"reduce_kt": 22.0, "stow_kt": 18.0, "brake": 0.2},
    "late_stow": {"stow_kt": 18.0, "stow_s": 52.0},
    "no_reverse": {"select_s": (NEVER, NEVER)},
    "forward_power": {"select_s": (2.0, NEVER), "forward_throttle": 0.25},
    "stow_at_power": {"reduce_kt": 66.0, "stow_kt": 66.0},
    "hard": {"flare_ft": 32.0, "sink_fps": 5.0},
    "partial_spoilers": {"spoiler_travel": 0.55},
    "early_retraction": {"retract_kt": 80.0},
    "go_around": {"select_s": (1.5, 1.5), "go_around_s": 5.0},
}


def plans(count: int, seed: int) -> list[Plan]:
    """Plans by turns of lapse and model, every number of them jittered; the same seed gives the same plans."""
    rng = np.random.default_rng(seed)
    names, models = list(LAPSES), ("737", "A320", "A320S")
    made = []
    for n in range(count):
        name = names[n % len(names)]
        model = "A320S" if name == "hard" else models[(n % len(names) + n // len(names)) % 2]
        made.append(_jitter(replace(Plan(f"{name}_{n:03d}", model), **LAPSES[name]), rng))  # type: ignore[arg-type]
    return made


def _jitter(plan: Plan, rng: np.random.Generator) -> Plan:
    def about(value: float, spread: float) -> float:
        return value if math.isinf(value) else float(value * rng.uniform(1 - spread, 1 + spread))

    pace, apart = rng.uniform(0.8, 1.2), rng.uniform(0.0, 0.3)
    return replace(
        plan,
        spoilers_s=about(plan.spoilers_s, 0.3),
        select_s=(plan.select_s[0] * pace, plan.select_s[1] * pace + apart),
        transit_s=(about(plan.transit_s[0], 0.15), about(plan.transit_s[1], 0.15)),
        stow_transit_s=(about(3.0, 0.2), about(3.0, 0.2)),
        power=(about(0.8, 0.2), about(0.8, 0.2)),
        retract_kt=about(plan.retract_kt, 0.2),
        reduce_kt=about(plan.reduce_kt, 0.08),
        stow_kt=about(plan.stow_kt, 0.05),
        brakes_s=about(plan.brakes_s, 0.3),
        brake=about(plan.brake, 0.2),
        flare_ft=about(plan.flare_ft, 0.05),
        headwind_kt=float(rng.uniform(0.0, 12.0)),
        leaves_runway=bool(rng.random() < 0.7),
    )


def _analogue(flown: Flown, name: str, scale: float = 1.0) -> Signal:
    return lambda time_s: scale * np.interp(time_s, flown.time_s, flown.log[name])


def _state(flown: Flown, condition: Callable[[dict[str, np.ndarray]], np.ndarray]) -> Signal:
    values = condition(flown.log).astype(float)
    last = len(values) - 1
    return lambda time_s: values[np.minimum(np.round(time_s * 100).astype(int), last)]


def _sleeve_state(engine: int) -> Callable[[dict[str, np.ndarray]], np.ndarray]:
    return lambda log: (log[f"sleeve_{engine}"] > 0).astype(float) + (log[f"sleeve_{engine}"] >= 1.0)


def channels(flown: Flown) -> list[Channel]:
    """The layout of the flown model: the 737 has flags and fast sampling, the A320 states and slow sampling."""
    fast = flown.plan.model == "737"

    def analogue(
        parameter: str, name: str, rate_hz: float, unit: str, resolution: float, scale: float = 1.0
    ) -> Channel:
        return Channel(parameter, _analogue(flown, name, scale), rate_hz, {"unit": unit}, resolution)

    def flag(parameter: str, condition: Callable[[dict[str, np.ndarray]], np.ndarray], rate_hz: float) -> Channel:
        return Channel(parameter, _state(flown, condition), rate_hz, FLAG)

    made = [
        analogue("ground_speed", "ground_speed_kt", 4 if fast else 1, "kt", 0.5),
        analogue("airspeed", "airspeed_kt", 1, "kt", 0.5),
        analogue("radio_height", "height_ft", 4 if fast else 1, "ft", 1.0),
        analogue("normal_acceleration", "normal_g", 8, "g", 0.004),
        analogue("longitudinal_acceleration", "longitudinal_g", 4, "g", 0.004),
        analogue("heading", "heading_deg", 1, "deg", 0.5),
        analogue("pitch", "pitch_deg", 4, "deg", 0.2),
        analogue("latitude", "latitude_deg", 1, "deg", 0.0001),
        analogue("longitude", "longitude_deg", 1, "deg", 0.0001),
        analogue("gross_weight", "weight_kg", 0.25, "kg", 20.0),
        flag("nose_gear_ground", lambda log: log["nose_on"] > 0, 1),
        flag("spoilers_armed", lambda log: np.full(len(log["spoiler"]), flown.plan.spoilers_armed), 1),
        flag("autothrottle_engaged", lambda log: log["autothrottle"] > 0, 1),
    ]
    if fast:
        made += [flag("main_gear_ground", lambda log: (log["left_on"] > 0) | (log["right_on"] > 0), 2)]
        made += [
            Channel("spoiler_handle", _analogue(flown, "spoiler", 48.0), 2, FULL_48_DEG, 0.25),
        ]
    else:
        made += [
            flag("main_gear_ground.left", lambda log: log["left_on"] > 0, 1),
            flag("main_gear_ground.right", lambda log: log["right_on"] > 0, 1),
        ]
        made += [analogue("spoiler_panel", "spoiler", 1, "%", 0.5, 100.0)]
    for side in ("left", "right"):
        made += [analogue(f"brake_pressure.{side}", "brake_psi", 1, "psi", 10.0)]
    for engine in (1, 2):
        made += _engine_channels(flown, engine, fast)
    return made


def _engine_channels(flown: Flown, engine: int, fast: bool) -> list[Channel]:
    made = [
        Channel(f"n1.{engine}", _analogue(flown, f"n1_{engine}"), 4 if fast else 1, {"unit": "%"}, 0.25),
        Channel(f"thrust_lever.{engine}", _analogue(flown, f"thrust_lever_{engine}"), 1, {"unit": "deg"}, 0.5),
    ]
    lever = Channel(f"reverse_lever.{engine}", _analogue(flown, f"lever_{engine}"), 2, {"unit": "fraction"}, 0.02)
    if not fast:
        state = _state(flown, _sleeve_state(engine))
        return [*made, lever, Channel(f"reverser_state.{engine}", state, 1, STATES)]
    return [
        *made,
        lever,
        Channel(f"reverser_unlocked.{engine}", _state(flown, lambda log: log[f"sleeve_{engine}"] > 0), 2, FLAG),
        Channel(f"reverser_deployed.{engine}", _state(flown, lambda log: log[f"sleeve_{engine}"] >= 1.0), 2, FLAG),
    ]


def runways(threshold_latitude_deg: float, threshold_longitude_deg: float) -> pl.DataFrame:
    """One invented runway under the flown path, in the column names of the open OurAirports table."""
    return pl.DataFrame(
        {
            "airport_ident": ["ZZJS"],
            "length_ft": [RUNWAY_LENGTH_FT],
            "width_ft": [148.0],
            "le_ident": ["09"],
            "le_latitude_deg": [threshold_latitude_deg],
            "le_longitude_deg": [threshold_longitude_deg],
            "le_heading_degT": [RUNWAY_HEADING_DEG],
            "le_displaced_threshold_ft": [0.0],
            "he_ident": ["27"],
            "he_heading_degT": [RUNWAY_HEADING_DEG + 180],
            "he_displaced_threshold_ft": [0.0],
        }
    )


def make(folder: Path, count: int, seed: int) -> dict[str, tuple[Flown, Truth]]:
    """Fly `count` landings and write them as recordings; the truth of each by the name of its flight."""
    models = prepare(folder / "models")
    flown = [fly(plan, models) for plan in plans(count, seed)]
    facts = {
        "tail": "ZZ-SIM",
        "start_utc": "2026-11-16T08:00:00Z",
        "departure": "ZZAA",
        "arrival": "ZZJS",
        "runway": "09",
    }
    flights = [
        Flight(
            name=one.plan.name,
            start_s=0.0,
            end_s=float(one.time_s[-1]),
            channels=channels(one),
            fleet="jsbsim " + one.plan.model.removesuffix("S"),
            facts=facts,
            form="parquet" if one.plan.model == "737" else "csv",
        )
        for one in flown
    ]
    log = flown[0].log
    write(
        folder / "recordings",
        flights,
        seed,
        runways(float(log["latitude_deg"][0]), float(log["longitude_deg"][0])),
    )
    return {one.plan.name: (one, truth(one)) for one in flown}
