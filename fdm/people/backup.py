"""People's work in one file, whole, and back: from and to SQLite or PostgreSQL, whichever.

The file is gzip of lines of JSON: first what it is, then for each table its name and columns and a line for each row,
last how many rows there are and the SHA-256 of every line before. Sessions are left out: after a restore everybody logs
in again. It holds notes, user names and password hashes, so only its owner may read it; the pseudonym key is not in it.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby, islice
from operator import itemgetter
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, MetaData, Table, column, insert, select
from sqlalchemy import table as plain_table

from fdm.people.database import Database, sync_folder
from fdm.people.errors import StoreError
from fdm.people.ledger import Deed, Ledger, Verified, verified
from fdm.people.roles import Actor, require
from fdm.people.tables import sessions
from fdm.people.times import Clock, to_text, utc_now
from fdm.people.upgrading import KNOWN, REVISION, revision_of, run_steps

MARK = "rollout_watch_people"
FORMAT = 1
LEFT_OUT = {"alembic_version", sessions.name}
AT_ONCE = 1000  # rows


@dataclass(frozen=True)
class Kept:
    """What a backup holds: when it was made, at which step of the tables, and rows by table."""

    made_utc: str
    revision: str
    rows: dict[str, int]


@dataclass(frozen=True)
class Restored:
    """What was put back, what the check of its audit log found, and where the store before it is now."""

    kept: Kept
    log: Verified
    before: Path | None


def back_up(url: str, file: Path | str, *, by: Actor, clock: Clock = utc_now) -> Kept:
    """Write everything in a store into a new file, in one consistent view; the store stays in use.

    raises    StoreError when there is no store, or the file is there already or cannot be written; NotAllowed
    """
    require(by, "backup")
    path = Path(file)
    if path.exists():
        raise StoreError("is there already", source=path, cure="Name a new file; a backup is never overwritten.")
    with closing(Database(url)) as database:
        if database.read(lambda connection: revision_of(connection, database.name)) == REVISION:
            Ledger(database, clock).record(by, "backup", path.name)
        aside = path.with_name(f".{path.name}.part")
        try:
            kept = database.read(lambda connection: _write(connection, database.name, aside, to_text(clock())))
            os.link(aside, path)  # refuses to replace a file that came meanwhile
            sync_folder(path.absolute().parent)
        except OSError as error:
            raise StoreError(f"cannot be written ({error.strerror})", source=path) from None
        finally:
            aside.unlink(missing_ok=True)
    return kept


def read_backup(file: Path | str) -> Kept:
    """Read a backup to its end and say what it holds. StoreError when it is none, damaged, or of a newer version."""
    path = Path(file)
    try:
        return _checked(path)
    except (OSError, EOFError, zlib.error) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise StoreError(f"cannot be read as a backup ({said})", source=path) from None
    except (ValueError, KeyError, TypeError):
        raise StoreError("is not a backup of people's work, or damaged", source=path) from None


def restore(file: Path | str, url: str, *, by: Actor, replace: bool = False, clock: Clock = utc_now) -> Restored:
    """Put a backup into an empty store, brought up to this version. Whole or not at all.

    replace    put it in the place of a SQLite store that is there and in nobody's use; that one is kept beside
    raises     StoreError for a bad backup, a store that is not empty or is in use; NotAllowed
    """
    require(by, "restore")
    kept = read_backup(file)
    with closing(Database(url)) as database:
        if database.path is None:
            return Restored(kept, _fill(database, Path(file), kept, by, clock), None)
        return _restore_file(database.path, Path(file), kept, by, clock, replace)


def _restore_file(path: Path, file: Path, kept: Kept, by: Actor, clock: Clock, replace: bool) -> Restored:
    """Made whole aside, then renamed into place; at no moment is there no store."""
    if path.exists() and not replace and not _is_empty(path):
        cure = "Say --replace to put the backup in its place; this one is then kept beside."
        raise StoreError("there is work in this store", source=path, cure=cure)
    aside = path.with_name(f"{path.name}.restoring")
    for leftover in _files(aside):
        leftover.unlink(missing_ok=True)
    with closing(Database(str(aside))) as database:
        database.create_file()
        log = _fill(database, file, kept, by, clock)
    _into_one_file(aside)
    before = _set_aside(path, clock()) if path.exists() else None
    os.replace(aside, path)
    sync_folder(path.parent)
    return Restored(kept, log, before)


def _fill(database: Database, file: Path, kept: Kept, by: Actor, clock: Clock) -> Verified:
    """Put a backup into an empty store, in one transaction."""

    def work(connection: Connection) -> Verified:
        _clear(connection, database.name)
        run_steps(connection, kept.revision)
        for name, rows in groupby(_rows(file), key=itemgetter(0)):
            while some := [row for _, row in islice(rows, AT_ONCE)]:
                connection.execute(insert(plain_table(name, *(column(key) for key in some[0]))), some)
        run_steps(connection, REVISION)
        log = verified(connection, {})
        deed = Deed(file.name, {"made_utc": kept.made_utc, "head": log.head, "faults": len(log.faults)})
        Ledger(database, clock).enter(connection, by, "restore", deed)
        return log

    return database.write(work)


def _clear(connection: Connection, store: str) -> None:
    """Take the tables out of a store in which nothing was done yet."""
    revision_of(connection, store)  # refuses somebody else's
    tables = _tables(connection)
    if _any_row(connection, tables):
        raise StoreError("there is work in this store", source=store, cure="Restore into an empty database.")
    tables.drop_all(connection)
    if connection.dialect.name == "postgresql":
        connection.exec_driver_sql("DROP FUNCTION IF EXISTS refuse_change()")


def _tables(connection: Connection) -> MetaData:
    """The tables as they are in this store."""
    found = MetaData()
    found.reflect(connection)
    return found


def _kept_tables(tables: MetaData) -> list[Table]:
    """Those that a backup holds, the ones that others refer to first."""
    return [table for table in tables.sorted_tables if table.name not in LEFT_OUT]


def _any_row(connection: Connection, tables: MetaData) -> bool:
    return any(connection.execute(select(table).limit(1)).first() for table in _kept_tables(tables))


def _is_empty(path: Path) -> bool:
    """A file in which nothing was done yet; not so one that cannot be read."""
    with closing(Database(str(path))) as database, suppress(StoreError):
        return not database.read(lambda connection: _any_row(connection, _tables(connection)))
    return False


def _write(connection: Connection, store: str, aside: Path, made_utc: str) -> Kept:
    revision = revision_of(connection, store)
    if revision is None:
        raise StoreError("there is no work in this store", source=store)
    aside.unlink(missing_ok=True)
    counts: dict[str, int] = {}
    total = hashlib.sha256()
    with open(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as raw:
        with gzip.GzipFile(fileobj=raw, mode="wb") as packed:

            def say(value: Any) -> None:
                line = _line(value)
                total.update(line)
                packed.write(line)

            say({MARK: FORMAT, "revision": revision, "made_utc": made_utc})
            for table in _kept_tables(_tables(connection)):
                name = table.name
                say({"table": name, "columns": [each.name for each in table.c]})
                counts[name] = 0
                query = select(table).order_by(*table.primary_key).execution_options(yield_per=AT_ONCE)
                for row in connection.execute(query):
                    say(list(row))
                    counts[name] += 1
            say({"rows": counts, "sha256": total.hexdigest()})
        raw.flush()
        os.fsync(raw.fileno())
    return Kept(made_utc, revision, counts)


def _checked(path: Path) -> Kept:
    total, name, said = hashlib.sha256(), "", None
    counts: dict[str, int] = {}
    with gzip.open(path, "rb") as lines:
        first = json.loads(lines.readline() or b"null")
        if not isinstance(first, dict) or MARK not in first:
            raise StoreError("is not a backup of people's work", source=path)
        if first[MARK] > FORMAT or first["revision"] not in KNOWN:
            raise StoreError("was made by a newer version", source=path, cure="Update Rollout Watch.")
        total.update(_line(first))
        for line in lines:
            said = json.loads(line)
            if isinstance(said, list):
                counts[name] += 1
            elif "table" in said:
                name = said["table"]
                counts[name] = 0
            else:
                break
            total.update(line)
    if not isinstance(said, dict) or (said.get("rows"), said.get("sha256")) != (counts, total.hexdigest()):
        raise StoreError("is damaged, or was cut off", source=path, cure="Use another backup.")
    return Kept(first["made_utc"], first["revision"], counts)


def _line(value: Any) -> bytes:
    return json.dumps(value, separators=(",", ":")).encode() + b"\n"


def _rows(path: Path) -> Iterator[tuple[str, dict[str, Any]]]:
    """Every row of a checked backup, with its table's name."""
    name, columns = "", list[str]()
    with gzip.open(path, "rb") as lines:
        lines.readline()
        for line in lines:
            said = json.loads(line)
            if isinstance(said, list):
                yield name, dict(zip(columns, said, strict=True))
            elif "table" in said:
                name, columns = said["table"], said["columns"]


def _files(path: Path) -> list[Path]:
    """A SQLite file and what may lie beside it."""
    return [path.with_name(path.name + end) for end in ("", "-wal", "-shm")]


def _into_one_file(path: Path) -> None:
    """Nothing left in a write-ahead log. sqlite3.OperationalError when somebody has the store open."""
    with closing(sqlite3.connect(path, timeout=0)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")


def _set_aside(path: Path, at: datetime) -> Path:
    """Keep a store that is to be replaced under another name as well."""
    try:
        _into_one_file(path)
    except sqlite3.OperationalError:
        raise StoreError("somebody has this store open", source=path, cure="Stop the dashboard first.") from None
    except sqlite3.DatabaseError:
        pass  # damaged: kept as it is
    before = path.with_name(f"{path.name}.before-restore-{at:%Y%m%dT%H%M%SZ}")
    for old, new in zip(_files(path), _files(before), strict=True):
        if old.exists():
            os.link(old, new)
    for beside in _files(path)[1:]:
        beside.unlink(missing_ok=True)
    return before
