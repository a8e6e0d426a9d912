"""What the rule book in use changed against the version saved before it: the limits that moved, by whom, when, why."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from fdm.amending import book_of
from fdm.changes import Changed, changes
from fdm.people.books import Books
from fdm.rulebook import RuleBook


@dataclass(frozen=True)
class BookChange:
    """The saved version that an archive was judged by, and what it changed.

    before_id   the version saved before it
    newer       how many were saved after it, which are not in use yet
    """

    version: str
    by: str
    at_utc: datetime
    reason: str
    changes: tuple[str, ...]
    before_id: int
    newer: int


def change_of(books: Books, versions: pl.DataFrame, book_hash: str) -> BookChange | None:
    """What the version in use changed; None when it was never saved, or is the first.

    versions    books.VERSIONS, newest first
    raises      RuleError, StoreError
    """
    used = versions.filter(pl.col("hash") == book_hash).head(1)
    if used.is_empty():
        return None
    row = used.row(0, named=True)
    before = versions.filter(pl.col("version_id") < row["version_id"]).head(1)
    if before.is_empty():
        return None
    was, now = (book_of(books.version(number).files) for number in (before.item(0, "version_id"), row["version_id"]))
    newer = versions.filter(pl.col("version_id") > row["version_id"]).height
    told = tuple(differences(was, now))
    return BookChange(
        row["version"], row["saved_by"], row["saved_utc"], row["reason"], told, before.item(0, "version_id"), newer
    )


def differences(was: RuleBook, now: RuleBook) -> Iterator[str]:
    """What differs between two rule books, a clause for each rule and setting."""
    found = changes(was, now)
    for rule in dict.fromkeys(one.rule for one in found):
        mine = [one for one in found if one.rule == rule]
        if rule is None:
            yield from (f"setting {_moved(one)}" for one in mine)
            continue
        title = (now.rules.get(rule) or was.rules[rule]).title
        if mine[0].what == "rule":
            yield f"{title}: {'new rule' if mine[0].now else 'taken out'}"
        else:
            yield f"{title}: {', '.join(map(_moved, mine))}"


def _moved(one: Changed) -> str:
    """high limit 3.5 s → 4 s; a condition is only said to be another one, as it may be long."""
    if one.what == "condition":
        return "another condition"
    return f"{one.what.replace('_', ' ')} {one.was or 'none'} → {one.now or 'none'}"
