"""Results kept one row per landing, and the long tables of the contract made from them.

A measure (or step) is a group of columns: `name` for its value, `name|lower`, `name|upper`, ... ; per-engine ones
are `name.1`, `name.2`, ... Judging reads a few whole columns, which is why they are kept this way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl

from fdm.bounded import Bounded, Measured
from fdm.measures.catalogue import CATALOGUE
from fdm.measuring import Result
from fdm.schemas import INSTANTS, MEASURES, typed

MEASURE_FIELDS = ("", "|lower", "|upper", "|at", "|speed")


def measures_wide(result: Result) -> pl.DataFrame:
    """Every measure of a block, one row per landing."""
    measured = result.measured
    columns: dict[str, pl.Series] = {"landing_id": result.landings["landing_id"]}
    for name, value in measured.values.items():
        at, speed = measured.at_s[name], measured.ground_speed_kt[name]
        fields = zip(MEASURE_FIELDS, (value.value, value.lower, value.upper, at, speed), strict=True)
        for field, matrix in fields:
            for key, column in _columns(name, matrix, measured.engines):
                columns[key + field] = pl.Series(column.astype(np.float32))
        for key, column in _columns(name, value.why, measured.engines):
            columns[key + "|why"] = pl.Series(column.astype(np.int16))
    return pl.DataFrame(columns)


def instants_wide(result: Result) -> pl.DataFrame:
    """Every step of a block, one row per landing."""
    columns: dict[str, pl.Series] = {"landing_id": result.landings["landing_id"]}
    for name, when in result.instants.items():
        matrices = {
            "": when.best,
            "|earliest": when.earliest,
            "|latest": when.latest,
            "|speed": result.speed_kt[name],
            "|distance": result.distance_m[name],
            "|left": result.runway_left_m[name],
        }
        for field, matrix in matrices.items():
            for key, column in _columns(name, matrix, result.measured.engines):
                columns[key + field] = pl.Series(column.astype(np.float32))
    return pl.DataFrame(columns)


def _columns(name: str, matrix: np.ndarray, engines: Sequence[int]) -> list[tuple[str, np.ndarray]]:
    if matrix.ndim == 1:
        return [(name, matrix)]
    return [(f"{name}.{engine}", matrix[:, column]) for column, engine in enumerate(engines)]


def measured_from_wide(frame: pl.DataFrame, engines: Sequence[int], reasons: Sequence[str]) -> Measured:
    """The `Measured` that a wide table was made from."""
    values, at_s, speed = {}, {}, {}
    for name in CATALOGUE:
        keys = [name] if name in frame.columns else [f"{name}.{e}" for e in engines if f"{name}.{e}" in frame.columns]
        if not keys and CATALOGUE[name].per_engine and not engines:
            none = np.empty((frame.height, 0))
            values[name] = Bounded(none, none, none, none.astype(np.int16), none)
            at_s[name] = speed[name] = none
        if not keys:
            continue
        whole = len(keys) == 1 and keys[0] == name
        value, lower, upper, at, knots, why = (
            _matrix(frame, [key + field for key in keys], whole) for field in (*MEASURE_FIELDS, "|why")
        )
        values[name] = Bounded(value, lower, upper, why, at)
        at_s[name], speed[name] = at, knots
    return Measured(frame["landing_id"].to_numpy(), tuple(engines), values, tuple(reasons), at_s, speed)


def with_values(frame: pl.DataFrame, measured: Measured) -> pl.DataFrame:
    """A wide table with the values, bounds and reasons of `measured` in it."""
    columns = []
    for name, bounded in measured.values.items():
        for field, matrix in zip(MEASURE_FIELDS[:3], (bounded.value, bounded.lower, bounded.upper), strict=True):
            columns += [pl.Series(key + field, x) for key, x in _columns(name, matrix, measured.engines)]
        columns += [pl.Series(key + "|why", x) for key, x in _columns(name, bounded.why, measured.engines)]
    return frame.with_columns(columns)


def best_instants(frame: pl.DataFrame, engines: Sequence[int]) -> dict[str, np.ndarray]:
    """Step -> best times of a wide instants table, (n,) or (n, e)."""
    found = {}
    for name in steps_of(frame):
        whole = name in frame.columns
        found[name] = _matrix(frame, [name] if whole else [f"{name}.{engine}" for engine in engines], whole)
    return found


def _matrix(frame: pl.DataFrame, keys: list[str], whole: bool) -> np.ndarray:
    columns = [frame[key].to_numpy() for key in keys]
    return columns[0] if whole else np.stack(columns, axis=1)


def measures_long(frame: pl.DataFrame, reasons: Sequence[str]) -> pl.DataFrame:
    """The measures table of the contract, from a wide one."""
    sentences = pl.Series([None, *reasons[1:]], dtype=pl.String)
    parts = []
    for name, engine, key in _groups(frame, CATALOGUE):
        value, lower, upper = (_number(frame[key + field]) for field in MEASURE_FIELDS[:3])
        parts.append(
            pl.DataFrame(
                {
                    "landing_id": frame["landing_id"],
                    "measure": pl.repeat(name, frame.height, dtype=pl.String, eager=True),
                    "engine": pl.repeat(engine, frame.height, dtype=pl.Int8, eager=True),
                    "value": value,
                    "lower": lower,
                    "upper": upper,
                    "unit": pl.repeat(CATALOGUE[name].unit, frame.height, dtype=pl.String, eager=True),
                    "reason": sentences.gather(frame[key + "|why"].cast(pl.UInt32)),
                }
            )
        )
    return typed(pl.concat(parts), MEASURES) if parts else pl.DataFrame(schema=MEASURES)


def instants_long(frame: pl.DataFrame, steps: Sequence[str]) -> pl.DataFrame:
    """The instants table of the contract, from a wide one; steps that did not happen have no row."""
    parts = []
    for name, engine, key in _groups(frame, dict.fromkeys(steps)):
        fields = ("", "|earliest", "|latest", "|speed", "|distance", "|left")
        numbers = dict(zip(list(INSTANTS)[3:], (_number(frame[key + f]) for f in fields), strict=True))
        parts.append(
            pl.DataFrame(
                {
                    "landing_id": frame["landing_id"],
                    "step": pl.repeat(name, frame.height, dtype=pl.String, eager=True),
                    "engine": pl.repeat(engine, frame.height, dtype=pl.Int8, eager=True),
                    **numbers,
                }
            ).filter(pl.col("at_s").is_not_null())
        )
    return typed(pl.concat(parts), INSTANTS) if parts else pl.DataFrame(schema=INSTANTS)


def _groups(frame: pl.DataFrame, names: Mapping[str, object]) -> list[tuple[str, int | None, str]]:
    found: list[tuple[str, int | None, str]] = []
    for key in frame.columns:
        if "|" in key or key == "landing_id":
            continue
        stem, dot, engine = key.rpartition(".")
        name = stem if dot else key
        if name in names:
            found.append((name, int(engine) if dot else None, key))
    return found


def _number(column: pl.Series) -> pl.Series:
    return column.cast(pl.Float64).fill_nan(None)


def steps_of(frame: pl.DataFrame) -> list[str]:
    """The steps a wide instants table holds."""
    keys = [key for key in frame.columns if "|" not in key and key != "landing_id"]
    return list(dict.fromkeys(key.rpartition(".")[0] if "." in key else key for key in keys))
