"""Landings cut out of recordings, laid on regular sampling grids, and stacked into blocks.

A block holds landings of one recorder layout. Each parameter is a matrix (landings, samples) on its own grid:
sample k of landing i was taken at `start_s[i] + k * step_s`, in seconds relative to that landing's anchor (the
moment near first contact around which it was cut). Missing samples are NaN, or NOT_RECORDED in discretes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from fdm.parameters import NOT_RECORDED, PARAMETERS
from fdm.recording import Recording, Samples
from fdm.schemas import FACTS

BLOCK_FACTS: dict[str, Any] = {
    "landing_id": pl.String,
    **FACTS,
    "recorder": pl.String,
    "anchor_s": pl.Float64,
    "length_s": pl.Float64,
    "quality": pl.List(pl.String),
}


@dataclass(frozen=True)
class Layout:
    """What a recorder keeps: engines, which of them have reversers, and each parameter's sampling step."""

    engines: int
    reversers: tuple[int, ...]
    steps: tuple[tuple[str, float], ...]

    @property
    def key(self) -> str:
        """A short stable name, the same for equal layouts."""
        text = json.dumps([self.engines, self.reversers, self.steps])
        return hashlib.blake2b(text.encode(), digest_size=4).hexdigest()


@dataclass(frozen=True)
class Frame:
    """One landing, cut from its recording: 1-D grids by parameter, with the time of each one's first sample."""

    layout: Layout
    facts: Mapping[str, Any]
    start_s: Mapping[str, float]
    lag_s: Mapping[str, float]
    values: Mapping[str, np.ndarray]


@dataclass(frozen=True)
class Block:
    """Landings of one layout, stacked.

    facts    frame of BLOCK_FACTS, one row per landing
    start_s, lag_s   parameter -> float32 (n,)
    values   parameter -> float32 (int8 for discretes and states; float64 for positions) (n, m)
    """

    layout: Layout
    facts: pl.DataFrame
    start_s: Mapping[str, np.ndarray]
    lag_s: Mapping[str, np.ndarray]
    values: Mapping[str, np.ndarray]


def samples_between(block: Block, name: str, from_s: float, to_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Times and samples (n, m) of a parameter in the columns that a stretch of time touches on any landing."""
    step, values, start_s = dict(block.layout.steps)[name], block.values[name], block.start_s[name]
    c0 = max(int(np.floor((from_s - start_s.max(initial=-np.inf)) / step)), 0) if len(start_s) else 0
    c1 = min(int(np.ceil((to_s - start_s.min()) / step)) + 1, values.shape[1]) if len(start_s) else 0
    columns = np.arange(c0, max(c1, c0))
    return start_s[:, None] + columns * np.float32(step), values[:, c0 : max(c1, c0)]


def nearest_samples(block: Block, name: str, rows: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """(k,) or (k, w) the samples of some landings (k,) nearest to times; NaN where missing or outside the recording."""
    values, start_s = block.values[name], block.start_s[name][rows]
    start_s, rows = (x.reshape(x.shape + (1,) * (time_s.ndim - 1)) for x in (start_s, rows))
    column = np.rint((time_s - start_s) / dict(block.layout.steps)[name]).astype(np.int64)
    there = (column >= 0) & (column < values.shape[1])
    found = values[rows, np.clip(column, 0, values.shape[1] - 1)]
    there &= found >= 0 if values.dtype == np.int8 else True
    return np.where(there, found, np.float32(np.nan))


def dtype_of(name: str) -> type[np.generic]:
    """How a parameter is kept: int8 discretes and states, float64 positions, float32 the rest."""
    if PARAMETERS[name].kind != "analogue":
        return np.int8
    return np.float64 if name in ("latitude", "longitude") else np.float32


def missing_of(name: str) -> float:
    """The filler of a missing sample."""
    return np.nan if PARAMETERS[name].kind == "analogue" else NOT_RECORDED


def cut(
    recording: Recording, ordinal: int, anchor_s: float, start_s: float, end_s: float, notes: Sequence[str]
) -> Frame:
    """One landing's frame: samples from `start_s` to `end_s` of the recording's clock, relative to `anchor_s`.

    A parameter without a valid sample in that time is left out of the layout: it is not recorded for this landing.
    """
    starts, lags, values = {}, {}, {}
    for name, samples in recording.samples.items():
        start, lag, grid = _grid(samples, anchor_s, start_s, end_s)
        if _any_valid(grid):
            starts[name], lags[name], values[name] = start, lag, grid
    steps = tuple((name, round(float(recording.samples[name].step_s), 6)) for name in sorted(values))
    layout = Layout(recording.engines, tuple(recording.reversers), steps)
    identity = f"{recording.content_hash}:{ordinal}".encode()
    facts = {
        **recording.facts,
        "landing_id": hashlib.blake2b(identity, digest_size=6).hexdigest(),
        "source_file": recording.source,
        "recorder": recording.recorder,
        "anchor_s": anchor_s,
        "length_s": end_s - start_s,
        "quality": [*recording.notes, *notes],
    }
    return Frame(layout, facts, starts, lags, values)


def _any_valid(grid: np.ndarray) -> bool:
    return bool((grid >= 0).any() if grid.dtype == np.int8 else not np.isnan(grid).all())


def _grid(samples: Samples, anchor_s: float, start_s: float, end_s: float) -> tuple[float, float, np.ndarray]:
    """Time of the first grid point relative to the anchor, how much later than sampled a grid point may be, the grid.

    Stamps need not keep to the step exactly. The grid lies so that no sample is placed before it was taken, and the
    most that one is placed after it adds to the lag.
    """
    step = float(samples.step_s)
    size = max(1, int(np.floor((end_s - start_s) / step)) + 1)
    grid = np.full(size, missing_of(samples.name), dtype_of(samples.name))
    first, last = np.searchsorted(samples.time_s, [start_s - 1e-9, end_s + 1e-9])
    if first == last:
        return start_s - anchor_s, samples.lag_s, grid
    time_s = samples.time_s[first:last]
    index = np.rint((time_s - time_s[0]) / step).astype(np.int64)
    ahead = time_s - time_s[0] - index * step
    spread = float(ahead.max() - ahead.min())
    spread = spread if spread > 1e-6 else 0.0
    origin = float(time_s[0]) + (float(ahead.max()) if spread else 0.0)
    before = max(0, int(np.floor((origin - start_s) / step + 1e-6)))
    keep = index + before < size
    grid[index[keep] + before] = samples.values[first:last][keep]
    return origin - step * before - anchor_s, samples.lag_s + spread, grid


def stack_frames(frames: Sequence[Frame]) -> Block:
    """Frames of one layout as a block; shorter landings are filled with missing samples at their end."""
    layout = frames[0].layout
    values = {}
    for name, _ in layout.steps:
        width = max(len(frame.values[name]) for frame in frames)
        matrix = np.full((len(frames), width), missing_of(name), dtype_of(name))
        for row, frame in enumerate(frames):
            matrix[row, : len(frame.values[name])] = frame.values[name]
        values[name] = matrix
    facts = pl.DataFrame([{k: frame.facts.get(k) for k in BLOCK_FACTS} for frame in frames], schema=BLOCK_FACTS)
    names = [name for name, _ in layout.steps]
    starts = {name: np.array([f.start_s[name] for f in frames], np.float32) for name in names}
    lags = {name: np.array([f.lag_s[name] for f in frames], np.float32) for name in names}
    return Block(layout, facts, starts, lags, values)
