"""Measures of the touchdown itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fdm.bounded import Bounded, choose, exactly
from fdm.measures.catalogue import measure
from fdm.signal import Signal
from fdm.steps import Rollout
from fdm.windows import time_above

GEAR = ("main_gear_ground|main_gear_ground.left|main_gear_ground.right",)


@measure(unit="count", needs=GEAR)
def bounces(batch: Rollout) -> Bounded:
    """How often the main gear lost contact between first and settled contact."""
    return batch.touchdown.bounces


@measure(unit="s", needs=GEAR)
def bounce_airborne_s(batch: Rollout) -> Bounded:
    """Time airborne between first and settled contact."""
    return batch.touchdown.airborne_s


@measure(unit="count", needs=GEAR)
def go_around_after_reverse(batch: Rollout) -> Bounded:
    """1 where the aeroplane flew again after reverse had been selected, or forward power was set for it at speed.

    To be looked for where the thrust levers went forward; where that is not known, where it left the ground.

    Set for it: after reverse was put away, above 60 kt, every thrust lever stood 20 degrees forward, or every N1 30
    points above idle, for over 2 s.
    """
    if not batch.layout.reversers:
        return batch.absent(batch.reason("no engine has a reverser"))
    selected, (again, again_s) = batch.reverse_selected, _power_set_again(batch)
    value = batch.exactly((batch.flown_after_reverse | again).astype(float))
    flown_s = batch.thrust_forward.or_else(batch.airborne_again).best
    value = replace(value, at=np.where(batch.flown_after_reverse, flown_s, np.where(again, again_s, np.nan)))
    open_ = ~(selected.happened | batch.did_not(selected))
    first_open = selected.why[np.arange(batch.n), np.argmax(open_, axis=1)]
    return value.where((value.value > 0) | ~batch.went_around | ~open_.any(axis=1), first_open)


def _power_set_again(batch: Rollout) -> tuple[np.ndarray, np.ndarray]:
    """(n,) true where forward power was set again at speed after all reversers had been put away; and when, s."""
    away = batch.reverse_cancelled
    used = batch.reverse_selected.happened
    put_away = used.any(axis=1) & (away.happened | ~used).all(axis=1)
    last_away = np.where(used & away.happened, away.best, -np.inf).max(axis=1)
    end = batch.reduce_speed.or_else(batch.end)
    signs = [sign for engine in range(1, batch.layout.engines + 1) if (sign := _forward_sign(batch, engine))]
    again, set_s = put_away & bool(signs), np.full(batch.n, -np.inf)
    for power, level, wait_s in signs:
        start = exactly(np.where(put_away, last_away + wait_s, np.inf))
        above = time_above(power, level, start, end, missing=1)
        again &= above.lower > TAKE_OFF_S
        set_s = np.fmax(set_s, np.nan_to_num(above.at_s, nan=-np.inf))
    return again, np.where(again, set_s, np.nan)


def _forward_sign(batch: Rollout, engine: int) -> tuple[Signal, np.ndarray, float] | None:
    """What shows forward power: its thrust lever well forward, else N1 well above idle once reverse has run down."""
    if batch.has(f"thrust_lever.{engine}"):
        lever = batch.signal(f"thrust_lever.{engine}")
        return lever, np.where(lever.valid, lever.values, np.inf).min(axis=1) + FORWARD_DEG, 0.0
    power = batch.power(engine)
    return None if power is None else (power, batch.idle[engine] + TAKE_OFF_PCT, AWAY_S)


AWAY_S, FORWARD_DEG, TAKE_OFF_PCT, TAKE_OFF_S = 3.0, 20.0, 30.0, 2.0  # common practice, no source


@measure(unit="s", needs=("reverser_state.N|reverser_unlocked.N|reverser_deployed.N",), per_engine=True)
def unstowed_in_air_s(batch: Rollout) -> Bounded:
    """Time a reverser was out of its stowed position before first contact of the main gear.

    To be looked for where it was first out in the air; where it was not, at its unlocking.
    """

    def one(engine: int) -> Bounded:
        out = batch.reverser(engine).out
        if out is None:
            return batch.absent(batch.not_recorded(f"reverser_state.{engine}", f"reverser_unlocked.{engine}"))
        onset = batch.unlocked.engine(batch.layout.reversers.index(engine))
        contact, begin = batch.contact, exactly(out.time(out.first_column))
        missing = batch.reason("no touchdown found")
        whole = time_above(out, 0.5, begin, contact, missing=missing)
        # seen out at the first sample after contact, it most likely came out after contact too
        reaches = onset.happened & (onset.latest >= contact.earliest) & (onset.earliest < contact.best)
        until = np.where(reaches, onset.earliest, contact.best)
        sure = time_above(out, 0.5, begin, exactly(np.maximum(until, begin.best)), missing=missing)
        value = np.where(reaches, sure.value, whole.value)
        most = np.maximum(np.maximum(whole.upper, value), out.step_s)  # so much may hide between two samples
        seen = choose(reaches, sure, whole)
        at = np.where((seen.upper > 0) & (seen.value != 0), seen.at_s, onset.best)
        return Bounded(value, np.minimum(whole.lower, value), most, whole.why, at)

    return batch.per_engine(one)
