"""Measures of engine power while reversers are out."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fdm.bounded import FINE, Bounded, Instants, both_why, merge, worse_of
from fdm.measures.catalogue import measure
from fdm.steps import Rollout
from fdm.windows import highest, time_above, value_at

NEEDS = ("n1.N", "reverser_state.N|reverser_deployed.N", "ground_speed")


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
        value = value_at(batch.signal(f"n1.{engine}"), batch.stow_start.engine(column), missing=gap)
        return _above_idle(batch, value, engine)

    return _each(batch, one)


@measure(unit="s", needs=("n1.N", "reverser_state.N|reverser_deployed.N"))
def forward_power_with_reverser_out_s(batch: Rollout) -> Bounded:
    """Longest time one engine, its reverser stowed, ran above idle while another's reverser was deployed."""
    if not batch.layout.reversers:
        return batch.absent(batch.reason("no engine has a reverser"))
    engines = [engine for engine in range(1, batch.layout.engines + 1) if engine in batch.idle]
    if not engines:
        return batch.absent(batch.not_recorded("n1"))
    return _worst([_forward_power(batch, engine) for engine in engines])


def _forward_power(batch: Rollout, engine: int) -> Bounded:
    """Time above idle of an engine in forward thrust, while any other reverser was deployed."""
    others = [c for c, number in enumerate(batch.layout.reversers) if number != engine]
    none = batch.reason("no other engine has a reverser")
    if not others:
        return batch.absent(none).or_zero(np.ones(batch.n, bool))
    start = _soonest(batch, [batch.deployed.engine(c) for c in others])
    end = _latest_stow(batch, others)
    unused = start.why != FINE
    if engine in batch.layout.reversers:
        column = batch.layout.reversers.index(engine)
        end = _until(end, batch.unlocked.engine(column))
    settled = start.later(SPOOL_DOWN_S)
    limit = batch.idle[engine] + batch.settings.idle_margin_pct
    gap = batch.reason(f"N1 of engine {engine} has a gap in the rollout")
    above = time_above(batch.signal(f"n1.{engine}"), limit, settled, end, missing=gap)
    known = ~np.isnan(batch.idle[engine])
    return above.or_zero(unused | ~(end.latest > settled.earliest)).where(
        known | unused, batch.reason(f"idle reverse of engine {engine} is not known")
    )


SPOOL_DOWN_S = 4.0  # approach power may still run down this long after the first reverser deploys


def _soonest(batch: Rollout, instants: list[Instants]) -> Instants:
    never = batch.reason("no other reverser was deployed")
    soonest = instants[0].map(lambda x: np.where(np.isnan(x), np.inf, x))
    for other in instants[1:]:
        soonest = merge(np.fmin, soonest, other, soonest.why)
    return Instants(soonest.best, soonest.earliest, soonest.latest, np.zeros(batch.n, np.int16)).where(
        np.isfinite(soonest.best), never
    )


def _latest_stow(batch: Rollout, columns: list[int]) -> Instants:
    """When the last of some reversers left deployed, or the end of the data."""
    ends = [_stow_or_end(batch, column) for column in columns]
    latest = ends[0]
    for other in ends[1:]:
        latest = merge(np.maximum, latest, other, latest.why)
    return latest


def _stow_or_end(batch: Rollout, column: int) -> Instants:
    """When a reverser left deployed; the end of the data where it had not; before everything where it never was."""
    stow, deployed = batch.stow_start.engine(column), batch.deployed.engine(column)
    fine = np.zeros(batch.n, np.int16)
    return stow.map(
        lambda x: np.where(deployed.why == FINE, np.where(stow.why == FINE, x, batch.record_end), -np.inf), fine
    )


def _until(end: Instants, other: Instants) -> Instants:
    """Whichever comes first; `other` may be missing."""
    return merge(np.fmin, end, other, end.why)


@measure(unit="%", needs=NEEDS[:2])
def reverse_power_split_pct(batch: Rollout) -> Bounded:
    """Mean N1 difference between mirror engines over the time both reversers were deployed, worst pair."""
    if not batch.mirror_pairs:
        return batch.absent(batch.reason("no two engines with reversers mirror each other"))
    return _worst([_power_split(batch, left, right) for left, right in batch.mirror_pairs])


def _power_split(batch: Rollout, left: int, right: int) -> Bounded:
    numbers = batch.layout.reversers[left], batch.layout.reversers[right]
    if any(number not in batch.idle for number in numbers):
        return batch.absent(batch.not_recorded("n1"))
    a, b = batch.deployed.engine(left), batch.deployed.engine(right)
    start = merge(np.maximum, a, b, both_why(a, b))
    end = _until(_latest_stow(batch, [left]), _latest_stow(batch, [right]))
    means = [_mean(batch, number, start, end) for number in numbers]
    value = np.abs(means[0] - means[1])
    tolerance = 2 * batch.signal(f"n1.{numbers[0]}").tolerance
    slack = tolerance + _spread(batch, numbers, start)
    found = (start.why == FINE) & ~np.isnan(value)
    result = Bounded(value, np.maximum(value - slack, 0), value + slack, start.why, start.best)
    return result.where(found, batch.reason("both reversers were never deployed together"))


def _spread(batch: Rollout, numbers: tuple[int, int], start: Instants) -> np.ndarray:
    """How far a mean may move because its samples' times are known to one sampling step only."""
    steps = [batch.signal(f"n1.{number}").step_s for number in numbers]
    return np.nan_to_num(start.latest - start.earliest, nan=0) * 0.5 + max(steps) * 0.5


def _mean(batch: Rollout, engine: int, start: Instants, end: Instants) -> np.ndarray:
    signal = batch.signal(f"n1.{engine}")
    inside = (signal.columns >= signal.index_from(start.best)[:, None]) & (
        signal.columns < signal.index_from(end.best)[:, None]
    )
    inside &= signal.valid
    count = inside.sum(axis=1)
    return np.where(count > 0, np.where(inside, signal.values, 0).sum(axis=1) / np.maximum(count, 1), np.nan)


@measure(unit="s", needs=("autothrottle_engaged", "reverse_lever.N|reverser_state.N|reverser_unlocked.N"))
def autothrottle_in_reverse_s(batch: Rollout) -> Bounded:
    """Time the autothrottle stayed engaged after reverse had been selected."""
    if not batch.has("autothrottle_engaged"):
        return batch.absent(batch.not_recorded("autothrottle_engaged"))
    if not batch.layout.reversers:
        return batch.absent(batch.reason("no engine has a reverser"))
    start = batch.first_selected
    gap = batch.reason("autothrottle_engaged has a gap in the rollout")
    value = time_above(batch.signal("autothrottle_engaged"), 0.5, start, batch.end, missing=gap)
    return value.where(start.why == FINE, batch.reason("reverse was not used"))


def _excess(batch: Rollout, column: int, engine: int, start: Instants) -> Bounded:
    """Highest N1 above idle from a speed until the reverser leaves deployed."""
    if engine not in batch.idle:
        return batch.absent(batch.not_recorded(f"n1.{engine}"))
    window_start, window_end, none = _deployed_below(batch, column, start)
    missing = batch.reason("the reverser was not deployed below that speed")
    value = highest(batch.signal(f"n1.{engine}"), window_start, window_end, missing=missing)
    return _above_idle(batch, value.where(~none, missing), engine)


def _high_time(batch: Rollout, column: int, engine: int) -> Bounded:
    if engine not in batch.idle:
        return batch.absent(batch.not_recorded(f"n1.{engine}"))
    start, end, none = _deployed_below(batch, column, batch.taxi_speed)
    limit = batch.idle[engine] + batch.settings.idle_margin_pct
    gap = batch.reason(f"N1 of engine {engine} has a gap below taxi speed")
    value = time_above(batch.signal(f"n1.{engine}"), limit, start, end, missing=gap)
    value = value.where(~np.isnan(limit), batch.reason(f"idle reverse of engine {engine} is not known"))
    return value.or_zero(none)


def _deployed_below(batch: Rollout, column: int, start: Instants) -> tuple[Instants, Instants, np.ndarray]:
    """The window below a speed with a reverser deployed, and where there certainly is none."""
    deployed, stow = batch.deployed.engine(column), batch.stow_start.engine(column)
    still = (deployed.why == FINE) & (stow.why != FINE)
    end = stow.map(lambda x: np.where(still, batch.record_end, x), np.where(still, np.int16(FINE), stow.why))
    never = batch.reason("the reverser was never deployed")
    none = np.isin(deployed.why, [never, batch.reason("reverser out of use")]) | (end.latest < start.earliest)
    begin = merge(np.fmax, start, deployed, start.why)
    return begin, end, none


def _above_idle(batch: Rollout, value: Bounded, engine: int) -> Bounded:
    idle = batch.idle[engine]
    unknown = batch.reason(f"idle reverse of engine {engine} is not known")
    return value.map(lambda x: x - idle).where(~np.isnan(idle), unknown)


def _each(batch: Rollout, ask: Callable[[int, int], Bounded]) -> Bounded:
    return batch.per_engine(lambda engine: ask(batch.layout.reversers.index(engine), engine))


def _worst(found: list[Bounded]) -> Bounded:
    """The largest of several values; missing only where all are."""
    worst = found[0]
    for other in found[1:]:
        worst = worse_of(worst, other)
    return worst
