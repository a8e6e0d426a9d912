"""Measures of the touchdown itself."""

from __future__ import annotations

import numpy as np

from fdm.bounded import FINE, Bounded
from fdm.measures.catalogue import measure
from fdm.steps import Rollout

GEAR = ("main_gear_ground|main_gear_ground.left|main_gear_ground.right",)


@measure(unit="count", needs=GEAR)
def bounces(batch: Rollout) -> Bounded:
    """How often the main gear lost contact between first and settled contact."""
    return batch.exactly(batch.touchdown.bounces).where(batch.contact.why == FINE, batch.reason("no touchdown found"))


@measure(unit="s", needs=GEAR)
def bounce_airborne_s(batch: Rollout) -> Bounded:
    """Time airborne between first and settled contact."""
    return batch.touchdown.airborne_s


@measure(unit="count", needs=GEAR)
def go_around_after_reverse(batch: Rollout) -> Bounded:
    """1 where the aeroplane flew again after reverse had been selected on this landing."""
    if not batch.layout.reversers:
        return batch.absent(batch.reason("no engine has a reverser"))
    left = batch.touchdown.left_ground
    selected = batch.reverse_selected
    ahead = (selected.why == FINE) & (selected.best < left.best[:, None])
    value = ahead.any(axis=1) & batch.went_around
    asked = batch.contact.why == FINE
    return batch.exactly(value.astype(float)).where(asked, batch.reason("no touchdown found"))


@measure(unit="s", needs=("reverser_state.N|reverser_unlocked.N|reverser_deployed.N",), per_engine=True)
def unstowed_in_air_s(batch: Rollout) -> Bounded:
    """Time a reverser was out of its stowed position before first contact of the main gear."""
    ahead = batch.contact - batch.unlocked
    ahead = ahead.at_least(0.0)
    unused = np.isin(batch.unlocked.why, [batch.reason("reverse was not used")])
    return Bounded(ahead.value, ahead.lower, ahead.upper, ahead.why, batch.unlocked.best).or_zero(unused)
