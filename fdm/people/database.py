"""One database, SQLite or PostgreSQL, with one writer at a time and errors that a person can act on.

A write takes the writer's place first (BEGIN IMMEDIATE; an advisory lock), so what it then reads stays true until it
commits. A write that met a broken connection is tried again; whoever calls sees it done once, or a StoreError.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import URL, Connection, Engine, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, DisconnectionError, NoSuchModuleError
from sqlalchemy.pool import QueuePool

from fdm.people.errors import StoreError, StoreUnavailable
from fdm.people.failures import as_store_error

T = TypeVar("T")

BUSY_S = 10.0  # how long a write waits for another one
WAITS_S = (0.2, 1.0)  # before each new try
WRITER_LOCK = 0x726F_6C6C  # the number of our advisory lock


class Database:
    """A database by its URL; nothing is opened before the first read or write.

    url     sqlite:///FILE, a file's path, or postgresql://USER@HOST/NAME
    pause   waits some seconds; for tests
    raises  StoreError for a URL that cannot be used
    """

    def __init__(self, url: str, *, pause: Callable[[float], None] = time.sleep):
        self._url = _parsed(url)
        self._pause = pause
        self.path = Path(self._url.database or "").absolute() if self.is_sqlite else None
        self._engine = _sqlite_engine(self.path) if self.path else _postgresql_engine(self._url)

    @property
    def is_sqlite(self) -> bool:
        """True for the embedded database."""
        return self._url.get_backend_name() == "sqlite"

    @property
    def name(self) -> str:
        """The file, or the URL without its password."""
        return str(self.path) if self.path else self._url.render_as_string(hide_password=True)

    def read(self, work: Callable[[Connection], T]) -> T:
        """What `work` finds, in one consistent view of the whole store."""
        return self._tried(work, write=False)

    def write(self, work: Callable[[Connection], T]) -> T:
        """Do `work` whole or not at all. It may run more than once, so it changes nothing but the database."""
        return self._tried(work, write=True)

    def _tried(self, work: Callable[[Connection], T], *, write: bool) -> T:
        for wait_s in WAITS_S:
            try:
                return self._once(work, write)
            except StoreUnavailable:
                self._pause(wait_s)
        return self._once(work, write)

    def _once(self, work: Callable[[Connection], T], write: bool) -> T:
        committing = False
        try:
            with self._engine.connect().execution_options(write=write) as connection:
                connection.begin()
                found = work(connection)
                committing = write
                connection.commit()
                return found
        except DBAPIError as error:
            raise as_store_error(error, self.name, write=write, committing=committing) from error

    def close(self) -> None:
        """Let go of every connection."""
        self._engine.dispose()

    def create_file(self) -> None:
        """Make an empty SQLite file that only its owner may read, unless there is one."""
        if self.path is None:
            return
        try:
            os.close(os.open(self.path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        except FileExistsError:
            return
        except OSError as error:
            raise StoreError(f"cannot be made ({error.strerror})", source=self.path) from None
        sync_folder(self.path.parent)


def sync_folder(folder: Path) -> None:
    """Make sure that a file made or renamed in a folder is there after a power cut."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _parsed(text: str) -> URL:
    try:
        url = make_url(text) if "://" in text else URL.create("sqlite", database=text)
    except ArgumentError:
        raise StoreError(
            "this address of a store cannot be read",
            cure="Write a file's path, or postgresql://USER@HOST/NAME.",
        ) from None
    backend = url.get_backend_name()
    if backend in ("postgresql", "postgres"):
        return url.set(drivername="postgresql+psycopg")
    if backend != "sqlite" or not url.database or url.database == ":memory:":
        raise StoreError(
            f"people's work cannot be kept in {backend if backend != 'sqlite' else 'memory'}",
            cure="Write a file's path, or postgresql://USER@HOST/NAME.",
        )
    return url


def _sqlite_engine(path: Path) -> Engine:
    """Every connection is to a file that exists: a store that went missing is never silently begun anew."""

    def connect() -> sqlite3.Connection:
        return sqlite3.connect(
            f"{path.as_uri()}?mode=rw", uri=True, timeout=BUSY_S, check_same_thread=False, isolation_level=None
        )

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool, pool_size=8, max_overflow=24)

    @event.listens_for(engine, "connect")
    def prepare(connection: sqlite3.Connection, record: Any) -> None:
        (mode,) = connection.execute("PRAGMA journal_mode=WAL").fetchone()
        if mode != "wal":
            raise StoreError(
                "this disk cannot keep a write-ahead log", source=path, cure="Keep the store on a local disk."
            )
        for pragma in ("synchronous=FULL", "foreign_keys=ON", "recursive_triggers=ON"):
            connection.execute(f"PRAGMA {pragma}")
        record.info["file"] = _identity(path)

    @event.listens_for(engine, "checkout")
    def same_file(_connection: sqlite3.Connection, record: Any, _proxy: Any) -> None:
        if record.info["file"] != _identity(path):  # moved away, deleted or restored meanwhile
            raise DisconnectionError

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        write = connection.get_execution_options().get("write", True)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")

    return engine


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _postgresql_engine(url: URL) -> Engine:
    options = {"connect_timeout": 5, "application_name": "rollout-watch"}
    try:
        engine = create_engine(url, pool_pre_ping=True, pool_size=8, max_overflow=8, connect_args=options)
    except (ImportError, NoSuchModuleError):
        raise StoreError(
            "PostgreSQL's driver is not installed", cure="Run: pip install 'rollout-watch[team]'."
        ) from None

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        if connection.get_execution_options().get("write", True):
            connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{BUSY_S:g}s'")
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({WRITER_LOCK})")
        else:
            connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")

    return engine
