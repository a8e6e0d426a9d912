"""One flight's recording, as canonical parameters at their own sampling."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Samples:
    """One canonical parameter as it was really sampled (repeats of a held export already taken out).

    time_s   float64 (m,), strictly increasing, on the recording's own clock
    values   float64 (m,) in the canonical unit with NaN for a missing sample;
             int8 (m,) for discretes (0, 1) and states (parameters.STATES), NOT_RECORDED for a missing sample
    step_s   sampling interval, 1 / rate
    lag_s    a sample may have been taken up to this long before its stamp (held export whose phase is unknown,
             stamps rounded by the export); 0 when the stamp is the time of sampling
    """

    name: str
    time_s: np.ndarray
    values: np.ndarray
    step_s: float
    lag_s: float = 0.0


@dataclass(frozen=True)
class Recording:
    """One flight, read and mapped.

    source        path as the user gave it, followed by '#flight' where a table holds several flights
    content_hash  hex digest of the raw columns; equal content, equal hash
    facts         schemas.FACTS values that are known
    engines       number of engines; reversers, those that have one (numbers from the left)
    notes         what was noticed while reading, one sentence each (time gaps, stamps put right, ...)
    """

    source: str
    content_hash: str
    recorder: str
    engines: int
    reversers: tuple[int, ...]
    samples: Mapping[str, Samples]
    facts: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
