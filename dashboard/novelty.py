"""What is new: a rule that finds something repeatedly on an aircraft, or at a runway, where it found nothing before.

Most events are rare: on one aircraft nearly every single one comes after weeks without its like, which says nothing.
Two landings in one week after weeks without any are seldom chance, and are what somebody should hear of.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

BEFORE_WEEKS = 8  # common practice, no source
FEWEST_BEFORE = 4  # weeks that the archive must hold before the event's own; common practice, no source
FEWEST_LANDINGS = 2  # in the week
NEW = {"aircraft": "on this aircraft", "runway": "at this runway", "both": "on this aircraft or at this runway"}
NEW_ON = ("tail", "place")  # as `new` names them: aircraft, runway


def news(event: Mapping[str, Any]) -> str:
    """Why an event is new: "On several landings this week and on none in the 6 weeks before, on this aircraft"."""
    return f"On several landings this week and on none in the {event['weeks_before']} weeks before, {NEW[event['new']]}"


def with_new(events: pl.DataFrame, landings: pl.DataFrame) -> pl.DataFrame:
    """The events with `new`: aircraft, runway, both, or null; and `weeks_before`, how many weeks were looked at.

    An event is new when its rule found something on FEWEST_LANDINGS landings or more of its aircraft (or at its runway)
    in its own week, and nothing in the BEFORE_WEEKS weeks before, or as many as there are. Nothing is new in the first
    FEWEST_BEFORE weeks of an archive: too little is known of the time before them.
    """
    first = landings.select(_week()).to_series().min()
    marked = events.with_columns(_week().alias("week_number"))
    for key in NEW_ON:
        marked = marked.join(_fresh(marked, key), on=["rule", key, "week_number"], how="left", maintain_order="left")
    since_first = pl.col("week_number") - first if isinstance(first, int) else pl.lit(0)
    before = since_first.clip(0, BEFORE_WEEKS)
    known = before >= FEWEST_BEFORE
    tail, place = ((pl.col(f"new {key}") & known).fill_null(False) for key in NEW_ON)
    new = (
        pl.when(tail & place)
        .then(pl.lit("both"))
        .when(tail)
        .then(pl.lit("aircraft"))
        .when(place)
        .then(pl.lit("runway"))
    )
    return marked.with_columns(new=new, weeks_before=before.cast(pl.Int64)).drop(
        "week_number", *(f"new {key}" for key in NEW_ON)
    )


def _week() -> pl.Expr:
    """Mondays since the first of 1970, which was a Thursday."""
    return (pl.col("touchdown_utc").dt.date().cast(pl.Int32) + 3) // 7


def _fresh(events: pl.DataFrame, key: str) -> pl.DataFrame:
    """Rule, `key` and week of events, and whether it came on several landings after BEFORE_WEEKS without one."""
    known = events.drop_nulls(["rule", key, "week_number"])
    weeks = known.group_by("rule", key, "week_number").agg(landings=pl.col("landing_id").n_unique()).sort("week_number")
    before = pl.col("week_number").shift(1).over("rule", key)
    after_none = (pl.col("week_number") - before > BEFORE_WEEKS).fill_null(True)
    several = pl.col("landings") >= FEWEST_LANDINGS
    return weeks.select("rule", key, "week_number", (after_none & several).alias(f"new {key}"))
