"""Measures of the reversers: selection, transit, symmetry, stowing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from fdm.bounded import FINE, Bounded, Instants, choose, largest, the_later, the_sooner
from fdm.measures.catalogue import measure
from fdm.steps import Rollout
from fdm.windows import time_above, value_at

REVERSER = ("reverser_state.N|reverser_deployed.N",)
UNLOCKED = ("reverser_state.N|reverser_unlocked.N",)
STILL_OUT = "the reverser was still out at the end of the recording"


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
    """From the reverser unlocking to it being fully deployed; unknown where it was selected and has no end."""
    unended = batch.reason("reverse was selected, and the reverser is never shown deployed")
    transit = replace((batch.deployed - batch.unlocked).at_least(0.0), at=batch.unlocked.best)
    return transit.unless(never_deployed(batch) & batch.reverse_selected.happened, unended)


@measure(unit="s", needs=(*REVERSER, *UNLOCKED), per_engine=True)
def stow_transit_s(batch: Rollout) -> Bounded:
    """From the reverser leaving deployed to it being stowed."""
    return replace((batch.stowed - batch.stow_start).at_least(0.0), at=batch.stow_start.best)


@measure(unit="s", needs=REVERSER, per_engine=True)
def reverse_wait_s(batch: Rollout) -> Bounded:
    """From reverse selected to reverser deployed; where it never was, until reverse was cancelled or the data ended."""
    selected, deployed, cancelled = batch.reverse_selected, batch.deployed, batch.reverse_cancelled
    held = until_or_end(batch, cancelled, OPEN) - selected
    wait = choose(never_deployed(batch) & selected.happened, held, deployed - selected).at_least(0.0)
    why = np.where(selected.happened, wait.why, selected.why)
    return replace(wait, why=why, at=selected.best)


OPEN = ("the lever was still in reverse at the end of the recording", STILL_OUT)


def never_deployed(batch: Rollout) -> np.ndarray:
    """(n, e) true where a reverser is known not to have deployed, and not known to be out of use."""
    return batch.deployed.why == batch.reason("the reverser was never deployed")


def until_or_end(batch: Rollout, when: Instants, open_reasons: tuple[str, ...]) -> Instants:
    """Instants (n, e); where they had not come by the end of the data: at the end at best, with no latest time."""
    still = np.isin(when.why, [batch.reason(sentence) for sentence in open_reasons]) & ~when.happened
    end = np.broadcast_to(batch.record_end[:, None], still.shape)
    return Instants(
        np.where(still, end, when.best),
        np.where(still, end, when.earliest),
        np.where(still, np.inf, when.latest),
        np.where(still, np.int16(FINE), when.why),
    )


def _pairs(batch: Rollout, ask: Callable[[Rollout, int, int], Bounded], aside: tuple[str, ...]) -> Bounded:
    """The worst mirror pair's value; pairs that are missing for a reason in `aside` do not count."""
    if not batch.mirror_pairs:
        return batch.absent(batch.reason("no two engines with reversers mirror each other"))
    inoperative = batch.reason(INOPERATIVE)
    found = [
        ask(batch, left, right).unless(batch.out_of_use[:, left] | batch.out_of_use[:, right], inoperative)
        for left, right in batch.mirror_pairs
    ]
    return largest(found, aside=[inoperative, *(batch.reason(sentence) for sentence in aside)])


INOPERATIVE = "reverser out of use: one of the pair is known to be inoperative"


def _split(batch: Rollout, left: int, right: int) -> Bounded:
    """How far apart two reversers deployed, whichever came first."""
    a, b = batch.deployed.engine(left), batch.deployed.engine(right)
    gap = a - b
    lower = np.maximum(np.maximum(gap.lower, -gap.upper), 0)
    return Bounded(np.abs(gap.value), lower, np.maximum(gap.upper, -gap.lower), gap.why, np.fmin(a.best, b.best))


def _one_side(batch: Rollout, left: int, right: int) -> Bounded:
    """How long one of two was deployed and the other not, up to the first stow; from the one that did, to its stow."""
    a, b = batch.deployed.engine(left), batch.deployed.engine(right)
    never = batch.reason("the reverser was never deployed")
    never_a, never_b = a.why == never, b.why == never
    stows = until_or_end(batch, batch.stow_start, (STILL_OUT,))
    stow = the_sooner(stows.engine(left), stows.engine(right))
    first_out = the_sooner(a, b)
    alone = replace((stow - first_out).at_least(0.0), at=first_out.best)
    early = a.happened & b.happened & (stow.latest < the_later(a, b).earliest)
    one_only = (a.happened & never_b) | (b.happened & never_a)
    value = choose(one_only | early, alone, _split(batch, left, right))
    return value.or_zero(never_a & never_b)


@measure(unit="s", needs=REVERSER)
def deploy_split_s(batch: Rollout) -> Bounded:
    """Time between the first and the last reverser of a mirror pair reaching deployed."""
    return _pairs(batch, _split, ("the reverser was never deployed",))


@measure(unit="s", needs=REVERSER)
def one_side_deployed_s(batch: Rollout) -> Bounded:
    """Total time one reverser of a mirror pair was deployed and its mirror not, from first deployed to first stow."""
    return _pairs(batch, _one_side, ())


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
    taxi, stowed = batch.taxi_speed, batch.stowed
    ends = until_or_end(batch, stowed, (STILL_OUT,))
    never_slow = taxi.why == batch.never_slow(batch.settings.taxi_speed_kt)
    columns = range(len(batch.layout.reversers))
    return largest([_out_after(batch, column, taxi, ends, never_slow) for column in columns])


def _out_after(batch: Rollout, column: int, taxi: Instants, ends: Instants, never_slow: np.ndarray) -> Bounded:
    unlocked, stowed, end = (x.engine(column) for x in (batch.unlocked, batch.stowed, ends))
    start = the_later(taxi, unlocked).only_after(taxi).only_after(unlocked)
    out = _less_the_time_shut(batch, column, start, stowed, (end - start).at_least(0.0))
    certainly_none = batch.did_not(unlocked) | (stowed.happened & never_slow)
    return replace(out, at=start.best).or_zero(certainly_none)


def _less_the_time_shut(batch: Rollout, column: int, start: Instants, stowed: Instants, lasted: Bounded) -> Bounded:
    """Where it was stowed and opened again in between, the time in which it was stowed does not count."""
    flag = batch.reverser_out(batch.layout.reversers[column])
    if flag is None:
        return lasted
    shut = replace(flag, values=np.where(flag.valid, 1 - flag.values, -1).astype(np.int8))
    between = flag.inside(flag.index_from(start.latest), flag.index_past(stowed.earliest)) & (shut.values == 1)
    rows = stowed.happened & between.any(axis=1)
    if not rows.any():
        return lasted
    in_s = time_above(shut, 0.5, start, stowed, missing=FINE)
    less = Bounded(lasted.value - in_s.value, lasted.lower - in_s.upper, lasted.upper - in_s.lower, in_s.why)
    return choose(rows & in_s.bounded, less.at_least(0.0), lasted)


@measure(unit="count", needs=("reverse_lever.N|reverser_state.N|reverser_unlocked.N",))
def reverse_not_used(batch: Rollout) -> Bounded:
    """1 where no reverser was selected on this landing."""
    if not batch.layout.reversers:
        return batch.absent(batch.reason("no engine has a reverser"))
    selected = batch.reverse_selected
    used, unused = selected.happened.any(axis=1), batch.did_not(selected)
    first_open = np.argmax(~(unused | selected.happened), axis=1)
    unknown = np.where(used | unused.all(axis=1), FINE, selected.why[np.arange(batch.n), first_open])
    value = np.where(unknown != FINE, np.nan, (~used).astype(float))
    lower, upper = (np.where(unknown != FINE, bound, value) for bound in (0.0, 1.0))
    found = Bounded(value, lower, upper, unknown.astype(np.int16), batch.contact.best)
    usable = np.logical_or(used, ~batch.out_of_use.all(axis=1))
    return found.where(usable, batch.reason("reverser out of use: all of them"))
