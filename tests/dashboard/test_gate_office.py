"""Accounts, the log, reveals and jobs in the browser: who may, what is done, and what is written down."""

from __future__ import annotations

import re

import polars as pl
import pytest
from conftest import in_a_month, text_of
from gatehouse import NAMES, PASSWORD, QUICK, Browser, dashboard_of, logged_in, with_accounts
from invented_archive import RULES, FakeArchive

from dashboard.workshop import EVERYTHING, Workshop
from fdm.people.acts import Judged
from fdm.people.errors import JobError
from fdm.people.roles import ADMINISTRATOR, ANALYST, CAPTAIN, OFFICER, ROLES, Actor
from fdm.people.store import People
from fdm.people.worker import Worker

VERA = Actor("officer-1", OFFICER)
ARCHIVE = FakeArchive(landings=60)


@pytest.fixture
def people(tmp_path):
    with People(str(tmp_path / "people.sqlite"), hasher=QUICK) as opened:
        yield with_accounts(opened)


@pytest.fixture
def drop(tmp_path):
    """A folder of recordings beside one that is nobody's business."""
    folder = tmp_path / "drop"
    (folder / "week47").mkdir(parents=True)
    (folder / "single.csv").write_text("time_s\n0\n")
    (folder / "tern.toml").write_text("[map]\n")
    (folder / ".hidden").write_text("x")
    (tmp_path / "secret").mkdir()
    (folder / "out").symlink_to(tmp_path / "secret")
    return folder


class Idle(Workshop):
    """Queues, and leaves the doing to the test."""

    def wake(self) -> None:
        pass


@pytest.fixture
def workshop(people, tmp_path, drop):
    return Idle(lambda: people, tmp_path / "archive", drop)


@pytest.fixture
def app(people, workshop):
    return dashboard_of(people, ARCHIVE, workshop=workshop)


# --- accounts ---------------------------------------------------------------------------------------------------------


def test_an_administrator_makes_an_account_that_can_log_in(app, people):
    admin = logged_in(app, ADMINISTRATOR)
    assert "analyst-1" in admin.get("/accounts").text
    said = admin.send("/accounts", act="add", name="ines", role="officer", password="nine herons on the mole").text
    assert "ines may now log in as officer." in said
    assert Browser(app).log_in("ines", "nine herons on the mole").status_code == 303
    assert people.audit.entries(act="user added")["who"][0] == "administrator-1"


def test_what_is_wrong_with_an_account_is_said(app):
    admin = logged_in(app, ADMINISTRATOR)
    for fields, why in (
        ({"name": "ines", "role": "officer", "password": "short"}, "the password has 5 characters"),
        ({"name": "officer-1", "role": "officer", "password": PASSWORD}, "this user name is taken"),
        ({"name": "ines", "role": "king", "password": PASSWORD}, "there is no role"),
        ({"name": "<b>", "role": "officer", "password": PASSWORD}, "this cannot be a user name"),
    ):
        answer = admin.send("/accounts", act="add", **fields)
        assert (answer.status_code, why in answer.text, "<b>" in answer.text.split("told")[1][:200]) == (
            400,
            True,
            False,
        ), fields


@pytest.mark.parametrize(
    ("fields", "let_in"),
    [
        ({"act": "disable"}, False),
        ({"act": "end"}, False),
        ({"act": "role", "role": "captain"}, False),
        ({"act": "password", "password": "nine herons on the mole"}, False),
        ({"act": "nothing"}, True),
    ],
)
def test_a_change_ends_the_sessions_of_the_account(app, fields, let_in):
    admin, officer = logged_in(app, ADMINISTRATOR), logged_in(app, OFFICER)
    assert admin.send("/accounts", name="officer-1", **fields).status_code == 200
    assert (officer.get("/_dash-layout").status_code == 200) == let_in


def test_the_last_administrator_does_not_lock_themselves_out(app):
    admin = logged_in(app, ADMINISTRATOR)
    assert "another administrator" in admin.send("/accounts", act="disable", name="administrator-1").text
    assert admin.get("/accounts").status_code == 200


# --- the log ----------------------------------------------------------------------------------------------------------


def test_reading_the_log_is_in_the_log(app, people):
    said = logged_in(app, OFFICER).get("/audit?act=login").text
    assert "officer-1" in said
    (entry,) = people.audit.entries(act="audit read").iter_rows(named=True)
    assert (entry["who"], entry["subject"]) == ("officer-1", "login")


def test_the_log_is_filtered_and_checked(app, people):
    browser = logged_in(app, OFFICER)
    people.accounts.disable("captain-1", by=Actor("root", ADMINISTRATOR))
    rows = re.findall(r"<tr><td>\d+</td>.*?</tr>", browser.get("/audit?act=user+disabled&who=root").text)
    assert len(rows) == 1
    assert "captain-1" in rows[0]
    assert "none was changed or removed" in browser.get("/audit?check=1").text


def test_the_log_calls_setting_aside_what_the_week_calls_it(app, people):
    event = ARCHIVE.events().row(0, named=True)
    day = in_a_month()
    people.snooze(event["event_id"], day, by=VERA)
    said = logged_in(app, OFFICER).get("/audit?act=snooze").text
    (row,) = re.findall(r"<tr><td>\d+</td>.*?</tr>", said)
    assert "<td>Set aside</td>" in row
    assert f'<span class="soft">until {day:%a %-d %b %Y}</span>' in row
    assert '<option value="snooze" selected>Set aside</option>' in said


def test_the_log_does_not_say_twice_that_something_was_released(app, people):
    event = ARCHIVE.events().row(0, named=True)
    people.decide(Judged.of(event), "valid", by=VERA, seen=None)
    people.release(event["event_id"], by=VERA)
    (row,) = re.findall(r"<tr><td>\d+</td>.*?</tr>", logged_in(app, OFFICER).get("/audit?act=release").text)
    assert "<td>Released</td>" in row
    assert '<span class="soft"></span>' in row


def test_a_log_that_was_changed_says_so(app, people):
    browser = logged_in(app, OFFICER)
    people.database.write(lambda c: c.exec_driver_sql("DROP TRIGGER audit_no_update"))
    people.database.write(lambda c: c.exec_driver_sql("UPDATE audit SET who = 'tom' WHERE entry_id = 2"))
    assert "entry 2 or one before it was changed" in browser.get("/audit?check=1").text


def test_an_administrator_reads_no_event_in_the_log(app, people):
    event = ARCHIVE.events().row(0, named=True)
    people.decide(Judged.of(event), "valid", by=VERA, seen=None)
    assert event["event_id"] in logged_in(app, OFFICER).get("/audit").text
    said = logged_in(app, ADMINISTRATOR).get("/audit").text
    assert "<td>Decided</td><td>an event</td>" in said
    assert event["landing_id"] not in said


def test_the_log_tells_acts_in_words_and_leads_to_the_event(app, people):
    """Of a decision, of one taken back, of many decided alike, and of an export: no key that only programs use."""
    first = ARCHIVE.events().row(0, named=True)
    browser = logged_in(app, OFFICER)
    people.decide(Judged.of(first), "nuisance", reason="Brief", by=VERA, seen=None)
    two = ARCHIVE.events()[1:3].with_columns(decision_id=pl.lit(None, pl.Int64))
    chosen = {"severity": "low", "week": "2026-W42"}
    bulk = people.bulk_decide(two, "valid", by=VERA, count=2, chosen_by=chosen)
    people.undo(bulk.entry_id, by=VERA)
    assert browser.get("/export/events.csv?week=2026-W42&decided=yes").status_code == 200
    said = browser.get("/audit").text
    assert f'<a href="/?week=all&amp;event={first["event_id"]}" target="_self">{RULES[first["rule"]].title}</a>' in said
    text = text_of(said)
    assert "Decided 2 events Valid; under Low, Week 42, 12–18 Oct 2026 this machine" in text
    assert "Taken back 2 events what No. " in text
    assert "Exported events.csv under decided, Week 42, 12–18 Oct 2026; 0 lines" in text
    for key in ("rule_hash", "rows_hash", "chosen_by", "{", "kept: 0"):
        assert key not in text


# --- reveal -----------------------------------------------------------------------------------------------------------


def test_a_reveal_says_what_it_is_and_the_log_keeps_the_question(app, people):
    landing = ARCHIVE.landings().row(0, named=True)
    browser = logged_in(app, OFFICER)
    for kind in ("tail", "flight", "landing_id"):
        asked = NAMES.of(kind, landing[kind])
        said = browser.send("/reveal", asked=asked, reason="actuator of this aircraft").text
        assert landing["tail" if kind == "landing_id" else kind] in said.split('class="told"')[1]
        entry = people.audit.entries(act="reveal").row(0, named=True)
        assert (entry["subject"], "actuator" in entry["detail"]) == (asked, True)
        assert landing[kind] not in str(entry)


def test_a_reveal_of_a_released_landing_by_what_captains_call_it(app, people):
    event = ARCHIVE.events().row(0, named=True)
    people.decide(Judged.of(event), "valid", by=VERA, seen=None)
    people.release(event["event_id"], by=VERA)
    key = NAMES.of("landing_id", event["landing_id"])
    browser = logged_in(app, OFFICER)
    for asked in (f"Landing {key[:4]}", key, f"http://127.0.0.1/landing/{key}?event=x", f"{key}-{event['rule']}"):
        assert f"/landing/{event['landing_id']}" in browser.send("/reveal", asked=asked, reason="crew asked").text


@pytest.mark.parametrize(
    ("asked", "reason"), [("Aircraft 000-000", "why"), ("nonsense", "why"), ("", "why"), ("Landing 0000", "why")]
)
def test_what_is_no_pseudonym_is_not_revealed(app, people, asked, reason):
    answer = logged_in(app, OFFICER).send("/reveal", asked=asked, reason=reason)
    assert (answer.status_code, "Nothing was revealed" in answer.text) == (400, True)
    assert people.audit.entries(act="reveal").is_empty()


def test_without_a_reason_nothing_is_revealed(app, people):
    asked = NAMES.of("tail", ARCHIVE.landings()["tail"][0])
    assert logged_in(app, OFFICER).send("/reveal", asked=asked, reason=" ").status_code == 400
    assert people.audit.entries(act="reveal").is_empty()


# --- jobs -------------------------------------------------------------------------------------------------------------


def test_only_what_lies_in_the_folder_can_be_loaded(workshop, drop, tmp_path):
    assert workshop.sources() == ["single.csv", "week47"]
    assert workshop.maps() == ["tern.toml"]
    for source in (
        "../secret",
        "out",
        "/etc/passwd",
        ".hidden",
        "",
        "week47/..",
        "tern.toml",
        str(tmp_path / "secret"),
    ):
        with pytest.raises(JobError, match="no such recording"):
            workshop.load(source, "", by=VERA)
    with pytest.raises(JobError, match="no such parameter map"):
        workshop.load("week47", "../tern.toml", by=VERA)
    job = workshop.load("week47", "tern.toml", by=VERA)
    assert job.arguments == {"sources": [str(drop / "week47")], "map_file": str(drop / "tern.toml")}


def test_a_job_is_asked_for_seen_and_cancelled(app, people):
    browser = logged_in(app, OFFICER)
    assert "single.csv" in browser.get("/jobs").text
    assert browser.send("/jobs", act="load", source="week47", map="").status_code == 303
    shown = browser.get("/jobs").text
    assert "queued" in shown
    assert 'http-equiv="refresh"' in shown
    assert browser.send("/jobs", act="cancel", job="1").status_code == 303
    shown = browser.get("/jobs").text
    assert "cancelled" in shown
    assert "refresh" not in shown
    assert browser.send("/jobs", act="cancel", job="1").status_code == 400
    assert people.audit.entries(act="job cancelled")["who"].to_list() == ["officer-1"]


def test_an_analyst_loads_everything_and_reads_no_name_of_a_recording(app, people, drop):
    browser = logged_in(app, ANALYST)
    assert "single.csv" not in browser.get("/jobs").text
    assert browser.send("/jobs", act="load", source="single.csv").status_code == 303
    assert people.jobs.get(1).arguments == {"sources": [str(drop)]}
    assert "single.csv" not in browser.get("/jobs").text


@pytest.mark.parametrize(
    "fields", [{"act": "load", "source": "../secret"}, {"act": "shell"}, {"act": "cancel", "job": "x"}]
)
def test_what_cannot_be_asked_for_is_refused_in_words(app, people, fields):
    assert logged_in(app, OFFICER).send("/jobs", **fields).status_code == 400
    assert people.jobs.list().is_empty()


def test_the_same_form_sent_twice_is_one_job(app, people):
    browser = logged_in(app, OFFICER)
    for _ in range(2):
        browser.send("/jobs", act="detect", token="t" * 32)
    assert people.jobs.list().height == 1


def test_a_job_that_ran_when_the_dashboard_died_is_interrupted(app, people, tmp_path):
    people.jobs.ask("detect", {}, by=VERA)
    people.jobs.take("elsewhere 1 00000000")
    assert "running" in logged_in(app, OFFICER).get("/jobs").text
    people.database.write(lambda c: c.exec_driver_sql("UPDATE jobs SET beat_utc = '2026-01-01T00:00:00.000000Z'"))
    Worker(people.jobs, tmp_path / "archive").run_next()
    assert "interrupted" in logged_in(app, OFFICER).get("/jobs").text


def test_the_worker_does_what_was_asked_in_the_browser(people, tmp_path):
    """From the form to landings in the archive, by the worker's own process."""
    from fdm.archive import Archive
    from fdm.demo import recordings_of
    from fdm.engine import load

    recordings, _ = recordings_of(tmp_path, None, 1)
    archive = tmp_path / "archive"
    load([recordings], archive)
    app = dashboard_of(people, ARCHIVE, workshop=Idle(lambda: people, archive, None))
    assert logged_in(app, OFFICER).send("/jobs", act="detect").status_code == 303
    job = Worker(people.jobs, archive).run_next()
    assert (job.state, "landings judged" in job.says) == ("done", True)
    assert Archive(archive).run["detected_utc"]


def test_each_role_sees_its_places(app):
    places = {
        role: set(re.findall(r'href="(/\w*)" target="_self"', logged_in(app, role).get("/account").text))
        for role in ROLES
    }
    assert {"/jobs", "/audit"} <= places[OFFICER]
    assert "/accounts" not in places[OFFICER]
    assert {"/audit", "/accounts"} <= places[ADMINISTRATOR]
    assert "/jobs" in places[ANALYST]
    assert not {"/jobs", "/audit", "/accounts"} & places[CAPTAIN]


def test_everything_in_the_folder_is_the_folder(workshop, drop):
    assert workshop.load(EVERYTHING, "", by=VERA).arguments == {"sources": [str(drop)]}
