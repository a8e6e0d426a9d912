"""An officer decides by keys in a browser: what was decided stands, can be taken back, and is never overwritten."""

from __future__ import annotations

import re

import pytest
from conftest import opened, serving, watching
from playwright.sync_api import expect

from fdm.people.acts import Judged
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People

pytestmark = pytest.mark.browser
expect.set_options(timeout=30_000)

CHOSEN = "a.row[aria-current=true]"


def test_keys_decide_undo_and_go_on_and_a_reload_keeps_it(at_desk):
    page = opened(at_desk)
    tally = page.locator(".tally b")
    n = int(re.sub(r"\D", "", tally.inner_text()))
    row = page.locator(CHOSEN)
    first = row.get_attribute("data-event")
    row.focus()
    top = row.bounding_box()["y"]
    page.keyboard.press("v")
    expect(page.locator("#decision .verdict")).to_have_text("Valid")
    expect(page.locator("#decision .decided")).to_contain_text("vera, ")
    expect(tally).to_have_text(f"{n - 1} to decide")
    expect(page.locator(f'a.row[data-event="{first}"] .verdict')).to_have_text("Valid")
    expect(page.locator(f'a.row[data-event="{first}"]')).to_be_focused()
    assert page.locator(CHOSEN).bounding_box()["y"] == top
    page.keyboard.press("s")
    expect(page.locator(CHOSEN)).not_to_have_attribute("data-event", first)
    expect(page.locator(CHOSEN)).to_be_focused()
    expect(page.locator("#decision [data-decide=valid]")).to_be_visible()
    page.goto(at_desk.address + f"/?lines=single&event={first}")
    expect(page.locator("#decision .verdict")).to_have_text("Valid")
    page.locator(CHOSEN).focus()
    page.keyboard.press("u")
    expect(page.locator("#decision [data-decide=valid]")).to_be_visible()
    expect(tally).to_have_text(f"{n} to decide")


def test_nuisance_asks_for_a_reason_and_enter_saves_it(at_desk):
    page = opened(at_desk)
    page.locator(CHOSEN).focus()
    page.keyboard.press("n")
    expect(page.locator("#decision .hint")).to_contain_text("Nuisance needs a reason")
    expect(page.locator("#decision").get_by_label("Reason", exact=True)).to_be_focused()
    page.locator("#decision").get_by_label("Reason in words").fill("Firm, but a short field")
    page.keyboard.press("Enter")
    expect(page.locator("#decision .verdict")).to_have_text("Nuisance")
    expect(page.locator("#decision .decided")).to_contain_text("Firm, but a short field")
    expect(page.locator(CHOSEN)).to_be_focused()


def test_to_decide_only_keeps_the_event_in_view_and_goes_on(at_desk):
    page = at_desk.open("/?lines=single&decided=no")
    expect(page.locator("#decision [data-decide=valid]")).to_be_visible()
    rows = page.locator("a.row[data-event]")
    first, second = (rows.nth(i).get_attribute("data-event") for i in (0, 1))
    page.locator(CHOSEN).focus()
    page.keyboard.press("v")
    expect(page.locator("#decision .verdict")).to_have_text("Valid")
    expect(page.locator(f'a.row[data-event="{first}"]')).to_have_count(0)
    assert f"event={first}" in page.url
    page.keyboard.press("s")
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", second)


def test_a_decision_that_came_first_is_shown_and_stands(at_desk, officer, kept):
    page = opened(at_desk)
    event = officer.event(page.locator(CHOSEN).get_attribute("data-event"))
    with People(kept) as people:
        people.decide(Judged.of(event), "valid", by=Actor("tom", OFFICER), seen=None)
    page.locator(CHOSEN).focus()
    page.locator("#decision").get_by_label("Reason in words").fill("Sensor")
    page.locator("#decision [data-decide=false]").click()
    expect(page.locator("#decision").get_by_role("alert")).to_contain_text("tom decided Valid on ")
    expect(page.locator("#decision .verdict")).to_have_text("Valid")
    expect(page.locator("#decision").get_by_label("Reason in words")).to_have_value("Sensor")


def test_keys_switched_off_decide_nothing(at_desk):
    page = opened(at_desk)
    page.get_by_label("Single-letter keys").uncheck()
    page.locator(CHOSEN).focus()
    page.keyboard.press("v")
    page.keyboard.press("ArrowDown")  # still works, and shows that v did not
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", re.compile("."))
    expect(page.locator("#decision [data-decide=valid]")).to_be_visible()
    expect(page.locator("a.row[data-verdict]")).to_have_count(0)


@pytest.mark.parametrize("width", [1280, 1920])
def test_nothing_sticks_out_with_decisions(browser, officer, width):
    with serving(officer) as address, watching(browser, address, width=width) as watched:
        page = opened(watched)
        page.locator(CHOSEN).focus()
        page.keyboard.press("v")
        expect(page.locator("#decision .verdict")).to_have_text("Valid")
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_a_whole_list_is_decided_at_once_and_taken_back(at_desk):
    page = opened(at_desk)
    n = page.locator("a.row[data-event]").count()
    page.locator("#bulk summary").click()
    page.locator("#bulk").get_by_label("Reason in words").fill("Known")
    page.locator("#bulk [data-decide=nuisance]").click()
    expect(page.locator("#bulk").get_by_role("status")).to_have_text(f"{n} events decided Nuisance. Undo")
    expect(page.locator(".tally b")).to_have_text("0 to decide")
    expect(page.locator("a.row[data-verdict=nuisance]")).to_have_count(n)
    page.locator("#bulk [data-undo]").click()
    expect(page.locator(".tally b")).to_have_text(f"{n} to decide")
    assert page.evaluate("document.activeElement !== document.body")


@pytest.mark.parametrize("then", ["next", "once more"])
def test_enter_in_a_typed_reason_closes_the_form_and_gives_the_keys_back(at_desk, then):
    page = opened(at_desk)
    bar = page.locator("#decision")
    page.locator(CHOSEN).focus()
    page.keyboard.press("v")
    expect(bar.locator(".verdict")).to_have_text("Valid")
    again = bar.locator("details", has_text="Decide again").locator("summary").first
    again.focus()
    page.keyboard.press("Enter")
    expect(bar.locator("[data-decide=nuisance]")).to_be_visible()
    page.keyboard.press("n")
    expect(bar.get_by_label("Reason", exact=True)).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.type("A short field")
    page.keyboard.press("Enter")
    expect(bar.locator(".verdict")).to_have_text("Nuisance")
    expect(page.locator(CHOSEN)).to_be_focused()
    expect(bar.locator("[data-decide=nuisance]")).to_be_hidden()
    event = page.locator(CHOSEN).get_attribute("data-event")
    if then == "once more":
        again.click()
        expect(bar.get_by_label("Reason in words")).to_have_value("")
    else:
        page.keyboard.press("s")
        expect(page.locator(CHOSEN)).not_to_have_attribute("data-event", event)
