"""Measures followed over time to see a mechanism drift before it becomes an event."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from fdm.bounded import Bounded
from fdm.measures.catalogue import measure
from fdm.measures.power import power_of
from fdm.steps import Rollout


@measure(unit="s", needs=("spoiler_panel|spoiler_handle",))
def spoiler_travel_s(batch: Rollout) -> Bounded:
    """From the spoilers beginning to move to extended."""
    travel = (batch.spoilers_extended - batch.spoilers_moving).at_least(0.0)
    return replace(travel, at=batch.spoilers_moving.best)


@measure(unit="%", needs=("n1.N|epr.N",), per_engine=True)
def idle_n1_pct(batch: Rollout) -> Bounded:
    """N1 at idle after touchdown: from the rule book by fleet, else the lowest that the rollout shows."""

    def one(engine: int) -> Bounded:
        if engine not in batch.idle:
            return batch.absent(batch.not_recorded(f"n1.{engine}"))
        idle, tolerance = batch.idle[engine], power_of(batch, engine).tolerance
        value = Bounded(idle, idle - tolerance, idle + tolerance, np.zeros(batch.n, np.int16), batch.contact.best)
        return value.where(~np.isnan(idle), batch.reason(f"idle reverse of engine {engine} is not known"))

    return batch.per_engine(one)
