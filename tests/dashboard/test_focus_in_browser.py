"""Where the focus and the eye are at the officer's desk: after a line has left, in a narrow window, with none left."""

from __future__ import annotations

import pytest
from conftest import in_a_month, opened, serving, watching
from playwright.sync_api import expect

from fdm.people.acts import Judged
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People

pytestmark = pytest.mark.browser
expect.set_options(timeout=30_000)

CHOSEN = "a.row[aria-current=true]"


def test_escape_leaves_a_field_when_the_event_has_left_the_list(at_desk, kept):
    page = opened(at_desk, "/?lines=single&decided=no")
    rows = page.locator("a.row[data-event]")
    second, third, fourth = (rows.nth(i).get_attribute("data-event") for i in (1, 2, 3))
    rows.nth(1).click()
    expect(page.locator(f'#decision form.deciding[data-event="{second}"]')).to_be_visible()
    page.keyboard.press("v")
    expect(page.locator(f'a.row[data-event="{second}"]')).to_have_count(0)
    page.keyboard.press("p")
    expect(page.get_by_label("Person")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.locator(f'a.row[data-event="{third}"]')).to_be_focused()
    page.keyboard.press("s")
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", third)
    expect(page.get_by_label("Person")).to_have_value("")
    expect(page.locator(f'#decision form.deciding[data-event="{third}"]')).to_be_visible()
    page.keyboard.press("v")
    page.keyboard.press("s")
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", fourth)
    expect(page.locator(f'a.row[data-event="{third}"]')).to_have_count(0)  # its decision was answered
    with People(kept) as people:
        assert people.audit.entries().height == 2


@pytest.mark.parametrize(("width", "height"), [(1100, 800), (640, 400)])
@pytest.mark.parametrize("by", ["click", "Enter"])
def test_in_a_narrow_window_an_event_is_read_from_its_headline_on(browser, officer, width, height, by):
    with serving(officer) as address, watching(browser, address, width=width, height=height) as watched:
        page = watched.open("/?lines=single")
        row = page.locator("a.row[data-event]").nth(5)
        event = row.get_attribute("data-event")
        if by == "click":
            row.click()
        else:
            row.press("Enter")
        expect(page.locator("#evidence h1")).to_be_visible()
        expect(page.locator(f'#decision [data-about="{event}"]')).to_be_attached()
        expect(page.locator("#evidence-traces .main-svg").first).to_be_visible()
        expect(page.locator("#evidence h1")).to_be_in_viewport(ratio=1)
        expect(page.get_by_role("link", name="Back to the list")).to_be_in_viewport(ratio=1)
        expect(page.locator("#reading")).to_be_focused()
        page.keyboard.press("Escape")
        expect(row).to_be_focused()
        expect(row).to_be_in_viewport()
        assert "event=" not in page.url
        page.goto(f"{address}/?lines=single&event={event}")  # as a link that was sent leads there
        expect(page.locator(f'a.row[data-event="{event}"]')).to_be_attached()
        expect(page.locator("#evidence h1")).to_be_visible()
        page.keyboard.press("Escape")
        expect(page.locator(f'a.row[data-event="{event}"]')).to_be_focused()


@pytest.mark.parametrize("search", ["/?lines=single&decided=no", "/?decided=no&severity=high"])
def test_deciding_all_that_is_left_leaves_an_empty_pane_and_the_way_back(at_desk, search):
    page = opened(at_desk, search)
    expect(page.locator("#evidence h1")).to_be_visible()
    page.locator("#bulk summary").press("Enter")
    page.locator("#bulk").get_by_label("Reason in words").fill("Known")
    page.locator("#bulk [data-decide=nuisance]").press("Enter")
    expect(page.locator("#queue .nothing")).to_contain_text("Nothing left to decide")
    for part in ("#evidence", "#evidence-more", "#evidence-head", "#decision"):
        expect(page.locator(part)).to_be_empty()
    expect(page.locator("#evidence-traces .main-svg")).to_have_count(0)
    undo = page.locator("#bulk [data-undo]")
    expect(undo).to_be_focused()
    undo.press("Enter")
    expect(page.locator("#evidence h1")).to_be_visible()
    expect(page.locator("#decision form.deciding")).to_be_visible()


WORDS_BROKEN = """() => [...document.querySelectorAll(".plain-table tbody td")].flatMap((cell) => {
  const texts = document.createTreeWalker(cell, NodeFilter.SHOW_TEXT), broken = [];
  while (texts.nextNode()) for (const word of texts.currentNode.data.matchAll(/[A-Za-z]+/g)) {
    const range = document.createRange(), text = texts.currentNode;
    range.setStart(text, word.index); range.setEnd(text, word.index + word[0].length);
    if (new Set([...range.getClientRects()].map((box) => Math.round(box.top))).size > 1) broken.push(word[0]);
  }
  return broken;
})"""


@pytest.mark.parametrize("width", [640, 960, 1280])
def test_the_log_breaks_no_word_that_fits(browser, officer, kept, width):
    event = officer.held().events.filter(rule="spoilers_retracted_early").row(0, named=True)
    with People(kept) as people:
        people.decide(Judged.of(event), "nuisance", by=Actor("vera", OFFICER), seen=None, reason="Firm, a short field")
        people.snooze(event["event_id"], in_a_month(), by=Actor("vera", OFFICER))
    with serving(officer) as address, watching(browser, address, width=width) as watched:
        watched.page.goto(f"{address}/audit")
        expect(watched.page.locator(".plain-table tbody tr")).to_have_count(3)
        assert watched.page.evaluate(WORDS_BROKEN) == []
        assert watched.page.evaluate("document.documentElement.scrollWidth") <= width
