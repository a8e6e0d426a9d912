"""The rule books that can be looked at: the one in force, the shipped one, and every version that was saved."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import polars as pl

from dashboard import analysis
from dashboard.store import Store
from fdm.amending import book_of
from fdm.changes import Changed, changes
from fdm.comparing import compare
from fdm.errors import RuleError
from fdm.people.books import VERSIONS, files_of
from fdm.people.errors import PeopleError
from fdm.people.location import rules_folder
from fdm.rulebook import RuleBook, load_rule_book, shipped_folder

FORCE, SHIPPED = "force", "shipped"
NOTHING: Any = pl.DataFrame(schema=VERSIONS)


@dataclass(frozen=True)
class Version:
    """A rule book to choose: its key in an address, and what it is called."""

    key: str
    title: str


def saved(store: Store) -> pl.DataFrame:
    """Every saved version (books.VERSIONS), newest first. Raises PeopleError when they cannot be read."""
    return store.desk.books().versions() if store.desk else NOTHING


def versions_folder(store: Store) -> Path:
    """Where saved versions are written: beside the archive, never in it."""
    return rules_folder(analysis.archive_of(store).path)


def choices(store: Store) -> list[Version]:
    """Every rule book that can be chosen."""
    try:
        rows = list(saved(store).iter_rows(named=True))
    except PeopleError:
        rows = []
    named = [Version(str(row["version_id"]), f"{row['version_id']}: {row['name']} {row['version']}") for row in rows]
    return [Version(FORCE, "In force"), Version(SHIPPED, "As shipped"), *named]


def book(store: Store, key: str) -> RuleBook:
    """The rule book of a key. Raises RuleError or PeopleError when there is none."""
    if key == FORCE:
        return analysis.book_in_force(store)
    if key == SHIPPED:
        return load_rule_book()
    if not key.isascii() or not key.isdigit() or store.desk is None:
        raise RuleError("there is no such version", cure="Choose one of the list.")
    return book_of(store.desk.books().version(int(key)).files)


def folder(store: Store, key: str) -> Path:
    """The folder of a rule book; a saved version that lies in none is written beside the archive."""
    if key in (FORCE, SHIPPED):
        return Path(analysis.book_in_force(store).folder) if key == FORCE else shipped_folder()
    path = versions_folder(store) / f"{int(key):06d}"
    if store.desk is not None and (
        not path.exists() or files_of(path) != dict(store.desk.books().version(int(key)).files)
    ):
        store.desk.books().write(int(key), path)
    return path


@dataclass(frozen=True)
class Compared:
    """Two rule books: what differs in them, and what they judge otherwise (comparing.COMPARISON, with `value`, `lower`,
    `upper`, `unit`, `month` and `place`; identities in it)."""

    a: RuleBook
    b: RuleBook
    changes: list[Changed]
    landings: pl.DataFrame


def compared(store: Store, a: str, b: str) -> Compared:
    """Two rule books of `choices` on the archive's landings.

    Raises RuleError when one cannot be read, or when its settings would have every landing measured anew.
    """
    books = book(store, a), book(store, b)
    archive = analysis.archive_of(store)
    for one in books:
        if one.settings != analysis.book_in_force(store).settings and _large(store):
            raise RuleError(
                "has other settings than the archive was measured with, so every landing would be measured anew",
                source=one.label,
                cure=f"Run fdm compare on the command line, with --archive {archive.address}.",
            )
    folders = folder(store, a), folder(store, b)
    found = store.kept(
        ("compared", books[0].hash, books[1].hash), lambda: compare(archive.address, folders[0], folders[1])
    )
    return Compared(*books, changes(*books), _with_month_and_place(found))


MANY = 5000  # landings that are not measured anew while somebody waits


def _large(store: Store) -> bool:
    return store.whole().landings.height > MANY


def _with_month_and_place(found: pl.DataFrame) -> pl.DataFrame:
    return found.with_columns(
        month=pl.col("touchdown_utc").dt.strftime("%Y-%m"),
        place=pl.concat_str("arrival", "runway", separator=" ", ignore_nulls=True),
    )


def with_values(store: Store, rows: pl.DataFrame, rule: str) -> pl.DataFrame:
    """The compared landings of one rule with the `value`, `lower` and `upper` that were measured for it."""
    try:
        measured = analysis.stood(store, rule).select("landing_id", "value", "lower", "upper")
    except RuleError:
        nothing = pl.lit(None, pl.Float64)
        return rows.with_columns(value=nothing, lower=nothing, upper=nothing)
    return rows.join(measured, on="landing_id", how="left", maintain_order="left")


def when(utc: datetime | None) -> str:
    """24 Nov 2026, 13:05 UTC"""
    return "" if utc is None else f"{utc:%-d %b %Y, %H:%M} UTC"
