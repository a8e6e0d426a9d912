"""Rule books as they were saved: every version whole, with who saved it and why. A version is never changed."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl
from sqlalchemy import Connection, select

from fdm.errors import RuleError
from fdm.people.database import Database
from fdm.people.errors import PeopleError
from fdm.people.ledger import Deed, Ledger
from fdm.people.roles import Actor
from fdm.people.rows import next_id, read_frame
from fdm.people.tables import audit, book_versions
from fdm.people.texts import NOTE, clean
from fdm.rulebook import RuleBook, load_rule_book
from fdm.schemas import UTC

VERSIONS: dict[str, Any] = {
    "version_id": pl.Int64,
    "hash": pl.String,
    "name": pl.String,
    "version": pl.String,
    "reason": pl.String,
    "saved_by": pl.String,
    "saved_utc": UTC,
}


@dataclass(frozen=True)
class SavedBook:
    """A saved version: its number, the rule book's hash, and its files by name."""

    version_id: int
    hash: str
    files: Mapping[str, str]


class Books:
    """The saved rule books of one store."""

    def __init__(self, database: Database, ledger: Ledger):
        self._database = database
        self._ledger = ledger

    def save(
        self,
        files: Mapping[str, str],
        *,
        reason: str,
        by: Actor,
        token: str | None = None,
        built_on: str | None = None,
        seen: int | None = None,
    ) -> SavedBook:
        """Keep a rule book, given as its TOML files by name.

        built_on  hash of the rule book that was changed into this one
        seen      the newest number that whoever saves knows of, 0 when there was none; None when they do not say
        raises    RuleError with every problem when it is no rule book; PeopleError without a reason, when nothing
                  changed since the version before, or another version was saved meanwhile
        """
        why = clean(reason, "the reason for this version", NOTE, needed=True)
        book = _read(files)

        def work(connection: Connection) -> Deed:
            newest = connection.execute(select(book_versions).order_by(book_versions.c.version_id.desc())).first()
            if seen is not None and seen != (newest.version_id if newest else 0):
                raise PeopleError("another version was saved meanwhile", cure="Say which one this builds on.")
            if newest is not None and newest.hash == book.hash:
                raise PeopleError("this is the version that was saved last", cure="Change something, then save.")
            row = {
                "version_id": next_id(connection, book_versions),
                "hash": book.hash,
                "name": book.name,
                "version": book.version,
                "reason": why,
                "files": json.dumps(dict(files), sort_keys=True),
            }
            detail = {"hash": book.hash, "reason": why} | ({"built_on": built_on} if built_on else {})
            return Deed(book.label, detail, book_versions, [row])

        entry_id = self._ledger.perform(by, "rule book saved", work, token=token)
        return self._one(book_versions.c.entry_id == entry_id, f"entry {entry_id}")

    def versions(self) -> pl.DataFrame:
        """Every version (VERSIONS), newest first."""
        own = (book_versions.c[name] for name in ("version_id", "hash", "name", "version", "reason"))
        query = select(*own, audit.c.who, audit.c.at_utc).join(audit, book_versions.c.entry_id == audit.c.entry_id)
        ordered = query.order_by(book_versions.c.version_id.desc())
        return read_frame(self._database, ordered, VERSIONS)

    def built_on(self) -> dict[str, str]:
        """Hash of a saved version -> hash of the rule book that was changed into it, where that is known."""
        query = select(book_versions.c.hash, audit.c.detail).join(audit, book_versions.c.entry_id == audit.c.entry_id)
        rows = self._database.read(lambda connection: connection.execute(query.order_by(audit.c.entry_id)).all())
        said = {row.hash: json.loads(row.detail).get("built_on") for row in rows}
        return {own: before for own, before in said.items() if before}

    def version(self, version_id: int) -> SavedBook:
        """A version by its number. PeopleError when there is none."""
        return self._one(book_versions.c.version_id == version_id, f"version {version_id}")

    def write(self, version_id: int, folder: Path | str) -> Path:
        """Put a version into a new or empty folder, for detect to judge with."""
        saved, path = self.version(version_id), Path(folder)
        if path.exists() and any(path.iterdir()):
            raise PeopleError("this folder holds other files", source=path, cure="Name an empty or new folder.")
        _write(saved.files, path)
        return path

    def _one(self, condition: Any, what: str) -> SavedBook:
        query = select(book_versions).where(condition)
        row = self._database.read(lambda connection: connection.execute(query).first())
        if row is None:
            raise PeopleError("no rule book was saved under this number", source=what)
        return SavedBook(row.version_id, row.hash, json.loads(row.files))


def files_of(folder: Path | str) -> dict[str, str]:
    """The TOML files of a rule book's folder, by name."""
    paths = sorted(path for path in Path(folder).glob("*.toml") if not path.name.startswith("."))
    return {path.name: path.read_text(encoding="utf-8") for path in paths}


def _read(files: Mapping[str, str]) -> RuleBook:
    wrong = [name for name in files if Path(name).name != name or not name.endswith(".toml")]
    if wrong:
        raise PeopleError(
            "is not a rule's file name", source=repr(wrong[0]), cure="Use names such as late_spoilers.toml."
        )
    with tempfile.TemporaryDirectory() as aside:
        folder = Path(aside) / "rule_book"
        _write(files, folder)
        try:
            return load_rule_book(folder)
        except RuleError as error:
            raise RuleError(str(error).replace(f"{folder}{os.sep}", "").replace(str(folder), "rule book")) from None


def _write(files: Mapping[str, str], folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
