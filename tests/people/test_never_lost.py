"""Nothing acknowledged is lost: killed writers, a full disk, a store that is away for a while."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

import pytest
from sqlalchemy import event as listen
from sqlalchemy import select, text

from fdm.people import database
from fdm.people.acts import Judged
from fdm.people.errors import StoreError, StoreUnavailable
from fdm.people.store import People
from fdm.people.tables import acts

from .cluster import Cluster
from .conftest import OFFICER, OTHER, event, written
from .nursery import WANTED

TOP = Path(__file__).parents[2]
KILLS = 50


class Nursery:
    """The running nursery, and what its writers were told had been done."""

    def __init__(self, process: subprocess.Popen[str], tell: IO[str], hear: IO[str]):
        self.process, self._tell, self._hear = process, tell, hear
        self.acked: dict[int, tuple[str, str, str]] = {}  # act: writer, event, verdict

    def raise_writer(self, url: str, name: str) -> str:
        """A new writer's process."""
        self._say(f"raise {url} {name}")
        return self._until("born", name)[0]

    def kill(self, pid: str) -> None:
        """SIGKILL, and everything it had said before."""
        self._say(f"kill {pid}")
        self._until("dead", pid)

    def wait_for(self, more: int) -> None:
        """Until so many more acts were acknowledged."""
        goal = len(self.acked) + more
        while len(self.acked) < goal:
            self._next()

    def _say(self, line: str) -> None:
        self._tell.write(f"{line}\n")
        self._tell.flush()

    def _until(self, word: str, key: str) -> list[str]:
        while True:
            said = self._next()
            if said[:2] == [word, key]:
                return said[2:]

    def _next(self) -> list[str]:
        said = self._hear.readline().split()
        assert said, "the nursery ended"
        assert said[0] != "failed", said
        if said[0] == "acked":
            writer, event_id, act, state = said[1:]
            self.acked[int(act)] = (writer, event_id, state)
        return said


@pytest.fixture
def nursery() -> Iterator[Nursery]:
    process = subprocess.Popen(
        [sys.executable, "-m", "people.nursery"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(TOP), str(TOP / "tests")])},
    )
    assert process.stdin
    assert process.stdout
    with process:
        yield Nursery(process, process.stdin, process.stdout)
        process.stdin.close()
        process.wait(30)


def kept(people: People) -> dict[int, tuple[str, str, str]]:
    """Every act in the store as act: who, event, verdict."""
    query = select(acts.c.act_id, acts.c.event_id, acts.c.state)
    rows = people.database.read(lambda connection: connection.execute(query).all())
    who = dict(people.audit.entries().select("entry_id", "who").iter_rows())
    return {row.act_id: (who[row.act_id], row.event_id, row.state) for row in rows}  # one act, one entry, here


def test_fifty_kills_under_load_lose_nothing(url: str, nursery: Nursery, opened: Callable[..., People]) -> None:
    """Two writers at a time; one is killed at a random moment, then the other. An act may be done and not yet said."""
    chance = random.Random(20261116)
    for number in range(KILLS // 2):
        pids = [nursery.raise_writer(url, f"{side}{number}") for side in "ab"]
        chance.shuffle(pids)
        nursery.wait_for(chance.randint(1, 9))
        nursery.kill(pids[0])
        nursery.wait_for(chance.randint(0, 4))
        nursery.kill(pids[1])
        if number % 5 == 4:
            check(opened(url), nursery, kills=2 * (number + 1))
    people = opened(url)
    check(people, nursery, kills=KILLS)
    chain = [act.supersedes for act in people.history(WANTED)]
    assert chain == [None, *(act.act_id for act in people.history(WANTED)[:-1])]
    if people.database.is_sqlite:
        outside = sqlite3.connect(url)
        assert outside.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        outside.close()


def check(people: People, nursery: Nursery, *, kills: int) -> None:
    """What was acknowledged is there as it was said, at most one act of each killed writer more, and the log holds."""
    there = kept(people)
    assert {act: there.get(act) for act in nursery.acked} == nursery.acked
    assert len(there) - len(nursery.acked) <= kills
    assert people.audit.verify().faults == ()
    people.close()


def test_the_servers_crash_loses_nothing(cluster: Cluster, postgresql_url: str, opened: Callable[..., People]) -> None:
    people = opened(postgresql_url)
    done = [people.decide(event(number), "valid", by=OFFICER, seen=None) for number in range(20)]
    cluster.stop("immediate")
    try:
        with pytest.raises(StoreUnavailable, match=r"the store does not answer\. Nothing was saved\. See that it runs"):
            people.decide(event(99), "valid", by=OFFICER, seen=None)
    finally:
        cluster.start()
    assert [people.decision(act.event_id) for act in done] == done
    people.decide(event(99), "valid", by=OFFICER, seen=None)
    assert people.current().height == 21
    assert people.audit.verify().faults == ()


def test_a_server_that_comes_back_while_waiting_is_not_noticed(
    cluster: Cluster, postgresql_url: str, opened: Callable[..., People]
) -> None:
    waits: list[float] = []

    def pause(seconds: float) -> None:
        waits.append(seconds)
        cluster.start()

    people = opened(postgresql_url, pause=pause)
    people.comment(event().event_id, "before", by=OFFICER)
    cluster.stop("immediate")
    people.decide(event(), "valid", by=OFFICER, seen=None)
    assert waits == [0.2]
    assert [act.topic for act in people.history(event().event_id)] == ["comment", "decision"]


def test_a_commit_whose_answer_was_lost_is_done_once(url: str, opened: Callable[..., People]) -> None:
    """The connection breaks after the database committed and before it said so: trying again must not do it twice."""
    people = opened(url)
    breaks = iter([True])

    @listen.listens_for(people.database._engine, "commit")
    def lose_the_answer(connection: Any) -> None:
        if connection.get_execution_options().get("write") and next(breaks, False):
            connection.connection.dbapi_connection.commit()
            kind = type(people.database._engine.dialect.dbapi.OperationalError("gone"))  # type: ignore[union-attr]
            error: Any = kind("server closed the connection unexpectedly")
            if people.database.is_sqlite:
                error.sqlite_errorname = "SQLITE_IOERR"
            raise database.DBAPIError.instance("COMMIT", (), error, kind.__mro__[1], connection_invalidated=True)

    act = people.decide(event(), "valid", by=OFFICER, seen=None)
    assert people.history(event().event_id) == [act]
    assert people.audit.verify().entries == 1


def move(path: Path, to: Path) -> None:
    for suffix in ("", "-wal", "-shm"):
        if Path(f"{path}{suffix}").exists():
            shutil.move(f"{path}{suffix}", f"{to}{suffix}")


def test_a_file_that_went_away_is_not_begun_anew(sqlite_url: str, opened: Callable[..., People]) -> None:
    people, path = opened(sqlite_url), Path(sqlite_url)
    people.decide(event(1), "valid", by=OFFICER, seen=None)
    move(path, path.with_name("aside"))
    with pytest.raises(StoreUnavailable, match=r"file is missing or cannot be opened\. Nothing was saved"):
        people.decide(event(2), "valid", by=OFFICER, seen=None)
    with pytest.raises(StoreUnavailable, match="missing"):
        people.current()
    assert not path.exists()
    move(path.with_name("aside"), path)
    people.decide(event(2), "valid", by=OFFICER, seen=None)
    assert people.current().height == 2


def test_a_file_put_in_its_place_is_what_counts(
    sqlite_url: str, empty_file: Path, opened: Callable[..., People]
) -> None:
    """As after a restore under a running dashboard: no write goes into the file that is no longer there."""
    people, path = opened(sqlite_url), Path(sqlite_url)
    people.decide(event(1), "valid", by=OFFICER, seen=None)
    move(path, path.with_name("aside"))
    shutil.copy(empty_file, path)
    people.decide(event(2), "valid", by=OFFICER, seen=None)
    assert people.current()["event_id"].to_list() == [event(2).event_id]


def test_somebody_elses_long_work_is_waited_for_and_then_said(
    url: str, opened: Callable[..., People], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "BUSY_S", 0.05)
    people, other = opened(url), opened(url)

    def while_writing(_connection: object) -> None:
        with pytest.raises(StoreUnavailable, match=r"busy with somebody else's work\. Nothing was saved"):
            other.decide(event(), "valid", by=OTHER, seen=None)
        assert other.current().is_empty()  # reading goes on

    people.database.write(while_writing)
    other.decide(event(), "valid", by=OTHER, seen=None)


def fill(people: People, most: int = 3000) -> list[Judged]:
    """Decide events with long notes until the store says that it is full; those it said were done."""
    done: list[Judged] = []
    with pytest.raises(StoreError, match=r"the disk is full\. Nothing was saved\. Free some space"):  # noqa: PT012
        for number in range(most):
            people.decide(event(number), "valid", by=OFFICER, seen=None, note="x" * 4000)
            done.append(event(number))
    assert done
    return done


def all_there(people: People, done: list[Judged]) -> None:
    assert set(people.current()["event_id"]) == {one.event_id for one in done}
    assert people.audit.verify().faults == ()


def test_a_full_disk_keeps_what_was_said(sqlite_url: str, opened: Callable[..., People]) -> None:
    """SQLite's own limit on pages raises what a full disk does."""
    people = opened(sqlite_url)
    pages = {"most": 60}

    @listen.listens_for(people.database._engine, "checkout")
    def limit(connection: sqlite3.Connection, *_: object) -> None:
        connection.execute(f"PRAGMA max_page_count={pages['most']}")

    done = fill(people)
    all_there(people, done)
    pages["most"] = 100_000
    people.decide(event(9999), "valid", by=OFFICER, seen=None)
    all_there(people, [*done, event(9999)])


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of one megabyte."""
    folder = tmp_path / "small"
    folder.mkdir()
    mount = shutil.which("mount")
    made = mount and subprocess.run([mount, "-t", "tmpfs", "-o", "size=1m", "tmpfs", folder], capture_output=True)
    if not made or made.returncode:
        pytest.skip("no right to mount a small file system; the page limit above stands for it")
    yield folder
    subprocess.run(["umount", "-l", folder], check=True)


def test_a_disk_that_really_is_full(small_disk: Path, opened: Callable[..., People]) -> None:
    people = opened(str(small_disk / "people.sqlite"))
    ballast = small_disk / "ballast"
    ballast.write_bytes(b"0" * 200_000)
    done = fill(people)
    all_there(people, done)
    again = opened(str(small_disk / "people.sqlite"))
    all_there(again, done)
    ballast.unlink()
    people.decide(event(9999), "valid", by=OFFICER, seen=None)
    all_there(again, [*done, event(9999)])
    people.close()
    again.close()


def test_a_full_disk_of_the_server(bare_postgresql_url: str, opened: Callable[..., People]) -> None:
    """The server reports SQLSTATE 53100, disk_full (PostgreSQL documentation, appendix A), from a trigger."""
    people = opened(bare_postgresql_url)
    written(
        people,
        "CREATE FUNCTION full_disk() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN IF NEW.act_id > 5 THEN "
        "RAISE EXCEPTION 'could not extend file' USING ERRCODE = '53100'; END IF; RETURN NEW; END $$",
    )
    written(people, "CREATE TRIGGER full_disk BEFORE INSERT ON acts FOR EACH ROW EXECUTE FUNCTION full_disk()")
    done = fill(people)
    assert len(done) == 5
    all_there(people, done)
    written(people, "DROP TRIGGER full_disk ON acts")
    people.decide(event(9999), "valid", by=OFFICER, seen=None)
    all_there(people, [*done, event(9999)])


def test_a_store_that_may_not_be_written(url: str, opened: Callable[..., People]) -> None:
    people = opened(url)
    people.decide(event(1), "valid", by=OFFICER, seen=None)

    def read_only(connection: Any) -> None:
        sqlite = people.database.is_sqlite
        connection.execute(text("PRAGMA query_only=ON" if sqlite else "SET TRANSACTION READ ONLY"))
        connection.execute(text("DELETE FROM alembic_version"))

    with pytest.raises(StoreError, match="may not be written"):
        people.database.write(read_only)
