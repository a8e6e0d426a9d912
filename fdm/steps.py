"""The steps of a rollout, each a bounded instant: touchdown, spoilers, reversers, power, brakes, speeds, exit.

Times are relative to the landing's anchor; `measuring` turns them into seconds after touchdown for the tables.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cached_property

import numpy as np
import polars as pl

from fdm.batch import Batch
from fdm.bounded import FINE, Bounded, Instants, both_why, either_why, merge
from fdm.parameters import DEPLOYED, STOWED
from fdm.primitives import crossing, first, last
from fdm.signal import Signal
from fdm.touchdown import Touchdown, find_touchdown
from fdm.units import MPS_PER_KT
from fdm.windows import interpolate

M_PER_DEG_LATITUDE = 111_195.0  # mean sphere of 6 371 009 m radius; over a runway's length the error is below 0.6 %
POSITION_DOUBT_M = 30.0  # a recorded position against the surveyed runway (common practice, no source)
POSITIONS_OVER_S = 40.0  # positions of this long after contact place a rollout that never reached the reduce speed
LEVER_IN_REVERSE = 0.05  # fraction of reverse travel from which a lever counts as in reverse
SPOILER_MOVING = 0.10  # fraction of travel from which spoilers count as moving
BRAKING_PSI = 150.0  # brake pressure that counts as braking (common practice, no source)
EXIT_DEG = 20.0  # heading change from the rollout that counts as leaving the runway (common practice, no source)
EXIT_BELOW_KT = 80.0
REVERSE_BEFORE_S = 10.0  # reversers are watched from this long before contact
IDLE_LASTS_S = 3.0  # where the rule book names no idle, it is the lowest N1 that lasts so long ...
IDLE_LEVEL_PCT = 1.0  # ... within so much either way ...
IDLE_APART_PCT = 3.0  # ... and not further than this from the lowest out of reverse (common practice, no source)
EPR_RISE_AT_FULL_N1 = 0.6  # EPR less 1 grows about as the square of N1 to this (common practice, no source)
N1_FROM_EPR_PCT = 8.0  # half-width of N1 told from EPR (common practice, no source)
IDLE_MOST_PCT = 40.0  # an idle learned above this is not believed (common practice, no source)


class Rollout(Batch):
    """A batch with its steps."""

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
        return self.touchdown.left_ground.why == FINE

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
        best = self._rolled_m(contact.best, when.best)
        drift = self.signal("ground_speed").tolerance * MPS_PER_KT * np.abs(when.best - contact.best)
        lower = self._rolled_m(contact.latest, when.earliest) - drift
        upper = self._rolled_m(contact.earliest, when.latest) + drift
        gap = self.reason("ground speed has a gap in the rollout")
        value = Bounded(best, lower, upper, both_why(contact, when), when.best)
        return value.where(~np.isnan(best) | (value.why != FINE), gap)

    def speed_then(self, time_s: np.ndarray) -> np.ndarray:
        """Ground speed at moments (n,) or (n, e), kt; NaN where it is not known."""
        if not self.has("ground_speed"):
            return np.full(time_s.shape, np.nan)
        return _by_column(lambda column: interpolate(self.signal("ground_speed"), column), time_s)

    def distance_then(self, time_s: np.ndarray) -> np.ndarray:
        """Metres from first contact at moments (n,) or (n, e); NaN where they are not known."""
        if not self.has("ground_speed"):
            return np.full(time_s.shape, np.nan)
        return self._rolled_m(self.contact.best, time_s)

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
        signal = self.signal("latitude")
        latitude = self.signal("latitude").values
        longitude = self._longitude_like(signal)
        at, on, towards = (
            self._fact(name)[:, None] for name in ("runway_latitude_deg", "runway_longitude_deg", "runway_heading_deg")
        )
        north_m = (latitude - at) * M_PER_DEG_LATITUDE
        east_m = (longitude - on) * M_PER_DEG_LATITUDE * np.cos(np.radians(at))
        along_m = north_m * np.cos(np.radians(towards)) + east_m * np.sin(np.radians(towards))
        time_s = signal.start_s[:, None] + signal.columns * signal.step_s
        until = np.where(self.reduce_speed.why == FINE, self.reduce_speed.best, self.contact.best + POSITIONS_OVER_S)
        inside = (time_s > self.contact.best[:, None]) & (time_s < until[:, None])
        start_m = np.where(inside, along_m - self._rolled_m(self.contact.best, time_s), np.nan)
        known = ~np.isnan(start_m).all(axis=1)
        found = np.full(self.n, np.nan)
        found[known] = np.nanmedian(start_m[known], axis=1)
        return found

    def _longitude_like(self, latitude: Signal) -> np.ndarray:
        """Longitude at latitude's sample times, (n, m)."""
        longitude = self.signal("longitude")
        if longitude.step_s == latitude.step_s and longitude.values.shape == latitude.values.shape:
            shift = latitude.start_s - longitude.start_s
            if np.abs(shift).max() < 1e-3:
                return longitude.values
        time_s = latitude.start_s[:, None] + latitude.columns * latitude.step_s
        return np.stack([interpolate(longitude, column) for column in time_s.T], axis=1)

    def _fact(self, name: str) -> np.ndarray:
        return self.facts[name].cast(pl.Float64).fill_null(np.nan).to_numpy()

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
        return self._fact("runway_length_m")

    # spoilers --------------------------------------------------------------------------------------------------------

    @cached_property
    def spoilers(self) -> Signal | None:
        """Spoiler position: the panels where recorded, else the handle."""
        for name in ("spoiler_panel", "spoiler_handle"):
            if self.has(name):
                return self.signal(name)
        return None

    def _spoilers_pass(self, threshold: float, sentence: str) -> Instants:
        if self.spoilers is None:
            return self.absent_instants(self.not_recorded("spoiler_panel", "spoiler_handle"))
        after = self.contact.earliest - 2 * self.spoilers.step_s
        return crossing(self.spoilers, threshold, after, rising=True, missing=self.reason(sentence))

    @cached_property
    def spoilers_moving(self) -> Instants:
        """Spoilers begin to move."""
        return self._spoilers_pass(SPOILER_MOVING, "the spoilers never moved")

    @cached_property
    def spoilers_extended(self) -> Instants:
        """Spoilers reach the fraction of travel that the rule book calls extended."""
        return self._spoilers_pass(self.settings.extended, "the spoilers were never extended")

    @cached_property
    def spoilers_retracted(self) -> Instants:
        """Spoilers leave the extended range for good."""
        if self.spoilers is None:
            return self.absent_instants(self.not_recorded("spoiler_panel", "spoiler_handle"))
        missing = self.reason("the spoilers were still extended at the end of the recording")
        level = self.settings.extended
        retracted = crossing(self.spoilers, level, self.contact.earliest, rising=False, final=True, missing=missing)
        return retracted.where(self.spoilers_extended.why == FINE, self.reason("the spoilers were never extended"))

    # brakes, power -------------------------------------------------------------------------------------------------

    @cached_property
    def brakes_on(self) -> Instants:
        """Wheel brakes come on, either side."""
        names = [name for name in ("brake_pressure.left", "brake_pressure.right") if self.has(name)]
        if not names:
            return self.absent_instants(self.not_recorded("brake_pressure"))
        missing = self.reason("the brakes were never applied")
        sides = [
            crossing(self.signal(name), BRAKING_PSI, self.contact.earliest, rising=True, missing=missing)
            for name in names
        ]
        return sides[0] if len(sides) == 1 else merge(np.fmin, sides[0], sides[1], either_why(sides[0], sides[1]))

    def power(self, engine: int) -> Signal | None:
        """N1 of an engine; where only EPR is recorded, the N1 that it stands for, with a wide tolerance."""
        if self.has(f"n1.{engine}"):
            return self.signal(f"n1.{engine}")
        if not self.has(f"epr.{engine}"):
            return None
        epr = self.signal(f"epr.{engine}")
        n1_pct = 100 * np.sqrt(np.maximum(epr.values - 1.0, 0.0) / EPR_RISE_AT_FULL_N1)
        return replace(epr, name=f"n1.{engine} from EPR", values=n1_pct.astype(np.float32), tolerance=N1_FROM_EPR_PCT)

    def _idle_n1_pct(self, engine: int, power: Signal) -> np.ndarray:
        """(n,) N1 at idle reverse: the rule book's for the fleet, else the lowest that the landing shows; else NaN.

        The lowest that lasted is believed to be idle when the engine also came down to it out of reverse.
        """
        fleets = self.facts["fleet"].to_list()
        named = np.array([self.settings.idle_reverse_pct.get(fleet or "", np.nan) for fleet in fleets])
        if not np.isnan(named).any():
            return named
        after = power.columns >= power.index_from(self.contact.latest)[:, None]
        values = np.where(after & power.valid, power.values, np.nan)
        lasting = _lowest_lasting(values, max(3, round(IDLE_LASTS_S / power.step_s)))
        forward = _lowest(np.where(self._in_reverse(engine, power), np.nan, values))
        believed = (np.abs(forward - lasting) <= IDLE_APART_PCT) & (lasting <= IDLE_MOST_PCT)
        return np.where(np.isnan(named), np.where(believed, lasting, np.nan), named)

    def _in_reverse(self, engine: int, power: Signal) -> np.ndarray:
        """(n, m) true at samples of power between the reverser deploying and being stowed."""
        if engine not in self.layout.reversers:
            return np.zeros(power.values.shape, bool)
        found = self._one_reverser(engine)
        deployed, stowed = found["deployed"], found["stowed"]
        begin = np.where(deployed.happened, power.index_from(deployed.earliest), power.values.shape[1])
        end = np.where(stowed.happened, power.index_past(stowed.latest), power.values.shape[1])
        return (power.columns >= begin[:, None]) & (power.columns < end[:, None])

    @cached_property
    def idle(self) -> dict[int, np.ndarray]:
        """Idle reverse N1 by engine with recorded power.

        An engine that never came down to idle takes the middle one of the others': they are of one type.
        """
        powers = {engine: self.power(engine) for engine in range(1, self.layout.engines + 1)}
        own = {engine: self._idle_n1_pct(engine, power) for engine, power in powers.items() if power is not None}
        if not own:
            return {}
        everyone = np.stack(list(own.values()))
        typical = np.full(self.n, np.nan)
        known = ~np.isnan(everyone).all(axis=0)
        typical[known] = np.nanmedian(everyone[:, known], axis=0)
        return {engine: np.where(np.isnan(idle), typical, idle) for engine, idle in own.items()}

    # reversers -----------------------------------------------------------------------------------------------------

    def _reverser(self, engine: int) -> tuple[Signal, np.ndarray, Signal, np.ndarray] | None:
        """(signal, deployed samples, signal, not-stowed samples) of an engine, from whichever is recorded."""
        if self.has(f"reverser_state.{engine}"):
            state = self.signal(f"reverser_state.{engine}")
            return state, state.values == DEPLOYED, state, state.values > STOWED
        names = f"reverser_deployed.{engine}", f"reverser_unlocked.{engine}"
        have = [self.signal(name) for name in names if self.has(name)]
        if not have:
            return None
        return have[0], have[0].values == 1, have[-1], have[-1].values == 1

    def _reverser_instants(self, which: str) -> Instants:
        return self.per_engine(lambda engine: self._one_reverser(engine)[which])

    def _one_reverser(self, engine: int) -> dict[str, Instants]:
        if engine not in self._reverser_cache:
            self._reverser_cache[engine] = self._find_reverser(engine)
        return self._reverser_cache[engine]

    @cached_property
    def _reverser_cache(self) -> dict[int, dict[str, Instants]]:
        return {}

    def _find_reverser(self, engine: int) -> dict[str, Instants]:
        recorded = self._reverser(engine)
        names = ("unlocked", "deployed", "stow_start", "stowed")
        if recorded is None:
            nobody = self.absent_instants(self.not_recorded(f"reverser_state.{engine}", f"reverser_deployed.{engine}"))
            return dict.fromkeys(names, nobody)
        deployed_in, deployed, out_in, out = recorded
        start = self.contact.earliest - REVERSE_BEFORE_S
        never = self.reason("the reverser was never deployed")
        unused = self.reason("reverse was not used")
        out_use = self.out_of_use[:, self.layout.reversers.index(engine)]
        shut = self.reason("reverser out of use")
        still = self.reason("the reverser was still out at the end of the recording")
        found = {
            "unlocked": first(out_in, out, start, missing=unused),
            "deployed": first(deployed_in, deployed, start, missing=never),
            "stow_start": last(deployed_in, deployed, start, missing=still),
            "stowed": last(out_in, out, start, missing=still),
        }
        for name in ("stow_start", "stowed"):
            found[name] = found[name].where(
                found["deployed" if name == "stow_start" else "unlocked"].why == FINE, never
            )
        found["stow_start"] = _with_reason(found["stow_start"], found["deployed"])
        found["stowed"] = _with_reason(found["stowed"], found["unlocked"])
        return {name: when.where(~out_use | (when.why == FINE), shut) for name, when in found.items()}

    @cached_property
    def unlocked(self) -> Instants:
        """E: reverser leaves stowed."""
        return self._reverser_instants("unlocked")

    @cached_property
    def deployed(self) -> Instants:
        """E: reverser fully deployed."""
        return self._reverser_instants("deployed")

    @cached_property
    def stow_start(self) -> Instants:
        """E: reverser leaves deployed for good."""
        return self._reverser_instants("stow_start")

    @cached_property
    def stowed(self) -> Instants:
        """E: reverser stowed for good."""
        return self._reverser_instants("stowed")

    @cached_property
    def reverse_selected(self) -> Instants:
        """E: lever raised into reverse; the reverser unlocking where levers are not recorded."""
        return self.per_engine(self._selected)

    def _selected(self, engine: int) -> Instants:
        name = f"reverse_lever.{engine}"
        if not self.has(name):
            return self._one_reverser(engine)["unlocked"]
        start = self.contact.earliest - REVERSE_BEFORE_S
        return crossing(
            self.signal(name), LEVER_IN_REVERSE, start, rising=True, missing=self.reason("reverse was not used")
        )

    @cached_property
    def first_selected(self) -> Instants:
        """The first selection of reverse on any engine."""
        unused = self.reason("reverse was not used")
        first_ = self.reverse_selected.engine(0)
        for column in range(1, len(self.layout.reversers)):
            other = self.reverse_selected.engine(column)
            first_ = merge(np.fmin, first_, other, either_why(first_, other))
        return first_.where(first_.why == FINE, unused)

    @cached_property
    def reverse_cancelled(self) -> Instants:
        """E: lever back out of reverse for good; the reverser stowed where levers are not recorded."""
        return self.per_engine(self._cancelled)

    def _cancelled(self, engine: int) -> Instants:
        name = f"reverse_lever.{engine}"
        if not self.has(name):
            return self._one_reverser(engine)["stowed"]
        missing = self.reason("the lever was still in reverse at the end of the recording")
        start = self.contact.earliest - REVERSE_BEFORE_S
        back = crossing(self.signal(name), LEVER_IN_REVERSE, start, rising=False, final=True, missing=missing)
        return _with_reason(back, self._selected(engine))

    @cached_property
    def reverse_idle(self) -> Instants:
        """E: N1 back within the idle margin for good after the reverser deployed."""
        return self.per_engine(self._reverse_idle)

    def _reverse_idle(self, engine: int) -> Instants:
        power = self.power(engine)
        if power is None:
            return self.absent_instants(self.not_recorded(f"n1.{engine}"))
        deployed = self._one_reverser(engine)["deployed"]
        missing = self.reason("N1 never came back to idle reverse in this recording")
        limit = self.idle[engine] + self.settings.idle_margin_pct
        until = self._until_forward(engine)
        found = crossing(power, limit, deployed.earliest, until, rising=False, final=True, missing=missing)
        found = _with_reason(found, deployed)
        return found.where(~np.isnan(limit), self.reason(f"idle reverse of engine {engine} is not known"))

    def _until_forward(self, engine: int) -> np.ndarray:
        """Power is reverse power until the reverser is stowed; after that it is taxi power."""
        stowed = self._one_reverser(engine)["stowed"]
        return np.where(stowed.why == FINE, stowed.latest, self.record_end)

    # the end of the rollout ----------------------------------------------------------------------------------------

    @cached_property
    def runway_exit(self) -> Instants:
        """Heading leaves that of the rollout by more than 20 degrees, below 80 kt."""
        if not self.has("heading"):
            return self.absent_instants(self.not_recorded("heading"))
        signal = self.signal("heading")
        along = interpolate_heading(signal, self.contact.best + 2.0)
        off = np.abs((signal.values - along[:, None] + 180.0) % 360.0 - 180.0)
        slow = self.speed_reached(EXIT_BELOW_KT)
        missing = self.reason("runway exit not found in the heading")
        return first(signal, off > EXIT_DEG, slow.earliest, missing=missing).where(slow.why == FINE, missing)

    def _discrete_on(self, name: str, sentence: str) -> Instants:
        if not self.has(name):
            return self.absent_instants(self.not_recorded(name))
        signal = self.signal(name)
        return first(signal, signal.values == 1, self.contact.earliest, missing=self.reason(sentence))

    @cached_property
    def table(self) -> dict[str, Instants]:
        """Every step by name, as the instants table lists them."""
        single = {
            "touchdown": self.contact,
            "settled": self.settled,
            "nose_gear": self.nose_gear,
            "spoilers_moving": self.spoilers_moving,
            "spoilers_extended": self.spoilers_extended,
            "spoilers_retracted": self.spoilers_retracted,
            "brakes_on": self.brakes_on,
            "speed_60kt": self.speed_reached(60.0),
            "taxi_speed": self.taxi_speed,
            "runway_exit": self.runway_exit,
        }
        if not self.layout.reversers:
            return single
        return single | {
            "reverse_selected": self.reverse_selected,
            "reverse_cancelled": self.reverse_cancelled,
            "unlocked": self.unlocked,
            "deployed": self.deployed,
            "reverse_idle": self.reverse_idle,
            "stow_start": self.stow_start,
            "stowed": self.stowed,
        }


def _by_column(ask: Callable[[np.ndarray], np.ndarray], time_s: np.ndarray) -> np.ndarray:
    return ask(time_s) if time_s.ndim == 1 else np.stack([ask(column) for column in time_s.T], axis=1)


def interpolate_heading(signal: Signal, time_s: np.ndarray) -> np.ndarray:
    """The heading sample nearest to a time; not interpolated, because headings wrap."""
    index = np.clip(np.rint(np.nan_to_num((time_s - signal.start_s) / signal.step_s)), 0, signal.values.shape[1] - 1)
    return signal.values[np.arange(len(index)), index.astype(np.int64)]


def _with_reason(when: Instants, first_needed: Instants) -> Instants:
    """Missing for the other's reason where the other is missing: what never began cannot end."""
    good = first_needed.why == FINE
    return when.map(lambda x: np.where(good, x, np.nan), both_why(first_needed, when))


def _lowest(values: np.ndarray) -> np.ndarray:
    """Lowest along rows; NaN for rows without a number."""
    low = np.where(np.isnan(values), np.inf, values).min(axis=1)
    return np.where(np.isinf(low), np.nan, low)


def _lowest_lasting(values: np.ndarray, samples: int) -> np.ndarray:
    """Mean of the lowest level along rows that `samples` of them or more lie within a point of; NaN where none is."""
    ordered = np.sort(values[:, :], axis=1)
    if ordered.shape[1] < samples:
        return np.full(len(values), np.nan)
    middle = ordered[:, samples // 2]
    lasts = ordered[:, samples - 1] - ordered[:, 0] <= 2 * IDLE_LEVEL_PCT
    level = np.where(np.abs(values - middle[:, None]) <= IDLE_LEVEL_PCT, values, np.nan)
    count = np.maximum((~np.isnan(level)).sum(axis=1), 1)
    return np.where(lasts, np.nansum(level, axis=1) / count, np.nan)
