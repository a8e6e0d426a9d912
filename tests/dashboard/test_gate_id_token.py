"""What an ID token says, attacked: only the provider, only to us, only now, only whom we know.

The standards beside the checks: OpenID Connect Core 1.0 (with errata 2), RFC 7515 and 7518 (JOSE), RFC 8725 (JWT best
practice), Unicode.
"""

from __future__ import annotations

import base64
import json
import time

import pytest
from at_provider import VERA, browser_of, gone_through, is_in, logged, refused
from gatehouse import PASSWORD, dashboard_of
from invented_provider import CLIENT, EC, SECRET, STRANGER, by_hand, signed, with_secret
from joserfc.jwk import ECKey

from dashboard.deployment import Deployment
from fdm.people.accounts import NOBODY
from fdm.people.roles import ADMINISTRATOR, OFFICER, Actor

ROOT = Actor("root", ADMINISTRATOR)


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
def test_an_id_token_that_says_something_else_is_refused(visitor, provider, provider_people, claims):
    provider.claims = claims
    refused(visitor, provider_people, gone_through(visitor, provider), "ID token does not hold")


def test_an_audience_beside_ours_is_taken_when_the_token_is_made_out_to_us(visitor, provider):
    """OpenID Connect Core 1.0, section 3.1.3.7, number 4."""
    provider.claims = {"aud": [CLIENT, "another-client"], "azp": CLIENT}
    assert gone_through(visitor, provider).status_code == 303


def test_the_clock_of_the_provider_may_be_a_minute_off(visitor, provider):
    """OpenID Connect Core 1.0, section 2 (exp): some small leeway."""
    provider.claims = {"iat": int(time.time()) + 45, "exp": int(time.time()) - 30}
    assert gone_through(visitor, provider).status_code == 303


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
def test_an_id_token_that_the_provider_did_not_sign_is_refused(visitor, provider, provider_people, sign):
    provider.sign = sign
    refused(visitor, provider_people, gone_through(visitor, provider), "ID token does not hold")


def test_an_answer_without_an_id_token_is_refused(visitor, provider, provider_people):
    provider.tokens = {"id_token": None}
    refused(visitor, provider_people, gone_through(visitor, provider), "gave no ID token")


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
def test_an_email_address_that_is_not_verified_lets_nobody_in(visitor, provider, provider_people, claims, why):
    provider.claims, provider.told = claims, {"sub": "7f3a"}
    refused(visitor, provider_people, gone_through(visitor, provider), why)


def test_what_is_told_of_somebody_else_is_refused(visitor, provider, provider_people):
    """OpenID Connect Core 1.0, section 5.3.2."""
    provider.claims = {"email": None}
    provider.told = {"sub": "another", "email": VERA, "email_verified": True}
    refused(visitor, provider_people, gone_through(visitor, provider), "is of somebody else")


@pytest.mark.parametrize("email", ["stranger@example.org", "ver\u0430@example.org", "vera@example.org ", "x" * 5000])
def test_somebody_without_an_account_is_not_let_in_and_gets_none(visitor, provider, provider_people, email):
    """Nor with an address that looks like that of an account."""
    accounts = provider_people.accounts.list().height
    provider.claims = {"email": email}
    answer = gone_through(visitor, provider)
    assert answer.status_code == 401
    assert "There is no account" in answer.text
    assert not is_in(visitor)
    assert provider_people.accounts.list().height == accounts
    (entry,) = logged(provider_people, "failed login", visitor)
    assert (entry["who"], "no such account" in entry["detail"]) == (NOBODY, True)


def test_a_letter_that_only_becomes_one_of_ours_does_not_count(visitor, provider, provider_people):
    """The Kelvin sign is k in small letters (Unicode 16, CaseFolding.txt): kim is not Kim of another alphabet."""
    provider_people.accounts.add("kim@example.org", OFFICER, PASSWORD, by=ROOT)
    provider.claims = {"email": "\u212aim@example.org"}
    assert "There is no account" in gone_through(visitor, provider).text
    assert not is_in(visitor)


def test_a_shut_account_is_not_let_in_by_the_provider_either(visitor, provider, provider_people):
    provider_people.accounts.add("ines@example.org", OFFICER, PASSWORD, by=ROOT)
    provider_people.accounts.disable("ines@example.org", by=ROOT)
    provider.claims = {"email": "ines@example.org"}
    answer = gone_through(visitor, provider)
    assert answer.status_code == 401
    assert "The account &#39;ines@example.org&#39; is shut." in answer.text
    assert not is_in(visitor)
    (entry,) = logged(provider_people, "failed login", visitor)
    assert (entry["who"], "the account is shut" in entry["detail"]) == ("ines@example.org", True)


def test_another_claim_names_an_account_letter_for_letter(provider_people, provider):
    """OpenID Connect Core 1.0, section 5.7: sub is never given to somebody else; it is case sensitive (section 2)."""
    provider_people.accounts.add("7f3a", OFFICER, PASSWORD, by=ROOT)
    deployment = Deployment(provider=provider.settings(claim="sub"))
    app = dashboard_of(provider_people, deployment=deployment)
    first, second = browser_of(app), browser_of(app)
    provider.claims = {"email_verified": False}
    assert gone_through(first, provider).status_code == 303
    provider.claims = {"sub": "7F3A"}
    assert "There is no account" in gone_through(second, provider).text
