"""Measures of the reversers: selection, transit, symmetry, stowing."""

from __future__ import annotations

import numpy as np

from fdm.bounded import FINE, Bounded, Instants, choose, merge, worse_of
from fdm.measures.catalogue import measure
from fdm.steps import Rollout
from fdm.windows import value_at

REVERSER = ("reverser_state.N|reverser_deployed.N",)
UNLOCKED = ("reverser_state.N|reverser_unlocked.N",)


@measure(unit="s", needs=("reverse_lever.N|reverser_state.N|reverser_unlocked.N",), per_engine=True)
def reverse_select_delay_s(batch: Rollout) -> Bounded:
    """From first main-gear contact to the lever in reverse, or the reverser unlocking where levers are not recorded."""
    return batch.reverse_selected - batch.contact


@measure(unit="s", needs=REVERSER, per_engine=True)
def deploy_delay_s(batch: Rollout) -> Bounded:
    """From first main-gear contact to the reverser fully deployed."""
    return batch.deployed - batch.contact


@measure(unit="s", needs=(*REVERSER, *UNLOCKED), per_engine=True)
def deploy_transit_s(batch: Rollout) -> Bounded:
    """From the reverser unlocking to it being fully deployed."""
    return (batch.deployed - batch.unlocked).at_least(0.0)


@measure(unit="s", needs=(*REVERSER, *UNLOCKED), per_engine=True)
def stow_transit_s(batch: Rollout) -> Bounded:
    """From the reverser leaving deployed to it being stowed."""
    return (batch.stowed - batch.stow_start).at_least(0.0)


@measure(unit="s", needs=REVERSER, per_engine=True)
def reverse_wait_s(batch: Rollout) -> Bounded:
    """From reverse selected to reverser deployed; where it never was, until reverse was cancelled or the data ended."""
    wait = (batch.deployed - batch.reverse_selected).at_least(0.0)
    never = (batch.deployed.why != FINE) & (batch.reverse_selected.why == FINE) & ~batch.out_of_use
    never &= np.isin(batch.deployed.why, [batch.reason("the reverser was never deployed")])
    cancelled = batch.reverse_cancelled
    gave_up = cancelled.why == FINE
    held = cancelled - batch.reverse_selected
    watched = batch.record_end[:, None] - batch.reverse_selected.best
    return Bounded(
        np.where(never, np.where(gave_up, held.value, watched), wait.value),
        np.where(never, np.where(gave_up, held.lower, watched), wait.lower),
        np.where(never, np.where(gave_up, held.upper, np.inf), wait.upper),
        np.where(never, FINE, wait.why).astype(np.int16),
        batch.reverse_selected.best,
    )


def _pairs(batch: Rollout, ask: str) -> Bounded:
    """The worst mirror pair's value of `ask`: 'split' or 'one side'."""
    found = [_pair(batch, left, right, ask) for left, right in batch.mirror_pairs]
    if not found:
        return batch.absent(batch.reason("no two engines with reversers mirror each other"))
    worst = found[0]
    for other in found[1:]:
        worst = worse_of(worst, other)
    return worst


def _pair(batch: Rollout, left: int, right: int, ask: str) -> Bounded:
    a, b = batch.deployed.engine(left), batch.deployed.engine(right)
    out_of_use = batch.out_of_use[:, left] | batch.out_of_use[:, right]
    aside = batch.reason("reverser out of use: one of the pair is known to be inoperative")
    split = _apart(a, b)
    if ask == "split":
        return split.where(~out_of_use, aside)
    one_only = (a.why == FINE) ^ (b.why == FINE)
    sole = a.where(a.why == FINE, 0).or_else(b)
    until = _first_stow(batch, left, right)
    alone = until - sole
    never = batch.reason("the reverser was never deployed")
    unused = np.isin(a.why, [never]) & np.isin(b.why, [never])
    known_one = one_only & (np.isin(a.why, [never]) | np.isin(b.why, [never]))
    value = choose(known_one, alone, split)
    return value.or_zero(unused).where(~out_of_use, aside).at_least(0.0)


def _apart(a: Instants, b: Instants) -> Bounded:
    """How far two instants lie apart, whichever came first."""
    gap = a - b
    lower = np.maximum(np.maximum(gap.lower, -gap.upper), 0)
    return Bounded(np.abs(gap.value), lower, np.maximum(gap.upper, -gap.lower), gap.why, np.fmin(a.best, b.best))


def _first_stow(batch: Rollout, left: int, right: int) -> Instants:
    """When the first of a pair left deployed; the end of the data when neither did."""
    a, b = batch.stow_start.engine(left), batch.stow_start.engine(right)
    sooner = merge(np.fmin, a, b, np.zeros(batch.n, np.int16))
    return sooner.map(lambda x: np.where(np.isnan(sooner.best), batch.record_end, x))


@measure(unit="s", needs=REVERSER)
def deploy_split_s(batch: Rollout) -> Bounded:
    """Time between the first and the last reverser of a mirror pair reaching deployed."""
    return _pairs(batch, "split")


@measure(unit="s", needs=REVERSER)
def one_side_deployed_s(batch: Rollout) -> Bounded:
    """Total time one reverser of a mirror pair was deployed and its mirror not, from first deployed to first stow."""
    return _pairs(batch, "one side")


@measure(unit="kt", needs=(*REVERSER, "ground_speed"), per_engine=True)
def stow_start_speed_kt(batch: Rollout) -> Bounded:
    """Ground speed when the reverser left deployed."""
    return _speed(batch, batch.stow_start)


@measure(unit="kt", needs=(*UNLOCKED, "ground_speed"), per_engine=True)
def stowed_speed_kt(batch: Rollout) -> Bounded:
    """Ground speed when the reverser was stowed."""
    return _speed(batch, batch.stowed)


def _speed(batch: Rollout, when: Instants) -> Bounded:
    if not batch.has("ground_speed"):
        return batch.per_engine(lambda _: batch.absent(batch.not_recorded("ground_speed")))
    gap = batch.reason("ground speed has a gap there")
    columns = range(len(batch.layout.reversers))
    found = [value_at(batch.signal("ground_speed"), when.engine(column), missing=gap) for column in columns]
    engines = iter(found)
    return batch.per_engine(lambda _: next(engines))


@measure(unit="s", needs=(*UNLOCKED, "ground_speed"))
def reverser_out_below_taxi_s(batch: Rollout) -> Bounded:
    """Time any reverser was not stowed below taxi speed; open-ended when one was still out as the data ended."""
    if not batch.layout.reversers:
        return batch.absent(batch.reason("no engine has a reverser"))
    stowed, unlocked = batch.stowed, batch.unlocked
    still = stowed.why == batch.reason("the reverser was still out at the end of the recording")
    end = batch.record_end[:, None]
    best = np.where(still, end, stowed.best)
    earliest = np.where(still, end, stowed.earliest)
    latest = np.where(still, np.inf, stowed.latest)
    unused = np.isin(unlocked.why, [batch.reason("reverse was not used"), batch.reason("reverser out of use")])
    missing = np.where(unused | still, 0, stowed.why).max(axis=1).astype(np.int16)
    ends = [np.where(unused, -np.inf, x).max(axis=1) for x in (best, earliest, latest)]
    taxi = batch.taxi_speed
    why = np.where(missing != FINE, missing, np.where(unused.all(axis=1), FINE, taxi.why)).astype(np.int16)
    out = Bounded(ends[0] - taxi.best, ends[1] - taxi.latest, ends[2] - taxi.earliest, why, taxi.best)
    return out.at_least(0.0).or_zero(unused.all(axis=1) & (missing == FINE))


@measure(unit="count", needs=("reverse_lever.N|reverser_state.N|reverser_unlocked.N",))
def reverse_not_used(batch: Rollout) -> Bounded:
    """1 where no reverser was selected on this landing."""
    if not batch.layout.reversers:
        return batch.absent(batch.reason("no engine has a reverser"))
    selected = batch.reverse_selected
    unused = np.isin(selected.why, [batch.reason("reverse was not used"), batch.reason("reverser out of use")])
    used = selected.why == FINE
    value = batch.exactly((unused.all(axis=1)).astype(float))
    unknown = np.where(used | unused, 0, selected.why).max(axis=1)
    return (
        value.where(used.any(axis=1) | unused.all(axis=1), 0)
        if not unknown.any()
        else Bounded(
            np.where(unknown > 0, np.nan, value.value),
            np.where(unknown > 0, np.nan, value.lower),
            np.where(unknown > 0, np.nan, value.upper),
            unknown.astype(np.int16),
        )
    )
