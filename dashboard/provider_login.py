"""Logging in at a provider: the way there and the way back. The account, its role and its session are ours."""

from __future__ import annotations

from dash import Dash
from flask import Response, g, make_response, redirect, request
from flask_limiter import Limiter
from werkzeug.wrappers import Response as AnyResponse

from dashboard.access import NOBODY
from dashboard.door import Door
from dashboard.login import FROM_ONE_ADDRESS, login_page, refused_status, safe_path, sentence
from dashboard.sign_ins import LASTS_S, ProviderUnavailable, SignIn, SignInRefused, SignIns
from fdm.people.errors import AccountError, StoreError

START, BACK = "/login/provider", "/login/provider/back"
BEGUN_FROM_ONE_ADDRESS = "30 per minute"
ONCE = ("state", "code", "error", "iss")  # parameters of the answer, each said once: RFC 6749, section 3.1


def register(app: Dash, door: Door, limiter: Limiter) -> None:
    """The routes, when there is a provider."""
    settings = door.deployment.provider
    if settings is None:
        return
    from dashboard.provider import Provider  # what it needs comes with an extra

    server, provider, begun = app.server, Provider(settings), SignIns()
    secure = door.deployment.behind_proxy
    cookie = "__Host-watch_login" if secure else "watch_login"

    def page(there: str, problem: str, status: int) -> Response:
        return make_response(login_page(there, problem, provider=settings.name), status)

    def unavailable(there: str, error: ProviderUnavailable) -> Response:
        return page(
            there, f"{sentence(error)} Try again in a minute, or log in with your password for this dashboard.", 503
        )

    @server.get(START, endpoint="provider_start")
    @limiter.limit(BEGUN_FROM_ONE_ADDRESS)
    def start() -> AnyResponse:
        there = safe_path(request.args.get("next", ""))
        if not g.asks or g.actor != NOBODY:
            return redirect(there)
        one = SignIn(there, request.host_url.rstrip("/") + BACK)
        try:
            answer = redirect(provider.address(one))
        except ProviderUnavailable as error:
            return unavailable(there, error)
        token = begun.keep(one)
        answer.set_cookie(cookie, token, max_age=LASTS_S, secure=secure, httponly=True, samesite="Lax", path="/")
        return answer

    @server.get(BACK, endpoint="provider_back")
    @limiter.limit(FROM_ONE_ADDRESS, deduct_when=refused_status)
    def back() -> AnyResponse:
        try:
            answer = come_back() if g.asks else redirect("/")
        except StoreError as error:
            answer = page("/", f"Nobody can be let in now. {error}", 503)
        answer.delete_cookie(cookie, path="/", secure=secure, httponly=True, samesite="Lax")
        return answer

    def come_back() -> AnyResponse:
        there, where, accounts = "/", request.remote_addr or "", door.people.accounts
        try:
            one = begun.take(request.cookies.get(cookie, ""), request.args.get("state", ""))
            there = safe_path(one.there)
            if any(len(request.args.getlist(name)) > 1 for name in ONCE):
                raise SignInRefused("the answer says something twice")
            session = accounts.log_in_proved(provider.name(one, request.args), where=where, by=settings.issuer)
        except ProviderUnavailable as error:
            return unavailable(there, error)
        except SignInRefused as error:
            accounts.refused(where=where, by=settings.issuer, why=error.problem)
            return page(there, f"You are not logged in: {error}. Try again.", 401)
        except AccountError as error:
            return page(there, sentence(error), 401)
        return door.let_in(request, redirect(there, 303), session)
