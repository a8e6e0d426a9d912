"""The analyst's desk in a browser: a limit moved by keyboard and mouse, a version saved and compared; empty console."""

from __future__ import annotations

import re
import shutil

import polars as pl
import pytest
from conftest import serving, serving_app, text_of, watching
from gatehouse import PASSWORD, QUICK, dashboard_of, with_accounts
from playwright.sync_api import expect

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


def test_typing_a_limit_says_what_cannot_be(desk):
    field = desk.locator("[data-limit=low]")
    field.fill("7")
    field.press("Enter")
    expect(slot(desk, "hint")).to_contain_text("Low cannot pass Medium, 6.0 s.")
    expect(field).to_have_value("6.0")
    field.fill("two")
    field.press("Enter")
    expect(slot(desk, "hint")).to_contain_text("Write a number")
    field.fill("2,54")
    field.press("Enter")
    expect(slot(desk, "hint")).to_contain_text("steps of 0.1 s")
    expect(field).to_have_value("2.5")
    desk.locator("[data-tune-back]").click()
    expect(field).to_have_value("4.0")


def test_a_condition_is_checked_while_it_is_written_and_tried(desk):
    desk.locator(".tune-condition summary").first.click()
    desk.locator("[data-condition]").fill("bouncs = 0")
    expect(desk.locator("#limits-where-said mark")).to_have_text("bouncs")
    desk.locator("[data-condition]").fill("touchdown_ground_speed_kt > 400")
    expect(desk.locator("#limits-where-said")).to_contain_text("it does not hold on")
    desk.locator("[data-tune-try]").click()
    expect(slot(desk, "assessed")).to_contain_text("in 0 assessed")
    expect(slot(desk, "finding")).to_contain_text("fewer")
    expect(desk.locator("#limits-facts")).to_contain_text("Condition tried touchdown_ground_speed_kt > 400")
    expect(desk.locator("#limits-lists h2").first).to_contain_text("No longer events")
    desk.reload()
    expect(slot(desk, "assessed")).to_contain_text("in 0 assessed")
    desk.get_by_role("button", name="Back to the rule’s own").click()
    expect(slot(desk, "assessed")).not_to_contain_text("in 0 assessed")


def test_a_rule_without_limits_is_counted_and_its_condition_tried(desk, folder):
    n = fdm.events(folder).filter(rule="spoilers_not_armed").height
    desk.goto(desk.url.replace("late_reverse", "spoilers_not_armed"))
    found = desk.locator("#limits-lists")
    expect(found.locator("tbody tr").first).to_have_text(re.compile(rf"{n}\s*{n}\s*0\s*0$"))
    expect(desk.locator("#limits-groups")).to_contain_text("By fleet")
    desk.locator(".tune-condition summary").first.click()
    desk.locator("[data-condition]").fill("touchdown_ground_speed_kt > 400")
    desk.locator("[data-tune-try]").click()
    expect(found.locator("tbody tr").first).to_have_text(re.compile(rf"{n}\s*0\s*0\s*{n}$"))
    expect(found).to_contain_text("No longer events")
    desk.get_by_role("button", name="Back to the rule’s own").click()
    expect(found).to_contain_text("judged as it is now")


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
    desk.locator("[name=reason]").fill("The board asked for it.")
    if desk.locator("[data-expect]").count():
        for box in desk.locator("[data-expect]").all():
            box.check()
    desk.get_by_role("button", name="Save version").click()
    expect(said).to_contain_text("Saved as version 1")
    expect(said).to_contain_text("medium = 5.0")
    saved = load_rule_book(folder.with_name("archive.rules") / "000001")
    assert (saved.version, saved.rules["late_reverse"].limits.medium) == ("earlier", 5.0)
    desk.get_by_role("link", name="Compare it with the rule book in force").click()
    expect(desk.locator("#compare-found")).to_contain_text("Medium limit")
    expect(desk.locator("#compare-found")).to_contain_text("6 s")
    desk.get_by_role("link", name="Versions").click()
    expect(desk.locator("#versions-list")).to_contain_text("The board asked for it.")
    desk.get_by_role("link", name="Health").click()
    desk.locator("#health-found h2").first.wait_for()


@pytest.mark.parametrize(("width", "theme"), [(1280, "light"), (1920, "dark")])
def test_nothing_covers_and_nothing_leaves_the_page(browser, place, width, theme):
    with watching(browser, place, width=width, theme=theme) as found:
        for path in ("/limits", "/limits/short_runway_left", "/compare", "/versions", "/health"):
            page = found.open(path)
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
        told = page.locator("#limits-lists [role=alert]")
        expect(told).to_contain_text("The rule book in force has changed since this page was opened")
        told.get_by_role("link", name="Load the page anew").press("Enter")
        expect(slot(page, "now-low")).to_have_text("3.5 s")
        expect(page.locator("#limits-lists [role=alert]")).to_have_count(0)


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
