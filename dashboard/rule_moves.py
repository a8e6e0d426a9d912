"""Whether a rule that was changed since a decision is another one for the aircraft that was decided on."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

import polars as pl

from dashboard.once import Once
from fdm.amending import book_of
from fdm.errors import FdmError
from fdm.people.books import Books
from fdm.rule import Rule
from fdm.rulebook import RuleBook, load_rule_book

_HASH = re.compile(r"\(([0-9a-f]{8})\)$")  # at the end of a rule book's label


def without_unmoved(
    events: pl.DataFrame, current: pl.DataFrame, run: Mapping[str, Any], opened: Callable[[], Books], kept: Once
) -> pl.DataFrame:
    """The events, `rule_changed` taken from those whose fleet the rule judges as it did when they were decided.

    events    with rule, fleet, rule_hash and what stands on them (standing.with_reviews)
    current   standing.CURRENT
    opened    the saved rule books; raises StoreError
    kept      rule books read before
    """
    changed = events.filter(pl.col("rule_changed"))
    if changed.is_empty() or not run.get("rules"):
        return events
    try:
        books = opened()
    except FdmError:
        return events
    now = kept.get(("now", run.get("rule_book_hash")), lambda: _now(run))
    judged = changed.join(current.select("event_id", "judged_rule_hash", "judged_rule_book"), on="event_id", how="left")
    kinds = ("rule", "fleet", "rule_hash", "judged_rule_hash", "judged_rule_book")
    same = [row for row in judged.select(kinds).unique().iter_rows(named=True) if _same(row, now, books, kept)]
    if not same:
        return events
    schema = dict.fromkeys(kinds, pl.String)
    unmoved = judged.join(pl.DataFrame(same, schema=schema), on=kinds, how="semi", nulls_equal=True)["event_id"]
    return events.with_columns(rule_changed=pl.col("rule_changed") & ~pl.col("event_id").is_in(unmoved.to_list()))


def _same(row: Mapping[str, Any], now: RuleBook | None, books: Books, kept: Once) -> bool:
    """Whether one rule judged a fleet then as it does now; False when what it was then is not known."""
    found = _HASH.search(row["judged_rule_book"] or "")
    then = kept.get(("then", found[1]), lambda: _then(books, found[1])) if found else None
    if now is None or then is None or then.settings != now.settings:
        return False
    old, new = then.rules.get(row["rule"]), now.rules.get(row["rule"])
    if old is None or new is None or (old.hash, new.hash) != (row["judged_rule_hash"], row["rule_hash"]):
        return False
    return _judges(old, row["fleet"]) == _judges(new, row["fleet"])


def _judges(rule: Rule, fleet: str | None) -> tuple[object, ...]:
    return rule.measure, rule.direction, rule.where, rule.rollout, rule.limits_for(fleet)


def _now(run: Mapping[str, Any]) -> RuleBook | None:
    try:
        return load_rule_book(run["rules"])
    except FdmError:
        return None


def _then(books: Books, start: str) -> RuleBook | None:
    """The rule book whose hash begins so: a saved version, or the shipped one."""
    try:
        saved = books.versions().filter(pl.col("hash").str.starts_with(start)).head(1)
        if saved.height:
            return book_of(books.version(saved.item(0, "version_id")).files)
        shipped = load_rule_book()
    except FdmError:
        return None
    return shipped if shipped.hash.startswith(start) else None
