"""Backup and restore: everything comes back, also into the other database, whole or not at all."""

from __future__ import annotations

import gzip
import json
import math
import os
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from fdm.people.accounts import USERS
from fdm.people.backup import back_up, read_backup, restore
from fdm.people.errors import AccountError, NotAllowed, StoreError
from fdm.people.store import People
from fdm.people.tables import metadata, sessions

from .conftest import ADMINISTRATOR, ANALYST, CAPTAIN, OFFICER, OTHER, Watch, event, written
from .test_accounts import DESK, PASSWORD, QUICK
from .test_books import SHIPPED


@pytest.fixture
def full(url: str, opened: Callable[..., People]) -> People:
    """A store with some of everything."""
    people = opened(url, hasher=QUICK)
    people.accounts.add("ines", "officer", PASSWORD, by=ADMINISTRATOR)
    people.accounts.log_in("ines", PASSWORD, where=DESK)
    first = people.decide(
        event(1, value=math.inf), "valid", by=OFFICER, seen=None, note="機長 \u2028 'quoted'\n\"twice\""
    )
    people.decide(event(1), "false", by=OTHER, seen=first.act_id, reason="sensor")
    people.undo(people.history(event(1).event_id)[-1].entry_id, by=OTHER)
    people.comment(event(2).event_id, "hm", by=CAPTAIN)
    people.books.save(SHIPPED, reason="as shipped", by=ANALYST)
    people.jobs.ask("detect", {}, by=ANALYST)
    return people


def everything(people: People) -> dict[str, list[Any]]:
    """Every row of every table that a backup keeps, in order."""
    tables = [table for table in metadata.sorted_tables if table is not sessions]
    return {
        table.name: [
            tuple(row)
            for row in people.database.read(
                lambda connection, table=table: connection.execute(select(table).order_by(*table.primary_key)).all()  # type: ignore[misc]
            )
        ]
        for table in tables
    }


@pytest.fixture(params=["sqlite", "postgresql"])
def target(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where nothing is yet, of each kind."""
    if request.param == "sqlite":
        return str(tmp_path / "elsewhere.sqlite")
    return str(request.getfixturevalue("bare_postgresql_url"))


def test_everything_comes_back_also_in_the_other_database(
    full: People, url: str, target: str, tmp_path: Path, opened: Callable[..., People], watch: Watch
) -> None:
    kept = back_up(url, tmp_path / "b.gz", by=ADMINISTRATOR, clock=watch)
    before = everything(full)
    assert kept.rows == {name: len(rows) for name, rows in before.items()}
    assert read_backup(tmp_path / "b.gz") == kept
    done = restore(tmp_path / "b.gz", target, by=ADMINISTRATOR, clock=watch)
    assert (done.kept, done.log.faults, done.before) == (kept, (), None)
    again = opened(target, hasher=QUICK)
    after = everything(again)
    assert after["audit"][:-1] == before["audit"]
    assert {**after, "audit": []} == {**before, "audit": []}
    assert again.audit.entries(newest=1)["act"].to_list() == ["restore"]
    assert again.audit.verify().faults == ()
    assert again.history(event(1).event_id) == full.history(event(1).event_id)
    again.accounts.log_in("ines", PASSWORD, where=DESK)
    again.decide(event(3), "valid", by=OFFICER, seen=None)


def test_a_backup_is_its_owners_alone_and_holds_no_session(full: People, url: str, tmp_path: Path) -> None:
    back_up(url, tmp_path / "b.gz", by=ADMINISTRATOR)
    assert stat.S_IMODE((tmp_path / "b.gz").stat().st_mode) == 0o600
    tables = [json.loads(line)["table"] for line in lines_of(tmp_path / "b.gz") if line.startswith(b'{"table"')]
    assert set(tables) == {table.name for table in metadata.sorted_tables} - {"sessions"}
    assert os.listdir(tmp_path) == ["b.gz"]


def test_a_backup_is_taken_while_people_work_and_leaves_an_entry(full: People, url: str, tmp_path: Path) -> None:
    full.database.read(lambda _connection: back_up(url, tmp_path / "b.gz", by=ADMINISTRATOR))
    log = full.audit.entries(newest=1).row(0, named=True)
    assert (log["act"], log["subject"]) == ("backup", "b.gz")


def test_a_backup_never_replaces_a_file(full: People, url: str, tmp_path: Path) -> None:
    (tmp_path / "b.gz").write_text("the only other backup")
    with pytest.raises(StoreError, match="is there already"):
        back_up(url, tmp_path / "b.gz", by=ADMINISTRATOR)
    with pytest.raises(StoreError, match="cannot be written"):
        back_up(url, tmp_path / "no folder" / "b.gz", by=ADMINISTRATOR)
    with pytest.raises(NotAllowed):
        back_up(url, tmp_path / "c.gz", by=OFFICER)
    assert (tmp_path / "b.gz").read_text() == "the only other backup"


def test_a_store_that_holds_work_is_not_restored_into(full: People, url: str, tmp_path: Path) -> None:
    back_up(url, tmp_path / "b.gz", by=ADMINISTRATOR)
    before = everything(full)
    with pytest.raises(StoreError, match="there is work in this store"):
        restore(tmp_path / "b.gz", url, by=ADMINISTRATOR)
    assert everything(full) == before
    with pytest.raises(NotAllowed):
        restore(tmp_path / "b.gz", url, by=OFFICER)


def test_an_empty_store_takes_a_backup(
    full: People, url: str, bare_postgresql_url: str, empty_file: Path, tmp_path: Path, opened: Callable[..., People]
) -> None:
    """As when the dashboard was opened once before somebody thought of the backup."""
    back_up(url, tmp_path / "b.gz", by=ADMINISTRATOR)
    opened(bare_postgresql_url).close()
    file = tmp_path / "opened.sqlite"
    opened(str(file)).close()
    for target in (bare_postgresql_url, str(file)):
        restore(tmp_path / "b.gz", target, by=ADMINISTRATOR)
        again = opened(target)
        assert again.current().height == full.current().height
        with pytest.raises(StoreError, match="audit is history"):
            written(again, "DELETE FROM audit")


@pytest.fixture
def sqlite_full(sqlite_url: str, opened: Callable[..., People], tmp_path: Path) -> tuple[People, Path, Path]:
    """A file with one decision that is backed up and one that is not; the file and the backup."""
    people = opened(sqlite_url)
    people.decide(event(1), "valid", by=OFFICER, seen=None)
    back_up(sqlite_url, tmp_path / "b.gz", by=ADMINISTRATOR)
    people.decide(event(2), "valid", by=OFFICER, seen=None)
    return people, Path(sqlite_url), tmp_path / "b.gz"


def test_replacing_keeps_the_store_before(
    sqlite_full: tuple[People, Path, Path], opened: Callable[..., People], watch: Watch
) -> None:
    people, path, file = sqlite_full
    with pytest.raises(StoreError, match=r"somebody has this store open\. Stop the dashboard first"):
        restore(file, str(path), by=ADMINISTRATOR, replace=True)
    assert people.current().height == 2
    people.close()
    done = restore(file, str(path), by=ADMINISTRATOR, replace=True, clock=watch)
    assert done.before
    assert opened(str(path)).current()["event_id"].to_list() == [event(1).event_id]
    assert opened(str(done.before)).current().height == 2
    left = {each.name for each in path.parent.iterdir() if not each.name.endswith(("-wal", "-shm"))}
    assert left == {path.name, done.before.name}


def test_a_damaged_store_is_replaced_and_kept(
    sqlite_full: tuple[People, Path, Path], opened: Callable[..., People]
) -> None:
    people, path, file = sqlite_full
    people.close()
    path.write_bytes(b"not what it was" * 1000)
    with pytest.raises(StoreError, match="Say --replace"):
        restore(file, str(path), by=ADMINISTRATOR)
    done = restore(file, str(path), by=ADMINISTRATOR, replace=True)
    assert done.before
    assert done.before.read_bytes().startswith(b"not what it was")
    assert opened(str(path)).current().height == 1


def lines_of(file: Path) -> list[bytes]:
    with gzip.open(file) as lines:
        return list(lines)


@pytest.mark.parametrize(
    "harm", ["cut", "cut between lines", "no end", "a word", "a row less", "plain text", "empty", "other JSON"]
)
def test_a_damaged_backup_is_refused_before_anything_is_touched(
    sqlite_full: tuple[People, Path, Path], tmp_path: Path, harm: str
) -> None:
    file, bad = sqlite_full[2], tmp_path / "bad.gz"
    whole, lines = file.read_bytes(), lines_of(file)
    row = next(place for place, line in enumerate(lines) if line.startswith(b"["))
    bad.write_bytes(
        {
            "cut": whole[: len(whole) // 2],
            "cut between lines": gzip.compress(b"".join(lines[: row + 1])),
            "no end": gzip.compress(b"".join(lines[:-1])),
            "a word": gzip.compress(b"".join(lines).replace(b'"ines"', b'"jorg"', 1)),
            "a row less": gzip.compress(b"".join([*lines[:row], *lines[row + 1 :]])),
            "plain text": b"Dear colleague",
            "empty": b"",
            "other JSON": gzip.compress(b'{"hello": 1}\n'),
        }[harm]
    )
    with pytest.raises(StoreError, match=r"bad\.gz: (cannot be read as|is not) a backup|bad\.gz: is damaged"):
        restore(bad, str(tmp_path / "new.sqlite"), by=ADMINISTRATOR)
    assert not (tmp_path / "new.sqlite").exists()


def test_a_newer_backup_is_refused(sqlite_full: tuple[People, Path, Path], tmp_path: Path) -> None:
    first, *rest = lines_of(sqlite_full[2])
    for key, value in (("revision", "9999"), ("rollout_watch_people", 2)):
        newer = json.dumps({**json.loads(first), key: value}).encode() + b"\n"
        (tmp_path / "newer.gz").write_bytes(gzip.compress(b"".join([newer, *rest])))
        with pytest.raises(StoreError, match="newer version"):
            read_backup(tmp_path / "newer.gz")


def test_a_log_that_was_tampered_with_comes_back_and_says_so(
    sqlite_url: str, opened: Callable[..., People], tmp_path: Path
) -> None:
    people = opened(sqlite_url)
    people.comment(event(1).event_id, "hm", by=OFFICER)
    written(people, "DROP TRIGGER acts_no_update")
    written(people, "UPDATE acts SET note = 'never mind'")
    back_up(sqlite_url, tmp_path / "b.gz", by=ADMINISTRATOR)
    done = restore(tmp_path / "b.gz", str(tmp_path / "new.sqlite"), by=ADMINISTRATOR)
    assert done.log.faults == ("what entry 1 wrote was changed or removed",)


def test_users_come_back_with_their_state(full: People, url: str, target: str, tmp_path: Path, opened: Any) -> None:
    full.accounts.disable("ines", by=ADMINISTRATOR)
    back_up(url, tmp_path / "b.gz", by=ADMINISTRATOR)
    restore(tmp_path / "b.gz", target, by=ADMINISTRATOR)
    again = opened(target, hasher=QUICK)
    assert again.accounts.list().equals(full.accounts.list())
    assert list(again.accounts.list().columns) == list(USERS)
    with pytest.raises(AccountError):
        again.accounts.log_in("ines", PASSWORD, where=DESK)
