"""What every answer carries: a strict content policy and the usual guards. Nothing is loaded from another host."""

from __future__ import annotations

from dash import Dash
from flask import Response, request

GUARDS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


def protect(app: Dash) -> None:
    """Adds the headers to every answer, and a health address for supervisors."""

    @app.server.after_request
    def guard(answer: Response) -> Response:
        for name, value in GUARDS.items():
            answer.headers.setdefault(name, value)
        if answer.mimetype == "text/html":
            answer.headers["Content-Security-Policy"] = policy(app)
        if request.path.startswith("/_dash-") and not request.path.startswith("/_dash-component-suites"):
            answer.headers["Cache-Control"] = "no-store"
        return answer

    @app.server.get("/healthz")
    def health() -> tuple[str, int, dict[str, str]]:
        return "ok", 200, {"Content-Type": "text/plain"}


def policy(app: Dash) -> str:
    """The content policy of a page: inline scripts known by hash, inline styles for charts, no eval."""
    scripts = " ".join(["'self'", *app.csp_hashes()])
    return (
        f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "font-src 'self' data:; connect-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
        "frame-ancestors 'none'"
    )
