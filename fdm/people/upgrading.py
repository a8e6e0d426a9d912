"""Bringing a store to the tables of this version, once, whoever comes first.

An empty store gets its tables. An older one is upgraded when it is opened: whole or not at all, a SQLite file with a
copy of how it was beside it. A newer one is refused.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

from sqlalchemy import Connection, inspect, text

from fdm.people.database import Database
from fdm.people.errors import StoreError

REVISION = "0003"  # what this version works with; a test holds that it is the newest step
KNOWN = ("0001", "0002", "0003")
FOLDER = Path(__file__).parent / "migrations"


def open_store(database: Database, *, to: str = REVISION) -> None:
    """Make the store or bring it up to date. StoreError when it is newer, or somebody else's."""
    database.create_file()
    found = database.read(lambda connection: revision_of(connection, database.name))
    if found == to:
        return
    database.write(lambda connection: _upgrade(connection, database, to))


def revision_of(connection: Connection, store: str) -> str | None:
    """Which step a store is at, None when it is empty."""
    tables = inspect(connection).get_table_names()
    if "alembic_version" not in tables:
        if tables:
            raise StoreError("this database holds something else", source=store, cure="Name an empty one.")
        return None
    found = connection.scalar(text("SELECT version_num FROM alembic_version"))
    if found is not None and found not in KNOWN:
        raise StoreError("written by a newer version", source=store, cure="Update Rollout Watch.")
    return found


def _upgrade(connection: Connection, database: Database, to: str) -> None:
    found = revision_of(connection, database.name)
    if found == to:  # somebody else was first
        return
    if found is not None and database.path is not None:
        _copy_aside(database.path, found)
    run_steps(connection, to)


def run_steps(connection: Connection, to: str) -> None:
    """Bring the tables of a store to a step, in the transaction that is open."""
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, to)


def _copy_aside(path: Path, revision: str) -> None:
    """A whole copy of a SQLite store, in one file."""
    aside = path.with_name(f"{path.name}.before-upgrade-from-{revision}")
    aside.unlink(missing_ok=True)
    aside.touch(mode=0o600)
    source, copy = sqlite3.connect(path), sqlite3.connect(aside)
    try:
        source.backup(copy)
    finally:
        source.close()
        copy.close()
