"""Which device a rule's event is about, and how it would have gone on time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np

from fdm.cost.automatic import Automatic
from fdm.cost.replay import Change, unchanged
from fdm.cost.reverse import NEVER_CELL, POWER, Use
from fdm.cost.rolls import STEP_S, Rolls
from fdm.cost.usual import FINE_S, Spread, Usual

SLOW_MPS = 10.0  # deployed no further above the usual reduction speed than this, power was not worth its while
HELD_S = 1.0  # the sooner engine waited at idle so much longer than it needs: held for the other one
NO_REVERSE = "no engine has a reverser"


@dataclass(frozen=True)
class Situation:
    """Landings with an event of one rule, and what is known of them.

    reversers   columns of engines that have a reverser
    rng         of this rule's draws;  k draws
    """

    rolls: Rolls
    use: Use
    automatic: Automatic
    usual: Usual
    idle_n1: float
    reversers: tuple[int, ...]
    rng: np.random.Generator
    k: int

    @property
    def shape(self) -> tuple[int, int]:
        """(n, k)."""
        return self.rolls.n, self.k

    def draw(self, of: Spread) -> np.ndarray:
        """(n, k) usual values, scattered as usual, no further than two standard deviations; the same for each row."""
        return np.tile(of.middle + of.sd * np.clip(self.rng.standard_normal(self.k), -2, 2), (self.rolls.n, 1))

    def top_for(self, lever: np.ndarray) -> np.ndarray:
        """(n, k) highest N1 above idle for lever travels (n,); as usual where they are not known, or at the detent."""
        slope, offset, sd = self.usual.top_by_lever
        set_for = slope * lever + offset
        known = ~np.isnan(set_for) & (set_for > POWER)
        by_lever = Spread(0.0, sd, 1)
        return np.where(
            known[:, None], np.nan_to_num(set_for)[:, None] + self.draw(by_lever), self.draw(self.usual.top)
        )

    def unchanged(self) -> Change:
        """Every device as recorded."""
        return unchanged(*self.shape, self.rolls.n1.shape[2])


@dataclass(frozen=True)
class OnTime:
    """How it would have gone, and the reason (n,) where that cannot be said ("" where it can)."""

    change: Change
    reason: np.ndarray


def join_on_time(parts: list[OnTime]) -> OnTime:
    """Several rules' landings as one."""
    joined = {f.name: np.concatenate([getattr(p.change, f.name) for p in parts]) for f in fields(Change)}
    return OnTime(Change(**joined), np.concatenate([p.reason for p in parts]))


Condition = np.ndarray | np.bool_ | bool


def _reasons(s: Situation, *found: tuple[Condition, str]) -> np.ndarray:
    reason = np.full(s.rolls.n, "", dtype=object)
    for condition, sentence in found:
        reason[np.broadcast_to(condition, reason.shape) & (reason == "")] = sentence
    return reason


def spoilers(s: Situation) -> OnTime:
    """Late, partial or missing ground spoilers: the usual movement after settled contact."""
    late = s.draw(s.usual.spoilers_s) - s.usual.spoilers_s.middle
    reason = _reasons(s, (not s.usual.spoilers_s.known, "no normal landing shows the usual spoilers"))
    return OnTime(replace(s.unchanged(), spoilers_s=late), reason)


def late_reverse(s: Situation) -> OnTime:
    """Reverse selected late: the same sequence, as much earlier as the selection was late."""
    change = s.unchanged()
    usual_s = s.draw(s.usual.selected_s)
    for e in s.reversers:
        late = np.nan_to_num(s.rolls.selected_s[:, e])[:, None] - usual_s
        change.shift_s[:, :, e] = np.where((s.use.deployed[:, e] < NEVER_CELL)[:, None], late, 0.0)
        _go_on_rising(s, change, e, np.full(s.rolls.n, e))
    deployed = (s.use.deployed[:, list(s.reversers)] < NEVER_CELL).any(axis=1)
    return OnTime(change, _reasons(s, *_reverse_unknown(s), (~deployed, "no reverser was deployed")))


def _reverse_unknown(s: Situation) -> list[tuple[Condition, str]]:
    return [
        (not s.reversers, NO_REVERSE),
        (not s.usual.selected_s.known or not s.usual.wait_s.known, "no normal landing shows the usual reverse"),
    ]


def _go_on_rising(s: Situation, change: Change, e: int, source: np.ndarray, where: np.ndarray | None = None) -> None:
    """Where N1 had not stopped rising when power was reduced, it would have gone on to what the lever was set for.

    Deployed too slow for power at all, it would have been used as usual.
    """
    rows = np.arange(s.rolls.n)
    deployed = s.use.deployed[rows, source]
    speed = np.take_along_axis(s.rolls.speed_mps, np.minimum(deployed, s.rolls.used.shape[1])[:, None], axis=1)[:, 0]
    slow = (deployed < NEVER_CELL) & ~s.use.powered[rows, source] & (speed < s.usual.reduce_mps.middle + SLOW_MPS)
    cut = (deployed < NEVER_CELL) & s.use.powered[rows, source] & ~s.use.steady[rows, source]
    if where is not None:
        slow, cut = slow & where, cut & where
    top = np.fmax(s.top_for(s.use.lever[rows, source]), s.use.top[rows, source][:, None])
    change.top[:, :, e] = np.where((cut | slow)[:, None], top, change.top[:, :, e])
    change.reduce_mps[:, :, e] = np.where(slow[:, None], s.draw(s.usual.reduce_mps), change.reduce_mps[:, :, e])


def no_reverse(s: Situation) -> OnTime:
    """No reverse at all: the usual selection, deployment and power on every engine with a reverser."""
    change = s.unchanged()
    deploy = s.draw(s.usual.selected_s) + s.draw(s.usual.wait_s)
    _made(s, change, np.ones((s.rolls.n, len(s.reversers)), bool), deploy)
    return OnTime(change, _reasons(s, *_reverse_unknown(s)))


def _made(s: Situation, change: Change, which: np.ndarray, deploy_s: np.ndarray) -> None:
    """Usual reverse, deployed at times (n, k), for the engines (n, reversers) marked."""
    top, reduce, transit = s.draw(s.usual.top), s.draw(s.usual.reduce_mps), s.draw(s.usual.transit_s)
    for column, e in enumerate(s.reversers):
        here = which[:, column : column + 1]
        change.deploy_s[:, :, e] = np.where(here, deploy_s, change.deploy_s[:, :, e])
        change.transit_s[:, :, e] = np.where(here, np.maximum(transit, 0.3), change.transit_s[:, :, e])
        change.top[:, :, e] = np.where(here, top, change.top[:, :, e])
        change.reduce_mps[:, :, e] = np.where(here, reduce, change.reduce_mps[:, :, e])
        change.made[:, e] |= which[:, column]


def not_deployed(s: Situation) -> OnTime:
    """A reverser held at its interlock: the other engine's sequence, or its own after the usual transit."""
    late = np.zeros((s.rolls.n, len(s.reversers)), bool)
    wait = s.rolls.deployed_s - s.rolls.unlocked_s
    for column, e in enumerate(s.reversers):
        never = ~np.isnan(s.rolls.selected_s[:, e]) & (s.use.deployed[:, e] >= NEVER_CELL)
        late[:, column] = never | (wait[:, e] > s.usual.transit_s.middle + 1.0)
    return _deployed_in_time(s, late)


def asymmetric(s: Situation) -> OnTime:
    """One reverser after its mirror: the later one follows the sooner."""
    late = np.zeros((s.rolls.n, len(s.reversers)), bool)
    for column, e in enumerate(s.reversers):
        late[:, column] = s.use.deployed[:, e] > s.use.deployed[:, _mirror(s, e)]
    return _deployed_in_time(s, late)


def _mirror(s: Situation, e: int) -> int:
    other = s.rolls.n1.shape[2] - 1 - e
    return other if other in s.reversers else e


def _deployed_in_time(s: Situation, late: np.ndarray) -> OnTime:
    """Late engines follow their mirror where that was in time, else their own sequence after the usual transit."""
    change = s.unchanged()
    transit, made = np.maximum(s.draw(s.usual.transit_s), 0.3), np.zeros_like(late)
    idle = np.zeros(s.rolls.n, bool)
    for column, e in enumerate(s.reversers):
        mirror = _mirror(s, e)
        other_late = late[:, s.reversers.index(mirror)]
        arrived, other = s.use.deployed[:, e] < NEVER_CELL, s.use.deployed[:, mirror] < NEVER_CELL
        follow = late[:, column] & other & ~other_late
        held = follow & arrived & _waited(s, mirror, e)
        own = late[:, column] & ~follow & arrived
        made[:, column] = late[:, column] & ~follow & ~arrived
        change.source[:, e] = np.where(follow & ~held, mirror, change.source[:, e])
        sooner = (s.rolls.deployed_s[:, e] - s.rolls.deployed_s[:, mirror])[:, None]
        usual = (s.rolls.deployed_s[:, e] - s.rolls.unlocked_s[:, e])[:, None] - transit
        change.shift_s[:, :, e] = np.where(held[:, None], sooner, np.where(own[:, None], usual, 0.0))
        change.shift_s[:, :, mirror] = np.where(held[:, None], sooner, change.shift_s[:, :, mirror])
        moved = (s.rolls.unlocked_s[:, e])[:, None] + transit
        change.deploy_s[:, :, e] = np.where(own[:, None], moved, change.deploy_s[:, :, e])
        change.transit_s[:, :, e] = np.where(own[:, None], transit, change.transit_s[:, :, e])
        _go_on_rising(s, change, e, change.source[:, e], own | held)
        idle |= follow & ~held & ~s.use.powered[:, mirror]
    _made(s, change, made, s.draw(s.usual.selected_s) + s.draw(s.usual.wait_s))
    return OnTime(
        change,
        _reasons(
            s,
            *_reverse_unknown(s),
            (~late.any(axis=1), "the recording shows no reverser late"),
            (made.all(axis=1), "no reverser was deployed: the power the crew would have used is not recorded"),
            (idle, "the other engine was left at idle: the power the crew would have used is not recorded"),
        ),
    )


def _waited(s: Situation, sooner: int, later: int) -> np.ndarray:
    """(n,) whether the sooner engine stayed at idle until the later one's reverser arrived."""
    u = s.rolls.n1[:, :, sooner] - s.idle_n1
    cells = np.arange(u.shape[1])
    power = (u > POWER) & (cells >= s.use.deployed[:, sooner][:, None])
    up = np.where(power.any(axis=1), np.argmax(power, axis=1), NEVER_CELL)
    late = s.use.deployed[:, later] - s.use.deployed[:, sooner]
    usual = np.argmax(s.usual.rise * s.usual.top.middle > POWER) * FINE_S / STEP_S
    waited = up - s.use.deployed[:, sooner] > usual + 2 * HELD_S / STEP_S
    return (late > 0) & waited & (up >= s.use.deployed[:, later] - 1)


def brakes(s: Situation) -> OnTime:
    """Brakes late: the same braking, at the usual time for pedals or the automatic brake."""
    by_automatic = np.asarray(s.automatic.active.any(axis=1))
    usual = np.where(by_automatic[:, None], s.draw(s.usual.automatic_s), s.draw(s.usual.pedals_s))
    began: np.ndarray = np.where(by_automatic, s.automatic.onset_s, s.rolls.brakes_s)
    late = began[:, None] - usual
    known = np.where(by_automatic, s.usual.automatic_s.known, s.usual.pedals_s.known)
    reason = _reasons(
        s,
        (np.isnan(s.rolls.brakes_s), "the brakes were never applied"),
        (
            by_automatic & np.isnan(s.automatic.target_g),
            "the automatic brake hardly pressed: its target is not known",
        ),
        (~known, "no normal landing shows the usual time of these brakes"),
    )
    return OnTime(replace(s.unchanged(), brakes_s=np.nan_to_num(late)), reason)


LAPSES: dict[str, Callable[[Situation], OnTime]] = {
    "late_spoilers": spoilers,
    "spoilers_partial": spoilers,
    "late_reverse": late_reverse,
    "no_reverse": no_reverse,
    "reverser_not_deployed": not_deployed,
    "slow_transit": not_deployed,
    "asymmetric_deployment": asymmetric,
    "late_braking": brakes,
}
