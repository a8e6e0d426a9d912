"""The dashboard over an invented archive, as objects and in a browser."""

from __future__ import annotations

import re
import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import UTC, datetime, timedelta
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from at_provider import VERA, browser_of
from dash import Dash
from gatehouse import PASSWORD, QUICK, dashboard_of, with_accounts
from gatehouse import Browser as Visitor
from invented_archive import RULES, FakeArchive
from playwright.sync_api import BrowserContext, Page, expect
from waitress import create_server, wasyncore

from dashboard.app import build
from dashboard.deployment import Deployment
from dashboard.desk import Desk
from dashboard.door import Door
from dashboard.held import Held
from dashboard.provider_settings import ProviderSettings
from dashboard.store import Store
from fdm.people.roles import ADMINISTRATOR, ANALYST, OFFICER, Actor
from fdm.people.store import People

if TYPE_CHECKING:
    from invented_provider import InventedProvider

NO_FILE = 1 << 23  # answers wait in memory for a browser, not in a file, which would stay open when the browser leaves


@pytest.fixture(scope="session")
def archive() -> FakeArchive:
    return FakeArchive(landings=400)


@pytest.fixture(scope="session")
def store(archive: FakeArchive) -> Store:
    return Store(archive, lambda _run: RULES)


@pytest.fixture(scope="session")
def held(store: Store) -> Held:
    return store.held()


@contextmanager
def serving(store: Store, door: Door | None = None) -> Iterator[str]:
    """The address under which a store's dashboard is served; with a door, behind its accounts."""
    with serving_app(build(store, door) if door else build(store)) as found:
        yield found


@contextmanager
def serving_app(app: Dash) -> Iterator[str]:
    """The address under which a dashboard is served."""
    server = create_server(app.server, host="127.0.0.1", port=_free(), threads=4, ident=None, outbuf_overflow=NO_FILE)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        server.trigger.pull_trigger(partial(wasyncore.close_all, server._map))  # by the thread that serves
        thread.join(timeout=10)
        assert not thread.is_alive()


@cache
def _ports() -> list[int]:
    """Those of all dashboards of a process, as a browser keeps what it has fetched and compiled by address."""
    with ExitStack() as held:
        return [_bound(held.enter_context(socket.socket()), 0).getsockname()[1] for _ in range(4)]


def _free() -> int:
    """The first of them at which nothing is served now."""
    for port in _ports():
        with socket.socket() as trial, suppress(OSError):
            _bound(trial, port)
            return port
    return 0


def _bound(trial: socket.socket, port: int) -> socket.socket:
    trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    trial.bind(("127.0.0.1", port))
    return trial


@pytest.fixture(scope="session")
def address(store: Store) -> Iterator[str]:
    with serving(store) as found:
        yield found


@pytest.fixture
def kept(tmp_path: Path) -> str:
    """Where decisions are kept."""
    return str(tmp_path / "rollouts.people.sqlite")


@pytest.fixture
def officer(archive: FakeArchive, kept: str) -> Iterator[Store]:
    """The invented archive at an officer's desk."""
    desk = Desk(lambda: People(kept), lambda: Actor("vera", OFFICER))
    yield Store(archive, lambda _run: RULES, desk=desk)
    desk.close()


class Watched:
    """A page whose console and requests are kept, to be judged when the test ends."""

    def __init__(self, page: Page, address: str) -> None:
        self.page = page
        self.address = address
        self.said: list[str] = []
        self.elsewhere: list[str] = []
        page.on("console", lambda message: self.said.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: self.said.append(f"error: {error}"))
        page.on("request", lambda request: self._asked(request.url))

    def _asked(self, url: str) -> None:
        if not url.startswith((self.address, "data:", "blob:")):
            self.elsewhere.append(url)

    def open(self, path: str) -> Page:
        """Go to a path and wait until its page stands."""
        self.page.goto(self.address + path)
        self.page.locator("#page > div").first.wait_for()
        return self.page


@contextmanager
def watching(
    browser: BrowserContext, address: str, *, width: int = 1440, height: int = 980, theme: str = "light"
) -> Iterator[Watched]:
    """A page of somebody who was never here; ends with an empty console and nothing asked of another host."""
    page = browser.new_page()
    page.set_default_timeout(30_000)
    page.set_viewport_size({"width": width, "height": height})
    page.emulate_media(color_scheme=theme)  # type: ignore[arg-type]
    forget(page, address)
    watched = Watched(page, address)
    try:
        yield watched
        assert watched.said == []
        assert watched.elsewhere == []
    finally:
        page.close()


def forget(page: Page, address: str) -> None:
    """Cookies and whatever else an address has stored in a browser, but for what it may cache."""
    page.context.clear_cookies()
    stored = {"origin": address, "storageTypes": "local_storage,indexeddb,service_workers,cache_storage"}
    page.context.new_cdp_session(page).send("Storage.clearDataForOrigin", stored)


def log_in(page: Page, address: str, name: str, there: str = "#page > div") -> None:
    """As one of the accounts of the tests; waits for what the first page of theirs has."""
    page.goto(f"{address}/login")
    page.locator("input[name=name]").fill(name)
    page.locator("input[name=password]").fill(PASSWORD)
    page.locator("input[name=password]").press("Enter")
    page.locator(there).first.wait_for()


@pytest.fixture
def at_desk(browser: BrowserContext, officer: Store) -> Iterator[Watched]:
    """A page of the officer's desk."""
    with serving(officer) as address, watching(browser, address) as found:
        yield found


@pytest.fixture
def watched(browser: BrowserContext, address: str) -> Iterator[Watched]:
    with watching(browser, address) as found:
        yield found


def opened(watched: Watched, path: str = "/?lines=single") -> Page:
    """The week with an event beside it, ready to be decided."""
    page = watched.open(path)
    expect(page.locator("#decision [data-decide=valid]")).to_be_visible()
    expect(page.locator("#evidence-traces .main-svg").first).to_be_visible()
    expect(page.locator("a.row[aria-current=true]")).to_be_attached()
    return page


def in_a_month() -> datetime:
    """A day until which an event may be set aside."""
    return (datetime.now(UTC) + timedelta(days=30)).replace(hour=0, minute=0, second=0, microsecond=0)


def text_of(markup: object) -> str:
    """The words of some markup, without tags."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", str(markup))).strip()


@pytest.fixture(scope="module")
def serving_provider() -> Iterator[InventedProvider]:
    """The provider of the tests."""
    from invented_provider import providing  # makes keys

    with pytest.MonkeyPatch.context() as patch, providing() as found:
        patch.setenv("NO_PROXY", "127.0.0.1")
        yield found


@pytest.fixture
def provider(serving_provider: InventedProvider) -> InventedProvider:
    """The same, honest again."""
    serving_provider.reset()
    return serving_provider


@pytest.fixture(scope="module")
def provider_settings(serving_provider: InventedProvider) -> ProviderSettings:
    """The provider as the dashboard knows it."""
    return serving_provider.settings()


@pytest.fixture(scope="module")
def provider_people(tmp_path_factory: pytest.TempPathFactory) -> Iterator[People]:
    """An account for each role, and Vera's, an analyst's, named by her address."""
    with People(str(tmp_path_factory.mktemp("provider") / "people.sqlite"), hasher=QUICK) as opened:
        with_accounts(opened).accounts.add(VERA, ANALYST, PASSWORD, by=Actor("root", ADMINISTRATOR))
        yield opened


@pytest.fixture(scope="module")
def provider_app(provider_people: People, provider_settings: ProviderSettings) -> Dash:
    """A dashboard with the provider."""
    return dashboard_of(provider_people, deployment=Deployment(provider=provider_settings))


@pytest.fixture
def visitor(provider_app: Dash, provider: InventedProvider) -> Visitor:
    """A browser that nobody knows."""
    return browser_of(provider_app)


@pytest.fixture
def visitor_alone(provider_people: People, provider_settings: ProviderSettings, provider: InventedProvider) -> Visitor:
    """The same at a dashboard of this test alone, which has not asked the provider for anything yet."""
    return browser_of(dashboard_of(provider_people, deployment=Deployment(provider=provider_settings)))
