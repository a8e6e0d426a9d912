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
WHY = "|why"


def measures_wide(result: Result) -> pl.DataFrame:
    """Every measure of a block, one row per landing."""
    measured = result.measured
    columns: dict[str, np.ndarray] = {}
    for name, value in measured.values.items():
        at, speed = measured.at_s[name], measured.ground_speed_kt[name]
        fields = zip(MEASURE_FIELDS, (value.value, value.lower, value.upper, at, speed), strict=True)
        for field, matrix in (*fields, (WHY, value.why)):
            columns |= {key + field: column for key, column in _columns(name, matrix, measured.engines)}
    return _frame(result.landings["landing_id"], columns)


def instants_wide(result: Result) -> pl.DataFrame:
    """Every step of a block, one row per landing."""
    columns: dict[str, np.ndarray] = {}
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
            columns |= {key + field: column for key, column in _columns(name, matrix, result.measured.engines)}
    return _frame(result.landings["landing_id"], columns)


def _frame(ids: pl.Series, columns: Mapping[str, np.ndarray]) -> pl.DataFrame:
    """Reasons as int16, all else as float32, cut from one long series of each: to make hundreds singly takes long."""
    series = {"landing_id": ids}
    for names, dtype in (
        ([name for name in columns if not name.endswith(WHY)], np.float32),
        ([name for name in columns if name.endswith(WHY)], np.int16),
    ):
        matrix = np.empty((len(names), len(ids)), dtype)
        for row, name in zip(matrix, names, strict=True):
            row[:] = columns[name]
        whole = pl.Series(matrix.reshape(-1))
        series |= {name: whole.slice(k * len(ids), len(ids)).alias(name) for k, name in enumerate(names)}
    return pl.DataFrame([series[name] for name in ("landing_id", *columns)])


def _columns(name: str, matrix: np.ndarray, engines: Sequence[int]) -> list[tuple[str, np.ndarray]]:
    if matrix.ndim == 1:
        return [(name, matrix)]
    return [(f"{name}.{engine}", matrix[:, column]) for column, engine in enumerate(engines)]


def measured_from_wide(frame: pl.DataFrame, engines: Sequence[int], reasons: Sequence[str]) -> Measured:
    """The `Measured` that a wide table was made from."""
    values, at_s, speed, columns = {}, {}, {}, _by_name(frame)
    for name in CATALOGUE:
        keys = [name] if name in columns else [f"{name}.{e}" for e in engines if f"{name}.{e}" in columns]
        if not keys and CATALOGUE[name].per_engine and not engines:
            none = np.empty((frame.height, 0))
            values[name] = Bounded(none, none, none, none.astype(np.int16), none)
            at_s[name] = speed[name] = none
        if not keys:
            continue
        whole = len(keys) == 1 and keys[0] == name
        value, lower, upper, at, knots, why = (
            _matrix(columns, [key + field for key in keys], whole) for field in (*MEASURE_FIELDS, WHY)
        )
        values[name] = Bounded(value, lower, upper, why, at)
        at_s[name], speed[name] = at, knots
    return Measured(frame["landing_id"].to_numpy(), tuple(engines), values, tuple(reasons), at_s, speed)


def _by_name(frame: pl.DataFrame) -> dict[str, np.ndarray]:
    """The columns of numbers of a wide table; all of one type are taken out at once."""
    found: dict[str, np.ndarray] = {}
    for dtype in set(frame.dtypes) - {pl.String}:
        alike = frame.select(pl.col(dtype))
        found |= dict(zip(alike.columns, alike.to_numpy(order="fortran").T, strict=True))
    return found


def with_values(frame: pl.DataFrame, measured: Measured) -> pl.DataFrame:
    """A wide table with the values, bounds and reasons of `measured` in it."""
    columns: dict[str, np.ndarray] = {}
    for name, bounded in measured.values.items():
        fields = zip(MEASURE_FIELDS[:3], (bounded.value, bounded.lower, bounded.upper), strict=True)
        for field, matrix in (*fields, (WHY, bounded.why)):
            columns |= {key + field: column for key, column in _columns(name, matrix, measured.engines)}
    others = frame.drop(list(columns), strict=False)
    return pl.concat([others, _frame(frame["landing_id"], columns).drop("landing_id")], how="horizontal")[frame.columns]


def best_instants(frame: pl.DataFrame, engines: Sequence[int]) -> dict[str, np.ndarray]:
    """Step -> best times of a wide instants table, (n,) or (n, e)."""
    found, columns = {}, _by_name(frame)
    for name in steps_of(frame):
        whole = name in columns
        found[name] = _matrix(columns, [name] if whole else [f"{name}.{engine}" for engine in engines], whole)
    return found


def _matrix(columns: Mapping[str, np.ndarray], keys: list[str], whole: bool) -> np.ndarray:
    return columns[keys[0]] if whole else np.stack([columns[key] for key in keys], axis=1)


def measures_long(frame: pl.DataFrame, reasons: Sequence[str]) -> pl.DataFrame:
    """The measures table of the contract, from a wide one."""
    if not (groups := _groups(frame, CATALOGUE)):
        return pl.DataFrame(schema=MEASURES)
    sentences = pl.Series([None, *reasons[1:]], dtype=pl.String)
    units = [CATALOGUE[name].unit for name, _, _ in groups]
    columns = {
        **_whose(frame, groups, "measure"),
        **dict(zip(("value", "lower", "upper"), _stacked(frame, groups, MEASURE_FIELDS[:3], pl.Float64), strict=True)),
        "unit": _each(units, frame.height, pl.String),
        "reason": sentences.gather(_stacked(frame, groups, (WHY,), pl.UInt32)[0]),
    }
    return typed(pl.DataFrame(columns), MEASURES)


def instants_long(frame: pl.DataFrame, steps: Sequence[str]) -> pl.DataFrame:
    """The instants table of the contract, from a wide one; steps that did not happen have no row."""
    if not (groups := _groups(frame, dict.fromkeys(steps))):
        return pl.DataFrame(schema=INSTANTS)
    fields = ("", "|earliest", "|latest", "|speed", "|distance", "|left")
    numbers = zip(list(INSTANTS)[3:], _stacked(frame, groups, fields, pl.Float64), strict=True)
    columns = {**_whose(frame, groups, "step"), **dict(numbers)}
    return typed(pl.DataFrame(columns).filter(pl.col("at_s").is_not_null()), INSTANTS)


Groups = Sequence[tuple[str, int | None, str]]  # name, engine, and the column its own columns begin with


def _whose(frame: pl.DataFrame, groups: Groups, kind: str) -> dict[str, pl.Series]:
    """The first columns of a long table: group after group, every landing in each."""
    return {
        "landing_id": pl.concat([frame["landing_id"]] * len(groups)),
        kind: _each([name for name, _, _ in groups], frame.height, pl.String),
        "engine": _each([engine for _, engine, _ in groups], frame.height, pl.Int8),
    }


def _each(values: Sequence[object], times: int, dtype: type[pl.DataType]) -> pl.Series:
    return pl.Series(values, dtype=dtype).gather(np.repeat(np.arange(len(values)), times))


def _stacked(frame: pl.DataFrame, groups: Groups, fields: Sequence[str], dtype: type[pl.DataType]) -> list[pl.Series]:
    """Each field of all groups, one group below the other; NaN becomes null."""
    found = []
    for field in fields:
        chosen = frame.select(pl.col([key + field for _, _, key in groups]).cast(dtype))
        whole = pl.concat(chosen.get_columns())
        found.append(whole.fill_nan(None) if dtype == pl.Float64 else whole)
    return found


def _groups(frame: pl.DataFrame, names: Mapping[str, object]) -> Groups:
    found: list[tuple[str, int | None, str]] = []
    for key in frame.columns:
        if "|" in key or key == "landing_id":
            continue
        stem, dot, engine = key.rpartition(".")
        name = stem if dot else key
        if name in names:
            found.append((name, int(engine) if dot else None, key))
    return found


def steps_of(frame: pl.DataFrame) -> list[str]:
    """The steps a wide instants table holds."""
    keys = [key for key in frame.columns if "|" not in key and key != "landing_id"]
    return list(dict.fromkeys(key.rpartition(".")[0] if "." in key else key for key in keys))
