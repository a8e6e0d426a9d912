"""Recorded flights into files: sparse and held wide tables, long tables; one flight to a file, or many in a table."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow as pa

from sample_flights.airline import STRIPS
from sample_flights.flying import Flown, Samples
from sample_flights.layouts import ROWS_HZ, Channel, Layout
from sample_flights.schedule import Flight


def table(flown: Flown, chosen: list[int], *, names: bool) -> pl.DataFrame:
    """Flights one under the other: `flight` if asked for, `time_s`, then a column for each channel."""
    plain = [i for i in chosen if i not in flown.whole]
    parts = []
    if plain:
        samples = {name: values[plain] for name, values in flown.samples.items()}
        gaps = [flown.gaps[i] for i in plain]
        parts.append(
            _wide(
                samples,
                flown.layout,
                flown.rows[plain],
                flown.origin_s[plain],
                gaps,
                [flown.listed[i] for i in plain],
                names,
            )
        )
    for i in chosen:
        if i in flown.whole:
            samples, rows = flown.whole[i]
            parts.append(
                _wide(
                    samples,
                    flown.layout,
                    np.array([rows]),
                    flown.origin_s[[i]],
                    [[]],
                    [flown.listed[i]],
                    names,
                )
            )
    return pl.concat(parts)


def _wide(
    samples: Samples,
    layout: Layout,
    rows: np.ndarray,
    origin_s: np.ndarray,
    gaps: list[list[tuple[int, int]]],
    flights: list[Flight],
    names: bool,
) -> pl.DataFrame:
    most = int(rows.max())
    kept = np.arange(most) < rows[:, None]
    for i, left_out in enumerate(gaps):
        for first, behind in left_out:
            kept[i, first:behind] = False
    keep = kept.ravel()
    stamps = (origin_s[:, None] + np.arange(most) / ROWS_HZ).ravel()[keep]
    columns = [pl.Series("time_s", stamps)]
    if names:
        codes = pa.array(np.repeat(np.arange(len(flights), dtype=np.int32), kept.sum(axis=1)))
        words = pa.DictionaryArray.from_arrays(codes, pa.array([f.flight for f in flights]))
        columns.insert(0, pl.Series("flight", words.cast(pa.string())))
    for channel in layout.channels:
        columns.append(_column(samples[channel.name], channel, layout.form == "held", most, keep))
    return pl.DataFrame(columns)


def _column(values: np.ndarray, channel: Channel, held: bool, most: int, keep: np.ndarray) -> pl.Series:
    codes = values.dtype == np.int8
    full = np.full((len(values), most), -1 if codes else np.nan, values.dtype)
    fitting = full[:, channel.phase :: channel.every].shape[1]
    if held:
        full[:, channel.phase :] = np.repeat(values[:, :fitting], channel.every, axis=1)[:, : most - channel.phase]
    else:
        full[:, channel.phase :: channel.every] = values[:, :fitting]
    flat = full.ravel()[keep]
    if not codes:
        return pl.Series(channel.column, pa.array(flat, from_pandas=True))
    array = pa.array(flat, mask=flat < 0)
    if channel.states is not None and isinstance(channel.states[0], str):
        array = pa.DictionaryArray.from_arrays(array, pa.array(channel.states)).cast(pa.string())
    return pl.Series(channel.column, array)


def long(wide: pl.DataFrame) -> pl.DataFrame:
    """A sparse wide table as time, parameter, value, in order of time."""
    values = wide.select("time_s", pl.exclude("time_s").cast(pl.Float64))
    melted = values.unpivot(index="time_s", variable_name="parameter", value_name="value")
    return melted.drop_nulls("value").sort("time_s", maintain_order=True)


def with_utc(wide: pl.DataFrame, start: datetime) -> pl.DataFrame:
    """`time_s`, which counts from 0, turned into `time_utc`, ISO 8601 with milliseconds."""
    stamps = pl.lit(start).dt.replace_time_zone(None) + pl.duration(milliseconds=pl.col("time_s") * 1000)
    return wide.select(stamps.dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").alias("time_utc"), pl.exclude("time_s"))


def listing(flown: Flown, chosen: list[int], files: list[str]) -> pl.DataFrame:
    """Rows of flights.csv."""
    flights = [flown.listed[i] for i in chosen]
    return pl.DataFrame(
        {
            "file": files,
            "tail": [f.tail for f in flights],
            "fleet": [f.fleet.name for f in flights],
            "start_utc": [f"{f.start_utc:%Y-%m-%dT%H:%M:%S}.{f.start_utc.microsecond // 1000:03d}Z" for f in flights],
            "departure": [f.departure for f in flights],
            "arrival": [f.runway.airport for f in flights],
            "runway": [f.runway.ident for f in flights],
            "flight": [f.flight for f in flights],
            "map": f"maps/{flown.layout.fleet.key}.toml",
            "reversers_out": [";".join(map(str, f.reversers_out)) or None for f in flights],
            "runway_condition_code": flown.condition_code[chosen],
        },
        schema_overrides={"reversers_out": pl.String},
    )


def write_runways(folder: Path) -> None:
    """runways.csv with the column names of the open OurAirports table."""
    rows = []
    for strip in STRIPS:
        row: dict[str, object] = {
            "airport_ident": strip.airport,
            "length_ft": strip.length_ft,
            "width_ft": strip.width_ft,
            "surface": "ASP",
        }
        ends = ((strip.latitude_deg, strip.longitude_deg), strip.far_end)
        idents, headings = (
            (strip.le_ident, strip.he_ident),
            (strip.heading_deg, (strip.heading_deg + 180) % 360),
        )
        for i, end in enumerate(("le", "he")):
            row |= {
                f"{end}_ident": idents[i],
                f"{end}_latitude_deg": round(float(ends[i][0]), 7),
                f"{end}_longitude_deg": round(float(ends[i][1]), 7),
                f"{end}_elevation_ft": strip.elevation_ft,
                f"{end}_heading_degT": round(headings[i], 2),
                f"{end}_displaced_threshold_ft": strip.displaced_ft[i],
            }
        rows.append(row)
    pl.DataFrame(rows).write_csv(folder / "runways.csv")
