"""What is new: a rule that had not found anything on this aircraft, or at this runway, in the weeks before."""

from __future__ import annotations

import polars as pl

BEFORE_WEEKS = 8  # common practice, no source
NEW = {"aircraft": "on this aircraft", "runway": "at this runway", "both": "on this aircraft or at this runway"}
NEW_ON = ("tail", "place")  # as `new` names them: aircraft, runway


def with_new(events: pl.DataFrame, landings: pl.DataFrame) -> pl.DataFrame:
    """The events with `new`: aircraft, runway, both, or null.

    An event is new when its rule found nothing on its aircraft (or at its runway) in the BEFORE_WEEKS weeks before its
    own. Nothing is new in the first week of an archive, which has none before it.
    """
    first = landings.select(_week()).to_series().min()
    marked = events.with_columns(_week().alias("week_number"))
    for key in NEW_ON:
        marked = marked.join(_fresh(marked, key), on=["rule", key, "week_number"], how="left", maintain_order="left")
    known = pl.col("week_number") > first if first is not None else pl.lit(False)
    tail, place = ((pl.col(f"new {key}") & known).fill_null(False) for key in NEW_ON)
    new = (
        pl.when(tail & place)
        .then(pl.lit("both"))
        .when(tail)
        .then(pl.lit("aircraft"))
        .when(place)
        .then(pl.lit("runway"))
    )
    return marked.with_columns(new=new).drop("week_number", *(f"new {key}" for key in NEW_ON))


def _week() -> pl.Expr:
    """Mondays since the first of 1970, which was a Thursday."""
    return (pl.col("touchdown_utc").dt.date().cast(pl.Int32) + 3) // 7


def _fresh(events: pl.DataFrame, key: str) -> pl.DataFrame:
    """Rule, `key` and week of events, and whether it is the first such week after BEFORE_WEEKS without one."""
    weeks = events.select("rule", key, "week_number").drop_nulls().unique().sort("week_number")
    before = pl.col("week_number").shift(1).over("rule", key)
    return weeks.with_columns(((pl.col("week_number") - before) > BEFORE_WEEKS).fill_null(True).alias(f"new {key}"))
