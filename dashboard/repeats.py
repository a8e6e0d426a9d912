"""What is new in a list of events, and what repeats: on an aircraft (and its engine), or at a runway. Pure Polars."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from dashboard.held import Held, can
from dashboard.novelty import FEWEST_LANDINGS
from dashboard.query import Query
from dashboard.queue import chosen_events, matching, week_of

FEWEST = 3  # events in the list that are called a repeat; common practice, no source
KINDS = {"aircraft": ("tail", "engine"), "runway": ("place",)}


@dataclass(frozen=True)
class Together:
    """Events of one rule on one aircraft (and engine) or at one runway.

    severity    of the worst
    landings    on which they are
    """

    rule: str
    title: str
    kind: str
    name: str
    engine: int | None
    severity: str
    events: int
    landings: int

    @property
    def key(self) -> str:
        """The filter that `name` is a value of."""
        return "tail" if self.kind == "aircraft" else "runway"


def repeated(held: Held, query: Query) -> list[Together]:
    """What was found FEWEST times or more, the most often first."""
    events = _facts(held, query)
    found = [one for kind in KINDS for one in _together(events, kind) if one.events >= FEWEST]
    return sorted(found, key=lambda one: -one.events)


def new(held: Held, query: Query) -> list[Together]:
    """What came on several landings where nothing had been in the weeks before (see novelty), the worst first.

    Only what still is on several landings of those that the filters leave.
    """
    events = _facts(held, query).filter(pl.col("new").is_not_null())
    on_aircraft = events.filter(pl.col("new").is_in(["aircraft", "both"])).with_columns(engine=pl.lit(None, pl.Int8))
    at_runway = events.filter(pl.col("new") == "runway")
    found = _together(on_aircraft, "aircraft") + _together(at_runway, "runway")
    return [one for one in found if one.landings >= FEWEST_LANDINGS]


def _facts(held: Held, query: Query) -> pl.DataFrame:
    chosen = chosen_events(held, query.facts, week=week_of(held, query))
    return chosen.with_columns(held.events["landing_id"].gather(chosen["index"]))


def _together(events: pl.DataFrame, kind: str) -> list[Together]:
    """Groups of one kind, worst first."""
    key = KINDS[kind][0]
    same = ["rule", "title", *KINDS[kind]]
    groups = events.filter(pl.col(key).is_not_null()).group_by(same, maintain_order=True)
    counted = groups.agg(pl.col("severity").first(), n=pl.len(), landings=pl.col("landing_id").n_unique())
    return [
        Together(
            row["rule"], row["title"], kind, row[key], row.get("engine"), row["severity"], row["n"], row["landings"]
        )
        for row in counted.iter_rows(named=True)
    ]


def landings_of(held: Held, query: Query, one: Together) -> int:
    """Landings of its aircraft, or at its runway, on which its rule was assessed: of those that the filters leave."""
    if can(one.rule) not in held.landings.columns:
        return 0
    landings = matching(held.landings, query, week=week_of(held, query))
    mine = landings.filter(pl.col(KINDS[one.kind][0]) == one.name, pl.col(can(one.rule)))
    return mine.select(pl.len()).collect().item()
