"""Why landings of an archive are not assessed by one rule, also under a condition that is only tried."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import polars as pl

from fdm.archive import Archive
from fdm.judge import judge
from fdm.judged import not_for
from fdm.rulebook import RuleBook
from fdm.tuning import some_measured

UNASSESSED: dict[str, Any] = {
    "landing_id": pl.String,
    "reason": pl.String,
    "not_for": pl.Boolean,    # the rule is not for this landing, as where its condition does not hold
}  # fmt: skip


def unassessed(archive: Archive, book: RuleBook, rule: str, where: str | None = None) -> pl.DataFrame:
    """The landings that a rule of a book does not assess, with the reason that detect would give (UNASSESSED).

    where    a condition to be tried in place of the rule's own; "" for none
    """
    chosen = book.rules[rule] if where is None else replace(book.rules[rule], where=where or None)
    alone = replace(book, rules={rule: chosen})
    named = {chosen.measure, *(pl.sql_expr(chosen.where).meta.root_names() if chosen.where else ())}
    results, found = archive.results_now(), [pl.DataFrame(schema=UNASSESSED)]
    for part in results.parts:
        measured = some_measured(results, part, archive.layout(part).reversers, named)
        ((_, landings),) = results.frames("landings", [part])
        outcomes = judge(alone, measured, landings).outcomes.filter(pl.col("outcome") == "not_assessed")
        found.append(outcomes.select("landing_id", "reason", not_for=not_for()))
    return pl.concat(found)
