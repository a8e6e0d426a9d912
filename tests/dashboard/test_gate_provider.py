"""Logging in at a provider, attacked: on the way there, on the way back, and by what the provider's answer says.

The standards beside the checks: OpenID Connect Core 1.0 and Discovery 1.0 (with errata 2), RFC 6749 (OAuth 2.0), RFC
7636 (PKCE), RFC 7515 and 7517 to 7519 (JOSE), RFC 8725 (JWT best practice), RFC 9207 (issuer in the answer), RFC 9700
(OAuth security).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import logging
import time
from itertools import count
from urllib.parse import parse_qs, urlsplit

import pytest
from gatehouse import PASSWORD, QUICK, Browser, dashboard_of, example, routes, with_accounts
from invented_provider import CLIENT, EC, RSA, SECRET, STRANGER, providing, query, signed
from joserfc.jwk import ECKey

from dashboard import provider_settings
from dashboard.deployment import Deployment, deployment_of
from dashboard.provider import KEPT_S, PAUSE_S, Provider
from dashboard.provider_settings import ProviderSettings
from dashboard.serve import reach
from dashboard.sign_ins import LASTS_S, MOST, ProviderUnavailable, SignIn, SignInRefused, SignIns
from fdm.errors import FdmError
from fdm.people.accounts import NOBODY
from fdm.people.roles import ADMINISTRATOR, ANALYST, OFFICER, Actor
from fdm.people.store import People

ROOT = Actor("root", ADMINISTRATOR)
VERA = "vera@example.org"
START, BACK = "/login/provider", "/login/provider/back"
ADDRESSES = count(1)


@pytest.fixture(scope="module")
def serving_provider():
    with pytest.MonkeyPatch.context() as patch, providing() as provider:
        patch.setenv("NO_PROXY", "127.0.0.1")
        yield provider


@pytest.fixture
def provider(serving_provider):
    serving_provider.reset()
    return serving_provider


@pytest.fixture(scope="module")
def settings(serving_provider):
    return ProviderSettings(serving_provider.issuer, CLIENT, SECRET, "Invented Air")


@pytest.fixture(scope="module")
def people(tmp_path_factory):
    with People(str(tmp_path_factory.mktemp("provider") / "people.sqlite"), hasher=QUICK) as opened:
        with_accounts(opened).accounts.add(VERA, ANALYST, PASSWORD, by=ROOT)
        yield opened


@pytest.fixture(scope="module")
def app(people, settings):
    return dashboard_of(people, deployment=Deployment(provider=settings))


@pytest.fixture
def browser(app, provider):
    return browser_of(app)


@pytest.fixture
def own(people, settings, provider):
    """A browser at a dashboard of this test alone, which knows nothing of the provider yet."""
    return browser_of(dashboard_of(people, deployment=Deployment(provider=settings)))


def browser_of(app):
    """A browser at an address of its own."""
    number = next(ADDRESSES)
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


# --- in ---------------------------------------------------------------------------------------------------------------


def test_the_provider_lets_in_as_what_our_account_says(browser, provider, people):
    """The role is that of the account here, whatever the token claims."""
    provider.claims = {"role": "administrator", "roles": ["officer"], "groups": ["administrator"]}
    answer = gone_through(browser, provider, "/landings?fleet=Heron+90")
    assert (answer.status_code, answer.headers["Location"]) == (303, "/landings?fleet=Heron+90")
    actor = people.accounts.who(browser.cookie("watch_session"), where="")
    assert (actor.name, actor.role) == (VERA, ANALYST)
    assert browser.get("/audit").status_code == 403
    (entry,) = logged(people, "login", browser)
    assert (entry["who"], entry["role"]) == (VERA, ANALYST)
    assert provider.issuer in entry["detail"]


@pytest.mark.parametrize(("key", "algorithm"), [(RSA, "RS256"), (RSA, "PS256"), (EC, "ES256")])
def test_the_signatures_of_the_standard_hold(browser, provider, key, algorithm):
    """RFC 7518, section 3.1; a header that is not known is passed over: RFC 7515, section 4."""
    provider.sign = signed(key, algorithm, **{"x-of-the-provider": "1"})
    assert gone_through(browser, provider).status_code == 303
    assert is_in(browser)


def test_what_the_provider_is_asked(browser, provider, app):
    """OpenID Connect Core 1.0, section 3.1.2.1; RFC 7636, section 4.3; RFC 9700, section 2.1.1."""
    address = begun(browser)
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
    again = {name: value for name, (value,) in parse_qs(urlsplit(begun(browser_of(app))).query).items()}
    fresh = [one[name] for one in (asked, again) for name in ("state", "nonce", "code_challenge")]
    assert len(set(fresh)) == 6
    assert min(map(len, fresh)) >= 43  # 256 bits in base64url


def test_the_login_page_offers_both(browser):
    page = browser.get("/login?next=/landings?a%3D1%26b%3D2").text
    assert 'href="/login/provider?next=%2Flandings%3Fa%3D1%26b%3D2"' in page
    assert "Log in with Invented Air" in page
    assert browser.log_in("officer-1").status_code == 303


def test_an_email_address_may_come_from_the_userinfo_address(browser, provider):
    """OpenID Connect Core 1.0, section 5.4."""
    provider.claims = {"email": None, "email_verified": None}
    provider.told = {"sub": "7f3a", "email": VERA, "email_verified": True}
    assert gone_through(browser, provider).status_code == 303
    assert is_in(browser)


def test_a_secret_goes_into_the_body_where_the_provider_says_so(own, provider):
    """OpenID Connect Core 1.0, section 9."""
    provider.metadata = {"token_endpoint_auth_methods_supported": ["client_secret_post"]}
    assert gone_through(own, provider).status_code == 303


def test_a_key_that_is_new_is_asked_for(own, provider):
    """OpenID Connect Core 1.0, section 10.1.1: keys are rotated."""
    assert gone_through(own, provider).status_code == 303
    new = ECKey.generate_key("P-256", {"kid": "new"})
    provider.keys, provider.sign = [new], signed(new, "ES256")
    other = browser_of(own.app)
    assert gone_through(other, provider).status_code == 303
    assert provider.asked.count("/keys") == 2
    assert provider.asked.count("/.well-known/openid-configuration") == 1


def test_keys_that_are_not_understood_are_passed_over(own, provider):
    """RFC 7517, section 5."""
    odd = [{"kty": "new"}, {"kty": "EC", "crv": "P-9"}, {"kty": "RSA"}, {}, 1, EC.as_dict(private=False)]
    provider.answers["/keys"] = (200, {"Content-Type": "application/json"}, json.dumps({"keys": odd}).encode())
    assert gone_through(own, provider).status_code == 303


def test_logging_out_ends_our_session(browser, provider):
    gone_through(browser, provider)
    browser.get("/account")
    token = browser.cookie("watch_session")
    assert browser.send("/logout").status_code == 303
    browser.client.set_cookie("watch_session", token)
    assert not is_in(browser)


# --- the way back -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("change", [{"state": None}, {"state": ""}, {"state": "A" * 43}, {"state": "\u00e9\ud83d"[:1]}])
def test_an_answer_with_another_state_is_refused(browser, provider, people, change):
    """RFC 6749, section 10.12; RFC 9700, section 2.1."""
    said = provider.logs_in(begun(browser)) | change
    answer = back(browser, {name: value for name, value in said.items() if value is not None})
    refused(browser, people, answer, "not the answer to the login that this browser began last")
    assert "/token" not in provider.asked


def test_an_answer_counts_once(browser, provider, people):
    """Neither the right answer after a wrong one nor the same answer again."""
    said = provider.logs_in(begun(browser))
    back(browser, said | {"state": "wrong"})
    refused(browser, people, back(browser, said), "not begun in this browser")
    said = provider.logs_in(begun(browser))
    kept = browser.cookie("watch_login")
    assert back(browser, said).status_code == 303
    browser.client.delete_cookie("watch_session")
    browser.client.set_cookie("watch_login", kept)
    assert back(browser, said).status_code == 401
    assert not is_in(browser)


def test_the_answer_to_another_browser_is_refused(browser, provider, people, app):
    """Login by forgery (RFC 6749, section 10.12): the attacker's answer in a browser that began nothing, or its own."""
    said = provider.logs_in(begun(browser_of(app)))
    refused(browser, people, back(browser, said), "not begun in this browser")
    begun(browser)
    refused(browser, people, back(browser, said), "not the answer to the login that this browser began last")


def test_a_code_slipped_into_another_login_is_refused(browser, provider, people, app):
    """RFC 9700, section 4.5: the code of somebody else with one's own state; PKCE makes the provider refuse it."""
    theirs = provider.logs_in(begun(browser_of(app)))
    ours = provider.logs_in(begun(browser))
    answer = back(browser, ours | {"code": theirs["code"]})
    refused(browser, people, answer, "did not accept the code")


def test_a_code_used_before_is_refused(browser, provider, people):
    """RFC 6749, section 4.1.2."""
    said = provider.logs_in(begun(browser))
    assert provider.token({"code": said["code"], "client_id": CLIENT, "client_secret": SECRET}, "")[0] == 400
    refused(browser, people, back(browser, said), "did not accept the code")


@pytest.mark.parametrize("said", [{"iss": "https://evil.example"}, {"iss": ""}, {}])
def test_the_answer_of_another_provider_is_refused(own, provider, people, said):
    """RFC 9207, section 2.4: another issuer, or none where the provider promises to name itself."""
    provider.metadata = {"authorization_response_iss_parameter_supported": True}
    answer = back(own, provider.logs_in(begun(own)) | said)
    refused(own, people, answer, "provider")
    assert "/token" not in provider.asked


def test_the_answer_of_this_provider_is_taken(own, provider):
    provider.metadata = {"authorization_response_iss_parameter_supported": True}
    assert back(own, provider.logs_in(begun(own)) | {"iss": provider.issuer}).status_code == 303


@pytest.mark.parametrize(
    ("error", "shown"), [("access_denied", "(access_denied)"), ("<script>alert(1)</script>", "(an error)")]
)
def test_a_login_given_up_is_said(browser, provider, people, error, shown):
    """RFC 6749, section 4.1.2.1. What comes with it is not shown: anybody can write it into an address."""
    state = provider.logs_in(begun(browser))["state"]
    answer = back(browser, {"error": error, "state": state, "error_description": "Call 555 and say your password"})
    refused(browser, people, answer, f"not completed there {shown}")
    assert "555" not in answer.text
    assert "<script>alert" not in answer.text


@pytest.mark.parametrize("name", ["state", "code", "iss"])
def test_an_answer_that_says_something_twice_is_refused(browser, provider, people, name):
    """RFC 6749, section 3.1."""
    said = provider.logs_in(begun(browser)) | {"iss": provider.issuer}
    answer = browser.get(f"{BACK}?{query(said)}&{query({name: said[name]})}")
    refused(browser, people, answer, "says something twice")


def test_an_answer_without_a_code_is_refused(browser, provider, people):
    said = provider.logs_in(begun(browser))
    refused(browser, people, back(browser, {"state": said["state"]}), "holds no code")


@pytest.mark.parametrize(
    "there",
    ["//evil.example", "https://evil.example", "/\\evil.example", "/\t/evil.example", "/logout", "/login/provider"],
)
def test_the_way_back_leads_nowhere_else(browser, provider, there):
    """RFC 9700, section 4.11.1: no open redirect."""
    assert gone_through(browser, provider, there).headers["Location"] == "/"


def test_a_session_is_new_after_the_provider_too(browser, provider, people):
    """Session fixation: what was planted, or known before, is worth nothing; the session before ends."""
    browser.client.set_cookie("watch_session", "planted")
    said = provider.logs_in(begun(browser))
    before = people.accounts.log_in("officer-1", PASSWORD, where="").token
    browser.client.set_cookie("watch_session", before)
    assert back(browser, said).status_code == 303
    assert browser.cookie("watch_session") not in ("", "planted", before)
    assert people.accounts.who(before, where="") is None
    assert people.accounts.who("planted", where="") is None


def test_cookies_of_a_login_begun_are_for_this_host_and_no_script(people, settings, provider):
    deployment = Deployment(hosts=frozenset({"watch.example.org"}), behind_proxy=True, provider=settings)
    app = dashboard_of(people, deployment=deployment)
    plain = Browser(dashboard_of(people, deployment=Deployment(provider=settings)))
    secure = Browser(app, **{"wsgi.url_scheme": "https", "HTTP_HOST": "watch.example.org"})
    for one, name in ((plain, "watch_login="), (secure, "__Host-watch_login=")):
        answer = one.get(START)
        (cookie,) = [c for c in answer.headers.getlist("Set-Cookie") if "watch_login" in c]
        assert cookie.startswith(name)
        assert {"HttpOnly", "SameSite=Lax", "Path=/", "Max-Age=600"} <= set(cookie.split("; "))
        assert ("Secure" in cookie) == (one is secure)
        assert "Domain" not in cookie
    assert "https%3A%2F%2Fwatch.example.org%2Flogin%2Fprovider%2Fback" in answer.headers["Location"]


def test_no_answer_of_a_login_is_kept(browser, provider):
    answers = [browser.get(START), browser.get(BACK), gone_through(browser, provider), browser.get(START)]
    assert [answer.status_code for answer in answers] == [302, 401, 303, 302]
    assert {answer.headers["Cache-Control"] for answer in answers} == {"no-store"}
    assert browser.get("/login/style.css").headers["Cache-Control"] == "max-age=3600"


def test_trying_answers_is_slowed_down(browser, provider, people):
    said = [back(browser, {"state": "x", "code": str(i)}).status_code for i in range(12)]
    assert said == [401] * 10 + [429] * 2
    with browser.client.head(f"{BACK}?state=x", environ_overrides=browser.environ) as answer:
        assert answer.status_code == 429
    assert len(logged(people, "failed login", browser)) == 10
    assert gone_through(browser_of(browser.app), provider).status_code == 303


def test_beginning_logins_is_slowed_down(browser):
    assert [browser.get(START).status_code for _ in range(31)] == [302] * 30 + [429]


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


# --- what the token says ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "claims",
    [
        # OpenID Connect Core 1.0, section 3.1.3.7: by the number there
        pytest.param({"iss": "https://evil.example"}, id="2 another issuer"),
        pytest.param({"iss": None}, id="2 no issuer"),
        pytest.param({"iss": ["ISSUER"]}, id="2 issuers in a list"),
        pytest.param({"aud": "another-client"}, id="3 another audience"),
        pytest.param({"aud": None}, id="3 no audience"),
        pytest.param({"aud": []}, id="3 an empty audience"),
        pytest.param({"aud": [CLIENT, "another-client"]}, id="3 another audience beside ours"),
        pytest.param({"aud": [CLIENT, "another-client"], "azp": "another-client"}, id="4 for another client"),
        pytest.param({"azp": "another-client"}, id="5 made out to another client"),
        pytest.param({"exp": 1_000_000_000}, id="9 expired"),
        pytest.param({"exp": None}, id="9 without an end"),
        pytest.param({"exp": float("nan")}, id="9 an end that is no number"),
        pytest.param({"iat": 99_999_999_999, "exp": 99_999_999_999}, id="10 of the future"),
        pytest.param({"iat": None}, id="10 of no time"),
        pytest.param({"nonce": "another"}, id="11 another nonce"),
        pytest.param({"nonce": None}, id="11 no nonce"),
        pytest.param({"nonce": ["x"]}, id="11 nonces in a list"),
        # section 2: who it is; section 3.1.3.6: the access token that goes with it
        pytest.param({"sub": None}, id="nobody"),
        pytest.param({"sub": ""}, id="an empty name"),
        pytest.param({"sub": 7}, id="a number as a name"),
        pytest.param({"at_hash": "another"}, id="another access token"),
    ],
)
def test_an_id_token_that_says_something_else_is_refused(browser, provider, people, claims):
    provider.claims = claims
    refused(browser, people, gone_through(browser, provider), "ID token does not hold")


def test_an_audience_beside_ours_is_taken_when_the_token_is_made_out_to_us(browser, provider):
    """OpenID Connect Core 1.0, section 3.1.3.7, number 4."""
    provider.claims = {"aud": [CLIENT, "another-client"], "azp": CLIENT}
    assert gone_through(browser, provider).status_code == 303


def test_the_clock_of_the_provider_may_be_a_minute_off(browser, provider):
    """OpenID Connect Core 1.0, section 2 (exp): some small leeway."""
    provider.claims = {"iat": int(time.time()) + 45, "exp": int(time.time()) - 30}
    assert gone_through(browser, provider).status_code == 303


def by_hand(header, claims, signature=b""):
    """A token as RFC 7515, section 7.1, writes it."""
    parts = [json.dumps(header).encode(), json.dumps(claims).encode()]
    return ".".join(base64.urlsafe_b64encode(part).decode().rstrip("=") for part in (*parts, signature))


def with_secret(secret):
    """Signed with what others know as well: HS256 (RFC 7518, section 3.2)."""

    def sign(claims):
        said = by_hand({"alg": "HS256", "kid": "ec"}, claims)[:-1]
        digest = hmac.new(secret, said.encode(), hashlib.sha256).digest()
        return f"{said}.{base64.urlsafe_b64encode(digest).decode().rstrip('=')}"

    return sign


def tampered(claims):
    """The signature of other claims."""
    head, _, signature = signed(EC, "ES256")(claims).split(".")
    said = base64.urlsafe_b64encode(json.dumps(claims | {"email": "officer-1"}).encode()).decode().rstrip("=")
    return f"{head}.{said}.{signature}"


@pytest.mark.parametrize(
    "sign",
    [
        pytest.param(signed(STRANGER, "ES256"), id="another key of the same name"),
        pytest.param(signed(ECKey.generate_key("P-256", {"kid": "?"}), "ES256"), id="a key that is not known"),
        # RFC 8725, sections 2.1 and 3.1; OpenID Connect Core 1.0, section 3.1.3.7, number 6 to 8
        pytest.param(lambda claims: by_hand({"alg": "none"}, claims), id="no signature"),
        pytest.param(lambda claims: by_hand({"alg": "None", "kid": "ec"}, claims), id="no signature, in capitals"),
        pytest.param(lambda claims: by_hand({"alg": "ES256", "kid": "ec"}, claims), id="an empty signature"),
        pytest.param(lambda claims: by_hand({"alg": "ES256", "kid": "ec"}, claims, bytes(64)), id="zeros as signature"),
        pytest.param(with_secret(SECRET.encode()), id="the client's secret"),
        pytest.param(with_secret(EC.as_pem(private=False)), id="the public key as a secret"),
        pytest.param(with_secret(json.dumps(EC.as_dict(private=False)).encode()), id="the public key, as JSON"),
        pytest.param(with_secret(b""), id="an empty secret"),
        pytest.param(tampered, id="changed after signing"),
        pytest.param(signed(STRANGER, "ES256", jwk=STRANGER.as_dict(private=False)), id="its own key with it"),
        pytest.param(lambda claims: signed(EC, "ES256")(claims) + "x", id="a signature too long"),
        pytest.param(lambda claims: "", id="an empty token"),
        pytest.param(lambda claims: "a.b.c", id="no token"),
        pytest.param(lambda claims: "\u00e9.\u00e9.\u00e9", id="no letters of a token"),
        pytest.param(lambda claims: by_hand([], claims), id="a list as a header"),
    ],
)  # fmt: skip
def test_an_id_token_that_the_provider_did_not_sign_is_refused(browser, provider, people, sign):
    provider.sign = sign
    refused(browser, people, gone_through(browser, provider), "ID token does not hold")


def test_an_answer_without_an_id_token_is_refused(browser, provider, people):
    provider.tokens = {"id_token": None}
    refused(browser, people, gone_through(browser, provider), "gave no ID token")


@pytest.mark.parametrize(
    ("claims", "why"),
    [
        ({"email": None}, "did not tell the email"),
        ({"email": ""}, "did not tell the email"),
        ({"email": [VERA]}, "did not tell the email"),
        ({"email": f"{VERA}\n"}, "did not tell the email"),
        ({"email": "\ud83d"}, "did not tell the email"),  # half a letter: no text that could be shown
        # OpenID Connect Core 1.0, section 5.1: email_verified is a boolean
        ({"email_verified": False}, "has not verified the e-mail address"),
        ({"email_verified": None}, "has not verified the e-mail address"),
        ({"email_verified": "true"}, "has not verified the e-mail address"),
    ],
)
def test_an_email_address_that_is_not_verified_lets_nobody_in(browser, provider, people, claims, why):
    provider.claims, provider.told = claims, {"sub": "7f3a"}
    refused(browser, people, gone_through(browser, provider), why)


def test_what_is_told_of_somebody_else_is_refused(browser, provider, people):
    """OpenID Connect Core 1.0, section 5.3.2."""
    provider.claims = {"email": None}
    provider.told = {"sub": "another", "email": VERA, "email_verified": True}
    refused(browser, people, gone_through(browser, provider), "is of somebody else")


@pytest.mark.parametrize("email", ["stranger@example.org", "ver\u0430@example.org", "vera@example.org ", "x" * 5000])
def test_somebody_without_an_account_is_not_let_in_and_gets_none(browser, provider, people, email):
    """Nor with an address that looks like that of an account."""
    accounts = people.accounts.list().height
    provider.claims = {"email": email}
    answer = gone_through(browser, provider)
    assert answer.status_code == 401
    assert "There is no account" in answer.text
    assert not is_in(browser)
    assert people.accounts.list().height == accounts
    (entry,) = logged(people, "failed login", browser)
    assert (entry["who"], "no such account" in entry["detail"]) == (NOBODY, True)


def test_a_letter_that_only_becomes_one_of_ours_does_not_count(browser, provider, people):
    """The Kelvin sign is k in small letters (Unicode 16, CaseFolding.txt): kim is not Kim of another alphabet."""
    people.accounts.add("kim@example.org", OFFICER, PASSWORD, by=ROOT)
    provider.claims = {"email": "\u212aim@example.org"}
    assert "There is no account" in gone_through(browser, provider).text
    assert not is_in(browser)


def test_a_shut_account_is_not_let_in_by_the_provider_either(browser, provider, people):
    people.accounts.add("ines@example.org", OFFICER, PASSWORD, by=ROOT)
    people.accounts.disable("ines@example.org", by=ROOT)
    provider.claims = {"email": "ines@example.org"}
    answer = gone_through(browser, provider)
    assert answer.status_code == 401
    assert "The account &#39;ines@example.org&#39; is shut." in answer.text
    assert not is_in(browser)
    (entry,) = logged(people, "failed login", browser)
    assert (entry["who"], "the account is shut" in entry["detail"]) == ("ines@example.org", True)


def test_another_claim_names_an_account_letter_for_letter(people, provider):
    """OpenID Connect Core 1.0, section 5.7: sub is never given to somebody else; it is case sensitive (section 2)."""
    people.accounts.add("7f3a", OFFICER, PASSWORD, by=ROOT)
    deployment = Deployment(provider=ProviderSettings(provider.issuer, CLIENT, SECRET, "Invented Air", "sub"))
    app = dashboard_of(people, deployment=deployment)
    first, second = browser_of(app), browser_of(app)
    provider.claims = {"email_verified": False}
    assert gone_through(first, provider).status_code == 303
    provider.claims = {"sub": "7F3A"}
    assert "There is no account" in gone_through(second, provider).text


# --- the provider in trouble ------------------------------------------------------------------------------------------

DISCOVERY = "/.well-known/openid-configuration"
JSON = {"Content-Type": "application/json"}


@pytest.mark.parametrize(
    "answer",
    [
        (500, {}, b"sorry"),
        (404, {}, b""),
        (200, JSON, b"<html>"),
        (200, JSON, b"[]"),
        (200, JSON, b"{}"),
        (200, JSON, b'{"issuer": "ISSUER"}'),
        (302, {"Location": "/elsewhere"}, b""),  # what is redirected is not followed
        (302, {"Location": "file:///etc/passwd"}, b""),
    ],
)
def test_a_provider_that_does_not_answer_is_said_and_passwords_still_work(own, provider, people, answer):
    """OpenID Connect Discovery 1.0, sections 4.2 and 4.3."""
    status, headers, body = answer
    provider.answers[DISCOVERY] = (status, headers, body.replace(b"ISSUER", provider.issuer.encode()))
    said = own.get(START)
    assert said.status_code == 503
    assert "Invented Air does not answer now. Try again in a minute, or log in with a password" in said.text
    assert "/elsewhere" not in provider.asked
    assert own.log_in("officer-1").status_code == 303
    assert not logged(people, "failed login", own)


@pytest.mark.parametrize("issuer", ["https://evil.example", "ISSUER/", None])
def test_the_description_of_another_issuer_is_refused(own, provider, caplog, issuer):
    """OpenID Connect Discovery 1.0, section 4.3: identical, or nothing of it is used."""
    provider.metadata = {"issuer": issuer and issuer.replace("ISSUER", provider.issuer)}
    assert own.get(START).status_code == 503
    assert f"not '{provider.issuer}'" in caplog.text


@pytest.mark.parametrize("name", ["authorization_endpoint", "token_endpoint", "jwks_uri"])
@pytest.mark.parametrize("address", [None, 7, "", "javascript:alert(1)", "http://evil.example/", "//evil.example/", "https://a.example/\n"])
def test_an_address_that_could_be_listened_to_is_not_used(own, provider, name, address):
    """OpenID Connect Discovery 1.0, section 3: every one is https (here also this machine)."""
    provider.metadata = {name: address}
    answer = own.get(START)
    if answer.status_code == 302:
        answer = back(own, provider.logs_in(answer.headers["Location"]))
    assert answer.status_code == 503
    assert not is_in(own)


def test_a_provider_elsewhere_does_not_send_us_to_this_machine(provider, monkeypatch):
    issuer = "https://login.example.org"
    asked = Provider(ProviderSettings(issuer, CLIENT, SECRET, "Invented Air"))
    described = {"issuer": issuer, "authorization_endpoint": "http://127.0.0.1:8050/"}
    monkeypatch.setattr(asked, "_document", lambda _address, anew=False: described)
    with pytest.raises(ProviderUnavailable):
        asked.address(SignIn("/", "https://watch.example.org/login/provider/back"))


def test_a_provider_that_goes_away_halfway_is_said(browser, provider, people):
    said = provider.logs_in(begun(browser))
    provider.answers["/token"] = (502, {}, b"sorry")
    answer = back(browser, said)
    assert (answer.status_code, "does not answer now" in answer.text) == (503, True)
    provider.answers["/token"] = (302, {"Location": "/elsewhere"}, b"")
    assert gone_through(browser, provider).status_code == 503
    assert "/elsewhere" not in provider.asked
    provider.answers.clear()
    assert gone_through(browser, provider).status_code == 303


def test_a_provider_is_asked_only_when_somebody_logs_in(own, provider):
    own.get("/login")
    assert provider.asked == []


def test_a_silent_provider_is_left_alone_for_a_while():
    """Nobody waits for it again and again, and it comes back by itself."""
    now = [1000.0]
    silent = Provider(ProviderSettings("http://127.0.0.1:9", CLIENT, SECRET, "Invented Air"), now=lambda: now[0])
    tried = []
    session = silent._session
    silent._session = lambda: tried.append(1) or session()
    for moved_s, times in ((0.0, 1), (PAUSE_S - 1, 1), (1.0, 2)):
        now[0] += moved_s
        with pytest.raises(ProviderUnavailable, match="Invented Air does not answer now"):
            silent.address(SignIn("/", "http://localhost/login/provider/back"))
        assert len(tried) == times


def test_what_the_provider_says_of_itself_is_believed_for_an_hour(provider, settings):
    now = [1000.0]
    asking = Provider(settings, now=lambda: now[0])
    for moved_s, times in ((0.0, 1), (KEPT_S - 1, 1), (1.0, 2)):
        now[0] += moved_s
        asking.address(SignIn("/", "http://localhost/login/provider/back"))
        assert provider.asked.count(DISCOVERY) == times


def test_a_wrong_secret_is_said_in_the_log_and_not_shown(people, provider, caplog):
    deployment = Deployment(provider=ProviderSettings(provider.issuer, CLIENT, "not-the-secret", "Invented Air"))
    browser = Browser(dashboard_of(people, deployment=deployment))
    assert gone_through(browser, provider).status_code == 503
    assert "refuses this dashboard: invalid_client" in caplog.text
    assert "not-the-secret" not in caplog.text


def test_a_provider_that_signs_with_shared_secrets_alone_is_not_believed(own, provider):
    provider.metadata = {"id_token_signing_alg_values_supported": ["HS256", "none"]}
    provider.sign = with_secret(SECRET.encode())
    assert gone_through(own, provider).status_code == 503
    assert not is_in(own)


# --- what nobody gets to see ------------------------------------------------------------------------------------------


def test_no_secret_leaves_the_server(own, provider, people, settings, caplog):
    """Neither the client's secret nor a token, a code or a verifier: not in pages, addresses, logs, the store."""
    caplog.set_level(logging.DEBUG)
    address = begun(own)
    said = provider.logs_in(address)
    answer = back(own, said)
    pages = [own.get(path) for path in ("/account", "/login", "/_dash-layout")]
    provider.claims = {"nonce": "another"}
    failed = gone_through(browser_of(own.app), provider)
    shown = [address, repr(settings), repr(Deployment(provider=settings)), repr(SignIn("/", "x")), caplog.text]
    shown += [one.text + str(one.headers) for one in (answer, failed, *pages)] + [
        str(people.audit.entries().to_dicts())
    ]
    secrets = [SECRET, "an-access-token", base64.b64encode(f"{CLIENT}:{SECRET}".encode()).decode()]
    for text in shown:
        assert not [one for one in secrets if one in text], text
    for text in shown[1:]:
        assert said["code"] not in text


# --- who may ask ------------------------------------------------------------------------------------------------------


def test_with_a_provider_these_routes_more_are_public(app):
    stranger = browser_of(app)
    reached = {
        rule
        for rule, method in routes(app)
        if method == "GET" and not stranger.get(example(rule)).headers.get("Location", "").startswith("/login")
        and stranger.get(example(rule)).status_code != 401
    }  # fmt: skip
    assert reached == {"/login", "/login/style.css", "/login/theme.js", "/healthz", START}
    assert "not begun in this browser" in stranger.get(BACK).text


def test_without_a_provider_there_is_no_way_through_it(people):
    browser = Browser(dashboard_of(people))
    for path in (START, BACK):
        assert browser.get(path).headers["Location"].startswith("/login?next=")
    assert "Log in with" not in browser.get("/login").text


def test_who_is_logged_in_is_not_sent_there(browser, provider):
    gone_through(browser, provider)
    assert browser.get(f"{START}?next=/landings").headers["Location"] == "/landings"


def test_without_accounts_the_provider_lets_nobody_in(tmp_path, provider, settings):
    with People(str(tmp_path / "none.sqlite"), hasher=QUICK) as nobody:
        browser = Browser(dashboard_of(nobody, deployment=Deployment(provider=settings)), "192.0.2.7")
        assert browser.get(START).headers["Location"] == "/"
        assert browser.get(f"{BACK}?code=1&state=1").headers["Location"] == "/"
        assert not browser.cookie("watch_session")
    assert provider.asked == []


# --- how it is set up -------------------------------------------------------------------------------------------------

SAID = {"FDM_OIDC_ISSUER": "https://login.example.org", "FDM_OIDC_CLIENT_ID": CLIENT, "FDM_OIDC_SECRET": SECRET}


def test_a_provider_as_the_environment_says(tmp_path):
    assert deployment_of({}).provider is None
    assert deployment_of(SAID).provider == ProviderSettings(
        "https://login.example.org", CLIENT, SECRET, "login.example.org", "email"
    )
    file = tmp_path / "secret"
    file.write_text(f"{SECRET}\n")
    more = {"FDM_OIDC_SECRET": "", "FDM_OIDC_SECRET_FILE": str(file), "FDM_OIDC_NAME": "Ours", "FDM_OIDC_CLAIM": "sub"}
    assert deployment_of(SAID | more).provider == ProviderSettings(
        "https://login.example.org", CLIENT, SECRET, "Ours", "sub"
    )
    for issuer in ("http://127.0.0.1:9000/realm", "http://localhost:9000", "http://[::1]:9000"):
        assert deployment_of(SAID | {"FDM_OIDC_ISSUER": issuer}).provider.issuer == issuer


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"FDM_OIDC_ISSUER": "http://login.example.org"}, "could be changed on the way. Write https://"),
        ({"FDM_OIDC_ISSUER": "http://127.0.0.1.example.org"}, "could be changed on the way"),
        ({"FDM_OIDC_ISSUER": "login.example.org"}, "cannot be a provider's address"),
        ({"FDM_OIDC_ISSUER": "file:///etc/passwd"}, "cannot be a provider's address"),
        ({"FDM_OIDC_ISSUER": "https://login.example.org?a=1"}, "cannot be a provider's address"),
        ({"FDM_OIDC_ISSUER": "https://login.example.org#"}, "cannot be a provider's address"),
        ({"FDM_OIDC_ISSUER": "https://me@login.example.org"}, "cannot be a provider's address"),
        ({"FDM_OIDC_ISSUER": "https://login.example.org:port"}, "cannot be a provider's address"),
        ({"FDM_OIDC_ISSUER": ""}, "FDM_OIDC_CLIENT_ID: the provider that this belongs to is not named"),
        ({"FDM_OIDC_CLIENT_ID": ""}, "FDM_OIDC_CLIENT_ID: nothing is said"),
        ({"FDM_OIDC_SECRET": ""}, "FDM_OIDC_SECRET: nothing is said"),
        ({"FDM_OIDC_SECRET": "caf\u00e9"}, "FDM_OIDC_SECRET: this holds a character that cannot be in it"),
        ({"FDM_OIDC_SECRET_FILE": "/no/such/file"}, "the secret is said twice"),
        ({"FDM_OIDC_SECRET": "", "FDM_OIDC_SECRET_FILE": "/no/such/file"}, "the file cannot be read"),
        ({"FDM_OIDC_SECRET": "", "FDM_OIDC_SECRET_FILE": "/dev/null"}, "nothing is said"),
        ({"FDM_OIDC_NAME": "x" * 41}, "FDM_OIDC_NAME: the name has more than 40 characters"),
        ({"FDM_OIDC_CLAIM": "a\nb"}, "FDM_OIDC_CLAIM: this holds a character"),
        ({"FDM_USER_HEADER": "X-Remote-User", "FDM_BEHIND_PROXY": "1"}, "can be proved in one way only"),
    ],
)
def test_a_provider_that_cannot_be_is_said(said, why):
    with pytest.raises(FdmError) as caught:
        deployment_of(SAID | said)
    assert why in str(caught.value)
    assert SECRET not in str(caught.value)
    assert "\n" not in str(caught.value).replace("a\nb", "")


def test_a_missing_package_is_said(monkeypatch):
    monkeypatch.setattr(provider_settings, "find_spec", lambda name: None if name == "authlib" else name)
    with pytest.raises(
        FdmError, match=r"needs authlib, which is not installed. Run: pip install 'rollout-watch\[oidc\]'"
    ):
        deployment_of(SAID)
    assert deployment_of({}) == Deployment()


def test_a_provider_needs_accounts_and_tls(tmp_path, monkeypatch):
    monkeypatch.delenv("FDM_PEOPLE_URL", raising=False)
    for name, value in SAID.items():
        monkeypatch.setenv(name, value)
    with pytest.raises(FdmError, match="logging in at a provider needs accounts here, and there is none yet"):
        reach(tmp_path / "rollouts", "127.0.0.1")
    with People(str(tmp_path / "rollouts.people.sqlite"), hasher=QUICK) as people:
        with_accounts(people)
    assert reach(tmp_path / "rollouts", "127.0.0.1").provider
    with pytest.raises(FdmError, match="would come back to another machine without TLS"):
        reach(tmp_path / "rollouts", "0.0.0.0", ["watch.example.org"])
    monkeypatch.setenv("FDM_BEHIND_PROXY", "1")
    assert reach(tmp_path / "rollouts", "127.0.0.1", ["watch.example.org"]).provider
