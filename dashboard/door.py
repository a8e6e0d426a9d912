"""Who comes in: the officer at this machine while there is no account; then whoever has a session.

Sessions are those of the store of people's work, which ends them when an account changes and keeps only their hash.
The browser holds a token that says nothing, in a cookie that no script reads.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from flask import Request
from werkzeug.wrappers import Response

from dashboard.access import NOBODY
from dashboard.addresses import is_loopback
from dashboard.deployment import Deployment
from fdm.people.accounts import DAY, Session
from fdm.people.errors import StoreError
from fdm.people.roles import OFFICER, Actor, at_this_machine
from fdm.people.store import People

COOKIE, SECURE_COOKIE = "watch_session", "__Host-watch_session"  # a browser keeps __Host- to this host, over TLS


class Door:
    """Lets people in to one store of people's work.

    open_    opens the store; raises StoreError
    there    whether there is a store, without opening it
    """

    def __init__(self, open_: Callable[[], People], there: Callable[[], bool], deployment: Deployment) -> None:
        self.deployment = deployment
        self._open = open_
        self._there = there
        self._asks = False

    @property
    def people(self) -> People:
        """The store. StoreError when it cannot be opened."""
        return self._open()

    def asks(self) -> bool:
        """Whether one has to log in: from the first account on, for ever. StoreError when that cannot be told."""
        if not self._asks and self._there():
            self._asks = not self.people.accounts.none_yet()
        return self._asks

    def who(self, request: Request) -> Actor:
        """Who sends a request; access.NOBODY when they are to log in first. StoreError."""
        where = request.remote_addr or ""
        if not self.asks():
            return at_this_machine(OFFICER) if is_loopback(where) else NOBODY
        if self.deployment.user_header:
            name = request.headers.get(self.deployment.user_header, "")
            if proved := self.people.accounts.known(name, where=where):
                return proved
        token = self.token(request)
        return (self.people.accounts.who(token, where=where) if token else None) or NOBODY

    def token(self, request: Request) -> str:
        """The session's token that a request brings; nothing without one."""
        return request.cookies.get(self._cookie, "")

    def let_in(self, request: Request, answer: Response, session: Session) -> Response:
        """Hand out a new session; the one before, if any, ends, so that nobody's old token is of use."""
        self._end(request)
        answer.set_cookie(
            self._cookie,
            session.token,
            max_age=int(DAY.total_seconds()),
            secure=self.deployment.behind_proxy,
            httponly=True,
            samesite="Lax",
            path="/",
        )
        return answer

    def let_out(self, request: Request, answer: Response) -> Response:
        """End the session of a request."""
        self._end(request)
        answer.delete_cookie(self._cookie, path="/", secure=self.deployment.behind_proxy, httponly=True, samesite="Lax")
        return answer

    def _end(self, request: Request) -> None:
        if token := self.token(request):
            self.people.accounts.log_out(token, where=request.remote_addr or "")

    @property
    def _cookie(self) -> str:
        return SECURE_COOKIE if self.deployment.behind_proxy else COOKIE


def _no_store() -> People:
    raise StoreError("accounts are not kept here")


def unguarded() -> Door:
    """For one officer at this machine, without accounts."""
    return Door(_no_store, lambda: False, Deployment())


class Once:
    """Opens a store at the first question, once, whoever asks."""

    def __init__(self, open_: Callable[[], People]) -> None:
        self._open = open_
        self._lock = threading.Lock()
        self._people: People | None = None

    def __call__(self) -> People:
        with self._lock:
            if self._people is None:
                self._people = self._open()
            return self._people
