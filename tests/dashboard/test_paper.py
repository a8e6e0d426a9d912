"""What lists look like on paper: nothing that only a screen can open or that stops without saying so."""

from __future__ import annotations

import pytest
from conftest import serving, watching
from playwright.sync_api import expect

pytestmark = pytest.mark.browser
BROKEN = """all => all.filter(e => { const r = document.createRange(); r.selectNodeContents(e);
            return new Set([...r.getClientRects()].map(c => Math.round(c.top))).size > 1; }).map(e => e.textContent)"""
CLIPPED = """all => all.filter(e => e.checkVisibility() && e.scrollWidth > e.clientWidth + 1).map(e => e.textContent)"""


def test_a_list_of_several_pages_says_which_part_of_it_is_printed(browser, address, held):
    with watching(browser, address) as watched:
        page = watched.open("/landings")
        page.locator("#landings-list tbody tr").first.wait_for()
        said = page.get_by_text(f"Landings 1–100 of {held.landings.height}.")
        expect(said).to_be_hidden()
        page.emulate_media(media="print")
        expect(said).to_be_visible()
        expect(page.locator("#landings-list .pager")).to_be_hidden()


@pytest.mark.parametrize(("path", "tails"), [("/landings", "td:nth-child(2)"), ("/not-assessed", ".silences tbody th")])
@pytest.mark.parametrize("media", ["screen", "print"])
def test_no_tail_is_broken_and_no_heading_cut_at_640_px(browser, address, path, tails, media):
    with watching(browser, address, width=640) as watched:
        page = watched.open(path)
        page.locator("#page table tbody tr").first.wait_for()
        page.emulate_media(media=media)
        assert page.locator(f"#page {tails}").evaluate_all(BROKEN) == []
        assert page.locator("#page thead th").evaluate_all(CLIPPED) == []


def test_what_is_folded_on_the_screen_stands_on_paper(browser, address):
    with watching(browser, address) as watched:
        page = watched.open("/not-assessed?week=2026-W47")
        page.locator("#missing-list table").first.wait_for()
        page.evaluate("""() => document.querySelector("#missing-list").insertAdjacentHTML("beforeend",
            '<details class="asking on-paper"><summary>more</summary><p id="folded">Lines</p></details>')""")
        expect(page.locator("#folded")).to_be_hidden()
        page.emulate_media(media="print")
        expect(page.locator("#folded")).to_be_visible()


def test_bars_of_the_week_are_wide_enough_to_be_read_on_paper(browser, address):
    with watching(browser, address, width=680) as watched:
        page = watched.open("/?week=2026-W47")
        page.locator("#week-summary .coverage").wait_for()
        page.emulate_media(media="print")
        widths = page.locator(".coverage .share").evaluate_all("all => all.map(e => e.getBoundingClientRect().width)")
        assert widths
        assert min(widths) >= 36, widths


def test_the_log_prints_without_its_controls(browser, officer):
    with serving(officer) as desk, watching(browser, desk) as watched:
        page = watched.page
        page.goto(f"{desk}/audit")
        page.locator("tbody tr").first.wait_for()
        page.emulate_media(media="print")
        for control in ("nav", "form", ".asking .button"):
            for one in page.locator(control).all():
                expect(one).to_be_hidden()
        expect(page.locator("h1")).to_be_visible()


def test_a_long_word_in_the_log_breaks_neither_page_nor_dates(browser, officer):
    officer.desk.ask(lambda people, by: people.audit.record(by, "reveal", "7F3A", kind="tail", reason="x" * 900))
    with serving(officer) as desk, watching(browser, desk) as watched:
        page = watched.page
        page.set_viewport_size({"width": 1280, "height": 800})
        page.goto(f"{desk}/audit")
        page.locator("tbody tr").first.wait_for()
        assert page.evaluate("document.documentElement.scrollWidth") <= 1280
        assert page.locator("tbody td:nth-child(2) span").evaluate_all(BROKEN) == []
