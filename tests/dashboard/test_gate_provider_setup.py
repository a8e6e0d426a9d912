"""A provider in trouble, or set up wrongly; and what nobody gets to see.

The standards beside the checks: OpenID Connect Core 1.0 and Discovery 1.0 (with errata 2), RFC 9700 (OAuth security).
"""

from __future__ import annotations

import base64
import logging

import pytest
from at_provider import START, VERA, back, begun, browser_of, gone_through, is_in, logged
from gatehouse import QUICK, Browser, dashboard_of, with_accounts
from invented_provider import CLIENT, SECRET, with_secret

from dashboard.deployment import Deployment, deployment_of
from dashboard.provider import KEPT_S, PAUSE_S, Provider
from dashboard.provider_settings import ProviderSettings
from dashboard.serve import reach
from dashboard.sign_ins import ProviderUnavailable, SignIn
from fdm.errors import FdmError
from fdm.people.store import People

DISCOVERY = "/.well-known/openid-configuration"
JSON = {"Content-Type": "application/json"}


# --- the provider in trouble ------------------------------------------------------------------------------------------


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
def test_a_provider_that_does_not_answer_is_said_and_passwords_still_work(
    visitor_alone, provider, provider_people, answer
):
    """OpenID Connect Discovery 1.0, sections 4.2 and 4.3."""
    status, headers, body = answer
    provider.answers[DISCOVERY] = (status, headers, body.replace(b"ISSUER", provider.issuer.encode()))
    said = visitor_alone.get(START)
    assert said.status_code == 503
    assert "Invented Air does not answer now. Try again in a minute, or log in with your password" in said.text
    assert "/elsewhere" not in provider.asked
    assert visitor_alone.log_in("officer-1").status_code == 303
    assert not logged(provider_people, "failed login", visitor_alone)


@pytest.mark.parametrize("issuer", ["https://evil.example", "ISSUER/", None])
def test_the_description_of_another_issuer_is_refused(visitor_alone, provider, caplog, issuer):
    """OpenID Connect Discovery 1.0, section 4.3: identical, or nothing of it is used."""
    provider.metadata = {"issuer": issuer and issuer.replace("ISSUER", provider.issuer)}
    assert visitor_alone.get(START).status_code == 503
    assert f"not '{provider.issuer}'" in caplog.text


@pytest.mark.parametrize("name", ["authorization_endpoint", "token_endpoint", "jwks_uri"])
@pytest.mark.parametrize(
    "address", [None, 7, "", "javascript:alert(1)", "http://evil.example/", "//evil.example/", "https://a.example/\n"]
)
def test_an_address_that_could_be_listened_to_is_not_used(visitor_alone, provider, name, address):
    """OpenID Connect Discovery 1.0, section 3: every one is https (here also this machine)."""
    provider.metadata = {name: address}
    answer = visitor_alone.get(START)
    if answer.status_code == 302:
        answer = back(visitor_alone, provider.logs_in(answer.headers["Location"]))
    assert answer.status_code == 503
    assert not is_in(visitor_alone)


def test_a_provider_elsewhere_does_not_send_us_to_this_machine(provider, monkeypatch):
    issuer = "https://login.example.org"
    asked = Provider(ProviderSettings(issuer, CLIENT, SECRET, "Invented Air"))
    described = {"issuer": issuer, "authorization_endpoint": "http://127.0.0.1:8050/"}
    monkeypatch.setattr(asked, "_document", lambda _address, anew=False: described)
    with pytest.raises(ProviderUnavailable):
        asked.address(SignIn("/", "https://watch.example.org/login/provider/back"))


@pytest.mark.parametrize("body", [b"", b"null", b"[7]", b'{"access_token": 7, "id_token": 7}'])
@pytest.mark.parametrize("path", ["/token", "/userinfo", "/keys"])
def test_an_answer_that_is_none_lets_nobody_in(visitor_alone, provider, path, body):
    provider.claims = {"email": None} if path == "/userinfo" else {}
    provider.answers[path] = (200, JSON, body)
    assert gone_through(visitor_alone, provider).status_code in (401, 503)
    assert not is_in(visitor_alone)


@pytest.mark.parametrize("said", [7, {}, [[]]])
@pytest.mark.parametrize(
    "name", ["id_token_signing_alg_values_supported", "token_endpoint_auth_methods_supported", "userinfo_endpoint"]
)
def test_a_description_that_is_written_wrongly_breaks_nothing(visitor_alone, provider, name, said):
    provider.metadata, provider.claims = {name: said}, {"email": None}
    provider.told = {"sub": "7f3a", "email": VERA, "email_verified": True}
    assert gone_through(visitor_alone, provider).status_code in (303, 401, 503)


def test_a_provider_that_goes_away_halfway_is_said(visitor, provider, provider_people):
    said = provider.logs_in(begun(visitor))
    provider.answers["/token"] = (502, {}, b"sorry")
    answer = back(visitor, said)
    assert (answer.status_code, "does not answer now" in answer.text) == (503, True)
    provider.answers["/token"] = (302, {"Location": "/elsewhere"}, b"")
    assert gone_through(visitor, provider).status_code == 503
    assert "/elsewhere" not in provider.asked
    provider.answers.clear()
    assert gone_through(visitor, provider).status_code == 303


def test_a_provider_is_asked_only_when_somebody_logs_in(visitor_alone, provider):
    visitor_alone.get("/login")
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


def test_what_the_provider_says_of_itself_is_believed_for_an_hour(provider, provider_settings):
    now = [1000.0]
    asking = Provider(provider_settings, now=lambda: now[0])
    for moved_s, times in ((0.0, 1), (KEPT_S - 1, 1), (1.0, 2)):
        now[0] += moved_s
        asking.address(SignIn("/", "http://localhost/login/provider/back"))
        assert provider.asked.count(DISCOVERY) == times


def test_a_wrong_secret_is_said_in_the_log_and_not_shown(provider_people, provider, caplog):
    deployment = Deployment(provider=provider.settings(secret="not-the-secret"))
    browser = Browser(dashboard_of(provider_people, deployment=deployment))
    assert gone_through(browser, provider).status_code == 503
    assert "refuses this dashboard: invalid_client" in caplog.text
    assert "not-the-secret" not in caplog.text


def test_a_provider_that_signs_with_shared_secrets_alone_is_not_believed(visitor_alone, provider):
    provider.metadata = {"id_token_signing_alg_values_supported": ["HS256", "none"]}
    provider.sign = with_secret(SECRET.encode())
    assert gone_through(visitor_alone, provider).status_code == 503
    assert not is_in(visitor_alone)


# --- what nobody gets to see ------------------------------------------------------------------------------------------


def test_no_secret_leaves_the_server(visitor_alone, provider, provider_people, provider_settings, caplog):
    """Neither the client's secret nor a token, a code or a verifier: not in pages, addresses, logs, the store."""
    caplog.set_level(logging.DEBUG)
    address = begun(visitor_alone)
    said = provider.logs_in(address)
    answer = back(visitor_alone, said)
    pages = [visitor_alone.get(path) for path in ("/account", "/login", "/_dash-layout")]
    provider.claims = {"nonce": "another"}
    failed = gone_through(browser_of(visitor_alone.app), provider)
    shown = [
        address,
        repr(provider_settings),
        repr(Deployment(provider=provider_settings)),
        repr(SignIn("/", "x")),
        caplog.text,
    ]
    shown += [one.text + str(one.headers) for one in (answer, failed, *pages)] + [
        str(provider_people.audit.entries().to_dicts())
    ]
    secrets = [SECRET, "an-access-token", base64.b64encode(f"{CLIENT}:{SECRET}".encode()).decode()]
    for text in shown:
        assert not [one for one in secrets if one in text], text
    for text in shown[1:]:
        assert said["code"] not in text


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
    monkeypatch.setattr("dashboard.provider_settings.find_spec", lambda name: None if name == "authlib" else name)
    with pytest.raises(FdmError, match=r"are not installed: authlib. Run: pip install 'rollout-watch\[oidc\]'"):
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
