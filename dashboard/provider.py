"""What is asked of an OpenID Connect provider, and what of its answers is believed.

Authlib makes the requests and checks the claims, joserfc the signature; nothing of that is done here. Nothing is asked
before the first login. Redirects are not followed. Tokens are read once and not kept.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from authlib.common.errors import AuthlibBaseError
from authlib.integrations.requests_client import OAuth2Session
from authlib.oidc.core import CodeIDToken
from authlib.oidc.discovery import get_well_known_url
from joserfc import jwt
from joserfc.errors import InvalidKeyIdError, JoseError
from joserfc.jwk import JWKRegistry, KeySet
from joserfc.jws import JWSRegistry
from requests import RequestException

from dashboard import addresses
from dashboard.provider_settings import EMAIL, ProviderSettings
from dashboard.sign_ins import ProviderUnavailable, SignIn, SignInRefused

# Signed with a key that the provider alone has: never "none", never a secret that both know.
ALGORITHMS = ("RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "ES512")
SCOPES = {EMAIL: "openid email", "sub": "openid"}  # by claim; any other is in the profile
WAITS_S = (5.0, 10.0)  # for a connection, for an answer
KEPT_S = 3600.0  # how long the provider's documents are believed
PAUSE_S = 10.0  # how long a provider that did not answer is left alone
LEEWAY_S = 60  # how far its clock may be off
BASIC = "client_secret_basic"  # the standard's own choice: OpenID Connect Core 1.0, section 9
OURS_AT_FAULT = ("invalid_client", "unauthorized_client", "unsupported_grant_type", "invalid_scope")
log = logging.getLogger(__name__)


class Provider:
    """One provider. Safe to share between threads.

    now    seconds since 1970
    """

    def __init__(self, settings: ProviderSettings, now: Callable[[], float] = time.time) -> None:
        self._settings = settings
        self._now = now
        self._lock = threading.Lock()
        self._kept: dict[str, tuple[float, dict[str, Any]]] = {}
        self._silent_until = 0.0

    def address(self, one: SignIn) -> str:
        """Where the browser goes to log in. ProviderUnavailable."""
        endpoint = self._endpoint("authorization_endpoint")
        with self._session() as session:
            address, _ = session.create_authorization_url(
                endpoint, state=one.state, nonce=one.nonce, code_verifier=one.verifier, redirect_uri=one.back
            )
        return str(address)

    def name(self, one: SignIn, answer: Mapping[str, str]) -> str:
        """The name of who logged in, as the chosen claim says it.

        answer    the parameters that the browser brought back
        raises    SignInRefused, ProviderUnavailable
        """
        self._answered_by_us(answer)
        if error := answer.get("error", ""):
            said = error if error.isascii() and error.replace("_", "").isalnum() and len(error) <= 40 else "an error"
            raise SignInRefused(f"the login was not completed there ({said})")
        code = answer.get("code", "")
        if not code:
            raise SignInRefused("the answer holds no code")
        with self._session() as session:
            tokens = self._tokens(session, one, code)
            claims = self._claims(tokens, one)
            if self._settings.claim not in claims:
                claims = self._told(session, str(claims["sub"]))
        return self._named(claims)

    def _answered_by_us(self, answer: Mapping[str, str]) -> None:
        """RFC 9207, section 2.4: an answer that says who gave it says this provider."""
        said = answer.get("iss")
        if said is None and self._metadata().get("authorization_response_iss_parameter_supported") is True:
            raise SignInRefused("the answer does not say which provider gave it")
        if said is not None and said != self._settings.issuer:
            raise SignInRefused("the answer is of another provider")

    def _tokens(self, session: OAuth2Session, one: SignIn, code: str) -> dict[str, Any]:
        """The tokens for a code, which is worth nothing without the verifier."""
        endpoint = self._endpoint("token_endpoint")
        ways = self._listed("token_endpoint_auth_methods_supported", (BASIC,))
        session.token_endpoint_auth_method = BASIC if BASIC in ways else "client_secret_post"
        try:
            return dict(
                session.fetch_token(
                    endpoint,
                    grant_type="authorization_code",
                    code=code,
                    code_verifier=one.verifier,
                    redirect_uri=one.back,
                    allow_redirects=False,
                )
            )
        except AuthlibBaseError as error:
            if error.error in OURS_AT_FAULT:
                raise self._unavailable(f"{endpoint} refuses this dashboard: {error.error}") from None
            raise SignInRefused("the provider did not accept the code that it had given") from None
        except (RequestException, ValueError, TypeError) as error:
            raise self._unavailable(f"{endpoint}: {type(error).__name__}") from None

    def _claims(self, tokens: Mapping[str, Any], one: SignIn) -> dict[str, Any]:
        """The claims of an ID token, checked as OpenID Connect Core 1.0, section 3.1.3.7, says."""
        settings, text = self._settings, tokens.get("id_token")
        if not isinstance(text, str):
            raise SignInRefused("the provider gave no ID token")
        options = {
            "iss": {"essential": True, "value": settings.issuer},
            "aud": {"essential": True, "value": settings.client_id},
            "sub": {"essential": True},
        }
        params = {"nonce": one.nonce, "client_id": settings.client_id, "access_token": tokens.get("access_token")}
        try:
            token = self._signed(text)
            claims = CodeIDToken(token.claims, token.header, options, params)
            claims.validate(now=int(self._now()), leeway=LEEWAY_S)
        except (JoseError, ValueError, TypeError) as error:
            log.warning("an ID token of %s was refused: %s", settings.issuer, _called(error))
            raise SignInRefused("the provider's ID token does not hold") from None
        return dict(claims)

    def _signed(self, text: str) -> jwt.Token:
        """A token whose signature holds; keys are asked for anew when it names one that is not known."""
        said = self._listed("id_token_signing_alg_values_supported", ALGORITHMS)
        registry = JWSRegistry(algorithms=[one for one in ALGORITHMS if one in said], strict_check_header=False)
        if not registry.allowed:  # an empty list would mean the recommended ones, a shared secret among them
            raise self._unavailable("it signs by none of the algorithms that are accepted here")
        try:
            return jwt.decode(text, self._keys(), registry=registry)
        except InvalidKeyIdError:
            return jwt.decode(text, self._keys(anew=True), registry=registry)

    def _keys(self, *, anew: bool = False) -> KeySet:
        """The provider's keys; those that are not understood are passed over (RFC 7517, section 5)."""
        found = self._document(self._endpoint("jwks_uri"), anew=anew).get("keys")
        keys = []
        for one in found if isinstance(found, list) else []:
            try:
                keys.append(JWKRegistry.import_key(one))
            except (JoseError, ValueError, TypeError, KeyError, AttributeError):
                continue
        return KeySet(keys)

    def _told(self, session: OAuth2Session, subject: str) -> dict[str, Any]:
        """What the provider tells of somebody besides the ID token: where Core 1.0, section 5.4, puts an e-mail."""
        if "userinfo_endpoint" not in self._metadata():
            return {}
        endpoint = self._endpoint("userinfo_endpoint")
        try:
            answer = session.get(endpoint, allow_redirects=False)
            told = answer.json() if answer.status_code == 200 else None
        except (RequestException, AuthlibBaseError, ValueError, TypeError) as error:
            raise self._unavailable(f"{endpoint}: {type(error).__name__}") from None
        if not isinstance(told, dict):
            raise self._unavailable(f"{endpoint} answers with status {answer.status_code}, or not in JSON")
        if told.get("sub") != subject:  # OpenID Connect Core 1.0, section 5.3.2
            raise SignInRefused("what the provider tells is of somebody else")
        return told

    def _named(self, claims: Mapping[str, Any]) -> str:
        """The name of an account. An e-mail address counts when it was verified, whatever the case of its letters."""
        claim = self._settings.claim
        name = claims.get(claim)
        if not isinstance(name, str) or not name or not name.isprintable():
            raise SignInRefused(f"the provider did not tell the {claim} of who logged in")
        if claim != EMAIL:
            return name
        if claims.get("email_verified") is not True:
            raise SignInRefused("the provider has not verified the e-mail address of who logged in")
        return name.lower() if name.isascii() else name

    def _metadata(self) -> dict[str, Any]:
        """The provider's description of itself: OpenID Connect Discovery 1.0, sections 4.2 and 4.3."""
        address = get_well_known_url(self._settings.issuer, external=True)
        found = self._document(address)
        if found.get("issuer") != self._settings.issuer:
            raise self._unavailable(
                f"{address} is of the issuer {found.get('issuer')!r}, not {self._settings.issuer!r}"
            )
        return found

    def _listed(self, name: str, otherwise: Sequence[str]) -> Sequence[Any]:
        """A list of the description; what it does not list, or not as a list, is as the standard has it."""
        found = self._metadata().get(name)
        return found if found and isinstance(found, list) else otherwise

    def _endpoint(self, name: str) -> str:
        """One of the provider's addresses; on this machine only when the provider is."""
        found = self._metadata().get(name)
        here = self._settings.issuer.startswith("http://")
        if not isinstance(found, str) or not addresses.is_private(found, here=here):
            raise self._unavailable(f"its description names no {name} that can be used: {found!r}")
        return found

    def _document(self, address: str, *, anew: bool = False) -> dict[str, Any]:
        """A JSON object by its address, kept for an hour."""
        with self._lock:
            asked_s, found = self._kept.get(address, (0.0, {}))
            if found and not anew and self._now() - asked_s < KEPT_S:
                return found
            if self._now() < self._silent_until:
                raise ProviderUnavailable(f"{self._settings.name} does not answer now")
            try:
                with self._session() as session:
                    answer = session.get(address, withhold_token=True, allow_redirects=False)
                said = answer.json() if answer.status_code == 200 else None
            except (RequestException, ValueError) as error:
                self._silent_until = self._now() + PAUSE_S
                raise self._unavailable(f"{address}: {type(error).__name__}") from None
            if not isinstance(said, dict):
                raise self._unavailable(
                    f"{address} answers with status {answer.status_code}, or not with a JSON object"
                )
            self._kept[address] = self._now(), said
            return said

    def _session(self) -> OAuth2Session:
        settings = self._settings
        session = OAuth2Session(
            settings.client_id,
            settings.secret,
            scope=SCOPES.get(settings.claim, "openid profile"),
            code_challenge_method="S256",
            default_timeout=WAITS_S,
        )
        session.headers["Accept"] = "application/json"
        return session

    def _unavailable(self, why: str) -> ProviderUnavailable:
        """The reason goes to the log of the dashboard; who logs in is told that it does not work now."""
        log.warning("nobody can log in at %s: %s", self._settings.issuer, why)
        return ProviderUnavailable(f"{self._settings.name} does not answer now")


def _called(error: Exception) -> str:
    """What was wrong with a token, without anything of the token but the name of a claim."""
    claim = getattr(error, "claim", "")
    return f"{type(error).__name__}{f' ({claim})' if claim else ''}"
