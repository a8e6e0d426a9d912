"""Which OpenID Connect provider people may log in at, as the environment says; none unless one is named."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path

from dashboard import addresses
from fdm.errors import FdmError

ISSUER, CLIENT_ID, SECRET, SECRET_FILE = (
    "FDM_OIDC_ISSUER",
    "FDM_OIDC_CLIENT_ID",
    "FDM_OIDC_SECRET",
    "FDM_OIDC_SECRET_FILE",
)
NAME, CLAIM = "FDM_OIDC_NAME", "FDM_OIDC_CLAIM"
EMAIL = "email"
NEEDED = ("authlib", "joserfc", "requests")  # packages of the extra
LONGEST_NAME = 40


@dataclass(frozen=True)
class ProviderSettings:
    """A provider, and this dashboard as its client.

    issuer       its address, which its own documents repeat letter for letter
    client_id    what it calls this dashboard
    secret       by which it knows this dashboard; never shown
    name         what people call it
    claim        which claim holds the name of an account here
    """

    issuer: str
    client_id: str
    secret: str = field(repr=False)
    name: str
    claim: str = EMAIL


def provider_of(said: Mapping[str, str]) -> ProviderSettings | None:
    """The provider that an environment names, None when it names none. FdmError for what cannot be."""
    words = {name: said.get(name, "").strip() for name in (ISSUER, CLIENT_ID, NAME, CLAIM)}
    if not words[ISSUER]:
        if left := next((name for name in (CLIENT_ID, SECRET, SECRET_FILE, NAME, CLAIM) if said.get(name)), ""):
            raise FdmError("the provider that this belongs to is not named", source=left, cure=f"Say {ISSUER} as well.")
        return None
    issuer = _issuer(words[ISSUER])
    _must_be_installed()
    name = words[NAME] or str(addresses.split(issuer).hostname)  # type: ignore[union-attr]
    if not name.isprintable() or len(name) > LONGEST_NAME:
        raise FdmError(f"the name has more than {LONGEST_NAME} characters, or some that cannot be shown", source=NAME)
    return ProviderSettings(
        issuer=issuer,
        client_id=_visible(words[CLIENT_ID], CLIENT_ID, "Say what the provider calls this dashboard."),
        secret=_secret(said),
        name=name,
        claim=_visible(words[CLAIM] or EMAIL, CLAIM, "Say the name of a claim, such as email or sub."),
    )


def _issuer(text: str) -> str:
    """OpenID Connect Discovery 1.0, section 3: an https address without query or fragment."""
    parts = addresses.split(text)
    if parts is None or parts.query or parts.fragment or "@" in parts.netloc or "?" in text or "#" in text:
        cure = "Write it as the provider does, such as https://login.example.org; no query, no fragment."
        raise FdmError(f"'{text}' cannot be a provider's address", source=ISSUER, cure=cure)
    if not addresses.is_private(text):
        cure = "Write https://; http:// is only for a provider on this machine."
        raise FdmError(f"what '{text}' answers could be changed on the way", source=ISSUER, cure=cure)
    return text


def _secret(said: Mapping[str, str]) -> str:
    """The client's secret, from the environment or from a file."""
    cure = f"Put it into a file that only this program reads, and name the file in {SECRET_FILE}; or into {SECRET}."
    if said.get(SECRET) and said.get(SECRET_FILE):
        raise FdmError(f"the secret is said twice, here and in {SECRET}", source=SECRET_FILE, cure="Keep one.")
    if not said.get(SECRET_FILE):
        return _visible(said.get(SECRET, "").strip(), SECRET, cure)
    path = Path(said[SECRET_FILE].strip())
    try:
        text = path.read_text("utf-8").strip()
    except OSError as error:
        why = f"the file cannot be read ({error.strerror})"
        raise FdmError(why, source=f"{SECRET_FILE}={path}", cure=cure) from None
    except UnicodeDecodeError:
        raise FdmError("the file holds no text", source=f"{SECRET_FILE}={path}", cure=cure) from None
    return _visible(text, f"{SECRET_FILE}={path}", cure)


def _visible(text: str, source: str, cure: str) -> str:
    """What clients and their secrets are made of: RFC 6749, appendix A.1 and A.2. What is wrong is not repeated."""
    if not text:
        raise FdmError("nothing is said", source=source, cure=cure)
    if not text.isascii() or not text.isprintable():
        raise FdmError("this holds a character that cannot be in it", source=source, cure=cure)
    return text


def _must_be_installed() -> None:
    if missing := [name for name in NEEDED if find_spec(name) is None]:
        raise FdmError(
            f"packages for logging in at a provider are not installed: {', '.join(missing)}",
            source=ISSUER,
            cure="Run: pip install 'rollout-watch[oidc]'.",
        )
