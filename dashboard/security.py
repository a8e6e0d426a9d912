"""Who may ask, and what every answer carries. Nothing is loaded from another host, and no other site can decide."""

from __future__ import annotations

import base64
import hmac
import re
import secrets
from collections.abc import Collection
from urllib.parse import urlsplit

from dash import Dash
from flask import Response, g, request

from dashboard.addresses import is_loopback

GUARDS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
COOKIE, HEADER, FIELD = "_csrf_token", "X-CSRFToken", "csrf_token"  # what Dash reads, and sends with every callback
FIXED = ("/_dash-component-suites/", "/assets/", "/login/style.css", "/login/theme.js")
VERSION = {"m", "v"}  # in the address of a file that is another one when it has changed
LARGEST_BODY = 2 * 1024 * 1024  # bytes; the largest thing a page sends is a rule book
SAFE = ("GET", "HEAD", "OPTIONS")
_TOKEN = re.compile(r"[\w-]{43}\Z", re.ASCII)


def protect(app: Dash, *, secure: bool = False) -> None:
    """Adds headers to every answer, a limit to what may be sent, and a health address for supervisors.

    secure    the dashboard is reached by TLS alone
    """
    app.server.config["MAX_CONTENT_LENGTH"] = LARGEST_BODY

    @app.server.after_request
    def guard(answer: Response) -> Response:
        for name, value in GUARDS.items():
            answer.headers.setdefault(name, value)
        if secure:
            answer.headers.setdefault("Strict-Transport-Security", "max-age=31536000")
        if answer.mimetype == "text/html":
            answer.headers["Content-Security-Policy"] = policy(app)
            if form_token() != request.cookies.get(COOKIE, ""):
                answer.set_cookie(COOKIE, form_token(), samesite="Strict", path="/", secure=secure)
        if request.path.startswith(FIXED) and VERSION.intersection(request.args):
            answer.headers["Cache-Control"] = "max-age=31536000, immutable"
        if not request.path.startswith(FIXED):
            answer.headers.setdefault("Cache-Control", "no-store")
        return answer

    @app.server.get("/healthz")
    def health() -> tuple[str, int, dict[str, str]]:
        return "ok", 200, {"Content-Type": "text/plain"}


def wrong_host(names: Collection[str] = ()) -> str:
    """Why a request is refused that was not sent here by name: a foreign name may have been led here.

    names    what this dashboard is called in its network, besides the names of this machine
    """
    try:
        host = urlsplit(f"//{request.headers.get('Host', '')}").hostname or ""
    except ValueError:
        host = ""
    if host in names or is_loopback(host):
        return ""
    if names:
        return "This dashboard does not answer to this name."
    return "This dashboard answers on this machine only. Open it at 127.0.0.1 or localhost."


def wrong_sender(session: str = "") -> str:
    """Why a request that may change something is refused: it must come from a page of ours, and show that it does.

    A page of ours repeats a cookie in a header or in a field of its form, which a page of another origin can neither
    read nor send. With a session the cookie follows from the session's token, so one planted from elsewhere is of no
    use. (OWASP, Cross-Site Request Forgery Prevention: signed double-submit cookie; from memory.)
    """
    origin = request.headers.get("Origin")
    if origin is not None and origin != f"{request.scheme}://{request.headers.get('Host', '')}":
        return "Another site asked for this; nothing was done."
    cookie = request.cookies.get(COOKIE, "")
    shown = request.headers.get(HEADER, "") or request.form.get(FIELD, "")
    right = not session or secrets.compare_digest(cookie.encode(), _bound(session).encode())
    if not right or not _TOKEN.match(cookie) or not secrets.compare_digest(cookie.encode(), shown.encode()):
        return "This page is not known any more; nothing was done. Load it anew."
    return ""


def form_token() -> str:
    """What a page of ours shows to be one: bound to the session, else what the browser has, else a new one."""
    if session := g.get("token", ""):
        return _bound(session)
    if "form_token" not in g:
        had = request.cookies.get(COOKIE, "")
        g.form_token = had if _TOKEN.match(had) else secrets.token_urlsafe(32)
    return str(g.form_token)


def _bound(session: str) -> str:
    digest = hmac.digest(session.encode(errors="replace"), b"page of ours", "sha256")
    return base64.urlsafe_b64encode(digest).decode().rstrip("=")


def policy(app: Dash) -> str:
    """The content policy of a page: inline scripts known by hash, inline styles for charts, no eval."""
    scripts = " ".join(["'self'", *app.csp_hashes()])
    return (
        f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "font-src 'self' data:; connect-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    )
