"""What a new file's columns show around touchdown, before any map says what they are."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from fdm.column_names import Meant
from fdm.readers import RawColumn, RawFlight

APPROACH_S = (-40.0, -4.0)  # around touchdown: in the air for certain ...
ROLLING_S = (6.0, 25.0)  # ... and on the ground
RESTING_SHARE = 0.1
Values = np.ndarray | list[str]


@dataclass
class Seen:
    """Values of one column: all of them, on approach and rolling, of every flight looked at.

    unit    what the file itself says
    text    whether the values are texts
    runs    (value, seconds) of each stretch of one value after touchdown, where there are few values
    at_touchdown   one number for each flight
    slope_per_s    median change a second on the approach, a number for each flight
    """

    unit: str = ""
    text: bool = False
    all: list = field(default_factory=list)
    approach: list = field(default_factory=list)
    rolling: list = field(default_factory=list)
    runs: list[tuple[object, float]] = field(default_factory=list)
    at_touchdown: list[float] = field(default_factory=list)
    slope_per_s: list[float] = field(default_factory=list)

    @property
    def numbers(self) -> np.ndarray:
        """Every number of it, finite ones only; empty for texts."""
        return np.array([v for v in self.all if np.isfinite(v)], float) if not self.text else np.zeros(0)

    @property
    def distinct(self) -> list:
        """Its values, each once, when there are few; empty when there are many."""
        found = sorted(set(self.all), key=str) if self.text else sorted(set(self.numbers.tolist()))
        return found if len(found) <= 8 else []


def seen_of(flights: Sequence[RawFlight], meant: Mapping[str, Meant]) -> dict[str, Seen]:
    """What the named columns show in some flights of a file."""
    found = {column: Seen() for column in meant}
    for flight in flights:
        stamped = {column: _stamped(flight, flight.columns[column]) for column in meant if column in flight.columns}
        touchdown_s = _touchdown_s({meant[c].name: x for c, x in stamped.items()})
        for column, (time_s, values) in stamped.items():
            _add(found[column], flight.columns[column], time_s, values, touchdown_s)
    return found


def _stamped(flight: RawFlight, column: RawColumn) -> tuple[np.ndarray, Values]:
    """Times and values of a column: numbers, without those that the recorder could not give, or texts."""
    if column.time_s is not None:
        time_s = column.time_s
    else:
        assert flight.time_s is not None, "a table has a clock"
        time_s = flight.time_s if column.rows is None else flight.time_s[column.rows]
    time_s = np.asarray(time_s, float)
    if isinstance(column.values, pl.Series):
        return time_s, column.values.to_list()
    given = ~np.isnan(column.values)
    return time_s[given], column.values[given]


def _touchdown_s(named: Mapping[str, tuple[np.ndarray, Values]]) -> float | None:
    """About when the aeroplane touched down, by radio height, else by the ground speed beginning to fall for good."""
    if (height := _numeric(named, "radio_height")) is not None:
        time_s, feet = height
        resting = float(np.percentile(feet, 100 * RESTING_SHARE))
        near = feet - resting < max(0.01 * (feet.max() - resting), 0.5)
        high = np.flatnonzero(~near)
        if len(high) and high[-1] + 1 < len(feet):
            return float(time_s[high[-1] + 1])
    if (speed := _numeric(named, "ground_speed") or _numeric(named, "airspeed")) is not None:
        time_s, kt = speed
        fast = np.flatnonzero(kt > 0.93 * np.percentile(kt, 90))
        return float(time_s[fast[-1]]) if len(fast) else None
    return None


def _numeric(named: Mapping[str, tuple[np.ndarray, Values]], name: str) -> tuple[np.ndarray, np.ndarray] | None:
    if name not in named or not isinstance(named[name][1], np.ndarray):
        return None
    time_s, values = named[name]
    numbers = np.asarray(values, float)
    good = np.isfinite(numbers) & np.isfinite(time_s)
    return (time_s[good], numbers[good]) if good.sum() > 20 else None


def _add(seen: Seen, column: RawColumn, time_s: np.ndarray, values: Values, touchdown_s: float | None) -> None:
    seen.unit = seen.unit or column.unit
    seen.text = seen.text or not isinstance(values, np.ndarray)
    listed = list(values) if seen.text else np.asarray(values, float).tolist()
    seen.all += listed
    if touchdown_s is None:
        return
    since = time_s - touchdown_s
    for into, (a, b) in ((seen.approach, APPROACH_S), (seen.rolling, ROLLING_S)):
        into += [listed[k] for k in np.flatnonzero((since >= a) & (since < b))]
    behind = np.flatnonzero((since > -1) & (since < 120))
    seen.runs += _runs(since[behind], [listed[k] for k in behind])
    if not seen.text and len(listed) > 1:
        near = int(np.argmin(np.abs(np.nan_to_num(since, nan=np.inf))))
        seen.at_touchdown.append(float(listed[near]))
        before = np.flatnonzero((since >= APPROACH_S[0]) & (since < -8.0))
        if len(before) > 4 and since[before[-1]] > since[before[0]]:
            change = listed[before[-1]] - listed[before[0]]
            seen.slope_per_s.append(change / float(since[before[-1]] - since[before[0]]))


def _runs(time_s: np.ndarray, values: list) -> list[tuple[object, float]]:
    if not values or len(set(values)) > 8:
        return []
    edges = [0, *(k for k in range(1, len(values)) if values[k] != values[k - 1]), len(values)]
    ends = np.append(time_s, time_s[-1])
    return [(values[a], float(ends[b] - time_s[a])) for a, b in itertools.pairwise(edges)]
