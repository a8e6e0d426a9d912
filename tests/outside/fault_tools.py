"""Recordings as an operator would export them, before they are files: where things are in them, how to spoil a column.

A recording is a dictionary, parameter -> (time_s, values), both float64 (m,): canonical names, recorded units, 0/1 for
discretes, 0/1/2 for reverser states, NaN for a cell that stays empty. "time_s" is the column of stamps: the true time
of each row, and what the recorder wrote there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Recording = dict[str, tuple[np.ndarray, np.ndarray]]
STAMPS = "time_s"


@dataclass(frozen=True)
class Fault:
    """What was done: its kind, the parameter (STAMPS for the clock), from when to when on the recording's clock."""

    kind: str
    parameter: str
    from_s: float
    to_s: float

    @property
    def whole(self) -> bool:
        """Whether it lasts for the whole recording."""
        return self.from_s == -np.inf


Faulty = tuple[Recording, Fault] | None

# -- where things are in a recording -----------------------------------------------------------------------------


def family(recording: Recording, *starts: str) -> list[str]:
    """Parameters whose names begin so."""
    return [name for name in recording if name.startswith(starts)]


def contact_s(recording: Recording) -> float:
    """First sample at which any main gear says ground."""
    gears = (recording[name] for name in family(recording, "main_gear_ground"))
    return float(min(time_s[np.argmax(values == 1)] for time_s, values in gears))


def deployed_samples(recording: Recording, engine: int) -> tuple[np.ndarray, np.ndarray]:
    """(times, true while deployed) of one reverser."""
    for name, code in ((f"reverser_state.{engine}", 2), (f"reverser_deployed.{engine}", 1)):
        if name in recording:
            time_s, values = recording[name]
            return time_s, values == code
    return np.zeros(0), np.zeros(0, bool)


def deploys(recording: Recording, rng: np.random.Generator) -> tuple[int, float, float] | None:
    """An engine whose reverser deployed, when, and when it left deployed; None when none did."""
    for engine in rng.permutation([1, 2]):
        time_s, on = deployed_samples(recording, int(engine))
        if on.any():
            return int(engine), float(time_s[on][0]), float(time_s[on][-1])
    return None


def slowing_sample(recording: Recording, name: str, rng: np.random.Generator, low: float, high: float) -> int | None:
    """Index of a random sample on the ground at which a parameter lies between two values."""
    time_s, values = recording[name]
    able = np.flatnonzero((time_s > contact_s(recording) + 1) & (values > low) & (values < high))
    return int(rng.choice(able)) if len(able) else None


# -- what recorders do to one parameter ----------------------------------------------------------------------------


def changed(recording: Recording, name: str, values: np.ndarray) -> Recording:
    """The recording with other values of one parameter."""
    return recording | {name: (recording[name][0], values)}


def within(recording: Recording, name: str, from_s: float, to_s: float) -> np.ndarray:
    """(m,) true at a parameter's samples in [from_s, to_s)."""
    time_s = recording[name][0]
    return (time_s >= from_s) & (time_s < to_s)


def held(recording: Recording, name: str, from_s: float, for_s: float) -> Faulty:
    """The last value before a moment, repeated for a while."""
    inside = within(recording, name, from_s, from_s + for_s)
    before = np.flatnonzero(recording[name][0] < from_s)
    if not inside.any() or not len(before):
        return None
    values = np.where(inside, recording[name][1][before[-1]], recording[name][1])
    return changed(recording, name, values), Fault("frozen", name, from_s, from_s + for_s)


def lost(recording: Recording, names: list[str], from_s: float, for_s: float) -> Faulty:
    """Samples missing for a while."""
    for name in names:
        inside = within(recording, name, from_s, from_s + for_s)
        recording = changed(recording, name, np.where(inside, np.nan, recording[name][1]))
    return recording, Fault("dropout", names[0], from_s, from_s + for_s)


def leap(recording: Recording, name: str, k: int, value: float) -> Faulty:
    """One sample that is far off."""
    time_s, values = recording[name]
    wrong = values.copy()
    wrong[k] = value
    return changed(recording, name, wrong), Fault("spike", name, float(time_s[k]), float(time_s[k]))
