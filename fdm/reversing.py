"""One engine's reverser as the recorder saw it: leaving stowed, reaching deployed, leaving it, reaching stowed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fdm.batch import Batch
from fdm.bounded import Instants
from fdm.parameters import DEPLOYED, STOWED
from fdm.primitives import first, last
from fdm.signal import Signal

SLOWEST_STOW_S = 8.0  # common practice, no source
REVERSE_AT_ONCE_S = 1.0  # a reverser that is out this long before contact, or comes out later, is out for the rollout


@dataclass(frozen=True)
class Reverser:
    """Instants relative to the anchor. `out` is the discrete "not stowed", None where no such thing is recorded.

    unlocked, deployed      of the first deployment (of the first unlocking, where it never deployed)
    stow_start, stowed      for good
    """

    unlocked: Instants
    deployed: Instants
    stow_start: Instants
    stowed: Instants
    out: Signal | None

    @property
    def back_s(self) -> np.ndarray:
        """(n,) when it was stowed again at the latest; NaN where that is not known.

        Where only "deployed" is recorded, a time in which any reverser stows after it left deployed.
        """
        left = self.stow_start.latest + SLOWEST_STOW_S if self.out is None else np.nan
        return np.where(self.stowed.happened, self.stowed.latest, np.where(self.stow_start.happened, left, np.nan))


def find_reverser(batch: Batch, engine: int, contact: Instants) -> Reverser:
    """The reverser of an engine on every landing of a batch."""
    deployed_flag, out = _deployed(batch, engine), _out(batch, engine)
    start = contact.earliest - REVERSE_AT_ONCE_S
    still = batch.reason("the reverser was still out at the end of the recording")
    if deployed_flag is None:
        missing = batch.not_recorded(f"reverser_state.{engine}", f"reverser_deployed.{engine}")
        deployed = stow_start = batch.absent_instants(missing)
    else:
        never = batch.reason("the reverser was never deployed")
        deployed = first(deployed_flag, deployed_flag.values == 1, start, missing=never)
        stow_start = last(deployed_flag, deployed_flag.values == 1, start, missing=still)
    if out is None:
        missing = batch.not_recorded(f"reverser_state.{engine}", f"reverser_unlocked.{engine}")
        unlocked = stowed = batch.absent_instants(missing)
    else:
        unlocked = _unlocked(batch, out, deployed, start)
        stowed = last(out, out.values == 1, start, missing=still)
    idle = batch.out_of_use[:, batch.layout.reversers.index(engine)]
    shut = batch.reason("reverser out of use")
    return Reverser(
        unlocked.because(idle, shut),
        deployed.because(idle, shut),
        stow_start.only_after(deployed).because(idle, shut),
        stowed.only_after(unlocked).because(idle, shut),
        out,
    )


def _deployed(batch: Batch, engine: int) -> Signal | None:
    """The discrete "fully deployed"."""
    if batch.has(f"reverser_state.{engine}"):
        return _flag(batch.signal(f"reverser_state.{engine}"), DEPLOYED)
    name = f"reverser_deployed.{engine}"
    return batch.signal(name) if batch.has(name) else None


def _out(batch: Batch, engine: int) -> Signal | None:
    """The discrete "not stowed"."""
    if batch.has(f"reverser_state.{engine}"):
        return _flag(batch.signal(f"reverser_state.{engine}"), STOWED + 1)
    name = f"reverser_unlocked.{engine}"
    return batch.signal(name) if batch.has(name) else None


def _flag(state: Signal, least: int) -> Signal:
    return replace(state, values=np.where(state.values >= 0, state.values >= least, state.values).astype(np.int8))


def _unlocked(batch: Batch, out: Signal, deployed: Instants, start: np.ndarray) -> Instants:
    """The start of the stretch out of stowed in which it deployed; else the first one."""
    unused = batch.reason("reverse was not used")
    on = out.values == 1
    anyhow = first(out, on, start, missing=unused)
    if not deployed.happened.any():
        return anyhow
    before = last(out, out.valid & ~on, np.full(batch.n, -np.inf), deployed.latest, missing=unused)
    latest = np.where(deployed.happened, np.fmin(before.latest, deployed.latest), before.latest)
    late = before.happened & (before.best > latest)
    best = np.where(late, (before.earliest + latest) / 2, before.best)
    own = deployed.happened & before.happened
    return replace(before, best=best, latest=latest).where(own, unused).or_else(anyhow)
