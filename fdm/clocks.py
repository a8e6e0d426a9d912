"""Clocks of recordings: usable stamps, sampling intervals, and what to do about stamps that are wrong."""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Callable
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
BACKWARD_S = 3.0  # ... or so many seconds of rows that run backwards, row by row
SET_BACK_S = 3.0  # a clock set back once by no more than this, and running on evenly, is put right
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


def clock_of(time_s: np.ndarray, densest: int, repeats: Callable[[int, int, int], bool] | None = None) -> Clock:
    """The usable rows of a table's clock. Raises RecordingError (without a source) when it cannot be put right.

    time_s   float64 (n,), NaN where a row has no stamp
    densest  number of values of the fullest column, to tell rounded stamps from rows that belong together
    repeats  (a, b, n) -> whether rows b to b + n say what rows a to a + n say; None where rows cannot be compared: then
             a clock that was set back is not put right either
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
    back = _set_back(stamps) if repeats is not None else None
    if back is not None and repeats is not None:
        twice = _written_twice(stamps, rows, back, repeats)
        if twice:
            notes.append(_dropped_note(stamps, np.setdiff1d(np.arange(len(stamps)), twice), "written twice"))
            rows, stamps = np.delete(rows, twice), np.delete(stamps, twice)
        else:
            stamps, lag_s, note = _set_forward(stamps, back)
            notes.append(note)
    kept = _in_order(stamps)
    if len(kept) < len(stamps):
        notes.append(_dropped_note(stamps, kept))
        rows, stamps = rows[kept], stamps[kept]
    distinct = len(np.unique(stamps))
    if densest > 1.5 * distinct and distinct > 1:
        stamps, step_s = _spread(stamps)
        lag_s += step_s
        notes.append(f"Stamps are rounded; rows that share one were spread over {step_s:g} s steps.")
    elif distinct < len(stamps):
        again = stamps[1:][np.diff(stamps) == 0]
        notes.append(f"{counted(len(again), 'row')} with the time of the row before, merged ({_stamped(again)}).")
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
    shown = ", ".join(f"{stamps[i]:.1f} to {stamps[i + 1]:.1f} s" for i in long[:3])
    more = f" and {len(long) - 3} more" if len(long) > 3 else ""
    return replace(clock, gaps=f"No data from {shown}{more}, by the clock of the recording.")


def _in_order(stamps: np.ndarray) -> np.ndarray:
    """Positions of the longest part of the rows whose stamps never go back; refused when too much is out of order."""
    if (np.diff(stamps) >= 0).all():
        return np.arange(len(stamps))
    kept = _longest_rising(stamps.tolist())
    edges = np.concatenate(([-1], kept, [len(stamps)]))
    long = [(a + 1, b) for a, b in itertools.pairwise(edges) if b - a - 1 > LONGEST_BACKWARD_ROWS]
    few = len(stamps) - len(kept) <= max(len(stamps) / 20, sum(b - a for a, b in long))
    if not few or not all(_runs_backwards(stamps, a, b) for a, b in long) or len(long) > 1:
        back = int(np.flatnonzero(np.diff(stamps) < 0)[0])
        raise RecordingError(
            f"time goes back from {stamps[back]:.3f} to {stamps[back + 1]:.3f} s in row {back + 2}",
            where="time",
            cure="Split the file there, or export flights into files of their own or with a flight column.",
        )
    return kept


def _runs_backwards(stamps: np.ndarray, a: int, b: int) -> bool:
    """Whether rows a to b, with the ones beside them, are a short stretch stamped backwards, row by row."""
    inside = stamps[a:b]
    return bool((np.diff(inside) < 0).all() and np.ptp(inside) <= BACKWARD_S and np.ptp(inside) < np.ptp(stamps) / 10)


def _set_back(stamps: np.ndarray) -> int | None:
    """The row before which a clock was set back once by a little, and ran on from there; None where it was not so."""
    back = np.flatnonzero(np.diff(stamps) < 0)
    if len(back) != 1:
        return None
    row = int(back[0]) + 1
    by_s = stamps[row - 1] - stamps[row]
    lost = int((stamps[row:] <= stamps[row - 1]).sum())
    return row if by_s <= SET_BACK_S and lost > LONGEST_BACKWARD_ROWS and lost < len(stamps) - row else None


def _written_twice(
    stamps: np.ndarray, rows: np.ndarray, back: int, repeats: Callable[[int, int, int], bool]
) -> list[int]:
    """Positions of rows that an export wrote a second time, stamps and all; empty where they say something else."""
    first = int(np.searchsorted(stamps[:back], stamps[back]))
    count = back - first
    again = stamps[back : back + count]
    if len(again) < count or not np.array_equal(stamps[first:back], again):
        return []
    return list(range(back, back + count)) if repeats(int(rows[first]), int(rows[back]), count) else []


def _set_forward(stamps: np.ndarray, back: int) -> tuple[np.ndarray, float, str]:
    """(stamps, lag, note): rows from a step back on, as if they followed at the longest usual interval."""
    gaps = np.diff(stamps)
    longest_s = float(np.percentile(gaps[gaps > 0], 95))
    by_s = float(stamps[back - 1] - stamps[back]) + longest_s
    right = stamps.copy()
    right[back:] += by_s
    note = f"The clock was set back at {stamps[back - 1]:.3f} s; what follows is stamped {by_s:.3f} s later."
    return right, longest_s, note


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


def _dropped_note(stamps: np.ndarray, kept: np.ndarray, why: str = "out of time order") -> str:
    left_out = np.setdiff1d(np.arange(len(stamps)), kept)
    return f"{counted(len(left_out), 'row')} {why} left out ({_stamped(stamps[left_out])})."


def _stamped(stamps: np.ndarray) -> str:
    shown = ", ".join(f"{stamp:.3f}" for stamp in stamps[:3])
    return f"stamped {shown}{f' … {stamps[-1]:.3f}' if len(stamps) > 3 else ''} s"


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
