"""`python -m tests.bench.browser [--rounds 5] [--events 100000] [--folder DIR]`: what somebody at a desk waits for.

Medians of several rounds in headless Chromium, each beside the milliseconds of a bare page of the same server, loaded
in the same way; so a slow or busy machine shows in both. Layout shift is the browser's own sum for each page.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median

import polars as pl
from playwright.sync_api import Browser, Page, Playwright, sync_playwright

from fdm.archive import Archive
from fdm.cost import keep_costs
from fdm.engine import detect
from fdm.notebook import worst_first
from fdm.people.acts import Judged
from fdm.people.location import people_url
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People
from tests.bench.archives import seed_archive
from tests.bench.serving import dashboard, queue_of

CHROMIUM = "/usr/bin/chromium"
SCREEN = {"width": 1440, "height": 900}
BARE = ("/login/style.css", "body")
CHART = ".js-plotly-plot .main-svg"
SHIFTS = """window.shifted = 0; new PerformanceObserver(list => {
  for (const entry of list.getEntries()) if (!entry.hadRecentInput) window.shifted += entry.value;
}).observe({type: 'layout-shift', buffered: true});"""
# Runs a deed and tells the milliseconds until what it changes has been painted.
UNTIL_PAINTED = """([watched, deed, on, with_]) => new Promise(done => {
  const deeds = {
    key: () => document.querySelector(on).dispatchEvent(new KeyboardEvent('keydown', {key: with_, bubbles: true})),
    choose: () => { const e = document.querySelector(on); e.value = with_;
                    e.dispatchEvent(new Event('change', {bubbles: true})); },
    go: () => { const e = document.querySelector(on); if (with_) e.setAttribute('href', with_); e.click(); },
  };
  const seen = new MutationObserver(() => { seen.disconnect(); requestAnimationFrame(() => setTimeout(
    () => done(performance.now() - began))); });
  seen.observe(document.querySelector(watched), {childList: true, subtree: true, characterData: true});
  const began = performance.now();
  deeds[deed]();
})"""


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.browser", description=__doc__)
    parser.add_argument("--rounds", type=int, default=5, help="of each, the middle counts (5)")
    parser.add_argument("--events", type=int, default=100_000, help="in the queue (100000)")
    parser.add_argument("--folder", type=Path, help="where archives are made and kept (a temporary folder)")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="rollout-bench-") as temporary, sync_playwright() as playwright:
        folder = given.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        archive, landing = prepared(folder)
        print(f"load of the machine {os.getloadavg()[0]:.1f}; {given.rounds} rounds; ms, and times a bare page")
        loads(playwright, archive, landing, given.rounds)
        queue(playwright, given.events, given.rounds)


def prepared(folder: Path) -> tuple[Path, str]:
    """An archive of about a thousand landings, judged, with costs; and the landing with the most events, released."""
    archive = seed_archive(folder)
    detect(archive)
    keep_costs(archive)
    events = worst_first(Archive(archive).events())
    most = events.group_by("landing_id").len().sort("len", "landing_id", descending=True)["landing_id"][0]
    by = Actor("safety officer", OFFICER)
    with People(people_url(archive)) as people:
        if not people.current().height:
            for event in events.filter(pl.col("landing_id") == most).iter_rows(named=True):
                people.decide(Judged.of(event), "valid", by=by, seen=None)
                people.release(event["event_id"], by=by)
    return archive, str(most)


def paths(landing: str) -> dict[str, tuple[str, str]]:
    """Pages, and what has come once they can be used."""
    return {
        "officer's desk": ("/", CHART),
        "captain's desk": (f"/debrief/{landing}", CHART),
        "analyst's desk": ("/limits/late_spoilers", "#limits-chart svg"),
        "landing": (f"/landing/{landing}", CHART),
        "landings": ("/landings", "#page table"),
        "debriefs": ("/debrief", "#page table"),
        "rules": ("/rules", "#page table"),
        "rule": ("/rules/late_spoilers", "#page h1"),
        "limits": ("/limits", "#page table"),
        "versions": ("/versions", "#page h1"),
        "comparison": ("/compare", "#page h1"),
        "health": ("/health", "#page table"),
        "not assessed": ("/not-assessed", "#page table"),
    }


DESKS = {  # and what its text begins with
    "officer's desk": "#evidence h1",
    "captain's desk": "#page h1",
    "analyst's desk": "#page h1",
}
SAID = """new MutationObserver((_changes, seen) => {
  if (!document.querySelector('BEGINS')) return;
  seen.disconnect();
  requestAnimationFrame(() => setTimeout(() => { window.said = performance.now(); }));
}).observe(document, {childList: true, subtree: true});"""


def loads(playwright: Playwright, archive: Path, landing: str, rounds: int) -> None:
    """First loads of the desks by a fresh server in a fresh browser, then every page warm, and a limit moved."""
    pages = paths(landing)
    for name, begins in DESKS.items():
        cold, said, bare = [], [], []
        for _ in range(rounds):
            with dashboard(archive) as address:
                with opened(playwright) as page:
                    page.add_init_script(SAID.replace("BEGINS", begins))
                    cold.append(loaded(page, address, pages[name]))
                    said.append(float(page.wait_for_function("window.said").json_value()))
                with opened(playwright) as page:
                    bare.append(loaded(page, address, BARE))
        told(f"{name}, first load, cold", cold, bare, "2,500")
        told(f"{name}, first load, cold, its text", said, bare, "")
    with dashboard(archive) as address, opened(playwright) as page:
        bare = [loaded(page, address, BARE) for _ in range(rounds + 1)][1:]
        for name, where in pages.items():
            loaded(page, address, where)
            warm = [loaded(page, address, where) for _ in range(rounds)]
            goal = {"landing": "1,000, beyond 500"}.get(name, "1,200")
            told(f"{name}, warm", warm, bare, goal, shifted(page))
        limit_moved(page, address, pages["analyst's desk"], rounds)


def limit_moved(page: Page, address: str, where: tuple[str, str], rounds: int) -> None:
    """A limit moved to new numbers in the page; and the server's answer of what lies behind them."""
    loaded(page, address, where)
    page.wait_for_load_state("networkidle")
    slot, handle = '[data-slot="events-draft-low"]', ".tune-handle.low"
    keys, server = [], []
    for number in range(rounds + 1):
        with page.expect_response(lambda answer: "_dash-update-component" in answer.url) as answered:
            key = ("ArrowRight", "ArrowLeft")[number % 2]
            page.locator(handle).focus()
            keys.append(page.evaluate(UNTIL_PAINTED, ["#limits-numbers", "key", handle, key]))
        answered.value.finished()
        timing = answered.value.request.timing
        server.append(timing["responseEnd"] - timing["requestStart"])
        page.wait_for_load_state("networkidle")
    page.locator(slot).first.wait_for()
    told("limit moved to new numbers in the page", keys[1:], None, "150, beyond 50")
    told("limit moved to its lists from the server", server[1:], None, "")


def queue(playwright: Playwright, events: int, rounds: int) -> None:
    """A long queue: filtered, sorted, and gone to its middle."""
    with queue_of(events) as address, opened(playwright) as page:
        loaded(page, address, ("/?week=all&lines=single", "a.row[data-event]"))
        size = page.locator(".tally b").first.inner_text()
        page.wait_for_load_state("networkidle")
        pages = max(int("".join(filter(str.isdigit, size))) // 120, 2)
        middle = f"/?week=all&lines=single&page={pages // 2}"
        deeds: dict[str, Callable[[int], list[str]]] = {
            "filtered": lambda n: ["#queue", "choose", "select[name=fleet]", ("Heron 90", "")[n % 2]],
            "sorted": lambda n: ["#queue", "go", ".column-heads a", ""] if n % 2 else
                                ["#queue", "go", ".column-heads a:nth-of-type(2)", ""],
            "gone to its middle": lambda n: ["#queue", "go", "a[data-next]", (middle, "")[n % 2]],
        }  # fmt: skip
        for name, deed in deeds.items():
            found = []
            for number in range(2 * ((rounds + 1) // 2)):
                found.append(page.evaluate(UNTIL_PAINTED, deed(number)))
                page.wait_for_load_state("networkidle")
            told(f"queue of {size}, {name}", found, None, "400, beyond 200")


@contextmanager
def opened(playwright: Playwright) -> Iterator[Page]:
    """A page of a browser just started, with nothing kept from before."""
    browser: Browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
    try:
        page = browser.new_page(viewport=SCREEN)  # type: ignore[arg-type]
        page.set_default_timeout(120_000)
        page.add_init_script(SHIFTS)
        yield page
    finally:
        browser.close()


def loaded(page: Page, address: str, where: tuple[str, str]) -> float:
    """Milliseconds from asking for a page until it can be used."""
    began = time.perf_counter()
    page.goto(address + where[0], wait_until="commit")
    page.locator(where[1]).first.wait_for()
    return (time.perf_counter() - began) * 1000


def shifted(page: Page) -> float:
    """Cumulative layout shift of a page once it has come to rest."""
    page.wait_for_load_state("networkidle")
    return float(page.evaluate("window.shifted"))


def told(name: str, found: list[float], bare: list[float] | None, goal: str, shift: float | None = None) -> None:
    """A line of the report."""
    middle = median(found)
    against = f"{middle / median(bare):6.1f} x" if bare else " " * 8
    moved = "" if shift is None else f"  shift {shift:.3f}"
    print(f"{name:<48}{middle:>8,.0f}{against}  {'reach ' + goal if goal else ''}{moved}", flush=True)


if __name__ == "__main__":
    main()
