"""What the recordings lack, by aircraft and parameter, against lists written by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import polars as pl
import pytest
from conftest import text_of

from dashboard import recorder
from dashboard.pages import not_assessed
from dashboard.query import Query
from dashboard.reasons import by_reason


@pytest.mark.parametrize(
    ("reason", "parameter"),
    [
        ("not recorded: spoilers_armed", "spoilers_armed"),
        ("engine 2: gap of 4 s in reverse_lever.2 where the change happened", "reverse_lever.2"),
        ("reverser 2 discrete never changes on this tail since 12 March 2026", "reverser.2"),
        ("engine 2: reverser 2 never reads deployed, yet N1 rose 31 points above idle in reverse", "reverser.2"),
        ("engine 2: N1 of engine 2 has a gap there", "n1.2"),
        ("N1 has a gap in reverse", "n1"),
        ("ground speed has a gap in the rollout", "ground_speed"),
        ("too few heading samples above 60 kt", "heading"),
        ("no spoiler handle sample in the rollout", "spoiler_handle"),
        ("no touchdown found: the main gear never shows a change from air to ground", "main_gear_ground"),
        ("reverse was not used", None),
        ("both reversers were never deployed together", None),
        ("the spoilers were still extended at the end of the recording", None),
        ("go-around or touch-and-go: not judged as a rollout", None),
        ("the reverser was never deployed", None),
        ("ground speed never fell to 30 kt in this recording", None),
    ],
)
def test_a_reason_blames_a_parameter_or_the_flight(reason, parameter):
    assert recorder.parameter_of(reason) == parameter


def day(number):
    return datetime(2026, 3, number, 12, tzinfo=UTC)


@pytest.fixture
def small(held):
    """Six landings of two aircraft. L12's reverser 2 is dead from the third of its four; M1 has one gap."""
    landings = pl.DataFrame(
        {
            "landing_id": list("abcdef"),
            "tail": ["QQ-L12"] * 4 + ["QQ-M1"] * 2,
            "fleet": ["Tern 200"] * 6,
            "touchdown_utc": [day(n) for n in (10, 11, 12, 16, 12, 13)],
            "week": ["2026-W11"] * 3 + ["2026-W12"] + ["2026-W11"] * 2,
        },
        schema_overrides={"touchdown_utc": pl.Datetime("us", "UTC")},
    )
    dead = "reverser 2 discrete never changes on this tail since 12 March 2026"
    missing = [
        ("c", "slow_transit", f"engine 2: {dead}"),
        ("c", "late_reverser_stow", dead),
        ("d", "slow_transit", f"engine 2: {dead}"),
        ("d", "late_reverser_stow", dead),
        ("e", "late_spoilers", "gap of 4 s in spoiler_handle where the change happened"),
        ("f", "late_spoilers", "gap of 6 s in spoiler_handle where the change happened"),
        ("f", "short_runway_left", "runway length not known"),
    ]
    table = pl.DataFrame(missing, schema=["landing_id", "rule", "reason"], orient="row")
    return replace(held, landings=landings, missing=table)


def test_a_dead_discrete_is_told_once_with_its_rules_and_since_when(small):
    found = recorder.silences(small, Query())
    assert [(one.tail, one.parameter, one.landings, one.of_landings) for one in found] == [
        ("QQ-L12", "reverser.2", 2, 2),
        ("QQ-M1", "spoiler_handle", 2, 2),
    ]
    assert found[0].first_utc == day(12)
    assert recorder.line(found[0]) == (
        "QQ-L12: Reverser 2. Reverser 2 discrete never changes on this tail since 12 March 2026, on all 2 landings "
        "since 12 Mar 2026. Cannot be assessed: Reverser stowed late; Reverser transit slow."
    )
    assert recorder.as_text(found).count("\n") == 1


def test_the_text_of_a_request_says_what_it_leaves_out(small):
    again, other = recorder.silences(small, Query())
    once = replace(other, landings=1)
    assert recorder.as_text([again, once]).splitlines() == [
        recorder.line(again),
        "Left out: 1 more line, seen on one landing only.",
    ]
    left = recorder.as_text([again, *[once] * 1051]).splitlines()[1:]
    assert left == ["Left out: 1,051 more lines, each seen on one landing only."]
    assert recorder.as_text([once, once]).count("Left out") == 0


def test_what_came_and_went_is_counted_of_all_landings_since(small):
    mended = replace(small, missing=small.missing.filter(pl.col("landing_id") != "d"))
    later = mended.missing.with_columns(landing_id=pl.col("landing_id").replace({"c": "b"}))
    once = replace(small, missing=later)
    one = next(one for one in recorder.silences(once, Query()) if one.tail == "QQ-L12")
    assert recorder.how_often(one) == "on 1 landing, 11 Mar 2026"
    both = pl.concat([later, small.missing.filter(pl.col("landing_id") == "d")])
    twice = replace(small, missing=both)
    one = next(one for one in recorder.silences(twice, Query()) if one.tail == "QQ-L12")
    assert recorder.how_often(one) == "on 2 of 3 landings since 11 Mar 2026, last on 16 Mar 2026"


def test_a_week_is_counted_by_itself_alone(small):
    """Of L12's four landings one lacked the reverser in week 11, of three; and the only one of week 12."""
    one = next(one for one in recorder.silences(small, Query(week="2026-W11")) if one.tail == "QQ-L12")
    assert (one.landings, one.of_landings) == (1, 3)
    both = pl.concat([small.missing, small.missing.with_columns(landing_id=pl.lit("b"))])
    one = next(
        one
        for one in recorder.silences(replace(small, missing=both), Query(week="2026-W11"))
        if one.tail == "QQ-L12" and one.parameter == "reverser.2"
    )
    assert recorder.how_often(one) == "on 2 of 3 landings of week 11, 9–15 Mar 2026"
    gone = next(one for one in recorder.silences(small, Query(week="2026-W11")) if one.tail == "QQ-M1")
    assert recorder.how_often(gone) == "on all 2 landings of week 11, 9–15 Mar 2026"


def test_landings_on_which_the_rule_was_never_tried_are_not_counted(small):
    """M1's two gaps and a go-around after them: the recording failed on all that it could have failed on."""
    around = small.landings.filter(pl.col("landing_id") == "f").with_columns(
        landing_id=pl.lit("g"), touchdown_utc=pl.lit(day(14), pl.Datetime("us", "UTC"))
    )
    why = pl.DataFrame(
        {
            "landing_id": ["g"],
            "rule": ["late_spoilers"],
            "reason": ["go-around or touch-and-go: not judged as a rollout"],
        }
    )
    flown = replace(small, landings=pl.concat([small.landings, around]), missing=pl.concat([small.missing, why]))
    one = next(one for one in recorder.silences(flown, Query()) if one.tail == "QQ-M1")
    assert recorder.how_often(one) == "on all 2 landings that needed it since 12 Mar 2026"
    assert (one.of_landings, one.not_tried) == (2, 1)
    whole = replace(flown, missing=small.missing)
    one = next(one for one in recorder.silences(whole, Query()) if one.tail == "QQ-M1")
    assert recorder.how_often(one) == "on 2 of 3 landings since 12 Mar 2026, last on 13 Mar 2026"


def test_what_was_counted_at_a_runway_names_it(small):
    """All four of L12's landings were at one runway, and M1's two at two others."""
    places = pl.Series("place", ["Korsby 09L"] * 4 + ["Sandmark 27", "Sandmark 09"])
    there = replace(small, landings=small.landings.with_columns(places))
    (one,) = recorder.silences(there, Query(runway="Korsby 09L"))
    assert recorder.how_often(one) == "on all 2 landings at Korsby 09L since 12 Mar 2026"
    (one,) = recorder.silences(there, Query(runway="Korsby 09L", week="2026-W12"))
    assert recorder.how_often(one) == "on 1 landing at Korsby 09L, 16 Mar 2026"
    assert ", on all 2 landings at Korsby 09L since" in text_of(not_assessed.listing(there, Query(runway="Korsby 09L")))
    both = replace(there, missing=pl.concat([small.missing, small.missing.with_columns(landing_id=pl.lit("b"))]))
    found = recorder.silences(both, Query(runway="Korsby 09L", week="2026-W11"))
    one = next(one for one in found if one.parameter == "reverser.2")
    assert recorder.how_often(one) == "on 2 of 3 landings at Korsby 09L of week 11, 9–15 Mar 2026"


def test_no_landing_under_the_filters_is_not_every_rule_assessed(held):
    said = text_of(not_assessed.listing(held, Query(week="2026-W99")))
    assert said == "No landing is under these filters. Show every landing"


def test_every_landing_is_counted_as_often_as_in_plain_python(held):
    landings = {row["landing_id"]: row for row in held.landings.iter_rows(named=True)}
    wanted: dict[tuple, set] = {}
    for row in held.missing.iter_rows(named=True):
        if row["reason"] == "spoiler lever not recorded from 2 s to 9 s after touchdown":
            wanted.setdefault(landings[row["landing_id"]]["tail"], set()).add(row["landing_id"])
    found = {one.tail: one.landings for one in recorder.silences(held, Query())}
    assert found == {tail: len(ids) for tail, ids in wanted.items()}
    assert len(by_reason(held.missing, held)) == 2


def test_the_page_holds_both_lists_and_the_words_of_the_request(small):
    markup = str(not_assessed.listing(small, Query()))
    said = text_of(markup)
    assert "2 lines on 2 aircraft" in said
    assert recorder.line(recorder.silences(small, Query())[0]) in said
    assert "Runway length not known" in said
    assert 'href="/export/not-assessed.csv?" download' in markup


def test_nothing_is_asked_of_maintenance_when_flights_alone_are_to_blame(small):
    flown = replace(small, missing=small.missing.filter(pl.col("rule") == "short_runway_left"))
    said = text_of(not_assessed.listing(flown, Query()))
    assert "Nothing was lost to the recordings" in said
    assert "request to maintenance" not in said


def test_so_few_landings_are_not_counted_for_who_may_not_know_the_aircraft(small):
    said = text_of(not_assessed.listing(replace(small, least=5, landings=pl.concat([small.landings] * 1)), Query()))
    assert "fewer than 5" in said
    assert "Export" not in said
