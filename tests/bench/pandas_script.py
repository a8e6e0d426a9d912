"""What an analyst writes first: one flight at a time in pandas, four rules, no bounds. Kept as a benchmark."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

TAXI_KT, MARGIN_PCT, EXTENDED = 30.0, 5.0, 0.7


def judge_file(path: Path) -> list[tuple[str, str]]:
    """(flight, rule) of every event of one flight's file."""
    flight = pd.read_parquet(path)
    found = []
    touchdown = first_ground(flight)
    if touchdown is None:
        return []
    speed = flight[["time_s", "ground_speed"]].dropna()
    after = speed[speed.time_s > touchdown]
    slow = after[after.ground_speed < TAXI_KT]
    taxi_s = slow.time_s.iloc[0] if len(slow) else None
    if spoiler_delay(flight, touchdown) > 2.0:
        found.append("late_spoilers")
    deployed, stowed, high = [], [], 0.0
    for engine in engines(flight):
        start, end, out_until = reverser(flight, engine, touchdown)
        if start is not None:
            deployed.append(start)
            stowed.append(out_until)
            if taxi_s is not None:
                high = max(high, high_power(flight, engine, max(start, taxi_s), end))
    if len(deployed) > 1 and max(deployed) - min(deployed) > 1.5:
        found.append("asymmetric_deployment")
    if taxi_s is not None and stowed and max(stowed) - taxi_s > 5.0:
        found.append("late_reverser_stow")
    if high > 2.0:
        found.append("slow_high_reverse")
    return [(path.stem, rule) for rule in found]


def first_ground(flight: pd.DataFrame) -> float | None:
    times = []
    for column in flight.columns:
        if column.startswith("main_gear_ground"):
            gear = flight[["time_s", column]].dropna()
            ground = gear[(gear[column] == 1) & (gear.time_s > -8)]
            if len(ground):
                times.append(ground.time_s.iloc[0])
    return min(times) if times else None


def spoiler_delay(flight: pd.DataFrame, touchdown: float) -> float:
    column = "spoiler_panel" if "spoiler_panel" in flight else "spoiler_handle"
    spoiler = flight[["time_s", column]].dropna()
    up = spoiler[(spoiler.time_s > touchdown) & (spoiler[column] >= EXTENDED)]
    return up.time_s.iloc[0] - touchdown if len(up) else float("inf")


def engines(flight: pd.DataFrame) -> list[int]:
    return [n for n in (1, 2, 3, 4) if f"reverser_state.{n}" in flight or f"reverser_deployed.{n}" in flight]


def reverser(flight: pd.DataFrame, engine: int, touchdown: float) -> tuple[float | None, float, float]:
    name = f"reverser_state.{engine}"
    if name in flight:
        state = flight[["time_s", name]].dropna()
        deployed, out = state[state[name] == 2], state[state[name] > 0]
    else:
        names = f"reverser_deployed.{engine}", f"reverser_unlocked.{engine}"
        first, second = (flight[["time_s", n]].dropna() if n in flight else pd.DataFrame() for n in names)
        deployed = first[first[names[0]] == 1]
        out = second[second[names[1]] == 1] if len(second) else deployed
    deployed, out = deployed[deployed.time_s > touchdown - 10], out[out.time_s > touchdown - 10]
    if not len(deployed):
        return None, 0.0, 0.0
    return deployed.time_s.iloc[0], deployed.time_s.iloc[-1], out.time_s.iloc[-1]


def high_power(flight: pd.DataFrame, engine: int, start: float, end: float) -> float:
    name = f"n1.{engine}"
    if name not in flight or end <= start:
        return 0.0
    n1 = flight[["time_s", name]].dropna()
    idle = n1[n1.time_s > 0][name].quantile(0.05)
    window = n1[(n1.time_s >= start) & (n1.time_s <= end)]
    above = window[name] > idle + MARGIN_PCT
    return float(above.sum() * n1.time_s.diff().median())
