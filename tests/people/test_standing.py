"""Reviews beside the archive's tables: a new rule book, a new detect and a lost landing leave them standing."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl

from fdm.people.standing import CURRENT, fires_no_longer, with_reviews
from fdm.people.store import People
from fdm.schemas import OUTCOMES

from .conftest import OFFICER, Watch, event

NOW = datetime(2026, 11, 16, 12, tzinfo=UTC)


def events_of(*rows: tuple[str, str]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema={"event_id": pl.String, "rule_hash": pl.String}, orient="row")


def test_an_event_without_review_has_none(people: People) -> None:
    joined = with_reviews(events_of(("l1-bounce", "h1")), people.current(), NOW)
    row = joined.row(0, named=True)
    assert set(CURRENT) < set(row)
    assert (row["verdict"], row["comments"], row["rule_changed"]) == (None, 0, False)
    assert (row["snoozed"], row["in_debriefing"]) == (False, False)


def test_a_decision_stands_and_says_that_its_rule_changed(people: People) -> None:
    people.decide(event(1, event_id="l1-bounce", rule_hash="h1"), "valid", by=OFFICER, seen=None)
    joined = with_reviews(events_of(("l1-bounce", "h2"), ("l2-bounce", "h2")), people.current(), NOW)
    assert joined["verdict"].to_list() == ["valid", None]
    assert joined["judged_rule_hash"].to_list() == ["h1", None]
    assert joined["rule_changed"].to_list() == [True, False]
    same = with_reviews(events_of(("l1-bounce", "h1")), people.current(), NOW)
    assert same["rule_changed"].to_list() == [False]


def test_set_aside_until_then_and_in_debriefing_while_valid(people: People, watch: Watch) -> None:
    until = datetime(2026, 11, 17, tzinfo=UTC)
    people.snooze("l1-bounce", until, by=OFFICER)
    events = events_of(("l1-bounce", "h1"), ("l2-bounce", "h1"))
    assert with_reviews(events, people.current(), NOW)["snoozed"].to_list() == [True, False]
    assert with_reviews(events, people.current(), until)["snoozed"].to_list() == [False, False]
    first = people.decide(event(1, event_id="l2-bounce"), "valid", by=OFFICER, seen=None)
    people.release("l2-bounce", by=OFFICER)
    assert with_reviews(events, people.current(), NOW)["in_debriefing"].to_list() == [False, True]
    people.decide(event(1, event_id="l2-bounce"), "false", by=OFFICER, seen=first.act_id, reason="sensor")
    assert with_reviews(events, people.current(), NOW)["in_debriefing"].to_list() == [False, False]


def test_what_fires_no_longer_says_why(people: People) -> None:
    for event_id in ("l1-bounce", "l2-bounce", "l3-late_spoilers", "gone-bounce", "l4-bounce"):
        people.decide(event(1, event_id=event_id), "valid", by=OFFICER, seen=None)
    outcomes = pl.DataFrame(
        [
            ("l1", "bounce", "within", None),
            ("l2", "bounce", "not_assessed", "main_gear_ground is not recorded"),
            ("l3", "bounce", "within", None),
            ("l4", "bounce", "event", None),
        ],
        schema=OUTCOMES,
        orient="row",
    )
    gone = fires_no_longer(people.current(), events_of(("l4-bounce", "h1")), outcomes)
    assert dict(gone.select("event_id", "says").iter_rows()) == {
        "l1-bounce": "fires no longer: within limits now",
        "l2-bounce": "fires no longer: not assessed now (main_gear_ground is not recorded)",
        "l3-late_spoilers": "fires no longer: the rule is not in the rule book now",
        "gone-bounce": "fires no longer: the landing is not in the archive now",
    }
    assert gone["verdict"].to_list() == ["valid"] * 4
    assert set(gone["landing_id"]) == {"l1", "l2", "l3", "gone"}
