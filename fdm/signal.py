"""One parameter of a batch of landings, sampled on a regular grid per landing, with what is missing in it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fdm.bounded import Reasons

GAP_STEPS, GAP_S = 2.5, 0.5  # samples further apart than so many steps and seconds have a gap between them
UNSEEN_S = 3.0  # nothing that a landing is measured by comes and goes within a shorter gap (common practice, no source)

STRIDE = 3  # steps that are walked one by one before the rest of a row is looked through

IN_GAP = "{gap} where the change happened"
MAYBE_IN_GAP = "{gap}, in which it may have happened"
ALREADY = "{name} showed it already when the recording began"


@dataclass(frozen=True)
class Signal:
    """One parameter of a batch.

    values     (n, m) float, NaN missing; or int8, negative missing
    start_s    (n,) time of column 0; step_s, sampling step
    lag_s      (n,) a sample may be this much older than its stamp
    tolerance  half-width within which a value may differ from the true one, in its unit
    reasons    where sentences about gaps are kept
    end_s      (n,) end of the stored landing; None: the last sample is the end
    unusable   (n,) codes of why a landing's samples were all taken out, 0 elsewhere; None: nowhere
    """

    name: str
    values: np.ndarray
    start_s: np.ndarray
    step_s: float
    lag_s: np.ndarray
    tolerance: float
    reasons: Reasons
    end_s: np.ndarray | None = None
    unusable: np.ndarray | None = None

    @cached_property
    def absent_codes(self) -> np.ndarray:
        """(n,) reason codes of a landing without a sample."""
        plain = np.full(len(self.values), self.reasons.code(f"not recorded: {self.name}"), np.int16)
        return plain if self.unusable is None else np.where(self.unusable > 0, self.unusable, plain)

    @cached_property
    def valid(self) -> np.ndarray:
        """(n, m) true where a sample was recorded."""
        return np.asarray(self.values >= 0 if self.values.dtype == np.int8 else ~np.isnan(self.values))

    @cached_property
    def numbers(self) -> np.ndarray:
        """(n, m) values with NaN for every missing sample, of discretes too."""
        if self.values.dtype != np.int8:
            return self.values
        return np.where(self.valid, self.values.astype(np.float32), np.float32(np.nan))

    @cached_property
    def columns(self) -> np.ndarray:
        """(m,) column numbers."""
        return np.arange(self.values.shape[1], dtype=np.int32)

    @cached_property
    def recorded(self) -> np.ndarray:
        """(n,) true where the landing has a sample at all."""
        return np.asarray(self.valid.any(axis=1))

    @cached_property
    def first_column(self) -> np.ndarray:
        """(n,) column of the first sample."""
        return np.argmax(self.valid, axis=1)

    @cached_property
    def last_column(self) -> np.ndarray:
        """(n,) column of the last sample."""
        return self.valid.shape[1] - 1 - np.argmax(self.valid[:, ::-1], axis=1)

    @cached_property
    def holed(self) -> np.ndarray:
        """(n,) true where samples are missing between the first and the last."""
        spanned = np.where(self.recorded, self.last_column - self.first_column + 1, 0)
        return np.asarray(counted(self.valid) < spanned)

    @property
    def wide_s(self) -> float:
        """Neighbouring samples further apart than this have a gap between them."""
        return GAP_STEPS * self.step_s + GAP_S

    @cached_property
    def previous(self) -> np.ndarray:
        """(n, m) column of the last sample at or before each column, -1 where there is none."""
        first, last = self.first_column[:, None], np.where(self.recorded, self.last_column, -1)[:, None]
        found = np.where(self.columns < first, np.int32(-1), np.minimum(self.columns, last.astype(np.int32)))
        rows = np.flatnonzero(self.holed)
        if len(rows):
            marked = np.where(self.valid[rows], self.columns, np.int32(-1))
            found[rows] = np.maximum.accumulate(marked, axis=1)
        return found

    @cached_property
    def following(self) -> np.ndarray:
        """(n, m) column of the first sample at or after each column, m where there is none."""
        none = np.int32(len(self.columns))
        first, last = np.where(self.recorded, self.first_column, none)[:, None], self.last_column[:, None]
        found = np.where(self.columns > last, none, np.maximum(self.columns, first.astype(np.int32)))
        rows = np.flatnonzero(self.holed)
        if len(rows):
            marked = np.where(self.valid[rows], self.columns, none)
            found[rows] = np.minimum.accumulate(marked[:, ::-1], axis=1)[:, ::-1]
        return found

    def rows(self, index: np.ndarray) -> Signal:
        """Some landings only."""
        return replace(
            self,
            values=self.values[index],
            start_s=self.start_s[index],
            lag_s=self.lag_s[index],
            end_s=None if self.end_s is None else self.end_s[index],
            unusable=None if self.unusable is None else self.unusable[index],
        )

    def part(self, from_s: np.ndarray, to_s: np.ndarray) -> Signal:
        """The columns that windows of the landings touch."""
        return self.between(*self.span(from_s, to_s))

    def span(self, from_s: np.ndarray, to_s: np.ndarray) -> tuple[int, int]:
        """First and last-but-one column that windows of the landings touch; one column where none touches any."""
        begin, end = self.index_from(from_s), self.index_past(to_s)
        some = (begin < end) & ~np.isnan(from_s + to_s)
        return (int(begin[some].min()), int(end[some].max())) if some.any() else (0, 1)

    def between(self, c0: int, c1: int) -> Signal:
        """Columns c0 to before c1."""
        return replace(self, values=self.values[:, c0:c1], start_s=self.start_s + c0 * self.step_s)

    def inside(self, begin: np.ndarray, end: np.ndarray | None = None) -> np.ndarray:
        """(n, m) true at columns from `begin` (n,) to before `end`, or to the last one."""
        within = self.columns >= begin.astype(np.int32)[:, None]
        if end is not None:
            within &= self.columns < end.astype(np.int32)[:, None]
        return np.asarray(within)

    def time(self, index: np.ndarray) -> np.ndarray:
        """Stamp of each landing's sample `index` (n,)."""
        return self.start_s + index * self.step_s

    def index_from(self, time_s: np.ndarray) -> np.ndarray:
        """First column at or after a time, clipped to [0, m]; m where the time is missing."""
        raw = np.ceil((time_s - self.start_s) / self.step_s - 1e-4)
        return np.clip(np.where(np.isnan(raw), np.inf, raw), 0, self.values.shape[1]).astype(np.int64)

    def index_past(self, time_s: np.ndarray) -> np.ndarray:
        """First column after a time, clipped to [0, m]; m where the time is missing."""
        raw = np.floor((time_s - self.start_s) / self.step_s + 1e-4) + 1
        return np.clip(np.where(np.isnan(raw), np.inf, raw), 0, self.values.shape[1]).astype(np.int64)

    @cached_property
    def bridged(self) -> np.ndarray:
        """(n, m) values with short gaps bridged by straight lines; NaN stays in long ones, and at the ends."""
        values = self.values.astype(np.float32) if self.values.dtype == np.int8 else self.values
        row, left, right = self.holes
        short = (right - left) * self.step_s <= max(UNSEEN_S, self.wide_s)
        if not short.any():
            return values
        values, row, left, right = values.copy(), row[short], left[short], right[short]
        missing = right - left - 1
        hole = np.repeat(np.arange(len(row)), missing)
        nth = np.arange(1, len(hole) + 1) - np.repeat(np.cumsum(missing) - missing, missing)
        share = nth / (right - left)[hole]
        a, b = values[row, left], values[row, right]
        values[row[hole], left[hole] + nth] = (1 - share) * a[hole] + share * b[hole]
        return values

    @cached_property
    def holes(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Where samples are missing between two: the landing of each hole, and the columns of the samples beside it."""
        rows = np.flatnonzero(self.holed)
        row, column = np.nonzero(self.valid[rows])
        before = np.flatnonzero((np.diff(row) == 0) & (np.diff(column) > 1))
        return rows[row[before]], column[before], column[before + 1]

    def longest_gap_s(self, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
        """(n,) longest stretch without a sample inside a window, s; a single sampling step counts as none."""
        ahead = np.minimum(self.time(self.first_column), to_s) - from_s
        behind = to_s - np.maximum(self.time(self.last_column), from_s)
        longest = np.where(self.recorded, np.fmax(np.fmax(ahead, behind), 0), to_s - from_s)
        row, left, right = self.holes
        start_s = self.start_s[row] + left * self.step_s
        end_s = start_s + (right - left) * self.step_s
        np.fmax.at(longest, row, np.minimum(end_s, to_s[row]) - np.maximum(start_s, from_s[row]))
        return np.nan_to_num(longest, nan=0.0, posinf=0.0, neginf=0.0)

    def gap_codes(self, seconds: np.ndarray, sentence: str) -> np.ndarray:
        """(n,) reason codes of a sentence about this parameter, in which {gap} names how long its gap is."""
        codes = np.zeros(len(seconds), np.int16)
        whole = np.rint(seconds)
        for length in np.unique(whole):
            text = sentence.format(gap=f"gap of {length:.0f} s in {self.name}", name=self.name)
            codes[whole == length] = self.reasons.code(text)
        return codes


def pick_column(matrix: np.ndarray, index: np.ndarray) -> np.ndarray:
    """Each row's values in columns of its own, (n,) or (n, k); the nearest one where the column does not exist."""
    rows = np.arange(len(matrix)) if index.ndim == 1 else np.arange(len(matrix))[:, None]
    return matrix[rows, np.minimum(np.maximum(index, 0), matrix.shape[1] - 1)]


def counted(flags: np.ndarray) -> np.ndarray:
    """(n,) how many flags of each row hold."""
    return np.asarray(np.add.reduce(flags.view(np.uint8), axis=1, dtype=np.int32))


def middle(values: np.ndarray) -> np.ndarray:
    """(n,) median of each row's numbers, NaN left aside; NaN where there is none."""
    ordered = np.sort(values, axis=1)  # NaN comes last
    count = values.shape[1] - counted(np.isnan(values))
    low, high = np.maximum(count - 1, 0) // 2, count // 2
    halves = [pick_column(ordered, column).astype(np.float64) for column in (low, high)]
    return np.where(count > 0, (halves[0] + halves[1]) / 2, np.nan)


def changes(matrix: np.ndarray) -> np.ndarray:
    """(n,) whether the samples that are there differ."""
    if matrix.dtype == np.int8:
        return np.asarray(matrix.max(axis=1) > matrix.view(np.uint8).min(axis=1).view(np.int8))  # missing: 255, or -1
    return np.asarray(np.fmax.reduce(matrix, axis=1) > np.fmin.reduce(matrix, axis=1))


def nearest_column(flags: np.ndarray, index: np.ndarray, step: int) -> np.ndarray:
    """Walk from `index` by `step` until `flags` holds; -1 or m when it never does."""
    index, end = index.copy(), flags.shape[1]
    going = np.flatnonzero((index >= 0) & (index < end))
    for _ in range(STRIDE):
        going = going[~flags[going, index[going]]]
        index[going] += step
        going = going[(index[going] >= 0) & (index[going] < end)]
        if not len(going):
            return np.minimum(np.maximum(index, -1), end)
    columns, at = np.arange(end, dtype=np.int32), index[going].astype(np.int32)[:, None]
    ahead = flags[going] & (columns >= at if step > 0 else columns <= at)
    found = ahead.any(axis=1)
    if step > 0:
        index[going] = np.where(found, np.argmax(ahead, axis=1), end)
    else:
        index[going] = np.where(found, end - 1 - np.argmax(ahead[:, ::-1], axis=1), -1)
    return np.minimum(np.maximum(index, -1), end)


def nearest_values(signal: Signal, like: Signal) -> np.ndarray:
    """A signal's nearest values at another one's sample times, (n, m) of the other; missing outside the recording."""
    time_s = like.start_s[:, None] + like.columns * np.float32(like.step_s)
    index = np.rint((time_s - signal.start_s[:, None]) / signal.step_s).astype(np.int64)
    width = signal.values.shape[1]
    values = np.take_along_axis(signal.values, np.clip(index, 0, width - 1), axis=1)
    missing = -1 if signal.values.dtype == np.int8 else np.nan
    return np.where((index >= 0) & (index < width), values, missing)
