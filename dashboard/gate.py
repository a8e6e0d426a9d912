"""Before every route and every callback: who asks, and whether they may. What says nothing is open to nobody."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import quote, unquote

from dash import Dash
from flask import Response, g, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from dashboard import security
from dashboard.access import NOBODY, roles_of
from dashboard.door import Door
from fdm.people.errors import StoreError
from fdm.people.roles import ROLES, Actor

PUBLIC = {"login", "logout", "health", "login_style", "login_theme", "provider_start", "provider_back"}
# Of Dash itself: the empty frame and its parts. What is put into it comes through callbacks.
FRAME = {
    "/",
    "/<path:path>",
    "/_dash-layout",
    "/_dash-dependencies",
    "/_dash-component-suites/<string:package_name>/<path:fingerprinted_path>",
    "/_reload-hash",
    "/_favicon.ico",
    "_dash_assets.static",
}
WHOLE = {"account", "accounts", "audit", "jobs", "reveal"}  # pages made whole on the server
CALLBACK = "/_dash-update-component"
PAGE_OF = "X-Page-Of"  # whom the page was made for that asks, as a part of an address is written
_PLAIN = {"Content-Type": "text/plain; charset=utf-8"}
Answer = Response | AnyResponse | tuple[str, int, dict[str, str]]


def stand(app: Dash, door: Door, home: Callable[[str], str]) -> None:
    """Puts the gate before everything that an application answers.

    home    the first page of a role
    """

    @app.server.before_request
    def let_through() -> Answer | None:
        g.actor = NOBODY
        if why := security.wrong_host(door.deployment.hosts):
            return _refused(why)
        try:
            g.asks = door.asks()
            g.actor = door.who(request)
        except StoreError as error:
            return f"Nobody can be let in now. {error}\n", 503, _PLAIN
        g.token = door.token(request) if g.asks and g.actor != NOBODY else ""
        if request.endpoint not in PUBLIC and g.actor == NOBODY:
            return to_login()
        if request.method not in security.SAFE and (why := security.wrong_sender(g.token)):
            return _refused(why)
        if request.endpoint in PUBLIC:
            return None
        if why := _of_another(g.actor):
            return f"{why}\n", 409, _PLAIN
        if not may(app, g.actor):
            return _refused(f"This is not open to {_called(g.actor)}.")
        return redirect(home(g.actor.role)) if request.path == "/" and home(g.actor.role) != "/" else None


def may(app: Dash, actor: Actor) -> bool:
    """Whether an actor may have what the request asks for."""
    if request.endpoint in FRAME and request.method in security.SAFE:
        return actor.role in ROLES
    if request.endpoint == CALLBACK:
        return actor.role in callback_roles(app)
    return actor.role in roles_of(app.server.view_functions.get(request.endpoint or ""))


def callback_roles(app: Dash) -> frozenset[str]:
    """The roles of the callback that the body of a request names; none when there is no such callback."""
    body = request.get_json(silent=True)
    output = body.get("output") if isinstance(body, dict) else None
    known = app.callback_map.get(output) if isinstance(output, str) else None
    return roles_of(known.get("callback")) if known else frozenset()


def to_login() -> Answer:
    """A page leads to the login and back; anything else is told that nobody is logged in."""
    if request.method == "GET" and (request.endpoint in ("/", "/<path:path>") or request.endpoint in WHOLE):
        there = request.full_path.rstrip("?")
        return redirect("/login" if there == "/" else f"/login?next={quote(there)}")
    return "Log in first.\n", 401, _PLAIN


def _of_another(actor: Actor) -> str:
    """Why a page is refused that was made for somebody else of this browser: what it holds is theirs to say."""
    whose = unquote(request.headers.get(PAGE_OF, ""))
    return "" if whose in ("", actor.name) else f"You are logged in as {actor.name} now. Load the page anew."


def _refused(why: str) -> Answer:
    return f"{why}\n", 403, _PLAIN


def _called(actor: Actor) -> str:
    return f"the role of {actor.role}" if actor.role else "you"
