"""Every measure of a landing rollout: numbers with bounds, independent of any limit.

A measure is one decorated function over a batch; adding one here adds it to the catalogue, the tables, the checks and
the pages. Modules: touchdown, spoilers, reversers, power, rollout.
"""

from fdm.measures import power, reversers, rollout, spoilers, touchdown
from fdm.measures.catalogue import CATALOGUE, Measure

__all__ = ["CATALOGUE", "Measure", "power", "reversers", "rollout", "spoilers", "touchdown"]
