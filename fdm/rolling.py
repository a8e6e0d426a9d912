"""Touchdown, ground speed, distance and place on the runway of every landing of a batch.

Times are relative to the landing's anchor; `measuring` turns them into seconds after touchdown for the tables.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np

from fdm.batch import Batch
from fdm.bounded import FINE, Bounded, Instants, both_why
from fdm.primitives import crossing, first
from fdm.signal import Signal, middle, pick_column
from fdm.touchdown import Touchdown, find_touchdown
from fdm.units import MPS_PER_KT
from fdm.windows import interpolate

M_PER_DEG_LATITUDE = 111_195.0  # mean sphere of 6 371 009 m radius; over a runway's length the error is below 0.6 %
POSITION_DOUBT_M = 30.0  # a recorded position against the surveyed runway (common practice, no source)
POSITIONS_OVER_S = 40.0  # positions of this long after contact place a rollout that never reached the reduce speed
EXIT_DEG = 20.0  # heading change from the rollout that counts as leaving the runway (common practice, no source)
EXIT_BELOW_KT = 80.0
ALONG_RUNWAY_S = 2.0  # after contact the aeroplane has been turned along the runway (common practice, no source)


class Rolling(Batch):
    """A batch with its touchdown, speeds, distances and place on the runway."""

    # touchdown ---------------------------------------------------------------------------------------------------

    @cached_property
    def touchdown(self) -> Touchdown:
        """First contact, bounces, settled contact."""
        return find_touchdown(self)

    @property
    def contact(self) -> Instants:
        """First contact of the main gear."""
        return self.touchdown.contact

    @property
    def settled(self) -> Instants:
        """Contact after which the aeroplane stayed on the ground."""
        return self.touchdown.settled

    @cached_property
    def went_around(self) -> np.ndarray:
        """(n,) true where the aeroplane flew again."""
        return self.touchdown.left_ground.happened

    @cached_property
    def nose_gear(self) -> Instants:
        """Nose gear on the ground, after first contact."""
        return self._discrete_on("nose_gear_ground", "the nose gear never shows ground")

    # speed and distance --------------------------------------------------------------------------------------------

    def speed_reached(self, speed_kt: float) -> Instants:
        """Ground speed falling to a value after contact."""
        if not self.has("ground_speed"):
            return self.absent_instants(self.not_recorded("ground_speed"))
        signal, missing = self.signal("ground_speed"), self.never_slow(speed_kt)
        return crossing(signal, speed_kt, self.contact.earliest, rising=False, missing=missing)

    def never_slow(self, speed_kt: float) -> int:
        """Code of the reason that a speed was never reached."""
        return self.reason(f"ground speed never fell to {speed_kt:g} kt in this recording")

    @cached_property
    def reduce_speed(self) -> Instants:
        """Ground speed at which the procedure begins to reduce reverse."""
        return self.speed_reached(self.settings.reduce_speed_kt)

    @cached_property
    def taxi_speed(self) -> Instants:
        """Ground speed falling to taxi speed."""
        return self.speed_reached(self.settings.taxi_speed_kt)

    @cached_property
    def _travelled(self) -> tuple[np.ndarray, np.ndarray]:
        """Metres travelled from ground speed's first column to each (trapezoid rule), and unknown steps so far."""
        signal = self.signal("ground_speed")
        v = signal.bridged.astype(np.float64) * MPS_PER_KT
        steps = (v[:, 1:] + v[:, :-1]) / 2 * signal.step_s
        start = np.zeros((self.n, 1))
        metres = np.concatenate([start, np.cumsum(np.nan_to_num(steps, nan=0.0), axis=1)], axis=1)
        return metres, np.concatenate([start, np.cumsum(np.isnan(steps), axis=1)], axis=1)

    def _rolled_m(self, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
        """Metres between two moments, `to_s` (n,) or (n, k); NaN outside the recording or across a long gap."""
        start_m, start_unknown = self._metres(from_s)
        end_m, end_unknown = self._metres(to_s)
        if to_s.ndim == 2:
            start_m, start_unknown = start_m[:, None], start_unknown[:, None]
        return np.where(end_unknown == start_unknown, end_m - start_m, np.nan)

    def _metres(self, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Metres from ground speed's first column to moments (n,) or (n, k), and unknown steps up to them."""
        signal, (travelled, unknown) = self.signal("ground_speed"), self._travelled
        rows = np.arange(self.n) if time_s.ndim == 1 else np.arange(self.n)[:, None]
        start = signal.start_s if time_s.ndim == 1 else signal.start_s[:, None]
        position = (time_s - start) / signal.step_s
        last = travelled.shape[1] - 1
        known = (position >= 0) & (position <= last)
        position = np.where(known, position, 0.0)
        left = position.astype(np.int64)
        right = np.minimum(left + 1, last)
        share = position - left
        v0 = signal.bridged[rows, left] * MPS_PER_KT
        v1 = np.where(share > 1e-4, v0 + share * (signal.bridged[rows, right] * MPS_PER_KT - v0), v0)
        metres = travelled[rows, left] + (v0 + v1) / 2 * share * signal.step_s
        return np.where(known, metres, np.nan), unknown[rows, left]

    def distance_to(self, when: Instants) -> Bounded:
        """Metres from first contact to an instant, with the bounds of both instants and of the speed itself."""
        if not self.has("ground_speed"):
            return self.absent(self.not_recorded("ground_speed"))
        contact = self.contact
        signal = self.signal("ground_speed")
        late_s, best = signal.lag_s, self.distance_then(when.best)
        drift = signal.tolerance * MPS_PER_KT * np.abs(when.latest - contact.earliest)
        lower = self._rolled_m(contact.latest + late_s, when.earliest + late_s) - drift
        upper = self._rolled_m(contact.earliest, when.latest) + drift
        gap = self.reason("ground speed has a gap in the rollout")
        value = Bounded(best, lower, upper, both_why(contact, when), when.best)
        return value.where(~np.isnan(best) | (value.why != FINE), gap)

    def speed_then(self, time_s: np.ndarray) -> np.ndarray:
        """Ground speed at moments (n,) or (n, e), kt; NaN where it is not known."""
        if not self.has("ground_speed"):
            return np.full(time_s.shape, np.nan)
        return interpolate(self.signal("ground_speed"), self._stamped_s(time_s))

    def _stamped_s(self, time_s: np.ndarray) -> np.ndarray:
        """What the recorder stamps, at best, on the ground speed of moments (n,) or (n, e), up to its last sample."""
        signal = self.signal("ground_speed")
        late_s, last_s = signal.lag_s / 2, signal.time(signal.last_column)
        if time_s.ndim == 2:
            late_s, last_s = late_s[:, None], last_s[:, None]
        return np.minimum(time_s + late_s, np.fmax(time_s, last_s))

    def distance_then(self, time_s: np.ndarray) -> np.ndarray:
        """Metres from first contact at moments (n,) or (n, e); NaN where they are not known."""
        if not self.has("ground_speed"):
            return np.full(time_s.shape, np.nan)
        return self._rolled_m(self._stamped_s(self.contact.best), self._stamped_s(time_s))

    @cached_property
    def to_taxi_speed(self) -> Instants:
        """Taxi speed, or the end of the data where it was not reached."""
        return self.taxi_speed.or_else(self.end)

    # the runway ----------------------------------------------------------------------------------------------------

    @cached_property
    def along_runway_m(self) -> np.ndarray:
        """(n,) metres from the runway's beginning to first contact; NaN where not known.

        The middle one of what the recorded positions during the rollout say, each less the distance rolled to it.
        """
        if not (self.has("latitude") and self.has("longitude") and self.has("ground_speed")):
            return np.full(self.n, np.nan)
        slow = self.reduce_speed
        until = np.where(slow.happened, slow.earliest, self.contact.best + POSITIONS_OVER_S)
        c0, c1 = self.signal("latitude").span(self.contact.best, until)
        signal = self.signal("latitude").between(c0, c1)
        latitude, longitude = signal.values, self._longitude_like(signal, c0, c1)
        at, on, towards = (
            self.fact(name)[:, None] for name in ("runway_latitude_deg", "runway_longitude_deg", "runway_heading_deg")
        )
        north_m = (latitude - at) * M_PER_DEG_LATITUDE
        east_m = (longitude - on) * M_PER_DEG_LATITUDE * np.cos(np.radians(at))
        along_m = north_m * np.cos(np.radians(towards)) + east_m * np.sin(np.radians(towards))
        time_s = signal.start_s[:, None] + signal.columns * signal.step_s
        inside = (time_s > self.contact.best[:, None]) & (time_s < until[:, None])
        taken_s = time_s - signal.lag_s[:, None] / 2
        return middle(np.where(inside, along_m - self.distance_then(taken_s), np.nan))

    def _longitude_like(self, latitude: Signal, c0: int, c1: int) -> np.ndarray:
        """Longitude at the sample times of columns c0 to c1 of latitude, (n, m)."""
        longitude = self.signal("longitude")
        if longitude.step_s == latitude.step_s and longitude.values.shape[1] >= c1:
            same = longitude.between(c0, c1)
            if np.abs(latitude.start_s - same.start_s).max(initial=0.0) < 1e-3:
                return same.values
        time_s = latitude.start_s[:, None] + latitude.columns * latitude.step_s
        return interpolate(longitude, time_s)

    def runway_left(self, when: Instants) -> Bounded:
        """Metres of runway ahead at an instant: its length, less the touchdown point, less the distance rolled."""
        unknown = self.reason("runway left not known: the runway's length and ends, and positions, are needed")
        left = self._length_m - self.along_runway_m
        rolled = self.distance_to(when)
        nearest = self.distance_then(when.earliest) - POSITION_DOUBT_M
        farthest = self.distance_then(when.latest) + POSITION_DOUBT_M
        value = Bounded(left - rolled.value, left - farthest, left - nearest, rolled.why, when.best)
        return value.where(~np.isnan(left), unknown)

    def runway_left_then(self, time_s: np.ndarray) -> np.ndarray:
        """Metres of runway ahead at moments (n,) or (n, e); NaN where they are not known."""
        ahead_m = self._length_m - self.along_runway_m
        return (ahead_m[:, None] if time_s.ndim == 2 else ahead_m) - self.distance_then(time_s)

    @property
    def _length_m(self) -> np.ndarray:
        return self.fact("runway_length_m")

    # the end of the rollout ----------------------------------------------------------------------------------------

    @cached_property
    def off_heading_deg(self) -> np.ndarray:
        """(n, m) how far each sample of heading is off the middle one of the fast part of the rollout, -180 to 180."""
        signal, contact = self.signal("heading"), self.contact
        after = np.where(np.isnan(contact.best), contact.latest, contact.best) + ALONG_RUNWAY_S
        reference = _nearest_known(signal, after)[:, None]
        off = half_turn(signal.values - reference)
        fast = self.speed_reached(EXIT_BELOW_KT)
        until = np.where(fast.happened, fast.earliest, after + ALONG_RUNWAY_S)
        begin, end = signal.index_from(after), np.maximum(signal.index_past(until), signal.index_from(after) + 1)
        along = middle(np.where(signal.inside(begin, end), off, np.float32(np.nan)))
        return half_turn(off - along[:, None].astype(np.float32))

    @cached_property
    def runway_exit(self) -> Instants:
        """Heading leaves that of the rollout by more than 20 degrees and stays off it, below 80 kt."""
        if not self.has("heading"):
            return self.absent_instants(self.not_recorded("heading"))
        signal, slow = self.signal("heading"), self.speed_reached(EXIT_BELOW_KT)
        off = np.abs(self.off_heading_deg) > EXIT_DEG
        lasting = off & ~(np.pad(signal.valid & ~off, ((0, 0), (0, 1)))[:, 1:])  # the next sample does not deny it
        missing = self.reason("runway exit not found in the heading")
        return first(signal, lasting, slow.earliest, missing=missing).only_after(slow)

    def _discrete_on(self, name: str, sentence: str) -> Instants:
        if not self.has(name):
            return self.absent_instants(self.not_recorded(name))
        signal = self.signal(name)
        return first(signal, signal.values == 1, self.contact.earliest, missing=self.reason(sentence))


def half_turn(angle_deg: np.ndarray) -> np.ndarray:
    """Angles brought to -180 to 180 degrees."""
    return np.asarray(angle_deg - 360 * np.rint(angle_deg / 360))


def _nearest_known(signal: Signal, time_s: np.ndarray) -> np.ndarray:
    """The last recorded value up to a time, else the first one after it; NaN where none is recorded."""
    k = np.clip(signal.index_past(time_s) - 1, 0, signal.values.shape[1] - 1)
    before, behind = (pick_column(columns, k) for columns in (signal.previous, signal.following))
    return pick_column(signal.values, np.where(before >= 0, before, behind))


def interpolate_heading(signal: Signal, time_s: np.ndarray) -> np.ndarray:
    """The heading sample nearest to a time; not interpolated, because headings wrap."""
    index = np.clip(np.rint(np.nan_to_num((time_s - signal.start_s) / signal.step_s)), 0, signal.values.shape[1] - 1)
    return signal.values[np.arange(len(index)), index.astype(np.int64)]
