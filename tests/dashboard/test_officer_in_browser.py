"""A week of an officer's work in a browser, by keyboard: decide, pass on, release, export, take back."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
from conftest import in_a_month, opened, serving, watching
from playwright.sync_api import expect

from dashboard import queue
from dashboard.pages import lines
from fdm.people.acts import Judged
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People

pytestmark = pytest.mark.browser
expect.set_options(timeout=60_000)

CHOSEN = "a.row[aria-current=true]"


def go_on(page):
    """S, until the next to decide is read with its form."""
    before = page.locator(CHOSEN).get_attribute("data-event")
    page.locator(CHOSEN).focus()
    page.keyboard.press("s")
    expect(page.locator(CHOSEN)).not_to_have_attribute("data-event", before)
    event = page.locator(CHOSEN).get_attribute("data-event")
    expect(page.locator(f'#decision form.deciding[data-event="{event}"]')).to_be_visible()
    return event


def test_an_officer_works_through_a_week_by_keyboard(at_desk, kept, tmp_path):
    page = opened(at_desk)
    status = page.locator("#decision .heard")
    first = page.locator(CHOSEN).get_attribute("data-event")
    page.locator(CHOSEN).focus()

    page.keyboard.press("v")
    expect(page.locator("#decision .verdict")).to_have_text("Valid")
    page.keyboard.press("p")  # with maintenance, and to debriefing
    expect(page.get_by_label("Person")).to_be_focused()
    page.get_by_label("Note that goes with it").fill("Sleeve slow since Monday")
    page.get_by_role("button", name="Maintenance").press("Enter")
    expect(page.locator("#decision .passed-on")).to_contain_text("With maintenance vera,")
    expect(page.locator("#decision .passed-on")).to_contain_text("Sleeve slow since Monday")
    expect(status).to_have_text("Referred to maintenance.")
    expect(page.get_by_role("button", name="Maintenance", exact=True)).to_be_focused()
    page.get_by_role("button", name="Release to debriefing").press("Enter")
    expect(page.locator("#decision .passed-on")).to_contain_text("Released to debriefing vera,")
    expect(page.get_by_label("Person")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.locator(CHOSEN)).to_be_focused()
    expect(page.locator(CHOSEN)).to_contain_text("maintenance")
    expect(page.locator(CHOSEN)).to_contain_text("released")

    second = go_on(page)
    page.keyboard.press("p")
    expect(page.get_by_label("Person")).to_be_focused()
    page.keyboard.type("Bo")
    page.keyboard.press("Enter")
    expect(page.locator("#decision .passed-on")).to_contain_text("Given to Bo vera,")

    third = go_on(page)
    page.keyboard.press("p")
    day = in_a_month()
    page.get_by_label("Day until which it is set aside").fill(f"{day:%Y-%m-%d}")
    page.get_by_label("Day until which it is set aside").press("Enter")
    expect(page.locator("#decision .passed-on")).to_contain_text(f"Set aside until {day:%a %-d %b %Y}")
    expect(page.locator(f'a.row[data-event="{third}"]')).to_have_count(0)
    expect(page.locator(".tally")).to_contain_text("1 set aside")

    with page.expect_download() as download:
        page.locator(".exports").get_by_role("link", name="CSV").press("Enter")
    saved = Path(tmp_path / "events.csv")
    download.value.save_as(saved)
    rows = {row["event_id"]: row for row in csv.DictReader(saved.read_text(encoding="utf-8").splitlines())}
    assert (rows[first]["verdict"], rows[first]["maintenance"], rows[first]["decided_by"]) == ("valid", "open", "vera")
    assert rows[second]["assigned_to"] == "Bo"
    assert third not in rows

    page.locator(".tally").get_by_role("link", name="1 set aside").press("Enter")
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", third)
    expect(page.locator("#decision .passed-on")).to_contain_text("Set aside")
    page.get_by_role("button", name=f"Take back: Set aside until {day:%a %-d %b %Y}").press("Enter")
    expect(page.locator("#decision .passed-on")).to_have_count(0)
    page.go_back()
    expect(page.locator(f'a.row[data-event="{third}"]')).to_have_count(1)
    with People(kept) as people:
        told = people.audit.entries()["act"].to_list()[::-1]
    assert told == ["decision", "referral", "release", "assignment", "snooze", "export", "undo"]


def test_the_next_to_decide_is_found_on_the_next_page_past_what_is_decided(browser, officer, kept, monkeypatch):
    for module in (queue, lines):
        monkeypatch.setattr(module, "LINES_PER_PAGE", 4)
    held = officer.held()
    week = held.events.filter(held.events["week"] == held.weeks[-1])
    order = week["event_id"].to_list()
    with People(kept) as people:
        for i in (1, 2, 3, 4, 5):
            people.decide(Judged.of(week.row(i, named=True)), "valid", by=Actor("tom", OFFICER), seen=None)
    with serving(officer) as address, watching(browser, address) as watched:
        page = opened(watched)
        expect(page.locator(CHOSEN)).to_have_attribute("data-event", order[0])
        page.locator(CHOSEN).focus()
        page.keyboard.press("s")
        expect(page.locator(CHOSEN)).to_have_attribute("data-event", order[6])
        expect(page.locator(CHOSEN)).to_be_focused()
        assert "page=2" in page.url
        page.go_back()
        expect(page.locator(CHOSEN)).to_have_attribute("data-event", order[0])


def test_what_is_being_written_outlives_a_change_of_the_list(at_desk, officer, kept):
    page = opened(at_desk)
    event = page.locator(CHOSEN).get_attribute("data-event")
    page.locator(CHOSEN).focus()
    page.keyboard.press("p")
    page.get_by_label("Note that goes with it").fill("Half a thought")
    page.locator("#decision").get_by_label("Reason in words").fill("Another")
    page.get_by_role("button", name="Comment").press("Enter")  # saved: this form is emptied, the other is not
    expect(page.locator("#decision .history")).to_contain_text("History: 1 entry")
    expect(page.locator("#decision").get_by_label("Reason in words")).to_have_value("Another")
    expect(page.locator("#decision .passing [name=pass-note]")).to_have_value("")
    with People(kept) as people:
        assert people.history(event)[0].note == "Half a thought"


def test_what_could_not_be_done_says_why_and_keeps_the_words(at_desk):
    page = opened(at_desk)
    page.locator(CHOSEN).focus()
    page.keyboard.press("p")
    page.get_by_label("Note that goes with it").fill("Later")
    page.get_by_label("Day until which it is set aside").fill("2001-01-01")
    page.get_by_label("Day until which it is set aside").press("Enter")
    expect(page.locator("#decision").get_by_role("alert")).to_contain_text("later than today")
    expect(page.get_by_label("Note that goes with it")).to_have_value("Later")


LONG = {"words": "Flare was late. " * 124, "a word": "x" * 1990}


@pytest.mark.parametrize("width", [1000, 1280, 1920])
@pytest.mark.parametrize("text", LONG)
def test_a_long_note_is_folded_and_can_be_read_to_its_end(browser, officer, kept, width, text):
    event, vera = officer.held().events.row(0, named=True), Actor("vera", OFFICER)
    note = f"{LONG[text]} The end."
    with People(kept) as people:
        people.decide(Judged.of(event), "valid", by=vera, seen=None, note=note)
        people.assign(event["event_id"], "B" * 60, by=vera, note=note)
        people.refer(event["event_id"], "maintenance", by=vera, note=note)
    with serving(officer) as address, watching(browser, address, width=width, height=900) as watched:
        page = watched.open(f"/?week=all&lines=single&event={event['event_id']}")
        bar = page.locator("#decision")
        expect(bar.locator(".passed-on li")).to_have_count(2)
        assert bar.bounding_box()["height"] <= 900 * 0.5
        page.keyboard.press("p")
        expect(page.get_by_label("Person")).to_be_focused()
        expect(page.get_by_label("Person")).to_be_in_viewport(ratio=1)
        expect(page.get_by_role("button", name="Comment")).to_be_in_viewport(ratio=1)
        assert bar.evaluate("e => e.scrollWidth - e.clientWidth") == 0
        for written in bar.locator(".written").all():
            lines = written.locator(".lines")
            assert lines.evaluate("e => e.clientHeight") <= 3 * 18
            written.locator("summary").press("Enter")
            expect(written).to_have_attribute("open", "")
            assert lines.evaluate("e => e.getBoundingClientRect().height") > 3 * 18
            assert bar.evaluate("e => e.scrollWidth - e.clientWidth") == 0
        bar.locator(".history > summary").click()
        assert bar.evaluate("e => e.scrollWidth - e.clientWidth") == 0


@pytest.mark.parametrize("width", [1000, 1280])
def test_the_decision_is_in_view_at_every_width(browser, officer, width):
    event = officer.held().events["event_id"][0]
    with serving(officer) as address, watching(browser, address, width=width, height=700) as watched:
        page = opened(watched, f"/?week=all&lines=single&event={event}")
        bar = page.locator("#decision").bounding_box()
        assert bar["y"] + bar["height"] <= 700 + 1
        assert bar["y"] + bar["height"] >= 700 - 1
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_single_letter_keys_switched_off_open_nothing(at_desk):
    page = opened(at_desk)
    page.get_by_label("Single-letter keys").uncheck()
    page.locator(CHOSEN).focus()
    page.keyboard.press("p")
    page.keyboard.press("ArrowDown")
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", re.compile("."))
    expect(page.locator("#decision .pass-on[open]")).to_have_count(0)


def test_what_is_new_leads_to_its_events_and_back(at_desk, held):
    page = opened(at_desk, "/?week=2026-W44")
    before = page.locator("a.row[data-event]").count()
    page.locator(".strip").get_by_role("link", name="Show").click()
    n = held.events.filter(held.events["week"] == "2026-W44")["new"].drop_nulls().len()
    expect(page.locator(".tally")).to_contain_text(f"of {n} events")
    page.go_back()
    expect(page.locator("a.row[data-event]")).to_have_count(before)


@pytest.mark.parametrize("path", ["/landings", "/not-assessed"])
def test_all_weeks_stand_in_the_control_of_weeks_wherever_they_are_asked_for(watched, path):
    page = watched.open(f"{path}?week=all")
    chosen = page.locator("select[name=week] option:checked")
    expect(page.locator("#page table").first).to_be_visible()
    expect(chosen).to_have_text("All weeks")
    page.locator("select[name=week]").select_option("2026-W45")
    expect(page).to_have_url(re.compile("week=2026-W45"))
    expect(chosen).to_have_text("Week 45, 2–8 Nov 2026")
    page.go_back()
    expect(page).to_have_url(re.compile("week=all"))
    expect(chosen).to_have_text("All weeks")
