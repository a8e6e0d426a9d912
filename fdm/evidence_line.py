"""One line of evidence, and the words that lines are made of."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

c = pl.col
LEVER = c("lever_recorded") == 1
NO_LEVERS = pl.when(c("thrust_lever").is_null()).then(pl.lit("Levers")).otherwise(pl.lit("Reverse levers"))
RAISED = LEVER & c("selected").is_not_null()


@dataclass(frozen=True)
class Line:
    """One line of evidence: for which rules, when it holds, what it says, where it points and how strongly."""

    rules: tuple[str, ...]
    when: pl.Expr
    says: pl.Expr
    towards: str | None
    weight: float = 1.0


def say(text: str, *columns: str, digits: int = 1, scale: float = 1.0) -> pl.Expr:
    """A sentence with the rounded values of columns of the context in it."""
    if not columns:
        return pl.lit(text)
    scaled = [c(name) * scale if scale != 1.0 else c(name) for name in columns]
    rounded = [value.round(digits) if digits else value.round().cast(pl.Int64) for value in scaled]
    return pl.format(text, *rounded)


def metres(name: str) -> pl.Expr:
    """Whole metres, thousands apart: 1,340."""
    whole = c(name).round().cast(pl.Int64)
    apart = pl.format("{},{}", whole // 1000, (whole % 1000).cast(pl.String).str.zfill(3))
    return pl.when(whole >= 1000).then(apart).otherwise(whole.cast(pl.String))
