"""Saved versions, comparing them, and the health of the recordings, as an officer and as an analyst sees them."""

from __future__ import annotations

import re
import shutil
import tomllib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from conftest import text_of
from flask import Flask, g

import fdm
import fdm.health
from dashboard import fleet_health, jobs_page, version_bases, version_desk, versions
from dashboard.access import acting
from dashboard.desk import beside
from dashboard.health_marks import month_strip, sentence, small_trend
from dashboard.pages import compare, health
from dashboard.pages import versions as versions_page
from dashboard.query import Query
from dashboard.rulecards import load_rule_cards
from dashboard.store import Store
from dashboard.workshop import Workshop
from fdm.amending import book_of
from fdm.archive import Archive
from fdm.changes import changes
from fdm.errors import RuleError
from fdm.people.books import files_of
from fdm.people.errors import JobError, PeopleError
from fdm.people.roles import ANALYST, Actor
from fdm.people.store import People
from fdm.people.worker import Worker
from fdm.rulebook import load_rule_book, shipped_folder
from tests.nights import nights

ANALYST_HERE = Actor("Ana", ANALYST)
NAMES = ("tail", "flight", "source_file", "landing_id")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("versions")
    fdm.load(nights(path / "recordings", 2), path / "archive")
    fdm.detect(path / "archive")
    return path / "archive"


@pytest.fixture(scope="module")
def store(folder):
    desk = beside(folder)
    found = Store(Archive(folder), load_rule_cards, reopen=lambda: Archive(folder), desk=desk)
    card = found.held().rules["late_reverse"]
    given = {"act": "save", "name": "2", "reason": "Earlier.", "token": "a", "search": "", "low": 1.0, "medium": 2.0}
    said = version_desk.done(found, card, given)
    expect = dict(re.findall(r'data-expect="([^"]*)" data-got="([^"]*)"', str(said)))
    said = version_desk.done(found, card, given | {"expect": expect})
    assert "Saved as version 1" in text_of(said)
    yield found
    desk.close()


def names_in(store, text: str) -> list[str]:
    known = {name for column in NAMES for name in store.whole().landings[column].drop_nulls().unique()}
    return sorted(name for name in known if len(name) > 3 and name in text)


def test_versions_are_listed_with_who_why_and_how(store, folder):
    said = text_of(versions_page.listing(store))
    assert "Earlier." in said
    assert f'fdm detect --archive "{folder}" --rules "{folder}.rules/000001"' in said
    assert [v.key for v in versions.choices(store)] == ["force", "shipped", "1"]
    assert ", as shipped." in said  # nothing to compare it with


def test_a_rule_book_of_ones_own_can_be_compared_with_the_shipped_one(store, monkeypatch):
    whole = store.whole()
    own = replace(whole, run={**whole.run, "rule_book_hash": "0" * 64, "rule_book": "Own rules 3"})
    monkeypatch.setattr(store, "whole", lambda: own)
    said = str(versions_page.listing(store))
    assert "In force: Own rules 3." in said
    assert '<a href="/compare">Compare it with the shipped one</a>' in said


# ── what a version builds on ─────────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def fresh(folder, tmp_path):
    """The same landings, and nobody's work yet."""
    again = shutil.copytree(folder, tmp_path / "archive")
    desk = beside(again)
    yield Store(Archive(again), load_rule_cards, reopen=lambda: Archive(again), desk=desk)
    desk.close()


def saves(store, rule: str, name: str, **said):
    """What the page says to somebody who saves a change as its form stands, ticking every case that fails."""
    bases = version_bases.bases_of(store)
    given = {
        "act": "save", "name": name, "reason": f"Why {name}.", "token": name, "search": "", "base": bases.chosen,
        "seen": str(bases.number), "force": bases.force,
    } | said  # fmt: skip
    card = store.held().rules[rule]
    found = version_desk.done(store, card, given)
    expect = dict(re.findall(r'data-expect="([^"]*)" data-got="([^"]*)"', str(found)))
    return version_desk.done(store, card, given | {"expect": expect}) if expect else found


def limits_of(store, version_id: int):
    rules = book_of(store.desk.books().version(version_id).files).rules
    return rules["late_reverse"].limits.high, rules["late_braking"].limits.high


def test_a_second_change_builds_on_the_first_that_waits(fresh):
    shipped = [load_rule_book().rules[rule].limits.high for rule in ("late_reverse", "late_braking")]
    assert version_bases.bases_of(fresh).chosen == "force"
    with acting(ANALYST_HERE):
        assert "Saved as version 1" in text_of(saves(fresh, "late_reverse", "one", high=40.0))
    offered = text_of(version_bases.choice(version_bases.bases_of(fresh)))
    assert re.search(r"Builds on Version 1, one, saved by Ana on .* UTC, not in force The rule book in force", offered)
    said = saves(fresh, "late_braking", "two", high=41.0)
    assert limits_of(fresh, 2) == (40.0, 41.0)
    changes_, differs = str(said).split("</details>")[:2]
    assert "on top of version 1" in changes_
    assert "late_reverse" not in changes_
    assert "late_reverse" in differs
    assert "late_braking" in differs
    saves(fresh, "late_braking", "alone", high=42.0, base="force")
    assert limits_of(fresh, 3) == (shipped[0], 42.0)


def test_only_what_the_draft_moved_is_changed_in_what_it_builds_on(fresh):
    saves(fresh, "late_reverse", "one", high=40.0)
    saves(fresh, "late_reverse", "two", medium=7.0)
    rule = book_of(fresh.desk.books().version(2).files).rules["late_reverse"]
    assert (rule.limits.medium, rule.limits.high) == (7.0, 40.0)


def test_a_limit_of_one_fleet_leaves_its_other_limits_to_the_general_ones(fresh):
    saves(fresh, "late_spoilers", "one", high=6.0)
    said = saves(fresh, "late_spoilers", "two", search="?fleet=Curlew+300", medium=3.4)
    assert "medium = 3.4" in said
    first, text = (fresh.desk.books().version(n).files["late_spoilers.toml"] for n in (1, 2))
    added = [line for line in text.splitlines() if line not in first.splitlines()]
    assert added == ['[limits_by_fleet."Curlew 300"]', "medium = 3.4"]
    assert tomllib.loads(text)["limits_by_fleet"] == {"Curlew 300": {"medium": 3.4}}


def offered(store, rule: str) -> str:
    bases = version_bases.bases_of(store)
    said = version_bases.choice(bases, version_bases.otherwise(store, bases, store.held().rules[rule]))
    return said.striptags()


def test_what_a_version_has_otherwise_than_the_numbers_of_the_page_is_said(fresh):
    saves(fresh, "late_spoilers", "one", medium=2.75, where="headwind_kt > 10")
    said = offered(fresh, "late_spoilers")
    assert "Version 1 has Medium 2.75 s for this rule; the numbers here are with 3.0 s." in said
    assert "Version 1 has the condition headwind_kt > 10 for this rule; the numbers here are without one." in said
    assert "What you do not change is saved as it is in version 1." in said
    assert "for this rule" not in offered(fresh, "late_braking")
    saves(fresh, "late_spoilers", "two", search="?fleet=Curlew+300", low=1.9, base="force")
    said = offered(fresh, "late_spoilers")
    assert "Version 2 has Low 1.9 s for this rule on Curlew 300; the numbers here are with 2.0 s." in said
    assert "Medium" not in said


def test_limits_that_do_not_fit_those_of_the_version_are_refused_by_its_name(fresh):
    saves(fresh, "late_spoilers", "one", medium=2.7)
    said = text_of(saves(fresh, "late_spoilers", "two", low=2.9))
    assert (
        "Not saved. Version 1 has Medium 2.7 s for this rule, which is not in order with your Low "
        "2.9 s. Move a limit, or build on the rule book in force."
    ) in said
    assert "Saved as version 2" in text_of(saves(fresh, "late_spoilers", "two", low=2.9, base="force"))


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"name": ""}, "Not saved. The name of the version is missing."),
        ({"reason": ""}, "Not saved. The reason for the change is missing."),
        ({"act": "check", "where": "bounces >"}, "The condition cannot be used: something is missing"),
        ({"act": "check", "low": 1.0}, "of this rule no longer"),
        ({"act": "check", "seen": "7", "force": "0" * 20}, "Another rule book is in force since this page was read."),
    ],
)
def test_why_not_is_a_sentence_and_not_saved_is_said_to_who_saves(fresh, said, told):
    given = {"act": "save", "search": "", "name": "n", "reason": "r", "token": "t", "high": 5.1} | said
    answer = text_of(version_desk.done(fresh, fresh.held().rules["late_spoilers"], given))
    assert told in answer
    assert ("ot saved" in answer) == (given["act"] == "save")
    assert "save again" not in answer


def test_a_version_made_from_another_than_the_one_in_force_is_not_chosen(fresh, folder):
    saves(fresh, "late_reverse", "one", high=40.0)
    saves(fresh, "late_braking", "two", high=41.0, base="force")
    archive = fresh.archive().path
    fdm.detect(archive, rules=versions.folder(fresh, "2"))
    bases = version_bases.bases_of(fresh)
    assert (bases.chosen, bases.waiting["version_id"]) == ("force", 1)
    saves(fresh, "late_braking", "three", high=43.0)
    assert version_bases.bases_of(fresh).chosen == "3"


def test_who_was_overtaken_is_told_and_asked_what_to_build_on(fresh):
    seen = str(version_bases.bases_of(fresh).number)
    with acting(ANALYST_HERE):
        saves(fresh, "late_reverse", "hers", high=40.0)
    said = saves(fresh, "late_braking", "his", high=41.0, seen=seen, base="force")
    assert "Not saved. Meanwhile version 1, hers, saved by Ana on" in text_of(said)
    assert "Why hers." in text_of(said)
    assert 'name="seen" value="1"' in str(said)
    long = saves(fresh, "late_reverse", "long", high=42.0, reason="So. " * 900)
    assert "Saved as version 2" in text_of(long)
    told = text_of(saves(fresh, "late_braking", "his", high=41.0, seen=seen, base="force"))
    assert told.count("So.") == 30, "120 characters"
    assert fresh.desk.books().versions().height == 2
    assert "Another rule book is in force" in text_of(saves(fresh, "late_braking", "his", high=41.0, force="0" * 20))
    with pytest.raises(PeopleError, match="another version was saved meanwhile"):
        fresh.desk.books().save(files_of(shipped_folder()), reason="r", by=ANALYST_HERE, seen=0)


def ticked(said) -> str:
    """The version that is chosen in what came of asking."""
    return re.search(r'name="base" value="(\w+)" checked', str(said))[1]


def test_who_was_overtaken_keeps_the_choice_of_what_to_build_on(fresh):
    """Versions beside the one in force: what was chosen stays, unless the newer one was made from it."""
    saves(fresh, "late_reverse", "one", high=40.0)
    saves(fresh, "late_braking", "two", high=41.0, base="force")
    fdm.detect(fresh.archive().path, rules=versions.folder(fresh, "2"))
    seen = str(version_bases.bases_of(fresh).number)
    saves(fresh, "late_reverse", "three", high=42.0, base="1", reason="A reason without an end")
    said = saves(fresh, "late_spoilers", "mine", high=5.5, base="1", seen=seen)
    assert "A reason without an end. Choose above" in text_of(said)
    assert ticked(said) == "3"
    seen = "3"
    saves(fresh, "late_reverse", "four", high=43.0, base="force")
    said = saves(fresh, "late_spoilers", "mine", high=5.5, base="3", seen=seen)
    assert ticked(said) == "3"
    assert re.findall(r'name="base" value="(\w+)"', str(said)) == ["4", "3", "force"]
    assert "Saved as version 5" in text_of(saves(fresh, "late_spoilers", "mine", high=5.5, base="3"))
    rules = book_of(fresh.desk.books().version(5).files).rules
    assert (rules["late_reverse"].limits.high, rules["late_spoilers"].limits.high) == (42.0, 5.5)


def test_a_name_is_given_once(fresh):
    saves(fresh, "late_reverse", "Winter 2026", high=40.0)
    said = text_of(saves(fresh, "late_braking", "winter 2026", high=41.0))
    assert "Not saved. Version 1, Winter 2026, saved by" in said
    assert "has this name" in said
    in_force = text_of(saves(fresh, "late_braking", load_rule_book().version, high=41.0))
    assert "Not saved. The rule book in force has this name" in in_force


def test_a_condition_that_the_cases_do_not_tell_does_not_change_what_they_expect(fresh):
    said = text_of(saves(fresh, "late_spoilers", "wind", where="headwind_kt > 10"))
    assert "Saved as version 1" in said
    rule = book_of(fresh.desk.books().version(1).files).rules["late_spoilers"]
    assert rule.where == "headwind_kt > 10"
    shipped = load_rule_book().rules["late_spoilers"]
    assert [(case.name, case.expect) for case in rule.cases] == [(case.name, case.expect) for case in shipped.cases]
    check = {"act": "check", "search": "", "where": "headwind_kt > 10"}
    card = fresh.held().rules["late_spoilers"]
    looked = text_of(version_desk.done(fresh, card, check | {"base": "force"}))
    silent = sum(case.expect != "not_assessed" for case in shipped.cases)
    assert f"{silent} of {len(shipped.cases)} cases say nothing of headwind_kt" in looked


def test_who_may_ask_for_a_job_is_led_to_it_with_the_version(store, folder):
    said = str(versions_page.listing(store))
    assert '<a href="/jobs?rules=000001" target="_self">Judge every landing by it</a>' in said
    assert "<bdi>Earlier.</bdi>" in said
    (folder.with_name("archive.rules") / "000009").mkdir()
    with People(str(folder) + ".people.sqlite") as people, Flask("jobs").test_request_context("/jobs"):
        offered = jobs_page.page(store, people, Idle(lambda: people, folder, None), chosen="000001")
    (folder.with_name("archive.rules") / "000009").rmdir()
    row = store.desk.books().versions().row(0, named=True)
    said_of_it = re.search(r'<option value="000001" selected>1: Rollout rules 2, ([^<]*): Earlier\.</option>', offered)
    assert said_of_it is not None
    assert said_of_it[1].startswith(row["saved_by"])
    assert '<option value="000009">9, of which nothing is known here</option>' in offered


def test_a_folder_with_other_rules_is_not_taken_for_the_version_saved(fresh):
    strange = versions.versions_folder(fresh) / "000001"
    strange.mkdir(parents=True)
    for name, text in files_of(shipped_folder()).items():
        (strange / name).write_text(text, encoding="utf-8")
    said = text_of(saves(fresh, "late_reverse", "one", high=40.0))
    assert "Saved as version 1, but not written to" in said
    assert "holds other files" in said


def test_comparing_tells_the_landings_that_fdm_compare_does(store, folder):
    expected = fdm.compare(folder, versions.folder(store, "force"), versions.folder(store, "1"))
    assert expected.height > 0
    both = versions.compared(store, "force", "1")
    assert both.landings.select("landing_id", "rule", "was", "now").equals(
        expected.select("landing_id", "rule", "was", "now")
    )
    said = text_of(compare.found(store, "?a=force&b=1"))
    assert "Low limit 4 s → 1 s" in said
    assert f"{expected.height} landing" in said
    assert names_in(store, said)


def otherwise(store, changed):
    """Equal books that judge the first landings otherwise: rule, change, was, now of each."""
    rows = [dict(zip(("rule", "change", "was", "now"), one, strict=True)) for one in changed]
    landings = store.whole().landings.head(len(rows)).select("landing_id", "tail", "fleet", "touchdown_utc", "place")
    month = pl.col("touchdown_utc").dt.strftime("%Y-%m").alias("month")
    book = load_rule_book()
    return versions.Compared(
        book, book, [], pl.concat([landings, pl.DataFrame(rows)], how="horizontal").with_columns(month)
    )


def test_changes_of_events_are_listed_by_kind_the_worst_first_and_others_are_a_number(fresh):
    both = otherwise(
        fresh,
        [
            ("no_reverse", "otherwise", "within", "not_assessed"),
            ("late_braking", "gained", "within", "low"),
            ("late_reverse", "lost", "medium", "within"),
            ("late_reverse", "gained", "within", "high"),
            ("late_spoilers", "raised", "low", "medium"),
            ("late_spoilers", "lowered", "high", "low"),
        ],
    )
    said = str(compare._landings(fresh, both, ""))
    assert re.findall(r"<h3><b>(\w+)", said) == ["Gained", "Lost", "Raised", "Lowered"]
    gained = said[said.index("Gained") : said.index("Lost")]
    assert gained.index("Reverse selected late") < gained.index("Wheel brakes late")
    assert "Gained 2 changes on 2 landings" in text_of(gained)
    events, others = said.split("<details>")
    assert "No reverse used" not in events
    assert text_of(others).startswith("Otherwise, between within and not assessed: 1 change on 1 landing")
    assert "No reverse used within not assessed" in text_of(others)


def test_landings_are_not_counted_twice_and_many_others_hide_no_event(fresh, monkeypatch):
    both = otherwise(fresh, [("no_reverse", "otherwise", "within", "not_assessed")] * 5)
    twice = both.landings.with_columns(rule=pl.lit("late_reverse"), change=pl.lit("gained"), now=pl.lit("low")).head(3)
    both = replace(both, landings=pl.concat([both.landings, twice]))
    monkeypatch.setattr(compare, "LISTED", 2)
    said = text_of(compare._landings(fresh, both, ""))
    assert "Which landings, and why 8 changes on 5 landings" in said
    assert said.count("Reverse selected late") == 2
    assert "1 more are not listed." in said
    assert "3 more are not listed." in said


def test_whether_something_happened_is_measured_in_words():
    book = load_rule_book()
    row = {"lower": 0.0, "upper": 1.0}
    assert compare._measured(row | {"value": 0.0}, book.rules["no_reverse"]) == ("no", "")
    assert compare._measured(row | {"value": 1.0}, book.rules["no_reverse"]) == ("yes", "")
    assert compare._measured(row | {"value": None}, book.rules["no_reverse"]) == ("–", "")
    assert compare._measured({"value": 2.04, "lower": 1.5, "upper": 2.5}, book.rules["late_reverse"]) == (
        "2.0 s",
        "(1.5–2.5)",
    )


@pytest.mark.parametrize(
    ("fleet", "tells"),
    [
        ("Tern 200", "Low limit, fleet Tern 200 2.3 s → 2.6 s"),  # its own limits, then the general ones
        ("Curlew 300", "Low limit 2 s → 2.6 s"),
        (None, "Low limit 2 s → 2.6 s"),
    ],
)
def test_a_reason_names_only_the_limits_that_hold_for_the_landings_fleet(fleet, tells):
    book = load_rule_book()
    rule = book.rules["late_spoilers"]
    a = replace(rule, limits_by_fleet={"Tern 200": rule.limits._replace(low=2.3)})
    b = replace(rule, limits=rule.limits._replace(low=2.6))
    books = [replace(book, rules={rule.name: one}) for one in (a, b)]
    both = versions.Compared(*books, changes(*books), pl.DataFrame())
    assert compare.why({"rule": rule.name, "fleet": fleet}, both) == tells


def test_an_analyst_compares_without_learning_whose_landing_it_is(store):
    with acting(ANALYST_HERE):
        said = str(compare.found(store, "?a=force&b=1"))
    assert names_in(store, said) == []
    assert "Aircraft " in said
    assert not re.search(r"\b\d{1,2} (Sep|Oct|Nov) 2026", text_of(said).replace("on ", ""))


def test_equal_books_and_books_that_there_are_not(store):
    assert "both judge alike" in text_of(compare.found(store, "")).lower()
    for key in ("99", "../1", "1x", "-1", "²"):
        assert "cannot be compared" in text_of(compare.found(store, f"?b={key}"))
    with pytest.raises(RuleError, match="no such version"):
        versions.book(store, "../../etc")


class Idle(Workshop):
    """Queues, and leaves the doing to the test."""

    def wake(self) -> None:
        pass


def test_a_saved_version_is_brought_into_force_by_a_job_and_stays(store, folder, tmp_path):
    again = tmp_path / "archive"
    shutil.copytree(folder, again)
    shutil.copytree(versions.folder(store, "1").parent, tmp_path / "archive.rules")
    with People(str(tmp_path / "people.sqlite")) as people:
        workshop = Idle(lambda: people, again, None)
        assert workshop.versions() == ["000001"]
        for wrong in ("1", "../archive.rules/000001", "", "000002"):
            with pytest.raises(JobError, match="no such version"):
                workshop.detect(wrong, by=ANALYST_HERE)
        workshop.detect("000001", by=ANALYST_HERE)
        job = Worker(people.jobs, again).run_next()
        assert (job.state, Archive(again).run["rule_book"][:16]) == ("done", "Rollout rules 2 ")
        workshop.detect(by=ANALYST_HERE)
        Worker(people.jobs, again).run_next()
        assert Archive(again).run["rule_book"].startswith("Rollout rules 2 ")


START = datetime(2026, 10, 1, tzinfo=UTC)


# ── going back ───────────────────────────────────────────────────────────────────────────────────────────────────


def own_book(folder: Path, version: str, **limits: float) -> Path:
    """A rule book of the operator's own: the shipped one by another name, with the High limit of some rules moved."""
    folder.mkdir(exist_ok=True)
    for name, text in files_of(shipped_folder()).items():
        moved = limits.get(name.removesuffix(".toml"))
        text = re.sub(r"(?m)^high = .*$", f"high = {moved}", text, count=1) if moved else text
        book = f'[book]\nname = "Own rules"\nversion = "{version}"\n'
        text = re.sub(r"(?s)\[book\].*?(?=\n\n|\n\[)", book, text) if name == "settings.toml" else text
        (folder / name).write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def gone_from(fresh, tmp_path):
    """The operator's own rule book was in force; then a version was saved and brought into force."""
    own, archive = own_book(tmp_path / "own", "7", late_reverse=44.0), fresh.archive().path
    fdm.detect(archive, rules=own)
    assert "Saved as version 1" in text_of(saves(fresh, "late_braking", "one", high=41.0))
    fdm.detect(archive, rules=versions.folder(fresh, "1"))
    return own


def jobs_shown(store, chosen=""):
    archive = store.archive().path
    with People(f"{archive}.people.sqlite") as people, Flask("jobs").test_request_context("/jobs"):
        return jobs_page.page(store, people, Idle(lambda: people, archive, None), chosen=chosen)


def asked_for(store, rules):
    """The job that the form asks for, done, by an analyst."""
    archive = store.archive().path
    with People(f"{archive}.people.sqlite") as people:
        workshop = Idle(lambda: people, archive, None)
        form = {"act": "detect", "rules": rules}
        with Flask("jobs").test_request_context("/jobs", method="POST", data=form):
            g.actor = ANALYST_HERE
            jobs_page._done(store, people, workshop)
        return Worker(people.jobs, archive).run_next()


def test_one_can_go_back_to_the_own_rule_book_that_was_in_force_before(fresh, gone_from):
    label, shipped = load_rule_book(gone_from).label, load_rule_book().label
    assert label.startswith("Own rules 7")
    said = jobs_shown(fresh, "before")
    assert f'<option value="before" selected>In force before: {label}</option>' in said
    assert f'<option value="shipped">As shipped: {shipped}</option>' in said
    with acting(ANALYST_HERE):
        listed = str(versions_page.listing(fresh))
    for key in ("before", "shipped"):
        assert f'<a href="/jobs?rules={key}" target="_self">Judge every landing by it</a>' in listed
        assert f'href="/compare?a=force&amp;b={key}"' in listed
    assert f"{label} Was in force before." in text_of(listed)
    assert f'--rules "{gone_from}"' in listed
    assert "High limit 41 s → 16 s" in text_of(compare.found(fresh, "?a=force&b=before"))
    job = asked_for(fresh, "before")
    assert (job.state, fresh.whole().run["rule_book"]) == ("done", label)


def test_one_can_go_back_to_the_shipped_rule_book(fresh, gone_from):
    job = asked_for(fresh, "shipped")
    assert (job.state, fresh.whole().run["rule_book_hash"]) == ("done", load_rule_book().hash)
    assert "before" not in [version.key for version in versions.choices(fresh)]  # a saved one was


def test_a_folder_that_was_changed_since_is_offered_and_says_so(fresh, gone_from):
    own_book(gone_from, "8")
    assert "In force before: Own rules 7" in jobs_shown(fresh)
    assert "its folder was changed since" in jobs_shown(fresh)
    assert "Its folder was changed since." in text_of(versions_page.listing(fresh))


def test_a_rule_book_whose_folder_is_gone_leaves_a_trace_and_is_not_offered(fresh, gone_from):
    label = load_rule_book(gone_from).label
    shutil.rmtree(gone_from)
    assert 'value="before"' not in jobs_shown(fresh)
    said = text_of(versions_page.listing(fresh))
    assert f"{label} Was in force before. Its folder {gone_from} does not tell it any more." in said
    with pytest.raises(RuleError, match="no other rule book that was in force before"):
        asked_for(fresh, "before")


def test_a_folder_that_says_what_is_in_force_now_is_no_way_back(fresh, gone_from):
    fdm.detect(fresh.archive().path, rules=gone_from)
    label = load_rule_book(gone_from).label
    fdm.detect(fresh.archive().path, rules=own_book(gone_from, "8"))
    assert 'value="before"' not in jobs_shown(fresh)
    assert f"{label} Was in force before. Its folder" in text_of(versions_page.listing(fresh))


def test_a_rule_book_edited_since_is_said_to_be_wherever_it_stands_for_the_one_in_force(fresh, tmp_path):
    own = own_book(tmp_path / "own", "7")
    fdm.detect(fresh.archive().path, rules=own)
    pages = {
        "compare": lambda: compare.found(fresh, "?a=shipped&b=force"),
        "versions": lambda: versions_page.listing(fresh),
        "jobs": lambda: jobs_shown(fresh),
    }
    for shown in pages.values():
        assert "Changed since" not in text_of(shown())
    own_book(own, "7", late_reverse=44.0)
    found = {row["title"] for row in fresh.whole().events.filter(rule="late_reverse").iter_rows(named=True)}
    assert found == {"Reverse selected late"}
    for shown in pages.values():
        said = text_of(shown())
        assert "Changed since this archive was judged: Reverse selected late. Run fdm detect to judge anew." in said
    assert "Changed since" not in text_of(compare.found(fresh, "?a=shipped&b=shipped"))
    (own / "settings.toml").write_text("extended = 7", encoding="utf-8")
    for name in ("versions", "jobs"):
        assert "The rule book in force cannot be read" in text_of(pages[name]())


def test_a_rule_book_that_changed_in_no_rule_with_an_event_is_said_to_have_changed(fresh, tmp_path):
    own = own_book(tmp_path / "own", "7")
    fdm.detect(fresh.archive().path, rules=own)
    own_book(own, "8")
    assert "Changed since this archive was judged: the rule book, but no rule that found an event." in text_of(
        versions_page.listing(fresh)
    )


def trend(**other):
    return {
        "tail": "QQ-LAF", "engine": 2, "what": "reverser transit", "unit": "s", "landings": 20, "was": 2.1,
        "was_landings": 10, "now": 3.0, "now_landings": 8, "start": 2.0, "axis_from_utc": START,
        "axis_to_utc": START + timedelta(days=40),
        "per_30_days": 0.75, "per_30_days_lower": -0.12, "per_30_days_upper": 0.9, "change": 1.0, "drifting": True,
        "from": "1 Oct 2026", "to": "10 Nov 2026",
    } | other  # fmt: skip


def test_a_trend_is_told_with_its_interval():
    assert sentence(trend()) == (
        "Was 2.1 s (first 10 landings), now 3.0 s (last 8); +0.75 s (−0.12 to +0.90) per 30 days over 20 landings"
    )
    assert "rises" in health.request(trend())
    assert "falls" in health.request(trend(per_30_days=-0.5))


def on_days(days, values, **more):
    times = [START + timedelta(days=day) for day in days]
    return pl.DataFrame({"at_utc": times, "value": values, **more})


def test_points_and_trend_stand_where_their_values_are():
    drawn = str(small_trend(trend(), on_days([0, 10, 40], [2.0, 2.5, 3.0]), 2.0, 3.0, (216.0, 72.0)))
    # 8 px left and right for 40 days; 6 above and 16 below: 50 px for the values from 2 to 3
    assert 'd="M8.0 56.0h0M58.0 31.0h0M208.0 6.0h0"' in drawn
    assert "M8 56.0L208 6.0" in drawn


def test_a_line_that_leaves_the_scale_keeps_its_slope_and_a_point_beyond_is_an_arrow():
    drawn = str(small_trend(trend(), on_days([10, 30, 40], [0.5, 9.0, 2.5]), 1.0, 2.0, (216.0, 72.0)))
    assert 'd="M208.0' not in drawn
    assert "L158.0 6L" in drawn  # up, on day 30
    assert "L58.0 56L" in drawn  # down, on day 10
    # 2.25 on day 10 and 3 on day 40, where 1 is at 56 and 2 at 6 px
    assert "M58 -6.5L208 -44.0" in drawn


@pytest.mark.parametrize("exact", [True, False])
def test_a_trend_goes_through_its_points_also_for_who_knows_months_alone(exact):
    days = [0, *range(3, 40)]  # one in October, 30 in November, 7 in December
    first = datetime(2026, 10, 31, 12, tzinfo=UTC)
    times = [first + timedelta(days=day - 2) for day in days]
    values = [2.0 + 0.05 * (day - 2) for day in days]  # 1.5 s in 30 days
    ids = [f"L{day}" for day in days]
    landings = pl.DataFrame(
        {"landing_id": ids, "tail": "QQ-LAF", "fleet": "Tern 200", "touchdown_utc": times},
        schema_overrides={"touchdown_utc": pl.Datetime("us", "UTC")},
    )
    measures = pl.DataFrame(
        {"landing_id": ids, "measure": "deploy_transit_s", "engine": 2, "value": values, "lower": values,
         "upper": values, "unit": "s"}
    )  # fmt: skip
    points = measures.join(landings, on="landing_id").drop("fleet", "landing_id", "unit")
    nothing = pl.DataFrame()
    whole = fleet_health.Health(fdm.health.trends(landings, measures), points, nothing, nothing)
    (found,) = health._with_axis(whole.trends, exact=exact).iter_rows(named=True)
    own = health._points(whole, exact=exact)
    if exact:
        assert (found["from"], found["to"], own.height) == ("29 Oct 2026", "7 Dec 2026", 38)
    else:
        assert (found["from"], found["to"]) == ("Oct 2026", "Dec 2026")
        assert own["month"].to_list() == ["2026-11", "2026-12"]  # one landing in October is too few
        assert (found["axis_from_utc"].day, found["axis_to_utc"].day) == (1, 1)
    drawn = str(small_trend(found, own, *health._scale(own, health.line(found, own))))
    dots = [tuple(map(float, dot)) for dot in re.findall(r"M([\d.]+) ([\d.]+)h0", drawn)]
    ends = re.search(r'hm-trend[^"]*" d="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)"', drawn)
    assert dots[0] == pytest.approx((float(ends[1]), float(ends[2])), abs=0.6)
    assert dots[-1] == pytest.approx((float(ends[3]), float(ends[4])), abs=0.6)
    # 194 px for the axis: 39 days, or October to December
    day = 194 / 92
    if not exact:
        assert 8 + 31 * day < dots[0][0] < 8 + 61 * day < dots[1][0] < 8 + 92 * day


def test_a_scale_holds_every_month_and_line():
    low, high = health._scale(on_days([10, 40], [2.0, 4.1], least=[1.8, 3.7], most=[2.5, 4.4]), [1.6, 4.6])
    assert low < 1.6
    assert high > 4.6


def test_a_month_strip_is_as_high_as_the_share_and_silent_on_few():
    found = {"2026-10": {"landings": 40, "unusable": 10}, "2026-11": {"landings": 30, "unusable": None}}
    drawn = str(month_strip(["2026-09", "2026-10", "2026-11"], found, "spoilers_armed"))
    assert 'height="5.0"' in drawn
    assert ">few<" in drawn
    assert "2026-10: 10 of 40" in drawn
    assert "2026-09: no landing told" in drawn


def test_health_tells_every_trend_and_an_analyst_neither_aircraft_nor_day(folder, monkeypatch):
    monkeypatch.setattr(fdm.health, "FEWEST", 2)
    store = Store(Archive(folder), load_rule_cards)
    whole = fleet_health.health(store)
    assert whole.trends.height > 0
    officer = text_of(health.found(store, Query()))
    assert f"of {whole.trends.height} trends" in officer
    with acting(ANALYST_HERE):
        said = str(health.found(store, Query()))
    assert names_in(store, said) == []
    assert not re.search(r"\b\d{1,2} (Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec) 20", said)


def test_a_fleet_without_landings_has_no_trend(store):
    assert "Too few landings for a trend" in text_of(health.found(store, Query(fleet="none")))


def test_text_for_maintenance_says_what_was_seen():
    row = {
        "tail": "QQ-LAK", "parameter": "spoilers_armed", "state": "patchy", "present_pct": 52.1, "landings": 67,
        "faulty_landings": 1, "silent_landings": 0, "since": None,
    }  # fmt: skip
    assert "Spoilers armed was there for 52 %" in health.parameter_request(row)
    silent = row | {"state": "silent", "silent_landings": 12, "since": "Oct 2026"}
    assert "12 landings in a row since Oct 2026" in health.parameter_request(silent)
    gone = row | {"state": "gone", "silent_landings": 32, "since": "27 Oct 2026"}
    assert "silent since 27 Oct 2026: none of the 32 landings from then on has it" in health.parameter_request(gone)


def test_a_ticked_case_keeps_how_sure_its_answer_is(fresh):
    shipped = {case.name: case for case in load_rule_book().rules["late_spoilers"].cases}
    name = "one sample a second leaves the severity open"
    card = fresh.held().rules["late_spoilers"]
    refused = version_desk.done(fresh, card, {"act": "check", "search": "", "low": 2, "medium": 2.7, "high": 5})
    assert f"{name} Medium Medium for certain, not Low" in text_of(refused)
    assert "Saved as version 1" in text_of(saves(fresh, "late_spoilers", "lower", medium=2.7))
    case = {c.name: c for c in book_of(fresh.desk.books().version(1).files).rules["late_spoilers"].cases}[name]
    assert (case.expect, case.lowest, case.highest) == ("medium", "medium", shipped[name].highest)
