"""Opening a store: made when empty, brought up to date when older, refused when newer or somebody else's."""

from __future__ import annotations

import sqlite3
import stat
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, text

from fdm.people import upgrading
from fdm.people.backup import back_up, restore
from fdm.people.database import Database
from fdm.people.errors import StoreError, StoreUnavailable
from fdm.people.ledger import Ledger
from fdm.people.reviews import Reviews
from fdm.people.store import People
from fdm.people.tables import HISTORY, metadata
from fdm.people.upgrading import open_store

from .conftest import ADMINISTRATOR, OFFICER, Watch, event, written


@pytest.fixture(params=["sqlite", "postgresql"])
def bare_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of nothing yet."""
    if request.param == "sqlite":
        return str(tmp_path / "a%b c#?.people.sqlite")
    return str(request.getfixturevalue("bare_postgresql_url"))


def test_this_version_works_with_the_newest_step() -> None:
    script = ScriptDirectory(str(upgrading.FOLDER))
    assert script.get_current_head() == upgrading.REVISION
    assert {step.revision for step in script.walk_revisions()} == set(upgrading.KNOWN)


def test_migrations_make_the_tables_that_queries_use(people: People) -> None:
    def difference(connection: object) -> object:
        return compare_metadata(MigrationContext.configure(connection), metadata)  # type: ignore[arg-type]

    assert people.database.read(difference) == []


def test_every_history_table_has_its_refusals(people: People) -> None:
    where = "sqlite_master WHERE type = 'trigger'" if people.database.is_sqlite else "pg_trigger WHERE NOT tgisinternal"
    name = "name" if people.database.is_sqlite else "tgname"
    query = text(f"SELECT {name} FROM {where}")
    found = people.database.read(lambda connection: connection.execute(query).scalars().all())
    kinds = ("no_update", "no_delete", "no_replace") if people.database.is_sqlite else ("is_history",)
    assert set(found) == {f"{table}_{kind}" for table in HISTORY for kind in kinds}


def test_a_new_store_works_and_is_its_owners_alone(bare_url: str, opened: Callable[..., People]) -> None:
    opened(bare_url).decide(event(), "valid", by=OFFICER, seen=None)
    again = opened(bare_url)
    assert again.current()["verdict"].to_list() == ["valid"]
    if again.database.is_sqlite:
        assert stat.S_IMODE(Path(bare_url).stat().st_mode) == 0o600


def test_several_at_once_make_one_store(bare_url: str, opened: Callable[..., People]) -> None:
    gate, failures = threading.Barrier(4), []

    def come(number: int) -> None:
        gate.wait(10)
        try:
            opened(bare_url).decide(event(number), "valid", by=OFFICER, seen=None)
        except Exception as error:
            failures.append(error)

    threads = [threading.Thread(target=come, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert failures == []
    assert opened(bare_url).current().height == 4


def test_a_newer_store_is_refused_and_left_alone(url: str, opened: Callable[..., People]) -> None:
    people = opened(url)
    written(people, "UPDATE alembic_version SET version_num = '9999'")
    try:
        with pytest.raises(StoreError, match=r"newer version\. Update Rollout Watch"):
            opened(url)
    finally:
        written(people, f"UPDATE alembic_version SET version_num = '{upgrading.REVISION}'")


def test_somebody_elses_database_is_refused(bare_url: str, opened: Callable[..., People]) -> None:
    database = Database(bare_url)
    database.create_file()
    database.write(lambda connection: connection.execute(text("CREATE TABLE customers (name TEXT)")))
    database.close()
    with pytest.raises(StoreError, match=r"holds something else\. Name an empty one"):
        opened(bare_url)


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("mysql://somewhere/people", "cannot be kept in mysql"),
        ("sqlite://", "cannot be kept in memory"),
        ("postgresql+nothing", "missing or cannot be opened|cannot be made"),
        ("://", "cannot be read"),
    ],
)
def test_an_address_that_cannot_be_used(url: str, says: str, opened: Callable[..., People], tmp_path: Path) -> None:
    target = url if "://" in url else str(tmp_path / "file" / url)
    (tmp_path / "file").write_text("not a folder")
    with pytest.raises(StoreError, match=says):
        opened(target)


def test_a_file_that_is_no_store(tmp_path: Path, opened: Callable[..., People]) -> None:
    path = tmp_path / "letter.sqlite"
    path.write_text("Dear colleague, this is not a database, and longer than a header.\n" * 40)
    with pytest.raises(StoreError, match=r"letter\.sqlite: the store is damaged"):
        opened(str(path))
    assert path.read_text().startswith("Dear colleague")


def test_a_server_that_is_not_there_is_said_without_the_password(opened: Callable[..., People], tmp_path: Path) -> None:
    pytest.importorskip("psycopg")
    waits: list[float] = []
    with pytest.raises(StoreUnavailable, match="does not answer") as caught:
        opened(f"postgresql://officer:secret@/people?host={tmp_path}", pause=waits.append)
    assert "secret" not in str(caught.value)
    assert waits == [0.2, 1.0]


def test_a_database_that_was_never_made(cluster: object, opened: Callable[..., People]) -> None:
    with pytest.raises(StoreError, match=r"there is no such database\. Make it first"):
        opened(cluster.url("nowhere"))  # type: ignore[attr-defined]


def test_a_sqlite_store_waits_for_the_disk(sqlite_url: str, opened: Callable[..., People]) -> None:
    people = opened(sqlite_url)

    def pragmas(connection: object) -> list[object]:
        names = ("journal_mode", "synchronous", "foreign_keys")
        return [connection.exec_driver_sql(f"PRAGMA {name}").scalar() for name in names]  # type: ignore[attr-defined]

    assert people.database.read(pragmas) == ["wal", 2, 1]  # 2 is FULL
    outside = sqlite3.connect(sqlite_url)
    assert outside.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    outside.close()


def test_an_older_store_keeps_its_work_and_its_log(bare_url: str, opened: Callable[..., People], watch: Watch) -> None:
    database = Database(bare_url)
    open_store(database, to="0001")
    ledger = Ledger(database, watch)
    act = Reviews(database, ledger, watch).decide(event(), "valid", by=OFFICER, seen=None, note="before")
    before = ledger.verify()
    database.close()
    people = opened(bare_url)
    assert people.history(event().event_id) == [act]
    assert people.audit.verify(expected={before.entries: before.head}).faults == ()
    assert people.accounts.none_yet()
    if people.database.path:
        aside = people.database.path.with_name(f"{people.database.path.name}.before-upgrade-from-0001")
        assert stat.S_IMODE(aside.stat().st_mode) == 0o600
        old = Database(str(aside))
        assert old.read(lambda connection: upgrading.revision_of(connection, "old")) == "0001"
        assert Reviews(old, Ledger(old, watch), watch).history(event().event_id) == [act]
        old.close()


def test_a_backup_of_an_older_store_is_brought_up_to_date(
    bare_url: str, opened: Callable[..., People], watch: Watch, tmp_path: Path
) -> None:
    database = Database(bare_url)
    open_store(database, to="0001")
    act = Reviews(database, Ledger(database, watch), watch).decide(event(), "valid", by=OFFICER, seen=None)
    database.close()
    kept = back_up(bare_url, tmp_path / "old.gz", by=ADMINISTRATOR)
    assert (kept.revision, set(kept.rows)) == ("0001", {"audit", "acts", "book_versions"})
    restore(tmp_path / "old.gz", str(tmp_path / "new.sqlite"), by=ADMINISTRATOR)
    people = opened(str(tmp_path / "new.sqlite"))
    assert people.history(event().event_id) == [act]
    assert people.accounts.none_yet()


def test_an_upgrade_that_fails_leaves_the_store_as_it_was(
    bare_url: str, opened: Callable[..., People], watch: Watch, monkeypatch: pytest.MonkeyPatch
) -> None:
    database = Database(bare_url)
    open_store(database, to="0001")
    run_steps = upgrading.run_steps

    def fail_at_the_end(connection: Connection, to: str) -> None:
        run_steps(connection, to)
        raise StoreError("the power went")

    monkeypatch.setattr(upgrading, "run_steps", fail_at_the_end)
    with pytest.raises(StoreError, match="the power went"):
        open_store(database)
    monkeypatch.undo()
    tables = database.read(lambda connection: set(inspect(connection).get_table_names()))
    assert tables == {"alembic_version", *HISTORY}
    database.close()
    opened(bare_url).decide(event(), "valid", by=OFFICER, seen=None)
