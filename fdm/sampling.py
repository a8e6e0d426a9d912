"""When each value was really sampled: rates inferred, repeats of held exports taken out.

Held exports. A table at a fixed step in which a slower parameter repeats its last value. A new value first shows in
row i, and row i - 1 still showed the old one, so the sample was taken within (stamp[i] - table step, stamp[i]]. Only
the rows in which a new sample first shows are kept (every k-th, at the phase of the changes), with
`lag_s` = table step. Where the phase is unknown, or k is no whole number, any row in ceil(k) may be kept: its value
was sampled within as many rows up to it, and `lag_s` is that long. Taking k too large only widens the bounds of what
is timed; too small would make them wrong, so in doubt the slower rate is believed. `offset_s` in the map says that a
sample lies that much after the row in which it first shows, and leaves no lag.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from fdm.clocks import COMMON_RATES_HZ, SNAP, Clock, Grid, clock_of, counted, snapped
from fdm.decoding import decode, emptiness
from fdm.errors import RecordingError
from fdm.parameter_map import MapEntry, ParameterMap
from fdm.readers import RawColumn, RawFlight
from fdm.recording import Samples

ESSENTIAL = ("ground_speed",)  # a recording in which these are wrong is refused
BELIEVED_STEP_S = 1.0  # of a parameter whose changes are too few to tell, in a held export
FRAME_S = 4.0  # the slowest rate of a discrete, once in a frame of four subframes (14 CFR 121 appendix B: reversers)
_FULL = 0.75  # share of the table's rows in which a column has a value when it may be held; sparse ones have gaps
_IN_PHASE = 0.95  # share of the changes that must fall on one phase, where there are many
_MANY = 20
_ENOUGH = 10  # fewer changes than this may fall on one phase by habit: a switch made on the second
_CHANCE = 0.001  # a column is evidently held when its phase would arise by chance more rarely
_SLOW_CHANCE = 0.05  # the same, for believing a step between BELIEVED_STEP_S and FRAME_S


@dataclass(frozen=True)
class Changes:
    """Where a column's value differed from the row before, as evidence of its true rate.

    at       int64 (c,) row numbers, counted in steps of the column's grid
    segment  int64 (c,) uninterrupted stretch of the clock that each lies in (a recorder may restart between two);
             None when there is only one
    step_s   the grid's step
    longest_s  no recorder samples such a parameter less often
    """

    at: np.ndarray
    segment: np.ndarray | None
    step_s: float
    longest_s: float = math.inf

    def phases(self, every: int) -> dict[int, int]:
        """Commonest row number modulo `every` in each segment that has a change."""
        return {segment: int(np.bincount(rows % every).argmax()) for segment, rows in self._by_segment.items()}

    def fits(self, ratio: float) -> bool:
        """Whether the changes agree with a sample every `ratio` rows: all, or nearly all where there are many."""
        inside = sum([_most_in_phase(rows, ratio) for rows in self._by_segment.values()])
        return inside == len(self.at) or (len(self.at) >= _MANY and inside >= _IN_PHASE * len(self.at))

    def chance(self, ratio: float) -> float:
        """Probability that the changes keep to one row in `ratio` by chance."""
        free = len(self.at) - len(self._by_segment)
        return float(ratio) ** -free if free > 0 else 1.0

    @cached_property
    def believed(self) -> float:
        """Rows per sample: the most that agrees with the changes, more than BELIEVED_STEP_S only on strong evidence."""
        if self._crowded:
            return 1.0
        usual, slow = _ratios(self.step_s)
        base = best = next((ratio for ratio in usual if self.fits(ratio)), 1.0)
        for ratio in slow:
            if ratio * self.step_s > self.longest_s * (1 + SNAP):
                break
            enough = _SLOW_CHANCE if ratio * self.step_s <= FRAME_S * (1 + SNAP) else _CHANCE
            if ratio % best == 0 and self.chance(ratio / base) <= enough:
                if not self.fits(ratio):
                    break
                best = ratio
        return best

    @property
    def lawless_s(self) -> float:
        """0, or how long a value may be old where many changes agree with no rate at all: as long as they last."""
        if self.believed > 1 or self._crowded or len(self.at) < _MANY:
            return 0.0
        return min(BELIEVED_STEP_S, float(np.median(self.at[1:] - self.at[:-1])) * self.step_s)

    @cached_property
    def _crowded(self) -> bool:
        """Whether too many changes are in neighbouring rows for a sample to last longer than a row."""
        neighbours = np.count_nonzero(self.at[1:] - self.at[:-1] == 1)
        off_phase = (1 - _IN_PHASE) * len(self.at) if len(self.at) >= _MANY else 0
        return bool(neighbours > 2 * off_phase)

    @cached_property
    def _by_segment(self) -> dict[int, np.ndarray]:
        if self.segment is None:
            return {0: self.at} if len(self.at) else {}
        return {int(s): self.at[self.segment == s] for s in np.unique(self.segment)}


def _most_in_phase(rows: np.ndarray, ratio: float) -> int:
    """How many changes can share one phase: samples at x0 + j * ratio first show in the row at or after them."""
    if float(ratio).is_integer():
        phases = rows % int(ratio)
        if (phases == phases[0]).all():
            return len(rows)
        return int(np.bincount(phases).max())
    residues = np.sort(rows % ratio)
    circle = np.concatenate((residues, residues + ratio))
    ends = np.searchsorted(circle, residues + 1 - 1e-6)
    return int((ends - np.arange(len(residues))).max())


@lru_cache(maxsize=256)
def _ratios(step_s: float) -> tuple[list[float], list[float]]:
    """How many rows a sample may last at common rates below the table's own.

    Up to BELIEVED_STEP_S, longest first; and longer, shortest first. Recorders sample at binary fractions of a
    second; the decimal rates are looked at where they fit the table's.
    """
    found = set()
    for rate_hz in COMMON_RATES_HZ:
        ratio = 1 / (rate_hz * step_s)
        if ratio > 1.1 and abs(ratio / round(ratio) - 1) < SNAP:
            found.add(float(round(ratio)))
        elif ratio > 1.1 and math.log2(rate_hz).is_integer():
            found.add(ratio)
    ordered = sorted(found)
    usual = [ratio for ratio in ordered if ratio * step_s <= BELIEVED_STEP_S * (1 + SNAP)]
    return usual[::-1], ordered[len(usual) :]


def changes_of(grid: Grid, values: np.ndarray) -> Changes:
    """Changes between neighbouring rows; across a missing row nothing is known of the row a change came in."""
    differs = values[1:] != values[:-1]
    if values.dtype == np.float64 and (nan := np.isnan(values)).any():
        differs &= ~(nan[1:] & nan[:-1])
    at = np.flatnonzero(differs) + 1
    longest_s = FRAME_S if values.dtype == np.int8 else math.inf
    if grid.unbroken:
        return Changes(at, None, grid.step_s, longest_s)
    at = at[grid.steps[at] - grid.steps[at - 1] == 1]
    return Changes(grid.steps[at], grid.segment[at], grid.step_s, longest_s)


@dataclass(frozen=True)
class Track:
    """A decoded column on its way to Samples.

    full    it has a value in (nearly) every row of its table, and some of them may be repeats
    slot_s  RawColumn.slot_s
    lag_s   lag of the stamps themselves (Clock.lag_s)
    """

    entry: MapEntry
    grid: Grid
    values: np.ndarray
    full: bool
    slot_s: float = 0.0
    lag_s: float = 0.0

    @cached_property
    def changes(self) -> Changes:
        """Evidence of the true rate."""
        return changes_of(self.grid, self.values)

    @property
    def evidently_held(self) -> bool:
        """Whether repeats are plain from this column alone."""
        changes = self.changes
        return len(changes.at) >= _ENOUGH and changes.believed > 1 and changes.chance(changes.believed) <= _CHANCE


def is_held(tracks: Iterable[Track]) -> bool:
    """Whether a table repeats values between samples, as a column with a value in every row shows, or the map says."""
    return any(track.full and (track.evidently_held or _by_map(track) > 1) for track in tracks)


def to_samples(track: Track, held: bool) -> tuple[Samples, list[str]]:
    """The samples that were really taken, and notes on rates. `held`: the table repeats values (is_held)."""
    ratio, notes = _ratio(track, held)
    time_s, values, step_s, lag_s = track.grid.time_s, track.values, track.grid.step_s, track.slot_s
    phase_known = True
    if ratio > 1:
        every = math.ceil(ratio)
        phases = track.changes.phases(every) if every == ratio else {}
        phase_known = bool(phases)
        keep = _rows_kept(track.grid, every, phases)
        time_s, values = time_s[keep], values[keep]
        lag_s += step_s if phase_known else every * step_s
        step_s = snapped(every * step_s)
    elif held and track.full:
        lag_s += step_s + track.changes.lawless_s
    offset_s = track.entry.offset_s
    if offset_s is None:
        time_s = time_s + track.slot_s
    else:
        time_s, lag_s = time_s + offset_s, 0.0 if phase_known else lag_s
    return Samples(track.entry.name, time_s, values, step_s, lag_s + track.lag_s), notes


def _by_map(track: Track) -> float:
    """Rows per sample by the map's rate_hz; 1 when it gives none."""
    if track.entry.rate_hz is None:
        return 1.0
    ratio = 1 / (track.entry.rate_hz * track.grid.step_s)
    if ratio < 1.1:
        return 1.0
    return float(round(ratio)) if abs(ratio / round(ratio) - 1) < 2 * SNAP else ratio


def _ratio(track: Track, held: bool) -> tuple[float, list[str]]:
    """Rows per sample, and a note where map and data disagree."""
    name, rate_hz, step_s = track.entry.name, track.entry.rate_hz, track.grid.step_s
    if rate_hz is None:
        return (track.changes.believed if held and track.full else 1.0), []
    if rate_hz * step_s > 1.5:
        return 1.0, [f"{name}: the map says {rate_hz:g} Hz, it is recorded every {step_s:g} s."]
    ratio = _by_map(track)
    if ratio == 1 and track.full and track.evidently_held:
        disagreement = "less"
    elif ratio > 1 and not track.changes.fits(ratio):
        disagreement = "more"
    else:
        return ratio, []
    believed = track.changes.believed
    step = f"{believed * step_s:g} s"
    return believed, [f"{name}: changes {disagreement} often than the map's {rate_hz:g} Hz; {step} is believed."]


def _rows_kept(grid: Grid, every: int, phases: Mapping[int, int]) -> np.ndarray:
    """Rows in which a new sample first shows; a stretch without a change goes on in the phase of another."""
    if grid.unbroken:
        return np.arange(phases.get(0, 0), len(grid.time_s), every)
    phase_of = np.full(int(grid.segment[-1]) + 1, next(iter(phases.values()), 0))
    for segment, phase in phases.items():
        phase_of[segment] = phase
    return np.flatnonzero((grid.steps - phase_of[grid.segment]) % every == 0)


# ── a flight ─────────────────────────────────────────────────────────────────────────────────────────────────


def sample_flight(raw: RawFlight, parameter_map: ParameterMap) -> tuple[dict[str, Samples], list[str]]:
    """Every mapped parameter that a flight has, and notes on what was missing or put right.

    Raises RecordingError when the clock, the ground speed, or every parameter is unusable.
    """
    notes: list[str] = []
    clocks = _Clocks(raw, notes)
    tracks = []
    for entry in parameter_map.entries.values():
        column = raw.columns.get(entry.column)
        reason = raw.unusable.get(entry.column, "is not in this file") if column is None else emptiness(entry, column)
        if column is None or reason:
            notes.append(f"{entry.name} is left out: column '{entry.column}' {reason}.")
            continue
        try:
            tracks.append(_track(entry, column, clocks, notes))
        except RecordingError as error:
            if entry.name in ESSENTIAL:
                raise
            notes.append(f"{entry.name} is left out: {error.problem}.")
    if not tracks:
        cure = "Check the map against the recording."
        raise RecordingError("none of the map's columns is usable", where=parameter_map.source, cure=cure)
    held = is_held(tracks)
    samples = {}
    for track in tracks:
        samples[track.entry.name], found = to_samples(track, held)
        notes += found
    return samples, notes


class _Clocks:
    """The clocks of a flight: one for its table, or one for each column; grids are shared where rows are."""

    def __init__(self, raw: RawFlight, notes: list[str]):
        self.densest = max((len(column.values) for column in raw.columns.values()), default=0)
        self.grids: dict[int, tuple[Grid, np.ndarray | None]] = {}
        self.notes = notes
        self.table: Clock | None = None
        if raw.time_s is not None:
            self.table = clock_of(raw.time_s, self.densest, lambda a, b, n: _repeats(raw, a, b, n))
            notes.extend([*self.table.notes, self.table.gaps] if self.table.gaps else self.table.notes)

    def of(self, name: str, column: RawColumn) -> tuple[Grid, np.ndarray | None, float]:
        """A column's grid, the positions of its values in the column (None: all), and the lag of its stamps."""
        clock = self.table
        if clock is None:
            assert column.time_s is not None
            own = clock_of(column.time_s, len(column.values))
            told = (*own.notes, own.gaps) if own.gaps and len(column.values) == self.densest else own.notes
            self.notes.extend(f"{name}: {note[0].lower()}{note[1:]}" for note in told)
            return *_usable(own, own.time_s), own.lag_s
        key = id(column.rows)  # the reader shares the array between columns
        if key not in self.grids:
            time_s = clock.time_s if column.rows is None else clock.time_s[column.rows]
            self.grids[key] = _usable(clock, time_s)
        return *self.grids[key], clock.lag_s


def _repeats(raw: RawFlight, a: int, b: int, count: int) -> bool:
    """Whether rows b to b + count of a table hold what rows a to a + count hold, column by column."""
    for column in raw.columns.values():
        rows = np.arange(len(column.values)) if column.rows is None else column.rows
        one, other = (np.flatnonzero((rows >= at) & (rows < at + count)) for at in (a, b))
        if not np.array_equal(rows[one] - a, rows[other] - b):
            return False
        if list(column.values[one]) != list(column.values[other]):
            return False
    return True


def _usable(clock: Clock, time_s: np.ndarray) -> tuple[Grid, np.ndarray | None]:
    if clock.whole:
        return Grid(time_s), None
    positions = np.flatnonzero(np.isfinite(time_s))
    if len(positions):
        positions = positions[np.concatenate(([True], np.diff(time_s[positions]) > 0))]
    return Grid(time_s[positions]), positions


def _track(entry: MapEntry, column: RawColumn, clocks: _Clocks, notes: list[str]) -> Track:
    grid, positions, lag_s = clocks.of(entry.name, column)
    if len(grid.time_s) < 2:
        usable = counted(len(grid.time_s), "usable sample")
        raise RecordingError(f"column '{entry.column}' has {usable}", where=entry.name)
    values, found = decode(entry, column)
    notes += found
    if positions is not None:
        values = values[positions]
    full = not column.slot_s and len(column.values) >= _FULL * clocks.densest
    return Track(entry, grid, values, full, column.slot_s, lag_s)
