"""Every measure of a landing rollout: numbers with bounds, independent of any limit.

A measure is one decorated function over a batch; adding one here adds it to the catalogue, the tables, the checks and
the pages. Modules: touchdown, spoilers, reversers, power, rollout, stopping; clues and reverse_levers, from which
origins are argued.
"""

from fdm.measures import clues, health, power, reverse_levers, reversers, rollout, spoilers, stopping, touchdown
from fdm.measures.catalogue import CATALOGUE, Measure

__all__ = [
    "CATALOGUE",
    "Measure",
    "clues",
    "health",
    "power",
    "reverse_levers",
    "reversers",
    "rollout",
    "spoilers",
    "stopping",
    "touchdown",
]
