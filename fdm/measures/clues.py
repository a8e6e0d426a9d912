"""Clues: what else was going on, from which the origin of an event is argued. No rule judges them by default."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from fdm.bounded import FINE, Bounded, Instants, exactly
from fdm.held import in_or_out, in_or_out_unseen
from fdm.idle_reverse import RUN_DOWN_S
from fdm.measures.catalogue import measure
from fdm.measures.power import perhaps_none, power_of
from fdm.measures.reversers import never_deployed
from fdm.signal import Signal, changes
from fdm.steps import Rollout
from fdm.windows import highest, interpolate, value_at

FLAG_AFTER_S = 15.0  # a control-system fault counts as a clue until this long after contact
HYDRAULIC_AFTER_S = 3.0  # ... and hydraulic pressure is watched this long after selection where nothing deployed


def _ever_true(batch: Rollout, signal: Signal, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
    inside = signal.inside(signal.index_from(from_s), signal.index_from(to_s))
    return np.asarray(((signal.values == 1) & inside).any(axis=1))


@measure(unit="count", needs=("reverser_fault.N",), per_engine=True)
def reverser_fault_flagged(batch: Rollout) -> Bounded:
    """1 where the reverser's control-system fault was flagged on approach or in the first 15 s after contact."""

    def one(engine: int) -> Bounded:
        name = f"reverser_fault.{engine}"
        if not batch.has(name):
            return batch.absent(batch.not_recorded(name))
        flagged = _ever_true(batch, batch.signal(name), batch.record_start, batch.contact.best + FLAG_AFTER_S)
        return batch.exactly(flagged.astype(float))

    return batch.per_engine(one)


@measure(unit="count", needs=("reverse_lever.N",), per_engine=True)
def lever_recorded(batch: Rollout) -> Bounded:
    """1 where the reverse lever of the engine is recorded, so that selection is the lever's and not the sleeve's."""
    return batch.per_engine(lambda engine: batch.exactly(np.full(batch.n, float(batch.has(f"reverse_lever.{engine}")))))


@measure(unit="fraction", needs=("hydraulic_pressure.left|hydraulic_pressure.right",), per_engine=True)
def hydraulic_share_in_transit(batch: Rollout) -> Bounded:
    """Lowest hydraulic pressure of the engine's side while its reverser moved, as a share of that before contact."""

    def one(engine: int) -> Bounded:
        name = f"hydraulic_pressure.{'left' if engine <= batch.layout.engines / 2 else 'right'}"
        if not batch.has(name):
            return batch.absent(batch.not_recorded(name))
        signal, column = batch.signal(name), batch.layout.reversers.index(engine)
        start = batch.reverse_selected.engine(column)
        deployed = batch.deployed.engine(column)
        end = np.where(deployed.why == FINE, deployed.latest, start.latest + HYDRAULIC_AFTER_S)
        upside_down = replace(signal, values=-signal.values)
        gap = batch.reason("no hydraulic pressure sample while the reverser moved")
        lowest = highest(upside_down, start, exactly(end), missing=gap)
        before = highest(signal, exactly(batch.contact.best - 10.0), exactly(batch.contact.best), missing=gap)
        usual = np.where(before.value > 0, before.value, np.nan)
        share = Bounded(-lowest.value / usual, -lowest.upper / usual, -lowest.lower / usual, lowest.why, lowest.at)
        return share.where(~np.isnan(usual) | (lowest.why != FINE), gap)

    return batch.per_engine(one)


@measure(unit="%", needs=("n1.N|epr.N", "reverser_state.N|reverser_deployed.N"), per_engine=True)
def n1_above_idle_not_deployed_pct(batch: Rollout) -> Bounded:
    """Highest N1 above idle in reverse with the reverser never read as deployed; an interlock forbids that."""

    def one(engine: int) -> Bounded:
        column = batch.layout.reversers.index(engine)
        if engine not in batch.idle:
            return batch.absent(batch.not_recorded(f"n1.{engine}"))
        selected, deployed = batch.reverse_selected.engine(column), batch.deployed.engine(column)
        never = batch.reason("the reverser was never deployed")
        held = np.isin(deployed.why, [never]) & (selected.why == FINE)
        start, end = selected.later(RUN_DOWN_S), exactly(in_reverse_until_s(batch, engine))
        missing = batch.reason("the reverser did deploy, or was not selected")
        value = highest(power_of(batch, engine), start, end, missing=missing)
        idle = batch.idle[engine]
        above = value.map(lambda x: x - idle).where(held & ~np.isnan(idle), missing)
        return _of_a_window(batch, above, start, end)

    return batch.per_engine(one)


def in_reverse_until_s(batch: Rollout, engine: int) -> np.ndarray:
    """(n,) until when an engine's power may be reverse power: its lever put back, or its thrust lever forward."""
    cancelled = batch.reverse_cancelled.engine(batch.layout.reversers.index(engine))
    back_s = np.where(cancelled.happened, cancelled.earliest, batch.record_end)
    return np.fmin(back_s, batch.lever_forward(engine).earliest)


def _of_a_window(batch: Rollout, value: Bounded, start: Instants, end: Instants) -> Bounded:
    """A value of a time in reverse that may have been over before it began."""
    over = batch.reason("reverse was over before the power of the approach had run down")
    return perhaps_none(value, start, end, over).where(~(end.latest <= start.earliest), over)


@measure(unit="%", needs=("n1.N|epr.N", "reverse_lever.N", "reverser_state.N|reverser_deployed.N"), per_engine=True)
def n1_rise_before_deployed_pct(batch: Rollout) -> Bounded:
    """Rise of N1 with the lever in reverse, before the reverser read deployed; an interlock forbids that."""

    def one(engine: int) -> Bounded:
        column, power = batch.layout.reversers.index(engine), batch.power(engine)
        if not batch.has(f"reverse_lever.{engine}") or power is None:
            return batch.absent(batch.not_recorded(f"reverse_lever.{engine}", f"n1.{engine}"))
        selected, deployed = batch.reverse_selected.engine(column), batch.deployed.engine(column)
        end_s = np.fmin(deployed.earliest, in_reverse_until_s(batch, engine))
        inside = power.inside(power.index_from(selected.latest), power.index_past(end_s))
        n1_pct = np.where(inside, power.values, np.float32(np.nan))
        rise = np.fmax.reduce(n1_pct - np.fmin.accumulate(n1_pct, axis=1), axis=1)
        asked = deployed.happened & selected.happened & ~np.isnan(rise)
        return batch.exactly(rise).where(asked, batch.reason("reverse was not selected well before deployed was read"))

    return batch.per_engine(one)


@measure(unit="deg", needs=("thrust_lever.N",), per_engine=True)
def thrust_lever_forward_deg(batch: Rollout) -> Bounded:
    """How far the forward thrust lever stood above its lowest position, from 1 s after contact to taxi speed."""

    def one(engine: int) -> Bounded:
        name = f"thrust_lever.{engine}"
        if not batch.has(name):
            return batch.absent(batch.not_recorded(name))
        missing = batch.reason(f"no sample of {name} in the rollout")
        signal = batch.signal(name)
        most = highest(signal, batch.contact.later(1.0), batch.to_taxi_speed, missing=missing)
        lowest = np.nanmin(np.where(signal.valid, signal.values, np.inf), axis=1)
        return most.map(lambda x: x - lowest).where(np.isfinite(lowest), missing)

    return batch.per_engine(one)


@measure(unit="s", needs=("spoiler_panel|spoiler_handle", "reverse_lever.N|reverser_state.N|reverser_unlocked.N"))
def reverse_to_spoilers_s(batch: Rollout) -> Bounded:
    """From the first selection of reverse to the spoilers beginning to move; short when reverse drove them up."""
    if not batch.layout.reversers:
        return batch.absent(batch.reason("no engine has a reverser"))
    return batch.spoilers_moving - batch.first_selected


@measure(unit="fraction", needs=("spoiler_handle",))
def spoiler_handle_max(batch: Rollout) -> Bounded:
    """Highest position of the spoiler handle between contact and taxi speed."""
    if not batch.has("spoiler_handle"):
        return batch.absent(batch.not_recorded("spoiler_handle"))
    missing = batch.reason("no spoiler handle sample in the rollout")
    return highest(batch.signal("spoiler_handle"), batch.contact, batch.to_taxi_speed, missing=missing)


@measure(unit="fraction", needs=("spoiler_handle",))
def spoiler_handle_when_retracted(batch: Rollout) -> Bounded:
    """Position of the spoiler handle 2 s after the spoilers left the extended range for good."""
    if not batch.has("spoiler_handle"):
        return batch.absent(batch.not_recorded("spoiler_handle"))
    gap = batch.reason("spoiler_handle has a gap there")
    return value_at(batch.signal("spoiler_handle"), batch.spoilers_retracted.later(HANDLE_AFTER_S), missing=gap)


HANDLE_AFTER_S = 2.0  # common practice, no source


@measure(unit="count", needs=("spoiler_panel|spoiler_handle",))
def spoilers_on_their_way(batch: Rollout) -> Bounded:
    """1 where a landing's samples show spoilers elsewhere than in or out, so that it is no discrete."""
    if batch.spoilers is None:
        return batch.absent(batch.not_recorded("spoiler_panel", "spoiler_handle"))
    return batch.exactly((~in_or_out(batch.spoilers.values)).astype(float))


@measure(unit="count", needs=("spoiler_panel|spoiler_handle",))
def spoilers_out_unseen(batch: Rollout) -> Bounded:
    """1 where spoilers that read in or out alone were out late, with nothing felt: perhaps the recorder held them."""
    if batch.spoilers is None:
        return batch.absent(batch.not_recorded("spoiler_panel", "spoiler_handle"))
    return batch.exactly(in_or_out_unseen(batch.block, batch.spoilers.name).astype(float))


@measure(unit="count", needs=("spoiler_panel|spoiler_handle",))
def spoiler_sensor_unproven(batch: Rollout) -> Bounded:
    """1 where nothing recorded tells spoilers that did not come up from a sensor that is wrong; set by the tail."""
    if batch.spoilers is None:
        return batch.absent(batch.not_recorded("spoiler_panel", "spoiler_handle"))
    return batch.exactly(np.zeros(batch.n))


@measure(unit="g", needs=("longitudinal_acceleration",))
def deceleration_rise_g(batch: Rollout) -> Bounded:
    """Rise of deceleration from before contact to 1.5 to 2.5 s after settled contact, when a lift dump is felt."""
    name = "longitudinal_acceleration"
    if not batch.has(name):
        return batch.absent(batch.not_recorded(name))
    before, after = (
        _mean_between(batch.signal(name), when.best, *window)
        for when, window in ((batch.contact, BEFORE_CONTACT_S), (batch.settled, LIFT_DUMP_S))
    )
    told = ~np.isnan(before - after) & changes(batch.signal(name).values)
    return batch.exactly(before - after).where(told, batch.reason(f"a gap in {name}, or it never changes"))


def _mean_between(signal: Signal, at_s: np.ndarray, from_s: float, to_s: float) -> np.ndarray:
    """(n,) mean of the samples of a stretch after some times; NaN where one is missing or there is none."""
    inside = signal.inside(signal.index_from(at_s + from_s), signal.index_from(at_s + to_s))
    count = np.where(inside.any(axis=1), inside.sum(axis=1), np.nan)
    return np.asarray(np.where(inside, signal.values, 0.0).sum(axis=1) / count)


BEFORE_CONTACT_S, LIFT_DUMP_S = (-2.0, -0.5), (1.5, 2.5)  # common practice, no source


@measure(unit="count", needs=("autobrake_active",))
def autobrake_in_rollout(batch: Rollout) -> Bounded:
    """1 where the autobrake was active at any time between contact and 60 kt."""
    if not batch.has("autobrake_active"):
        return batch.absent(batch.not_recorded("autobrake_active"))
    until = batch.reduce_speed.or_else(batch.end)
    active = _ever_true(batch, batch.signal("autobrake_active"), batch.contact.earliest, until.latest)
    return batch.exactly(active.astype(float))


@measure(unit="%", needs=("n1.N|epr.N", "reverser_state.N|reverser_deployed.N"), per_engine=True)
def n1_above_idle_mirror_out_pct(batch: Rollout) -> Bounded:
    """Highest N1 above idle while another's reverser was deployed; behind a dead discrete, normal reverse power."""

    def one(engine: int) -> Bounded:
        if engine not in batch.idle:
            return batch.absent(batch.not_recorded(f"n1.{engine}"))
        others = [column for column, number in enumerate(batch.layout.reversers) if number != engine]
        missing = batch.reason("no other reverser was deployed")
        if not others:
            return batch.absent(missing)
        start, stow = batch.deployed.engine(others[0]).later(5.0), batch.stow_start.engine(others[0])
        end = stow.map(lambda x: np.minimum(x, np.nan_to_num(batch.lever_forward(engine).earliest, nan=np.inf)))
        value = highest(power_of(batch, engine), start, end, missing=missing)
        idle = batch.idle[engine]
        return _of_a_window(batch, value.map(lambda x: x - idle).where(~np.isnan(idle), missing), start, end)

    return batch.per_engine(one)


@measure(unit="%", needs=("n1.N|epr.N", "reverser_state.N|reverser_deployed.N"), per_engine=True)
def n1_above_idle_other_reversing_pct(batch: Rollout) -> Bounded:
    """Highest N1 above idle in reverse of the other engines, where this one's reverser never read deployed.

    With power on the others and none here, an interlock held this one back: its reverser truly did not deploy.
    """

    def one(engine: int) -> Bounded:
        missing = batch.reason("the reverser did deploy, or no other engine was in reverse")
        rows = np.flatnonzero(never_deployed(batch)[:, batch.layout.reversers.index(engine)])
        others = [number for number in batch.layout.reversers if number != engine and number in batch.idle]
        value = np.full(batch.n, np.nan)
        for number in others if len(rows) else ():
            value[rows] = np.fmax(value[rows], _reverse_power(batch, number, rows, missing))
        return batch.exactly(value).where(~np.isnan(value), missing)

    return batch.per_engine(one)


def _reverse_power(batch: Rollout, engine: int, rows: np.ndarray, missing: int) -> np.ndarray:
    """(rows,) highest N1 above idle of an engine from 5 s after its lever was raised until it was put back."""
    column = batch.layout.reversers.index(engine)
    start = batch.reverse_selected.engine(column).later(RUN_DOWN_S).rows(rows)
    end = exactly(in_reverse_until_s(batch, engine)[rows])
    n1_pct = highest(power_of(batch, engine).rows(rows), start, end, missing=missing).value
    return np.where(end.best > start.best, n1_pct - batch.idle[engine][rows], np.nan)


@measure(unit="count", needs=("reverser_state.N",), per_engine=True)
def state_in_transit(batch: Rollout) -> Bounded:
    """1 where a reverser's state read in transit after contact: its discrete lives, whatever else it reads."""

    def one(engine: int) -> Bounded:
        if not batch.has(f"reverser_state.{engine}"):
            return batch.absent(batch.not_recorded(f"reverser_state.{engine}"))
        unlocked = batch.unlocked.engine(batch.layout.reversers.index(engine))
        return batch.exactly(unlocked.happened.astype(float))

    return batch.per_engine(one)


@measure(unit="count", needs=("n1.N|epr.N", "reverser_state.N|reverser_deployed.N"), per_engine=True)
def power_like_anothers(batch: Rollout) -> Bounded:
    """1 where N1 rose from idle and fell with another engine's in reverse, and this reverser never read deployed.

    Nobody moves a lever forward so; where the reverse lever is recorded, that tells, and this is 0.
    """
    engines = batch.layout.reversers
    found = np.zeros((batch.n, len(engines)))
    for silent, out in itertools.permutations(range(len(engines)), 2):
        lever = batch.has(f"reverse_lever.{engines[silent]}")
        if not lever and engines[silent] in batch.idle and engines[out] in batch.idle:
            pushed = batch.lever_forward(engines[silent]).earliest < batch.stow_start.latest[:, out]
            rows = np.flatnonzero(never_deployed(batch)[:, silent] & batch.deployed.happened[:, out] & ~pushed)
            found[rows, silent] += _follows(batch, engines[silent], engines[out], out, rows)

    def told(engine: int) -> Bounded:
        if engine not in batch.idle:
            return batch.absent(batch.not_recorded(f"n1.{engine}"))
        return batch.exactly(np.minimum(found[:, engines.index(engine)], 1))

    return batch.per_engine(told)


def _follows(batch: Rollout, silent: int, out: int, column: int, rows: np.ndarray) -> np.ndarray:
    """(rows,) whether an engine's N1 was the other's from its deployment to its stow, and rose in between."""
    start_s, stow_s = batch.deployed.best[rows, column], batch.stow_start.best[rows, column]
    share = np.linspace(0, 1, FOLLOWS_POINTS)
    signals = [power_of(batch, engine).rows(rows) for engine in (silent, out)]
    own, others = (np.stack([interpolate(n1, start_s + (stow_s - start_s) * at) for at in share]) for n1 in signals)
    above = own - batch.idle[silent][rows]
    with np.errstate(invalid="ignore"):
        apart = np.abs(own - others)
        alike = (apart.mean(axis=0) < FOLLOWS_PCT) & (apart.max(axis=0) < EVER_APART_PCT)
        return np.asarray(alike & (above[0] < REVERSE_POWER_PCT) & (above.max(axis=0) > ROSE_PCT))


FOLLOWS_PCT, EVER_APART_PCT, ROSE_PCT, FOLLOWS_POINTS = 4.0, 12.0, 15.0, 25  # common practice, no source


@measure(unit="count", needs=("n1.N|epr.N", "reverse_lever.N", "reverser_state.N|reverser_deployed.N"), per_engine=True)
def power_on_the_wrong_side(batch: Rollout) -> Bounded:
    """1 where N1 rose before the reverser was out, and the mirror engine's, whose reverser was out, stayed at idle.

    Both levers raised: an interlock does not allow that, so N1 or the reversers are in each other's columns.
    """
    found = np.zeros((batch.n, len(batch.layout.reversers)))
    for pair in batch.mirror_pairs:
        for late, early in (pair, pair[::-1]):
            rows = _apart(batch, late, early)
            if len(rows):
                found[rows, late] = _wrong_way_round(batch, late, early, rows)

    def told(engine: int) -> Bounded:
        if not batch.has(f"reverse_lever.{engine}") or engine not in batch.idle:
            return batch.absent(batch.not_recorded(f"reverse_lever.{engine}", f"n1.{engine}"))
        return batch.exactly(found[:, batch.layout.reversers.index(engine)])

    return batch.per_engine(told)


def _apart(batch: Rollout, late: int, early: int) -> np.ndarray:
    """Rows on which both levers were raised, and one reverser of a pair was out well before the other, or alone."""
    numbers = [batch.layout.reversers[column] for column in (late, early)]
    if not all(batch.has(f"reverse_lever.{n}") and n in batch.idle for n in numbers):
        return np.zeros(0, np.int64)
    asked = batch.reverse_selected.happened[:, [late, early]].all(axis=1)
    first_s, second = batch.deployed.best[:, early], batch.deployed.engine(late)
    alone = never_deployed(batch)[:, late] | (second.best > first_s + APART_S)
    return np.flatnonzero(asked & ~np.isnan(first_s) & alone)


def _wrong_way_round(batch: Rollout, late: int, early: int, rows: np.ndarray) -> np.ndarray:
    """(rows,) whether N1 rose on the engine whose reverser was not out, and not on the other."""
    first, second = (batch.deployed.engine(column).rows(rows) for column in (early, late))
    start = first.later(SPOOL_UP_S)
    stow_s = in_reverse_until_s(batch, batch.layout.reversers[early])[rows]
    stow_s = np.fmin(stow_s, batch.lever_forward(batch.layout.reversers[late]).earliest[rows])
    end = exactly(np.fmin(np.where(second.why == FINE, second.earliest, np.inf), stow_s))
    missing = batch.reason("not apart")
    above = []
    for column in (late, early):
        engine = batch.layout.reversers[column]
        value = highest(power_of(batch, engine).rows(rows), start, end, missing=missing).value
        above.append(value - batch.idle[engine][rows])
    return (above[0] > REVERSE_POWER_PCT) & (above[1] < AT_IDLE_PCT)


APART_S, SPOOL_UP_S = 3.0, 1.5  # common practice, no source
REVERSE_POWER_PCT, AT_IDLE_PCT = 8.0, 3.0
