"""Every page, for everything in an archive, in words; and what comes from files is never markup."""

from __future__ import annotations

import re
from dataclasses import replace

import polars as pl
import pytest
from conftest import text_of
from invented_archive import RULES, FakeArchive
from test_dashboard_store import Empty

from dashboard.app import find_page
from dashboard.pages import evidence, glance, landing, landings, lines, not_assessed, rules, week
from dashboard.query import Query, parse
from dashboard.reasons import by_reason
from dashboard.store import Store


def texts(component) -> str:
    """All markup of a page."""
    found = []
    for _, part in component._traverse_with_paths():
        markup = getattr(part, "markup", None)
        if markup:
            found.append(markup)
    return " ".join(found)


@pytest.mark.parametrize(
    ("path", "name", "argument"),
    [
        ("/", week, ""),
        ("/landings", landings, ""),
        ("/landing/00a1f3", landing, "00a1f3"),
        ("/rules", rules, ""),
        ("/rules/", rules, ""),
        ("/rules/late_spoilers", rules, "late_spoilers"),
        ("/not-assessed", not_assessed, ""),
    ],
)
def test_each_path_has_its_page(path, name, argument):
    page, said = find_page(path)
    assert page.layout is name.layout
    assert said == argument


@pytest.mark.parametrize("path", ["/landingsx", "/nothing", "/week/2", "/assets"])
def test_other_paths_have_none(path):
    assert find_page(path) is None


def test_every_landing_has_a_page(store, held):
    for landing_id in held.landings["landing_id"].sample(60, seed=3):
        said = text_of(texts(landing.layout(store, landing_id, "")))
        assert "What each rule said" in said
        assert "nan" not in said.split()
        assert "None" not in said


def test_a_landing_says_of_each_rule_what_it_said(store, held, archive):
    for landing_id in held.landings["landing_id"].sample(30, seed=4):
        said = texts(landing.layout(store, landing_id, ""))
        blocks = re.findall(r'<div class="said-(row|missing)"(.*?)</div>', said, flags=re.S)
        for row in archive.outcomes(landing_id).iter_rows(named=True):
            mine = [(kind, part) for kind, part in blocks if f'id="rule-{row["rule"]}"' in part]
            assert len(mine) == 1
            kind, part = mine[0]
            assert RULES[row["rule"]].title in part
            assert (kind == "missing") == (row["outcome"] == "not_assessed")
            assert ('class="sev ' in part) == (row["outcome"] == "event")
            if row["reason"]:
                assert row["reason"].replace("_", " ")[1:] in part


def test_every_event_can_be_read(store, held):
    for event_id in held.events["event_id"].sample(60, seed=5):
        head, more, figure = evidence.shown(store, Query(event=event_id))
        said = text_of(head)
        event = store.event(event_id)
        assert event["title"] in said
        assert event["tail"] in said
        assert "Procedure" in text_of(more)
        assert figure["data"]


def test_an_aircraft_is_held_against_landings_on_which_the_rule_was_assessed(store, held, archive):
    slow, tails = pl.col("rule") == "slow_transit", archive.landings().select("landing_id", "tail")
    assessed = archive.outcomes().filter(slow, pl.col("outcome") != "not_assessed").join(tails, on="landing_id")
    fewer = 0
    for event in held.events.filter(slow).unique("tail").iter_rows(named=True):
        mine = assessed.filter(pl.col("tail") == event["tail"]).height
        such = archive.events().filter(slow, pl.col("tail") == event["tail"]).height
        said = text_of(evidence.shown(store, Query(event=event["event_id"]))[0])
        fleet = archive.landings().filter(fleet=event["fleet"]).select("landing_id")
        flown = assessed.join(fleet, on="landing_id", how="semi").height
        found = archive.events().filter(slow, fleet=event["fleet"]).height
        assert f"{1000 * such / mine:.0f} per 1,000 (" in said
        assert f"), {such} such event" in said
        assert f" in {mine} landings; fleet {1000 * found / flown:.0f} per 1,000 (" in said
        assert f"), {found} such events in {flown} landings." in said
        fewer += mine < tails.filter(pl.col("tail") == event["tail"]).height
    assert fewer


def test_an_event_that_is_gone_says_so(store):
    head, more, figure = evidence.shown(store, Query(event="gone"))
    assert "not in the archive" in head
    assert (more, figure) == ("", None)


def test_a_landing_that_is_not_there_says_so(store):
    assert "not in the archive" in texts(landing.layout(store, "nothing", ""))


def test_a_rule_that_is_not_there_says_so(store):
    assert "no such rule" in texts(rules.layout(store, "nothing", ""))


def test_every_rule_has_a_page_with_its_words_limits_and_counts(store, held, archive):
    for name, card in RULES.items():
        said = text_of(texts(rules.layout(store, name, "")))
        assert card.title in said
        assert card.why in said
        assert card.misses in said
        assert card.procedure in said
        n = archive.events().filter(pl.col("rule") == name).height
        assert f"{n} events in all weeks" in said


def test_the_list_of_rules_shows_limits_with_their_direction(store):
    said = text_of(texts(rules.layout(store, "", "")))
    assert "&gt; 2.0 s &gt; 3.0 s &gt; 5.0 s" in said
    assert "&lt; 600 m &lt; 450 m &lt; 300 m" in said
    assert "yes or no: Medium" in said


def test_limits_of_a_fleet_are_shown_beside_the_others(store):
    said = text_of(texts(rules.layout(store, "late_spoilers", "")))
    assert "Other fleets &gt; 2.0 s &gt; 3.0 s &gt; 5.0 s Heron 90 &gt; 2.0 s &gt; 3.0 s &gt; 6.0 s" in said


@pytest.mark.parametrize(
    ("show", "keep"),
    [
        ("", lambda n, a, j: True),
        ("events", lambda n, a, j: n > 0),
        ("none", lambda n, a, j: n == 0 and a > 0),
        ("part", lambda n, a, j: a < j),
        ("missing", lambda n, a, j: a == 0),
    ],
)
def test_the_list_of_landings_shows_what_was_asked(held, archive, show, keep):
    events = dict(archive.events().group_by("landing_id").len().iter_rows())
    rows = held.landings.select("landing_id", "assessed", "judged").iter_rows()
    wanted = sum(keep(events.get(i, 0), a, j) for i, a, j in rows)
    assert f" {wanted} landings , " in text_of(landings.listing(held, parse(f"?show={show}")))
    assert wanted


def test_not_assessed_counts_landings_by_reason(held, archive):
    said = text_of(not_assessed.listing(held, Query()))
    missing = archive.outcomes().filter(pl.col("outcome") == "not_assessed")
    for reason, n in missing.group_by("reason").agg(pl.col("landing_id").n_unique()).iter_rows():
        assert f"{reason[0].upper()}{reason[1:]}. {n} " in said


def test_reasons_that_differ_in_what_was_measured_stand_in_one_line(held):
    told = {i: f"gap of {i} s in spoiler_handle where the change happened" for i in (4, 12, 5)}
    ids = held.landings["landing_id"].head(4).to_list()
    rows = [(key, "late_spoilers", reason) for key, reason in zip(ids, [*told.values(), told[4]], strict=True)]
    rows.append((ids[0], "late_reverse", "no sample from 2 s to 9 s after touchdown"))
    missing = pl.DataFrame(rows, schema=["landing_id", "rule", "reason"], orient="row")
    found = {one.sentence: one.landings for one in by_reason(missing, held)}
    assert found == {
        "gap of 4 to 12 s in spoiler handle where the change happened": 4,
        "no sample from 2 s to 9 s after touchdown": 1,
    }


@pytest.mark.parametrize("query", [Query(text="zzz"), Query(tail="QQ-ZZZ"), Query(rule="no_rule")])
def test_an_empty_list_says_why_and_offers_a_way_out(held, query):
    said = lines.queue_list(held, query)
    assert "No " in text_of(said)
    assert "under these filters" in text_of(said)
    assert "<a href=" in said


def test_a_quiet_week_says_how_much_was_looked_at():
    quiet = FakeArchive(landings=200)
    quiet._events = quiet._events.clear()
    held = Store(quiet, lambda _run: RULES).held()
    said = text_of(lines.queue_list(held, Query()))
    assert said.startswith("No event in week 47.")
    assert "landings assessed" in said


def test_an_archive_without_a_landing_shows_every_page():
    empty = Store(Empty(), lambda _run: RULES)
    for page in (week, landings, rules, not_assessed):
        page.layout(empty, "", "")
    held = empty.held()
    assert "No landing" in text_of(lines.queue_list(held, Query()))
    assert "no landing assessed" in text_of(glance.summary(held, Query()))
    assert "No landing" in text_of(landings.listing(held, Query()))


class Spiteful(FakeArchive):
    """Names in the files are markup."""

    NAME = "<script>alert(1)</script>"

    def __init__(self) -> None:
        super().__init__(landings=60)
        names = [
            pl.lit(self.NAME).alias(c)
            for c in ("tail", "fleet", "flight", "arrival", "runway", "departure", "recorder")
        ]
        self._landings = self._landings.with_columns(*names, quality=pl.lit([self.NAME]))
        self._events = self._events.with_columns(*names, evidence=pl.lit([self.NAME]), quality=pl.lit([self.NAME]))
        self._outcomes = self._outcomes.with_columns(
            reason=pl.when(pl.col("outcome") == "not_assessed").then(pl.lit(self.NAME))
        )


def test_what_comes_from_files_is_never_markup():
    evil = {
        name: replace(card, why=Spiteful.NAME, title=f"{card.title} {Spiteful.NAME}") for name, card in RULES.items()
    }
    store = Store(Spiteful(), lambda _run: evil)
    held, query = store.held(), Query(week="all", text=Spiteful.NAME.lower())
    event = held.events.row(0, named=True)
    shown = [
        *evidence.shown(store, Query(event=event["event_id"]))[:2],
        glance.summary(held, query),
        lines.queue_list(held, Query(week="all")),
        lines.queue_list(held, query),
        landings.listing(held, Query()),
        not_assessed.listing(held, Query()),
        *(texts(page.layout(store, "", "?text=<script>")) for page in (week, landings, rules, not_assessed)),
        texts(rules.layout(store, "late_spoilers", "")),
        texts(landing.layout(store, event["landing_id"], "")),
    ]
    for markup in map(str, shown):
        assert "<script" not in markup
    assert any("&lt;script" in markup for markup in map(str, shown))


def test_an_event_that_says_yes_or_no_is_named_without_a_number(store, held):
    yes = held.events.filter(rule="spoilers_not_armed")
    others = held.events.filter(pl.col("rule") != "spoilers_not_armed").join(yes, on="landing_id", how="semi")
    said = text_of(evidence.shown(store, Query(event=others["event_id"][0]))[0])
    same = said[said.index("Same landing") : said.index("Same aircraft")]
    title = RULES["spoilers_not_armed"].title
    assert title in same
    assert f"{title}," not in same
