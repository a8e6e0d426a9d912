"""A provider of the tests: OpenID Connect over HTTP on this machine, honest unless a test says otherwise.

It judges what it is asked by the standards itself: the client's secret, the code (once), the redirect address, PKCE.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from joserfc import jws
from joserfc.jwk import ECKey, RSAKey
from joserfc.jws import JWSRegistry

from dashboard.provider_settings import ProviderSettings

CLIENT, SECRET = "watch", "a-secret-of-the-tests"
RSA = RSAKey.generate_key(2048, {"kid": "rsa", "use": "sig"})
EC = ECKey.generate_key("P-256", {"kid": "ec", "use": "sig"})
STRANGER = ECKey.generate_key("P-256", {"kid": "ec", "use": "sig"})  # calls itself by the name of the other


class InventedProvider:
    """What the provider says; a test changes it.

    claims       over those of an honest ID token; None takes one out
    metadata     over those of an honest description
    told         what the userinfo address tells
    answers      by path, (status, headers, body) in the place of the honest answer
    sign         (claims) -> ID token
    """

    def __init__(self, issuer: str) -> None:
        self.issuer = issuer
        self.reset()

    def reset(self) -> None:
        """Honest again."""
        self.claims: dict[str, Any] = {}
        self.metadata: dict[str, Any] = {}
        self.told: dict[str, Any] = {}
        self.answers: dict[str, tuple[int, dict[str, str], bytes]] = {}
        self.sign: Callable[[dict[str, Any]], str] = signed(EC, "ES256")
        self.keys = [EC, RSA]
        self.asked: list[str] = []
        self.tokens: dict[str, Any] = {}
        self._codes: dict[str, dict[str, str]] = {}

    def settings(self, **changed: str) -> ProviderSettings:
        """The provider as the dashboard knows it."""
        return replace(ProviderSettings(self.issuer, CLIENT, SECRET, "Invented Air"), **changed)

    def described(self) -> dict[str, Any]:
        """OpenID Connect Discovery 1.0, section 3."""
        honest = {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
            "userinfo_endpoint": f"{self.issuer}/userinfo",
            "response_types_supported": ["code"],
            "subject_types_supported": ["public"],
            "id_token_signing_alg_values_supported": ["RS256", "PS256", "ES256", "HS256", "none"],
        }
        return _over(honest, self.metadata)

    def logs_in(self, location: str) -> dict[str, str]:
        """Somebody logs in there: the parameters that the browser brings back."""
        asked = {name: value for name, (value,) in parse_qs(urlsplit(location).query).items()}
        code = f"code-{len(self._codes)}"
        self._codes[code] = asked
        return {"code": code, "state": asked["state"]}

    def token(self, form: dict[str, str], authorization: str) -> tuple[int, dict[str, Any]]:
        """RFC 6749, section 4.1.3, and RFC 7636, section 4.6."""
        basic = base64.b64encode(f"{CLIENT}:{SECRET}".encode()).decode()
        if authorization != f"Basic {basic}" and (form.get("client_id"), form.get("client_secret")) != (CLIENT, SECRET):
            return 401, {"error": "invalid_client"}
        asked = self._codes.pop(form.get("code", ""), None)
        digest = hashlib.sha256(form.get("code_verifier", "").encode()).digest()
        challenge = base64.urlsafe_b64encode(digest).decode().rstrip("=")
        if (
            asked is None
            or form.get("grant_type") != "authorization_code"
            or form.get("redirect_uri") != asked["redirect_uri"]
            or (challenge, "S256") != (asked["code_challenge"], asked["code_challenge_method"])
        ):
            return 400, {"error": "invalid_grant"}
        now = int(time.time())
        honest = {
            "iss": self.issuer,
            "sub": "7f3a",
            "aud": CLIENT,
            "exp": now + 300,
            "iat": now,
            "nonce": asked["nonce"],
            "email": "Vera@Example.org",
            "email_verified": True,
        }
        said = {"access_token": "an-access-token", "token_type": "Bearer", "expires_in": 300}
        return 200, _over(said | {"id_token": self.sign(_over(honest, self.claims))}, self.tokens)


def signed(key: Any, algorithm: str, **header: Any) -> Callable[[dict[str, Any]], str]:
    """How a key signs."""
    head = {"alg": algorithm, "kid": key.kid} | header
    registry = JWSRegistry(algorithms=[algorithm], strict_check_header=False)
    return lambda claims: jws.serialize_compact(head, json.dumps(claims), key, registry=registry)


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


def _over(honest: dict[str, Any], said: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in (honest | said).items() if value is not None}


@contextmanager
def providing() -> Iterator[InventedProvider]:
    """A provider that answers on this machine."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), _Handler)
    server.provider = InventedProvider(f"http://127.0.0.1:{server.server_port}")  # type: ignore[attr-defined]
    thread = threading.Thread(target=server.serve_forever, args=(0.01,), daemon=True)
    thread.start()
    try:
        yield server.provider  # type: ignore[attr-defined]
    finally:
        server.shutdown()
        server.server_close()
        thread.join(timeout=10)


class _Handler(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        provider = self.server.provider  # type: ignore[attr-defined]
        path = urlsplit(self.path).path
        if path == "/authorize":  # whoever comes is logged in already
            (there,) = parse_qs(urlsplit(self.path).query)["redirect_uri"]
            self.send_response(302)
            self.send_header("Location", f"{there}?{urlencode(provider.logs_in(self.path))}")
            self.end_headers()
            return
        said = {
            "/.well-known/openid-configuration": provider.described,
            "/keys": lambda: {"keys": [key.as_dict(private=False) for key in provider.keys]},
            "/userinfo": lambda: provider.told,
            "/elsewhere": provider.described,
        }
        self._say(path, lambda: (200, said[path]()))

    def do_POST(self) -> None:
        provider = self.server.provider  # type: ignore[attr-defined]
        text = self.rfile.read(int(self.headers["Content-Length"])).decode()
        form = {name: value for name, (value,) in parse_qs(text).items()}
        self._say(self.path, lambda: provider.token(form, self.headers.get("Authorization", "")))

    def _say(self, path: str, honest: Callable[[], tuple[int, Any]]) -> None:
        provider = self.server.provider  # type: ignore[attr-defined]
        provider.asked.append(path)
        if path in provider.answers:
            status, headers, body = provider.answers[path]
        else:
            status, said = honest()
            headers, body = {"Content-Type": "application/json"}, json.dumps(said).encode()
        self.send_response(status)
        for name, value in ({"Content-Length": str(len(body))} | headers).items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_said: Any) -> None:
        """Nothing on the terminal."""
