"""Measures of the ground spoilers."""

from __future__ import annotations

import numpy as np

from fdm.bounded import FINE, Bounded, Instants
from fdm.measures.catalogue import measure
from fdm.steps import Rollout
from fdm.windows import highest, value_at

SPOILERS = ("spoiler_panel|spoiler_handle",)
WATCHED_S = 20.0  # how long after contact the spoilers are expected to come up, at the longest


def _delay(batch: Rollout, reached: Instants, start: Instants) -> Bounded:
    """From `start` to `reached`; where it never came, at least as long as was watched."""
    delay = reached - start
    never = np.isin(reached.why, [batch.reason("the spoilers were never extended")]) & (start.why == FINE)
    taxi = batch.taxi_speed
    watched_to = np.where(taxi.why == FINE, taxi.best, batch.record_end)
    watched = np.maximum(watched_to - start.best, 0)
    return Bounded(
        np.where(never, watched, delay.value),
        np.where(never, watched, delay.lower),
        np.where(never, np.inf, delay.upper),
        np.where(never, FINE, delay.why).astype(np.int16),
        np.where(never, start.best, reached.best),
    )


@measure(unit="s", needs=SPOILERS)
def spoiler_delay_s(batch: Rollout) -> Bounded:
    """From settled main-gear contact to ground spoilers extended; open-ended when they never were."""
    return _delay(batch, batch.spoilers_extended, batch.settled)


@measure(unit="s", needs=SPOILERS)
def spoiler_delay_first_s(batch: Rollout) -> Bounded:
    """From first main-gear contact to ground spoilers extended; open-ended when they never were."""
    return _delay(batch, batch.spoilers_extended, batch.contact)


@measure(unit="s", needs=SPOILERS)
def spoiler_start_delay_s(batch: Rollout) -> Bounded:
    """From settled main-gear contact to the ground spoilers beginning to move."""
    return batch.spoilers_moving - batch.settled


@measure(unit="fraction", needs=SPOILERS)
def spoiler_extension_max(batch: Rollout) -> Bounded:
    """Highest spoiler position between first contact and taxi speed, as a fraction of full travel."""
    if batch.spoilers is None:
        return batch.absent(batch.not_recorded("spoiler_panel", "spoiler_handle"))
    return highest(
        batch.spoilers, batch.contact, batch.to_taxi_speed, missing=batch.reason("no spoiler sample in the rollout")
    )


@measure(unit="kt", needs=(*SPOILERS, "ground_speed"))
def spoiler_retract_speed_kt(batch: Rollout) -> Bounded:
    """Ground speed when the spoilers left the extended range for good."""
    if not batch.has("ground_speed"):
        return batch.absent(batch.not_recorded("ground_speed"))
    return value_at(
        batch.signal("ground_speed"), batch.spoilers_retracted, missing=batch.reason("ground speed has a gap there")
    )


@measure(unit="count", needs=("spoilers_armed",))
def spoilers_not_armed(batch: Rollout) -> Bounded:
    """1 where the spoilers were not armed at the last sample before first contact, and before they began to move."""
    if not batch.has("spoilers_armed"):
        return batch.absent(batch.not_recorded("spoilers_armed"))
    signal = batch.signal("spoilers_armed")
    ahead = np.fmin(batch.contact.earliest, batch.spoilers_moving.earliest)  # extending may put the flag out
    k = np.clip(signal.index_from(ahead + 1e-3) - 1, 0, signal.values.shape[1] - 1)
    armed = signal.values[np.arange(batch.n), k]
    asked = (batch.contact.why == FINE) & (armed >= 0)
    value = batch.exactly((armed == 0).astype(float))
    value = Bounded(value.value, value.lower, value.upper, value.why, batch.contact.best)
    return value.where(asked, batch.reason("spoilers_armed has no sample at touchdown"))
