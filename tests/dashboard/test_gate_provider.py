"""Logging in at a provider, attacked: on the way there and on the way back.

The standards beside the checks: OpenID Connect Core 1.0 (with errata 2), RFC 6749 (OAuth 2.0), RFC 7515, 7517 and 7518
(JOSE), RFC 7636 (PKCE), RFC 9207 (issuer in the answer), RFC 9700 (OAuth security).
"""

from __future__ import annotations

import json
from urllib.parse import parse_qs, urlsplit
from urllib.parse import urlencode as query

import pytest
from at_provider import BACK, START, VERA, back, begun, browser_of, gone_through, is_in, logged, refused
from gatehouse import PASSWORD, QUICK, Browser, dashboard_of, example, routes
from invented_provider import CLIENT, EC, RSA, SECRET, signed
from joserfc.jwk import ECKey

from dashboard import provider_login
from dashboard.deployment import Deployment
from dashboard.sign_ins import LASTS_S, MOST, SignIn, SignInRefused, SignIns
from fdm.people.errors import StoreError
from fdm.people.roles import ANALYST
from fdm.people.store import People

# --- in ---------------------------------------------------------------------------------------------------------------


def test_the_provider_lets_in_as_what_our_account_says(visitor, provider, provider_people):
    """The role is that of the account here, whatever the token claims."""
    provider.claims = {"role": "administrator", "roles": ["officer"], "groups": ["administrator"]}
    answer = gone_through(visitor, provider, "/landings?fleet=Heron+90")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/landings?fleet=Heron+90")
    actor = provider_people.accounts.who(visitor.cookie("watch_session"), where="")
    assert (actor.name, actor.role) == (VERA, ANALYST)
    assert visitor.get("/audit").status_code == 403
    (entry,) = logged(provider_people, "login", visitor)
    assert (entry["who"], entry["role"]) == (VERA, ANALYST)
    assert provider.issuer in entry["detail"]


@pytest.mark.parametrize(("key", "algorithm"), [(RSA, "RS256"), (RSA, "PS256"), (EC, "ES256")])
def test_the_signatures_of_the_standard_hold(visitor, provider, key, algorithm):
    """RFC 7518, section 3.1; a header that is not known is passed over: RFC 7515, section 4."""
    provider.sign = signed(key, algorithm, **{"x-of-the-provider": "1"})
    assert gone_through(visitor, provider).status_code == 303
    assert is_in(visitor)


def test_what_the_provider_is_asked(visitor, provider, provider_app):
    """OpenID Connect Core 1.0, section 3.1.2.1; RFC 7636, section 4.3; RFC 9700, section 2.1.1."""
    address = begun(visitor)
    assert address.startswith(f"{provider.issuer}/authorize?")
    asked = {name: value for name, (value,) in parse_qs(urlsplit(address).query).items()}
    assert asked | {"state": "", "nonce": "", "code_challenge": ""} == {
        "response_type": "code",
        "client_id": CLIENT,
        "scope": "openid email",
        "redirect_uri": "http://localhost/login/provider/back",
        "code_challenge_method": "S256",
        "state": "",
        "nonce": "",
        "code_challenge": "",
    }
    again = {name: value for name, (value,) in parse_qs(urlsplit(begun(browser_of(provider_app))).query).items()}
    fresh = [one[name] for one in (asked, again) for name in ("state", "nonce", "code_challenge")]
    assert len(set(fresh)) == 6
    assert min(map(len, fresh)) >= 43  # 256 bits in base64url


def test_the_login_page_offers_both(visitor):
    page = visitor.get("/login?next=/landings?a%3D1%26b%3D2").text
    assert 'href="/login/provider?next=%2Flandings%3Fa%3D1%26b%3D2"' in page
    assert "Log in with Invented Air" in page
    assert visitor.log_in("officer-1").status_code == 303


def test_an_email_address_may_come_from_the_userinfo_address(visitor, provider):
    """OpenID Connect Core 1.0, section 5.4."""
    provider.claims = {"email": None, "email_verified": None}
    provider.told = {"sub": "7f3a", "email": VERA, "email_verified": True}
    assert gone_through(visitor, provider).status_code == 303
    assert is_in(visitor)


def test_a_secret_goes_into_the_body_where_the_provider_says_so(visitor_alone, provider):
    """OpenID Connect Core 1.0, section 9."""
    provider.metadata = {"token_endpoint_auth_methods_supported": ["client_secret_post"]}
    assert gone_through(visitor_alone, provider).status_code == 303


def test_a_key_that_is_new_is_asked_for(visitor_alone, provider):
    """OpenID Connect Core 1.0, section 10.1.1: keys are rotated."""
    assert gone_through(visitor_alone, provider).status_code == 303
    new = ECKey.generate_key("P-256", {"kid": "new"})
    provider.keys, provider.sign = [new], signed(new, "ES256")
    other = browser_of(visitor_alone.app)
    assert gone_through(other, provider).status_code == 303
    assert provider.asked.count("/keys") == 2
    assert provider.asked.count("/.well-known/openid-configuration") == 1


def test_keys_that_are_not_understood_are_passed_over(visitor_alone, provider):
    """RFC 7517, section 5."""
    odd = [{"kty": "new"}, {"kty": "EC", "crv": "P-9"}, {"kty": "RSA"}, {}, 1, EC.as_dict(private=False)]
    provider.answers["/keys"] = (200, {"Content-Type": "application/json"}, json.dumps({"keys": odd}).encode())
    assert gone_through(visitor_alone, provider).status_code == 303


def test_an_administrator_makes_an_account_for_the_provider_alone(visitor, provider, provider_people):
    office = browser_of(visitor.app)
    office.log_in("administrator-1")
    assert "New account that logs in with Invented Air alone" in office.get("/accounts").text
    said = office.send("/accounts", act="add without password", name="zoe@example.org", role="captain").text
    assert "zoe@example.org may now log in at the provider as captain." in said
    assert visitor.log_in("zoe@example.org", "").status_code == 401
    provider.claims = {"email": "zoe@example.org"}
    assert gone_through(visitor, provider).status_code == 303
    assert provider_people.accounts.who(visitor.cookie("watch_session"), where="").role == "captain"


def test_logging_out_ends_our_session(visitor, provider):
    gone_through(visitor, provider)
    visitor.get("/account")
    token = visitor.cookie("watch_session")
    assert visitor.send("/logout").status_code == 303
    visitor.client.set_cookie("watch_session", token)
    assert not is_in(visitor)


# --- the way back -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("change", [{"state": None}, {"state": ""}, {"state": "A" * 43}, {"state": "\u00e9\ud83d"[:1]}])
def test_an_answer_with_another_state_is_refused(visitor, provider, provider_people, change):
    """RFC 6749, section 10.12; RFC 9700, section 2.1."""
    said = provider.logs_in(begun(visitor)) | change
    answer = back(visitor, {name: value for name, value in said.items() if value is not None})
    refused(visitor, provider_people, answer, "not the answer to the login that this browser began last")
    assert "/token" not in provider.asked


def test_an_answer_counts_once(visitor, provider):
    """Neither the right answer after a wrong one nor the same answer again."""
    for first, status in (({"state": "wrong"}, 401), ({}, 303)):
        said = provider.logs_in(begun(visitor))
        kept = visitor.cookie("watch_login")
        assert back(visitor, said | first).status_code == status
        visitor.client.delete_cookie("watch_session")
        visitor.client.set_cookie("watch_login", kept)
        answer = back(visitor, said)
        assert (answer.status_code, "not begun in this browser" in answer.text) == (401, True)
        assert not is_in(visitor)


def test_the_answer_to_another_browser_is_refused(visitor, provider, provider_people, provider_app):
    """Login by forgery (RFC 6749, section 10.12): the attacker's answer in a browser that began nothing, or its own."""
    said = provider.logs_in(begun(browser_of(provider_app)))
    refused(visitor, provider_people, back(visitor, said), "not begun in this browser")
    begun(visitor)
    refused(visitor, provider_people, back(visitor, said), "not the answer to the login that this browser began last")


def test_a_code_slipped_into_another_login_is_refused(visitor, provider, provider_people, provider_app):
    """RFC 9700, section 4.5: the code of somebody else with one's own state; PKCE makes the provider refuse it."""
    theirs = provider.logs_in(begun(browser_of(provider_app)))
    ours = provider.logs_in(begun(visitor))
    answer = back(visitor, ours | {"code": theirs["code"]})
    refused(visitor, provider_people, answer, "did not accept the code")


def test_a_code_used_before_is_refused(visitor, provider, provider_people):
    """RFC 6749, section 4.1.2."""
    said = provider.logs_in(begun(visitor))
    assert provider.token({"code": said["code"], "client_id": CLIENT, "client_secret": SECRET}, "")[0] == 400
    refused(visitor, provider_people, back(visitor, said), "did not accept the code")


@pytest.mark.parametrize("said", [{"iss": "https://evil.example"}, {"iss": ""}, {}])
def test_the_answer_of_another_provider_is_refused(visitor_alone, provider, provider_people, said):
    """RFC 9207, section 2.4: another issuer, or none where the provider promises to name itself."""
    provider.metadata = {"authorization_response_iss_parameter_supported": True}
    answer = back(visitor_alone, provider.logs_in(begun(visitor_alone)) | said)
    refused(visitor_alone, provider_people, answer, "provider")
    assert "/token" not in provider.asked


def test_the_answer_of_this_provider_is_taken(visitor_alone, provider):
    provider.metadata = {"authorization_response_iss_parameter_supported": True}
    assert back(visitor_alone, provider.logs_in(begun(visitor_alone)) | {"iss": provider.issuer}).status_code == 303


@pytest.mark.parametrize(
    ("error", "shown"), [("access_denied", "(access_denied)"), ("<script>alert(1)</script>", "(an error)")]
)
def test_a_login_given_up_is_said(visitor, provider, provider_people, error, shown):
    """RFC 6749, section 4.1.2.1. What comes with it is not shown: anybody can write it into an address."""
    state = provider.logs_in(begun(visitor))["state"]
    answer = back(visitor, {"error": error, "state": state, "error_description": "Call 555 and say your password"})
    refused(visitor, provider_people, answer, f"not completed there {shown}")
    assert "555" not in answer.text
    assert "<script>alert" not in answer.text


@pytest.mark.parametrize("name", ["state", "code", "iss"])
def test_an_answer_that_says_something_twice_is_refused(visitor, provider, provider_people, name):
    """RFC 6749, section 3.1."""
    said = provider.logs_in(begun(visitor)) | {"iss": provider.issuer}
    answer = visitor.get(f"{BACK}?{query(said)}&{query({name: said[name]})}")
    refused(visitor, provider_people, answer, "says something twice")


def test_an_answer_without_a_code_is_refused(visitor, provider, provider_people):
    said = provider.logs_in(begun(visitor))
    refused(visitor, provider_people, back(visitor, {"state": said["state"]}), "holds no code")


@pytest.mark.parametrize("act", ["refused", "log_in_proved"])
def test_a_store_that_cannot_be_written_lets_nobody_in(visitor, provider, provider_people, monkeypatch, act):
    def fail(*_said, **_more):
        raise StoreError("the disk is full")

    monkeypatch.setattr(provider_people.accounts, act, fail)
    answer = back(visitor, provider.logs_in(begun(visitor)) | ({"state": "x"} if act == "refused" else {}))
    assert (answer.status_code, "Nobody can be let in now. the disk is full" in answer.text) == (503, True)
    assert not is_in(visitor)


@pytest.mark.parametrize(
    "there",
    ["//evil.example", "https://evil.example", "/\\evil.example", "/\t/evil.example", "/logout", "/login/provider"],
)
def test_the_way_back_leads_nowhere_else(visitor, provider, there):
    """RFC 9700, section 4.11.1: no open redirect."""
    assert gone_through(visitor, provider, there).headers["Location"] == "/"


def test_where_it_goes_on_to_is_looked_at_again_on_the_way_back(visitor, provider, monkeypatch):
    monkeypatch.setattr(provider_login, "SignIn", lambda _there, back: SignIn("//evil.example", back))
    assert gone_through(visitor, provider).headers["Location"] == "/"


def test_a_session_is_new_after_the_provider_too(visitor, provider, provider_people):
    """Session fixation: what was planted, or known before, is worth nothing; the session before ends."""
    visitor.client.set_cookie("watch_session", "planted")
    said = provider.logs_in(begun(visitor))
    before = provider_people.accounts.log_in("officer-1", PASSWORD, where="").token
    visitor.client.set_cookie("watch_session", before)
    assert back(visitor, said).status_code == 303
    assert visitor.cookie("watch_session") not in ("", "planted", before)
    assert provider_people.accounts.who(before, where="") is None
    assert provider_people.accounts.who("planted", where="") is None


def test_cookies_of_a_login_begun_are_for_this_host_and_no_script(provider_people, provider_settings, provider):
    deployment = Deployment(hosts=frozenset({"watch.example.org"}), behind_proxy=True, provider=provider_settings)
    app = dashboard_of(provider_people, deployment=deployment)
    plain = Browser(dashboard_of(provider_people, deployment=Deployment(provider=provider_settings)))
    secure = Browser(app, **{"wsgi.url_scheme": "https", "HTTP_HOST": "watch.example.org"})
    for one, name in ((plain, "watch_login="), (secure, "__Host-watch_login=")):
        answer = one.get(START)
        (cookie,) = [c for c in answer.headers.getlist("Set-Cookie") if "watch_login" in c]
        assert cookie.startswith(name)
        assert {"HttpOnly", "SameSite=Lax", "Path=/", "Max-Age=600"} <= set(cookie.split("; "))
        assert ("Secure" in cookie) == (one is secure)
        assert "Domain" not in cookie
    assert "https%3A%2F%2Fwatch.example.org%2Flogin%2Fprovider%2Fback" in answer.headers["Location"]


def test_no_answer_of_a_login_is_kept(visitor, provider):
    answers = [visitor.get(START), visitor.get(BACK), gone_through(visitor, provider), visitor.get(START)]
    assert [answer.status_code for answer in answers] == [302, 401, 303, 302]
    assert {answer.headers["Cache-Control"] for answer in answers} == {"no-store"}
    assert visitor.get("/login/style.css").headers["Cache-Control"] == "max-age=3600"


def test_trying_answers_is_slowed_down(visitor, provider, provider_people):
    said = [back(visitor, {"state": "x", "code": str(i)}).status_code for i in range(12)]
    assert said == [401] * 10 + [429] * 2
    with visitor.client.head(f"{BACK}?state=x", environ_overrides=visitor.environ) as answer:
        assert answer.status_code == 429
    assert len(logged(provider_people, "failed login", visitor)) == 10
    assert gone_through(browser_of(visitor.app), provider).status_code == 303


def test_beginning_logins_is_slowed_down(visitor):
    assert [visitor.get(START).status_code for _ in range(31)] == [302] * 30 + [429]


def test_a_login_begun_ends_by_itself_and_counts_for_one_browser():
    now = [0.0]
    kept = SignIns(lambda: now[0])
    one = SignIn("/", "http://localhost/back")
    token = kept.keep(one)
    now[0] = LASTS_S
    assert kept.take(token, one.state) is one
    token = kept.keep(one)
    now[0] += LASTS_S + 1
    with pytest.raises(SignInRefused, match="more than ten minutes ago"):
        kept.take(token, one.state)


def test_logins_begun_do_not_fill_the_memory():
    now = [0.0]
    kept = SignIns(lambda: now[0])
    one = SignIn("/", "http://localhost/back")
    tokens = [kept.keep(one) for _ in range(MOST + 5)]
    assert len(kept._kept) == MOST
    with pytest.raises(SignInRefused):
        kept.take(tokens[4], one.state)
    assert kept.take(tokens[5], one.state) is one
    now[0] = LASTS_S + 1
    kept.keep(one)
    assert len(kept._kept) == 1


# --- who may ask ------------------------------------------------------------------------------------------------------


def test_with_a_provider_these_routes_more_are_public(provider_app):
    stranger = browser_of(provider_app)
    reached = {
        rule
        for rule, method in routes(provider_app)
        if method == "GET" and not stranger.get(example(rule)).headers.get("Location", "").startswith("/login")
        and stranger.get(example(rule)).status_code != 401
    }  # fmt: skip
    assert reached == {"/login", "/login/style.css", "/login/theme.js", "/healthz", START}
    assert "not begun in this browser" in stranger.get(BACK).text


def test_without_a_provider_there_is_no_way_through_it(provider_people):
    browser = Browser(dashboard_of(provider_people))
    for path in (START, BACK):
        assert browser.get(path).headers["Location"].startswith("/login?next=")
    assert "Log in with" not in browser.get("/login").text


def test_who_is_logged_in_is_not_sent_there(visitor, provider):
    gone_through(visitor, provider)
    assert visitor.get(f"{START}?next=/landings").headers["Location"] == "/landings"


def test_without_accounts_the_provider_lets_nobody_in(tmp_path, provider, provider_settings):
    with People(str(tmp_path / "none.sqlite"), hasher=QUICK) as nobody:
        browser = Browser(dashboard_of(nobody, deployment=Deployment(provider=provider_settings)), "192.0.2.7")
        assert browser.get(START).headers["Location"] == "/"
        assert browser.get(f"{BACK}?code=1&state=1").headers["Location"] == "/"
        assert not browser.cookie("watch_session")
    assert provider.asked == []
