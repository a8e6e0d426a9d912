"""Trying limits: the numbers sent to the page are those that detect finds, and what changes is listed and saved."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from html import unescape
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from conftest import text_of

import fdm
from dashboard import analysis, limits_lists, version_bases, version_desk, words
from dashboard.app import build
from dashboard.desk import beside
from dashboard.limits_asked import Asked, asked, limits_asked, limits_now, population
from dashboard.limits_sweep import intervals, sent, swept
from dashboard.pages import limits, rules
from dashboard.rulecards import load_rule_cards
from dashboard.store import Store
from fdm.archive import Archive
from fdm.errors import RuleError
from fdm.people.roles import ANALYST, OFFICER
from fdm.rule import Limits
from fdm.rulebook import load_rule_book, shipped_folder
from fdm.statistics import rate
from tests.nights import nights


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("limits")
    fdm.load(nights(path / "recordings", 1), path / "archive")
    fdm.detect(path / "archive")
    return path / "archive"


@pytest.fixture(scope="module")
def store(folder):
    desk = beside(folder)
    yield Store(Archive(folder), load_rule_cards, reopen=lambda: Archive(folder), desk=desk)
    desk.close()


def test_the_rule_book_is_read_again_when_a_file_of_it_changed(store, tmp_path, monkeypatch):
    rules = shutil.copytree(shipped_folder(), tmp_path / "rules")
    whole = store.whole()
    monkeypatch.setattr(Store, "whole", lambda _self: replace(whole, run={**whole.run, "rules": str(rules)}))
    first = analysis.book_in_force(store)
    assert analysis.book_in_force(store) is first
    file = rules / "late_spoilers.toml"
    file.write_text(file.read_text().replace("high = 5.0", "high = 6.0"))
    assert analysis.book_in_force(store).rules["late_spoilers"].limits.high == 6.0
    file.write_text("nothing =")
    with pytest.raises(RuleError, match="late_spoilers"):
        analysis.book_in_force(store)


def swept_of(store, rule: str, fleet: str = ""):
    card = store.held().rules[rule]
    return swept(card, fleet, population(analysis.stood(store, rule), card, Asked(fleet=fleet)))


def levels_at(data, chosen: dict[str, float]) -> dict[str, int]:
    """Events by level as the page looks them up: beyond a limit, less those beyond the next."""
    beyond = {level: data["events"][data["x"].index(limit)] for level, limit in chosen.items()} | {"": 0}
    order = [*chosen, ""]
    return {level: beyond[level] - beyond[after] for level, after in pairwise(order)}


@pytest.mark.parametrize("rule", ["late_spoilers", "short_runway_left", "slow_transit"])
def test_the_page_counts_what_detect_finds_with_the_limits_saved(store, folder, tmp_path, rule):
    data = sent(swept_of(store, rule))
    x = np.array(data["x"])
    span = x[len(x) // 8 : -len(x) // 8]
    three = [float(span[int(len(span) * share)]) for share in (0.15, 0.4, 0.7)]
    three = three if data["direction"] > 0 else three[::-1]
    chosen = dict(zip(("low", "medium", "high"), three, strict=True))
    card = store.held().rules[rule]
    given = {"act": "save", "name": f"tried {rule}", "reason": "To see.", "token": rule, "search": "", **chosen}
    said = version_desk.done(store, card, given)
    if "Not saved" in said:
        given["expect"] = dict(re.findall(r'data-expect="([^"]*)" data-got="([^"]*)"', str(said)))
        said = version_desk.done(store, card, given | {"token": rule + "2"})
    saved = text_of(re.search(r'--rules "([^"]*)"', str(said))[1])
    again = tmp_path / "again"
    fdm.load(nights(tmp_path / "recordings", 1), again)
    fdm.detect(again, rules=saved)
    found = dict(fdm.events(again).filter(rule=rule)["severity"].value_counts().iter_rows())
    assert sum(found.values()) > 0
    assert {level: n for level, n in levels_at(data, chosen).items() if n} == found
    outcomes = fdm.outcomes(again).filter(rule=rule).collect()["outcome"]
    assert data["assessed"][data["x"].index(chosen["low"])] == (outcomes != "not_assessed").sum()
    certain = fdm.events(again).filter(pl.col("rule") == rule, pl.col("severity_lowest") != "within").height
    assert data["certain"][data["x"].index(chosen["low"])] == certain


def test_no_more_than_501_points_are_sent_and_nobody_can_be_known_by_them(store):
    for rule, card in store.held().rules.items():
        if card.yes_or_no:
            continue
        data = sent(swept_of(store, rule))
        assert len(data["x"]) <= 501
        text = json.dumps(data)
        assert len(text) < 60_000
        for column in ("tail", "landing_id", "flight"):
            known = store.whole().landings[column].drop_nulls().unique().to_list()
            assert not [name for name in known if f'"{name}"' in text]


def test_intervals_are_those_of_the_published_method():
    counts, landings = np.array([0, 1, 5, 40]), np.array([120, 500, 0, 1000])
    lower, upper = intervals(counts, landings)
    for i in (0, 1, 3):
        expected = rate(int(counts[i]), int(landings[i]))
        assert (lower[i], upper[i]) == pytest.approx((expected.lower, expected.upper))
    assert np.isnan(lower[2])
    # Garwood 1936, Table: five events have the interval 1.62 to 11.67
    assert [x[1] for x in intervals(np.array([9, 5]), np.array([1000, 1000]))] == pytest.approx([1.62, 11.67], abs=0.01)


def test_what_is_asked_in_the_address_is_read_and_nothing_else(store):
    card = store.held().rules["late_spoilers"]
    assert asked("?fleet=Tern+200&runway=QQKB+09&month=2026-11&where=bounces+%3D+0&x=1") == Asked(
        "Tern 200", "QQKB 09", "2026-11", "bounces = 0"
    )
    assert asked("?where=") == Asked(where="")
    assert asked(None) == Asked()
    own = limits_now(card, "")
    assert limits_asked(card, "", {"low": "2.5", "medium": "nan", "high": None}) == own._replace(low=2.5)
    assert limits_asked(card, "", {"low": "1e999"}) == own


def test_without_a_fleet_only_those_without_their_own_limits_are_counted(store):
    card = replace(store.held().rules["late_spoilers"], limits_by_fleet={"Tern 200": {"low": 9.0}})
    found = analysis.stood(store, "late_spoilers")
    assert "Tern 200" not in population(found, card, Asked())["fleet"].to_list()
    assert set(population(found, card, Asked(fleet="Tern 200"))["fleet"]) <= {"Tern 200"}


def test_gained_and_lost_are_listed_with_what_they_were_and_are(store):
    card = store.held().rules["late_spoilers"]
    found = analysis.stood(store, "late_spoilers")
    lower = Limits(card.limits["low"] - 0.5, card.limits["medium"], card.limits["high"])
    changed = limits_lists.changes(found, card, Asked(), lower)
    values = found.filter(~pl.col("barred"))["value"]
    expected = ((values > lower.low) & (values <= card.limits["low"])).sum()
    assert changed.height == expected
    assert set(changed["was"]) <= {"within", "not_assessed"}
    assert changed["up"].all()
    assert (
        "every landing is judged as it is now"
        in text_of(limits_lists.lists(limits_lists.changes(found, card, Asked(), limits_now(card, "")), card)).lower()
    )


def test_small_groups_are_shown_to_the_officer_alone():
    said = pl.DataFrame(
        {
            "fleet": ["A"] * 40 + ["B"] * 3,
            "before": ["within"] * 30 + ["low"] * 10 + ["low"] * 3,
            "after": ["within"] * 38 + ["low"] * 2 + ["high"] * 3,
        }
    )
    officer = limits_lists.counted(said, "fleet", OFFICER).rows()
    analyst = limits_lists.counted(said, "fleet", ANALYST).rows()
    assert officer == [("A", 40, 40, 10, 2), ("B", 3, 3, 3, 3)]
    assert analyst == [("A", 40, 40, 10, None), ("B", None, None, None, None)]


def test_a_case_that_no_longer_holds_refuses_and_nothing_is_written(store):
    card = store.held().rules["late_spoilers"]
    before = store.desk.books().versions().height
    given = {"act": "save", "name": "x", "reason": "y", "token": "refused", "search": "", "low": 1.0}
    said = text_of(version_desk.done(store, card, given))
    assert "Not saved" in said
    assert "two seconds is on the limit" in said
    assert store.desk.books().versions().height == before


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"name": ""}, "the name of the version is missing"),
        ({"reason": " "}, "the reason for the change is missing"),
        ({"low": 9.0}, "not in the order"),
        ({"low": 2.0}, "Nothing was changed"),
        ({"search": "?where=bouncs+%3D+0"}, "no landing column"),
        ({"search": "?fleet=..%2F..%2Fetc"}, "no landing is of fleet"),
        ({"expect": {"no such case": "low"}}, "no case"),
    ],
)
def test_what_cannot_be_saved_is_refused_in_words(store, change, says):
    card = store.held().rules["late_spoilers"]
    given = {"act": "save", "name": "x", "reason": "y", "token": str(change), "search": "", "low": 2.05} | change
    said = text_of(version_desk.done(store, card, given))
    assert says in said
    assert "Saved as" not in said


def test_saving_writes_beside_the_archive_and_into_the_log(store, folder):
    card = store.held().rules["late_spoilers"]
    given = {
        "act": "save", "name": "../../winter; rm", "reason": "Short runways.", "token": "t", "search": "", "high": 5.2,
    }  # fmt: skip
    in_force = load_rule_book()
    said = version_desk.done(store, card, given)
    saved = text_of(re.search(r'--rules "([^"]*)"', str(said))[1])
    assert re.fullmatch(re.escape(f"{folder}.rules/") + r"\d{6}", saved)
    assert load_rule_book(saved).rules["late_spoilers"].limits == Limits(2.0, 3.0, 5.2)
    assert load_rule_book(saved).version == "../../winter; rm"
    assert load_rule_book().hash == in_force.hash
    newest = store.desk.books().versions().row(0, named=True)
    assert newest["reason"] == "Short runways."
    assert "+high = 5.2" in text_of(said)


def test_a_version_that_cannot_be_written_is_still_kept_and_says_so(store, folder, monkeypatch):
    def full(self, version_id, folder):
        raise OSError("No space left on device")

    monkeypatch.setattr("fdm.people.books.Books.write", full)
    card = store.held().rules["late_spoilers"]
    before = store.desk.books().versions().height
    given = {"act": "save", "name": "n", "reason": "r", "token": "full", "search": "", "high": 5.1}
    said = text_of(version_desk.done(store, card, given))
    assert "No space left on device" in said
    assert "not written" in said
    assert store.desk.books().versions().height == before + 1
    assert f"Version {before + 1}, n, saved by" in text_of(version_bases.choice(version_bases.bases_of(store)))


def test_the_page_says_why_when_there_is_nothing_to_move(store):
    cards = store.held().rules
    yes_or_no = next(card for card in cards.values() if card.yes_or_no)
    assert "no limit to move" in text_of(limits.drawn(store, yes_or_no, Asked())[0])
    assert "No landing is under these filters" in text_of(
        limits.drawn(store, cards["late_spoilers"], Asked(fleet="none"))[0]
    )
    assert "cannot be tried" in text_of(limits.drawn(store, cards["late_spoilers"], Asked(where="bouncs"))[0])
    assert "no such rule" in str(limits.layout(store, "late_spoiler", ""))


def test_a_condition_is_counted_or_marked_where_it_is_wrong(store):
    assert "It holds on" in text_of(version_desk.condition_said(store, "bounces = 0"))
    wrong = str(version_desk.condition_said(store, "bouncs = 0 AND <b>"))
    assert "<mark>bouncs</mark>" in wrong
    assert "<b>" not in wrong


def test_an_analyst_cannot_ask_a_condition_whose_landing_it_is():
    for name in ("tail", "flight", "source_file", "touchdown_utc", "start_utc", "departure", "landing_id"):
        assert name in version_desk.barred_for(ANALYST)
    assert not {"arrival", "runway", "bounces", "fleet"} & version_desk.barred_for(ANALYST)
    assert not version_desk.barred_for(OFFICER)


def test_every_callback_of_the_page_says_whom_it_is_for(store):
    app = build(store)
    own = {key: entry for key, entry in app.callback_map.items() if "limits-" in key}
    assert len(own) >= 4


def test_a_rules_page_tells_all_of_its_file(store):
    for name, rule in load_rule_book().rules.items():
        said = unescape(text_of(rules.rule_page(store, store.held(), store.held().rules[name])))
        for part in ("How it is measured", "Parameters needed", "What it can miss", "Cases", "Try other limits"):
            assert part in said, name
        assert rule.title in said
        for case in rule.cases:
            assert words.plain(case.name)[1:] in said
        assert "_" not in re.sub(r'".*?"', "", said), "a name that only programs use"
