"""Reviews: a decision is superseded, never overwritten, and nobody's is lost to somebody else's."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from fdm.people.acts import Act, Judged
from fdm.people.errors import AlreadyDecided, NotAllowed, PeopleError, ReviewError
from fdm.people.roles import Actor
from fdm.people.store import People

from .conftest import ANALYST, CAPTAIN, OFFICER, OTHER, Watch, event

EVENT = event()
ID = EVENT.event_id


def test_a_decision_keeps_what_it_judged_and_who_and_when(people: People, watch: Watch) -> None:
    before = watch.at
    act = people.decide(EVENT, "nuisance", by=OFFICER, seen=None, reason="rough runway", note="seen twice\nthis week")
    (kept,) = people.history(ID)
    assert kept == act
    assert (kept.state, kept.reason, kept.note) == ("nuisance", "rough runway", "seen twice\nthis week")
    assert (kept.rule_hash, kept.severity, kept.value, kept.limit_passed) == ("a" * 16, "medium", 3.6, 3.0)
    assert kept.by == "ines"
    assert before < kept.at_utc < before + timedelta(minutes=1)
    assert kept.at_utc.tzinfo is UTC


def test_a_second_decision_supersedes_the_first_and_both_stay(people: People) -> None:
    first = people.decide(EVENT, "valid", by=OFFICER, seen=None)
    second = people.decide(EVENT, "false", by=OTHER, seen=first.act_id, reason="the handle sensor froze")
    assert [act.state for act in people.history(ID)] == ["valid", "false"]
    assert second.supersedes == first.act_id
    assert people.decision(ID) == second


@pytest.mark.parametrize("seen", [None, 1])
def test_whoever_comes_second_is_shown_the_first_decision(people: People, seen: int | None) -> None:
    people.decide(EVENT, "valid", by=OFFICER, seen=None)
    people.decide(EVENT, "nuisance", by=OFFICER, seen=1, reason="known bump")
    with pytest.raises(AlreadyDecided, match="ines decided 'nuisance' on 16 Nov 2026, 08:00 UTC") as caught:
        people.decide(EVENT, "false", by=OTHER, seen=seen, reason="sensor")
    assert caught.value.decision.reason == "known bump"
    assert [act.state for act in people.history(ID)] == ["valid", "nuisance"]


def test_a_decision_seen_before_the_store_was_put_back_is_not_there(people: People) -> None:
    with pytest.raises(ReviewError, match="not in the store any more"):
        people.decide(EVENT, "valid", by=OFFICER, seen=7)


def test_of_two_officers_at_the_same_moment_one_decides(url: str, opened: Callable[..., People]) -> None:
    stores = [opened(url), opened(url)]
    done: list[Act] = []
    late: list[AlreadyDecided] = []
    for number in range(8):
        gate = threading.Barrier(2)

        def officer(store: People, who: Actor, verdict: str, number: int, gate: threading.Barrier) -> None:
            gate.wait(10)
            try:
                done.append(store.decide(event(number), verdict, by=who, seen=None, reason="x"))
            except AlreadyDecided as error:
                late.append(error)

        threads = [
            threading.Thread(target=officer, args=(stores[0], OFFICER, "valid", number, gate)),
            threading.Thread(target=officer, args=(stores[1], OTHER, "false", number, gate)),
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(30)
    assert len(done) == len(late) == 8
    assert {act.event_id: act for act in done} == {error.decision.event_id: error.decision for error in late}
    assert stores[0].current().height == 8
    assert not stores[0].audit.verify().faults


@pytest.mark.parametrize("verdict", ["nuisance", "false"])
@pytest.mark.parametrize("reason", ["", "  \n "])
def test_nuisance_and_false_need_a_reason(people: People, verdict: str, reason: str) -> None:
    with pytest.raises(PeopleError, match=f"the reason for '{verdict}' is missing"):
        people.decide(EVENT, verdict, by=OFFICER, seen=None, reason=reason)
    assert people.history(ID) == []


@pytest.mark.parametrize("note", ["x" * 4001, "a\0b", "a\x1bb", "half \ud83d"])
def test_a_note_that_no_page_could_show_is_refused(people: People, note: str) -> None:
    with pytest.raises(PeopleError, match="the note"):
        people.decide(EVENT, "valid", by=OFFICER, seen=None, note=note)


def test_notes_keep_every_script(people: People) -> None:
    said = "Rücksprache mit 機長 \N{AIRPLANE}, 'quoted' \"twice\"; -- %s {x}"
    assert people.decide(EVENT, "valid", by=OFFICER, seen=None, note=said).note == said
    assert people.history(ID)[0].note == said


def test_not_a_verdict(people: People) -> None:
    with pytest.raises(ReviewError, match=r"'unsure' is not a verdict\. Say valid, nuisance, false"):
        people.decide(EVENT, "unsure", by=OFFICER, seen=None)


@pytest.mark.parametrize("event_id", ["", "x" * 201, "a\0", "a\nb"])
def test_not_an_events_id(people: People, event_id: str) -> None:
    with pytest.raises(ReviewError, match="is not an event's id"):
        people.comment(event_id, "hello", by=OFFICER)


def test_values_without_an_end_or_not_known_are_kept(people: People) -> None:
    people.decide(event(1, value=math.inf), "valid", by=OFFICER, seen=None)
    people.decide(event(2, value=math.nan, limit=None), "valid", by=OFFICER, seen=None)
    values = people.current().sort("event_id")["judged_value"].to_list()
    assert values == [math.inf, None]
    assert not people.audit.verify().faults


def test_a_captain_or_analyst_may_comment_and_not_decide(people: People) -> None:
    for actor in (CAPTAIN, ANALYST):
        with pytest.raises(NotAllowed, match=f"{actor.name} is {actor.role}; this \\(decision\\) is for officer"):
            people.decide(EVENT, "valid", by=actor, seen=None)
        people.comment(ID, "wind was gusting", by=actor)
    assert [act.by for act in people.history(ID)] == ["kaja", "liv"]


def test_reopening_needs_a_reason_and_what_was_seen(people: People) -> None:
    first = people.decide(EVENT, "valid", by=OFFICER, seen=None)
    with pytest.raises(PeopleError, match="the reason is missing"):
        people.reopen(ID, by=OFFICER, seen=first.act_id, reason="")
    with pytest.raises(AlreadyDecided):
        people.reopen(ID, by=OFFICER, seen=None, reason="new facts")
    again = people.reopen(ID, by=OTHER, seen=first.act_id, reason="new facts")
    assert people.current([ID])["verdict"].to_list() == [None]
    with pytest.raises(ReviewError, match="not decided"):
        people.reopen(ID, by=OTHER, seen=again.act_id, reason="twice")
    people.decide(EVENT, "false", by=OTHER, seen=again.act_id, reason="sensor")
    assert [act.state for act in people.history(ID)] == ["valid", None, "false"]


def test_only_a_valid_event_is_released(people: People) -> None:
    with pytest.raises(ReviewError, match="decided valid"):
        people.release(ID, by=OFFICER)
    people.decide(EVENT, "valid", by=OFFICER, seen=None)
    people.release(ID, by=OFFICER)
    row = people.current([ID]).row(0, named=True)
    assert (row["released_by"], row["verdict"]) == ("ines", "valid")


def test_referrals_to_maintenance_and_training_stand_side_by_side(people: People) -> None:
    people.refer(ID, "maintenance", by=OFFICER, note="transit time grows")
    people.refer(ID, "training", by=OFFICER)
    people.refer(ID, "maintenance", by=OFFICER, closed=True, note="actuator changed")
    row = people.current([ID]).row(0, named=True)
    assert (row["maintenance"], row["training"]) == ("closed", "open")
    with pytest.raises(ReviewError, match="Say maintenance or training"):
        people.refer(ID, "catering", by=OFFICER)


def test_assignment_and_snooze_change_and_end(people: People, watch: Watch) -> None:
    people.assign(ID, "jorge", by=OFFICER)
    until = watch.at + timedelta(days=7)
    people.snooze(ID, until, by=OFFICER)
    row = people.current([ID]).row(0, named=True)
    assert (row["assigned_to"], row["snoozed_until_utc"]) == ("jorge", until)
    people.assign(ID, None, by=OFFICER)
    people.snooze(ID, None, by=OFFICER)
    row = people.current([ID]).row(0, named=True)
    assert (row["assigned_to"], row["snoozed_until_utc"]) == (None, None)
    for day in (datetime(2026, 11, 1, tzinfo=UTC), datetime(2026, 11, 16, tzinfo=UTC)):
        with pytest.raises(ReviewError, match="must be later than today"):
            people.snooze(ID, day, by=OFFICER)
    people.snooze(ID, datetime(2028, 11, 16, tzinfo=UTC), by=OFFICER)
    with pytest.raises(ReviewError, match="for two years at most"):
        people.snooze(ID, datetime(2028, 11, 18, tzinfo=UTC), by=OFFICER)


def test_undo_puts_back_what_stood_before_and_can_be_undone(people: People) -> None:
    first = people.decide(EVENT, "valid", by=OFFICER, seen=None, note="first")
    second = people.decide(EVENT, "false", by=OFFICER, seen=first.act_id, reason="sensor")
    undone = people.undo(second.entry_id, by=OFFICER)
    stands = people.decision(ID)
    assert stands is not None
    assert (stands.state, stands.note, stands.reason, stands.undoes) == ("valid", "first", None, second.act_id)
    assert stands.rule_hash == "a" * 16
    people.undo(undone.entry_id, by=OFFICER)
    assert people.current([ID]).select("verdict", "reason").row(0) == ("false", "sensor")
    assert len(people.history(ID)) == 4


def test_undo_of_the_first_decision_leaves_the_event_undecided(people: People) -> None:
    first = people.decide(EVENT, "valid", by=OFFICER, seen=None)
    people.undo(first.entry_id, by=OFFICER)
    row = people.current([ID]).row(0, named=True)
    assert row["verdict"] is None
    people.decide(EVENT, "false", by=OTHER, seen=row["decision_id"], reason="sensor")


def test_undo_does_not_take_back_what_somebody_did_since(people: People) -> None:
    first = people.decide(EVENT, "valid", by=OFFICER, seen=None)
    people.decide(EVENT, "false", by=OTHER, seen=first.act_id, reason="sensor")
    with pytest.raises(AlreadyDecided, match="jorge decided 'false'"):
        people.undo(first.entry_id, by=OFFICER)
    comment = people.comment(ID, "hm", by=OFFICER)
    with pytest.raises(ReviewError, match="it is a comment"):
        people.undo(comment.entry_id, by=OFFICER)


def test_undo_a_second_time_says_who_took_it_back_and_what_stands(people: People) -> None:
    first = people.decide(EVENT, "valid", by=OFFICER, seen=None)
    people.undo(first.entry_id, by=OFFICER)
    with pytest.raises(AlreadyDecided) as caught:
        people.undo(first.entry_id, by=OFFICER)
    assert caught.value.problem == "ines took that decision back on 16 Nov 2026, 08:00 UTC; the event is undecided"
    assert caught.value.cure is None
    seen = people.current([ID])["decision_id"][0]
    people.decide(EVENT, "false", by=OTHER, seen=seen, reason="sensor")
    with pytest.raises(AlreadyDecided, match="jorge decided 'false' on"):  # what stands, not what came next
        people.undo(first.entry_id, by=OFFICER)


def test_who_decides_what_was_taken_back_meanwhile_is_told_so(people: People) -> None:
    first = people.decide(EVENT, "valid", by=OFFICER, seen=None)
    second = people.decide(EVENT, "false", by=OTHER, seen=first.act_id, reason="sensor")
    people.undo(second.entry_id, by=OTHER)
    for seen, which in ((second.act_id, "that"), (first.act_id, "a")):
        with pytest.raises(AlreadyDecided) as caught:
            people.decide(EVENT, "nuisance", by=OFFICER, seen=seen, reason="known bump")
        said = f"jorge took {which} decision back on 16 Nov 2026, 08:00 UTC; the event is 'valid' again. "
        assert caught.value.problem == f"{said}Nothing was overwritten"
        assert caught.value.cure == "Decide again if you still differ."


def frame(*events: Judged) -> pl.DataFrame:
    rows = [{"event_id": e.event_id, "rule_hash": e.rule_hash, "rule_book": e.rule_book, "severity": e.severity,
             "value": e.value, "limit": e.limit, "unit": e.unit, "decision_id": None} for e in events]  # fmt: skip
    return pl.DataFrame(rows, schema_overrides={"decision_id": pl.Int64})


def test_many_at_once_are_one_entry_and_leave_others_decisions_alone(people: People) -> None:
    chosen = frame(*(event(number) for number in range(6)))
    people.decide(event(3), "valid", by=OTHER, seen=None)
    bulk = people.bulk_decide(
        chosen,
        "nuisance",
        count=6,
        chosen_by={"rule": "late_spoilers", "tail": "XX-KAB"},
        by=OFFICER,
        reason="limit too tight",
    )
    assert (bulk.done, bulk.kept) == (5, (event(3).event_id,))
    verdicts = people.current().sort("event_id")["verdict"].to_list()
    assert verdicts == ["nuisance"] * 3 + ["valid"] + ["nuisance"] * 2
    log = people.audit.entries(newest=1).row(0, named=True)
    assert (log["act"], log["subject"]) == ("decision", "5 events")
    assert '"chosen_by":{"rule":"late_spoilers"}' in log["detail"]

    people.decide(event(0), "valid", by=OTHER, seen=people.current([event(0).event_id])["decision_id"][0])
    undone = people.undo(bulk.entry_id, by=OFFICER)
    assert (undone.done, undone.kept) == (4, (event(0).event_id,))
    verdicts = people.current().sort("event_id")["verdict"].to_list()
    assert verdicts == ["valid", None, None, "valid", None, None]
    assert not people.audit.verify().faults


def test_many_at_once_supersede_what_was_seen(people: People) -> None:
    first = people.decide(event(1), "valid", by=OTHER, seen=None)
    chosen = frame(event(1), event(2)).with_columns(decision_id=pl.Series([first.act_id, None]))
    assert people.bulk_decide(chosen, "false", count=2, chosen_by={}, by=OFFICER, reason="froze").done == 2
    assert people.current()["verdict"].to_list() == ["false", "false"]


def test_many_at_once_must_be_as_many_as_confirmed(people: People) -> None:
    with pytest.raises(ReviewError, match=r"2 events are left to decide; you were shown 3\. Nothing"):
        people.bulk_decide(frame(event(1), event(2)), "valid", count=3, chosen_by={}, by=OFFICER)
    assert people.current().is_empty()


def test_the_same_token_does_it_once(people: People) -> None:
    first = people.decide(EVENT, "valid", by=OFFICER, seen=None, token="form-1")
    again = people.decide(EVENT, "valid", by=OFFICER, seen=None, token="form-1")
    assert first == again
    assert len(people.history(ID)) == 1
    with pytest.raises(PeopleError, match="token was used for something else"):
        people.decide(event(2), "valid", by=OTHER, seen=None, token="form-1")


def test_current_of_some_of_many_and_since(people: People) -> None:
    chosen = frame(*(event(number) for number in range(700)))
    people.bulk_decide(chosen, "valid", count=700, chosen_by={}, by=OFFICER)
    assert people.current([event(5).event_id, "not reviewed"]).height == 1
    assert people.current(chosen["event_id"][:600]).height == 600
    at = people.newest_act()
    people.comment(event(5).event_id, "hm", by=CAPTAIN)
    people.assign(event(6).event_id, "jorge", by=OFFICER)
    assert people.newest_act() == at + 2
    changed = people.current(since=at).sort("event_id")
    assert changed["event_id"].to_list() == [event(5).event_id, event(6).event_id]
    assert changed["comments"].to_list() == [1, 0]
    assert changed["verdict"].to_list() == ["valid", "valid"]


def test_a_release_shows_no_more_of_the_landing_than_was_asked_for(people: People) -> None:
    for number, shows in ((1, ()), (2, ("month",)), (3, ["airfield", "month", "month"])):
        people.decide(event(number), "valid", by=OFFICER, seen=None)
        people.release(event(number).event_id, by=OFFICER, shows=shows)
    assert people.current().sort("event_id")["released_context"].to_list() == [None, "month", "airfield month"]
    with pytest.raises(ReviewError, match="'tail' is not released with an event"):
        people.release(event(1).event_id, by=OFFICER, shows=["tail"])
    assert people.audit.verify().faults == ()


def test_what_a_release_shows_is_taken_back_with_it(people: People) -> None:
    people.decide(event(), "valid", by=OFFICER, seen=None)
    people.release(event().event_id, by=OFFICER)
    more = people.release(event().event_id, by=OFFICER, shows=["month"])
    people.undo(more.entry_id, by=OFFICER)
    assert people.current()["released_context"].to_list() == [None]
    assert people.current()["released_by"].to_list() == ["ines"]
