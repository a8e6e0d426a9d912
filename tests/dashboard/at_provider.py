"""Somebody who logs in at the provider of the tests, and what must be true when they are not let in."""

from __future__ import annotations

from itertools import count
from urllib.parse import urlencode as query

from gatehouse import Browser

VERA = "vera@example.org"
START, BACK = "/login/provider", "/login/provider/back"
_ADDRESSES = count(1)


def browser_of(app):
    """A browser at an address of its own."""
    number = next(_ADDRESSES)
    return Browser(app, f"198.18.{number // 250}.{number % 250}")


def begun(browser, there=""):
    """Where the browser is sent to log in."""
    answer = browser.get(f"{START}?{query({'next': there})}" if there else START)
    assert answer.status_code == 302, answer.text
    return answer.headers["Location"]


def back(browser, said):
    return browser.get(f"{BACK}?{query(said)}")


def gone_through(browser, provider, there=""):
    """Logs in there and comes back."""
    return back(browser, provider.logs_in(begun(browser, there)))


def is_in(browser):
    return browser.get("/_dash-layout").status_code == 200


def logged(people, act, browser):
    """What the log says of this browser, the newest first."""
    return people.audit.entries(act=act).filter(came_from=browser.environ["REMOTE_ADDR"]).to_dicts()


def refused(browser, people, answer, why):
    """No session, a page that says why, an entry that says why and from where."""
    assert answer.status_code == 401, answer.text
    assert why in answer.text
    assert "Log in with Invented Air" in answer.text
    assert not browser.cookie("watch_session")
    assert not is_in(browser)
    assert why in logged(people, "failed login", browser)[0]["detail"]
    assert not logged(people, "login", browser)
