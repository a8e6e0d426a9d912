"""Logging in and out, and one's own account. Served without scripts; guessed passwords are slowed down."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from urllib.parse import quote

from dash import Dash
from flask import Response, g, make_response, redirect, request
from flask_limiter import Limiter
from flask_limiter.util import get_remote_address
from markupsafe import Markup
from werkzeug.exceptions import TooManyRequests
from werkzeug.wrappers import Response as AnyResponse

from dashboard import plain
from dashboard.access import NOBODY, open_to, viewer
from dashboard.door import Door
from dashboard.pages import frame
from fdm.errors import FdmError
from fdm.people.accounts import SHORTEST
from fdm.people.errors import AccountError, StoreError
from fdm.people.roles import ROLES

ASSETS = Path(__file__).parent / "assets"
FROM_ONE_ADDRESS = "10 per minute; 60 per hour"
FOR_ONE_NAME = "30 per hour"  # more addresses than one may be guessing
WRONG_NOW = 422  # the page was right, the password in it was not
Answer = str | Response | AnyResponse | tuple[str, int]


def register(app: Dash, door: Door) -> Limiter:
    """The routes, and what counts attempts. Only what failed counts towards the limits."""
    server = app.server
    limiter = Limiter(get_remote_address, app=server, storage_uri="memory://", strategy="moving-window")
    by_address = limiter.limit(FROM_ONE_ADDRESS, methods=["POST"], deduct_when=refused_status)
    by_name = limiter.limit(FOR_ONE_NAME, key_func=asked_name, methods=["POST"], deduct_when=refused_status)
    provider = door.deployment.provider
    page = partial(login_page, provider=provider.name if provider else "")

    @server.route("/login", methods=["GET", "POST"], endpoint="login")
    @by_address
    @by_name
    def login() -> Answer:
        there = safe_path(request.values.get("next", ""))
        if not g.asks or (request.method == "GET" and g.actor != NOBODY):
            return redirect(there)
        if request.method == "GET":
            return page(there)
        try:
            name, password = request.form.get("name", ""), request.form.get("password", "")
            session = door.people.accounts.log_in(name, password, where=request.remote_addr or "")
        except StoreError as error:
            return page(there, f"Nobody can be let in now. {error}"), 503
        except AccountError as error:
            return page(there, sentence(error)), 401
        return door.let_in(request, redirect(there, 303), session)

    @server.post("/logout", endpoint="logout")
    def logout() -> Answer:
        return door.let_out(request, redirect("/login", 303))

    @server.get("/login/style.css", endpoint="login_style")
    def style() -> Response:
        text = "\n".join((ASSETS / name).read_text(encoding="utf-8") for name in ("1_tokens.css", "7_plain.css"))
        return Response(text, mimetype="text/css", headers={"Cache-Control": "max-age=3600"})

    @server.get("/login/theme.js", endpoint="login_theme")
    def theme() -> Response:
        text = (ASSETS / "early.js").read_text(encoding="utf-8")
        return Response(text, mimetype="text/javascript", headers={"Cache-Control": "max-age=3600"})

    @server.errorhandler(TooManyRequests)
    def too_many(_error: TooManyRequests) -> Answer:
        return page("/", "Too many attempts. Wait a minute, then log in."), 429

    @server.route("/account", methods=["GET", "POST"], endpoint="account")
    @by_address
    @open_to(*ROLES)
    def account() -> Answer:
        if not g.asks:
            return redirect("/")
        return account_page() if request.method == "GET" else _changed_password(door)

    return limiter


def refused_status(answer: Response) -> bool:
    """Whether an answer counts as a failed attempt."""
    return answer.status_code in (401, WRONG_NOW)


def asked_name() -> str:
    """The account that somebody tries to use."""
    return "name " + request.form.get("name", "").strip().lower()[:100]


def safe_path(path: str) -> str:
    """A path of this dashboard to go on to; the first page when it might lead elsewhere."""
    fine = path.startswith("/") and path[1:2] not in ("/", "\\") and path.isprintable() and "\\" not in path
    return path if fine and not path.startswith(("/login", "/logout")) else "/"


def sentence(error: FdmError) -> str:
    """An error as a sentence."""
    text = str(error)
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "?", "!")) else ".")


def login_page(there: str, problem: str = "", *, provider: str = "") -> str:
    """The page to log in at, here and, when it has a name, at a provider."""
    fields = Markup("{}{}{}{}").format(
        Markup('<input type="hidden" name="next" value="{}">').format(there),
        plain.field("name", "User name", value=request.form.get("name", ""), fills="username"),
        plain.field("password", "Password", "password", fills="current-password"),
        plain.button("Log in", css="primary"),
    )
    body = Markup(
        '<main class="login"><div class="login-sheet"><p class="product">{}</p><h1>Log in</h1>{}{}{}'
        '<p class="cautions">{}</p></div></main>'
    ).format(
        frame.PRODUCT,
        plain.told("", problem),
        plain.form("/login", fields),
        _at_provider(provider, there) if provider else "",
        "Flight data are confidential. Every login is written down.",
    )
    head = Markup('<link rel="stylesheet" href="/login/style.css"><script src="/login/theme.js"></script>')
    return plain.document("Log in", body, head)


def _at_provider(name: str, there: str) -> Markup:
    after = f"?next={quote(there, safe='')}" if there != "/" else ""
    return Markup('<p class="or"><span>or</span></p><a class="at-provider" href="/login/provider{}">{}</a>').format(
        after, f"Log in with {name}"
    )


def account_page(said: str = "", problem: str = "") -> str:
    """One's own account."""
    fields = Markup('<input type="text" autocomplete="username" value="{}" hidden>{}{}{}{}').format(
        viewer().name,
        plain.field("old", "Password now", "password", fills="current-password"),
        plain.field(
            "new",
            "New password",
            "password",
            fills="new-password",
            hint=f"{SHORTEST} characters or more; a few words in a row",
        ),
        plain.field("again", "New password again", "password", fills="new-password"),
        plain.button("Change password", css="primary"),
    )
    inside = Markup("<p>{}</p><h2><b>Change password</b></h2>{}{}").format(
        f"You are logged in as {viewer().name}, in the role of {viewer().role}.",
        plain.told(said, problem),
        plain.form("/account", fields, css="stacked"),
    )
    return plain.page("Your account", inside, frame.places())


def _changed_password(door: Door) -> Answer:
    """Sets a new password; every other session of the account ends, and this one goes on under a new token."""
    actor, accounts = viewer(), door.people.accounts
    old, new = request.form.get("old", ""), request.form.get("new", "")
    if not accounts.is_right(actor.name, old):
        return account_page(problem="That is not your password now. Nothing was changed."), WRONG_NOW
    if new != request.form.get("again", ""):
        return account_page(problem="The two new passwords differ. Nothing was changed."), 400
    try:
        accounts.set_password(actor.name, new, by=actor)
        session = accounts.log_in(actor.name, new, where=actor.where)
    except AccountError as error:
        return account_page(problem=f"Nothing was changed: {error}"), 400
    g.token = session.token
    page = account_page("Your password is changed. Whoever was logged in elsewhere with the old one is not any more.")
    return door.let_in(request, make_response(page), session)
