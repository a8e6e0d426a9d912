"""Clues to unequal or missing reverse power: what the levers of a mirror pair did beside what N1 did."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fdm.bounded import FINE, Bounded, Instants
from fdm.measures.catalogue import measure
from fdm.measures.power import both_deployed, mean_between, power_of
from fdm.signal import Signal
from fdm.steps import KEPT_AT_IDLE, Rollout
from fdm.windows import highest

DEPLOYED = "reverser_state.N|reverser_deployed.N"
NO_MIRROR = "no engine with a reverser mirrors this one"
NOT_TOGETHER = "both reversers were never deployed together"


@measure(unit="%", needs=("n1.N|epr.N", DEPLOYED), per_engine=True)
def n1_below_mirror_pct(batch: Rollout) -> Bounded:
    """Mean N1 of the mirror engine less this one's over the time both reversers were deployed."""
    return _below_mirror(batch, lambda engine: power_of(batch, engine) if engine in batch.idle else None, "n1.{}")


@measure(unit="fraction", needs=("reverse_lever.N", DEPLOYED), per_engine=True)
def lever_below_mirror(batch: Rollout) -> Bounded:
    """Mean position of the mirror engine's reverse lever less this one's over the time both reversers were deployed."""
    return _below_mirror(batch, lambda engine: _lever(batch, engine), "reverse_lever.{}")


@measure(unit="fraction", needs=("reverse_lever.N", DEPLOYED), per_engine=True)
def reverse_lever_highest(batch: Rollout) -> Bounded:
    """Highest position of the reverse lever over the time this reverser and its mirror were deployed."""

    def one(engine: int, mirror: int) -> Bounded:
        lever, window = _lever(batch, engine), _together(batch, engine, mirror)
        if lever is None:
            return batch.absent(batch.not_recorded(f"reverse_lever.{engine}"))
        return highest(lever, *window, missing=batch.reason(f"no sample of reverse_lever.{engine} in reverse"))

    return _each_of_a_pair(batch, one)


@measure(unit="count", needs=("n1.N|epr.N", DEPLOYED), per_engine=True)
def reverse_kept_at_idle(batch: Rollout) -> Bounded:
    """1 where the engine's reverse stayed at idle while its reverser was deployed, 0 where it did not."""
    back = batch.reverse_idle
    kept = back.why == batch.reason(KEPT_AT_IDLE)
    told = kept | back.happened | (back.why == batch.reason("N1 never came back to idle reverse in this recording"))
    value = np.where(told, kept.astype(float), np.nan)
    return Bounded(value, value, value, np.where(told, np.int16(FINE), back.why))


def _lever(batch: Rollout, engine: int) -> Signal | None:
    name = f"reverse_lever.{engine}"
    return batch.signal(name) if batch.has(name) else None


def _together(batch: Rollout, engine: int, mirror: int) -> tuple[Instants, Instants]:
    """The time two engines' reversers were deployed together; missing where there was none."""
    column = batch.layout.reversers.index
    start, end = both_deployed(batch, column(engine), column(mirror))
    return start.where(end.best > start.best, batch.reason(NOT_TOGETHER)), end


def _each_of_a_pair(batch: Rollout, ask: Callable[[int, int], Bounded]) -> Bounded:
    """What is asked of each engine and its mirror; missing for an engine without one."""
    numbers = batch.layout.reversers
    mirrors: dict[int, int] = {}
    for left, right in batch.mirror_pairs:
        mirrors |= {numbers[left]: numbers[right], numbers[right]: numbers[left]}
    alone = batch.absent(batch.reason(NO_MIRROR))
    return batch.per_engine(lambda engine: ask(engine, mirrors[engine]) if engine in mirrors else alone)


def _below_mirror(batch: Rollout, signal_of: Callable[[int], Signal | None], name: str) -> Bounded:
    """Mean of the mirror's signal less the engine's own over the time both reversers were deployed."""

    def one(engine: int, mirror: int) -> Bounded:
        own, other = signal_of(engine), signal_of(mirror)
        if own is None or other is None:
            return batch.absent(batch.not_recorded(name.format(engine), name.format(mirror)))
        start, end = _together(batch, engine, mirror)
        to_s = np.fmin(end.best, np.minimum(own.time(own.last_column), other.time(other.last_column)))
        below = mean_between(other, start.best, to_s) - mean_between(own, start.best, to_s)
        gap = batch.reason(f"{name.format(engine)} or {name.format(mirror)} has a gap in reverse")
        return batch.exactly(below).where(~np.isnan(below), np.where(start.why != FINE, start.why, gap))

    return _each_of_a_pair(batch, one)
