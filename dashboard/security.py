"""Who may ask, and what every answer carries. Nothing is loaded from another host, and no other site can decide."""

from __future__ import annotations

import ipaddress
import re
import secrets
from urllib.parse import urlsplit

from dash import Dash
from flask import Response, g, request

from fdm.people.roles import OFFICER, at_this_machine

GUARDS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
COOKIE, HEADER = "_csrf_token", "X-CSRFToken"  # what Dash reads, and sends with every callback
SAFE = ("GET", "HEAD", "OPTIONS")
_TOKEN = re.compile(r"[\w-]{43}\Z", re.ASCII)


def protect(app: Dash) -> None:
    """Refuses what another site may have sent; adds headers to every answer, and a health address for supervisors."""

    @app.server.before_request
    def refuse() -> tuple[str, int, dict[str, str]] | None:
        why = wrong_host() or (wrong_sender() if request.method not in SAFE else "")
        g.actor = at_this_machine(OFFICER)
        return (f"{why}\n", 403, {"Content-Type": "text/plain"}) if why else None

    @app.server.after_request
    def guard(answer: Response) -> Response:
        for name, value in GUARDS.items():
            answer.headers.setdefault(name, value)
        if answer.mimetype == "text/html":
            answer.headers["Content-Security-Policy"] = policy(app)
            if answer.status_code == 200 and not _TOKEN.match(request.cookies.get(COOKIE, "")):
                answer.set_cookie(COOKIE, secrets.token_urlsafe(32), samesite="Strict", path="/")
        if request.path.startswith("/_dash-") and not request.path.startswith("/_dash-component-suites"):
            answer.headers["Cache-Control"] = "no-store"
        return answer

    @app.server.get("/healthz")
    def health() -> tuple[str, int, dict[str, str]]:
        return "ok", 200, {"Content-Type": "text/plain"}


def wrong_host() -> str:
    """Why a request is refused that was not sent to this machine by name: a foreign name may have been led here."""
    try:
        host = urlsplit(f"//{request.headers.get('Host', '')}").hostname or ""
        if host == "localhost" or ipaddress.ip_address(host).is_loopback:
            return ""
    except ValueError:
        pass
    return "This dashboard answers on this machine only. Open it at 127.0.0.1 or localhost."


def wrong_sender() -> str:
    """Why a request that may change something is refused: it must come from a page of ours, and show that it does.

    A page of ours repeats the cookie in a header, which a page of another origin can neither read nor send.
    """
    origin = request.headers.get("Origin")
    if origin is not None and origin != f"{request.scheme}://{request.headers.get('Host', '')}":
        return "Another site asked for this; nothing was done."
    cookie, header = request.cookies.get(COOKIE, ""), request.headers.get(HEADER, "")
    if not _TOKEN.match(cookie) or not secrets.compare_digest(cookie.encode(), header.encode()):
        return "This page is not known any more; nothing was done. Load it anew."
    return ""


def policy(app: Dash) -> str:
    """The content policy of a page: inline scripts known by hash, inline styles for charts, no eval."""
    scripts = " ".join(["'self'", *app.csp_hashes()])
    return (
        f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "font-src 'self' data:; connect-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    )
