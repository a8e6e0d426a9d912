"""What an officer has written about an event is there until it is saved: elsewhere and back, and over a login."""

from __future__ import annotations

import pytest
from conftest import log_in, opened, serving, watching
from gatehouse import PASSWORD, QUICK, with_accounts
from invented_archive import RULES
from playwright.sync_api import expect
from slow_server import PARTS, Slow

from dashboard.deployment import Deployment
from dashboard.desk import Desk
from dashboard.door import Door
from dashboard.store import Store
from fdm.people.acts import Judged
from fdm.people.roles import ADMINISTRATOR, OFFICER, Actor
from fdm.people.store import People

pytestmark = pytest.mark.browser
expect.set_options(timeout=30_000)

CHOSEN = "a.row[aria-current=true]"


def write(page, reason, note):
    page.locator("#decision").get_by_label("Reason in words").fill(reason)
    page.locator("#decision").get_by_label("Note", exact=True).fill(note)


def expect_written(page, reason, note):
    expect(page.locator("#decision").get_by_label("Reason in words")).to_have_value(reason)
    expect(page.locator("#decision").get_by_label("Note", exact=True)).to_have_value(note)


def shown(page, event):
    expect(page.locator(f'#decision form.deciding[data-event="{event}"]')).to_be_attached()


def test_what_is_written_is_there_when_one_comes_back(at_desk):
    page = opened(at_desk)
    rows = page.locator("a.row[data-event]")
    first, second = (rows.nth(i).get_attribute("data-event") for i in (0, 1))
    write(page, "Sensor", "Seen twice")
    rows.nth(1).click()
    shown(page, second)
    expect_written(page, "", "")
    page.keyboard.press("k")
    shown(page, first)
    expect_written(page, "Sensor", "Seen twice")
    page.locator("#decision [data-decide=false]").click()
    expect(page.locator("#decision .decided")).to_contain_text("Seen twice")
    rows.nth(1).click()
    shown(page, second)
    rows.nth(0).click()
    shown(page, first)
    page.locator("#decision").get_by_text("Decide again").click()
    expect_written(page, "", "")


def test_what_is_written_outlives_a_page_that_is_loaded_anew_but_not_logging_out(behind_login):
    page = behind_login.page
    log_in(page, behind_login.address, "officer-1")
    opened(behind_login)
    first = page.locator(CHOSEN).get_attribute("data-event")
    write(page, "Sensor", "Seen twice")
    page.get_by_role("link", name="Log", exact=True).click()
    page.get_by_role("heading", name="Log").wait_for()
    page.go_back()
    shown(page, first)
    expect_written(page, "Sensor", "Seen twice")
    page.reload()
    shown(page, first)
    expect_written(page, "Sensor", "Seen twice")
    page.get_by_role("link", name="Log", exact=True).click()
    page.get_by_role("heading", name="Log").wait_for()
    page.get_by_role("button", name="Log out").click()
    page.locator("input[name=password]").wait_for()
    assert page.evaluate("sessionStorage.getItem('drafts')") is None


def test_enter_in_the_note_gives_it_to_the_person_named_beside_it(at_desk, kept):
    page = opened(at_desk)
    event = page.locator(CHOSEN).get_attribute("data-event")
    page.locator(CHOSEN).focus()
    page.keyboard.press("p")
    page.get_by_label("Person").fill("Bo")
    page.get_by_label("Note that goes with it").fill("Please look")
    page.get_by_label("Day until which it is set aside").fill("2099-01-05")
    page.get_by_label("Note that goes with it").press("Enter")
    expect(page.locator("#decision .which")).to_have_text("A name and a day are given. Choose Give or Set aside.")
    page.get_by_label("Day until which it is set aside").fill("")
    page.get_by_label("Note that goes with it").press("Enter")
    expect(page.locator("#decision .passed-on")).to_contain_text("Given to Bo vera,")
    expect(page.locator("#decision .passed-on")).to_contain_text("Please look")
    with People(kept) as people:
        assert [act.topic for act in people.history(event)] == ["assignment"]


@pytest.fixture
def people(tmp_path):
    with People(str(tmp_path / "people.sqlite"), hasher=QUICK) as found:
        yield with_accounts(found)


@pytest.fixture
def behind_login(browser, archive, people):
    store = Store(archive, lambda _run: RULES, desk=Desk(lambda: people))
    with (
        serving(store, Door(lambda: people, lambda: True, Deployment())) as address,
        watching(browser, address) as found,
    ):
        yield found


@pytest.mark.parametrize(("who", "words"), [("officer-1", ("Sensor", "Seen twice")), ("officer-2", ("", ""))])
def test_what_is_written_outlives_a_session_that_ended_for_who_wrote_it(behind_login, people, who, words):
    root = Actor("root", ADMINISTRATOR)
    people.accounts.add("officer-2", OFFICER, PASSWORD, by=root)
    page = behind_login.page
    log_in(page, behind_login.address, "officer-1")
    opened(behind_login)
    event = page.locator(CHOSEN).get_attribute("data-event")
    write(page, "Sensor", "Seen twice")
    people.accounts.end_sessions("officer-1", by=root)
    page.locator("#decision [data-decide=false]").click()
    page.locator("input[name=name]").fill(who)
    page.locator("input[name=password]").fill(PASSWORD)
    page.locator("input[name=password]").press("Enter")
    shown(page, event)
    expect_written(page, *words)
    assert page.evaluate("sessionStorage.getItem('drafts')") is None
    if who == "officer-1":
        expect(page.locator("#alert")).to_contain_text("Not saved. What you wrote is kept. Do it again for")
        title = page.locator("#evidence h1").inner_text()
        expect(page.locator("#alert").get_by_role("link")).to_contain_text(title)
        page.locator("#decision [data-decide=false]").click()
        expect(page.locator("#decision .decided")).to_contain_text("Seen twice")
    expect(page.locator("#alert")).to_be_empty()
    assert page.evaluate("sessionStorage.getItem('not-saved')") is None
    assert all("401" in line for line in behind_login.said)  # the browser's own word for it
    behind_login.said.clear()


@pytest.mark.parametrize(
    ("press", "named"), [("Save note", "the note on a debrief"), ("Debriefed", "a debrief that was done")]
)
def test_what_a_captain_wrote_after_the_session_ended_is_named_after_the_login(
    behind_login, people, held, press, named
):
    event, vera = held.events.row(0, named=True), Actor("officer-1", OFFICER)
    people.decide(Judged.of(event), "valid", by=vera, seen=None)
    people.release(event["event_id"], by=vera)
    page, alert = behind_login.page, behind_login.page.locator("#alert")
    log_in(page, behind_login.address, "captain-1")
    page.goto(behind_login.address + "/debrief")
    page.locator(".debriefs a").click()
    expect(page.locator("#debrief-traces .main-svg").first).to_be_visible()  # whose parts need the session too
    page.get_by_role("textbox", name="Note").fill("Late reverse")
    people.accounts.end_sessions("captain-1", by=Actor("root", ADMINISTRATOR))
    page.get_by_role("button", name=press, exact=True).click()
    page.locator("input[name=name]").fill("captain-1")
    page.locator("input[name=password]").fill(PASSWORD)
    page.locator("input[name=password]").press("Enter")
    expect(alert).to_contain_text(f"Not saved. What you wrote is kept. Do it again for {named}.")
    expect(page.get_by_role("textbox", name="Note")).to_have_value("Late reverse")
    page.get_by_role("button", name=press, exact=True).click()
    expect(page.locator("#debrief-notes .noted").first).to_contain_text("Late reverse")
    expect(alert).to_be_empty()
    page.reload()
    expect(page.locator("#debrief-notes .noted").first).to_contain_text("Late reverse")
    expect(alert).to_be_empty()
    assert all("401" in line for line in behind_login.said)  # the browser's own word for it
    behind_login.said.clear()


def test_a_key_pressed_after_the_session_ended_is_told_after_the_login(behind_login, people):
    page = behind_login.page
    log_in(page, behind_login.address, "officer-1")
    opened(behind_login)
    event = page.locator(CHOSEN).get_attribute("data-event")
    page.locator(CHOSEN).focus()
    page.context.clear_cookies()
    page.keyboard.press("v")
    page.locator("input[name=name]").wait_for()
    log_in(page, behind_login.address, "officer-1", "a.row[data-event]")
    expect(page.locator("#alert")).to_contain_text("Not saved.")
    page.locator("#alert").get_by_role("link").click()
    shown(page, event)
    page.keyboard.press("v")
    expect(page.locator("#decision .decided")).to_contain_text("officer-1")
    expect(page.locator("#alert")).to_be_empty()
    behind_login.said = [line for line in behind_login.said if "401" not in line and "403" not in line]


def test_a_decision_on_its_way_is_told_when_a_read_beside_it_finds_the_session_ended(behind_login, people):
    page = behind_login.page
    log_in(page, behind_login.address, "officer-1")
    opened(behind_login)
    event = page.locator(CHOSEN).get_attribute("data-event")
    title = page.locator("#evidence h1").inner_text()
    page.locator(CHOSEN).focus()
    people.accounts.end_sessions("officer-1", by=Actor("root", ADMINISTRATOR))
    Slow(page, "decided.data")
    with page.expect_request(lambda request: '"output":"decided.data' in (request.post_data or "")):
        page.keyboard.press("v")
    page.locator("input[name=name]").wait_for()
    page.unroute(PARTS)
    log_in(page, behind_login.address, "officer-1", "a.row[data-event]")
    expect(page.locator("#alert")).to_contain_text("Do it again for")
    page.locator("#alert").get_by_role("link").click()
    shown(page, event)
    expect(page.locator("#evidence h1")).to_have_text(title)
    assert people.history(event) == []
    behind_login.said = [line for line in behind_login.said if "401" not in line]


def test_a_page_of_somebody_else_decides_nothing(behind_login, people):
    """One writes a note; in another tab somebody else logs in; the key in the first tab is nobody's decision."""
    people.accounts.add("otto", OFFICER, PASSWORD, by=Actor("root", ADMINISTRATOR))
    page = behind_login.page
    log_in(page, behind_login.address, "officer-1")
    opened(behind_login)
    event = page.locator(CHOSEN).get_attribute("data-event")
    write(page, "", "Mine alone")
    other = page.context.new_page()
    other.goto(behind_login.address + "/account")
    other.get_by_role("button", name="Log out").click()
    log_in(other, behind_login.address, "otto")
    page.locator(CHOSEN).focus()
    page.keyboard.press("v")
    alert = page.locator("#alert")
    expect(alert).to_contain_text("Not saved. You are logged in as otto now. Load the page anew.")
    assert people.history(event) == []
    alert.get_by_role("button", name="Load anew").click()
    expect(page.locator(".head .who")).to_contain_text("otto")
    shown(page, event)
    expect_written(page, "", "")
    expect(alert).to_be_empty()
    page.locator(CHOSEN).focus()
    page.keyboard.press("v")
    expect(page.locator("#decision .decided")).to_contain_text("otto")
    assert [act.by for act in people.history(event)] == ["otto"]
    other.close()
    assert all("409" in line for line in behind_login.said)  # the browser's own word for it
    behind_login.said.clear()


def test_what_is_written_for_many_is_there_after_one_of_them_was_decided(at_desk):
    page = opened(at_desk)
    n = page.locator("a.row[data-event]").count()
    bulk = page.locator("#bulk")
    bulk.locator("summary").click()
    bulk.get_by_label("Reason in words").fill("Known")
    bulk.get_by_label("Note", exact=True).fill("Seen twice")
    page.locator(CHOSEN).focus()
    page.keyboard.press("v")
    expect(bulk.locator("summary")).to_have_text(f"Decide all {n - 1} alike")
    expect(bulk.get_by_label("Note", exact=True)).to_have_value("Seen twice")
    expect(bulk.get_by_label("Note", exact=True)).to_be_visible()
    page.locator("#queue-tools").get_by_text("Low", exact=True).click()  # another list
    expect(bulk.locator("summary")).not_to_have_text(f"Decide all {n - 1} alike")
    expect(bulk.get_by_label("Note", exact=True)).to_have_value("")
    page.go_back()
    expect(bulk.locator("summary")).to_have_text(f"Decide all {n - 1} alike")
    expect(bulk.get_by_label("Note", exact=True)).to_have_value("Seen twice")
    bulk.locator("[data-decide=nuisance]").click()
    expect(bulk.get_by_role("status")).to_have_text(f"{n - 1} events decided Nuisance. Undo")
    bulk.locator("[data-undo]").click()
    expect(bulk.locator("summary")).to_have_text(f"Decide all {n - 1} alike")
    expect(bulk.get_by_label("Note", exact=True)).to_have_value("")
