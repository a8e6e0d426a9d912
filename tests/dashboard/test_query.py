"""The address says what is shown, and nothing else does."""

from __future__ import annotations

from urllib.parse import parse_qs

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.query import Query, parse

words = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=40).map(str.strip)


@given(st.builds(Query, fleet=words, runway=words, tail=words, rule=words, event=words, page=st.integers(1, 10**6)))
def test_a_link_means_what_it_was_made_from(query):
    link = query.link()
    assert parse(link) == Query(**{k: getattr(query, k) for k in ("fleet", "runway", "tail", "rule", "event", "page")})


def test_a_deep_link_is_understood():
    query = parse("?week=2026-W47&severity=high&event=0003fc-late_spoilers")
    assert (query.week, query.severity, query.event) == ("2026-W47", "high", "0003fc-late_spoilers")


@pytest.mark.parametrize(
    "search",
    [
        "?week=47",
        "?week=2026-W4",
        "?week=2026-W٤٧",
        "?severity=worst",
        "?sort=random",
        "?page=-2",
        "?page=x",
        "?page=²",
        "?page=٣",
        "?page=0",
        "?page=" + "9" * 100,
        "?lines=9",
        "?what=1",
    ],
)
def test_what_cannot_be_understood_is_left_out(search):
    assert parse(search) == Query()


@pytest.mark.parametrize("search", [None, "", "?"])
def test_nothing_asked_is_the_newest_week_worst_first(search):
    assert parse(search) == Query()


def test_a_new_filter_starts_at_the_first_page_but_choosing_an_event_stays():
    query = Query(page=3, fleet="Tern 200")
    assert parse(query.link(fleet="Heron 90")).page == 1
    assert parse(query.link(event="a")).page == 3
    assert parse(query.link(page=4)).page == 4


def test_long_values_are_cut():
    assert len(parse("?text=" + "x" * 5000).text) == 120


def test_a_link_holds_only_what_differs_from_the_ordinary_view():
    assert parse_qs(Query(tail="QQ-LAF").link().lstrip("?")) == {"tail": ["QQ-LAF"]}
