"""What a reverser did out of order in a rollout: sentences for the landing's quality, and never an event by themselves.

Lever up, in transit, deployed, in transit, stowed: a mechanism can open again after it was stowed, or without its
lever, and should not; it cannot be deployed without having travelled. Thresholds are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fdm.parameters import DEPLOYED, STOWED
from fdm.signal import Signal
from fdm.steps import UNASKED, Rollout

TRAVEL_S = 0.6  # a sleeve cannot run its travel between two samples this near


Odd = tuple[np.ndarray, Callable[[int], str]]  # rows, and what is said of each


def odd_sequences(batch: Rollout) -> dict[int, list[str]]:
    """Sentences by row."""
    notes: dict[int, list[str]] = {}
    for column, engine in enumerate(batch.layout.reversers):
        for rows, says in (_unasked(batch, column, engine), _again(batch, engine), _without_travel(batch, engine)):
            for row in rows.tolist():
                notes.setdefault(row, []).append(says(row))
    return notes


def _since(batch: Rollout, row: int, time_s: float) -> float:
    return float(time_s - batch.contact.best[row])


def _unasked(batch: Rollout, column: int, engine: int) -> Odd:
    """Out of stowed well before its lever was raised, or without it."""
    unlocked, selected = batch.unlocked.engine(column), batch.reverse_selected.engine(column)
    recorded = batch.has(f"reverse_lever.{engine}")
    early = selected.happened & (selected.why == batch.reason(UNASKED.format(engine)))
    never = batch.did_not(batch.reverse_selected)[:, column]
    odd = unlocked.happened & ~np.isnan(unlocked.best) & (early | never) & recorded

    def says(row: int) -> str:
        when = f"reverser {engine} left stowed {_since(batch, row, unlocked.best[row]):.1f} s after touchdown"
        return f"{when}, its lever was {'never raised' if never[row] else 'raised only later'}"

    return np.flatnonzero(odd), says


def _again(batch: Rollout, engine: int) -> Odd:
    """Stowed, and out again in the same rollout."""
    out = batch.reverser_out(engine)
    if out is None:
        return np.zeros(0, np.int64), str
    opens = _changes(batch, out, 0, 1)
    rows = np.flatnonzero(opens.sum(axis=1) > 1)

    def says(row: int) -> str:
        column = np.flatnonzero(opens[row])[-1] + 1
        at_s = out.start_s[row] + column * out.step_s
        return f"reverser {engine} was stowed and opened again {_since(batch, row, at_s):.1f} s after touchdown"

    return rows, says


def _without_travel(batch: Rollout, engine: int) -> Odd:
    """From stowed to deployed, or back, between two samples that are too near for its travel."""
    name = f"reverser_state.{engine}"
    if not batch.has(name) or batch.signal(name).step_s > TRAVEL_S:
        return np.zeros(0, np.int64), str
    state = batch.signal(name)
    leaps = _changes(batch, state, STOWED, DEPLOYED) | _changes(batch, state, DEPLOYED, STOWED)

    def says(row: int) -> str:
        at_s = state.start_s[row] + (np.flatnonzero(leaps[row])[0] + 1) * state.step_s
        when = f"{_since(batch, row, at_s):.1f} s after touchdown"
        return f"reverser {engine} changed between stowed and deployed without transit {when}"

    return np.flatnonzero(leaps.any(axis=1)), says


def _changes(batch: Rollout, signal: Signal, before: int, behind: int) -> np.ndarray:
    """(n, m - 1) true where neighbouring samples after contact change from one value to another."""
    inside = signal.inside(signal.index_from(batch.contact.latest))[:, :-1]
    return np.asarray((signal.values[:, :-1] == before) & (signal.values[:, 1:] == behind) & inside)
