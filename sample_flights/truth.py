"""The truth: exact instants and measures, taken from the flown states and not from anything recorded.

Times are seconds after first main-gear contact, to the 0.05 s step for states and interpolated for crossings of
continuous quantities. NaN means that it does not apply (reverse was not used); infinity that it was due and never
came (spoilers never extended). Definitions are the product's own words for each measure, worked out here anew.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from sample_flights.airline import KT, Fleet, G, Runway
from sample_flights.physics import DEPLOYED, DETENT, STEP_S, STOWED, TIMES, ZERO, History
from sample_flights.plan import NEVER, Plan

EXTENDED, MOVING = 0.70, 0.10  # fractions of spoiler travel
LEVER_UP = 0.05  # fraction of reverse travel
IDLE_MARGIN_PCT = 5.0
BRAKING_PSI = 150.0
SPOOL_DOWN_S = 4.0  # approach power may still be running down so long after the first deploys
EXCURSION_FROM_S, DECELERATING_FROM_S = 2.0, 3.0
EXIT_DEG = 20.0

Values = dict[str, np.ndarray]
AFTER = TIMES[ZERO:]


def first(condition: np.ndarray) -> np.ndarray:
    """Time of the first true step at or after contact, NaN when none; the condition is over steps from contact on."""
    return np.where(condition.any(axis=0), AFTER[condition.argmax(axis=0)], np.nan)


def last_end(condition: np.ndarray) -> np.ndarray:
    """Time of the first step after the last true one; NaN when never true or still true at the end."""
    back = condition[::-1].argmax(axis=0)
    index = len(AFTER) - back
    ended = condition.any(axis=0) & (index < len(AFTER))
    return np.where(ended, AFTER[np.minimum(index, len(AFTER) - 1)], np.nan)


def crossing(values: np.ndarray, level: float, *, rising: bool, final: bool = False) -> np.ndarray:
    """Interpolated time of the first (or the final) crossing of a level after contact."""
    beyond = values >= level if rising else values < level
    if final:
        at = np.rint(np.nan_to_num(last_end(~beyond)) / STEP_S).astype(int)
        found = ~np.isnan(last_end(~beyond))
    else:
        at, found = beyond.argmax(axis=0), beyond.any(axis=0)
    before = np.maximum(at - 1, 0)
    low = np.take_along_axis(values, before[None], axis=0)[0].astype(float)
    high = np.take_along_axis(values, at[None], axis=0)[0].astype(float)
    share = np.where(at > 0, (level - low) / np.where(high == low, 1, high - low), 0)
    return np.where(found, (before + share * (at - before)) * STEP_S, np.nan)


def at(values: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """Values (steps from contact, n) interpolated at a time per landing; NaN stays NaN."""
    position = np.nan_to_num(time_s).clip(0, AFTER[-1]) / STEP_S
    low = np.minimum(position.astype(int), len(AFTER) - 2)
    share = position - low
    a = np.take_along_axis(values, low[None], axis=0)[0].astype(float)
    b = np.take_along_axis(values, (low + 1)[None], axis=0)[0].astype(float)
    return np.where(np.isnan(time_s), np.nan, a + (b - a) * share)


def total(condition: np.ndarray) -> np.ndarray:
    """Seconds for which a condition holds."""
    return condition.sum(axis=0) * STEP_S


def tell(h: History, plan: Plan, fleet: Fleet, runways: list[Runway], end_s: np.ndarray, out: np.ndarray) -> Values:
    """Every instant (`<step>_at_s`) and measure; (n,) or (engines, n).

    end_s  end of the recording after contact; out (engines, n) reversers known to be out of use
    """
    seen = AFTER[:, None] <= end_s
    said: Values = {}
    _touchdown(said, h, plan)
    _spoilers(said, h)
    _speeds(said, h, runways)
    _reversers(said, h, fleet, seen)
    _power(said, h, fleet)
    _pairs(said, h, fleet, out)
    _rest(said, h, plan)
    for name, values in said.items():
        if name.endswith("_at_s"):
            values = np.where(values > end_s, np.nan, values)
        said[name] = np.where(out, np.nan, values) if values.ndim == 2 else values
    around = plan.go_around_s < NEVER
    keep = {
        "settled_at_s",
        "bounces",
        "bounce_airborne_s",
        "go_around_after_reverse",
        "unstowed_in_air_s",
        "touchdown_ground_speed_kt",
    }
    for name in said.keys() - keep:
        said[name] = np.where(around, np.nan, said[name].astype(float))
    return said


def _touchdown(said: Values, h: History, plan: Plan) -> None:
    ground = h.ground[ZERO:]
    early = AFTER[:, None] < 15
    settled = last_end(~ground & early)
    said["settled_at_s"] = np.where(plan.bounce_s > 0, settled, 0.0)
    lost = (~ground[1:] & ground[:-1] & early[1:]).sum(axis=0)
    said["bounces"] = np.where(plan.bounce_s > 0, lost, 0).astype(float)
    said["bounce_airborne_s"] = np.where(plan.bounce_s > 0, total(~ground & early), 0.0)
    said["nose_gear_at_s"] = first(h.nose[ZERO:])
    raised = (h.state[ZERO:] != STOWED).any(axis=(0, 1))
    said["go_around_after_reverse"] = (raised & (plan.go_around_s < NEVER)).astype(float)
    said["unstowed_in_air_s"] = total(h.state[:ZERO] != STOWED)
    said["touchdown_ground_speed_kt"] = h.speed_mps[ZERO] / KT


def _spoilers(said: Values, h: History) -> None:
    spoiler = h.spoiler[ZERO:]
    said["spoilers_moving_at_s"] = crossing(spoiler, MOVING, rising=True)
    said["spoilers_extended_at_s"] = crossing(spoiler, EXTENDED, rising=True)
    retracted = crossing(spoiler, EXTENDED, rising=False, final=True)
    said["spoilers_retracted_at_s"] = np.where(np.isnan(said["spoilers_extended_at_s"]), np.nan, retracted)
    never = np.isnan(said["spoilers_extended_at_s"])
    extended = np.where(never, np.inf, said["spoilers_extended_at_s"])
    said["spoiler_delay_s"] = extended - said["settled_at_s"]
    said["spoiler_delay_first_s"] = extended
    said["spoiler_start_delay_s"] = said["spoilers_moving_at_s"] - said["settled_at_s"]
    said["spoiler_retract_speed_kt"] = at(h.speed_mps[ZERO:], said["spoilers_retracted_at_s"]) / KT


def _speeds(said: Values, h: History, runways: list[Runway]) -> None:
    speed = h.speed_mps[ZERO:]
    travelled = np.concatenate(
        [np.zeros((1, speed.shape[1])), np.cumsum((speed[1:] + speed[:-1]) * 0.5 * STEP_S, axis=0)]
    )
    said["speed_60kt_at_s"] = crossing(speed, 60 * KT, rising=False)
    said["taxi_speed_at_s"] = crossing(speed, 30 * KT, rising=False)
    said["rollout_60_m"] = at(travelled, said["speed_60kt_at_s"])
    said["rollout_30_m"] = at(travelled, said["taxi_speed_at_s"])
    length = np.array([r.length_m - r.displaced_m for r in runways])
    said["runway_left_60_m"] = length - h.x_m[ZERO] - said["rollout_60_m"]
    said["touchdown_distance_m"] = h.x_m[ZERO].astype(float)
    taken = said["speed_60kt_at_s"] - DECELERATING_FROM_S
    fast = at(speed, np.full(speed.shape[1], DECELERATING_FROM_S))
    said["mean_deceleration_g"] = np.where(taken > 2, (fast - 60 * KT) / np.where(taken > 2, taken, 1) / G, np.nan)
    off = np.degrees(h.heading_rad[ZERO:])
    said["runway_exit_at_s"] = first(np.abs(off) > EXIT_DEG)
    inside = (AFTER[:, None] >= EXCURSION_FROM_S) & ~(AFTER[:, None] > said["speed_60kt_at_s"])
    masked = np.where(inside, off, np.nan)
    said["heading_excursion_deg"] = np.nanmax(np.abs(masked - np.nanmedian(masked, axis=0)), axis=0)
    below = AFTER[:, None] <= said["taxi_speed_at_s"]
    said["spoiler_extension_max"] = np.where(below, h.spoiler[ZERO:], 0).max(axis=0).astype(float)


def _reversers(said: Values, h: History, fleet: Fleet, seen: np.ndarray) -> None:
    state = h.state[ZERO:]
    lever, speed = h.lever[ZERO:], h.speed_mps[ZERO:]
    shape = lever.shape[1:]
    by_engine = {name: np.full(shape, np.nan) for name in ("selected", "lowered", "stow_start", "stowed")}
    for i in range(shape[0]):
        by_engine["selected"][i] = crossing(lever[:, i], LEVER_UP, rising=True)
        by_engine["lowered"][i] = crossing(lever[:, i], LEVER_UP, rising=False, final=True)
        by_engine["stow_start"][i] = last_end(state[:, i] == DEPLOYED)
        by_engine["stowed"][i] = last_end(state[:, i] != STOWED)
    unlocked, deployed = first(h.state[ZERO:] != STOWED), first(h.state[ZERO:] == DEPLOYED)
    stowed = np.where(by_engine["stowed"] > np.nan_to_num(unlocked), by_engine["stowed"], np.nan)
    selected = by_engine["selected"] if fleet.levers_recorded else unlocked
    said["reverse_selected_at_s"], said["unlocked_at_s"], said["deployed_at_s"] = selected, unlocked, deployed
    said["stow_start_at_s"], said["stowed_at_s"] = by_engine["stow_start"], stowed
    said["reverse_select_delay_s"], said["deploy_delay_s"] = selected, deployed
    said["deploy_transit_s"] = deployed - unlocked
    said["stow_transit_s"] = stowed - by_engine["stow_start"]
    cancelled = by_engine["lowered"] if fleet.levers_recorded else stowed
    said["reverse_wait_s"] = np.where(np.isnan(deployed), cancelled, deployed) - selected
    said["stow_start_speed_kt"] = np.stack([at(speed, x) for x in by_engine["stow_start"]]) / KT
    said["stowed_speed_kt"] = np.stack([at(speed, x) for x in stowed]) / KT
    out = (h.state[ZERO:] != STOWED).any(axis=1)
    late = (AFTER[:, None] >= said["taxi_speed_at_s"]) & seen
    said["reverser_out_below_taxi_s"] = total(out & late)
    used = ~np.isnan(selected).all(axis=0)
    said["reverse_not_used"] = (~used).astype(float)


def _power(said: Values, h: History, fleet: Fleet) -> None:
    above = h.n1[ZERO:] - fleet.idle_pct
    deployed = h.state[ZERO:] == DEPLOYED
    asked = (h.lever[ZERO:] - DETENT) / (1 - DETENT) * (fleet.max_reverse_pct - fleet.idle_pct)  # not run down to
    idle, at_stow = np.full(above.shape[1:], np.nan), np.full(above.shape[1:], np.nan)
    for i in range(fleet.engines):
        used = np.where(h.state[ZERO:, i] != STOWED, above[:, i], -1.0)
        back = crossing(used, IDLE_MARGIN_PCT, rising=False, final=True)
        powered = (deployed[:, i] & (asked[:, i] > IDLE_MARGIN_PCT) & (above[:, i] > IDLE_MARGIN_PCT)).any(axis=0)
        idle[i] = np.where(powered & ~(back > said["stowed_at_s"][i] - STEP_S), back, np.nan)
        at_stow[i] = at(above[:, i], said["stow_start_at_s"][i])
    said["reverse_idle_at_s"] = idle
    said["reverse_idle_speed_kt"] = np.stack([at(h.speed_mps[ZERO:], x) for x in idle]) / KT
    said["n1_above_idle_at_stow_pct"] = at_stow
    for name, since in (("60kt", said["speed_60kt_at_s"]), ("taxi", said["taxi_speed_at_s"])):
        slow = deployed & (AFTER[:, None] >= since)[:, None]
        highest = np.where(slow, above, -np.inf).max(axis=0)
        said[f"n1_above_idle_below_{name}_pct"] = np.where(np.isfinite(highest), highest, np.nan)
    slow = deployed & (AFTER[:, None] >= said["taxi_speed_at_s"])[:, None]
    said["high_reverse_below_taxi_s"] = total(slow & (above > IDLE_MARGIN_PCT))
    first_out = np.where(
        deployed.any(axis=(0, 1)), np.nanmin(np.nan_to_num(said["deployed_at_s"], nan=1e9), axis=0), np.nan
    )
    counted = AFTER[:, None] >= first_out + SPOOL_DOWN_S
    others = deployed.sum(axis=1, keepdims=True) - deployed > 0
    forward = others & (h.state[ZERO:] == STOWED) & (above > IDLE_MARGIN_PCT) & counted[:, None]
    said["forward_power_with_reverser_out_s"] = total(forward).max(axis=0)


def mirror_pairs(fleet: Fleet) -> list[tuple[int, int]]:
    """Columns of engines that mirror each other."""
    return [(i, fleet.engines - 1 - i) for i in range(fleet.engines // 2)]


def _pairs(said: Values, h: History, fleet: Fleet, out: np.ndarray) -> None:
    """Worst mirror pair; a pair with a reverser out of use is left aside."""
    deployed, n1 = h.state[ZERO:] == DEPLOYED, h.n1[ZERO:]
    found: dict[str, list[np.ndarray]] = {
        "deploy_split_s": [],
        "one_side_deployed_s": [],
        "reverse_power_split_pct": [],
    }
    for a, b in mirror_pairs(fleet):
        use = ~(out[a] | out[b])
        split = np.abs(said["deployed_at_s"][a] - said["deployed_at_s"][b])
        end = np.fmin(said["stow_start_at_s"][a], said["stow_start_at_s"][b])
        before = ~(AFTER[:, None] >= end)
        alone = total((deployed[:, a] ^ deployed[:, b]) & before)
        both = deployed[:, a] & deployed[:, b]
        count = both.sum(axis=0)
        apart = np.abs(np.where(both, n1[:, a] - n1[:, b], 0).sum(axis=0)) / np.maximum(count, 1)
        found["deploy_split_s"].append(np.where(use, split, np.nan))
        found["one_side_deployed_s"].append(np.where(use, alone, np.nan))
        found["reverse_power_split_pct"].append(np.where(use & (count > 0), apart, np.nan))
    for name, values in found.items():
        worst = np.stack(values)
        known = ~np.isnan(worst).all(axis=0)
        said[name] = np.where(known, np.where(np.isnan(worst), -np.inf, worst).max(axis=0), np.nan)


def _rest(said: Values, h: History, plan: Plan) -> None:
    said["brakes_on_at_s"] = crossing(h.brake_psi[ZERO:], BRAKING_PSI, rising=True)
    said["brake_delay_s"] = said["brakes_on_at_s"]
    said["spoilers_not_armed"] = (~plan.armed).astype(float)
    begun = np.nanmin(np.where(np.isnan(said["reverse_selected_at_s"]), np.inf, said["reverse_selected_at_s"]), axis=0)
    off = np.ceil(plan.autothrottle_off_s / STEP_S - 1e-9) * STEP_S  # the step that first shows it
    engaged = (off - begun).clip(0)
    said["autothrottle_in_reverse_s"] = np.where(np.isfinite(begun), engaged, np.nan)


def frame(said: Values, touchdown_s: np.ndarray) -> pl.DataFrame:
    """One row per landing: instants `<step>_at_s` on the recording's clock; per-engine values as lists by engine."""
    columns = [pl.Series("touchdown_at_s", touchdown_s)]
    for name, values in said.items():
        shifted = values.T + touchdown_s.reshape(-1, *(1,) * (values.ndim - 1)) * name.endswith("_at_s")
        column = pl.Series(name, np.round(shifted, 4).astype(np.float64))
        if values.ndim == 2:
            column = column.arr.to_list().list.eval(pl.element().fill_nan(None))
        else:
            column = column.fill_nan(None)
        columns.append(column)
    return pl.DataFrame(columns)
