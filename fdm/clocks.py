"""Clocks of recordings: usable stamps, sampling intervals, and what to do about stamps that are wrong."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fdm.errors import RecordingError

# 1 / step of recorders and exports: binary fractions of a second, and the decimal ones of newer systems.
COMMON_RATES_HZ = (
    1 / 64,
    1 / 32,
    1 / 16,
    1 / 8,
    0.25,
    0.5,
    1,
    2,
    4,
    5,
    8,
    10,
    16,
    20,
    25,
    32,
    40,
    50,
    64,
    100,
    128,
)
SNAP = 0.005  # relative distance within which a rate counts as a common one
LONGEST_STEP_S = 64.0  # a superframe: 16 frames of 4 s
LONGEST_BACKWARD_ROWS = 3  # out-of-order rows in one place that may be dropped
RESTART_S = 2.0  # after a gap longer than this a recorder may have started anew


@dataclass(frozen=True)
class Clock:
    """Usable stamps of a table.

    time_s  float64 (n,), never decreasing; NaN in rows that are left out
    whole   every row is kept and the stamps strictly increase
    lag_s   a row may have been taken up to this long before its stamp (stamps rounded by the export)
    notes   what was left out or put right
    gaps    a note on where there are no data, or ""
    """

    time_s: np.ndarray
    whole: bool
    lag_s: float = 0.0
    notes: tuple[str, ...] = ()
    gaps: str = ""


@dataclass(frozen=True)
class Grid:
    """Strictly increasing stamps shared by all columns that were sampled in the same rows."""

    time_s: np.ndarray

    @cached_property
    def step_s(self) -> float:
        """Sampling interval, a common recorder rate where one fits."""
        return step_of(self.time_s)

    @cached_property
    def steps(self) -> np.ndarray:
        """int64 (m,) number of steps since the first stamp; more than one apart across a gap."""
        return np.rint((self.time_s - self.time_s[0]) / self.step_s).astype(np.int64)

    @cached_property
    def unbroken(self) -> bool:
        """Whether no step is missing."""
        return bool(self.steps[-1] == len(self.steps) - 1 and (np.diff(self.steps) == 1).all())

    @cached_property
    def segment(self) -> np.ndarray:
        """int64 (m,) number of the uninterrupted stretch that each stamp lies in."""
        return np.concatenate(([0], np.cumsum(np.diff(self.time_s) > max(RESTART_S, 2.5 * self.step_s))))


def step_of(time_s: np.ndarray) -> float:
    """Sampling interval of stamps with gaps and jitter: mean of the differences near the median one, snapped."""
    gaps = np.diff(time_s)
    middle = float(np.partition(gaps, len(gaps) // 2)[len(gaps) // 2])
    regular = (gaps > 0.5 * middle) & (gaps < 1.5 * middle)
    return snapped(float(gaps.mean() if regular.all() else gaps[regular].mean()))


def snapped(step_s: float) -> float:
    """The step of the common recorder rate that fits, else the step itself."""
    for rate_hz in COMMON_RATES_HZ:
        if abs(step_s * rate_hz - 1) < SNAP:
            return 1 / rate_hz
    return round(step_s, 9)


def clock_of(time_s: np.ndarray, densest: int) -> Clock:
    """The usable rows of a table's clock. Raises RecordingError (without a source) when it cannot be put right.

    time_s   float64 (n,), NaN where a row has no stamp
    densest  number of values of the fullest column, to tell rounded stamps from rows that belong together
    """
    rising = np.diff(time_s) > 0
    if rising.all() and np.isfinite(time_s).all():
        return _checked(Clock(time_s, True))
    finite = np.isfinite(time_s)
    rows = np.flatnonzero(finite)
    if not len(rows):
        raise RecordingError("no row has a time", where="time", cure="Give each row its time in seconds.")
    notes = [f"{counted(len(finite) - len(rows), 'row')} without a time left out."] if len(rows) < len(finite) else []
    stamps, lag_s = time_s[rows], 0.0
    kept = _in_order(stamps)
    if len(kept) < len(stamps):
        notes.append(_dropped_note(stamps, kept))
        rows, stamps = rows[kept], stamps[kept]
    distinct = len(np.unique(stamps))
    if densest > 1.5 * distinct and distinct > 1:
        stamps, lag_s = _spread(stamps)
        notes.append(f"Stamps are rounded; rows that share one were spread over {lag_s:g} s steps.")
    elif distinct < len(stamps):
        notes.append(f"{counted(len(stamps) - distinct, 'row')} with the time of the row before, merged.")
    usable = np.full(len(time_s), np.nan)
    usable[rows] = stamps
    return _checked(Clock(usable, False, lag_s, tuple(notes)))


def counted(count: int, noun: str) -> str:
    """'1 row', '3 rows'."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _checked(clock: Clock) -> Clock:
    """The clock with a note on its gaps; refused when it cannot be in seconds."""
    stamps = clock.time_s if clock.whole else np.unique(clock.time_s[np.isfinite(clock.time_s)])
    if len(stamps) < 2:
        raise RecordingError("has one sample in time only", cure="A recording needs a landing's samples.")
    gaps = np.diff(stamps)
    step_s = float(np.median(gaps))
    if step_s > LONGEST_STEP_S:
        cure = "Times are in seconds; divide milliseconds by 1000."
        raise RecordingError(f"rows are {step_s:g} s apart, more than any recorder's", where="time", cure=cure)
    long = np.flatnonzero(gaps > max(2.5 * step_s, 1.0))
    if not len(long):
        return clock
    shown = ", ".join(f"{stamps[i]:.3f} to {stamps[i + 1]:.3f} s" for i in long[:3])
    more = f" and {len(long) - 3} more" if len(long) > 3 else ""
    return replace(clock, gaps=f"No data from {shown}{more}.")


def _in_order(stamps: np.ndarray) -> np.ndarray:
    """Positions of the longest part of the rows whose stamps never go back; refused when too much is out of order."""
    if (np.diff(stamps) >= 0).all():
        return np.arange(len(stamps))
    kept = _longest_rising(stamps.tolist())
    left_out = np.diff(np.concatenate(([-1], kept, [len(stamps)]))) - 1
    if left_out.max() > LONGEST_BACKWARD_ROWS or left_out.sum() > len(stamps) / 20:
        back = int(np.flatnonzero(np.diff(stamps) < 0)[0])
        raise RecordingError(
            f"time goes back from {stamps[back]:.3f} to {stamps[back + 1]:.3f} s in row {back + 2}",
            where="time",
            cure="Split the file there, or export flights into files of their own or with a flight column.",
        )
    return kept


def _longest_rising(stamps: list[float]) -> np.ndarray:
    """Positions of a longest never-falling subsequence (patience sorting)."""
    tails: list[float] = []
    tail_at: list[int] = []
    previous = [-1] * len(stamps)
    for i, stamp in enumerate(stamps):
        place = bisect_right(tails, stamp)
        previous[i] = tail_at[place - 1] if place else -1
        tails[place : place + 1] = [stamp]
        tail_at[place : place + 1] = [i]
    kept = [tail_at[-1]]
    while previous[kept[-1]] >= 0:
        kept.append(previous[kept[-1]])
    return np.array(kept[::-1])


def _dropped_note(stamps: np.ndarray, kept: np.ndarray) -> str:
    left_out = np.setdiff1d(np.arange(len(stamps)), kept)
    shown = ", ".join(f"{stamps[i]:.3f}" for i in left_out[:3]) + (" …" if len(left_out) > 3 else "")
    return f"{counted(len(left_out), 'row')} out of time order left out (stamped {shown} s)."


def _spread(stamps: np.ndarray) -> tuple[np.ndarray, float]:
    """Stamps cut to a coarse resolution, spread evenly: (stamps, step). A row lies within the step before its stamp.

    The fullest group of rows with one stamp shows how many rows share a tick; the first group may be the end of one.
    """
    ticks, first, counts = np.unique(stamps, return_index=True, return_counts=True)
    tick_s = float(np.median(np.diff(ticks)))
    per_tick = int(np.median(counts))
    group = np.repeat(np.arange(len(ticks)), counts)
    place = np.arange(len(stamps)) - first[group]
    place[group == 0] += max(0, per_tick - counts[0])
    step_s = tick_s / max(per_tick, counts.max())
    return stamps + (place + 1) * step_s, step_s
