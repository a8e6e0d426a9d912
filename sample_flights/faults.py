"""What recorders do to good data now and then: gaps, spikes, frozen values, chattering or late air/ground, stuck flags.

A fault changes what is written and never the truth; truth.parquet names it as `kind:parameter`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_flights.layouts import ROWS_HZ, Layout

SHARE = 0.035  # of all recordings
KINDS = ("dropout", "spike", "frozen", "time_gap", "chatter", "late_ground", "stuck_flag")
ANALOGUE = (
    "ground_speed",
    "n1.1",
    "n1.2",
    "spoiler_handle",
    "spoiler_panel",
    "brake_pressure.left",
    "heading",
)
DROPPED = (
    *ANALOGUE,
    "reverser_deployed.1",
    "reverser_state.2",
    "main_gear_ground",
    "main_gear_ground.left",
    "spoilers_armed",
)
WILD = {"ground_speed": 511.5, "n1.1": 0.0, "n1.2": 127.5, "heading": 0.0}
STUCK = ("reverser_deployed.2", "reverser_state.2")
GEAR = ("main_gear_ground", "main_gear_ground.left", "main_gear_ground.right")


@dataclass(frozen=True)
class Fault:
    """One fault of one recording, in seconds after contact."""

    kind: str
    parameter: str
    from_s: float
    for_s: float

    def __str__(self) -> str:
        return f"{self.kind}:{self.parameter}" if self.parameter else self.kind


def deal(n: int, layout: Layout, rng: np.random.Generator) -> list[list[Fault]]:
    """Faults of n recordings of one layout."""
    names = {c.name for c in layout.channels}
    return [[_draw(names, rng)] if rng.random() < SHARE else [] for _ in range(n)]


def _draw(names: set[str], rng: np.random.Generator) -> Fault:
    kind = KINDS[rng.integers(len(KINDS))]
    among = {"dropout": DROPPED, "spike": tuple(WILD), "frozen": ANALOGUE, "stuck_flag": STUCK}.get(kind, ())
    able = [name for name in among if name in names]
    parameter = able[rng.integers(len(able))] if able else ""
    start = rng.uniform(0, 8) if kind in ("chatter", "late_ground", "stuck_flag") else rng.uniform(-4, 30)
    lasts = {"dropout": (3, 14), "frozen": (6, 20), "time_gap": (1.5, 5), "late_ground": (0.8, 2.5)}.get(kind, (0, 0))
    return Fault(kind, parameter, float(start), float(rng.uniform(*lasts)))


def gap_rows(faults: list[Fault], start_s: float) -> list[tuple[int, int]]:
    """Rows that time gaps leave out."""
    gaps = []
    for fault in faults:
        if fault.kind == "time_gap":
            first = round((fault.from_s - start_s) * ROWS_HZ)
            gaps.append((first, first + round(fault.for_s * ROWS_HZ)))
    return gaps


def spoil(
    samples: dict[str, np.ndarray],
    layout: Layout,
    start_s: np.ndarray,
    dealt: list[list[Fault]],
    rng: np.random.Generator,
) -> None:
    """Put the faults into sampled values, in place."""
    for i, faults in enumerate(dealt):
        for fault in faults:
            for channel in layout.channels:
                if channel.name == fault.parameter or (
                    fault.kind in ("chatter", "late_ground") and channel.name in GEAR
                ):
                    values = samples[channel.name][i]
                    when = start_s[i] + (channel.phase + channel.every * np.arange(len(values))) / ROWS_HZ
                    _apply(fault, values, when, channel.true_when == 0, channel.per_unit, rng)


def _apply(
    fault: Fault,
    values: np.ndarray,
    when: np.ndarray,
    inverted: bool,
    per_unit: float,
    rng: np.random.Generator,
) -> None:
    inside = (when >= fault.from_s) & (when < fault.from_s + fault.for_s)
    air = 1 if inverted else 0
    if fault.kind == "dropout":
        values[inside] = -1 if values.dtype == np.int8 else np.nan
    elif fault.kind == "frozen" and inside.any():
        values[inside] = values[inside.argmax()]
    elif fault.kind == "spike":
        values[np.searchsorted(when, fault.from_s)] = WILD[fault.parameter] * per_unit
    elif fault.kind == "chatter":
        near = np.flatnonzero((when > 0) & (when < 1.6))
        values[near[1 : 1 + max(1, len(near) // 2) : 2]] = air
    elif fault.kind == "late_ground":
        values[(when >= -0.2) & (when < fault.for_s)] = air
    elif fault.kind == "stuck_flag":
        values[:] = 1 if values.max() == 2 else 0
