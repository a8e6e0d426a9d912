"""The audit log: one entry for each act, and no way to alter the past unseen."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Callable

import polars as pl
import pytest
from sqlalchemy import text

from fdm.people.errors import NotAllowed, PeopleError, StoreError
from fdm.people.store import People

from .conftest import ADMINISTRATOR, CAPTAIN, OFFICER, OTHER, event, written

ID = event().event_id


def busy(people: People) -> None:
    """A little of everything that is history."""
    first = people.decide(event(), "valid", by=OFFICER, seen=None, note="n")
    people.comment(ID, "one", by=CAPTAIN)
    people.release(ID, by=OFFICER)
    people.undo(first.entry_id + 2, by=OTHER)


def test_who_when_what_and_from_where(people: People) -> None:
    busy(people)
    log = people.audit.entries()
    assert log["entry_id"].to_list() == [4, 3, 2, 1]
    assert log["act"].to_list() == ["undo", "release", "comment", "decision"]
    assert log["who"].to_list() == ["jorge", "ines", "kaja", "ines"]
    assert log["role"].to_list() == ["officer", "officer", "captain", "officer"]
    assert log["came_from"].to_list() == ["10.0.0.8", "10.0.0.7", "10.0.0.9", "10.0.0.7"]
    assert log["subject"].unique().to_list() == [ID]
    assert log["at_utc"].is_sorted(descending=True)
    assert people.audit.entries(act="comment", who="kaja").height == 1


def test_an_act_that_fails_leaves_no_entry(people: People) -> None:
    with pytest.raises(PeopleError):
        people.release(ID, by=OFFICER)
    with pytest.raises(NotAllowed):
        people.audit.record(CAPTAIN, "reveal", "Aircraft K7Q4M2")
    assert people.audit.entries().is_empty()


def test_the_chain_is_sha256_over_the_hash_before_and_the_entry(people: People) -> None:
    """Recomputed here from the rows alone, by the form that the module's page states."""
    busy(people)
    with people.database._engine.connect() as connection:
        rows = [dict(row) for row in connection.execute(text("SELECT * FROM audit ORDER BY entry_id")).mappings()]
    before = "0" * 64
    for row in rows:
        said = json.dumps({k: v for k, v in row.items() if k != "hash"}, sort_keys=True, separators=(",", ":"))
        before = hashlib.sha256(f"{before}\n{said}".encode()).hexdigest()
        assert row["hash"] == before
    found = people.audit.verify(expected={4: before, 2: rows[1]["hash"]})
    assert (found.entries, found.head, found.faults) == (4, before, ())


HISTORY = ("audit", "acts", "book_versions")


@pytest.mark.parametrize("table", HISTORY)
@pytest.mark.parametrize("statement", ["UPDATE {} SET entry_id = entry_id", "DELETE FROM {}"])
def test_the_database_refuses_to_change_history(people: People, table: str, statement: str) -> None:
    busy(people)
    written(people, BOOK)
    with pytest.raises(StoreError, match=f"{table} is history: it is added to, never changed"):
        written(people, statement.format(table))
    assert people.audit.verify().entries == 4


BOOK = "INSERT INTO book_versions VALUES (1, 1, 'h', 'n', '1', 'r', '{}')"


def test_sqlite_refuses_to_replace_history_also_from_outside(sqlite_url: str, opened: Callable[..., People]) -> None:
    busy(opened(sqlite_url))
    outside = sqlite3.connect(sqlite_url)
    with pytest.raises(sqlite3.IntegrityError, match="acts is history"):
        outside.execute("REPLACE INTO acts SELECT * FROM acts")
    outside.close()


def test_postgresql_refuses_to_truncate_history(postgresql_url: str, opened: Callable[..., People]) -> None:
    people = opened(postgresql_url)
    with pytest.raises(StoreError, match="acts is history"):
        written(people, "TRUNCATE acts CASCADE")


def tampered(people: People, *statements: str) -> None:
    """Somebody with every right takes the triggers off and changes rows."""
    off = "SET session_replication_role = replica"
    with people.database._engine.connect() as connection:
        if people.database.is_sqlite:
            for (name,) in connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'trigger'")).all():
                connection.execute(text(f"DROP TRIGGER {name}"))
            connection.commit()
            connection.connection.dbapi_connection.execute("PRAGMA foreign_keys=OFF")  # type: ignore[union-attr]
        else:
            connection.execute(text(off))
        for statement in statements:
            connection.execute(text(statement))
        connection.commit()
        connection.invalidate()


@pytest.mark.parametrize(
    ("statement", "fault"),
    [
        ("UPDATE audit SET who = 'liv' WHERE entry_id = 2", "entry 2 or one before it was changed or removed"),
        ("UPDATE audit SET hash = repeat('f', 64) WHERE entry_id = 2", "entry 3 or one before it"),
        ("DELETE FROM audit WHERE entry_id = 2", "entry 2 is missing"),
        ("DELETE FROM audit WHERE entry_id < 3", "entries 1 to 2 are missing"),
        ("UPDATE acts SET state = 'false' WHERE act_id = 1", "what entry 1 wrote was changed or removed"),
        ("UPDATE acts SET note = 'better so' WHERE act_id = 2", "what entry 2 wrote was changed or removed"),
        ("DELETE FROM acts WHERE act_id = 2", "what entry 2 wrote was changed or removed"),
        ("UPDATE acts SET entry_id = 3 WHERE act_id = 2", "what entry 3 wrote was changed or removed"),
        (BOOK, "what entry 1 wrote was changed or removed"),
        (BOOK.replace("(1, 1,", "(1, 9,"), "rows say they belong to entry 9, which says it wrote none"),
    ],
)
def test_tampering_shows(people: People, statement: str, fault: str) -> None:
    busy(people)
    if people.database.is_sqlite:
        statement = statement.replace("repeat('f', 64)", f"'{'f' * 64}'")
    tampered(people, statement)
    assert any(fault in found for found in people.audit.verify().faults)


def test_entries_cut_off_the_end_show_against_a_kept_head(people: People) -> None:
    busy(people)
    kept = people.audit.verify()
    tampered(people, "DELETE FROM acts WHERE entry_id = 4", "DELETE FROM audit WHERE entry_id = 4")
    assert people.audit.verify().faults == ()
    found = people.audit.verify(expected={kept.entries: kept.head})
    assert found.faults == ("entry 4 is missing; its hash was kept",)
    people.comment(ID, "a new fourth", by=CAPTAIN)
    found = people.audit.verify(expected={kept.entries: kept.head})
    assert found.faults == ("entry 4 is not the one whose hash was kept",)


def test_an_export_and_a_reveal_are_entries_of_their_own(people: People) -> None:
    people.audit.record(OFFICER, "export", "events", rows=12, format="csv")
    assert people.audit.entries()["detail"].to_list() == ['{"format":"csv","rows":12}']
    people.audit.record(ADMINISTRATOR, "backup", "kept elsewhere")
    assert not people.audit.verify().faults


def test_forks_and_foreign_links_are_refused_by_the_database(people: People) -> None:
    """Even a program that does not look first cannot write two decisions after one."""
    first = people.decide(event(), "valid", by=OFFICER, seen=None)
    row = "INSERT INTO acts (act_id, entry_id, event_id, topic, state, supersedes) VALUES "
    for values in (
        f"(50, 1, '{ID}', 'decision', 'false', NULL)",  # a second first decision
        f"(50, 1, 'another', 'decision', 'false', {first.act_id})",  # after another event's
        f"(50, 1, '{ID}', 'release', 'released', {first.act_id})",  # after another topic's
        "(50, 1, 'another', 'decision', 'unsure', NULL)",
        "(50, 1, 'another', 'gossip', NULL, NULL)",
        "(50, 99, 'another', 'comment', NULL, NULL)",  # without an entry
    ):
        with pytest.raises(StoreError):
            written(people, row + values)
    people.decide(event(), "false", by=OFFICER, seen=first.act_id, reason="r")
    with pytest.raises(StoreError):
        written(people, row + f"(50, 1, '{ID}', 'decision', 'valid', {first.act_id})")
    assert [act.act_id for act in people.history(ID)] == [1, 2]


def test_frames_are_typed_when_empty(people: People) -> None:
    assert people.audit.entries().schema["at_utc"] == pl.Datetime("us", "UTC")
    assert people.current().schema["decided_utc"] == pl.Datetime("us", "UTC")
