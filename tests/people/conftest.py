"""Each test of the store runs on SQLite and on PostgreSQL, on an empty store of its own."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from importlib.util import find_spec
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from fdm.people.acts import Judged
from fdm.people.database import Database
from fdm.people.roles import Actor
from fdm.people.store import People
from fdm.people.tables import metadata
from fdm.people.upgrading import open_store

from .cluster import Cluster, memory, programs

SHARED = "people"
_names = count(1)


class Watch:
    """A clock that a test moves; each look is a second later, so that times tell acts apart."""

    def __init__(self) -> None:
        self.at = datetime(2026, 11, 16, 8, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.at += timedelta(seconds=1)
        return self.at


@pytest.fixture
def watch() -> Watch:
    return Watch()


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    """A PostgreSQL server. Without one, tests on it are skipped, but not in CI."""
    folder = programs()
    if folder is None or find_spec("psycopg") is None:
        lacks = "PostgreSQL (Debian: apt-get install -y postgresql)" if folder is None else "psycopg (the extra 'team')"
        if os.environ.get("CI") == "true":
            pytest.fail(f"{lacks} is not installed")
        pytest.skip(f"{lacks} is not installed")
    made = Cluster(folder)
    try:
        made.sql(f"CREATE DATABASE {SHARED}")
        _make(made.url(SHARED))
        yield made
    finally:
        made.remove()


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty store, to be copied."""
    path = tmp_path_factory.mktemp("template") / "people.sqlite"
    _make(str(path))
    return path


def _make(url: str) -> None:
    database = Database(url)
    open_store(database)
    database.close()


@pytest.fixture
def sqlite_url(empty_file: Path) -> Iterator[str]:
    """A file that holds an empty store."""
    with tempfile.TemporaryDirectory(dir=memory()) as folder:
        yield str(shutil.copy(empty_file, Path(folder) / "archive.people.sqlite"))


@pytest.fixture
def postgresql_url(cluster: Cluster) -> str:
    """A database that holds an empty store: emptied past its own refusal, which a superuser can switch off."""
    tables = ", ".join(table.name for table in metadata.sorted_tables)
    cluster.sql(f"SET session_replication_role = replica; SET lock_timeout = '5s'; TRUNCATE {tables}", SHARED)
    return cluster.url(SHARED)


@pytest.fixture
def bare_postgresql_url(cluster: Cluster) -> Iterator[str]:
    """A database with nothing in it."""
    name = f"bare_{next(_names)}"
    cluster.sql(f"CREATE DATABASE {name}")
    yield cluster.url(name)
    cluster.sql(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest) -> str:
    """The address of an empty store, of each kind."""
    return str(request.getfixturevalue(f"{request.param}_url"))


@pytest.fixture
def opened(watch: Watch) -> Iterator[Callable[..., People]]:
    """Opens stores, and closes them at the end."""
    stores: list[People] = []

    def open_one(url: str, **options: Any) -> People:
        stores.append(People(url, **{"clock": watch, "pause": lambda _seconds: None, **options}))
        return stores[-1]

    yield open_one
    for store in stores:
        store.close()


@pytest.fixture
def people(url: str, opened: Callable[..., People]) -> People:
    """An empty store of each kind, open."""
    return opened(url)


OFFICER = Actor("ines", "officer", "10.0.0.7")
OTHER = Actor("jorge", "officer", "10.0.0.8")
CAPTAIN = Actor("kaja", "captain", "10.0.0.9")
ANALYST = Actor("liv", "analyst", "10.0.0.10")
ADMINISTRATOR = Actor("mats", "administrator")


def event(number: int = 1, **said: Any) -> Judged:
    """An event as the events table tells of it."""
    facts: dict[str, Any] = {
        "event_id": f"{number:016x}-late_spoilers",
        "rule_hash": "a" * 16,
        "rule_book": "shipped 1.0 (aaaaaaaa)",
        "severity": "medium",
        "value": 3.6,
        "limit": 3.0,
        "unit": "s",
    }
    return Judged(**{**facts, **said})


def written(people: People, statement: str) -> None:
    """A statement past every method, by a connection of the program's own."""
    people.database.write(lambda connection: connection.execute(text(statement)))
