"""The dashboard in a browser: what a reader sees and does, by mouse and by keyboard alone.

Every test ends with an empty console and without a request to another host (conftest.watching).
"""

from __future__ import annotations

import re

import polars as pl
import pytest
from conftest import serving, watching
from invented_archive import RULES, FakeArchive
from playwright.sync_api import Page, expect

from dashboard.palette import DARK, LIGHT
from dashboard.query import Query
from dashboard.queue import groups
from dashboard.store import Store

pytestmark = pytest.mark.browser
expect.set_options(timeout=30_000)  # the first chart waits for its library on a busy machine

CHOSEN = "a.row[aria-current=true]"


def lines(held, query=None):
    """Event ids of the list, in order."""
    query = query or Query()
    found = groups(held, query)
    return [line.event["event_id"] for group in found for line in group.lines]


def chosen_event(page: Page) -> str:
    return page.locator(CHOSEN).get_attribute("data-event") or ""


def expect_chosen(page: Page, event_id: str, held) -> None:
    """The line is marked, and the event beside it is this one, with its traces drawn."""
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", event_id)
    event = held.events.row(by_predicate=pl.col("event_id") == event_id, named=True)
    expect(page.locator("#evidence h1")).to_have_text(event["title"])
    expect(page.locator("#evidence .subject")).to_contain_text(event["tail"])
    expect(page.locator("#evidence-traces .main-svg").first).to_be_visible()


def test_the_week_opens_with_its_worst_event_read(watched, held):
    page = watched.open("/")
    expect(page.locator("select[name=week]")).to_have_value("2026-W47")
    expect(page.locator("a.row[data-event]")).to_have_count(len(lines(held)))
    expect_chosen(page, lines(held)[0], held)
    expect(page).to_have_title(re.compile("Rollout Watch"))


def test_a_click_reads_an_event_and_back_returns(watched, held):
    page = watched.open("/")
    third = lines(held)[2]
    page.locator(f'a.row[data-event="{third}"]').click()
    expect_chosen(page, third, held)
    assert f"event={third}" in page.url
    page.go_back()
    expect_chosen(page, lines(held)[0], held)


def test_the_keyboard_alone_walks_reads_opens_and_returns(watched, held):
    page = watched.open("/")
    order = lines(held)
    expect_chosen(page, order[0], held)
    page.keyboard.press("j")
    expect_chosen(page, order[1], held)
    page.keyboard.press("j")
    expect_chosen(page, order[2], held)
    page.keyboard.press("k")
    expect_chosen(page, order[1], held)
    expect(page.locator(CHOSEN)).to_be_focused()
    page.keyboard.press("ArrowDown")
    expect_chosen(page, order[2], held)
    page.keyboard.press("Enter")
    expect(page.locator("#reading")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.locator(CHOSEN)).to_be_focused()
    page.keyboard.press("o")
    expect(page.locator("#landing-head h1")).to_contain_text("Landing at")
    assert order[2] in page.url


def test_every_control_can_be_reached_and_the_focus_is_seen(watched):
    page = watched.open("/")
    page.locator(CHOSEN).wait_for()
    seen = set()
    for _ in range(40):
        page.keyboard.press("Tab")
        where = page.evaluate(
            """() => { const e = document.activeElement; if (e === document.body) return null;
                       const s = getComputedStyle(e.type === 'radio' ? e.nextElementSibling : e);
                       return [e.name || e.id || e.className || e.textContent, s.outlineStyle, s.outlineWidth]; }"""
        )
        if where is None:
            break
        seen.add(where[0])
        assert where[1:] == ["solid", "2px"] or where[0] == "skip", where
    assert {
        "week",
        "text",
        "fleet",
        "runway",
        "tail",
        "rule",
        "severity",
        "origin",
        "sort",
        "lines",
        "row",
        "single-keys",
        "theme-switch",
    } <= seen


def test_single_letter_keys_can_be_switched_off(watched, held):
    page = watched.open("/")
    expect_chosen(page, lines(held)[0], held)
    page.get_by_label("Single-letter keys").uncheck()
    page.locator(CHOSEN).focus()
    page.keyboard.press("j")
    page.keyboard.press("ArrowDown")  # still works, and shows that j did not
    expect_chosen(page, lines(held)[1], held)


def test_filters_narrow_the_list_and_stand_in_the_address(watched, held):
    page = watched.open("/")
    page.get_by_label("Fleet", exact=True).select_option("Heron 90")
    wanted = lines(held, Query(fleet="Heron 90"))
    expect(page.locator("a.row[data-event]")).to_have_count(len(wanted))
    assert "fleet=Heron+90" in page.url
    page.locator("label", has_text="Medium").first.click()
    wanted = lines(held, Query(fleet="Heron 90", severity="medium"))
    expect(page.locator("a.row[data-event]")).to_have_count(len(wanted))
    page.go_back()
    page.go_back()
    expect(page.get_by_label("Fleet", exact=True)).to_have_value("")
    expect(page.locator("a.row[data-event]")).to_have_count(len(lines(held)))


def test_search_keeps_the_focus_while_the_list_changes(watched, held):
    page = watched.open("/")
    page.get_by_label("Search events").press_sequentially("korsby late", delay=20)
    expect(page.locator("a.row[data-event]")).to_have_count(len(lines(held, Query(text="korsby late"))))
    expect(page.get_by_label("Search events")).to_be_focused()
    expect(page.get_by_label("Search events")).to_have_value("korsby late")


def test_weeks_can_be_stepped_through(watched):
    page = watched.open("/")
    page.get_by_label("Week before").click()
    expect(page.locator("select[name=week]")).to_have_value("2026-W46")
    assert "week=2026-W46" in page.url
    page.get_by_label("Week after").click()
    expect(page.locator("select[name=week]")).to_have_value("2026-W47")
    expect(page.get_by_label("Week after")).to_be_disabled()


def test_a_deep_link_opens_where_it_points(watched, held):
    query = Query(week="2026-W46", severity="medium")
    event_id = lines(held, query)[3]
    page = watched.open(f"/?week=2026-W46&severity=medium&event={event_id}")
    expect_chosen(page, event_id, held)
    expect(page.locator("select[name=week]")).to_have_value("2026-W46")
    expect(page.locator("input[name=severity][value=medium]")).to_be_checked()


def test_a_landing_is_told_whole(watched, held):
    event = held.events.filter(pl.col("rule") == "late_reverser_stow").row(0, named=True)
    page = watched.open(f"/landing/{event['landing_id']}?event={event['event_id']}")
    expect(page.locator("#landing-head .finding")).to_contain_text("A reverser")
    expect(page.locator("#landing-runway svg.wide")).to_be_visible()
    expect(page.locator("#rollout-traces .main-svg").first).to_be_visible()
    expect(page.locator("[id^=rule-]")).to_have_count(len(RULES))


def test_the_chart_library_comes_once_and_before_the_page_asks_for_its_parts(browser, address, held):
    """Its 1.4 MB are the longest wait of a first load, so nothing may wait before asking for them."""
    for path, wanted in (("/", 1), (f"/landing/{held.landings['landing_id'][0]}", 1), ("/rules", 0)):
        asked: list[str] = []
        with watching(browser, address) as watched:
            watched.page.on("request", lambda request, asked=asked: asked.append(request.url))
            page = watched.open(path)
            expect(page.locator(".main-svg" if wanted else "#page h1").first).to_be_visible()
        library = [i for i, url in enumerate(asked) if "plotly.min.js" in url]
        assert len(library) == wanted, path
        assert all(i < asked.index(next(url for url in asked if url.endswith("/_dash-layout"))) for i in library)


def test_what_a_page_says_is_there_before_the_chart_library_runs(watched, held):
    """It takes a browser that never ran it a second, in which nothing else is shown."""
    page = watched.page
    for path in ("/", f"/landing/{held.landings['landing_id'][0]}"):
        page.route("**/_dash-update-component*", lambda _route: None)  # is not answered
        page.goto(watched.address + path)
        page.locator("#page").wait_for(state="attached")
        page.evaluate("new Promise(done => requestIdleCallback(() => requestIdleCallback(done)))")
        assert page.evaluate("document.querySelectorAll('script[src*=\"plotly.min.js\"]').length") == 0, path
        page.unroute("**/_dash-update-component*")
        page.locator(".main-svg").first.wait_for()


SIZES = """new MutationObserver(() => {
  const drawn = document.querySelector('.js-plotly-plot .main-svg');
  const size = drawn && `${drawn.getAttribute('width')} ${drawn.getAttribute('height')}`;
  if (size && size !== window.sizes.at(-1)) window.sizes.push(size);
}).observe(document, {childList: true, subtree: true, attributes: true}); window.sizes = [];"""


@pytest.mark.parametrize("width", [640, 1440])
def test_a_chart_is_drawn_at_its_size_from_the_first(browser, address, held, width):
    with watching(browser, address, width=width) as watched:
        watched.page.add_init_script(SIZES)
        for path in ("/", f"/landing/{held.landings['landing_id'][0]}"):
            page = watched.open(path)
            page.locator(".main-svg").first.wait_for(state="attached")
            assert page.evaluate(COMES_TO_REST)
            assert len(page.evaluate("sizes")) == 1, path


def test_charts_are_never_sent_to_a_cloud(watched, held):
    for path in ("/", f"/landing/{held.landings['landing_id'][0]}"):
        page = watched.open(path)
        page.locator(".main-svg").first.wait_for()
        chart = page.evaluate("document.querySelector('.js-plotly-plot')._context")
        assert (chart["showSendToCloud"], chart["plotlyServerURL"]) == (False, "")


COMES_TO_REST = """() => new Promise(done => {
  let changed = true, quiet = 0, frames = 600;
  new MutationObserver(() => { changed = true; })
    .observe(document.documentElement, {childList: true, subtree: true, attributes: true, characterData: true});
  const frame = () => {
    quiet = changed ? 0 : quiet + 1;
    changed = false;
    if (quiet === 10 || !--frames) done(quiet === 10); else requestAnimationFrame(frame);
  };
  requestAnimationFrame(frame);
})"""


@pytest.mark.parametrize("where", ["/", "/health"])
def test_a_page_comes_to_rest(watched, where):
    """One that changes in every frame is laid out and painted again and again, and every deed waits for that."""
    page = watched.open(where)
    page.wait_for_load_state("networkidle")
    assert page.evaluate(COMES_TO_REST)


def test_the_cursor_reads_values_by_keys_and_by_mouse(watched, held):
    landing_id = held.landings.filter(pl.col("high") == 0)["landing_id"][0]
    page = watched.open(f"/landing/{landing_id}")
    frame = page.locator(".traces-frame")
    at = frame.locator(".readouts .at")
    expect(at).to_have_text(re.compile(r"^at −?[\d.]+ s$"))
    frame.focus()
    page.keyboard.press("1")
    expect(at).to_have_text("at 0.0 s")
    page.keyboard.press("ArrowRight")
    expect(at).to_have_text("at 0.3 s")
    page.keyboard.press("Shift+ArrowRight")
    expect(at).to_have_text("at 1.3 s")
    # ground speed is 136 kt before touchdown and falls by 1.2 kt/s for two seconds
    expect(frame.locator(".readouts")).to_contain_text(re.compile(r"13[45] kt"))
    box = page.locator("#rollout-traces").bounding_box()
    page.mouse.move(box["x"] + 0.6 * box["width"], box["y"] + 200)
    expect(at).not_to_have_text("at 1.3 s")


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_page_and_charts_follow_the_theme_and_its_switch(browser, address, theme):
    other = {"light": "dark", "dark": "light"}[theme]
    ink = {"light": LIGHT["ink"], "dark": DARK["ink"]}
    with watching(browser, address, theme=theme) as watched:
        page = watched.open("/")
        for now in (theme, other):
            expect(page.locator("body")).to_have_css("color", rgb(ink[now]))
            line = page.locator("#evidence-traces .scatterlayer .js-line").first
            expect(line).to_have_css("stroke", rgb(ink[now]))
            page.get_by_role("button", name={"light": "Dark", "dark": "Light"}[now]).click()
        page.reload()
        expect(page.locator("body")).to_have_css("color", rgb(ink[theme]))


def rgb(colour: str) -> str:
    return "rgb({}, {}, {})".format(*(int(colour[i : i + 2], 16) for i in (1, 3, 5)))


@pytest.mark.parametrize("width", [640, 1280, 1920])  # 640: a window of 1280 at 200 %
def test_nothing_sticks_out_of_the_window(browser, address, held, width):
    with watching(browser, address, width=width) as watched:
        for path in ("/", "/landing/{id}", "/landings", "/rules", "/rules/late_spoilers", "/not-assessed"):
            page = watched.open(path.format(id=held.events["landing_id"][0]))
            expect(page.locator("#page").locator("h1, table, .row").first).to_be_visible()
            assert page.evaluate(COMES_TO_REST), path
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path


@pytest.mark.parametrize("width", [1280, 1920])
def test_no_value_or_title_of_the_week_is_cut(browser, address, width):
    with watching(browser, address, width=width) as watched:
        page = watched.open("/?week=all")
        page.locator(CHOSEN).wait_for()
        cut = page.evaluate(
            """() => [...document.querySelectorAll('a.row > span, a.row .title > span')]
                     .filter(e => e.scrollWidth > e.clientWidth + 1).map(e => e.textContent)"""
        )
        assert cut == []


def test_below_1280_the_event_is_a_page_of_its_own(browser, address, held):
    with watching(browser, address, width=1000) as watched:
        page = watched.open("/")
        expect(page.locator("#reading")).to_be_hidden()
        page.locator("a.row[data-event]").nth(1).click()
        expect(page.locator("#reading")).to_be_visible()
        expect(page.locator("#queue")).to_be_hidden()
        page.get_by_text("Back to the list").click()
        expect(page.locator("#queue")).to_be_visible()


def test_paper_is_white_even_when_the_screen_is_dark(browser, address, held):
    with watching(browser, address, theme="dark") as watched:
        page = watched.open(f"/landing/{held.events['landing_id'][0]}")
        line = page.locator("#rollout-traces .scatterlayer .js-line").first
        expect(line).to_have_css("stroke", rgb(DARK["ink"]))
        page.emulate_media(media="print")
        page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
        expect(line).to_have_css("stroke", rgb(LIGHT["ink"]))
        expect(page.locator("body")).to_have_css("color", rgb(LIGHT["ink"]))
        expect(page.locator("#theme-switch")).to_be_hidden()
        page.emulate_media(media="screen")
        page.evaluate("window.dispatchEvent(new Event('afterprint'))")
        expect(line).to_have_css("stroke", rgb(DARK["ink"]))


def test_a_landing_prints_on_three_pages(browser, address, held):
    with watching(browser, address) as watched:
        page = watched.open(f"/landing/{held.events['landing_id'][0]}")
        page.locator("#rollout-traces .main-svg").first.wait_for()
        pdf = page.pdf(prefer_css_page_size=True)
        assert len(re.findall(rb"/Type\s*/Page\b", pdf)) == 3


def test_the_week_prints_its_list_then_the_event_that_is_read(browser, address):
    """The event begins a page: around it only blocks, for a flexible box keeps the height it had before the break."""
    with watching(browser, address) as watched:
        page = watched.open("/")
        for there in ("#evidence-traces .main-svg", "a.row[data-event]", "#week-summary .tile"):
            page.locator(there).first.wait_for()
        assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True))) == 3
        page.emulate_media(media="print")
        around = """e => { const found = []; while (e = e.parentElement) found.push(getComputedStyle(e).display);
                    return found; }"""
        assert set(page.locator("#reading").evaluate(around)) == {"block"}


def test_every_page_carries_the_cautions(watched, held):
    for path in ("/", f"/landing/{held.landings['landing_id'][0]}", "/landings", "/rules", "/not-assessed", "/nowhere"):
        page = watched.open(path)
        expect(page.locator("#foot")).to_contain_text("Not for airworthiness or disciplinary decisions")


def test_an_unknown_address_says_so(watched):
    page = watched.open("/nowhere")
    expect(page.locator("#page")).to_contain_text("There is no such page.")
    page.get_by_text("Go to this week").click()
    expect(page.locator(CHOSEN)).to_be_visible()


def test_lists_lead_on(watched, held):
    page = watched.open("/rules")
    page.get_by_role("link", name="Ground spoilers late").click()
    expect(page.locator("h1")).to_have_text("Ground spoilers late")
    page.get_by_role("link", name=re.compile("events in all weeks")).click()
    expect(page.get_by_label("Rule")).to_have_value("late_spoilers")
    expect(page.locator("select[name=week]")).to_have_value("all")
    page.get_by_role("link", name="Not assessed", exact=True).click()
    page.locator("#missing-list a[href^='/landing/']").first.click()
    expect(page.locator("#landing-rules")).to_contain_text("Not assessed.")


class Broken(FakeArchive):
    """Its traces cannot be read."""

    def traces(self, landing_id):
        raise OSError("disk gone")


def test_a_part_that_fails_says_so_and_the_rest_stays(browser, caplog):
    store = Store(Broken(landings=60), lambda _run: RULES)
    with serving(store) as address, watching(browser, address) as watched:
        page = watched.open("/")
        expect(page.get_by_role("alert")).to_contain_text("This part of the page did not load.")
        expect(page.locator("a.row[data-event]").first).to_be_visible()
    assert "disk gone" in caplog.text
