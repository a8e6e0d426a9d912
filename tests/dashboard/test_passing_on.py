"""Passing events on from the Week page: to people, maintenance, training, debriefing, another day; and comments."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from conftest import text_of
from invented_archive import RULES

from dashboard import debriefing, officers, queue
from dashboard.desk import Desk
from dashboard.pages import decision, lines, passing
from dashboard.query import Query, parse
from dashboard.store import Store
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People

NOW = datetime(2026, 11, 24, 9, tzinfo=UTC)
EVERYTHING = Query(week="all", lines="single")


class Clock:
    """A clock that is set by hand."""

    def __init__(self):
        self.now = NOW

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def path(tmp_path):
    return tmp_path / "rollouts.people.sqlite"


@pytest.fixture
def kept(archive, path, clock):
    desk = Desk(lambda: People(str(path), clock=clock), lambda: Actor("vera", OFFICER), clock)
    yield Store(archive, lambda _run: RULES, desk=desk)
    desk.close()


@pytest.fixture
def event(held):
    return held.events.row(0, named=True)


def ask(kept, act, event, **more):
    tokens = ask.__dict__.setdefault("tokens", iter(range(10**6)))
    asked = {"act": act, "event": event["event_id"], "token": f"t{next(tokens)}", **more}
    return decision.done(kept, asked)


def decide(kept, event, verdict="valid", **more):
    seen = str(kept.desk.past(event["event_id"]).seen or "")
    assert ask(kept, "decide", event, verdict=verdict, seen=seen, **more)["problem"] == ""


def bar(kept, event, answer=None):
    return text_of(decision.bar(kept, event, answer))


def listed(kept, query):
    now = kept.reviewed()
    chosen = queue.chosen_events(now, query, week=queue.week_of(now, query))
    return set(now.events[chosen["index"]]["event_id"])


def test_an_event_is_given_to_a_person_and_found_by_their_name(kept, event, path):
    answer = ask(kept, "assign", event, to="Bo, chief pilot", note="Please look")
    assert (answer["problem"], answer["said"]) == ("", "Given to Bo, chief pilot.")
    assert "Given to Bo, chief pilot vera, 24 Nov 2026, 09:00 UTC Please look" in bar(kept, event)
    assert listed(kept, parse("?week=all&passed=to%3ABo%2C+chief+pilot")) == {event["event_id"]}
    assert listed(kept, Query(week="all", passed="assigned")) == {event["event_id"]}
    assert listed(kept, Query(week="all", passed="to:Somebody")) == set()
    row = text_of(lines.queue_list(kept.reviewed(), EVERYTHING, decides=True))
    assert "to Bo, chief pilot" in row
    assert "Bo, chief pilot" in kept.desk.known_names()
    with People(str(path)) as people:
        assert people.audit.entries(newest=1).row(0, named=True)["act"] == "assignment"


@pytest.mark.parametrize("to", ["maintenance", "training"])
def test_a_referral_stays_open_until_it_is_answered(kept, event, to):
    assert ask(kept, "refer", event, to=to, note="Sleeve slow")["said"] == f"Referred to {to}."
    assert listed(kept, Query(week="all", passed=to)) == {event["event_id"]}
    assert f"With {to} vera" in bar(kept, event)
    assert ask(kept, "answered", event, to=to, note="Actuator changed")["problem"] == ""
    assert listed(kept, Query(week="all", passed=to)) == set()
    said = bar(kept, event)
    assert f"Answered by {to} vera" in said
    assert "Actuator changed" in said


def test_only_a_valid_event_is_released_and_undo_takes_it_back(kept, event):
    assert "Decided valid, it can be released" in bar(kept, event)
    assert "decided valid" in ask(kept, "release", event)["problem"]
    decide(kept, event)
    assert ask(kept, "release", event)["said"] == "Released to debriefing."
    assert listed(kept, Query(week="all", passed="released")) == {event["event_id"]}
    entry = kept.desk.past(event["event_id"]).stands("release").entry_id
    assert ask(kept, "undo", event, entry=str(entry))["problem"] == ""
    assert listed(kept, Query(week="all", passed="released")) == set()
    assert "Taken back: the release to debriefing (vera" in bar(kept, event)


NOT_SHOWN = "Was released; captains do not see it while it is not valid vera, "


def take_back_decision(kept, event):
    return ask(kept, "undo", event, entry=str(kept.desk.past(event["event_id"]).last.entry_id))


def decide_nuisance(kept, event):
    decide(kept, event, "nuisance", reason="Brief")


def reopen(kept, event):
    seen = str(kept.desk.past(event["event_id"]).seen)
    return ask(kept, "reopen", event, seen=seen, note="To look again")


@pytest.mark.parametrize("change", [take_back_decision, decide_nuisance, reopen])
def test_what_was_released_and_is_not_valid_now_says_that_captains_do_not_see_it(kept, event, change):
    decide(kept, event)
    ask(kept, "release", event)
    assert "Released to debriefing vera, " in bar(kept, event)
    change(kept, event)
    assert [case.ids for case in debriefing.cases(kept).cases] == []
    said = bar(kept, event)
    assert NOT_SHOWN in said
    assert "Take back" in said
    assert said.endswith(". Captains do not see it any more.")
    assert "Released to debriefing vera" not in said


def test_a_decision_that_puts_it_before_captains_again_says_so_beside_the_way_back(kept, event):
    decide(kept, event)
    ask(kept, "release", event)
    decide_nuisance(kept, event)
    seen = str(kept.desk.past(event["event_id"]).seen)
    answer = ask(kept, "decide", event, verdict="valid", seen=seen)
    assert [case.ids for case in debriefing.cases(kept).cases] == [(event["event_id"],)]
    markup = str(decision.bar(kept, event, answer))
    assert text_of(markup).startswith("Captains see it again. Take back ")
    release = kept.desk.past(event["event_id"]).stands("release").entry_id
    assert f'data-undo="{release}"' in markup[: markup.index("</p>")]
    assert text_of(markup).endswith(". Captains see it again.")
    ask(kept, "undo", event, entry=str(release))
    assert debriefing.cases(kept).cases == ()


def test_taking_back_what_hid_a_release_says_so_too(kept, event):
    decide(kept, event)
    ask(kept, "release", event)
    decide_nuisance(kept, event)
    answer = take_back_decision(kept, event)
    assert bar(kept, event, answer).startswith("Taken back for 1 event. Captains see it again. Take back ")


def test_a_first_or_repeated_valid_decision_says_nothing_of_captains(kept, event):
    assert "aptains see" not in bar(kept, event, ask(kept, "decide", event, verdict="valid", seen=""))[:60]
    ask(kept, "release", event)
    seen = str(kept.desk.past(event["event_id"]).seen)
    said = bar(kept, event, ask(kept, "decide", event, verdict="valid", seen=seen))
    assert "again" not in said[: said.index("Decide again")]
    entry = kept.desk.past(event["event_id"]).stands("release").entry_id
    ask(kept, "undo", event, entry=str(entry))
    decide_nuisance(kept, event)
    seen = str(kept.desk.past(event["event_id"]).seen)
    assert "Captains" not in bar(kept, event, ask(kept, "decide", event, verdict="valid", seen=seen))[:60]


def test_deciding_many_valid_says_of_how_many_captains_see_again(kept, held):
    query = Query(week="all", rule="slow_transit", severity="low")
    wanted = held.events.filter(pl.col("rule") == "slow_transit", pl.col("severity") == "low")
    for row in (wanted.row(0, named=True), wanted.row(1, named=True)):
        decide(kept, row)
        ask(kept, "release", row)
        reopen(kept, row)
    asked = {"act": "bulk", "verdict": "valid", "count": str(wanted.height), "filters": query.link(), "token": "b"}
    answer = decision.done(kept, asked)
    assert answer["problem"] == ""
    said = text_of(decision.bulk_bar(kept, query, answer))
    assert said == f"{wanted.height} events decided Valid. Captains see 2 of them again. Undo"


def test_releasing_warns_when_few_landings_look_alike(archive, kept, event, monkeypatch):
    decide(kept, event)
    alike = sum(
        all(row[name] == event[name] for name in ("fleet", "runway_length_m"))
        for row in archive.landings().iter_rows(named=True)
    )
    assert alike >= 5
    told = bar(kept, event)
    assert "no aircraft, flight, airfield or date" in told
    assert f"{alike} landings share fleet, runway length and condition" in told
    assert "who flew it knows it by its weight, wind and speeds" in told  # those are shown too, and are one landing's
    monkeypatch.setattr(officers, "alike", lambda *_: 3)
    assert "Only 3 landings share fleet, runway length and condition: the crew may be known." in bar(kept, event)


def test_releasing_says_when_the_runway_tells_the_airfield(archive, kept, event, monkeypatch):
    decide(kept, event)
    lengths = archive.landings().group_by("runway_length_m").agg(pl.col("arrival").n_unique())
    places = dict(lengths.iter_rows())[event["runway_length_m"]]
    warning = "Only one airfield has a runway of this length: the airfield can be worked out."
    assert (warning in bar(kept, event)) == (places == 1)
    monkeypatch.setattr(officers, "airfields_with", lambda *_: 1)
    assert warning in bar(kept, event)
    monkeypatch.setattr(officers, "airfields_with", lambda *_: 2)
    assert warning not in bar(kept, event)


def test_airfields_with_a_runway_are_counted(archive, kept):
    one = archive.landings().row(0, named=True)
    same = {
        row["arrival"]
        for row in archive.landings().iter_rows(named=True)
        if row["runway_length_m"] == one["runway_length_m"]
    }
    assert officers.airfields_with(kept, one["runway_length_m"]) == len(same)
    assert officers.airfields_with(kept, None) == 0


def test_what_is_set_aside_leaves_the_list_until_its_day(kept, event, clock, held):
    everything = set(held.events["event_id"])
    answer = ask(kept, "snooze", event, until="2026-11-30")
    assert answer["said"] == "Set aside until Mon 30 Nov 2026."
    assert listed(kept, EVERYTHING) == everything - {event["event_id"]}
    assert listed(kept, Query(week="all", passed="snoozed")) == {event["event_id"]}
    assert listed(kept, Query(week="all", passed="any")) == everything
    said = text_of(lines.queue_list(kept.reviewed(), EVERYTHING, decides=True))
    n = len(everything) - 1
    assert f" {n} to decide of {n} events, 1 set aside " in said
    clock.now = datetime(2026, 11, 29, 23, 59, tzinfo=UTC)
    assert event["event_id"] not in listed(kept, EVERYTHING)
    clock.now = datetime(2026, 11, 30, 0, 1, tzinfo=UTC)
    assert listed(kept, EVERYTHING) == everything


def test_counts_and_rates_are_the_same_whatever_was_done(kept, event):
    before = queue.tiles(kept.reviewed(), Query(week="all"))
    ask(kept, "snooze", event, until="2026-11-30")
    decide(kept, kept.held().events.row(1, named=True))
    for query in (Query(week="all"), Query(week="all", decided="no"), Query(week="all", passed="maintenance")):
        assert queue.tiles(kept.reviewed(), query) == before


def test_a_decision_ends_the_time_aside(kept, event):
    ask(kept, "snooze", event, until="2026-11-30")
    decide(kept, event)
    assert event["event_id"] in listed(kept, EVERYTHING)


@pytest.mark.parametrize(
    ("act", "more", "said"),
    [
        ("snooze", {"until": ""}, "The day until which to set this aside is missing. Choose a day."),
        ("snooze", {"until": "soon"}, "The day until which"),
        ("snooze", {"until": "2026-11-20"}, "The day until which to set this aside must be later than today."),
        ("snooze", {"until": "2026-11-24"}, "The day until which to set this aside must be later than today."),
        ("snooze", {"until": "2028-11-25"}, "An event is set aside for two years at most. Choose an earlier day."),
        ("snooze", {"until": "9999-12-31"}, "An event is set aside for two years at most. Choose an earlier day."),
        ("assign", {"to": " ", "note": "Look"}, "The name of the person to give this to is missing. Write a name."),
        ("refer", {"to": "the press"}, "not referred"),
        ("comment", {"note": " "}, "The comment is missing"),
        ("assign", {"to": "x" * 101}, "101 characters"),
        ("reopen", {"note": "Why"}, "not decided"),
    ],
)
def test_what_cannot_be_done_is_said_and_the_words_are_kept(kept, event, act, more, said):
    answer = ask(kept, act, event, **more)
    assert said in answer["problem"]
    assert len(kept.desk.past(event["event_id"]).acts) == 0
    markup = str(decision.bar(kept, event, answer))
    assert '<details class="pass-on no-print" open>' in markup
    assert 'role="alert"' in markup


def test_reopening_needs_a_reason_and_makes_it_to_decide_again(kept, event):
    decide(kept, event, "nuisance", reason="Brief")
    seen = str(kept.desk.past(event["event_id"]).seen)
    assert "reason" in ask(kept, "reopen", event, seen=seen)["problem"]
    assert ask(kept, "reopen", event, seen=seen, note="New findings")["said"] == "Reopened."
    assert listed(kept, Query(week="all", decided="yes")) == set()
    assert "Reopened: New findings (vera" in bar(kept, event)


def test_the_history_tells_every_kind_of_act_in_order(kept, event):
    ask(kept, "comment", event, note="Saw it on the ramp")
    ask(kept, "assign", event, to="Bo")
    ask(kept, "snooze", event, until="2026-12-01")
    decide(kept, event, note="Agreed")
    ask(kept, "refer", event, to="maintenance")
    ask(kept, "release", event)
    said = bar(kept, event)
    told = [
        "Comment: Saw it on the ramp (vera",
        "Given to Bo (vera",
        "Set aside until Tue 1 Dec 2026 (vera",
        "Valid: Agreed (vera",
        "Referred to maintenance (vera",
        "Released to debriefing (vera",
    ]
    history = said[said.index("History: 6 entries") :]
    assert [history.index(part) for part in told] == sorted(history.index(part) for part in told)


def test_what_people_wrote_is_never_markup(kept, event):
    ask(kept, "assign", event, to="<b>Bo</b>", note="<script>1</script>")
    ask(kept, "comment", event, note="<img src=x>")
    now = kept.reviewed()
    for markup in (decision.bar(kept, event), lines.queue_list(now, EVERYTHING, decides=True)):
        assert not any(tag in str(markup) for tag in ("<b>Bo", "<script", "<img"))


def test_the_next_to_decide_is_found_on_a_later_page_past_what_is_decided(kept, monkeypatch):
    monkeypatch.setattr(queue, "LINES_PER_PAGE", 3)
    order = [line["event_id"] for line in kept.held().events.head(9).iter_rows(named=True)]
    for i in (3, 4):
        decide(kept, kept.event(order[i]))
    now = kept.reviewed()
    chosen = queue.chosen_events(now, EVERYTHING)
    found = queue.next_open(now, EVERYTHING)
    assert (found.page, found.event) == (2, order[5])
    last = -(-chosen.height // 3)
    back = queue.next_open(now, Query(week="all", lines="single", page=last))
    assert (back.page, back.event) == (1, order[0])


def test_nothing_else_to_decide_is_no_next(kept, monkeypatch):
    query = Query(week="all", rule="short_runway_left", lines="single")
    chosen = queue.chosen_events(kept.reviewed(), query)
    assert chosen.height <= queue.LINES_PER_PAGE
    assert queue.next_open(kept.reviewed(), query) is None


def test_an_event_that_does_not_exist_is_not_passed_on(kept):
    assert "not in the archive" in ask(kept, "comment", {"event_id": "nobody-knows"}, note="x")["problem"]


def test_times_of_the_store_do_not_bring_back_earlier(kept, event, clock):
    ask(kept, "snooze", event, until="2026-11-30")
    clock.now += timedelta(days=2)
    ask(kept, "comment", event, note="Still waiting")
    assert event["event_id"] not in listed(kept, EVERYTHING)


def test_month_and_airfield_together_say_how_many_landings_are_then_alike(archive, kept, event):
    decide(kept, event)
    columns = ("fleet", "runway_length_m", "arrival", "runway")
    same = [
        row
        for row in archive.landings().iter_rows(named=True)
        if all(row[name] == event[name] for name in columns)
        and f"{row['touchdown_utc']:%Y-%m}" == f"{event['touchdown_utc']:%Y-%m}"
    ]
    said = bar(kept, event)
    few = f"with both {len(same)} such here: the crew may be known"
    assert (few if len(same) < 5 else f"with both {len(same)} such") in said


def test_what_is_decided_is_not_set_aside(kept, event, path):
    """It would be in no list: a decision ends the time for which an event is set aside."""
    decide(kept, event)
    answer = ask(kept, "snooze", event, until="2026-11-30")
    assert answer["problem"] == "This event is decided: setting it aside changes nothing. Reopen it first."
    with People(str(path)) as people:
        assert [act.topic for act in people.history(event["event_id"])] == ["decision"]
    ask(kept, "reopen", event, seen=str(kept.desk.past(event["event_id"]).seen), note="To look again")
    assert ask(kept, "snooze", event, until="2026-11-30")["problem"] == ""
    assert listed(kept, Query(week="all", passed="snoozed")) == {event["event_id"]}


def test_what_was_set_aside_and_then_decided_is_not_said_to_be_set_aside(kept, event):
    ask(kept, "snooze", event, until="2026-11-30")
    decide(kept, event)
    assert "Set aside" not in text_of(passing.stands(kept.desk.past(event["event_id"])))
