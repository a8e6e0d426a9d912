"""An officer's keys over a slow way to the server, and without one: the event that was selected, or nothing."""

from __future__ import annotations

import re

import pytest
from conftest import in_a_month, opened, serving, watching
from playwright.sync_api import expect
from slow_server import LOST, PARTS, Slow, bring_back, take_away

from dashboard.pages import decision
from fdm.people.acts import Judged
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People

pytestmark = pytest.mark.browser
expect.set_options(timeout=20_000)

CHOSEN = "a.row[aria-current=true]"
ASK = """() => fetch("/_dash-update-component", {method: "POST", body: '{"output":"a-move.data"}'}).catch(() => null)"""


def events(page, n):
    """The events of the first lines, as they stand in the list."""
    rows = page.locator("a.row[data-event]")
    return [rows.nth(i).get_attribute("data-event") for i in range(n)]


def verdict(page, event):
    return page.locator(f'a.row[data-event="{event}"] .verdict', has_text=re.compile("Valid|Nuisance|False"))


def test_a_key_waits_for_the_event_that_was_selected(at_desk):
    page = opened(at_desk)
    first, second = events(page, 2)
    page.locator(CHOSEN).focus()
    slow = Slow(page, "decision.markup")
    page.keyboard.press("j")
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", second)
    page.keyboard.press("v")
    expect(page.locator("#reading")).to_have_attribute("aria-busy", "true")
    slow.let_go()
    expect(verdict(page, second)).to_have_text("Valid")
    expect(verdict(page, first)).to_have_count(0)
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", second)
    expect(page.locator("#reading")).not_to_have_attribute("aria-busy", "true")


def test_a_click_on_what_another_event_left_behind_decides_nothing(at_desk, kept):
    page = opened(at_desk)
    page.locator(CHOSEN).focus()
    slow = Slow(page, "decision.markup")
    page.keyboard.press("j")
    page.locator("#decision [data-decide=valid]").click()
    slow.let_go()
    second = page.locator(CHOSEN).get_attribute("data-event")
    expect(page.locator(f'#decision [data-about="{second}"]')).to_be_attached()
    page.keyboard.press("n")  # asks for a reason: nothing was under way
    expect(page.locator("#decision .hint").first).to_contain_text("needs a reason")
    with People(kept) as people:
        assert people.audit.entries().is_empty()


def test_keys_pressed_at_once_are_all_done_each_on_its_event(at_desk, kept):
    page = opened(at_desk)
    order = events(page, 6)
    page.locator(CHOSEN).focus()
    slow = Slow(page, "decided.data")
    for _ in range(5):
        page.keyboard.press("v")
        page.keyboard.press("s")
    slow.let_go()
    for event in order[:5]:
        expect(verdict(page, event)).to_have_text("Valid")
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", order[5])
    expect(verdict(page, order[5])).to_have_count(0)
    with People(kept) as people:
        assert people.audit.entries().height == 5


def test_a_decision_is_taken_back_by_a_key_pressed_before_it_was_answered(at_desk, kept):
    page = opened(at_desk)
    first = page.locator(CHOSEN).get_attribute("data-event")
    page.locator(CHOSEN).focus()
    slow = Slow(page, "decided.data")
    page.keyboard.press("v")
    page.keyboard.press("u")
    slow.let_go()
    expect(page.locator("#decision .problem")).to_have_text("Taken back for 1 event.")
    expect(verdict(page, first)).to_have_count(0)
    with People(kept) as people:
        assert sorted(people.audit.entries()["act"]) == ["decision", "undo"]


def test_going_on_with_the_pointer_says_what_was_not_decided(at_desk, kept):
    page = opened(at_desk)
    _, second, third = events(page, 3)
    page.locator(CHOSEN).focus()
    slow = Slow(page, "decision.markup")
    page.keyboard.press("j")
    page.keyboard.press("v")
    page.locator(f'a.row[data-event="{third}"]').click()
    slow.let_go()
    expect(page.locator("#alert")).to_contain_text("Not saved.")
    page.locator("#alert a").click()
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", second)
    page.keyboard.press("v")
    expect(verdict(page, second)).to_have_text("Valid")
    expect(page.locator("#alert")).to_be_empty()
    with People(kept) as people:
        assert people.audit.entries().height == 1


def test_a_server_that_is_away_is_told_and_nothing_is_lost(at_desk, kept):
    page = opened(at_desk)
    first, second = events(page, 2)
    page.locator("#decision").get_by_label("Reason in words").fill("Sensor")
    page.locator("#decision").get_by_label("Note", exact=True).fill("Seen twice")
    take_away(page)
    page.locator("#decision [data-decide=false]").click()
    expect(page.locator("#alert")).to_contain_text("Not saved: the server does not answer.")
    expect(page.locator("#decision [data-decide][aria-pressed=true]")).to_have_count(0)
    page.locator(CHOSEN).focus()
    page.keyboard.press("j")
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", second)
    page.keyboard.press("v")  # of what is not shown: is not done later, when nobody expects it
    expect(page.locator("#alert a")).to_have_count(2)
    bring_back(page)
    expect(page.locator(f'#decision form.deciding[data-event="{second}"]')).to_be_visible()
    expect(page.locator("#alert")).not_to_contain_text("does not answer")
    page.keyboard.press("k")
    expect(page.locator(f'#decision form.deciding[data-event="{first}"]')).to_be_visible()
    expect(page.locator("#decision").get_by_label("Reason in words")).to_have_value("Sensor")
    expect(page.locator("#decision").get_by_label("Note", exact=True)).to_have_value("Seen twice")
    page.locator("#decision [data-decide=false]").click()
    expect(verdict(page, first)).to_have_text("False")
    expect(page.locator("#alert a")).to_have_count(1)
    page.locator("#alert a").click()
    expect(page.locator(f'#decision form.deciding[data-event="{second}"]')).to_be_visible()
    page.keyboard.press("v")
    expect(verdict(page, second)).to_have_text("Valid")
    expect(page.locator("#alert")).to_be_empty()
    with People(kept) as people:
        assert people.audit.entries().height == 2
    assert set(at_desk.said) <= {LOST}
    at_desk.said.clear()


def test_a_filter_chosen_while_the_server_is_away_is_shown_when_it_is_back(at_desk):
    page = opened(at_desk)
    take_away(page)
    page.locator(".choice").get_by_text("High").click()
    expect(page.locator("#alert")).to_contain_text("The server does not answer.")
    bring_back(page)
    expect(page.locator("#alert")).to_be_empty()
    expect(page.locator(".group")).to_have_count(1)
    assert set(at_desk.said) <= {LOST}
    at_desk.said.clear()


def test_the_same_refusal_twice_leaves_every_control_at_work(at_desk):
    page = opened(at_desk)
    first = page.locator(CHOSEN).get_attribute("data-event")
    page.locator(CHOSEN).focus()
    page.keyboard.press("p")
    comment = page.get_by_role("button", name="Comment")
    for _ in range(2):
        comment.click()
        expect(page.locator("#decision").get_by_role("alert")).to_contain_text("comment is missing")
    day = in_a_month()
    page.get_by_label("Day until which it is set aside").fill(f"{day:%Y-%m-%d}")
    page.get_by_role("button", name="Set aside").click()
    expect(page.locator("#decision .passed-on")).to_contain_text(f"Set aside until {day:%a %-d %b %Y}")
    page.locator("#decision [data-decide=valid]").click()
    expect(verdict(page, first)).to_have_text("Valid")


def test_the_place_in_the_list_is_kept_when_a_line_leaves_it(at_desk):
    page = opened(at_desk, "/?lines=single&decided=no")
    order = events(page, 8)
    n = page.locator("a.row[data-event]").count()
    page.locator(f'a.row[data-event="{order[5]}"]').click()
    expect(page.locator(f'#decision form.deciding[data-event="{order[5]}"]')).to_be_visible()
    expect(page.locator("#evidence-head")).to_contain_text(f"line 6 of {n}")
    page.keyboard.press("v")
    expect(page.locator(f'a.row[data-event="{order[5]}"]')).to_have_count(0)
    expect(page.locator("#evidence-head")).to_contain_text("not in this list")
    page.keyboard.press("j")
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", order[6])
    expect(page.locator("#evidence-head")).to_contain_text(f"line 6 of {n - 1}")
    page.keyboard.press("v")
    expect(page.locator(f'a.row[data-event="{order[6]}"]')).to_have_count(0)
    page.keyboard.press("k")
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", order[4])


def test_keys_go_on_after_a_filter_was_chosen_with_the_pointer(at_desk):
    page = opened(at_desk)
    page.locator(".choice").get_by_text("Low").click()
    expect(page.locator(".group")).to_have_count(1)
    _, second, third = events(page, 3)
    page.keyboard.press("j")
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", second)
    decisions = page.get_by_label("Decisions")
    decisions.click()
    decisions.select_option("no")
    expect(page.locator(CHOSEN)).to_be_focused()
    page.keyboard.press("j")
    expect(page.locator(CHOSEN)).not_to_have_attribute("data-event", third)  # the list begins anew
    expect(page.locator(CHOSEN)).to_have_attribute("data-event", second)


def test_who_chooses_with_the_keyboard_stays_in_the_field_and_escape_leaves_it(at_desk):
    page = opened(at_desk)
    decisions = page.get_by_label("Decisions")
    decisions.focus()
    page.keyboard.press("ArrowDown")
    expect(decisions).to_have_value("no")
    expect(decisions).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.locator(CHOSEN)).to_be_focused()


@pytest.mark.parametrize("width", [1280, 1920])
def test_all_that_was_done_about_an_event_is_seen_in_its_line(browser, officer, kept, width):
    event = officer.held().events.filter(officer.held().events["week"] == officer.held().weeks[-1]).row(0, named=True)
    by = Actor("vera", OFFICER)
    with People(kept) as people:
        people.decide(Judged.of(event), "valid", by=by, seen=None)
        people.assign(event["event_id"], "nobody known so far", by=by)
        people.refer(event["event_id"], "maintenance", by=by)
        people.release(event["event_id"], by=by)
    with serving(officer) as address, watching(browser, address, width=width) as watched:
        page = watched.open("/?lines=single")
        row = page.locator(f'a.row[data-event="{event["event_id"]}"]')
        expect(row.locator(".title .verdict").last).to_have_text("released")
        outside = row.locator(".title").evaluate(
            """title => {
              const box = title.getBoundingClientRect();
              const marks = [...title.children].map(e => e.getBoundingClientRect());
              return marks.filter(mark => mark.right > box.right + 1 || mark.bottom > box.bottom + 1).length;
            }"""
        )
        assert outside == 0


@pytest.mark.parametrize("width", [800, 1090])
def test_the_switch_of_the_letter_keys_is_there_in_a_narrow_window(browser, officer, width):
    with serving(officer) as address, watching(browser, address, width=width) as watched:
        page = watched.open("/")
        expect(page.get_by_label("Single-letter keys")).to_be_visible()
        assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_undoing_what_was_decided_together_says_how_many(at_desk):
    page = opened(at_desk)
    n = page.locator("a.row[data-event]").count()
    page.locator("#bulk summary").click()
    page.locator("#bulk").get_by_label("Reason in words").fill("Known")
    page.locator("#bulk [data-decide=nuisance]").click()
    expect(page.locator("#decision [data-undo]")).to_have_text(f"Undo all {n} U")
    page.locator(CHOSEN).focus()
    page.keyboard.press("u")
    expect(page.locator("#decision .problem")).to_have_text(f"Taken back for {n} events.")
    expect(page.locator("#decision .problem")).to_be_visible()


def test_repeats_are_listed_alone_to_be_decided_alike(at_desk, held):
    page = at_desk.open("/?lines=place")
    row = page.locator("a.row[data-event]", has=page.locator(".times")).first
    event = held.events.filter(event_id=row.get_attribute("data-event")).row(0, named=True)
    n = held.events.filter(rule=event["rule"], place=event["place"], week=event["week"]).height
    row.click()
    page.locator("#evidence").get_by_role("link", name="List them to decide alike").click()
    expect(page.locator("a.row[data-event]")).to_have_count(n)
    expect(page.locator("#bulk summary")).to_have_text(f"Decide all {n} alike")


def test_what_was_not_saved_is_told_until_it_is_read(at_desk):
    page = opened(at_desk)
    take_away(page)
    page.locator(CHOSEN).focus()
    page.keyboard.press("v")
    expect(page.locator("#alert")).to_contain_text("Not saved: the server does not answer.")
    bring_back(page)
    page.keyboard.press("j")
    expect(page.locator("#alert")).to_contain_text("Not saved. What you wrote is kept. Do it again for")
    page.locator("#alert").get_by_role("button", name="Close").click()
    expect(page.locator("#alert")).to_be_empty()
    at_desk.said.clear()  # the browser's own words for a request that failed


def test_a_proxy_that_answers_for_an_absent_server_is_no_answer(at_desk):
    page = opened(at_desk)
    first, second = events(page, 2)
    page.route(PARTS, lambda route: route.fulfill(status=502))
    page.locator(CHOSEN).focus()
    page.keyboard.press("v")
    expect(page.locator("#alert")).to_contain_text("Not saved: the server does not answer.")
    page.keyboard.press("j")
    bring_back(page)
    expect(page.locator(f'#decision form.deciding[data-event="{second}"]')).to_be_visible()
    expect(page.locator("#alert")).not_to_contain_text("does not answer")
    expect(verdict(page, first)).to_have_count(0)
    assert all("502" in line for line in at_desk.said)
    at_desk.said.clear()


def test_an_error_on_the_server_leaves_every_control_at_work(at_desk, monkeypatch):
    page = opened(at_desk)
    first = page.locator(CHOSEN).get_attribute("data-event")
    page.locator(CHOSEN).focus()
    with monkeypatch.context() as broken:
        broken.setattr(decision, "done", lambda _store, _ask: 1 / 0)
        page.keyboard.press("v")
        expect(page.locator("#alert")).to_contain_text(re.compile("Not saved|did not load"))
        expect(page.locator("#decision [data-decide][aria-pressed=true]")).to_have_count(0)
    page.keyboard.press("v")
    expect(verdict(page, first)).to_have_text("Valid")


def test_a_list_of_landings_comes_when_the_server_is_back(at_desk):
    page = at_desk.open("/landings")
    rows = page.locator("#landings-list a[href*='/landing/']")
    expect(rows.first).to_be_visible()
    take_away(page)
    page.locator("[data-query][type=search]").fill("nothing such")
    expect(page.locator("#alert")).to_contain_text("The server does not answer.")
    bring_back(page)
    expect(rows).to_have_count(0)
    expect(page.locator("#alert")).to_be_empty()
    at_desk.said.clear()  # the browser's own words for a request that failed


def test_what_is_not_asked_again_by_itself_is_offered_to_be(at_desk):
    page = at_desk.open("/landings")
    expect(page.locator("#landings-list a[href*='/landing/']").first).to_be_visible()
    take_away(page)
    page.evaluate(ASK)
    expect(page.locator("#alert")).to_have_text("The server does not answer. Try again")
    bring_back(page)
    page.locator("#alert").get_by_role("button", name="Try again").click()
    expect(page.locator("#alert")).to_be_empty()
    at_desk.said.clear()
