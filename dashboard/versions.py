"""The rule books that can be looked at: the one in force, the shipped one, and every version that was saved."""

from __future__ import annotations

from contextlib import suppress
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
from fdm.errors import FdmError, RuleError
from fdm.people.books import VERSIONS, files_of
from fdm.people.errors import PeopleError
from fdm.people.location import rules_folder
from fdm.rulebook import RuleBook, shipped_folder

FORCE, SHIPPED, BEFORE = "force", "shipped", "before"
NOTHING: Any = pl.DataFrame(schema=VERSIONS)


@dataclass(frozen=True)
class Version:
    """A rule book to choose: its key in an address, and what it is called."""

    key: str
    title: str


def shipped() -> RuleBook:
    """The rule book that comes with the product."""
    return analysis.book_in(shipped_folder())


@dataclass(frozen=True)
class Before:
    """The rule book of the operator's own folder that was in force before.

    label     as it was called then; `hash`, of what it said then
    book      what the folder says now; None when it cannot be read any more, or says what the one in force says
    """

    label: str
    hash: str
    folder: Path
    book: RuleBook | None

    @property
    def changed(self) -> bool:
        """Whether the folder does not say any more what was in force."""
        return self.book is None or self.book.hash != self.hash


def before(store: Store) -> Before | None:
    """What was in force before, where it is neither shipped nor saved; None when it is, or is not known."""
    run = store.whole().run
    was = run.get("before")
    if not was:
        return None
    try:
        known = [shipped().hash, *saved(store)["hash"]]
    except PeopleError:
        known = []
    if was["rule_book_hash"] in known:
        return None
    folder, book = Path(was["rules"]), None
    with suppress(FdmError):
        book = analysis.book_in(folder)
    in_force = book is not None and book.hash == run.get("rule_book_hash")
    return Before(was["rule_book"], was["rule_book_hash"], folder, None if in_force else book)


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
    return [Version(FORCE, "In force"), *ways_back(store), *named]


def ways_back(store: Store) -> list[Version]:
    """The shipped rule book and, where its folder still tells it, the own one that was in force before."""
    found = [Version(SHIPPED, f"As shipped: {shipped().label}")]
    was = before(store)
    if was is not None and was.book is not None:
        since = ", its folder was changed since" if was.changed else ""
        found.append(Version(BEFORE, f"In force before: {was.label}{since}"))
    return found


def book(store: Store, key: str) -> RuleBook:
    """The rule book of a key. Raises RuleError or PeopleError when there is none."""
    if key == FORCE:
        return analysis.book_in_force(store)
    if key == SHIPPED:
        return shipped()
    if key == BEFORE:
        return _before(store)
    if not key.isascii() or not key.isdigit() or store.desk is None:
        raise RuleError("there is no such version", cure="Choose one of the list.")
    return book_of(store.desk.books().version(int(key)).files)


def folder(store: Store, key: str) -> Path:
    """The folder of a rule book; a saved version that lies in none is written beside the archive."""
    if key in (FORCE, SHIPPED):
        return Path(analysis.book_in_force(store).folder) if key == FORCE else shipped_folder()
    if key == BEFORE:
        return Path(_before(store).folder)
    path = versions_folder(store) / f"{int(key):06d}"
    if store.desk is not None and (
        not path.exists() or files_of(path) != dict(store.desk.books().version(int(key)).files)
    ):
        store.desk.books().write(int(key), path)
    return path


def _before(store: Store) -> RuleBook:
    was = before(store)
    if was is None or was.book is None:
        raise RuleError("there is no other rule book that was in force before", cure="Choose one of the list.")
    return was.book


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
