"""Where an event most likely came from: crew action, aircraft system or the recording, argued in sentences.

Each line of evidence has a condition, a sentence, the origin it points to and a weight. The origin with the most
weight is the likely one; without any, or in a tie, it is undetermined. The mechanism's facts are used as evidence
(common practice, no source, unless a line names one): a lever moves the crew's wish, a sleeve the mechanism's answer,
and an interlock holds the lever at idle until the sleeve is nearly out: power without deployment is a wrong discrete.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from fdm.bounded import Bounded, Measured
from fdm.evidence import lines
from fdm.evidence_stopping import TOLD_ELSEWHERE

ORIGINS = ("crew", "aircraft", "recording")
LIKELY = 2.0  # weight from which an origin is called likely rather than possible


def explain(events: pl.DataFrame, measured: Measured, instants: Mapping[str, np.ndarray]) -> pl.DataFrame:
    """Events with `origin`, `origin_confidence` and `evidence` filled in.

    events    frame of schemas.EVENTS, of landings that `measured` holds; all of a landing's, for one explains another
    instants  step -> seconds after touchdown, (n,) or (n, e)
    """
    if not events.height:
        return events
    context = _context(events, measured, instants)
    chosen = lines()
    holds = [pl.when(pl.col("rule").is_in(line.rules) & line.when.fill_null(False)) for line in chosen]
    said = pl.concat_list([hold.then(line.says) for hold, line in zip(holds, chosen, strict=True)]).list.drop_nulls()
    scores = {
        origin: pl.sum_horizontal(
            [
                hold.then(line.weight).otherwise(0.0)
                for hold, line in zip(holds, chosen, strict=True)
                if line.towards == origin
            ]
        )
        for origin in ORIGINS
    }
    found = context.select(evidence=said, **scores)
    weights = found.select(ORIGINS).to_numpy()
    order = np.sort(weights, axis=1)
    clear = (order[:, -1] > 0) & (order[:, -1] > order[:, -2])
    best = np.where(clear, np.array(ORIGINS)[weights.argmax(axis=1)], "undetermined")
    sure = np.where(~clear, "none", np.where(order[:, -1] - order[:, -2] >= LIKELY, "likely", "possible"))
    return events.with_columns(
        pl.Series("origin", best), pl.Series("origin_confidence", sure), found["evidence"].alias("evidence")
    )


def _context(events: pl.DataFrame, measured: Measured, instants: Mapping[str, np.ndarray]) -> pl.DataFrame:
    """One row per event with what the lines of evidence ask for."""
    rows = _rows(events, measured)
    engines = np.array(measured.engines or (0,))
    column, mirror = _columns(events, engines, instants, rows, measured.values.get("n1_below_mirror_pct"))

    def step(name: str, which: np.ndarray) -> np.ndarray:
        return _pick(instants.get(name), rows, which)

    def value(name: str, which: np.ndarray) -> np.ndarray:
        bounded = measured.values.get(name)
        return _pick(None if bounded is None else bounded.value, rows, which)

    selected, other_selected = step("reverse_selected", column), step("reverse_selected", mirror)
    thrust, kept = (measured.values.get(name) for name in ("thrust_lever_forward_deg", "reverse_kept_at_idle"))
    cancelled = step("reverse_cancelled", column)
    numbers = {
        "value": events["value"].to_numpy(),
        "selected": selected,
        "other_selected": other_selected,
        "select_split": selected - other_selected,
        "before": -selected,
        "unlocked": step("unlocked", column),
        "deployed": step("deployed", column),
        "transit": value("deploy_transit_s", column),
        "other_transit": value("deploy_transit_s", mirror),
        "n1_locked": value("n1_above_idle_not_deployed_pct", column),
        "fault": value("reverser_fault_flagged", column),
        "hydraulic": value("hydraulic_share_in_transit", column),
        "lever_recorded": value("lever_recorded", column),
        "cancelled": cancelled,
        "cancelled_to_stowed": step("stowed", column) - cancelled,
        "stowed": step("stowed", column),
        "taxi_speed": step("taxi_speed", column),
        "before_taxi": step("taxi_speed", column) - cancelled,
        "not_armed": value("spoilers_not_armed", column),
        "spoilers_moving": step("spoilers_moving", column),
        "spoilers_extended": step("spoilers_extended", column),
        "spoiler_max": value("spoiler_extension_max", column),
        "touchdown_m": events["touchdown_distance_m"].to_numpy(),
        "reverse_to_spoilers": value("reverse_to_spoilers_s", column),
        "unproven": value("spoiler_sensor_unproven", column),
        "handle_max": value("spoiler_handle_max", column),
        "handle_retracted": value("spoiler_handle_when_retracted", column),
        "thrust_lever": _row_max(None if thrust is None else thrust.value, rows),
        "power_below": value("n1_below_mirror_pct", column),
        "lever_below": value("lever_below_mirror", column),
        "lever_highest": value("reverse_lever_highest", column),
        "other_lever_highest": value("reverse_lever_highest", mirror),
        "kept_at_idle": value("reverse_kept_at_idle", column),
        "all_kept_at_idle": -_row_max(None if kept is None else -kept.value, rows),
        "autobrake": value("autobrake_in_rollout", column),
    }
    series = [pl.Series(name, np.asarray(x, np.float64), nan_to_null=True) for name, x in numbers.items()]
    return pl.DataFrame([events["rule"], *series]).with_columns(
        pl.Series("engine", engines[column]),
        pl.Series("other", engines[mirror]),
        pl.Series("first", engines[_first(instants.get("reverse_selected"), rows)]),
        *(_of_same_landing(events, rule) for rule in TOLD_ELSEWHERE),
        select_split=pl.col("select_split").abs(),
    )


def _first(times_s: np.ndarray | None, rows: np.ndarray) -> np.ndarray:
    """Column of the engine that took a step first; 0 where none did."""
    if times_s is None or times_s.ndim != 2 or not times_s.shape[1]:
        return np.zeros(len(rows), np.int64)
    return np.argmin(np.where(np.isnan(times_s), np.inf, times_s), axis=1)[rows]


def _of_same_landing(events: pl.DataFrame, rule: str) -> pl.Series:
    """Whether each event's landing has an event of a rule too."""
    having = events.filter(pl.col("rule") == rule)["landing_id"].to_list()
    return events["landing_id"].is_in(having).alias(rule)


def _rows(events: pl.DataFrame, measured: Measured) -> np.ndarray:
    index = pl.DataFrame({"landing_id": pl.Series(measured.landing_id, dtype=pl.String)}).with_row_index("row")
    return events.select("landing_id").join(index, on="landing_id", how="left", maintain_order="left")["row"].to_numpy()


def _columns(
    events: pl.DataFrame,
    engines: np.ndarray,
    instants: Mapping[str, np.ndarray],
    rows: np.ndarray,
    n1_below_mirror: Bounded | None,
) -> tuple[np.ndarray, np.ndarray]:
    """Column of the engine an event is about, and of its mirror.

    An event of a pair names no engine: it is about the one that deployed last, or never; a late stow about the one
    that stowed last, or never, of those that left stowed; unequal power about the one with less N1 of the worst pair.
    """
    total = int(engines.max() + engines.min())  # mirrors add up to it: 1 + 2, or 1 + 4 = 2 + 3
    partner = np.array(
        [int(np.flatnonzero(engines == total - e)[0]) if total - e in engines else i for i, e in enumerate(engines)]
    )
    named = events["engine"].fill_null(0).to_numpy()
    column = np.argmax(engines[None, :] == named[:, None], axis=1)
    deployed = instants.get("deployed")
    if deployed is None or deployed.ndim != 2:
        return column, partner[column]
    late = np.argmax(np.where(np.isnan(deployed), np.inf, deployed), axis=1)[rows]
    stowed, unlocked = instants.get("stowed"), instants.get("unlocked")
    if stowed is not None and unlocked is not None:
        never = np.where(np.isnan(unlocked), -np.inf, np.inf)
        last = np.argmax(np.where(np.isnan(stowed), never, stowed), axis=1)[rows]
        late = np.where(events["rule"].to_numpy() == "late_reverser_stow", last, late)
    if n1_below_mirror is not None and n1_below_mirror.value.size:
        below = n1_below_mirror.value
        weak = np.argmax(np.where(np.isnan(below), -np.inf, below), axis=1)[rows]
        late = np.where(events["rule"].to_numpy() == "unequal_reverse_power", weak, late)
    column = np.where(named > 0, column, late)
    return column, partner[column]


def _pick(matrix: np.ndarray | None, rows: np.ndarray, column: np.ndarray) -> np.ndarray:
    if matrix is None or matrix.size == 0:
        return np.full(len(rows), np.nan)
    return matrix[rows, column] if matrix.ndim == 2 else matrix[rows]


def _row_max(matrix: np.ndarray | None, rows: np.ndarray) -> np.ndarray:
    if matrix is None or matrix.size == 0:
        return np.full(len(rows), np.nan)
    highest = np.where(np.isnan(matrix), -np.inf, matrix).max(axis=1)[rows]
    return np.where(np.isneginf(highest), np.nan, highest)
