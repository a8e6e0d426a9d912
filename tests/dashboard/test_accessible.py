"""Every page of every desk, light and dark, as axe-core judges it (WCAG 2.2 A and AA, and its best practices).

axe-core comes with the package axe-playwright-python; it is run here in a browser told to pass over the page's content
security policy, which forbids scripts from elsewhere.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from axe_playwright_python.base import AXE_SCRIPT
from conftest import forget, log_in, serving
from gatehouse import NAMES, QUICK, with_accounts
from playwright.sync_api import BrowserContext, Page, expect

from dashboard.access import acting, viewer
from dashboard.deployment import Deployment
from dashboard.desk import Desk
from dashboard.door import Door
from dashboard.rulecards import load_rule_cards
from dashboard.store import Store
from fdm.archive import Archive
from fdm.people.acts import Judged
from fdm.people.roles import OFFICER, Actor
from fdm.people.store import People

pytestmark = pytest.mark.browser

CHART = ".js-plotly-plot .main-svg"
NOBODY = "nobody"  # is not logged in
PAGES = {  # what each desk may open and no desk before it opened alike, and what has come once the page stands
    "officer": (
        ("/?lines=single", CHART),
        ("/landing/{landing}", CHART),
        ("/landings", "#page table"),
        ("/debrief", "#page h1"),
        ("/rules", "#page h1"),
        ("/rules/late_spoilers", "#page h1"),
        ("/limits/late_spoilers", "#limits-chart svg"),
        ("/compare", "#page h1"),
        ("/versions", "#page h1"),
        ("/health", "#page h1"),
        ("/not-assessed", "#page h1"),
        ("/no-longer", "#page h1"),
        ("/nowhere", "#page p"),
        ("/jobs", "h1"),
        ("/audit", "h1"),
        ("/account", "h1"),
        ("/reveal", "h1"),
    ),
    "captain": (("/debrief/{landing}", CHART),),
    "analyst": (("/landings", "#page table"), ("/limits", "#page h1")),
    "administrator": (("/accounts", "h1"),),
    NOBODY: (("/login", "input[name=name]"),),
}
DRAWN = (CHART, "#limits-chart svg", "input[name=name]", "#page table")
FOUND = """async only => {
  const chosen = only ? {runOnly: {type: 'rule', values: only}} : {};
  const told = await axe.run(document, {resultTypes: ['violations'], ...chosen});
  return told.violations.map(v => ({rule: v.id, impact: v.impact, help: v.help,
    where: v.nodes.slice(0, 5).map(n => n.target.join(' ') + ': ' + n.failureSummary)}));
}"""


@pytest.fixture(scope="module")
def place(costed: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Store]]:
    """Address and store of the shipped recordings behind accounts, the landing with the most events released."""
    folder = tmp_path_factory.mktemp("accessible")
    shutil.copytree(costed, folder / "archive")
    with People(str(folder / "people.sqlite"), hasher=QUICK) as people:
        with_accounts(people)
        desk = Desk(lambda: people, viewer)
        store = Store(Archive(folder / "archive"), load_rule_cards, desk=desk, names=lambda: NAMES)
        events = store.whole().events
        most = events.group_by("landing_id").len().sort("len", "landing_id", descending=True)["landing_id"][0]
        vera = Actor("vera", OFFICER)
        for event in events.filter(pl.col("landing_id") == most).iter_rows(named=True):
            people.decide(Judged.of(event), "valid", by=vera, seen=None)
            people.release(event["event_id"], by=vera)
        with serving(store, Door(lambda: people, lambda: True, Deployment())) as address:
            yield address, store


def released(store: Store, role: str) -> str:
    """The key by which a role knows the landing that was released."""
    with acting(Actor("vera", OFFICER)):
        landing_id = store.released()["landing_id"][0]
    with acting(Actor(role, role)):
        keys = store.held().landings["landing_id"].to_list()
        return next((key for key in keys if store.landing_behind(key) == landing_id), "")


@pytest.mark.parametrize("role", PAGES)
def test_axe_finds_nothing_that_keeps_anybody_out(browser: BrowserContext, place: tuple[str, Store], role: str) -> None:
    address, store = place
    landing = released(store, role) if role not in (NOBODY, "administrator") else ""
    found: list[dict[str, Any]] = []
    page = browser.new_page()
    page.set_default_timeout(60_000)
    page.set_viewport_size({"width": 1440, "height": 980})
    page.context.new_cdp_session(page).send("Page.setBypassCSP", {"enabled": True})
    forget(page, address)
    try:
        if role != NOBODY:
            log_in(page, address, f"{role}-1", "h1, #page > div")
        for path, there in PAGES[role]:
            found += judged(page, address + path.format(landing=landing), there)
    finally:
        page.close()
    assert found == []


def judged(page: Page, address: str, there: str) -> list[dict[str, Any]]:
    """What axe has against a page in light; and, of its colours, in dark, where there is more than lists and words."""
    page.emulate_media(color_scheme="light")
    page.goto(address)
    expect(page.locator(there).first).to_be_visible(timeout=60_000)
    expect(page.locator("[data-dash-is-loading=true]")).to_have_count(0)
    page.evaluate(AXE_SCRIPT)
    light = page.evaluate(FOUND, None)
    page.emulate_media(color_scheme="dark")
    dark = page.evaluate(FOUND, ["color-contrast"]) if there in DRAWN else []
    where = {"page": address.split("/", 3)[3]}
    return [where | {"theme": theme} | one for theme, told in (("light", light), ("dark", dark)) for one in told]
