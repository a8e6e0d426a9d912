"""Debriefing: released events of a landing are marked done by captain or officer, and can be opened again."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import text

from fdm.people.database import Database
from fdm.people.errors import NotAllowed, ReviewError, StoreError
from fdm.people.ledger import Ledger
from fdm.people.reviews import Reviews
from fdm.people.store import People
from fdm.people.upgrading import open_store

from .conftest import ANALYST, CAPTAIN, OFFICER, Watch, event, written

BOTH = ["l1-bounce", "l1-late_spoilers"]


def release(people: Reviews, *event_ids: str) -> None:
    for event_id in event_ids:
        people.decide(event(1, event_id=event_id), "valid", by=OFFICER, seen=None)
        people.release(event_id, by=OFFICER)


def test_the_captain_says_done_for_all_of_a_landing_in_one_entry(people: People) -> None:
    release(people, *BOTH)
    act = people.debriefed(BOTH, by=CAPTAIN, note="talked through")
    stands = people.current(BOTH).sort("event_id")
    assert stands["debriefed_by"].to_list() == [CAPTAIN.name] * 2
    assert stands["debriefed_utc"].null_count() == 0
    done = [each for event_id in BOTH for each in people.history(event_id) if each.topic == "debrief"]
    assert [(each.entry_id, each.state, each.note) for each in done] == [(act.entry_id, "done", "talked through")] * 2
    assert people.audit.verify().faults == ()


def test_a_debrief_is_opened_again_and_both_acts_stay(people: People) -> None:
    release(people, *BOTH)
    people.debriefed(BOTH, by=CAPTAIN)
    people.debriefed(BOTH, by=OFFICER, done=False)
    assert people.current(BOTH)["debriefed_by"].null_count() == 2
    states = [act.state for act in people.history(BOTH[0]) if act.topic == "debrief"]
    assert states == ["done", None]


def test_the_same_token_says_done_once(people: People) -> None:
    release(people, *BOTH)
    first = people.debriefed(BOTH, by=CAPTAIN, token="once")
    assert people.debriefed(BOTH, by=CAPTAIN, token="once") == first
    assert len([act for act in people.history(BOTH[0]) if act.topic == "debrief"]) == 1


def test_only_what_is_released_and_still_valid_is_debriefed(people: People) -> None:
    release(people, BOTH[0])
    with pytest.raises(ReviewError, match="not released to debriefing"):
        people.debriefed(BOTH, by=CAPTAIN)
    assert people.current([BOTH[0]])["debriefed_by"].to_list() == [None]
    seen = people.decision(BOTH[0])
    assert seen is not None
    people.decide(event(1, event_id=BOTH[0]), "false", by=OFFICER, seen=seen.act_id, reason="sensor")
    with pytest.raises(ReviewError, match="Ask the safety officer"):
        people.debriefed([BOTH[0]], by=CAPTAIN)
    with pytest.raises(ReviewError, match="no event was named"):
        people.debriefed([], by=CAPTAIN)


def test_an_analyst_debriefs_nobody(people: People) -> None:
    release(people, *BOTH)
    with pytest.raises(NotAllowed):
        people.debriefed(BOTH, by=ANALYST)


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_a_store_from_before_debriefs_keeps_every_act_and_its_refusals(
    kind: str, request: pytest.FixtureRequest, tmp_path: Path, opened: Callable[..., People], watch: Watch
) -> None:
    url = str(tmp_path / "old.sqlite") if kind == "sqlite" else request.getfixturevalue("bare_postgresql_url")
    database = Database(url)
    open_store(database, to="0002")
    ledger = Ledger(database, watch)
    reviews = Reviews(database, ledger, watch)
    release(reviews, *BOTH)
    reviews.undo(reviews.history(BOTH[1])[-1].entry_id, by=OFFICER)  # an act that refers to another by undoes
    reviews.comment(BOTH[0], "firm", by=CAPTAIN)
    before = [reviews.history(event_id) for event_id in BOTH]
    kept = ledger.verify()
    database.close()
    people = opened(url)
    assert [people.history(event_id) for event_id in BOTH] == before
    assert people.audit.verify(expected={kept.entries: kept.head}).faults == ()
    people.debriefed([BOTH[0]], by=CAPTAIN)
    assert people.current([BOTH[0]])["debriefed_by"].to_list() == [CAPTAIN.name]
    for change in ("UPDATE acts SET note = 'other'", "DELETE FROM acts"):
        with pytest.raises(StoreError):
            written(people, change)
    if kind == "sqlite":
        with sqlite3.connect(url) as outside:
            assert outside.execute("PRAGMA foreign_key_check").fetchall() == []
            assert outside.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        outside.close()
    with pytest.raises(StoreError):  # a topic that is not known is still refused
        people.database.write(
            lambda connection: connection.execute(
                text("INSERT INTO acts (act_id, entry_id, event_id, topic) VALUES (99, 1, 'l9-bounce', 'gossip')")
            )
        )
