"""Things that go wrong, named after the rule each is meant to trip."""

from __future__ import annotations

import numpy as np

from sample_flights.airline import Fleet, Runway
from sample_flights.plan import Plan


def inject(plan: Plan, fleet: Fleet, runways: list[Runway], rng: np.random.Generator) -> list[list[str]]:
    return [[] for _ in runways]
