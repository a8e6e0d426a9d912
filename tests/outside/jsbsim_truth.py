"""What truly happened in a landing flown with JSBSim, from its own state every hundredth of a second.

Written from the definitions of the measures in words; nothing here uses the code under test. An instant is the first
tick at which a state holds, so a recorder sampling the same ticks brackets it without slack.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from .jsbsim_landing import IDLE_DETENT, TICK_S, Flown

EXTENDED, TAXI_KT, REDUCE_KT, IDLE_MARGIN_PCT = 0.70, 30.0, 60.0, 5.0  # the rule book's settings
MOVING, IN_REVERSE, BRAKING_PSI = (
    0.10,
    0.05,
    150.0,
)  # of travel, of lever travel, psi: what the steps are defined by
G_MPS2, MPS_PER_KT = 9.80665, 1852 / 3600
NONE = math.nan


@dataclass(frozen=True)
class Truth:
    """True values of one landing: `measures[(name, engine)]`, engine 0 where a measure has none; NaN: does not exist.

    Times are seconds on the recording's clock in `touchdown_s`, after touchdown in `instants[(step, engine)]`.
    """

    touchdown_s: float
    instants: dict[tuple[str, int], float]
    measures: dict[tuple[str, int], float]


def _first(condition: np.ndarray, start: int = 0) -> int | None:
    hits = np.flatnonzero(condition[start:])
    return int(hits[0]) + start if len(hits) else None


def _crossing(time_s: np.ndarray, values: np.ndarray, level: float, start: int) -> float:
    """When a falling signal passes a level for good, between ticks; NaN when it does not."""
    above = np.flatnonzero(values[start:] >= level)
    if not len(above) or above[-1] + start + 1 >= len(values):
        return NONE
    i = int(above[-1]) + start
    return float(time_s[i] + TICK_S * (values[i] - level) / (values[i] - values[i + 1]))


def truth(flown: Flown) -> Truth:
    """Every measure that the simulation decides without a matter of definition."""
    log, time_s = flown.log, flown.time_s
    main = (log["left_on"] > 0) | (log["right_on"] > 0)
    contact = int(np.flatnonzero(main)[0])
    airborne = ~main[contact:]
    flew_again = bool(airborne[-1])
    if flew_again:
        airborne[np.flatnonzero(~airborne)[-1] :] = False
    settled = contact + (int(np.flatnonzero(airborne)[-1]) + 1 if airborne.any() else 0)
    rising = int(np.sum(airborne[1:] & ~airborne[:-1]))
    measures: dict[tuple[str, int], float] = {
        ("bounces", 0): rising,
        ("bounce_airborne_s", 0): float(airborne.sum()) * TICK_S,
    }
    instants = {("settled", 0): time_s[settled] - time_s[contact]}
    _rollout(flown, contact, measures, instants)
    _spoilers(flown, contact, settled, measures, instants)
    for engine in (1, 2):
        _reverser(flown, engine, contact, measures, instants)
    measures["go_around_after_reverse", 0] = float(flew_again and bool((log["lever_1"] > IN_REVERSE).any()))
    _pair(flown, contact, measures, instants)
    return Truth(float(time_s[contact]), {k: float(v) for k, v in instants.items()}, measures)


def _rollout(flown: Flown, contact: int, measures: dict, instants: dict) -> None:
    log, time_s = flown.log, flown.time_s
    start_s = time_s[contact]
    for step, level, measure in (
        ("speed_60kt", REDUCE_KT, "rollout_60_m"),
        ("taxi_speed", TAXI_KT, "rollout_30_m"),
    ):
        at = _crossing(time_s, log["ground_speed_kt"], level, contact)
        instants[step, 0] = at - start_s
        measures[measure, 0] = float(np.interp(at, time_s, log["distance_m"])) - log["distance_m"][contact]
    touches = np.flatnonzero(np.diff(log["nose_on"]) > 0) + 1
    if len(touches) == 1:  # a nose wheel that skips has no one moment of contact
        instants["nose_gear", 0] = time_s[touches[0]] - start_s
    early = start_s + 3.0
    slow = instants["speed_60kt", 0] + start_s
    fast = float(np.interp(early, time_s, log["ground_speed_kt"]))
    measures["mean_deceleration_g", 0] = (fast - REDUCE_KT) * MPS_PER_KT / (slow - early) / G_MPS2
    brakes = _first(log["brake_psi"] >= BRAKING_PSI, contact)
    measures["brake_delay_s", 0] = NONE if brakes is None else float(time_s[brakes] - start_s)
    instants["brakes_on", 0] = measures["brake_delay_s", 0]
    measures["touchdown_ground_speed_kt", 0] = float(log["ground_speed_kt"][contact])
    measures["heading_excursion_deg", 0] = _excursion(flown, start_s + 2.0, slow)
    measures["unstowed_in_air_s", 1] = measures["unstowed_in_air_s", 2] = 0.0
    reversing = (log["lever_1"] > IN_REVERSE) | (log["lever_2"] > IN_REVERSE)
    engaged = (log["autothrottle"] > 0) & (np.cumsum(reversing) > 0)
    measures["autothrottle_in_reverse_s", 0] = float(engaged.sum()) * TICK_S if reversing.any() else NONE


def _excursion(flown: Flown, from_s: float, to_s: float) -> float:
    """Largest departure of the heading from its median between two moments."""
    heading = flown.log["heading_deg"][(flown.time_s >= from_s) & (flown.time_s <= to_s)]
    return float(np.abs(heading - np.median(heading)).max()) if len(heading) else NONE


def _spoilers(flown: Flown, contact: int, settled: int, measures: dict, instants: dict) -> None:
    spoiler, time_s = flown.log["spoiler"], flown.time_s
    out, moving = _first(spoiler >= EXTENDED, contact), _first(spoiler >= MOVING, contact)
    measures["spoiler_extension_max", 0] = float(spoiler[contact:].max())
    measures["spoilers_not_armed", 0] = float(not flown.plan.spoilers_armed)
    for step, index in (("spoilers_extended", out), ("spoilers_moving", moving)):
        instants[step, 0] = NONE if index is None else time_s[index] - time_s[contact]
    measures["spoiler_delay_s", 0] = math.inf if out is None else time_s[out] - time_s[settled]
    measures["spoiler_delay_first_s", 0] = math.inf if out is None else time_s[out] - time_s[contact]
    measures["spoiler_start_delay_s", 0] = NONE if moving is None else time_s[moving] - time_s[settled]
    back = None if out is None else _first(spoiler < EXTENDED, out)
    measures["spoiler_retract_speed_kt", 0] = NONE if back is None else float(flown.log["ground_speed_kt"][back])


def _reverser(flown: Flown, engine: int, contact: int, measures: dict, instants: dict) -> None:
    log, time_s = flown.log, flown.time_s
    lever, sleeve, n1 = log[f"lever_{engine}"], log[f"sleeve_{engine}"], log[f"n1_{engine}"]
    speed, idle = log["ground_speed_kt"], float(n1.min())
    deployed = sleeve >= 1.0
    steps: dict[str, int | None] = {
        "reverse_selected": _first(lever >= IN_REVERSE, contact),
        "unlocked": _first(sleeve > 0, contact),
    }
    steps["deployed"] = None if steps["unlocked"] is None else _first(deployed, steps["unlocked"])
    steps["stow_start"] = None if steps["deployed"] is None else _first(~deployed, steps["deployed"])
    steps["stowed"] = None if steps["unlocked"] is None else _first(sleeve <= 0, steps["unlocked"])
    cancelled = None if steps["reverse_selected"] is None else _first(lever < IN_REVERSE, steps["reverse_selected"])
    at = {step: NONE if i is None else time_s[i] - time_s[contact] for step, i in steps.items()}
    instants.update({(step, engine): value for step, value in at.items()})
    waited = time_s[steps["deployed"] or cancelled or -1] - time_s[contact] - at["reverse_selected"]
    below, slow = deployed & (speed < REDUCE_KT), deployed & (speed < TAXI_KT)
    stow = steps["stow_start"]
    powered = bool((deployed & (lever > IDLE_DETENT + 0.01)).any())  # else N1 ran down from the approach to idle
    found = {
        "reverse_select_delay_s": at["reverse_selected"],
        "deploy_delay_s": at["deployed"],
        "deploy_transit_s": at["deployed"] - at["unlocked"],
        "stow_transit_s": at["stowed"] - at["stow_start"],
        "reverse_wait_s": waited,
        "reverse_idle_speed_kt": _idle_speed(flown, n1, idle, contact, steps["stowed"]) if powered else NONE,
        "n1_above_idle_below_60kt_pct": float((n1 - idle)[below].max()) if below.any() else NONE,
        "n1_above_idle_below_taxi_pct": float((n1 - idle)[slow].max()) if slow.any() else NONE,
        "high_reverse_below_taxi_s": float((slow & (n1 > idle + IDLE_MARGIN_PCT)).sum()) * TICK_S,
        "stow_start_speed_kt": NONE if stow is None else float(speed[stow]),
        "stowed_speed_kt": NONE if steps["stowed"] is None else float(speed[steps["stowed"]]),
        "n1_above_idle_at_stow_pct": NONE if stow is None else float(n1[stow] - idle),
    }
    measures.update({(name, engine): float(value) for name, value in found.items()})


def _idle_speed(flown: Flown, n1: np.ndarray, idle: float, contact: int, stowed: int | None) -> float:
    """Ground speed when N1 came back within the margin for good, the reverser still out; NaN when it did not."""
    end = len(n1) if stowed is None else stowed
    last = np.flatnonzero(n1[contact + 1 : end] > idle + IDLE_MARGIN_PCT)
    back = contact + 2 + int(last[-1]) if len(last) else end
    return float(flown.log["ground_speed_kt"][back]) if back < end else NONE


def _pair(flown: Flown, contact: int, measures: dict, instants: dict) -> None:
    log = flown.log
    one, two = log["sleeve_1"] >= 1.0, log["sleeve_2"] >= 1.0
    first = np.nanmin([instants["deployed", 1], instants["deployed", 2], math.inf])
    stow = np.nanmin([instants["stow_start", 1], instants["stow_start", 2], math.inf])
    measures["deploy_split_s", 0] = abs(instants["deployed", 1] - instants["deployed", 2])
    since = flown.time_s - flown.time_s[contact]
    apart = (one != two) & (since >= first) & (since < stow)
    measures["one_side_deployed_s", 0] = float(apart.sum()) * TICK_S
    out = (log["sleeve_1"] > 0) | (log["sleeve_2"] > 0)
    taxiing = (log["ground_speed_kt"] < TAXI_KT) & (since >= 0)
    measures["reverser_out_below_taxi_s", 0] = float((out & taxiing).sum()) * TICK_S
    measures["reverse_not_used", 0] = float(
        not math.isfinite(first) and not (log["lever_1"] + log["lever_2"] > 0).any()
    )
    runs = [0.0]
    for engine, other in ((1, 2), (2, 1)):
        idle = log[f"n1_{engine}"].min()
        forward = (log[f"sleeve_{engine}"] <= 0) & (log[f"n1_{engine}"] > idle + IDLE_MARGIN_PCT)
        runs.append(float((forward & (log[f"sleeve_{other}"] >= 1.0)).sum()) * TICK_S)
    measures["forward_power_with_reverser_out_s", 0] = max(runs)
    both = one & two
    split = float((log["n1_1"] - log["n1_2"])[both].mean()) if both.any() else NONE
    measures["reverse_power_split_pct", 0] = abs(split)
