"""Lines of evidence on unequal reverse power: levers beside N1."""

from __future__ import annotations

import polars as pl

from fdm.evidence_line import LEVER, Line, c, say

UNEQUAL = ("unequal_reverse_power",)
TOGETHER = 0.05  # fraction of travel within which levers stood together: their tolerance both ways, and a step
EXPLAINS = 0.5  # least points of lever travel for each point of N1 that they account for (common practice, no source)


_ENGINE, _OTHER = c("engine"), c("other")
_KEPT = (c("kept_at_idle") == 1).fill_null(False)


def _percent(name: str) -> pl.Expr:
    """A fraction of travel as whole percent; a lever on its stop may read a little more than all of it."""
    return (c(name).clip(0.0, 1.0) * 100).round().cast(pl.Int64)


def uneven_power() -> tuple[Line, ...]:
    """Two engines' reverse power: levers apart that account for it, or N1 apart with the levers together."""
    below = c("lever_below")
    apart_pct, n1_pct = (c("lever_below").abs() * 100).round().cast(pl.Int64), c("power_below").round().cast(pl.Int64)
    accounts = 100 * below >= EXPLAINS * c("power_below")
    further = (c("other_lever_highest") - c("lever_highest") > TOGETHER).fill_null(False) | _KEPT
    by_itself = LEVER & ~c("asymmetric_deployment")  # reversers that were not out together leave N1 apart for a while
    return (
        Line(UNEQUAL, LEVER & (below > TOGETHER) & accounts & further, _levers_went(), "crew", 2.0),
        Line(
            UNEQUAL,
            LEVER & (below > TOGETHER) & accounts & ~further,
            pl.format("Reverse lever {} stood {} % below lever {} on average.", _ENGINE, apart_pct, _OTHER),
            "crew",
            2.0,
        ),
        Line(UNEQUAL, by_itself & (below.abs() <= TOGETHER), _levers_together(n1_pct), "aircraft", 1.5),
        Line(
            UNEQUAL,
            by_itself & (below > TOGETHER) & ~accounts,
            pl.format(
                "Reverse lever {} stood {} % below lever {}, which does not account for {} % less N1.",
                _ENGINE,
                apart_pct,
                _OTHER,
                n1_pct,
            ),
            "aircraft",
            1.0,
        ),
        Line(
            UNEQUAL,
            by_itself & (below < -TOGETHER),
            pl.format(
                "Reverse lever {} stood {} % above lever {}, and N1 of engine {} was {} % lower.",
                _ENGINE,
                apart_pct,
                _OTHER,
                _ENGINE,
                n1_pct,
            ),
            "aircraft",
            1.0,
        ),
        Line(
            UNEQUAL,
            LEVER & below.is_null() & c("power_below").is_not_null(),
            say("A reverse lever has a gap in reverse, so what the crew did cannot be told."),
            None,
        ),
    )


def _levers_went() -> pl.Expr:
    """Where each lever went; one that stayed at idle reverse is said to have stayed."""
    own, other = _percent("lever_highest"), _percent("other_lever_highest")
    text = "Reverse lever {} stayed at idle reverse ({} %), lever {} went to {} %."
    stayed = pl.format(text, _ENGINE, own, _OTHER, other)
    went = pl.format("Reverse lever {} went to {} %, lever {} to {} %.", _ENGINE, own, _OTHER, other)
    average = pl.format("Reverse lever {} stood below lever {}.", _ENGINE, _OTHER)  # with a gap, where it went is open
    return pl.coalesce(pl.when(_KEPT).then(stayed).otherwise(went), average)


def _levers_together(n1_pct: pl.Expr) -> pl.Expr:
    """Where both levers went, and by how much less N1 one engine answered."""
    lower = pl.format("N1 of engine {} was {} % lower.", _ENGINE, n1_pct)
    went = pl.format("Both reverse levers went to {} %; {}", _percent("other_lever_highest"), lower)
    return pl.coalesce(went, pl.format("Both reverse levers stood together; {}", lower))
