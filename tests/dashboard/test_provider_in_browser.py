"""Logging in at a provider of another site, in a browser: its rules for cookies let the answer come back."""

from __future__ import annotations

import pytest
from conftest import forget, serving
from gatehouse import NAMES
from invented_archive import RULES
from playwright.sync_api import expect

from dashboard.access import viewer
from dashboard.deployment import Deployment
from dashboard.desk import Desk
from dashboard.door import Door
from dashboard.store import Store

pytestmark = pytest.mark.browser


def test_somebody_logs_in_at_another_site_and_out_here(browser, archive, provider, provider_people, provider_settings):
    """SameSite (RFC 6265bis, section 5.2): localhost and 127.0.0.1 are two sites, as a company and its provider are."""
    people, deployment = provider_people, Deployment(provider=provider_settings)
    store = Store(archive, lambda _run: RULES, desk=Desk(lambda: people, viewer), names=lambda: NAMES)
    with serving(store, Door(lambda: people, lambda: True, deployment)) as address:
        there = address.replace("127.0.0.1", "localhost")
        page = browser.new_page()
        forget(page, there)
        said = []
        page.on("console", lambda message: said.append(message.text))
        page.goto(f"{there}/landings?fleet=Heron+90")
        page.get_by_role("link", name="Log in with Invented Air").press("Enter")
        expect(page.locator("#landings-list")).to_contain_text("Heron 90", timeout=30_000)
        assert page.url == f"{there}/landings?fleet=Heron+90"
        assert {one["name"] for one in browser.cookies()} == {"watch_session", "_csrf_token"}
        page.get_by_role("button", name="Log out").press("Enter")
        expect(page.get_by_role("heading", name="Log in")).to_be_visible()
        page.goto(f"{there}/landings")
        expect(page.get_by_role("heading", name="Log in")).to_be_visible()
        assert said == []
        page.close()
