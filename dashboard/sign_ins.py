"""Logins begun at a provider that have not come back yet: kept here, each for one browser and one use, ten minutes."""

from __future__ import annotations

import hashlib
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from fdm.errors import FdmError

LASTS_S = 600
MOST = 1000  # the oldest is forgotten before there are more


class SignInRefused(FdmError):  # noqa: N818
    """Somebody is not let in: what came back from the provider does not hold."""


class ProviderUnavailable(FdmError):  # noqa: N818
    """The provider does not answer now, or not as the standard says; trying again later may help."""


def _random() -> str:
    """256 bits, as 43 characters: also what RFC 7636, section 4.1, asks of a verifier."""
    return secrets.token_urlsafe(32)


@dataclass(frozen=True)
class SignIn:
    """A login begun.

    there       the path to go on to
    back        the address that the provider sends the browser back to
    state       ties the answer to this login: RFC 6749, section 10.12
    nonce       ties the ID token to this login: OpenID Connect Core 1.0, section 3.1.2.1
    verifier    ties the code to this login: RFC 7636
    """

    there: str
    back: str
    state: str = field(default_factory=_random, repr=False)
    nonce: str = field(default_factory=_random, repr=False)
    verifier: str = field(default_factory=_random, repr=False)


class SignIns:
    """The logins begun. Safe to share between threads.

    now    seconds of a clock that is never set back
    """

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._lock = threading.Lock()
        self._kept: dict[str, tuple[float, SignIn]] = {}  # the oldest first

    def keep(self, one: SignIn) -> str:
        """A token for the browser that began this login, which must bring it back."""
        token = _random()
        with self._lock:
            self._forget()
            self._kept[_key(token)] = self._now(), one
        return token

    def take(self, token: str, state: str) -> SignIn:
        """The login that a browser began, for this one time; SignInRefused for any other state or browser."""
        with self._lock:
            began_s, one = self._kept.pop(_key(token), (0.0, None))
        if one is None or self._now() - began_s > LASTS_S:
            raise SignInRefused("this login was not begun in this browser, or more than ten minutes ago")
        if not secrets.compare_digest(one.state.encode(), state.encode(errors="replace")):
            raise SignInRefused("this is not the answer to the login that this browser began last")
        return one

    def _forget(self) -> None:
        """What is too old, and the oldest when there are too many."""
        kept = list(self._kept.items())
        too_many = max(0, len(kept) - MOST + 1)
        for index, (key, (began_s, _)) in enumerate(kept):
            if index >= too_many and self._now() - began_s <= LASTS_S:
                return
            del self._kept[key]


def _key(token: str) -> str:
    return hashlib.sha256(token.encode(errors="replace")).hexdigest()
