"""An invented archive in memory: answers like fdm.archive.Archive, with every kind of event and of silence."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from dashboard.rule_card import RuleCard
from fdm import schemas
from fdm.archive import Trace

WHY = "Every second without spoilers keeps weight off the wheels, and the brakes have less to hold on to."
MISSES = "A lever that moved without its panels: look at the panels when they are recorded."
PROCEDURE = "Spoilers up at touchdown; by hand when they do not come by themselves."
BASIS = "common practice, no source; the operator's manual decides"


def card(name: str, title: str, measure: str, unit: str, limits: dict[str, float], **more: Any) -> RuleCard:
    """A rule with the common words."""
    words = {"direction": "above", "basis": BASIS, "why": WHY, "misses": MISSES, "procedure": PROCEDURE}
    return RuleCard(name=name, title=title, measure=measure, unit=unit, limits=limits, **(words | more))


def _lmh(low: float, medium: float, high: float) -> dict[str, float]:
    return {"low": low, "medium": medium, "high": high}


RULES = {
    c.name: c
    for c in (
        card(
            "late_spoilers",
            "Ground spoilers late",
            "spoiler_delay_s",
            "s",
            _lmh(2, 3, 5),
            limits_by_fleet={"Heron 90": _lmh(2, 3, 6)},
        ),
        card("late_reverse", "Reverse selected late", "reverse_select_delay_s", "s", _lmh(4, 6, 10)),
        card("late_reverser_stow", "Reverser stowed late", "reverser_out_below_taxi_s", "s", _lmh(5, 10, 20)),
        card(
            "asymmetric_deployment",
            "One reverser ahead of the other",
            "one_side_deployed_s",
            "s",
            _lmh(1.5, 3, 5),
        ),
        card("slow_transit", "Reverser transit slow", "deploy_transit_s", "s", _lmh(3, 4, 6)),
        card(
            "spoilers_retracted_early",
            "Spoilers down early",
            "spoiler_retract_speed_kt",
            "kt",
            _lmh(50, 70, 90),
        ),
        card(
            "short_runway_left",
            "Little runway left at 60 kt",
            "runway_left_60_m",
            "m",
            _lmh(600, 450, 300),
            direction="below",
        ),
        card(
            "spoilers_not_armed",
            "Spoilers not armed",
            "spoilers_not_armed",
            "count",
            {"low": 0.5, "medium": 0.5},
        ),
    )
}
TYPICAL = {
    "spoiler_delay_s": (1.1, 0.35),
    "reverse_select_delay_s": (2.4, 0.6),
    "reverser_out_below_taxi_s": (1.5, 1.5),
    "one_side_deployed_s": (0.4, 0.3),
    "deploy_transit_s": (2.1, 0.3),
    "spoiler_retract_speed_kt": (32, 6),
    "runway_left_60_m": (1100, 170),
    "spoilers_not_armed": (0, 0),
}
PER_ENGINE = ("reverse_select_delay_s", "deploy_transit_s")
HALF_WIDTH = {"s": 0.3, "kt": 2.0, "m": 12.0, "count": 0.0}
FLEETS = {"Tern 200": "QQ-L", "Heron 90": "QQ-H"}
RUNWAYS = (
    ("Korsby", "09L", 2600.0),
    ("Sandmark", "27", 2150.0),
    ("Port Merrin", "22", 1980.0),
    ("Ilvesund", "04", 3050.0),
)
NOT_ASSESSED = (
    "the time of touchdown is not known well enough",
    "spoiler lever not recorded from 2 s to 9 s after touchdown",
)
LAST_WEEK = datetime(2026, 11, 16, tzinfo=UTC)


class FakeArchive:
    """`landings` landings over `weeks` weeks, the last of them 2026-W47, the same for the same seed."""

    def __init__(self, landings: int = 400, weeks: int = 8, seed: int = 1) -> None:
        self.run: Mapping[str, Any] = {
            "rule_book": "Vesterhaven limits",
            "version": "12",
            "rule_book_hash": f"{seed:08x}",
            "detected_utc": LAST_WEEK + timedelta(days=8),
        }
        rng = np.random.default_rng(seed)
        self._landings = _landings(rng, landings, weeks)
        self._measures = _measures(rng, self._landings)
        self._outcomes, self._events = _judged(rng, self._landings, self._measures)

    def landings(self) -> pl.DataFrame:
        """schemas.LANDINGS"""
        return self._landings

    def events(self) -> pl.DataFrame:
        """schemas.EVENTS"""
        return self._events

    def outcomes(self, landing_id: str | None = None) -> pl.DataFrame:
        """schemas.OUTCOMES"""
        return self._outcomes if landing_id is None else self._outcomes.filter(pl.col("landing_id") == landing_id)

    def measure_values(self, measure: str) -> pl.DataFrame:
        """`landing_id`, `value` of one measure."""
        return self._measures.filter(pl.col("measure") == measure).select("landing_id", "value")

    def measures(self, landing_id: str | None = None) -> pl.DataFrame:
        """schemas.MEASURES"""
        return self._measures if landing_id is None else self._measures.filter(pl.col("landing_id") == landing_id)

    def instants(self, landing_id: str | None = None) -> pl.DataFrame:
        """schemas.INSTANTS, of one landing"""
        assert landing_id is not None
        return _instants(landing_id, self._values(landing_id))

    def traces(self, landing_id: str) -> dict[str, Trace]:
        """What was recorded around a landing."""
        return _traces(self._values(landing_id))

    def costs(self, landing_id: str | None = None) -> pl.DataFrame:
        """schemas.COSTS"""
        frame = _costs(self.events())
        return frame if landing_id is None else frame.filter(landing_id=landing_id)

    def _values(self, landing_id: str) -> dict[str, float]:
        rows = self.measures(landing_id).group_by("measure").agg(pl.col("value").max())
        found = dict(rows.iter_rows())
        return {
            name: typical[0] if (v := found.get(name)) is None or np.isnan(v) else v
            for name, typical in TYPICAL.items()
        }


def _landings(rng: np.random.Generator, n: int, weeks: int) -> pl.DataFrame:
    fleets = rng.choice(list(FLEETS), n, p=[0.7, 0.3])
    tails = [f"{FLEETS[f]}{'ABCDEFGHK'[i]}{'ACDF'[i % 4]}" for f, i in zip(fleets, rng.integers(0, 9, n), strict=True)]
    ways = [RUNWAYS[i] for i in rng.integers(0, len(RUNWAYS), n)]
    minutes = np.sort(rng.integers(0, weeks * 7 * 24 * 60, n))
    utc = [LAST_WEEK + timedelta(days=7) - timedelta(days=7 * weeks) + timedelta(minutes=int(m)) for m in minutes]
    columns = {
        "landing_id": [f"{i:06x}" for i in range(n)],
        "source_file": ["flights.parquet"] * n,
        "tail": tails,
        "fleet": list(fleets),
        "flight": [f"VH{100 + i % 800}" for i in range(n)],
        "departure": ["Grauvik"] * n,
        "arrival": [w[0] for w in ways],
        "runway": [w[1] for w in ways],
        "start_utc": utc,
        "runway_length_m": [w[2] for w in ways],
        "runway_displaced_m": [0.0] * n,
        "touchdown_utc": utc,
        "touchdown_s": [0.0] * n,
        "touchdown_earliest_s": [-0.1] * n,
        "touchdown_latest_s": [0.1] * n,
        "touchdown_by": ["main gear and vertical acceleration"] * n,
        "kind": ["full_stop"] * n,
        "bounces": [0] * n,
        "recorder": ["Tern layout"] * n,
        "touchdown_ground_speed_kt": rng.normal(136, 5, n),
        "touchdown_distance_m": rng.normal(430, 60, n),
        "gross_weight_kg": [58400.0] * n,
        "headwind_kt": rng.normal(5, 4, n),
        "rollout_end_s": [62.0] * n,
        "rollout_end_by": ["runway exit"] * n,
        "quality": [["heading repeats its last value for 12 s"] if i % 17 == 0 else [] for i in range(n)],
    }
    return _framed(columns, n, schemas.LANDINGS)


def _framed(columns: dict[str, Any], n: int, schema: Mapping[str, Any]) -> pl.DataFrame:
    full = {name: columns.get(name, [None] * n) for name in schema}
    return pl.DataFrame(full, schema=dict(schema), strict=False)


def _measures(rng: np.random.Generator, landings: pl.DataFrame) -> pl.DataFrame:
    frames = []
    n = landings.height
    ids = landings.get_column("landing_id")
    for rule in RULES.values():
        for engine in (1, 2) if rule.measure in PER_ENGINE else (None,):
            values, half = _values(rng, rule, n), HALF_WIDTH[rule.unit]
            lost = rng.random(n) < 0.03
            why = [NOT_ASSESSED[i % 2] if gone else None for i, gone in enumerate(lost)]
            bounds = (values, np.maximum(values - half, 0), values + half)
            columns = {
                "landing_id": ids,
                "measure": [rule.measure] * n,
                "engine": [engine] * n,
                "unit": [rule.unit] * n,
                "reason": why,
            }
            for name, x in zip(("value", "lower", "upper"), bounds, strict=True):
                columns[name] = np.where(lost, np.nan, x)
            frames.append(_framed(columns, n, schemas.MEASURES))
    return pl.concat(frames)


def _values(rng: np.random.Generator, rule: RuleCard, n: int) -> np.ndarray:
    mean, spread = TYPICAL[rule.measure]
    values = np.abs(rng.normal(mean, spread, n)) if spread else np.zeros(n)
    sign = -1 if rule.direction == "below" else 1
    levels = list(rule.limits.values())
    wild = rng.random(n) < 0.04
    reach = levels[0] + (levels[-1] - levels[0]) * rng.exponential(0.45, n) if len(set(levels)) > 1 else np.ones(n)
    return np.where(wild, np.maximum(reach, 20 if sign < 0 else 0), values)


def _judged(
    rng: np.random.Generator, landings: pl.DataFrame, measures: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    outcomes, events = [], []
    facts = {row["landing_id"]: row for row in landings.iter_rows(named=True)}
    unjudged = {i for i in facts if rng.random() < 0.03}
    by_measure = {rule.measure: rule for rule in RULES.values()}
    worst = measures.sort(pl.col("value").fill_nan(None), descending=True, nulls_last=True).unique(
        ["landing_id", "measure"], keep="first", maintain_order=True
    )
    for row in worst.sort("landing_id", "measure").iter_rows(named=True):
        rule, landing = by_measure[row["measure"]], facts[row["landing_id"]]
        reason = NOT_ASSESSED[0] if row["landing_id"] in unjudged else row["reason"]
        said = {
            "landing_id": row["landing_id"],
            "rule": rule.name,
            "outcome": "not_assessed" if reason else "within",
            "reason": reason,
        }
        best = None if reason else _level(row["value"], rule, landing["fleet"])
        if best and best != "within":
            said["outcome"] = "event"
            events.append(_event(rng, row, rule, landing, best))
        outcomes.append(said)
    return (
        pl.DataFrame(outcomes, schema=dict(schemas.OUTCOMES)),
        pl.DataFrame(events, schema=dict(schemas.EVENTS), strict=False),
    )


def _level(value: float, rule: RuleCard, fleet: str) -> str:
    said = "within"
    for level, limit in rule.limits_for(fleet).items():
        if value > limit if rule.direction == "above" else value < limit:
            said = level
    return said


def _event(
    rng: np.random.Generator, row: dict[str, Any], rule: RuleCard, landing: dict[str, Any], best: str
) -> dict[str, Any]:
    ends = [_level(row[side], rule, landing["fleet"]) for side in ("lower", "upper")]
    ends = ends if rule.direction == "above" else ends[::-1]
    origin = rng.choice(["crew", "aircraft", "recording", "undetermined"], p=[0.5, 0.25, 0.1, 0.15])
    open_ended = rule.name == "late_reverser_stow" and row["value"] > 20
    return landing | {
        "event_id": f"{row['landing_id']}-{rule.name}",
        "rule": rule.name,
        "severity": best,
        "severity_lowest": ends[0],
        "severity_highest": ends[1],
        "measure": rule.measure,
        "engine": row["engine"],
        "value": row["value"],
        "lower": row["value"] if open_ended else row["lower"],
        "upper": float("inf") if open_ended else row["upper"],
        "unit": row["unit"],
        "limit": rule.limits_for(landing["fleet"])[best],
        "at_s": row["value"] if rule.unit == "s" else 20.0,
        "ground_speed_kt": 96.0,
        "origin": str(origin),
        "origin_confidence": "none" if origin == "undetermined" else "likely",
        "evidence": ["The lever was not armed in any sample from 60 s before touchdown."] if origin == "crew" else [],
        "rule_hash": "0" * 8,
        "rule_book": "Vesterhaven limits 12",
    }


def _costs(events: pl.DataFrame) -> pl.DataFrame:
    """Of late spoilers 180 m; of late reverse nothing can be told."""
    told = pl.col("rule") == "late_spoilers"
    some = events.filter(pl.col("rule").is_in(["late_spoilers", "late_reverse"]))
    numbers = {
        "extra_m": (180.0, 120.0, 260.0),
        "extra_s": (4.2, 2.9, 6.0),
        "brake_energy_mj": (12.0, 8.0, 15.0),
    }
    columns = {
        f"{name}{end}": pl.when(told).then(x)
        for name, three in numbers.items()
        for end, x in zip(("", "_lower", "_upper"), three, strict=True)
    }
    reason = pl.when(~told).then(pl.lit("not recorded: autobrake_active"))
    costs = some.select("event_id", "landing_id", "rule").with_columns(
        **columns, reason=reason, notes=pl.lit([], pl.List(pl.String)), method=pl.lit("invented")
    )
    return schemas.typed(costs, schemas.COSTS)


def _speed(t: np.ndarray) -> np.ndarray:
    """Ground speed in kt: steady before touchdown, 3 kt/s from 2 s on, taxi at 14 kt."""
    return np.maximum(136 - 1.2 * np.clip(t, 0, 2) - 3.1 * np.clip(t - 2, 0, None), 14.0)


def _times(values: dict[str, float]) -> dict[str, float]:
    reverse = values["reverse_select_delay_s"]
    deployed = reverse + 0.4 + values["deploy_transit_s"]
    taxi = 2 + (136 - 2.4 - 30) / 3.1
    stowed = taxi + values["reverser_out_below_taxi_s"]
    return {
        "touchdown": 0.0,
        "settled": 0.0,
        "nose_gear": 3.1,
        "spoilers_extended": values["spoiler_delay_s"],
        "brakes_on": 4.6,
        "spoilers_moving": max(values["spoiler_delay_s"] - 0.8, 0.1),
        "reverse_selected": reverse,
        "unlocked": reverse + 0.4,
        "deployed": deployed,
        "speed_60kt": taxi - 30 / 3.1,
        "reverse_idle": taxi - 6,
        "taxi_speed": taxi,
        "stow_start": stowed - 2.2,
        "stowed": stowed,
        "spoilers_retracted": taxi + 14,
        "runway_exit": taxi + 26,
    }


def _instants(landing_id: str, values: dict[str, float]) -> pl.DataFrame:
    rows = []
    for step, at in _times(values).items():
        engines = (
            (1, 2)
            if step in ("reverse_selected", "unlocked", "deployed", "reverse_idle", "stow_start", "stowed")
            else (None,)
        )
        for engine in engines:
            t = at + (0.3 if engine == 2 else 0)
            grid = np.arange(0, max(t, 0) + 0.05, 0.05)
            rows.append(
                {
                    "landing_id": landing_id,
                    "step": step,
                    "engine": engine,
                    "at_s": t,
                    "earliest_s": t - 0.4,
                    "latest_s": t + 0.1,
                    "ground_speed_kt": float(_speed(np.array([t]))[0]),
                    "distance_m": float(np.sum(_speed(grid)) * 0.05 * 0.514444),
                    "runway_left_m": None,
                }
            )
    return pl.DataFrame(rows, schema=dict(schemas.INSTANTS))


def _trace(time_s: np.ndarray, values: np.ndarray, unit: str, kind: str, step_s: float) -> Trace:
    return Trace(time_s, values, unit, kind, step_s, 0.0)


def _traces(values: dict[str, float]) -> dict[str, Trace]:
    times = _times(values)
    end = times["runway_exit"] + 4

    def grid(step: float, phase: float = 0.0) -> np.ndarray:
        return np.arange(-30 + phase, end, step)

    t1, t2, t4, t8 = grid(1.0, 0.3), grid(0.5, 0.1), grid(0.25), grid(0.125)
    up = np.interp(
        t4,
        [
            times["spoilers_moving"],
            times["spoilers_extended"],
            times["spoilers_retracted"],
            times["spoilers_retracted"] + 1,
        ],
        [0, 1, 1, 0],
    )
    found = {
        "ground_speed": _trace(t1, _speed(t1), "kt", "analogue", 1.0),
        "longitudinal_acceleration": _trace(
            t4, -np.interp(t4, [0, 2, 5, 35, 40], [0.02, 0.06, 0.17, 0.16, 0.01]), "g", "analogue", 0.25
        ),
        "spoiler_panel": _trace(t4, up, "fraction", "analogue", 0.25),
        "main_gear_ground": _trace(t8, (t8 >= 0).astype(np.int8), "", "discrete", 0.125),
        "nose_gear_ground": _trace(t2, (t2 >= times["nose_gear"]).astype(np.int8), "", "discrete", 0.5),
        "spoilers_armed": _trace(t1, np.ones(len(t1), dtype=np.int8), "", "discrete", 1.0),
        "brake_pressure.left": _trace(t1, np.interp(t1, [4, 7, 30, 36], [0, 1300, 1300, 600]), "psi", "analogue", 1.0),
        "brake_pressure.right": _trace(
            t1, np.interp(t1, [4.4, 7.5, 30, 36], [0, 1240, 1240, 560]), "psi", "analogue", 1.0
        ),
        "heading": _trace(t1, 88 + np.interp(t1, [0, 8, 20, 60], [0, 1.6, 0.2, 0.1]), "deg", "analogue", 1.0),
    }
    for engine in (1, 2):
        late = 0.3 if engine == 2 else 0.0
        edges = [times[s] + late for s in ("unlocked", "deployed", "stow_start", "stowed")]
        state = np.select([t2 < edges[0], t2 < edges[1], t2 < edges[2], t2 < edges[3]], [0, 1, 2, 1], 0).astype(np.int8)
        found[f"reverser_state.{engine}"] = _trace(t2, state, "", "state", 0.5)
        n1 = (
            np.interp(t1, [edges[1], edges[1] + 5, times["speed_60kt"], times["reverse_idle"]], [28, 71, 70, 28]) + late
        )
        found[f"n1.{engine}"] = _trace(t1, n1, "%", "analogue", 1.0)
    return found
