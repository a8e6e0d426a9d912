"""When each value was really sampled: clocks put right, rates inferred, repeats of held exports taken out.

Held exports. A table at a fixed step in which a slower parameter repeats its last value. A new value first shows in
row i, and row i - 1 still showed the old one, so the sample was taken within (stamp[i] - table step, stamp[i]]. Only
the rows in which a new sample first shows are kept (every k-th, at the phase of the changes), with
`lag_s` = table step. Where the phase is unknown any k-th row may be kept, and its value was sampled within the k rows
up to it: `lag_s` = k table steps. Taking k too large only widens the bounds; too small would make them wrong, so in
doubt the slower rate is believed. `offset_s` in the map says that a sample lies that much after the row in which it
first shows, and leaves no lag.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from fdm.clocks import COMMON_RATES_HZ, SNAP, Clock, Grid, clock_of, snapped
from fdm.decoding import decode
from fdm.errors import RecordingError
from fdm.parameter_map import MapEntry, ParameterMap
from fdm.readers import RawColumn, RawFlight
from fdm.recording import Samples

ESSENTIAL = ("ground_speed",)  # a recording in which these are wrong is refused
BELIEVED_STEP_S = 1.0  # of a parameter whose changes are too few to tell, in a held export
_FULL = 0.75  # share of the table's rows in which a column has a value when it may be held; sparse ones have gaps
_IN_PHASE = 0.95  # share of the changes that must fall on one phase, where there are many
_MANY = 20
_CHANCE = 0.001  # a column is evidently held when its phase would arise by chance more rarely
_SLOW_CHANCE = 0.05  # the same, for believing a rate slower than BELIEVED_STEP_S


@dataclass(frozen=True)
class Changes:
    """Where a column's value differed from the row before, as evidence of its true rate.

    at       int64 (c,) row numbers, counted in steps of the column's grid
    segment  int64 (c,) uninterrupted stretch of the clock that each lies in (a recorder may restart between two);
             None when there is only one
    step_s   the grid's step
    """

    at: np.ndarray
    segment: np.ndarray | None
    step_s: float

    def phases(self, every: int) -> dict[int, int]:
        """Commonest row number modulo `every` in each segment that has a change."""
        return {segment: int(np.bincount(rows % every).argmax()) for segment, rows in self._by_segment.items()}

    def fits(self, every: int) -> bool:
        """Whether the changes keep to one row in `every`: all of them, or nearly all where there are many."""
        if self._common_divisor % every == 0:
            return True
        if len(self.at) < _MANY:
            return False
        inside = sum([np.bincount(rows % every).max() for rows in self._by_segment.values()])
        return bool(inside >= _IN_PHASE * len(self.at))

    def chance(self, ratio: float) -> float:
        """Probability that the changes keep to one row in `ratio` by chance."""
        free = len(self.at) - len(self._by_segment)
        return float(ratio) ** -free if free > 0 else 1.0

    @cached_property
    def believed(self) -> int:
        """Largest k for which 'a new sample every k rows' agrees with the changes; above 1 s only on strong evidence.

        Too large a k only widens the bounds of what is timed by it.
        """
        if self._crowded:
            return 1
        usual, slow = _factors(self.step_s)
        every = best = next((k for k in usual if self.fits(k)), 1)
        for k in slow:
            if k % best == 0 and self.chance(k / every) <= _SLOW_CHANCE:
                if not self.fits(k):
                    break
                best = k
        return best

    @property
    def _crowded(self) -> bool:
        """Whether so many changes are in neighbouring rows that `fits` is false for any k above 1."""
        neighbours = np.count_nonzero(self.at[1:] - self.at[:-1] == 1)
        off_phase = (1 - _IN_PHASE) * len(self.at) if len(self.at) >= _MANY else 0
        return bool(neighbours > 2 * off_phase)

    @cached_property
    def _by_segment(self) -> dict[int, np.ndarray]:
        if self.segment is None:
            return {0: self.at} if len(self.at) else {}
        return {int(s): self.at[self.segment == s] for s in np.unique(self.segment)}

    @cached_property
    def _common_divisor(self) -> int:
        """Of the distances between changes of one segment; 0 where there are none."""
        divisors = [np.gcd.reduce(rows[1:] - rows[:-1]) for rows in self._by_segment.values()]
        return int(np.gcd.reduce(divisors)) if divisors else 0


@lru_cache(maxsize=256)
def _factors(step_s: float) -> tuple[list[int], list[int]]:
    """How many rows a sample may last at the common rates below the table's own.

    Up to BELIEVED_STEP_S, longest first; and longer, shortest first.
    """
    ratios = [1 / (rate_hz * step_s) for rate_hz in COMMON_RATES_HZ]
    whole = sorted(round(ratio) for ratio in ratios if ratio > 1.5 and abs(ratio / round(ratio) - 1) < SNAP)
    usual = [k for k in whole if k * step_s <= BELIEVED_STEP_S * (1 + SNAP)]
    return usual[::-1], whole[len(usual) :]


def changes_of(grid: Grid, values: np.ndarray) -> Changes:
    """Changes between neighbouring rows; across a missing row nothing is known of the row a change came in."""
    differs = values[1:] != values[:-1]
    if values.dtype == np.float64:
        differs &= ~(np.isnan(values[1:]) & np.isnan(values[:-1]))
    at = np.flatnonzero(differs) + 1
    if grid.unbroken:
        return Changes(at, None, grid.step_s)
    at = at[grid.steps[at] - grid.steps[at - 1] == 1]
    return Changes(grid.steps[at], grid.segment[at], grid.step_s)


@dataclass(frozen=True)
class Track:
    """A decoded column on its way to Samples.

    full  it has a value in (nearly) every row of its table, and some of them may be repeats
    """

    entry: MapEntry
    grid: Grid
    values: np.ndarray
    full: bool
    slot_s: float = 0.0

    @cached_property
    def changes(self) -> Changes:
        return changes_of(self.grid, self.values)

    @property
    def evidently_held(self) -> bool:
        return self.changes.believed > 1 and self.changes.chance(self.changes.believed) <= _CHANCE


def is_held(tracks: Iterable[Track]) -> bool:
    """Whether a table repeats values between samples, as a column with a value in every row shows, or the map says."""
    return any(track.full and (track.evidently_held or _by_map(track)[0] > 1) for track in tracks)


def to_samples(track: Track, held: bool, stamp_lag_s: float = 0.0) -> tuple[Samples, list[str]]:
    """The samples that were really taken, and notes on rates.

    held         the table repeats values (is_held)
    stamp_lag_s  lag of the stamps themselves (Clock.lag_s)
    """
    every, exact, notes = _every(track, held)
    time_s, values, step_s, lag_s = track.grid.time_s, track.values, track.grid.step_s, 0.0
    if every > 1:
        phases = track.changes.phases(every) if exact else {}
        keep = _rows_kept(track.grid, every, phases)
        time_s, values = time_s[keep], values[keep]
        lag_s = step_s if phases else every * step_s
        step_s = snapped(every * step_s)
        exact = bool(phases)
    elif held and track.full:
        lag_s = step_s
    offset_s = track.entry.offset_s
    if offset_s is None:
        time_s, lag_s = time_s + track.slot_s, lag_s + track.slot_s
    else:
        time_s, lag_s = time_s + offset_s, 0.0 if exact else lag_s
    return Samples(track.entry.name, time_s, values, step_s, lag_s + stamp_lag_s), notes


def _by_map(track: Track) -> tuple[int, bool]:
    """Rows per sample by the map's rate_hz (1 when it gives none), and whether that is a whole number of rows."""
    if track.entry.rate_hz is None:
        return 1, True
    ratio = 1 / (track.entry.rate_hz * track.grid.step_s)
    if ratio < 1.5:
        return 1, True
    return math.ceil(ratio * (1 - 2 * SNAP)), abs(ratio / round(ratio) - 1) < 2 * SNAP


def _every(track: Track, held: bool) -> tuple[int, bool, list[str]]:
    """Rows per sample, whether its phase can be told from changes, and notes where map and data disagree."""
    name, rate_hz, step_s = track.entry.name, track.entry.rate_hz, track.grid.step_s
    if rate_hz is None:
        return (track.changes.believed if held and track.full else 1), True, []
    every, exact = _by_map(track)
    believed = f"{track.changes.believed * step_s:g} s is believed"
    if every == 1 and rate_hz * step_s > 1.5:
        return 1, True, [f"{name}: the map says {rate_hz:g} Hz, it is recorded every {step_s:g} s."]
    if every == 1 and track.full and track.evidently_held:
        return (
            track.changes.believed,
            True,
            [f"{name}: changes less often than the map's {rate_hz:g} Hz; {believed}."],
        )
    if exact and every > 1 and not track.changes.fits(every):
        return (
            track.changes.believed,
            True,
            [f"{name}: changes more often than the map's {rate_hz:g} Hz; {believed}."],
        )
    return every, exact, []


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
    clock = None
    if raw.time_s is not None:
        densest = max((len(column.values) for column in raw.columns.values()), default=0)
        clock = clock_of(raw.time_s, densest)
        notes += clock.notes
    tracks = _tracks(raw, parameter_map, clock, notes)
    if not tracks:
        cure = "Check the map against the recording."
        raise RecordingError("none of the map's columns is usable", where=parameter_map.source, cure=cure)
    held = is_held(tracks)
    samples = {}
    for track in tracks:
        samples[track.entry.name], found = to_samples(track, held, clock.lag_s if clock else 0.0)
        notes += found
    return samples, notes


def _tracks(raw: RawFlight, parameter_map: ParameterMap, clock: Clock | None, notes: list[str]) -> list[Track]:
    grids: dict[int, _Kept] = {}
    rows = max((len(column.values) for column in raw.columns.values()), default=0)
    tracks = []
    for entry in parameter_map.entries.values():
        column = raw.columns.get(entry.column)
        if column is None:
            reason = raw.unusable.get(entry.column, "is not in this file")
            notes.append(f"{entry.name} is left out: column '{entry.column}' {reason}.")
            continue
        try:
            full = not column.slot_s and len(column.values) >= _FULL * rows
            tracks.append(_track(entry, column, _kept(column, clock, grids), full, notes))
        except RecordingError as error:
            if entry.name in ESSENTIAL:
                raise
            notes.append(f"{entry.name} is left out: {error.problem}.")
    return tracks


_Kept = tuple[Grid, np.ndarray | None]  # a grid, and the positions of its values in the column (None: all)


def _kept(column: RawColumn, clock: Clock | None, grids: dict[int, _Kept]) -> _Kept:
    """The grid of a column, shared with the other columns of the table that have a value in the same rows."""
    if clock is None:
        assert column.time_s is not None
        return _usable(clock_of(column.time_s, len(column.values)), column.time_s)
    key = id(column.rows)  # the reader shares the array between columns
    if key not in grids:
        grids[key] = _usable(clock, clock.time_s if column.rows is None else clock.time_s[column.rows])
    return grids[key]


def _usable(clock: Clock, time_s: np.ndarray) -> _Kept:
    if clock.whole:
        return Grid(time_s), None
    positions = np.flatnonzero(np.isfinite(time_s))
    if len(positions):
        positions = positions[np.concatenate(([True], np.diff(time_s[positions]) > 0))]
    return Grid(time_s[positions]), positions


def _track(entry: MapEntry, column: RawColumn, kept: _Kept, full: bool, notes: list[str]) -> Track:
    grid, positions = kept
    if len(grid.time_s) < 2:
        raise RecordingError(f"column '{entry.column}' has {len(grid.time_s)} usable samples", where=entry.name)
    values, found = decode(entry, column.values)
    notes += found
    if positions is not None:
        values = values[positions]
    return Track(entry, grid, values, full, column.slot_s)
