"""A way to the server that a test slows down or takes away."""

from __future__ import annotations

import re

from playwright.sync_api import Page, Route

PARTS = re.compile("/_dash-update-component")
LOST = "error: Failed to load resource: net::ERR_FAILED"


class Slow:
    """Keeps the requests for some part of a page until they are let go; `of` is the beginning of its output."""

    def __init__(self, page: Page, of: str) -> None:
        self.of = of
        self.kept: list[Route] = []
        self.lets = False
        page.route(PARTS, self._asked)

    def _asked(self, route: Route) -> None:
        if not self.lets and f'"output":"{self.of}' in (route.request.post_data or ""):
            self.kept.append(route)
        else:
            route.continue_()

    def let_go(self) -> None:
        """Answer what was kept, and everything from now on."""
        self.lets = True
        for route in self.kept:
            route.continue_()


def take_away(page: Page) -> None:
    """No part of a page gets an answer any more."""
    page.route(PARTS, lambda route: route.abort())


def bring_back(page: Page) -> None:
    """It does again, and the browser says so."""
    page.unroute(PARTS)
    page.evaluate("window.dispatchEvent(new Event('online'))")
