"""The captain's whole story in a browser: opens the list, reads, plays, lays one over, notes, says done, prints."""

from __future__ import annotations

import re
from dataclasses import replace

import polars as pl
import pytest
from conftest import log_in, serving, watching
from gatehouse import NAMES, QUICK, with_accounts
from invented_archive import RULES, FakeArchive
from playwright.sync_api import Page, expect

from dashboard.access import acting, viewer
from dashboard.deployment import Deployment
from dashboard.desk import Desk
from dashboard.door import Door
from dashboard.palette import DARK, LIGHT
from dashboard.store import Store
from fdm.people.acts import Judged
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People

pytestmark = pytest.mark.browser
expect.set_options(timeout=30_000)
VERA = Actor("vera", OFFICER)


@pytest.fixture
def desk_store(archive: FakeArchive, tmp_path):
    desk = Desk(lambda: People(str(tmp_path / "rollouts.people.sqlite")), lambda: VERA)
    store = Store(archive, lambda _run: RULES, desk=desk)
    store.released_here = release_some(store)
    yield store
    desk.close()


def release_some(store: Store) -> list[str]:
    """The two landings with the most events, released; their keys."""
    events = store.held().events
    most = events.group_by("landing_id").len().sort("len", "landing_id", descending=[True, False]).head(2)
    keys = most["landing_id"].to_list()

    def both(people: People, by: Actor) -> None:
        for event in events.filter(pl.col("landing_id").is_in(keys)).iter_rows(named=True):
            people.decide(Judged.of(event), "valid", by=by, seen=None)
            people.release(event["event_id"], by=by)

    assert store.desk is not None
    store.desk.ask(both)
    return keys


@pytest.fixture
def guarded(archive: FakeArchive, tmp_path):
    """A dashboard behind accounts, with two landings released; its address."""
    with People(str(tmp_path / "rollouts.people.sqlite"), hasher=QUICK) as people:
        with_accounts(people)
        store = Store(archive, lambda _run: RULES, desk=Desk(lambda: people, viewer), names=lambda: NAMES)
        with acting(VERA):
            release_some(store)
        with serving(store, Door(lambda: people, lambda: True, Deployment())) as address:
            yield address


def opened(watched, key: str) -> Page:
    page = watched.open(f"/debrief/{key}")
    expect(page.locator("#debrief-traces .main-svg").first).to_be_visible()
    expect(page.locator("#debrief-now")).to_contain_text("kt")
    return page


def now_s(page: Page) -> float:
    said = page.locator("#debrief-now").inner_text()
    return float(re.match(r"(−?[\d.]+) s", said).group(1).replace("−", "-"))


def move(page: Page, seconds: float) -> None:
    """Moves the slider, as a hand does."""
    page.locator("#debrief-time").evaluate(
        "(e, t) => { e.value = t; e.dispatchEvent(new Event('input', { bubbles: true })); }", seconds
    )


def to(page: Page, seconds: float) -> None:
    """Moves the slider to a tenth of a second, and waits until that is told."""
    move(page, seconds)
    expect(page.locator("#debrief-now")).to_contain_text(f"{seconds:.1f} s".replace("-", "−"))


def test_the_captains_whole_story(browser, guarded):
    with watching(browser, guarded) as watched:
        page = watched.page
        log_in(page, guarded, "captain-1")
        expect(page.locator(".tally")).to_have_text("2 landings to debrief, 0 done")
        page.locator(".debriefs a").first.click()
        expect(page.locator("#page h1")).to_have_text(re.compile("Landing [0-9A-Z]{4}"))
        name = page.locator("#page h1").inner_text()
        expect(page.locator(".finding")).not_to_be_empty()
        expect(page.locator("#debrief-traces .main-svg").first).to_be_visible()

        to(page, 0.0)
        page.locator("#debrief-play").focus()
        page.keyboard.press("Space")
        expect(page.locator("#debrief-play")).to_contain_text("Pause")
        expect(page.locator("#debrief-now")).to_have_text(re.compile(r"^[1-9]\d*\.\d s"))
        page.keyboard.press("Space")
        expect(page.locator("#debrief-play")).to_contain_text("Play")
        assert 1.0 <= now_s(page) < 60.0

        page.locator("#debrief-beside-select").select_option("0")
        expect(page.locator(".runway.wide circle.other").first).to_be_visible()
        expect(page.locator(".there")).to_be_visible()

        page.get_by_label("Note", exact=True).fill("Talked about arming the spoilers.")
        page.locator("[data-debrief=note]").click()
        expect(page.locator(".debrief-notes .noted")).to_contain_text("Talked about arming the spoilers.")
        page.locator("[data-debrief=done]").click()
        expect(page.locator("#debrief-notes").get_by_role("status")).to_contain_text("Debriefed")
        page.emulate_media(media="print")
        expect(page.locator(".paper-notes")).to_be_visible()
        for hidden in ("#debrief-schematic", ".player", ".debrief-notes .noted", "[data-debrief]", ".beside-choice"):
            for found in page.locator(hidden).all():
                expect(found).to_be_hidden()
        expect(page.locator("#page")).not_to_contain_text("captain-1", use_inner_text=True)
        page.emulate_media(media="screen")

        page.locator(".crumb a").click()
        expect(page.locator(".tally")).to_have_text("1 landing to debrief, 1 done")
        expect(page.locator(".debriefs tr", has_text=name)).to_contain_text("Done")

    with watching(browser, guarded) as watched:  # and the officer sees it, under the same name
        log_in(watched.page, guarded, "officer-1")
        page = watched.open("/debrief")
        page.locator(".debriefs tr", has_text=name).locator("a").click()
        expect(page.locator("#page h1")).to_have_text(name)
        expect(page.locator(".debrief-notes .noted").first).to_contain_text("Talked about arming the spoilers.")
        expect(page.locator("#debrief-notes").get_by_role("status")).to_contain_text("captain-1")


def test_slider_cursor_and_aeroplane_show_one_time(browser, desk_store):
    key = desk_store.released_here[0]
    instants = desk_store.instants_of(key)
    up = instants.filter(pl.col("step") == "spoilers_extended").item(0, "at_s")
    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, key)
        panel = page.locator(".schematic [data-part=spoiler]").first
        to(page, -2.0)
        assert float(panel.get_attribute("width")) == 0.0
        expect(page.locator(".readouts .at")).to_have_text("at −2.0 s")
        to(page, round(up + 3, 1))
        assert float(panel.get_attribute("width")) == pytest.approx(18.0)
        expect(page.locator(".readouts .at")).to_have_text(f"at {up + 3:.1f} s")
        page.locator(".traces-frame").hover(position={"x": 200, "y": 200})
        expect(page.locator(".readouts .at")).to_have_text(re.compile(f"at {re.escape(page_time(page))} s"))


def page_time(page: Page) -> str:
    return page.locator("#debrief-now").inner_text().split(" s")[0]


def test_arrows_go_from_sample_to_sample_and_digits_to_steps(browser, desk_store):
    key = desk_store.released_here[0]
    nose = desk_store.instants_of(key).filter(pl.col("step") == "nose_gear").item(0, "at_s")
    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, key)
        to(page, 5.0)
        seen = [now_s(page)]
        for _ in range(8):
            page.keyboard.press("ArrowRight")
            seen.append(now_s(page))
        assert seen == sorted(seen)
        assert seen[-1] <= 7.0  # samples lie closer than 0.25 s
        for _ in range(8):
            page.keyboard.press("ArrowLeft")
        assert now_s(page) == 5.0
        page.keyboard.press("2")
        assert now_s(page) == pytest.approx(nose, abs=0.06)
        page.locator(".step-go").first.click()
        assert now_s(page) == 0.0


def test_a_reverser_between_two_samples_is_hatched_and_said(browser, desk_store):
    key = desk_store.released_here[0]
    trace = desk_store.traces_of(key)["reverser_state.1"]
    first_out = next(i for i in range(1, len(trace.values)) if trace.values[i] != trace.values[i - 1])
    between = float(trace.time_s[first_out - 1] + trace.time_s[first_out]) / 2
    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, key)
        sleeve = page.locator('.schematic [data-part=sleeve][data-of="reverser.1"]')
        to(page, round(between, 1))
        expect(page.locator("#debrief-now")).to_contain_text("changing")
        expect(sleeve).to_have_class(re.compile("unknown"))
        to(page, -2.0)
        expect(page.locator("#debrief-now")).to_contain_text("reversers 1, 2 stowed")
        expect(sleeve).not_to_have_class(re.compile("unknown"))


class Lossy(FakeArchive):
    """An archive whose recorder lost the spoilers, engine 2's reverser, and ten seconds of N1 1."""

    def traces(self, landing_id):
        found = super().traces(landing_id)
        n1 = found["n1.1"]
        kept = (n1.time_s < 5) | (n1.time_s > 15)
        found["n1.1"] = replace(n1, time_s=n1.time_s[kept], values=n1.values[kept])
        return {name: one for name, one in found.items() if name not in ("spoiler_panel", "reverser_state.2")}


class Stuck(FakeArchive):
    """An archive whose recorder held the ground speed of every landing from 5 to 12 s, and says so."""

    def landings(self):
        said = ["ground_speed: frozen from 5.0 to 12.0 s after touchdown"]
        return super().landings().with_columns(quality=pl.lit(pl.Series([said])).first())

    def instants(self, landing_id):
        held = pl.col("at_s").is_between(4.0, 13.0)
        return super().instants(landing_id).with_columns(ground_speed_kt=pl.when(~held).then("ground_speed_kt"))


def test_frozen_speed_is_not_known_in_player_and_traces_alike(browser, tmp_path):
    desk = Desk(lambda: People(str(tmp_path / "stuck.people.sqlite")), lambda: VERA)
    store = Store(Stuck(landings=400), lambda _run: RULES, desk=desk)
    key = release_some(store)[0]
    with serving(store) as address, watching(browser, address) as watched:
        page = opened(watched, key)
        readouts = page.locator(".traces-frame .readouts")
        expect(page.locator("#debrief-traces .annotation-text", has_text="not known").first).to_be_visible()
        to(page, 9.0)
        expect(page.locator("#debrief-now")).to_contain_text("speed not known")
        expect(readouts).to_contain_text("not known")
        expect(readouts).not_to_contain_text("kt")
        for known in (2.0, 18.0):
            to(page, known)
            speed = re.search(r"([\d,]+) kt", page.locator("#debrief-now").inner_text()).group(0)
            expect(readouts).to_contain_text(speed)
    desk.close()


def test_spoilers_between_two_samples_are_said_to_be_between_them(browser, desk_store):
    """The step is a best estimate of when they passed the limit: neither 0 nor all is told, nor what lies half-way."""
    key = desk_store.released_here[0]
    trace = desk_store.traces_of(key)["spoiler_panel"]
    k = next(i for i in range(1, len(trace.values)) if abs(trace.values[i] - trace.values[i - 1]) > 0.2)
    low, high = sorted(int(100 * round(float(x), 3) + 0.5) for x in trace.values[k - 1 : k + 1])
    middle = float(trace.time_s[k - 1] + trace.time_s[k]) / 2
    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, key)
        move(page, middle)
        expect(page.locator("#debrief-now")).to_contain_text(re.compile(rf"spoilers between {low} and {high}\s%"))
        expect(page.locator(".traces-frame .readouts")).to_contain_text(re.compile(rf"{low}–\d+\s%"))
        panel = page.locator(".schematic [data-part=spoiler]").first
        expect(panel).to_have_class(re.compile("unknown"))
        move(page, round(float(trace.time_s[k]), 3))
        expect(page.locator("#debrief-now")).not_to_contain_text("between")
        expect(panel).not_to_have_class(re.compile("unknown"))


def test_what_was_not_recorded_is_hatched_and_never_guessed(browser, tmp_path):
    desk = Desk(lambda: People(str(tmp_path / "lossy.people.sqlite")), lambda: VERA)
    store = Store(Lossy(landings=400), lambda _run: RULES, desk=desk)
    key = release_some(store)[0]
    with serving(store) as address, watching(browser, address) as watched:
        page = opened(watched, key)
        to(page, 10.0)
        expect(page.locator("#debrief-now")).to_contain_text("spoilers not recorded")
        expect(page.locator('.schematic [data-of="reverser.2"]')).to_have_count(0)
        expect(page.locator(".schematic .sleeve.unknown")).to_have_count(1)
        expect(page.locator(".schematic .slot.unknown")).to_have_count(4)  # no lever of either engine was recorded
        for panel in page.locator(".schematic [data-part=spoiler]").all():
            expect(panel).to_have_class(re.compile("unknown"))
        power = page.locator(".schematic [data-part=power]")
        expect(power.nth(0)).to_have_text("–")
        expect(power.nth(1)).to_have_text(re.compile(r"^\d+$"))
        to(page, 20.0)
        expect(power.nth(0)).to_have_text(re.compile(r"^\d+$"))
    desk.close()


def test_where_motion_is_not_wanted_time_goes_in_whole_seconds(browser, desk_store):
    with serving(desk_store) as address, watching(browser, address) as watched:
        watched.page.emulate_media(reduced_motion="reduce")
        page = opened(watched, desk_store.released_here[0])
        to(page, 0.0)
        page.locator("input[name=pace][value='5']").check(force=True)
        page.locator("#debrief-play").click()
        expect(page.locator("#debrief-now")).to_have_text(re.compile(r"^[1-9]\d*\.0 s"))
        page.locator("#debrief-play").click()
        assert now_s(page) % 1 == 0


def test_the_traces_read_what_the_player_reads(browser, desk_store):
    """Between two samples of speed, a second apart, both read the straight line: 15.2 s is no sample of any."""
    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, desk_store.released_here[0])
        to(page, 15.2)
        speed = re.search(r"([\d,]+) kt", page.locator("#debrief-now").inner_text()).group(0)
        readouts = page.locator(".traces-frame .readouts span").all_inner_texts()
        assert speed in readouts


def test_a_note_that_is_being_written_outlives_another_page(browser, desk_store):
    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, desk_store.released_here[0])
        page.get_by_role("textbox", name="Note").fill("Idle reverse was held to the exit")
        page.get_by_role("link", name="All debriefs").click()
        expect(page.locator(".tally")).to_be_visible()
        page.go_back()
        expect(page.get_by_role("textbox", name="Note")).to_have_value("Idle reverse was held to the exit")
        page.reload()
        expect(page.get_by_role("textbox", name="Note")).to_have_value("Idle reverse was held to the exit")
        page.get_by_role("button", name="Save note").click()
        expect(page.locator(".debrief-notes .noted")).to_contain_text("Idle reverse was held to the exit")
        expect(page.get_by_role("textbox", name="Note")).to_have_value("")
        expect(page.get_by_role("button", name="Save note")).to_be_focused()
        expect(page.locator(".paper-notes")).to_contain_text("Idle reverse was held to the exit")
        page.get_by_role("link", name="All debriefs").click()
        expect(page.locator(".tally")).to_be_visible()
        page.go_back()
        expect(page.locator(".debrief-notes .noted")).to_be_visible()
        expect(page.get_by_role("textbox", name="Note")).to_have_value("")


def test_space_plays_also_from_the_pace(browser, desk_store):
    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, desk_store.released_here[0])
        page.locator('.player input[value="5"]').check()
        page.keyboard.press("Space")
        expect(page.locator("#debrief-play")).to_contain_text("Pause")
        page.keyboard.press("Space")
        expect(page.locator("#debrief-play")).to_contain_text("Play")


def test_an_empty_note_is_refused_in_words(browser, desk_store):
    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, desk_store.released_here[0])
        page.locator("[data-debrief=note]").click()
        expect(page.locator("#debrief-notes").get_by_role("alert")).to_contain_text("note is empty")


@pytest.mark.parametrize(("width", "theme"), [(1280, "light"), (1440, "dark"), (1920, "light")])
def test_nothing_sticks_out_and_colours_follow_the_theme(browser, desk_store, width, theme):
    with serving(desk_store) as address, watching(browser, address, width=width, theme=theme) as watched:
        page = opened(watched, desk_store.released_here[0])
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        ink = (LIGHT if theme == "light" else DARK)["ink"]
        rgb = tuple(int(ink[i : i + 2], 16) for i in (1, 3, 5))
        colour = page.locator(".schematic text.engine").first.evaluate("e => getComputedStyle(e).fill")
        assert colour == f"rgb{rgb}"


def test_paper_is_three_pages_at_most_with_where_it_stands_and_what_is_laid_over(browser, desk_store, tmp_path):
    key = desk_store.released_here[1]
    speed = desk_store.alike_without_events(key)[0]["touchdown_ground_speed_kt"]
    with serving(desk_store) as address, watching(browser, address, width=680) as watched:
        page = opened(watched, key)
        page.locator("#debrief-beside-select").select_option("0")
        expect(page.locator("#debrief-runway")).to_contain_text("hollow numbers")
        page.emulate_media(media="print")
        for kept in page.locator("#debrief-standing .standing-row").all():
            expect(kept).to_be_visible()
            box = kept.bounding_box()
            assert box["x"] >= 0
            assert box["x"] + box["width"] <= 680
        expect(page.locator("#debrief-standing .standing-row").first).to_be_visible()
        expect(page.locator("#debrief-beside-said p")).to_be_visible()
        expect(page.locator("#debrief-beside-said p")).to_contain_text(f"{speed:.0f} kt at touchdown")
        expect(page.locator(".runway.narrow")).to_contain_text(f"{speed:.0f} kt at touchdown")
        page.pdf(path=tmp_path / "sheet.pdf", prefer_css_page_size=True)
    pages = re.findall(rb"/Type\s*/Page\b", (tmp_path / "sheet.pdf").read_bytes())
    assert len(pages) in (2, 3)


def test_a_note_that_the_server_could_not_keep_is_said_and_kept(browser, desk_store):
    def fails(route):
        asked = (route.request.post_data_json or {}).get("output", "")
        if asked.startswith("debrief-notes"):
            route.fulfill(status=500, body="")
        else:
            route.continue_()

    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, desk_store.released_here[0])
        page.route("**/_dash-update-component*", fails)
        page.get_by_role("textbox", name="Note").fill("Idle reverse")
        page.get_by_role("button", name="Save note").click()
        expect(page.locator("#alert")).to_contain_text("Not saved. What you wrote is kept.")
        page.unroute("**/_dash-update-component*")
        expect(page.get_by_role("textbox", name="Note")).to_have_value("Idle reverse")
        page.get_by_role("button", name="Save note").click()
        expect(page.locator(".debrief-notes .noted")).to_contain_text("Idle reverse")
        expect(page.locator("#alert")).to_have_text("")
        watched.said.clear()  # the browser's own words for a request that failed


def test_a_note_that_went_with_opening_again_is_no_draft(browser, desk_store):
    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, desk_store.released_here[0])
        page.get_by_role("button", name="Debriefed").click()
        expect(page.locator("#debrief-notes").get_by_role("status")).to_contain_text("Debriefed")
        page.get_by_role("textbox", name="Note").fill("needs a second talk")
        page.get_by_role("button", name="Open again").click()
        expect(page.locator(".debrief-notes .noted").last).to_contain_text("needs a second talk")
        page.get_by_role("link", name="All debriefs").click()
        expect(page.locator(".tally")).to_be_visible()
        page.go_back()
        expect(page.locator(".debrief-notes .noted").last).to_be_visible()
        expect(page.get_by_role("textbox", name="Note")).to_have_value("")


def take_back(store: Store, key: str) -> None:
    for event_id in store.events_of(key)["event_id"]:
        store.desk.undo(store.desk.past(event_id).acts[-1].entry_id, "")


def test_saving_after_the_release_was_taken_back_says_so_and_keeps_what_was_written(browser, desk_store):
    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, desk_store.released_here[0])
        page.get_by_role("textbox", name="Note").fill("Idle reverse was held")
        take_back(desk_store, desk_store.released_here[0])
        page.locator("#debrief-beside-select").select_option("0")
        expect(page.locator("#debrief-beside-said").get_by_role("alert")).to_contain_text("not released to debriefing")
        expect(page.locator("#debrief-traces .main-svg").first).to_be_visible()
        for name in ("Debriefed", "Save note"):
            page.get_by_role("button", name=name).click()
            said = page.locator("#debrief-notes").get_by_role("alert")
            expect(said).to_have_text(
                "Not saved: this landing is not released to debriefing now. Ask the safety officer."
            )
            expect(page.get_by_role("textbox", name="Note")).to_have_value("Idle reverse was held")


def test_the_landing_laid_over_stands_in_the_address(browser, desk_store):
    key = desk_store.released_here[0]
    with serving(desk_store) as address, watching(browser, address) as watched:
        page = opened(watched, key)
        chosen, hollow = page.locator("#debrief-beside-select"), page.locator(".runway.wide circle.other").first
        chosen.select_option("1")
        expect(hollow).to_be_visible()
        assert page.url == f"{address}/debrief/{key}?beside=1"
        page.reload()
        expect(hollow).to_be_visible()
        expect(chosen).to_have_value("1")
        chosen.select_option("")
        expect(hollow).to_be_hidden()
        page.go_back()
        expect(hollow).to_be_visible()
        expect(chosen).to_have_value("1")
        page.get_by_role("link", name="All debriefs").click()
        expect(page.locator(".tally")).to_be_visible()
        page.go_back()
        expect(hollow).to_be_visible()


def test_traces_that_do_not_fit_beside_the_steps_are_said_to_be_below(browser, desk_store):
    with serving(desk_store) as address, watching(browser, address, width=1280, height=800) as watched:
        page = opened(watched, desk_store.released_here[0])
        down, last = page.get_by_role("button", name="More traces below"), page.locator("#debrief-traces .xtick").last
        page.locator(".debrief-columns").evaluate("e => e.scrollIntoView()")
        expect(down).to_be_in_viewport()
        expect(last).not_to_be_in_viewport()
        down.click()
        expect(last).to_be_in_viewport()
        expect(down).to_be_hidden()
        page.emulate_media(media="print")
        expect(down).to_be_hidden()
