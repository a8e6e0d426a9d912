"""What the rule book in use changed against the one in force before it: the limits that moved, by whom, when, why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from dashboard.versions import SHIPPED
from fdm.amending import book_of
from fdm.changes import Changed, changes
from fdm.errors import RuleError
from fdm.people.books import Books
from fdm.rulebook import RuleBook, load_rule_book

REASON = 120


@dataclass(frozen=True)
class BookChange:
    """The saved version that an archive was judged by, and what it changed.

    before    the rule book in force before it, as an address of versions names it; "" when it was never saved
    newer     how many were saved after it, which are not in use
    along     what came into use with it, as it was made from them: version, who saved it, why; the last first
    """

    version: str
    by: str
    at_utc: datetime
    reason: str
    changes: tuple[str, ...]
    before: str
    newer: int
    along: tuple[tuple[str, str, str], ...] = ()


def in_short(reason: str) -> str:
    """The first REASON characters or so of what somebody wrote, on one line, cut between words where it can be."""
    text = " ".join(reason.split())
    if len(text) <= REASON:
        return text
    kept = text[:REASON]
    return f"{kept[: kept.rfind(' ')] if ' ' in kept[REASON // 2 :] else kept}…"


def ended(text: str) -> str:
    """The beginning of what somebody wrote, with a full stop where it has none."""
    said = in_short(text)
    return said if said.endswith((".", "!", "?", "…")) else f"{said}."


def change_of(books: Books, versions: pl.DataFrame, run: Mapping[str, Any]) -> BookChange | None:
    """What the version in use changed; None when it was never saved, or what was in force before it is not known.

    versions    books.VERSIONS, newest first
    run         of the archive (engine): `rule_book_hash`, and what was in force `before` it
    raises      RuleError, StoreError
    """
    row = _saved_as(versions, run.get("rule_book_hash"))
    was = run.get("before")
    if row is None or not was:
        return None
    key, before = _found(books, versions, was)
    if before is None:
        return None
    now = book_of(books.version(row["version_id"]).files)
    newer = versions.filter(pl.col("version_id") > row["version_id"]).height
    told = tuple(differences(before, now))
    along = tuple(_along(versions, books.built_on(), row["hash"], was["rule_book_hash"]))
    return BookChange(row["version"], row["saved_by"], row["saved_utc"], row["reason"], told, key, newer, along)


def _along(versions: pl.DataFrame, built_on: Mapping[str, str], now: str, was: str) -> list[tuple[str, str, str]]:
    """The saved versions from which one was made, back to what was in force; none when they do not lead there."""
    line = [now]
    while (before := built_on.get(line[-1])) and before not in line and before != was:
        line.append(before)
    rows = [_saved_as(versions, one) for one in line[1:]] if before == was else []
    return [(row["version"], row["saved_by"], row["reason"]) for row in rows if row is not None]


def _saved_as(versions: pl.DataFrame, book_hash: object) -> dict[str, Any] | None:
    found = versions.filter(pl.col("hash") == str(book_hash)).head(1)
    return None if found.is_empty() else found.row(0, named=True)


def _found(books: Books, versions: pl.DataFrame, was: Mapping[str, Any]) -> tuple[str, RuleBook | None]:
    """A rule book that was in force, as it was then: saved, shipped, or in a folder that was not edited since."""
    row = _saved_as(versions, was["rule_book_hash"])
    if row is not None:
        return str(row["version_id"]), book_of(books.version(row["version_id"]).files)
    for key, folder in ((SHIPPED, None), ("", was["rules"])):
        try:
            book = load_rule_book(folder)
        except RuleError:
            continue
        if book.hash == was["rule_book_hash"]:
            return key, book
    return "", None


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
