"""The analyst's desk in a browser: a limit moved by keyboard and mouse, a version saved and compared; empty console."""

from __future__ import annotations

import re
import shutil
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from conftest import serving, serving_app, text_of, watching
from gatehouse import PASSWORD, QUICK, dashboard_of, with_accounts
from playwright.sync_api import expect
from scipy.stats import binomtest

import fdm
from dashboard.desk import beside
from dashboard.rulecards import load_rule_cards
from dashboard.store import Store
from fdm.archive import Archive
from fdm.people.store import People
from fdm.rulebook import load_rule_book, shipped_folder
from tests.nights import nights

pytestmark = pytest.mark.browser
expect.set_options(timeout=30_000)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    path = tmp_path_factory.mktemp("limits-browser")
    fdm.load(nights(path / "recordings", 1), path / "archive")
    fdm.detect(path / "archive")
    return path / "archive"


@pytest.fixture(scope="module")
def place(folder):
    desk = beside(folder)
    store = Store(Archive(folder), load_rule_cards, reopen=lambda: Archive(folder), desk=desk)
    with serving(store) as address:
        yield address
    desk.close()


@pytest.fixture
def desk(browser, place):
    with watching(browser, place, width=1440) as found:
        found.open("/limits/late_reverse")
        found.page.locator(".tune-handle.low b").filter(has_text="4.0 s").wait_for()
        yield found.page


@pytest.fixture
def watched_limits(browser, place):
    with watching(browser, place, width=1280) as found:
        yield found


def delays(folder) -> pl.Series:
    """The slower engine's time to reverse, of landings that came to a full stop and were measured on both."""
    measured = fdm.measures(folder, "reverse_select_delay_s").collect()
    stopped = fdm.landings(folder).filter(kind="full_stop").select("landing_id")
    worst = measured.join(stopped, on="landing_id").group_by("landing_id").agg(pl.col("value").max())
    return worst["value"].drop_nulls().drop_nans()


def slot(page, name: str):
    return page.locator(f'[data-slot="{name}"]')


def test_a_limit_moves_by_keyboard_and_the_numbers_are_those_of_the_landings(desk, folder):
    values = delays(folder)
    before = int((values > 4.0).sum())
    expect(slot(desk, "finding")).to_have_text("These are the limits in force.")
    handle = desk.locator(".tune-handle.low")
    handle.focus()
    for _ in range(3):
        desk.keyboard.press("Shift+ArrowLeft")
    expect(handle).to_have_attribute("aria-valuenow", "1.0")
    after = int((values > 1.0).sum())
    assert after > before
    low_now = int(((values > 4.0) & (values <= 6.0)).sum())
    low_then = int(((values > 1.0) & (values <= 6.0)).sum())
    expect(slot(desk, "events-now-low")).to_have_text(str(low_now))
    expect(slot(desk, "events-draft-low")).to_have_text(str(low_then))
    expect(slot(desk, "gained-low")).to_have_text(f"+{low_then - low_now}")
    expect(slot(desk, "finding")).to_have_text(f"The draft has {low_then - low_now} more Low.")
    told = [slot(desk, f"{what}-all").inner_text() for what in ("events-now", "events-draft", "gained", "lost")]
    assert told == [str(before), str(after), f"+{after - before}", "0"]
    expect(slot(desk, "beyond-low")).to_have_text(str(after))
    drawn = desk.locator("[data-events-rate=low]").inner_text()
    assert drawn  # the drawing tells the rate that stands in the table
    expect(slot(desk, "rate-low")).to_have_text(re.compile(rf"^{re.escape(drawn)} \("))
    expect(desk.locator("#limits-lists h2").first).to_contain_text(f"{after - before} landing")
    expect(desk).to_have_url(re.compile(r"low=1"))
    assert float(desk.locator(".tune").get_attribute("data-took-ms") or "inf") > 0
    desk.keyboard.press("Escape")
    expect(slot(desk, "finding")).to_have_text("These are the limits in force.")
    expect(desk.locator("#limits-lists")).to_contain_text("Every landing is judged as it is now")


FORTY_MOVES = """() => {
  const handle = document.querySelector(".tune-handle.low");
  const seen = [];
  for (let i = 0; i < 40; i += 1) {
    handle.dispatchEvent(new KeyboardEvent("keydown", { key: "ArrowLeft", bubbles: true, cancelable: true }));
    seen.push(document.querySelector('[data-slot="events-draft-low"]').textContent);
  }
  return [handle.getAttribute("aria-valuenow"), seen.map(Number)];
}"""


def test_forty_moves_are_counted_in_the_page_and_ask_once(desk, folder):
    desk.locator("#limits-lists").filter(has_text="judged as it is now").wait_for()
    asked: list[str] = []
    desk.on("request", lambda request: asked.append(request.post_data or ""))
    now, seen = desk.evaluate(FORTY_MOVES)
    values = delays(folder)
    assert now == "0.0"
    limits = [round(4.0 - 0.1 * (i + 1), 9) for i in range(40)]
    assert seen == [int(((values > limit) & (values <= 6.0)).sum()) for limit in limits]
    desk.locator("#limits-lists h2").first.wait_for()
    assert len([body for body in asked if "limits-asked" in body]) == 1


def test_a_limit_is_dragged_by_mouse(desk):
    handle = desk.locator(".tune-handle.low")
    box = handle.bounding_box()
    assert box is not None
    desk.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    desk.mouse.down()
    desk.mouse.move(box["x"] - 60, box["y"] + 5, steps=8)
    desk.mouse.up()
    expect(handle).not_to_have_attribute("aria-valuenow", "4.0")
    line = desk.locator(".tune-line.low").bounding_box()
    assert line is not None
    assert line["x"] == pytest.approx(box["x"] - 60, abs=12)
    desk.locator("#limits-lists h2").first.wait_for()


def type_limit(page, level: str, text: str):
    field = page.locator(f"[data-limit={level}]")
    field.fill(text)
    field.press("Enter")
    return field


def test_typing_a_limit_says_what_cannot_be(desk):
    field = type_limit(desk, "low", "7")
    expect(slot(desk, "hint")).to_contain_text("Low cannot pass Medium, 6.0 s.")
    expect(field).to_have_value("6.0")
    for text in ("two", "1e1", "1/2", "4..5", "1,2,3", "1.200,5", ""):
        type_limit(desk, "low", text)
        expect(slot(desk, "hint")).to_have_text("Write a number of seconds, such as 4.0. Low stays at 6.0 s.")
        expect(field).to_have_value("6.0")
    type_limit(desk, "low", "−1")
    expect(slot(desk, "hint")).to_contain_text("below 0 has no meaning here")
    for text, read in (("2.5 s", "2.5"), ("2,5", "2.5"), ("0,250", "0.25"), (" 3 ", "3.0")):
        type_limit(desk, "low", text)
        expect(field).to_have_value(read)
        expect(slot(desk, "hint")).to_have_text("")
    desk.locator("[data-tune-back]").click()
    expect(field).to_have_value("4.0")


def test_a_typed_limit_stays_as_it_was_typed_and_is_counted(desk, folder):
    values = delays(folder)
    type_limit(desk, "low", "2.25")
    handle = desk.locator(".tune-handle.low")
    expect(handle).to_have_attribute("aria-valuenow", "2.25")
    expect(slot(desk, "certain-low")).not_to_have_text("…")
    expect(slot(desk, "events-draft-low")).to_have_text(str(int(((values > 2.25) & (values <= 6.0)).sum())))
    expect(desk).to_have_url(re.compile(r"low=2\.25"))
    handle.focus()
    desk.keyboard.press("ArrowRight")
    expect(handle).to_have_attribute("aria-valuenow", "2.3")
    type_limit(desk, "low", "2.25")
    handle.focus()
    desk.keyboard.press("ArrowLeft")
    expect(handle).to_have_attribute("aria-valuenow", "2.2")


def test_a_limit_beyond_the_drawing_is_kept_and_stands_at_its_edge(desk, folder):
    type_limit(desk, "high", "1,200")
    handle = desk.locator(".tune-handle.high")
    expect(handle).to_have_attribute("aria-valuenow", "1200.0")
    expect(handle).to_have_attribute("data-outside", "right")
    expect(slot(desk, "certain-high")).to_have_text("0")
    expect(slot(desk, "events-draft-medium")).to_have_text(str(int((delays(folder) > 6.0).sum())))
    desk.locator("#limits-lists h2").first.wait_for()
    desk.reload()
    expect(handle).to_have_attribute("aria-valuenow", "1200.0")
    handle.focus()
    desk.keyboard.press("ArrowRight")
    expect(handle).to_have_attribute("aria-valuenow", "1200.0")
    desk.keyboard.press("ArrowLeft")
    expect(handle).to_have_attribute("data-outside", "")


def test_a_filter_leaves_the_limits_of_the_draft_as_they_are(desk):
    type_limit(desk, "high", "33.5")
    expect(slot(desk, "certain-high")).not_to_have_text("…")
    runway = desk.locator("select[name=runway]")
    every = slot(desk, "assessed").text_content()
    for place in ({"index": 1}, {"index": 0}):
        before = desk.locator(".tune").get_attribute("data-sweep")
        runway.select_option(**place)
        expect(desk.locator(".tune")).not_to_have_attribute("data-sweep", before or "")
        expect(desk.locator("[data-limit=high]")).to_have_value("33.5")
        expect(desk).to_have_url(re.compile(r"high=33\.5"))
    expect(slot(desk, "assessed")).to_have_text(every or "")


def test_only_what_was_moved_stands_in_the_address(desk):
    type_limit(desk, "low", "2.5")
    expect(desk).to_have_url(re.compile(r"/limits/late_reverse\?low=2\.5$"))
    type_limit(desk, "high", "11")
    expect(desk).to_have_url(re.compile(r"\?low=2\.5&high=11$"))
    desk.locator("[data-tune-back]").click()
    expect(desk).to_have_url(re.compile(r"/limits/late_reverse$"))


def test_a_limit_in_the_address_is_refused_as_a_typed_one_is(desk):
    desk.goto(desk.url.split("?")[0] + "?low=-5&medium=5.5")
    expect(slot(desk, "hint")).to_have_text("A limit below 0 has no meaning here. Low stays at 4.0 s.")
    expect(desk.locator("[data-limit=low]")).to_have_value("4.0")
    expect(desk.locator("[data-limit=medium]")).to_have_value("5.5")
    expect(desk).to_have_url(re.compile(r"\?medium=5\.5$"))


def test_what_comes_and_what_goes_is_told_apart(desk, folder):
    values = delays(folder)
    for level, text in (("low", "2"), ("medium", "4.5"), ("high", "30")):
        type_limit(desk, level, text)
    bounds = ((4.0, 6.0, 2.0, 4.5), (6.0, 10.0, 4.5, 30.0), (10.0, 1e9, 30.0, 1e9))
    gained, lost = [], []
    for name, (low, high, low_then, high_then) in zip(("Low", "Medium", "High"), bounds, strict=True):
        was, now = (values > low) & (values <= high), (values > low_then) & (values <= high_then)
        more, fewer = int((now & ~was).sum()), int((was & ~now).sum())
        gained += [f"{more} more {name}"] if more else []
        lost += [f"{fewer} fewer {name}"] if fewer else []
    assert len(gained) > 1
    assert lost
    said = ", and ".join(" and ".join(reversed(part)) for part in (gained, lost))
    expect(slot(desk, "finding")).to_have_text(f"The draft has {said}.")


def test_a_handle_taken_at_its_edge_does_not_jump(desk):
    handle = desk.locator(".tune-handle.medium")
    box = handle.bounding_box()
    line = desk.locator(".tune-line.medium").bounding_box()
    assert box is not None
    assert line is not None
    x, y = box["x"] + box["width"] - 3, box["y"] + box["height"] / 2
    desk.mouse.move(x, y)
    desk.mouse.down()
    desk.mouse.move(x + 1, y)
    desk.mouse.up()
    moved = desk.locator(".tune-line.medium").bounding_box()
    assert moved is not None
    wide = desk.locator(".tune-over").bounding_box()
    assert wide is not None
    one_step = wide["width"] * 0.1 / float(handle.get_attribute("aria-valuemax") or 0)
    assert abs(moved["x"] - line["x"]) <= 1 + one_step


def test_a_rate_stands_beside_the_landings_that_it_is_of(desk):
    """Fewer landings can be told at a low limit than at a high one, so each limit has its own number of them."""
    desk.locator("[data-limit=high]").fill("8")
    desk.keyboard.press("Enter")
    expect(slot(desk, "of-high")).to_have_text(re.compile(r"^of \d"))
    of = {}
    for level in ("low", "medium", "high"):
        said = [slot(desk, f"{what}-{level}").inner_text() for what in ("beyond", "of")]
        events, whole = (int(re.sub(r"\D", "", text)) for text in said)
        exact = binomtest(events, whole).proportion_ci(method="exact")
        told = [float(x.replace(",", "")) for x in re.findall(r"[\d.,]+", slot(desk, f"rate-{level}").inner_text())]
        wanted = [1000 * events / whole, 1000 * exact.low, 1000 * exact.high]
        assert told == pytest.approx(wanted, abs=0.05 if told[0] < 30 else 0.5)
        of[level] = whole
    assert slot(desk, "assessed-draft").inner_text() == f"{of['low']:,}"


def test_going_back_to_the_limits_in_force_keeps_the_focus_at_the_limits(desk):
    desk.locator("[data-limit=low]").fill("3.5")
    desk.keyboard.press("Enter")
    back = desk.locator("[data-tune-back]")
    back.focus()
    desk.keyboard.press("Enter")
    expect(back).to_be_disabled()
    expect(desk.locator("[data-limit]").first).to_be_focused()
    expect(desk.locator("[data-limit=low]")).to_have_value("4.0")


def test_a_condition_is_checked_while_it_is_written_and_tried(desk, folder):
    outcomes = fdm.outcomes(folder).filter(rule="late_reverse").collect()["outcome"]
    assessed = f"{(outcomes != 'not_assessed').sum():,}"
    events = fdm.events(folder).filter(rule="late_reverse").height
    left_out = desk.get_by_role("row", name="Left out by the condition")
    expect(slot(desk, "assessed-draft")).to_have_text(assessed)
    expect(left_out).to_have_count(0)
    desk.locator(".tune-condition summary").first.click()
    desk.locator("[data-condition]").fill("bouncs = 0")
    expect(desk.locator("#limits-where-said mark")).to_have_text("bouncs")
    places = ("[data-condition]", "#limits-where-said", "[data-tune-try]")
    box, said, ways = (desk.locator(one).bounding_box() for one in places)
    assert box["y"] + box["height"] <= said["y"] < said["y"] + said["height"] <= ways["y"], "right under the box"
    assert said["y"] - box["y"] - box["height"] < 12
    expect(desk.locator("#limits-where-said")).to_be_in_viewport(ratio=1)
    desk.locator("[data-condition]").fill("touchdown_ground_speed_kt > 400")
    expect(desk.locator("#limits-where-said")).to_contain_text("it does not hold on")
    desk.locator("[data-tune-try]").click()
    expect(slot(desk, "assessed")).to_contain_text("in 0 assessed")
    expect(slot(desk, "assessed-now")).to_have_text(assessed)
    expect(slot(desk, "assessed-draft")).to_have_text("0")
    expect(left_out).to_have_text(re.compile(rf"none decided\s*0\s*{events}$"))
    expect(slot(desk, "finding")).to_contain_text("fewer")
    expect(desk.locator("#limits-facts")).to_contain_text("Condition tried touchdown_ground_speed_kt > 400")
    expect(desk.locator("#limits-lists h2").first).to_contain_text("No longer events")
    desk.reload()
    expect(slot(desk, "assessed")).to_contain_text("in 0 assessed")
    desk.get_by_role("button", name="Back to the rule’s own").click()
    expect(slot(desk, "assessed")).not_to_contain_text("in 0 assessed")


@pytest.fixture(scope="module")
def nowhere(folder):
    """A runway and a fleet that landed, but not together."""
    held = Store(Archive(folder), load_rule_cards).held().landings.select("place", "fleet").drop_nulls()
    together = set(held.iter_rows())
    pairs = [(place, fleet) for place in sorted(set(held["place"])) for fleet in sorted(set(held["fleet"]))]
    return next(pair for pair in pairs if pair not in together)


def state_of(page):
    """What the right side says, and what stands in the fields of the limits."""
    told = page.locator(".tune-found [data-slot]").all_text_contents()
    fields = [(f.input_value(), f.is_disabled()) for f in page.locator("[data-limit]").all()]
    lists = [page.locator(f"#limits-{name}").inner_html() for name in ("lists", "groups", "facts")]
    return told, fields, lists, page.locator("[data-slot^=now-]").all_text_contents()


def nothing_to_save(page):
    for name in ("Show what changes", "Save version"):
        expect(page.get_by_role("button", name=name)).to_be_disabled()
    expect(slot(page, "unsaved")).to_have_text("Nothing is counted under these filters, so there is nothing to save.")
    expect(page.locator("#limits-lists")).to_be_empty()
    expect(page.locator("#limits-groups")).to_be_empty()


def test_where_no_landing_is_under_the_filters_no_number_stays_and_nothing_can_be_saved(desk, nowhere):
    place, fleet = nowhere
    type_limit(desk, "low", "1.5")
    expect(desk).to_have_url(re.compile(r"low=1\.5"))
    desk.locator("#limits-groups h2").first.wait_for()
    desk.locator("select[name=runway]").select_option(place)
    desk.locator("#limits-groups").filter(has_text="By fleet").wait_for()
    desk.locator("select[name=fleet]").select_option(fleet)
    expect(desk.locator("#limits-chart")).to_contain_text("No landing is under these filters")
    nothing_to_save(desk)
    told, fields, *_ = moved = state_of(desk)
    assert set(told) == {""}
    assert fields == [("4.0", True), ("6.0", True), ("10.0", True)]
    desk.reload()
    expect(desk.locator("#limits-chart")).to_contain_text("No landing is under these filters")
    nothing_to_save(desk)
    assert state_of(desk) == moved
    desk.locator("select[name=fleet]").select_option(index=0)
    expect(desk.locator("[data-limit=low]")).to_have_value("1.5")
    expect(desk.get_by_role("button", name="Save version")).to_be_enabled()
    expect(slot(desk, "unsaved")).to_have_text("")
    expect(slot(desk, "assessed")).to_contain_text("assessed")


def test_a_condition_that_cannot_be_tried_leaves_no_number_of_another(desk):
    desk.locator(".tune-condition summary").first.click()
    desk.locator("[data-condition]").fill("bounces >")
    desk.locator("[data-tune-try]").click()
    expect(desk.locator("#limits-chart")).to_contain_text("Something is missing or too much here.")
    nothing_to_save(desk)
    assert set(state_of(desk)[0]) == {""}
    desk.get_by_role("button", name="Back to the rule’s own").click()
    expect(slot(desk, "finding")).to_have_text("These are the limits in force.")
    expect(desk.get_by_role("button", name="Show what changes")).to_be_enabled()


def test_a_rule_without_limits_is_counted_and_its_condition_tried(desk, folder):
    n = fdm.events(folder).filter(rule="spoilers_not_armed").height
    desk.goto(desk.url.replace("late_reverse", "spoilers_not_armed"))
    found = desk.locator("#limits-lists")
    expect(found.locator("tbody tr").first).to_have_text(re.compile(rf"{n}\s*{n}\s*0\s*0$"))
    expect(desk.locator("#limits-groups")).to_contain_text("By fleet")
    expect(desk.get_by_role("button", name="Save version")).to_be_enabled()
    expect(slot(desk, "scope")).to_have_text("Saves for every fleet, runway and month.")
    desk.locator(".tune-condition summary").first.click()
    desk.locator("[data-condition]").fill("touchdown_ground_speed_kt > 400")
    desk.locator("[data-tune-try]").click()
    expect(found.locator("tbody tr").first).to_have_text(re.compile(rf"{n}\s*0\s*0\s*−{n}$"))
    expect(found).to_contain_text("No longer events")
    expect(found.get_by_role("row", name="Left out by the condition")).to_have_text(re.compile(rf"{n}$"))
    desk.get_by_role("button", name="Back to the rule’s own").click()
    expect(found).to_contain_text("judged as it is now")


def boxes(page, selector: str):
    found = [one.bounding_box() for one in page.locator(selector).all() if one.is_visible()]
    return [box for box in found if box is not None]


def covered(found) -> list[tuple[int, int]]:
    """Pairs of boxes that lie over each other."""

    def over(a, b) -> bool:
        apart = a["x"] + a["width"] <= b["x"] or b["x"] + b["width"] <= a["x"]
        return not (apart or a["y"] + a["height"] <= b["y"] or b["y"] + b["height"] <= a["y"])

    return [(i, j) for i, a in enumerate(found) for j, b in enumerate(found[i + 1 :], i + 1) if over(a, b)]


NEAR = "/limits/late_spoilers?low=2.4&medium=2.5&high=2.6"


def test_what_stands_at_limits_that_are_near_covers_nothing_on_screen_and_on_paper(watched_limits):
    page = watched_limits.open(NEAR)
    page.locator(".tune-handle.high b").filter(has_text="2.6 s").wait_for()
    expect(page.locator(".tune-was.medium")).to_have_text("was 3.0")
    for kind, least in ((".tune-handle", 3), (".tune-was", 3), ("[data-events-rate]", 3)):
        found = boxes(page, kind)
        assert len(found) >= least
        assert covered(found) == [], kind
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 680, "height": 900})  # of A4 within its margins
    assert covered(boxes(page, ".tune-handle")) == []
    for part in (".tune-point[data-events=low]", ".tune-zone[data-zone=low]", ".tune-between"):
        shown = page.locator(part).evaluate("e => getComputedStyle(e).printColorAdjust")
        assert shown == "exact", part
    assert page.locator("select[name=fleet]").evaluate("e => getComputedStyle(e).borderTopWidth") == "0px"


def test_the_median_stays_on_one_line_within_the_drawing(watched_limits):
    page = watched_limits.open("/limits/short_runway_left")
    page.locator(".tune-handle.low b").filter(has_text="600 m").wait_for()
    (median,) = boxes(page, ".tune-median")
    (plot,) = boxes(page, ".tune-over")
    assert median["height"] < 20
    assert median["x"] + median["width"] <= plot["x"] + plot["width"] + 1


def test_what_stands_in_the_box_is_what_is_saved(desk):
    desk.locator(".tune-condition summary").first.click()
    box, changes = desk.locator("[data-condition]"), desk.get_by_role("button", name="Show what changes")
    box.fill("headwind_kt > 10")
    expect(slot(desk, "untried")).to_contain_text("Not tried yet")
    changes.click()
    said = desk.locator("#limits-saved")
    expect(said.locator(".new").filter(has_text="where")).to_have_text('+where = "headwind_kt > 10"\n')
    expect(said).to_contain_text("cases say nothing of headwind_kt")
    expect(said.locator("[data-expect]")).to_have_count(0)
    desk.locator("[data-tune-try]").click()
    expect(desk).to_have_url(re.compile("where=headwind"))
    expect(slot(desk, "untried")).to_have_text("")
    desk.go_back()
    expect(box).to_have_value("")
    expect(slot(desk, "untried")).to_have_text("")


def test_whom_a_save_is_for_is_said(desk):
    scope = slot(desk, "scope")
    expect(scope).to_have_text("Saves for every fleet, runway and month.")
    desk.locator("select[name=runway]").select_option(index=1)
    expect(desk).to_have_url(re.compile("runway="))
    expect(scope).to_have_text("Saves for every fleet, runway and month.")
    fleet = desk.locator("select[name=fleet] option").nth(1).get_attribute("value")
    desk.locator("select[name=fleet]").select_option(fleet)
    expect(scope).to_have_text(f"Saves for {fleet} only, every runway and month.")
    desk.locator(".tune-condition summary").first.click()
    desk.locator("[data-condition]").fill("headwind_kt > 10")
    expect(scope).to_have_text(
        f"Saves for {fleet} only, every runway and month. The condition is saved for every fleet."
    )


def test_paper_tells_the_rule_book_and_the_day_and_no_control(desk, folder):
    book, now = load_rule_book(), datetime.now(UTC)
    desk.emulate_media(media="print")
    head = desk.locator("#limits-paper")
    expect(head).to_be_visible()
    expect(head).to_contain_text(f"{book.name} {book.version}")
    days = [f"{day.day} {day:%b %Y}" for day in (now, now - timedelta(days=1))]  # midnight may pass meanwhile
    expect(head).to_contain_text(re.compile("judged on ({0}). Printed on ({0}).".format("|".join(days))))
    for control in ("Try on these landings", "Back to the rule’s own", "Show what changes", "Save version"):
        expect(desk.get_by_text(control)).to_be_hidden()
    for box in ("[data-condition]", "[name=name]", "[name=reason]"):
        expect(desk.locator(box)).to_be_hidden()


def save_as(page, name: str, reason: str):
    """Saves as the form stands, ticking every case that no longer holds."""
    page.locator("[name=name]").fill(name)
    page.locator("[name=reason]").fill(reason)
    said = page.locator("#limits-saved")
    page.get_by_role("button", name="Save version").click()
    expect(said.locator("[data-expect], [data-saved], [role=alert]").first).to_be_visible()
    for box in said.locator("[data-expect]").all():
        box.check()
    if said.locator("[data-expect]").count():
        page.get_by_role("button", name="Save version").click()
    return said


def test_who_is_overtaken_keeps_what_was_typed_and_chooses_what_to_build_on(desk, place):
    with desk.expect_response(lambda answer: '"high":10.5' in (answer.request.post_data or "")):
        type_limit(desk, "high", "10.5")  # nothing is asked while the other page begins without cookies
    expect(slot(desk, "certain-high")).not_to_have_text("…")
    with watching(desk.context, place) as other:
        page = other.open("/limits/late_braking")
        page.locator(".tune-handle.high").wait_for()
        type_limit(page, "high", "44.5")
        expect(save_as(page, "hers", "Brakes later.")).to_contain_text("Saved as version")
    said = save_as(desk, "mine", "Reverse later.")
    expect(said).to_contain_text("Not saved. Meanwhile version")
    expect(said).to_contain_text("hers, saved by")
    expect(desk.locator("[name=name]")).to_have_value("mine")
    expect(desk.locator("[name=reason]")).to_have_value("Reverse later.")
    expect(desk.locator("[data-limit=high]")).to_have_value("10.5")
    expect(desk.locator(".tune-base label").first).to_contain_text("hers, saved by")
    said = save_as(desk, "mine", "Reverse later.")
    expect(said).to_contain_text("Saved as version")
    expect(said.locator("summary").first).to_contain_text("on top of version")


def test_name_and_reason_outlive_the_page_until_they_are_saved(desk):
    desk.locator("[name=name]").fill("kept")
    desk.locator("[name=reason]").fill("The board asked for it.")
    desk.reload()
    expect(desk.locator("[name=name]")).to_have_value("kept")
    expect(desk.locator("[name=reason]")).to_have_value("The board asked for it.")
    assert len(desk.evaluate("Object.keys(sessionStorage)")) == 1
    type_limit(desk, "high", "10.25")
    desk.get_by_role("button", name="Save version").click()
    expect(desk.locator("#limits-saved")).to_contain_text("Saved as version")
    expect(desk.locator("[name=name]")).to_have_value("")
    assert desk.evaluate("Object.keys(sessionStorage)") == []
    expect(desk.locator("[name=base]").first).to_be_checked()
    expect(desk.locator(".tune-base")).to_contain_text("kept, saved by")


def test_a_version_is_refused_by_a_case_then_saved_and_compared(desk, folder):
    handle = desk.locator(".tune-handle.medium")
    handle.focus()
    for _ in range(10):
        desk.keyboard.press("ArrowLeft")
    expect(handle).to_have_attribute("aria-valuenow", "5.0")
    desk.locator("[name=name]").fill("earlier")
    desk.get_by_role("button", name="Save version").click()
    said = desk.locator("#limits-saved")
    expect(said).to_contain_text("Not saved")
    desk.locator("[name=reason]").fill("The board asked for it. " + "x" * 400)
    if desk.locator("[data-expect]").count():
        for box in desk.locator("[data-expect]").all():
            box.check()
    desk.get_by_role("button", name="Save version").click()
    expect(said).to_contain_text("Saved as version")
    expect(said).to_contain_text("medium = 5.0")
    saved = load_rule_book(max(folder.with_name("archive.rules").iterdir()))
    assert (saved.version, saved.rules["late_reverse"].limits.medium) == ("earlier", 5.0)
    desk.get_by_role("link", name="Compare it with the rule book in force").click()
    expect(desk.locator("#compare-found")).to_contain_text("Medium limit")
    expect(desk.locator("#compare-found")).to_contain_text("6 s")
    desk.get_by_role("link", name="Versions").click()
    expect(desk.locator("#versions-list")).to_contain_text("The board asked for it.")
    assert desk.evaluate("document.documentElement.scrollWidth") <= 1440
    desk.get_by_role("link", name="Health").click()
    desk.locator("#health-found h2").first.wait_for()


@pytest.mark.parametrize(("width", "theme"), [(1280, "light"), (1920, "dark")])
def test_nothing_covers_and_nothing_leaves_the_page(browser, place, width, theme):
    with watching(browser, place, width=width, theme=theme) as found:
        lists = "/limits/late_reverse?low=1"
        for path in ("/limits", "/limits/short_runway_left", lists, "/compare", "/versions", "/health"):
            page = found.open(path)
            if path == lists:
                page.locator(".tune-list tr").first.wait_for()
            if path.count("/") > 1:
                page.locator(".tune-handle").first.wait_for()
                boxes = [handle.bounding_box() for handle in page.locator(".tune-handle").all()]
                for i, a in enumerate(boxes):
                    for b in boxes[i + 1 :]:
                        assert a is not None
                        assert b is not None
                        apart = a["x"] + a["width"] <= b["x"] or b["x"] + b["width"] <= a["x"]
                        assert apart or a["y"] + a["height"] <= b["y"] or b["y"] + b["height"] <= a["y"]
            assert page.evaluate("document.documentElement.scrollWidth") <= width
            assert text_of(page.locator("#page").inner_html())


@pytest.fixture
def with_login(folder, tmp_path):
    """A dashboard with accounts over the archive: its address, and the store of people's work."""
    with People(str(tmp_path / "people.sqlite"), hasher=QUICK) as people:
        app = dashboard_of(with_accounts(people), source=Archive(folder), rules=None)
        with serving_app(app) as address:
            yield address, people


def test_an_open_page_does_not_mix_two_rule_books(browser, folder, tmp_path):
    again = shutil.copytree(folder, tmp_path / "archive")
    rules = shutil.copytree(shipped_folder(), tmp_path / "rules")
    file = rules / "late_reverse.toml"
    file.write_text(file.read_text().replace("\nlow = 4.0", "\nlow = 3.5"))
    store = Store(Archive(again), load_rule_cards, reopen=lambda: Archive(again))
    with serving(store) as address, watching(browser, address, width=1440) as found:
        found.open("/limits/late_reverse")
        page = found.page
        page.locator("#limits-lists").filter(has_text="judged as it is now").wait_for()
        fdm.detect(again, rules=rules)
        handle = page.locator(".tune-handle.low")
        handle.focus()
        page.keyboard.press("ArrowLeft")
        told = page.locator("#limits-since [role=alert]")
        expect(told).to_be_in_viewport(ratio=1)
        expect(page.locator("#limits-lists")).to_be_empty()
        dimmed = page.evaluate("getComputedStyle(document.querySelector('.tune-found b')).color")
        assert dimmed == page.evaluate("getComputedStyle(document.querySelector('.tune-found .soft')).color")
        page.locator("select[name=runway]").select_option(index=1)
        expect(page.locator("#limits-chart")).to_contain_text("until the page is loaded anew")
        expect(page.get_by_role("button", name="Save version")).to_be_disabled()
        expect(told).to_contain_text("The rule book in force has changed since this page was opened")
        told.get_by_role("link", name="Load the page anew").press("Enter")
        expect(slot(page, "now-low")).to_have_text("3.5 s")
        expect(page.locator("#limits-since [role=alert]")).to_have_count(0)


def test_an_analyst_works_without_learning_whose_landings_they_are(browser, with_login, folder):
    place, people = with_login
    with watching(browser, place) as found:
        page = found.page
        page.goto(f"{place}/login?next=/limits/late_reverse")
        page.locator("[name=name]").fill("analyst-1")
        page.locator("[name=password]").fill(PASSWORD)
        page.get_by_role("button", name="Log in").click()
        page.locator(".tune-handle.low b").filter(has_text="4.0 s").wait_for()
        page.locator(".tune-handle.low").focus()
        for _ in range(3):
            page.keyboard.press("Shift+ArrowLeft")
        page.locator("#limits-lists a").first.wait_for()
        shown = page.content()
        landings = fdm.landings(folder)
        for column in ("tail", "flight", "landing_id", "source_file"):
            for name in landings[column].drop_nulls().unique():
                assert len(name) < 4 or name not in shown
        days = landings["touchdown_utc"].dt.strftime("%-d %b %Y").unique()
        assert not [day for day in days if f" {day}" in page.locator("#limits-lists").inner_text()]
        page.locator(".tune-condition summary").first.click()
        page.locator("[data-condition]").fill(f"tail = '{landings['tail'][0]}'")
        expect(page.locator("#limits-where-said")).to_contain_text("would tell whose landing it is")
        page.get_by_role("button", name="Back to the rule’s own").click()
        page.locator("[name=name]").fill("13")
        page.locator("[name=reason]").fill("Earlier reverse.")
        page.get_by_role("button", name="Save version").click()
        expect(page.locator("#limits-saved")).to_contain_text("Not saved")
        for box in page.locator("[data-expect]").all():
            box.check()
        page.get_by_role("button", name="Save version").click()
        expect(page.locator("#limits-saved")).to_contain_text("Saved as version 1")
    newest = people.audit.entries().row(0, named=True)
    assert (newest["act"], newest["who"]) == ("rule book saved", "analyst-1")


def test_what_was_typed_outlives_a_session_that_ends_and_is_let_go_on_logging_out(browser, with_login):
    place, _ = with_login

    def log_in(page):
        page.locator("[name=name]").fill("analyst-1")
        page.locator("[name=password]").fill(PASSWORD)
        page.get_by_role("button", name="Log in").click()
        page.locator(".tune-handle.low b").filter(has_text="4.0 s").wait_for()
        page.locator("#limits-groups td").first.wait_for()  # nothing is asked any more

    with watching(browser, place) as found:
        page = found.page
        page.goto(f"{place}/login?next=/limits/late_reverse")
        log_in(page)
        page.locator("[name=reason]").fill("Earlier reverse.")
        page.context.clear_cookies()
        page.get_by_role("button", name="Save version").click()
        page.wait_for_url(re.compile("/login"))
        log_in(page)
        expect(page.locator("[name=reason]")).to_have_value("Earlier reverse.")
        expect(page.locator("#alert")).to_contain_text("Do it again for a version of a rule.")
        page.get_by_role("button", name="Save version").click()  # without a name nothing is saved
        expect(page.locator("#limits-saved")).to_contain_text("name")
        expect(page.locator("#alert")).to_be_empty()
        page.get_by_role("button", name="Log out").click()
        page.locator("[name=password]").wait_for()
        assert page.evaluate("Object.keys(sessionStorage)") == []
        page.goto(f"{place}/login?next=/limits/late_reverse")
        log_in(page)
        expect(page.locator("[name=reason]")).to_have_value("")
        found.said = [line for line in found.said if "401" not in line]  # what the browser says of the ended session


def test_the_drawing_comes_on_the_first_sheet(watched_limits):
    page = watched_limits.open("/limits/late_spoilers")
    page.locator(".tune-handle.high b").filter(has_text="5.0 s").wait_for()
    # A4 less its margins of 15 mm is 180 by 267 mm, 1009 px; years of landings give four more reasons, of 17 px each
    page.set_viewport_size({"width": 680, "height": 1000})
    page.emulate_media(media="print")
    assert page.locator(".tune").evaluate("e => e.getBoundingClientRect().bottom + scrollY") < 1009 - 4 * 17
