"""Sentences and numbers as a pilot would write them."""

from __future__ import annotations

from datetime import UTC, datetime
from math import inf, nan

import pytest

from dashboard import names, words
from fdm.measures import CATALOGUE
from fdm.rulebook import load_rule_book
from fdm.statistics import Rate, rate


def event(**changed):
    plain = {
        "measure": "spoiler_delay_s",
        "engine": None,
        "value": 6.0,
        "lower": 5.7,
        "upper": 6.3,
        "unit": "s",
        "limit": 5.0,
        "severity": "high",
        "severity_lowest": "high",
        "severity_highest": "high",
    }
    return plain | changed


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (4.04, "s", "4.0 s"),
        (-0.04, "s", "0.0 s"),
        (-1.26, "s", "−1.3 s"),
        (1023.6, "m", "1,024 m"),
        (0.113, "g", "0.11 g"),
        (5.25, "deg", "5.3°"),
        (0.57, "fraction", "57 %"),
        (44.4, "kt", "44 kt"),
        (None, "kt", "unknown"),
        (nan, "s", "unknown"),
    ],
)
def test_numbers_carry_the_decimals_their_unit_deserves(value, unit, said):
    assert words.quantity(value, unit) == said


def test_bounds_travel_with_the_number():
    assert words.bounded(4.0, 3.7, 4.3, "s") == "4.0 s (3.7–4.3)"
    assert words.bounded(1.0, 1.0, 1.0, "s") == "1.0 s"
    assert words.bounded(58.0, 58.0, inf, "s") == "58.0 s (or more)"


def test_a_certain_event():
    said = "Spoilers were up 6.0 s (5.7–6.3) after touchdown, past the high limit of 5.0 s even at the lower bound."
    assert words.finding(event(), "Ground spoilers late") == said


def test_a_possible_event_says_what_it_is_for_certain():
    possible = event(value=5.1, lower=4.8, upper=5.4, severity_lowest="medium")
    assert words.finding(possible, "Ground spoilers late") == (
        "Spoilers were up 5.1 s (4.8–5.4) after touchdown, past the high limit of 5.0 s; "
        "at the lower bound it would be medium."
    )
    assert words.standing(possible) == "possible; Medium, certain"


def test_an_event_that_could_be_worse_says_so():
    worse = event(value=4.9, lower=4.6, upper=5.2, limit=3.0, severity="medium", severity_lowest="medium")
    assert words.finding(worse, "").endswith("past the medium limit of 3.0 s; at the upper bound it would be high.")
    assert words.standing(worse) == "certain; could be High"


@pytest.mark.parametrize(
    ("measure", "unit", "direction", "limit", "values", "said", "limit_said"),
    [
        ("mean_deceleration_g", "g", "below", 0.08, (0.076, 0.073, 0.079), "0.076 g (0.073–0.079)", "0.080 g"),
        ("spoiler_delay_s", "s", "above", 5.0, (5.04, 5.01, 5.3), "5.04 s (5.01–5.30)", "5.00 s"),
        ("spoiler_delay_s", "s", "above", 5.0, (5.004, 5.001, 5.3), "5.004 s (5.001–5.300)", "5.000 s"),
        ("runway_left_60_m", "m", "below", 300.0, (299.7, 295.0, 310.0), "299.7 m (295.0–310.0)", "300.0 m"),
        ("spoiler_extension_max", "fraction", "below", 0.9, (0.898, 0.89, 0.91), "89.8 % (89.0–91.0)", "90.0 %"),
        ("spoiler_delay_s", "s", "above", 5.0, (5.06, 5.01, 5.3), "5.1 s (5.0–5.3)", "5.0 s"),
    ],
)
def test_what_is_beyond_a_limit_is_never_told_as_on_it(measure, unit, direction, limit, values, said, limit_said):
    """The third case at two decimals would still be 5.00 s: it gets as many as it takes."""
    three = dict(zip(("value", "lower", "upper"), values, strict=True))
    found = event(measure=measure, unit=unit, limit=limit, **three)
    sentence = words.finding(found, "", direction)
    assert said in sentence
    assert f"the high limit of {limit_said}" in sentence
    assert words.of_event(found) == said


def test_no_wind_is_told_as_none():
    """Half a knot is the first that is told as one."""
    assert [words.headwind(x) for x in (5.2, -3.0, 0.6, -0.6)] == [
        "5 kt headwind", "3 kt tailwind", "1 kt headwind", "1 kt tailwind",
    ]  # fmt: skip
    assert {words.headwind(x) for x in (0.0, 0.4, -0.4, -0.0)} == {"no wind along the runway"}
    assert words.headwind(None) == words.headwind(nan) == ""


def test_where_low_is_bad_the_upper_bound_is_the_kind_one():
    short = event(
        measure="runway_left_60_m",
        unit="m",
        value=280.0,
        lower=260.0,
        upper=310.0,
        limit=300.0,
        severity_lowest="medium",
    )
    assert words.finding(short, "", "below") == (
        "280 m (260–310) of runway remained at 60 kt, under the high limit of 300 m; "
        "at the upper bound it would be medium."
    )


def test_what_never_happened_is_not_told_as_if_it_had():
    never = event(value=58.0, lower=58.0, upper=inf)
    said = "Spoilers were still not up 58.0 s after touchdown, past the high limit of 5.0 s even at the lower bound."
    assert words.finding(never, "") == said


def test_yes_or_no_has_no_number_and_no_limit():
    armed = event(measure="spoilers_not_armed", unit="count", value=1.0, lower=1.0, upper=1.0, limit=0.5)
    assert words.finding(armed, "", yes_or_no=True) == "Spoilers were not armed at touchdown."


def test_an_engine_is_named():
    slow = event(measure="deploy_transit_s", engine=2, value=7.0, lower=6.5, upper=7.5)
    assert words.finding(slow, "").startswith("The reverser of engine 2 took 7.0 s (6.5–7.5) from unlocked to deployed")


def test_a_measure_without_words_of_its_own_is_told_by_its_rule():
    assert words.finding(event(measure="own_measure_s"), "Own rule").startswith("Own rule: 6.0 s (5.7–6.3), past")


def test_every_shipped_rule_has_a_sentence_and_every_measure_a_name():
    for rule in load_rule_book().rules.values():
        assert rule.measure in words.FINDINGS, rule.name
        assert rule.measure in {*names.MEASURE_STEP, *names.LASTING}, rule.name
        assert rule.measure in names.MEASURES, rule.name
    assert not set(words.FINDINGS) - set(CATALOGUE)
    assert not set(names.LASTING) & set(names.MEASURE_STEP)


def test_rates_name_their_denominator():
    assert words.rate(rate(6, 1163)) == "5.2 per 1,000 (1.9–11.2) of 1,163 assessed"
    assert words.rate(rate(0, 1163)) == "below 3.2 per 1,000 of 1,163 assessed"
    assert words.rate(rate(0, 7)) == "none of 7 assessed, too few to tell"
    assert words.rate_alone(rate(0, 36)) == "too few to tell"
    assert words.rate_alone(rate(0, 37)) == "below 99.7"  # 3.689 / 0.037 (Garwood 1936)
    assert words.rate(rate(1, 7)) == "143 per 1,000 (4–796) of 7 assessed"  # chi-squared: 0.0253 and 5.572 over 7
    assert words.rate(Rate(0, 0, None, None, None)) == "no landing assessed"


def test_weeks_are_told_with_their_days():
    # ISO 8601: week 47 of 2026 begins on Monday 16 November, week 53 of 2026 on 28 December
    assert words.week_days("2026-W47") == "16–22 Nov 2026"
    assert words.week_days("2026-W53") == "28 Dec 2026–3 Jan 2027"
    assert words.week_days("2026-W40") == "28 Sep–4 Oct 2026"


def test_spans_of_days():
    first, last = datetime(2026, 10, 28, tzinfo=UTC), datetime(2026, 11, 8, tzinfo=UTC)
    assert words.span(first, last, one_week=False) == "28 Oct–8 Nov"
    assert words.span(last.replace(day=1), last, one_week=False) == "1–8 Nov"
    assert words.span(last, last, one_week=False) == "8 Nov"
    assert words.span(last.replace(day=2), last, one_week=True) == "Mon–Sun"


def test_no_name_of_a_program_reaches_the_reader():
    said = words.plain(
        "not recorded: spoilers_armed; see late_spoilers and n1.2", {"late_spoilers": "Ground spoilers late"}
    )
    assert said == "not recorded: spoilers armed; see “Ground spoilers late” and n1 2"


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (120.5, "kt", "121 kt"),
        (121.5, "kt", "122 kt"),
        (0.25, "s", "0.3 s"),
        (-2.5, "kt", "−3 kt"),
        (2.675, "g", "2.68 g"),
    ],
)
def test_halves_are_rounded_up_as_the_browser_does(value, unit, said):
    """As `toLocaleString` rounds (ECMA-402: halfExpand); page, player and paper must not differ by it."""
    assert words.quantity(value, unit) == said


def test_an_ordinary_word_is_not_taken_for_the_rule_that_is_called_so():
    said = words.plain(
        "A small bounce is held; see spoilers_partial.", {"bounce": "Bounce", "spoilers_partial": "Partly"}
    )
    assert said == "A small bounce is held; see “Partly”."


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(4.0, "4.0 s after touchdown"), (-2.0, "2.0 s before touchdown"), (0.01, "at touchdown"), (None, "")],
)
def test_times_are_told_from_touchdown(seconds, said):
    assert words.after_touchdown(seconds) == said


def test_evidence_is_sentences_and_its_absence_is_said() -> None:
    assert words.evidence(["the lever of reverser_state.1 was up", "Both moved"]) == (
        "The lever of reverser state 1 was up. Both moved."
    )
    assert words.evidence([]) == "Nothing that was recorded tells."
