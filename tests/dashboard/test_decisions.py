"""Deciding events from the Week page, over a store of decisions on SQLite; and a store that fails."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest
from conftest import text_of
from invented_archive import RULES

from dashboard import queue
from dashboard.desk import Desk
from dashboard.pages import decision, lines
from dashboard.query import Query, parse
from dashboard.store import Store
from fdm.people.errors import StoreError
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People

OFFICERS = {name: Actor(name, OFFICER) for name in ("vera", "tom")}


@pytest.fixture
def path(tmp_path):
    return tmp_path / "rollouts.people.sqlite"


@pytest.fixture
def desk(path):
    made = Desk(lambda: People(str(path)), lambda: OFFICERS["vera"])
    yield made
    made.close()


@pytest.fixture
def decided(archive, desk):
    return Store(archive, lambda _run: RULES, desk=desk)


@pytest.fixture
def colleague(archive, path):
    """Another officer's page over the same store."""
    made = Desk(lambda: People(str(path)), lambda: OFFICERS["tom"])
    yield Store(archive, lambda _run: RULES, desk=made)
    made.close()


@pytest.fixture
def event(held):
    return held.events.row(0, named=True)


def ask(event, verdict="valid", **more):
    return {"act": "decide", "event": event["event_id"], "verdict": verdict, "seen": "", "token": "t1", **more}


def bar(store, event, answer=None):
    return text_of(decision.bar(store, event, answer))


def test_a_decision_says_what_who_and_why_and_outlives_the_process(decided, event, path):
    before = bar(decided, event)
    assert all(word in before for word in ("Valid V", "Nuisance N", "False F", "Skip S"))
    answer = decision.done(decided, ask(event, "nuisance", reason="Brief", note="Seen on video"))
    assert answer["problem"] == ""
    said = bar(decided, event, answer)
    assert said.startswith("Nuisance vera, ")
    assert "Brief" in said
    assert "Seen on video" in said
    with People(str(path)) as people:
        act = people.decision(event["event_id"])
    assert (act.state, act.by, act.reason, act.rule_hash) == ("nuisance", "vera", "Brief", event["rule_hash"])
    assert (act.severity, act.value, act.limit_passed) == (event["severity"], event["value"], event["limit"])


@pytest.mark.parametrize("verdict", ["nuisance", "false"])
def test_without_a_reason_nothing_is_saved_and_the_note_stays(decided, event, verdict):
    answer = decision.done(decided, ask(event, verdict, note="A long thought"))
    assert "reason" in answer["problem"]
    markup = decision.bar(decided, event, answer)
    assert 'value="A long thought"' in markup
    assert decided.desk.past(event["event_id"]).decisions == ()


def test_the_first_decision_stands_and_is_shown_to_who_came_second(decided, colleague, event):
    decision.done(colleague, ask(event, "valid"))
    answer = decision.done(decided, ask(event, "false", reason="Sensor", token="t2"))
    assert "tom decided Valid" in answer["problem"]
    said = bar(decided, event, answer)
    assert said.startswith("tom decided")
    assert "Valid tom, " in said
    assert 'value="Sensor"' in decision.bar(decided, event, answer)
    assert [act.state for act in decided.desk.past(event["event_id"]).decisions] == ["valid"]


def test_decided_again_after_reading_the_first(decided, colleague, event):
    decision.done(colleague, ask(event, "valid"))
    seen = decided.desk.past(event["event_id"]).seen
    answer = decision.done(decided, ask(event, "false", reason="Sensor", seen=str(seen), token="t2"))
    assert answer["problem"] == ""
    assert bar(decided, event).startswith("False vera, ")


def test_undo_brings_back_what_stood(decided, event):
    decision.done(decided, ask(event))
    entry = decided.desk.past(event["event_id"]).last.entry_id
    answer = decision.done(decided, {"act": "undo", "event": event["event_id"], "entry": str(entry), "token": "t2"})
    assert answer["problem"] == ""
    assert decided.desk.past(event["event_id"]).last.state is None
    assert "Undo" not in bar(decided, event)
    after = ask(event, "false", reason="Sensor", seen=str(decided.desk.past(event["event_id"]).seen), token="t3")
    assert decision.done(decided, after)["problem"] == ""


def test_undo_in_a_second_tab_says_that_it_was_taken_back(decided, event):
    decision.done(decided, ask(event))
    entry = str(decided.desk.past(event["event_id"]).last.entry_id)
    undo = {"act": "undo", "event": event["event_id"], "entry": entry}
    assert decision.done(decided, undo | {"token": "t2"})["problem"] == ""
    problem = decision.done(decided, undo | {"token": "t3"})["problem"]
    assert problem.startswith("vera took that decision back on ")
    assert problem.endswith(" UTC; the event is undecided.")


def test_undo_in_a_second_tab_names_what_stands_as_its_button(decided, event):
    decision.done(decided, ask(event))
    seen = str(decided.desk.past(event["event_id"]).seen)
    decision.done(decided, ask(event, "false", reason="Sensor", seen=seen, token="t2"))
    undo = {"act": "undo", "event": event["event_id"], "entry": str(decided.desk.past(event["event_id"]).last.entry_id)}
    decision.done(decided, undo | {"token": "t3"})
    assert decision.done(decided, undo | {"token": "t4"})["problem"].endswith("; the event is Valid again.")


def test_the_same_click_sent_twice_is_one_decision(decided, event):
    for _ in range(2):
        assert decision.done(decided, ask(event))["problem"] == ""
    assert len(decided.desk.past(event["event_id"]).decisions) == 1


def test_the_list_counts_what_is_left_and_filters_by_it(decided, held):
    query = Query(week="all", lines="single")
    chosen = [held.events.row(i, named=True) for i in (0, 3, 4)]
    for i, event in enumerate(chosen):
        decision.done(decided, ask(event, token=f"t{i}"))
    now, n = decided.reviewed(), held.events.height
    assert f"{n - 3:,} to decide of {n:,} events" in text_of(lines.queue_list(now, query, decides=True))
    ids = {e["event_id"] for e in chosen}
    done = queue.chosen_events(now, replace(query, decided="yes"))
    left = queue.chosen_events(now, replace(query, decided="no"))
    assert set(now.events[done["index"]]["event_id"]) == ids
    assert set(now.events[left["index"]]["event_id"]) == set(held.events["event_id"]) - ids
    markup = lines.queue_list(now, replace(query, decided="yes"), decides=True)
    assert markup.count('data-verdict="valid"') == 3
    assert markup.count('<i class="verdict">Valid</i>') == 3
    assert queue.first_event(now, replace(query, decided="no"))["event_id"] == held.events["event_id"][1]


def test_repeats_part_when_one_of_them_is_decided(decided, held):
    query = Query(week="all")
    lines = [line for g in queue.groups(held, query) for line in g.lines]
    line = next(line for line in lines if line.repeats > 2)
    decision.done(decided, ask(line.event))
    now = decided.reviewed()
    found = [one for g in queue.groups(now, query) for one in g.lines]
    same = [
        (one.repeats, one.event["verdict"])
        for one in found
        if all(one.event[c] == line.event[c] for c in ("severity", "certain", "rule", "tail"))
    ]
    assert same == [(1, "valid"), (line.repeats - 1, None)]


def decide_alike(decided, events):
    """Decides events valid, each as an officer would."""
    for event in events.iter_rows(named=True):
        assert decision.done(decided, ask(event, token=f"t{event['event_id']}"))["problem"] == ""


@pytest.mark.parametrize(
    ("query", "mine"),
    [
        (Query(rule="short_runway_left"), pl.col("rule") == "short_runway_left"),
        (Query(severity="high"), pl.col("severity") == "high"),
        (Query(fleet="Heron 90", severity="high"), (pl.col("fleet") == "Heron 90") & (pl.col("severity") == "high")),
    ],
)
def test_nothing_left_under_filters_is_not_nothing_left_in_the_week(decided, held, query, mine):
    events = held.events.filter(mine)
    decide_alike(decided, events)
    said = text_of(lines.queue_list(decided.reviewed(), replace(query, week="all", decided="no"), decides=True))
    n, rest = events.height, held.events.height - events.height
    assert f"Nothing left to decide in all weeks under these filters. {n} of {n} event" in said
    assert f"Without these filters, {rest:,} events are to decide." in said


@pytest.mark.parametrize("name", ["tail", "runway", "fleet"])
def test_every_filter_of_landings_is_named_with_an_empty_list(decided, held, name):
    week = held.weeks[-1]
    column = {"runway": "place"}.get(name, name)
    value = held.events.filter(pl.col("week") == week).drop_nulls(column).item(0, column)
    decide_alike(decided, held.events.filter(pl.col("week") == week, pl.col(column) == value))
    query = Query(week=week, decided="no", **{name: value})
    said = text_of(lines.queue_list(decided.reviewed(), query, decides=True))
    assert "under these filters. " in said


def test_nothing_released_is_not_nothing_left_to_decide(decided, held):
    query = Query(week="all", decided="no", passed="released")
    event = held.events.row(0, named=True)
    decision.done(decided, ask(event))
    decision.done(decided, {"act": "release", "event": event["event_id"], "token": "r"})
    said = text_of(lines.queue_list(decided.reviewed(), query, decides=True))
    assert "under these filters. 1 of 1 event decided." in said
    assert f"Without these filters, {held.events.height - 1:,} events are to decide." in said


def test_nothing_left_to_decide_is_said(decided, held):
    week = held.weeks[-1]
    events = held.events.filter(pl.col("week") == week)
    decide_alike(decided, events)
    said = text_of(lines.queue_list(decided.reviewed(), Query(week=week, decided="no"), decides=True))
    assert f". {events.height} of {events.height} events decided." in said
    assert said.startswith("Nothing left to decide in week ")
    assert "filters" not in said


def test_a_decision_under_another_rule_says_so(decided, event):
    decision.done(decided, ask(event))
    assert "another version" not in bar(decided, event)
    changed = event | {"rule_hash": "f" * 8}
    assert "Decided under another version of this rule. Then: " in bar(decided, changed)


def test_what_was_written_is_never_markup(decided, event):
    answer = decision.done(decided, ask(event, "false", reason="<b>x</b>", note="<script>1</script>"))
    markup = str(decision.bar(decided, event, answer))
    assert "<script>" not in markup
    assert "<b>x" not in markup


@pytest.mark.parametrize(
    "asked",
    [{}, {"act": "drop"}, {"act": "decide", "event": "no such"}, {"act": "undo", "entry": "x"}, {"act": "undo"}],
)
def test_what_no_page_would_ask_is_refused_in_words(decided, asked):
    assert decision.done(decided, asked)["problem"]


def test_an_unknown_verdict_is_refused(decided, event):
    assert "verdict" in decision.done(decided, ask(event, "guilty"))["problem"]


def garbage(path):
    path.write_bytes(b"not a database at all" * 100)


def a_folder(path):
    path.mkdir()


@pytest.mark.parametrize("spoil", [garbage, a_folder])
def test_a_store_that_fails_is_said_and_the_page_still_reads(decided, event, path, spoil):
    spoil(path)
    said = bar(decided, event)
    assert said.startswith("Decisions cannot be read or saved now.")
    assert path.name in said
    assert "Valid" not in said
    assert decision.done(decided, ask(event))["problem"]
    now = decided.reviewed()
    assert text_of(lines.queue_list(now, Query(week="all"), decides=True))
    assert now.events.drop("verdict").equals(decided.held().events.drop("verdict"))


def test_a_store_that_may_not_be_written_still_shows_decisions(decided, event, archive, path):
    decision.done(decided, ask(event))

    def unwritable(*_args, **_more):
        raise StoreError("the store may not be written. Nothing was saved", source=path)

    decided.desk._store().decide = unwritable
    other = decided.held().events.row(1, named=True)
    answer = decision.done(decided, ask(other, token="t2"))
    said = bar(decided, other, answer)
    assert "may not be written. Nothing was saved" in said
    assert "Valid V" in said
    assert bar(decided, event).startswith("Valid vera, ")


def test_without_a_store_nothing_can_be_decided(store, event):
    assert decision.bar(store, event) == ""
    assert "to decide" not in text_of(lines.queue_list(store.reviewed(), Query(week="all")))


def test_the_filter_stands_in_the_address():
    assert parse("?decided=no").decided == "no"
    assert parse("?decided=maybe").decided == ""
    assert parse(Query(decided="yes").link()).decided == "yes"


def ask_all(store, query, verdict="nuisance", **more):
    n = queue.left_to_decide(store.reviewed(), query).height
    asked = {"act": "bulk", "verdict": verdict, "reason": "Known", "count": str(n), "filters": query.link()}
    return asked | {"token": "b1"} | more


def test_all_that_is_left_of_a_list_is_decided_in_one_and_taken_back_in_one(decided, held):
    query = Query(week="all", rule="slow_transit", severity="low")
    wanted = held.events.filter(pl.col("rule") == "slow_transit", pl.col("severity") == "low")
    first = wanted.row(0, named=True)
    decision.done(decided, ask(first, "valid"))
    assert f"Decide all {wanted.height - 1} alike" in text_of(decision.bulk_bar(decided, query))
    answer = decision.done(decided, ask_all(decided, query))
    assert answer["problem"] == ""
    said = decision.bulk_bar(decided, query, answer)
    assert text_of(said) == f"{wanted.height - 1} events decided Nuisance. Undo"
    stands = {row["event_id"]: row["verdict"] for row in decided.reviewed().events.iter_rows(named=True)}
    assert {event_id for event_id, verdict in stands.items() if verdict == "nuisance"} == set(
        wanted["event_id"].to_list()[1:]
    )
    assert stands[first["event_id"]] == "valid"
    assert f"Undo all {wanted.height - 1}" in bar(decided, wanted.row(1, named=True))
    undone = decision.done(decided, {"act": "undo", "entry": answer["entry"], "token": "b2"})
    assert undone["problem"] == ""
    assert decided.reviewed().events["verdict"].drop_nulls().to_list() == ["valid"]


def otherwise(store, event):
    """Decides an event valid, whatever stood."""
    seen = str(store.desk.past(event["event_id"]).seen)
    assert decision.done(store, ask(event, seen=seen, token=f"o{event['event_id']}"))["problem"] == ""


def test_undo_says_on_how_many_a_decision_of_many_still_stands(decided, held):
    events = held.events.filter(pl.col("rule") == "slow_transit", pl.col("severity") == "low")
    n, last = events.height, events.row(events.height - 1, named=True)
    decision.done(decided, ask_all(decided, Query(week="all", rule="slow_transit", severity="low")))
    assert f" Undo all {n} U " in bar(decided, last)
    for i in range(2):
        otherwise(decided, events.row(i, named=True))
    assert f" Undo the {n - 2} that still stand U " in bar(decided, last)
    entry = str(decided.desk.past(last["event_id"]).last.entry_id)
    undone = decision.done(decided, {"act": "undo", "entry": entry, "token": "u"})
    assert undone["said"] == f"Taken back for {n - 2} events; 2 decided since stay as they are."
    stands = decided.reviewed().events.filter(pl.col("event_id").is_in(events["event_id"].implode()))["verdict"]
    assert sorted(stands.to_list(), key=str) == [None] * (n - 2) + ["valid"] * 2


def test_undo_of_the_last_that_still_stands_counts_nothing(decided, held):
    events = held.events.filter(pl.col("rule") == "slow_transit", pl.col("severity") == "low")
    decision.done(decided, ask_all(decided, Query(week="all", rule="slow_transit", severity="low")))
    for event in events.head(events.height - 1).iter_rows(named=True):
        otherwise(decided, event)
    assert " Undo U " in bar(decided, events.row(events.height - 1, named=True))


def test_another_number_than_was_confirmed_decides_nothing(decided):
    query = Query(week="all", rule="slow_transit")
    asked = ask_all(decided, query)
    answer = decision.done(decided, asked | {"count": str(int(asked["count"]) + 1)})
    n = int(asked["count"])
    assert answer["problem"] == f"{n} events are left to decide; you were shown {n + 1}. Nothing was decided."
    assert decided.reviewed().events["verdict"].null_count() == decided.reviewed().events.height


@pytest.mark.parametrize(
    ("left", "told", "named"),
    [
        (
            1,
            "1 event is left to decide; you were shown 2. Nothing was decided.",
            "Decide the one that is left Decision Valid",
        ),
        (0, "No event is left to decide; you were shown 2. Nothing was decided.", "What you wrote Reason"),
    ],
)
def test_what_was_written_for_many_stays_when_a_colleague_was_faster(decided, colleague, held, left, told, named):
    query = Query(week="all", rule="slow_transit", severity="low")
    events = held.events.filter(pl.col("rule") == "slow_transit", pl.col("severity") == "low")
    decide_alike(decided, events.head(events.height - 2))
    asked = ask_all(decided, query, reason="A new reason", note="A long thought")
    assert asked["count"] == "2"
    decide_alike(colleague, events.tail(2 - left))
    answer = decision.done(decided, asked)
    markup = str(decision.bulk_bar(decided, query, answer))
    assert text_of(markup).startswith(f"{told} {named}")
    assert markup.count("data-decide") == (3 if left else 0)
    assert 'value="A long thought"' in markup
    assert 'value="A new reason"' in markup
    assert "<details" not in str(decision.bulk_bar(decided, query))


def test_the_one_that_is_left_is_decided_with_what_was_written(decided, colleague, held):
    query = Query(week="all", rule="slow_transit", severity="low")
    events = held.events.filter(pl.col("rule") == "slow_transit", pl.col("severity") == "low")
    decide_alike(decided, events.head(events.height - 2))
    asked = ask_all(decided, query, note="A long thought")
    decide_alike(colleague, events.tail(1))
    assert decision.done(decided, asked)["problem"]
    assert decision.done(decided, asked | {"count": "1", "token": "b2"})["problem"] == ""
    assert decided.desk.past(events["event_id"][-2]).last.note == "A long thought"


def test_the_history_tells_every_decision_in_order(decided, event):
    decision.done(decided, ask(event, "nuisance", reason="Brief"))
    assert "History" not in bar(decided, event)
    entry = str(decided.desk.past(event["event_id"]).last.entry_id)
    decision.done(decided, {"act": "undo", "event": event["event_id"], "entry": entry, "token": "t2"})
    seen = str(decided.desk.past(event["event_id"]).seen)
    decision.done(decided, ask(event, "valid", seen=seen, token="t3"))
    said = bar(decided, event)
    assert "History: 3 entries" in said
    told = ["Nuisance: Brief (vera", "Taken back, so undecided again (vera", "Valid (vera"]
    assert [said.index(part) for part in told] == sorted(said.index(part) for part in told)
