"""The steps of a rollout, each a bounded instant: touchdown, spoilers, reversers, power, brakes, speeds, exit.

Times are relative to the landing's anchor; `measuring` turns them into seconds after touchdown for the tables.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property, reduce

import numpy as np

from fdm.bounded import Instants, pick, the_later, the_sooner
from fdm.idle_reverse import LeverAtRest, lever_at_rest, ran_down
from fdm.primitives import crossing
from fdm.reversing import REVERSE_AT_ONCE_S, Reverser, find_reverser
from fdm.rolling import Rolling
from fdm.signal import Signal, middle

LEVER_IN_REVERSE = 0.05  # fraction of reverse travel from which a lever counts as in reverse
LEVER_FORWARD_DEG = 10.0  # a thrust lever so far above where it idles stands forward (common practice, no source)
UNASKED_S = 1.0  # a reverser that leaves stowed so long before its lever was raised, for certain, was not asked
NOT_FLOWN = "the aeroplane was not flown again after reverse"
UNASKED = "reverser {} left stowed before its lever is seen to rise"
SPOILER_MOVING = 0.10  # fraction of travel from which spoilers count as moving
BRAKING_PSI = 150.0  # brake pressure that counts as braking (common practice, no source)
IDLE_LASTS_S = 3.0  # where the rule book names no idle, it is the lowest N1 that lasts so long ...
IDLE_LEVEL_PCT = 1.0  # ... within so much either way ...
IDLE_APART_PCT = 3.0  # ... and not further than this from the lowest out of reverse (common practice, no source)
EPR_RISE_AT_FULL_N1 = 0.6  # EPR less 1 grows about as the square of N1 to this (common practice, no source)
LEAST_N1_FROM_EPR_PCT = 20.0  # below idle, one step of a recorded EPR would be many points of N1
N1_FROM_EPR_PCT = 8.0  # half-width of N1 told from EPR (common practice, no source)
IDLE_MOST_PCT = 40.0  # an idle learned above this is not believed (common practice, no source)
KEPT_AT_IDLE = "reverse was kept at idle"
RAN_DOWN_OR_POWER = "whether N1 in reverse was power or ran down from the approach cannot be told"


class Rollout(Rolling):
    """A batch with its steps."""

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
        """Spoilers begin to move, for the movement in which they were extended where they were."""
        first_ = self._spoilers_pass(SPOILER_MOVING, "the spoilers never moved")
        extended = self.spoilers_extended
        if self.spoilers is None or not extended.happened.any():
            return first_
        start, missing = self.record_start, self.reason("the spoilers never moved")
        last_ = crossing(
            self.spoilers, SPOILER_MOVING, start, extended.latest, rising=True, final=True, missing=missing
        )
        return last_.where(extended.happened, missing).or_else(first_)

    @cached_property
    def spoilers_extended(self) -> Instants:
        """Spoilers reach the fraction of travel that the rule book calls extended.

        Without a latest time where no sample lies clearly above it: they may never have been.
        """
        reached = self._spoilers_pass(self.settings.extended, "the spoilers were never extended")
        if self.spoilers is None:
            return reached
        after = self.spoilers.inside(self.spoilers.index_from(reached.earliest))
        highest = np.fmax.reduce(self.spoilers.values, axis=1, where=after, initial=-np.inf)
        unsure = reached.happened & (highest < self.settings.extended + self.spoilers.tolerance)
        return replace(reached, latest=np.where(unsure, np.inf, reached.latest)) if unsure.any() else reached

    @cached_property
    def spoilers_retracted(self) -> Instants:
        """Spoilers leave the extended range for good."""
        if self.spoilers is None:
            return self.absent_instants(self.not_recorded("spoiler_panel", "spoiler_handle"))
        missing = self.reason("the spoilers were still extended at the end of the recording")
        level = self.settings.extended
        retracted = crossing(self.spoilers, level, self.contact.earliest, rising=False, final=True, missing=missing)
        return retracted.only_after(self.spoilers_extended)

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
        return sides[0] if len(sides) == 1 else the_sooner(*sides)

    def power(self, engine: int) -> Signal | None:
        """N1 of an engine; where only EPR is recorded, the N1 that it stands for, with a wide tolerance."""
        if self.has(f"n1.{engine}"):
            return self.signal(f"n1.{engine}")
        if not self.has(f"epr.{engine}"):
            return None
        epr = self.signal(f"epr.{engine}")
        n1_pct = 100 * np.sqrt(np.maximum(epr.values - 1.0, 0.0) / EPR_RISE_AT_FULL_N1)
        n1_pct = np.where(np.isnan(n1_pct), n1_pct, np.maximum(n1_pct, LEAST_N1_FROM_EPR_PCT))
        return replace(epr, name=f"n1.{engine} from EPR", values=n1_pct.astype(np.float32), tolerance=N1_FROM_EPR_PCT)

    def _idle_n1_pct(self, engine: int, power: Signal) -> np.ndarray:
        """(n,) N1 at idle reverse: the rule book's for the fleet, else the lowest that the landing shows; else NaN.

        The lowest that lasted is believed to be idle when the engine also came down to it out of reverse.
        """
        fleets = self.facts["fleet"].to_list()
        named = np.array([self.settings.idle_reverse_pct.get(fleet or "", np.nan) for fleet in fleets])
        if not np.isnan(named).any():
            return named
        after = power.inside(power.index_from(self.contact.latest))
        values = np.where(after, power.values, np.float32(np.nan))
        lasting = _lowest_lasting(values, max(3, round(IDLE_LASTS_S / power.step_s)))
        forward = _lowest(np.where(self._in_reverse(engine, power), np.nan, values))
        believed = (np.abs(forward - lasting) <= IDLE_APART_PCT) & (lasting <= IDLE_MOST_PCT)
        return np.where(np.isnan(named), np.where(believed, lasting, np.nan), named)

    def _in_reverse(self, engine: int, power: Signal) -> np.ndarray:
        """(n, m) true at samples of power between the reverser deploying and being stowed."""
        if engine not in self.layout.reversers:
            return np.zeros(power.values.shape, bool)
        deployed, back_s = self.reverser(engine).deployed, self.reverser(engine).back_s
        begin = np.where(deployed.happened, power.index_from(deployed.earliest), power.values.shape[1])
        end = power.index_past(back_s)
        return power.inside(begin, end)

    @cached_property
    def idle(self) -> dict[int, np.ndarray]:
        """Idle reverse N1 by engine with recorded power.

        An engine that never came down to idle takes the middle one of the others': they are of one type.
        """
        powers = {engine: self.power(engine) for engine in range(1, self.layout.engines + 1)}
        own = {engine: self._idle_n1_pct(engine, power) for engine, power in powers.items() if power is not None}
        if not own:
            return {}
        typical = middle(np.stack(list(own.values()), axis=1))
        return {engine: np.where(np.isnan(idle), typical, idle) for engine, idle in own.items()}

    # reversers -----------------------------------------------------------------------------------------------------

    def reverser(self, engine: int) -> Reverser:
        """The reverser of an engine that has one."""
        if engine not in self._reversers:
            self._reversers[engine] = find_reverser(self, engine, self.contact)
        return self._reversers[engine]

    @cached_property
    def _reversers(self) -> dict[int, Reverser]:
        return {}

    def reverser_out(self, engine: int) -> Signal | None:
        """The discrete "not stowed" of an engine's reverser, None where no such thing is recorded."""
        return self.reverser(engine).out

    @cached_property
    def unlocked(self) -> Instants:
        """E: reverser leaves stowed."""
        return self.when_per_engine(lambda engine: self.reverser(engine).unlocked)

    @cached_property
    def deployed(self) -> Instants:
        """E: reverser fully deployed."""
        return self.when_per_engine(lambda engine: self.reverser(engine).deployed)

    @cached_property
    def stow_start(self) -> Instants:
        """E: reverser leaves deployed for good."""
        return self.when_per_engine(lambda engine: self.reverser(engine).stow_start)

    @cached_property
    def stowed(self) -> Instants:
        """E: reverser stowed for good."""
        return self.when_per_engine(lambda engine: self.reverser(engine).stowed)

    def did_not(self, when: Instants) -> np.ndarray:
        """True where a step of a reverser is known not to have been taken."""
        sentences = ("reverse was not used", "the reverser was never deployed", "reverser out of use")
        return np.isin(when.why, [self.reason(sentence) for sentence in sentences]) & ~when.happened

    @cached_property
    def reverse_selected(self) -> Instants:
        """E: lever raised into reverse; the reverser unlocking where levers are not recorded."""
        return self.when_per_engine(self._selected)

    def _selected(self, engine: int) -> Instants:
        name = f"reverse_lever.{engine}"
        if not self.has(name):
            return self.reverser(engine).unlocked
        start, unused = self.contact.earliest - REVERSE_AT_ONCE_S, self.reason("reverse was not used")
        raised = crossing(self.signal(name), LEVER_IN_REVERSE, start, rising=True, missing=unused)
        idle = self.out_of_use[:, self.layout.reversers.index(engine)]
        return self._asked(engine, raised).because(idle, self.reason("reverser out of use"))

    def _asked(self, engine: int, raised: Instants) -> Instants:
        """A lever seen to rise well after its reverser had left stowed: at any time from there on."""
        unlocked = self.reverser(engine).unlocked
        late = raised.happened & (unlocked.latest < raised.earliest - UNASKED_S)
        either = self.reason(UNASKED.format(engine))
        sooner = np.minimum(raised.earliest, unlocked.earliest - UNASKED_S)
        open_ = Instants(np.full(self.n, np.nan), sooner, raised.latest, np.full(self.n, either, np.int16))
        return pick(late, open_, raised)

    @cached_property
    def first_selected(self) -> Instants:
        """The first selection of reverse on any engine."""
        found = self.reverse_selected.engine(0)
        for column in range(1, len(self.layout.reversers)):
            found = the_sooner(found, self.reverse_selected.engine(column))
        return found

    def lever_forward(self, engine: int) -> Instants:
        """The thrust lever of an engine going forward of idle, the first time after reverse was selected on any.

        Idle is the lowest that it stood until then: one lever for both ways goes below it in reverse.
        """
        if engine not in self._levers_forward:
            after_s = self.first_selected.latest
            self._levers_forward[engine] = self._lever_forward(engine, after_s, None, final=False)
        return self._levers_forward[engine]

    @cached_property
    def _levers_forward(self) -> dict[int, Instants]:
        return {}

    def _lever_forward(self, engine: int, after_s: np.ndarray, until_s: np.ndarray | None, final: bool) -> Instants:
        name = f"thrust_lever.{engine}"
        if not self.has(name):
            return self.absent_instants(self.not_recorded(name))
        lever, selected = self.signal(name), self.first_selected
        before = lever.valid & ~lever.inside(lever.index_past(selected.latest))
        lowest = np.fmin.reduce(lever.values, axis=1, where=before, initial=np.inf)
        level = np.where(np.isfinite(lowest), lowest + LEVER_FORWARD_DEG, np.nan)
        missing = self.reason("the thrust lever stayed at idle after reverse was selected")
        moved = crossing(lever, level, after_s, until_s, rising=True, missing=missing, final=final)
        return moved.only_after(selected)

    @cached_property
    def reverse_cancelled(self) -> Instants:
        """E: lever back out of reverse for good; the reverser stowed where levers are not recorded."""
        return self.when_per_engine(self._cancelled)

    def _cancelled(self, engine: int) -> Instants:
        name = f"reverse_lever.{engine}"
        if not self.has(name):
            return self.reverser(engine).stowed
        missing = self.reason("the lever was still in reverse at the end of the recording")
        start = self.contact.earliest - REVERSE_AT_ONCE_S
        back = crossing(self.signal(name), LEVER_IN_REVERSE, start, rising=False, final=True, missing=missing)
        return back.only_after(self._selected(engine))

    # flown again after reverse -------------------------------------------------------------------------------------

    @cached_property
    def flown_after_reverse(self) -> np.ndarray:
        """(n,) true where the aeroplane flew again after reverse had been selected."""
        selected, left = self.reverse_selected, self.touchdown.left_ground
        before = (selected.earliest < left.latest[:, None]) & selected.happened
        return np.asarray(before.any(axis=1) & self.went_around)

    @cached_property
    def airborne_again(self) -> Instants:
        """The main gear leaves the ground for good, after reverse had been selected."""
        return self.touchdown.left_ground.where(self.flown_after_reverse, self.reason(NOT_FLOWN))

    @cached_property
    def thrust_forward(self) -> Instants:
        """The last thrust lever goes forward for flying again after reverse.

        Where levers are not recorded, no later than N1 rose, and not before reverse could be put away.
        """
        flown = self.flown_after_reverse
        if not flown.any():
            return self.absent_instants(self.reason(NOT_FLOWN))
        engines = [e for e in range(1, self.layout.engines + 1) if self.has(f"thrust_lever.{e}")]
        begin_s, end_s = self.first_selected.earliest, self.touchdown.left_ground.latest
        moved = [self._lever_forward(engine, begin_s, end_s, final=True) for engine in engines]
        return _the_last(moved or self._power_forward(end_s)).where(flown, self.reason(NOT_FLOWN))

    def _power_forward(self, end_s: np.ndarray) -> list[Instants]:
        """N1 of each engine rising from idle for good after reverse was put away."""
        away = _the_last([self.reverse_cancelled.engine(column) for column in range(len(self.layout.reversers))])
        levers = all(self.has(f"reverse_lever.{engine}") for engine in self.layout.reversers)
        sooner_s = away.earliest if levers else self.first_selected.earliest
        missing = self.reason("thrust levers are not recorded, and N1 does not show when they went forward")
        found = []
        for engine, idle in self.idle.items():
            power = self.power(engine)
            assert power is not None, "idle is known of engines with recorded power alone"
            limit = idle + self.settings.idle_margin_pct
            rose = crossing(power, limit, away.earliest, end_s, rising=True, missing=missing, final=True)
            found.append(replace(rose, earliest=np.fmin(rose.earliest, sooner_s)).only_after(away))
        return found or [self.absent_instants(missing)]

    @cached_property
    def reverse_idle(self) -> Instants:
        """E: N1 back within the idle margin for good after power in reverse; none where reverse was kept at idle."""
        return self.when_per_engine(self._reverse_idle)

    def _reverse_idle(self, engine: int) -> Instants:
        power = self.power(engine)
        if power is None:
            return self.absent_instants(self.not_recorded(f"n1.{engine}"))
        deployed, back_s = self.reverser(engine).deployed, self.reverser(engine).back_s
        limit = self.idle[engine] + self.settings.idle_margin_pct
        until = np.where(np.isnan(back_s), self.record_end, back_s)  # after that it is taxi power
        missing = self.reason("N1 never came back to idle reverse in this recording")
        found = crossing(power, limit, deployed.earliest, until, rising=False, final=True, missing=missing)
        begin, end = power.index_from(deployed.earliest), power.index_past(until)
        highest = np.fmax.reduce(power.values, axis=1, where=power.inside(begin, end), initial=-np.inf)
        above = highest > limit
        reverser, lever = self.reverser(engine), self._at_rest(engine)
        kept, untold = ran_down(power, limit, until, found, reverser, self._selected(engine), lever)
        idle, open_ = self.reason(KEPT_AT_IDLE), self.reason(RAN_DOWN_OR_POWER)
        found = found.where(above, missing).because(~above, idle)
        found = found.where(~(above & kept), idle).where(~(above & untold), open_)
        unknown = self.reason(f"idle reverse of engine {engine} is not known")
        return found.where(~np.isnan(limit), unknown).only_after(deployed)

    def _at_rest(self, engine: int) -> LeverAtRest | None:
        """What an engine's reverse lever did while it was in reverse, None where none is recorded."""
        name = f"reverse_lever.{engine}"
        if not self.has(name):
            return None
        return lever_at_rest(self.signal(name), self._selected(engine), self._cancelled(engine), self.record_end)

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
            "thrust_forward": self.thrust_forward,
            "airborne_again": self.airborne_again,
        }


def _the_last(times: list[Instants]) -> Instants:
    """The last of some instants."""
    return reduce(the_later, times)


def _lowest(values: np.ndarray) -> np.ndarray:
    """Lowest along rows; NaN for rows without a number."""
    return np.asarray(np.fmin.reduce(values, axis=1))


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
