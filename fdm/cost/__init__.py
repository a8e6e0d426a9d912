"""What a delay cost: metres, seconds and brake heat, from a point mass fitted to each landing and replayed on time.

    keep_costs(archive)                      every event of an archive, kept in it: Archive(archive).costs()
    fit_fleet([rolls, ...]) -> FleetModel    one type, from its normal landings; to_json, from_json
    estimate(rolls, events, model)           events of one type's landings
    rolls_of_block(block, settings)          a block's landings, as both take them

Method, sources and limits: README.md beside this file.
"""

from fdm.cost.archived import CostReport, keep_costs, rolls_of_block
from fdm.cost.estimate import estimate
from fdm.cost.fleet import METHOD, FleetModel, fit_fleet, from_json
from fdm.cost.lapses import LAPSES
from fdm.cost.rolls import Rolls, join
from fdm.schemas import COSTS

__all__ = [
    "COSTS",
    "LAPSES",
    "METHOD",
    "CostReport",
    "FleetModel",
    "Rolls",
    "estimate",
    "fit_fleet",
    "from_json",
    "join",
    "keep_costs",
    "rolls_of_block",
]
