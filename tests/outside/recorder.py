"""A recorder of our own for the checks: samples known signals at recorder rates and writes files as an operator would.

A `Channel` says which signal is sampled, how often, with what phase and resolution, and how the parameter map names
it. The table is wide and sparse: a row per instant at which anything was sampled, empty cells elsewhere.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl

Signal = Callable[[np.ndarray], np.ndarray]
STATE_WORDS = np.array(["STOWED", "TRANSIT", "DEPLOYED"])


@dataclass(frozen=True)
class Channel:
    """One recorded parameter.

    parameter    canonical name it is mapped to
    signal       float64 (m,) seconds -> values (m,); 0/1 for discretes, 0/1/2 for states
    resolution   step to which the recorder rounds, 0 for none
    entry        further keys of its parameter map section: unit, full_travel, true_when, states
    """

    parameter: str
    signal: Signal
    rate_hz: float
    entry: Mapping[str, object]
    resolution: float = 0.0
    column: str = ""

    @property
    def header(self) -> str:
        """The operator's own column name."""
        return self.column or self.parameter.upper().replace(".", "_")


@dataclass(frozen=True)
class Flight:
    """A recording to be written, with what flights.csv says of it."""

    name: str
    start_s: float
    end_s: float
    channels: Sequence[Channel]
    fleet: str
    engines: int = 2
    reversers: Sequence[int] = (1, 2)
    facts: Mapping[str, object] = field(default_factory=dict)
    form: str = "parquet"


def linear(points: Sequence[tuple[float, float]]) -> Signal:
    """A signal that runs straight from point to point and keeps its end values."""
    at, value = np.array(points, dtype=float).T
    return lambda time_s: np.interp(time_s, at, value)


def stepped(points: Sequence[tuple[float, float]], before: float = 0.0) -> Signal:
    """A signal that takes each value from its time on, and `before` earlier."""
    at = np.array([p[0] for p in points], dtype=float)
    values = np.array([before, *(p[1] for p in points)], dtype=float)
    return lambda time_s: values[np.searchsorted(at, time_s, side="right")]


def sampled(channel: Channel, start_s: float, end_s: float, phase_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Times and recorded values of one channel, its first sample `phase_s` after the start."""
    count = int(np.floor((end_s - start_s - phase_s) * channel.rate_hz)) + 1
    time_s = start_s + phase_s + np.arange(count) / channel.rate_hz
    values = np.asarray(channel.signal(time_s), dtype=float)
    if channel.resolution:
        values = np.round(values / channel.resolution) * channel.resolution
    return time_s, values


def table(flight: Flight, rng: np.random.Generator, grid_s: float = 0.01) -> pl.DataFrame:
    """The wide sparse table of a flight; phases are drawn on a grid of `grid_s`."""
    columns = []
    for channel in flight.channels:
        phase_s = grid_s * rng.integers(0, max(1, round(1 / channel.rate_hz / grid_s)))
        time_s, values = sampled(channel, flight.start_s, flight.end_s, phase_s)
        micro = np.round(time_s * 1e6).astype(np.int64)
        recorded = pl.Series(channel.header, _recorded(channel, values))
        columns.append(pl.DataFrame([pl.Series("micro", micro), recorded]))
    rows = pl.concat([c.select("micro") for c in columns]).unique().sort("micro")
    for column in columns:
        rows = rows.join(column, on="micro", how="left", maintain_order="left")
    return rows.select((pl.col("micro") / 1e6).alias("time_s"), pl.exclude("micro"))


def _recorded(channel: Channel, values: np.ndarray) -> np.ndarray:
    if "states" in channel.entry:
        return STATE_WORDS[values.astype(int)]
    return values.astype(np.int64) if "true_when" in channel.entry else values


def map_text(flight: Flight) -> str:
    """The parameter map of a flight's layout, as TOML."""
    lines = [
        "[map]",
        f'name = "{flight.fleet} layout"',
        f'fleet = "{flight.fleet}"',
        f"engines = {flight.engines}",
        f"reversers = {list(flight.reversers)}",
    ]
    for channel in flight.channels:
        lines += ["", f'[parameter."{channel.parameter}"]', f'column = "{channel.header}"']
        lines += [f"{key} = {_toml(value)}" for key, value in channel.entry.items()]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{json.dumps(k)} = {json.dumps(v)}" for k, v in value.items()) + " }"
    return json.dumps(value)


def write(folder: Path, flights: Sequence[Flight], seed: int, runways: pl.DataFrame | None = None) -> Path:
    """Write recordings, their maps, flights.csv and, when given, runways.csv into a folder."""
    (folder / "maps").mkdir(parents=True, exist_ok=True)
    rows = []
    for number, flight in enumerate(flights):
        frame = table(flight, np.random.default_rng([seed, number]))
        file = f"{flight.name}.{flight.form}"
        frame.write_csv(folder / file) if flight.form == "csv" else frame.write_parquet(folder / file)
        map_file = f"maps/{flight.name}.toml"
        (folder / map_file).write_text(map_text(flight))
        rows.append({"file": file, "fleet": flight.fleet, "flight": flight.name, **flight.facts, "map": map_file})
    pl.from_dicts(rows, infer_schema_length=None).write_csv(folder / "flights.csv")
    if runways is not None:
        runways.write_csv(folder / "runways.csv")
    return folder


FLAG = {"true_when": [1]}
STATES = {"states": {"STOWED": "stowed", "TRANSIT": "in_transit", "DEPLOYED": "deployed"}}
