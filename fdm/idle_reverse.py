"""Whether N1 above idle with a reverser out was reverse power, or the approach's power running down at idle reverse.

The reverse lever decides where it is recorded: at rest from its selection to its end, with N1 at idle by then, it stood
at idle reverse. N1 that rose after the reverser left stowed was power in any case. Without a lever, N1 that only fell
was the approach's as long as it may take to run down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fdm.bounded import Instants
from fdm.reversing import Reverser
from fdm.signal import Signal

RUN_DOWN_S = 5.0  # approach power has run down so long after reverse was selected (common practice, no source)
RUN_DOWN_MOST_S = 10.0  # ... and at the latest (common practice, no source)
RISE_PCT = 1.0  # N1 that rises by more than this, and more than its tolerance both ways, was powered up
MOVES_S = 1.0  # a lever may move so long after it is seen in reverse, and before it is seen back (common practice)
AT_REST = 0.05  # fraction of travel within which a lever stood still: its tolerance both ways, and a recorder's step


@dataclass(frozen=True)
class LeverAtRest:
    """What a reverse lever did between its selection and its end.

    told      (n,) true where it has samples then
    raised_s  (n,) when it first stood clearly above its lowest; NaN where it stayed at rest
    back      when it was put back, for good
    """

    told: np.ndarray
    raised_s: np.ndarray
    back: Instants


def lever_at_rest(lever: Signal, selected: Instants, cancelled: Instants, end_s: np.ndarray) -> LeverAtRest:
    """What a reverse lever did; end_s (n,) end of the landing."""
    to_s = np.where(cancelled.happened, cancelled.earliest - MOVES_S, end_s)
    inside = lever.inside(lever.index_from(selected.latest + MOVES_S), lever.index_past(to_s)) & lever.valid
    lowest = np.fmin.reduce(lever.values, axis=1, where=inside, initial=np.inf)
    raised = inside & (lever.values > (lowest + AT_REST)[:, None])
    raised_s = np.where(raised.any(axis=1), lever.time(np.argmax(raised, axis=1)), np.nan)
    return LeverAtRest(inside.any(axis=1) & selected.happened, raised_s, cancelled)


def ran_down(
    power: Signal,
    limit_pct: np.ndarray,
    until_s: np.ndarray,
    fell: Instants,
    reverser: Reverser,
    selected: Instants,
    lever: LeverAtRest | None,
) -> tuple[np.ndarray, np.ndarray]:
    """(n,) twice, of landings with N1 above idle in reverse: it only ran down from the approach; it may have.

    limit_pct  (n,) N1 that still counts as idle
    until_s    (n,) when reverse was over
    fell       when N1 fell to the limit for good
    """
    since_s = selected.or_else(reverser.unlocked).or_else(reverser.deployed).latest
    soon = fell.happened & (fell.latest <= since_s + RUN_DOWN_S)
    perhaps = fell.happened & ~soon & (fell.latest <= since_s + RUN_DOWN_MOST_S)
    rose = _powered_up(power, limit_pct, until_s, reverser)
    if lever is None:
        return soon & ~rose, perhaps & ~rose
    at_idle = np.isnan(lever.raised_s) & fell.happened & ~(fell.best > lever.back.best)
    after = power.inside(power.index_from(lever.raised_s - power.step_s), power.index_past(until_s))
    pushed = ((power.values > limit_pct[:, None]) & after).any(axis=1)
    kept = np.where(lever.told, at_idle | (soon & ~pushed), soon)
    return kept & ~rose, perhaps & ~(kept | pushed | rose)


def _powered_up(power: Signal, limit_pct: np.ndarray, until_s: np.ndarray, reverser: Reverser) -> np.ndarray:
    """(n,) true where N1 rose to above the limit after the reverser left stowed, by more than its tolerance."""
    unlocked, deployed = reverser.unlocked, reverser.deployed
    start_s = np.where(unlocked.happened, unlocked.earliest, deployed.earliest)
    inside = power.inside(power.index_from(start_s), power.index_past(until_s))
    n1_pct = np.where(inside, power.values, np.float32(np.nan))
    rise = n1_pct - np.fmin.accumulate(n1_pct, axis=1)
    powered = (rise > 2 * power.tolerance + RISE_PCT) & (n1_pct > limit_pct[:, None])
    return np.asarray(powered.any(axis=1))
