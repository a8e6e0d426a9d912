"""Recorded values into files: sparse and held wide tables, long tables, one flight to a file or many."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow as pa

from sample_flights.airline import STRIPS
from sample_flights.layouts import ROWS_HZ, Channel, Layout

Samples = dict[str, np.ndarray]


def wide(samples: Samples, layout: Layout, rows: np.ndarray, origin_s: np.ndarray, names: list[str] | None) -> pl.DataFrame:
    """Landings one under the other: (`flight`,) `time_s`, then a column for each channel; empty where not sampled."""
    most = int(rows.max())
    keep = (np.arange(most) < rows[:, None]).ravel()
    stamps = (origin_s[:, None] + np.arange(most) / ROWS_HZ).ravel()[keep]
    columns = [pl.Series("time_s", stamps)]
    if names is not None:
        columns.insert(0, pl.Series("flight", np.repeat(np.array(names, dtype=object), rows), dtype=pl.String))
    for channel in layout.channels:
        columns.append(_column(samples[channel.name], channel, layout.form == "held", most, keep))
    return pl.DataFrame(columns)


def _column(values: np.ndarray, channel: Channel, held: bool, most: int, keep: np.ndarray) -> pl.Series:
    full = np.full((len(values), most), _empty(values), values.dtype)
    fitting = full[:, channel.phase :: channel.every].shape[1]
    if held:
        full[:, channel.phase :] = np.repeat(values[:, :fitting], channel.every, axis=1)[:, : most - channel.phase]
    else:
        full[:, channel.phase :: channel.every] = values[:, :fitting]
    return _series(full.ravel()[keep], channel)


def _empty(values: np.ndarray) -> float:
    return -1 if values.dtype == np.int8 else np.nan


def _series(values: np.ndarray, channel: Channel) -> pl.Series:
    if values.dtype != np.int8:
        return pl.Series(channel.column, pa.array(values, from_pandas=True))
    codes = pa.array(values, mask=values < 0)
    if channel.states is not None and isinstance(channel.states[0], str):
        codes = pa.DictionaryArray.from_arrays(codes, pa.array(channel.states)).cast(pa.string())
    return pl.Series(channel.column, codes)


def long(table: pl.DataFrame) -> pl.DataFrame:
    """A sparse wide table as time, parameter, value, in order of time."""
    fixed = [name for name in ("flight", "time_s") if name in table.columns]
    values = [pl.col(name).cast(pl.Float64) for name in table.columns if name not in fixed]
    melted = table.select(*fixed, *values).unpivot(index=fixed, variable_name="parameter", value_name="value")
    return melted.drop_nulls("value").sort(fixed, maintain_order=True)


def with_utc(table: pl.DataFrame, start: datetime) -> pl.DataFrame:
    """`time_s` from 0 turned into `time_utc`, ISO 8601 with milliseconds."""
    stamps = pl.lit(start).dt.replace_time_zone(None) + pl.duration(milliseconds=pl.col("time_s") * 1000)
    return table.with_columns(stamps.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").alias("time_utc")).select(
        "time_utc", pl.exclude("time_utc", "time_s")
    )


def write_runways(folder: Path) -> None:
    """runways.csv with the column names of the open OurAirports table."""
    rows = []
    for strip in STRIPS:
        latitude, longitude = strip.far_end
        rows.append({
            "airport_ident": strip.airport, "length_ft": strip.length_ft, "width_ft": strip.width_ft, "surface": "ASP",
            "le_ident": strip.le_ident, "le_latitude_deg": strip.latitude_deg, "le_longitude_deg": strip.longitude_deg,
            "le_elevation_ft": strip.elevation_ft, "le_heading_degT": strip.heading_deg,
            "le_displaced_threshold_ft": strip.displaced_ft[0],
            "he_ident": strip.he_ident, "he_latitude_deg": round(float(latitude), 7), "he_longitude_deg": round(float(longitude), 7),
            "he_elevation_ft": strip.elevation_ft, "he_heading_degT": round((strip.heading_deg + 180) % 360, 2),
            "he_displaced_threshold_ft": strip.displaced_ft[1],
        })
    pl.DataFrame(rows).write_csv(folder / "runways.csv")
