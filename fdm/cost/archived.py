"""What all events of an archive cost, type by type."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from fdm.archive import Archive
from fdm.bounded import Reasons
from fdm.cost.estimate import COSTS, estimate
from fdm.cost.fleet import MOST_LANDINGS, FleetModel, fit_fleet
from fdm.cost.lapses import LAPSES
from fdm.cost.laying import rolls_of
from fdm.cost.rolls import Rolls
from fdm.frames import Block
from fdm.screening import screened
from fdm.settings import Settings
from fdm.steps import Rollout

Key = tuple[str, int]  # fleet, engines
SPARE = 2  # normal landings looked at for each one learned from: some cannot be laid out


def cost_events(archive: Path | str) -> pl.DataFrame:
    """What every event of an archive cost, a frame of COSTS; nothing is written.

    Types are learned from up to 60 of their landings without any event of a rule in LAPSES.
    raises   ArchiveError when there is no archive, or nothing was detected yet
    """
    store = Archive(archive)
    events, landings = store.events(), store.landings()
    events = events.filter(pl.col("rule").is_in(list(LAPSES)))
    if not events.height:
        return pl.DataFrame(schema=COSTS)
    settings = _settings(store.run)
    models = learn_fleets(store, normal_landings(landings, events), settings)
    costs = [
        estimate(rolls, events, models.get(key)) for key, rolls in _rolls(store, set(events["landing_id"]), settings)
    ]
    found = pl.concat([pl.DataFrame(schema=COSTS), *costs])
    return events.select("event_id").join(found, on="event_id", how="left", maintain_order="left").select(list(COSTS))


def normal_landings(landings: pl.DataFrame, events: pl.DataFrame) -> set[str]:
    """Landings to learn each type from: full stops without events, spread evenly over the archive's time."""
    lapsed = events.filter(pl.col("rule").is_in(list(LAPSES)))["landing_id"]
    good = landings.filter((pl.col("kind") == "full_stop") & ~pl.col("landing_id").is_in(lapsed.implode()))
    chosen: set[str] = set()
    for _, fleet in good.sort("touchdown_utc", "landing_id").group_by("fleet"):
        some = np.linspace(0, fleet.height - 1, min(fleet.height, SPARE * MOST_LANDINGS)).astype(int)
        chosen |= set(fleet["landing_id"].gather(some))
    return chosen


def learn_fleets(store: Archive, landing_ids: Collection[str], settings: Settings) -> dict[Key, FleetModel | None]:
    """A model of each type among some landings of an archive, by fleet and number of engines."""
    parts: dict[Key, list[Rolls]] = defaultdict(list)
    for key, rolls in _rolls(store, set(landing_ids), settings):
        parts[key].append(rolls)
    return {key: fit_fleet(found) for key, found in parts.items()}


def _rolls(store: Archive, wanted: set[str], settings: Settings) -> Iterator[tuple[Key, Rolls]]:
    """Rollouts of some landings, part by part and type by type."""
    files = store.files().explode("landing_ids").filter(pl.col("landing_ids").is_in(list(wanted)))
    for (part,), rows in files.group_by("part", maintain_order=True):
        block = store.read_part(str(part), live=set(rows["landing_ids"]))
        rolls = rolls_of_block(block, settings)
        for fleet in np.unique(rolls.fleet):
            yield (str(fleet), block.layout.engines), rolls.take(np.flatnonzero(rolls.fleet == fleet))


def rolls_of_block(block: Block, settings: Settings) -> Rolls:
    """Rollouts of a block, its faulty samples taken out."""
    reasons = Reasons()
    screen = screened(block, reasons)
    with np.errstate(invalid="ignore"):
        return rolls_of(Rollout(screen.block, settings, reasons, screen.unusable))


def _settings(run: Mapping[str, Any]) -> Settings:
    return Settings(**run["settings"])
