"""Measures of engine power while reversers are out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import reduce

import numpy as np

from fdm.bounded import FINE, Bounded, Instants, choose, largest, the_later, the_sooner
from fdm.measures.catalogue import measure
from fdm.signal import Signal, pick_column
from fdm.steps import Rollout
from fdm.windows import highest, interpolate, time_above, value_at

NEEDS = ("n1.N|epr.N", "reverser_state.N|reverser_deployed.N", "ground_speed")


@measure(unit="kt", needs=NEEDS, per_engine=True)
def reverse_idle_speed_kt(batch: Rollout) -> Bounded:
    """Ground speed when N1 came back within the idle margin for good, the reverser still out."""
    if not batch.has("ground_speed"):
        return _each(batch, lambda _column, _engine: batch.absent(batch.not_recorded("ground_speed")))
    gap = batch.reason("ground speed has a gap there")
    return _each(
        batch, lambda column, _: value_at(batch.signal("ground_speed"), batch.reverse_idle.engine(column), missing=gap)
    )


@measure(unit="%", needs=NEEDS, per_engine=True)
def n1_above_idle_below_60kt_pct(batch: Rollout) -> Bounded:
    """Highest N1 above idle reverse while the reverser was deployed below the speed at which reverse is reduced."""
    return _each(batch, lambda column, engine: _excess(batch, column, engine, batch.reduce_speed))


@measure(unit="%", needs=NEEDS, per_engine=True)
def n1_above_idle_below_taxi_pct(batch: Rollout) -> Bounded:
    """Highest N1 above idle reverse while the reverser was deployed below taxi speed."""
    return _each(batch, lambda column, engine: _excess(batch, column, engine, batch.taxi_speed))


@measure(unit="s", needs=NEEDS, per_engine=True)
def high_reverse_below_taxi_s(batch: Rollout) -> Bounded:
    """Time N1 was above idle reverse by more than the margin while the reverser was deployed below taxi speed."""
    return _each(batch, lambda column, engine: _high_time(batch, column, engine))


@measure(unit="%", needs=NEEDS[:2], per_engine=True)
def n1_above_idle_at_stow_pct(batch: Rollout) -> Bounded:
    """N1 above idle reverse when the reverser began to stow."""

    def one(column: int, engine: int) -> Bounded:
        if engine not in batch.idle:
            return batch.absent(batch.not_recorded(f"n1.{engine}"))
        gap = batch.reason(f"N1 of engine {engine} has a gap there")
        value = value_at(power_of(batch, engine), batch.stow_start.engine(column), missing=gap)
        return _above_idle(batch, value, engine)

    return _each(batch, one)


@measure(unit="s", needs=("n1.N|epr.N", "reverser_state.N|reverser_deployed.N"))
def forward_power_with_reverser_out_s(batch: Rollout) -> Bounded:
    """Longest time one engine, its reverser stowed, ran above idle while another's reverser was deployed.

    Where the engine came down to idle within 4 s of that, its approach power was running down, and is not counted.
    """
    if not batch.layout.reversers:
        return batch.absent(batch.reason("no engine has a reverser"))
    if not batch.idle:
        return batch.absent(batch.not_recorded("n1"))
    return largest([_forward_power(batch, engine) for engine in batch.idle])


IDLE_DOUBT_PCT = 0.3  # half-width of the idle itself
SPOOL_DOWN_S = 4.0  # approach power may still run down this long after the first reverser deploys


def _forward_power(batch: Rollout, engine: int) -> Bounded:
    """Time above idle of an engine in forward thrust, while any other reverser was deployed."""
    others = [c for c, number in enumerate(batch.layout.reversers) if number != engine]
    nobody = batch.absent(batch.reason("no other engine has a reverser"))
    if not others:
        return nobody.or_zero(np.ones(batch.n, bool))
    start, unused, unknown = _first_deployed(batch, others)
    end = _last_stow(batch, others)
    if engine in batch.layout.reversers:
        own = batch.unlocked.engine(batch.layout.reversers.index(engine))
        unknown = np.where(own.happened | batch.did_not(own), unknown, own.why)
        end = the_sooner(end, own)
    begin, power = start.later(SPOOL_DOWN_S), power_of(batch, engine)
    limit = batch.idle[engine] + batch.settings.idle_margin_pct
    unsure = batch.reason(f"idle reverse of engine {engine} is not known")
    later = time_above(power, limit, begin, end, missing=unsure)
    at_first = time_above(power, limit, start, the_sooner(begin, end), missing=unsure)
    ran_down = at_first.value < SPOOL_DOWN_S - 0.1
    above = choose(ran_down, later, time_above(power, limit, start, end, missing=unsure))
    return above.or_zero(unused | (end.latest <= begin.earliest)).where(unknown == FINE, unknown)


def power_of(batch: Rollout, engine: int) -> Signal:
    """Power of an engine that `batch.idle` lists."""
    power = batch.power(engine)
    assert power is not None, "asked only of engines in batch.idle"
    return power


def _first_deployed(batch: Rollout, columns: list[int]) -> tuple[Instants, np.ndarray, np.ndarray]:
    """When the first of some reversers deployed, where certainly none did, and codes of why it is not known."""
    each = [batch.deployed.engine(column) for column in columns]
    soonest, unused = each[0], batch.did_not(each[0])
    unknown = np.where(each[0].happened | unused, FINE, each[0].why)
    for other in each[1:]:
        soonest = the_sooner(soonest, other)
        not_this = batch.did_not(other)
        unused &= not_this
        unknown = np.where(other.happened | not_this | (unknown != FINE), unknown, other.why)
    return soonest, unused, np.where(soonest.happened, FINE, unknown).astype(np.int16)


def _last_stow(batch: Rollout, columns: list[int]) -> Instants:
    """When the last of some reversers left deployed, or the end of the data."""
    last = _stow_or_end(batch, columns[0])
    for column in columns[1:]:
        last = the_later(last, _stow_or_end(batch, column))
    return last


def _stow_or_end(batch: Rollout, column: int) -> Instants:
    """When a reverser left deployed; the end of the data where it had not; missing where it never was."""
    stow, deployed = batch.stow_start.engine(column), batch.deployed.engine(column)
    return stow.or_else(batch.end).only_after(deployed)


@measure(unit="%", needs=("n1.N|epr.N", "reverser_state.N|reverser_deployed.N"))
def reverse_power_split_pct(batch: Rollout) -> Bounded:
    """Mean N1 difference between mirror engines over the time both reversers were deployed, worst pair."""
    if not batch.mirror_pairs:
        return batch.absent(batch.reason("no two engines with reversers mirror each other"))
    aside = batch.reason("both reversers were never deployed together")
    return largest([_power_split(batch, left, right, aside) for left, right in batch.mirror_pairs], aside=[aside])


ENDS_S = 2.0  # samples of power may end so long before reverse does


def _power_split(batch: Rollout, left: int, right: int, aside: int) -> Bounded:
    numbers = batch.layout.reversers[left], batch.layout.reversers[right]
    if any(number not in batch.idle for number in numbers):
        return batch.absent(batch.not_recorded("n1"))
    a, b = batch.deployed.engine(left), batch.deployed.engine(right)
    start, end = both_deployed(batch, left, right)
    signals = [power_of(batch, number) for number in numbers]
    to_s = reduce(np.minimum, [_near_the_end(signal, end.best) for signal in signals])
    means = [mean_between(signal, start.best, to_s) for signal in signals]
    value = np.abs(means[0] - means[1])
    slack = sum(_mean_slack(signal, mean, start, end) for signal, mean in zip(signals, means, strict=True))
    found = (start.why == FINE) & (end.why == FINE) & (end.best > start.best) & ~np.isnan(value)
    apart = batch.did_not(a) | batch.did_not(b) | (end.best <= start.best)
    why = np.where(apart, aside, np.where(start.why != FINE, start.why, batch.reason("N1 has a gap in reverse")))
    plain = Bounded(value, np.maximum(value - slack, 0), value + slack, np.zeros(batch.n, np.int16), start.best)
    return plain.where(found, why)


def both_deployed(batch: Rollout, left: int, right: int) -> tuple[Instants, Instants]:
    """The time two reversers were deployed together; missing where one never was. Its end may come before its start."""
    a, b = batch.deployed.engine(left), batch.deployed.engine(right)
    start = the_later(a, b).only_after(a).only_after(b)
    return start, the_sooner(_stow_or_end(batch, left), _stow_or_end(batch, right))


def mean_between(signal: Signal, from_s: np.ndarray, to_s: np.ndarray) -> np.ndarray:
    """(n,) mean of a value run straight between samples; NaN across a long gap."""
    v = signal.bridged
    area = np.concatenate(
        [np.zeros((len(v), 1)), np.cumsum((v[:, 1:] + v[:, :-1]) / 2 * signal.step_s, axis=1)], axis=1
    )

    def upto(time_s: np.ndarray) -> np.ndarray:
        left = np.nan_to_num((time_s - signal.start_s) / signal.step_s).astype(np.int64)
        ahead_s = time_s - signal.time(left)
        return pick_column(area, left) + (pick_column(v, left) + interpolate(signal, time_s)) / 2 * ahead_s

    with np.errstate(invalid="ignore", divide="ignore"):
        return (upto(to_s) - upto(from_s)) / (to_s - from_s)


def _near_the_end(signal: Signal, end_s: np.ndarray) -> np.ndarray:
    """(n,) an instant, or the last sample where that comes a little before it; NaN where samples end long before."""
    last_s = signal.time(signal.last_column)
    return np.where(end_s - last_s > ENDS_S + signal.step_s, np.nan, np.minimum(end_s, last_s))


def _mean_slack(signal: Signal, mean: np.ndarray, start: Instants, end: Instants) -> np.ndarray:
    """How far a mean may be off: tolerance, the window's own bounds, and bends between samples."""
    long_s = np.maximum(end.best - start.best, signal.step_s)
    ends = [
        (when.latest - when.earliest) / 2 * np.abs(interpolate(signal, when.best) - mean) / long_s
        for when in (start, end)
    ]
    v = signal.bridged
    bend = np.abs(v[:, 2:] - 2 * v[:, 1:-1] + v[:, :-2]) / 8
    columns = signal.columns[1:-1]
    inside = (columns >= signal.index_from(start.best)[:, None]) & (columns < signal.index_past(end.best)[:, None])
    bends = np.where(inside & ~np.isnan(bend), bend, 0).sum(axis=1) * signal.step_s / long_s
    return signal.tolerance + np.nan_to_num(ends[0]) + np.nan_to_num(ends[1]) + bends


@measure(unit="s", needs=("autothrottle_engaged", "reverse_lever.N|reverser_state.N|reverser_unlocked.N"))
def autothrottle_in_reverse_s(batch: Rollout) -> Bounded:
    """Time the autothrottle stayed engaged after reverse had been selected."""
    if not batch.has("autothrottle_engaged"):
        return batch.absent(batch.not_recorded("autothrottle_engaged"))
    if not batch.layout.reversers:
        return batch.absent(batch.reason("no engine has a reverser"))
    gap = batch.reason("autothrottle_engaged has a gap in the rollout")
    return time_above(batch.signal("autothrottle_engaged"), 0.5, batch.first_selected, batch.end, missing=gap)


def _excess(batch: Rollout, column: int, engine: int, start: Instants) -> Bounded:
    """Highest N1 above idle from a speed until the reverser leaves deployed."""
    if engine not in batch.idle:
        return batch.absent(batch.not_recorded(f"n1.{engine}"))
    window_start, window_end, none = _deployed_below(batch, column, start)
    missing = batch.reason("the reverser was not deployed below that speed")
    value = highest(power_of(batch, engine), window_start, window_end, missing=missing)
    above = _above_idle(batch, value.where(~none, missing), engine)
    return perhaps_none(above, window_start, window_end, missing)


def perhaps_none(value: Bounded, start: Instants, end: Instants, missing: int) -> Bounded:
    """A value of a window that may be empty has no lower bound; where it probably is empty, no best value."""
    perhaps, probably = end.earliest <= start.latest, (end.best <= start.best) & (value.why == FINE)
    lower = np.where(perhaps & value.bounded, -np.inf, value.lower)
    best, why = np.where(probably, np.nan, value.value), np.where(probably, np.int16(missing), value.why)
    return replace(value, value=best, lower=lower, why=why)


def _high_time(batch: Rollout, column: int, engine: int) -> Bounded:
    if engine not in batch.idle:
        return batch.absent(batch.not_recorded(f"n1.{engine}"))
    start, end, none = _deployed_below(batch, column, batch.taxi_speed)
    limit = batch.idle[engine] + batch.settings.idle_margin_pct
    unknown = batch.reason(f"idle reverse of engine {engine} is not known")
    return time_above(power_of(batch, engine), limit, start, end, missing=unknown).or_zero(none)


def _deployed_below(batch: Rollout, column: int, start: Instants) -> tuple[Instants, Instants, np.ndarray]:
    """The window below a speed with a reverser deployed, and where there certainly is none."""
    deployed = batch.deployed.engine(column)
    end = _stow_or_end(batch, column)
    none = batch.did_not(deployed) | (end.latest < start.earliest)
    begin = the_later(start, deployed).only_after(start).only_after(deployed)
    return begin, end, none


def _above_idle(batch: Rollout, value: Bounded, engine: int) -> Bounded:
    idle = batch.idle[engine]
    unknown = batch.reason(f"idle reverse of engine {engine} is not known")
    above = value.map(lambda x: x - idle).where(~np.isnan(idle), unknown)
    return replace(above, lower=above.lower - IDLE_DOUBT_PCT, upper=above.upper + IDLE_DOUBT_PCT)


def _each(batch: Rollout, ask: Callable[[int, int], Bounded]) -> Bounded:
    return batch.per_engine(lambda engine: ask(batch.layout.reversers.index(engine), engine))
