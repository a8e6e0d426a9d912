"""Stable names that only the holder of a key can trace back: "Aircraft K7Q-4MX" for a tail, always the same one.

A pseudonym is HMAC-SHA256 (RFC 2104, FIPS 180-4) under a secret key, over what it stands for, written in signs that
cannot be mistaken for each other. The key lies outside the archive and outside the store of people's work, readable by
its owner alone. Who loses the key gets new pseudonyms; who learns it can trace every one.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import secrets
import stat
from collections.abc import Iterable
from itertools import islice
from pathlib import Path

from fdm.people.errors import KeyFileError
from fdm.people.location import inside

KEY_BYTES = 32
SIGNS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # five bits each; without I L O U, which are mistaken for others
_FROM_RFC_4648 = str.maketrans("ABCDEFGHIJKLMNOPQRSTUVWXYZ234567", SIGNS)
# What a pseudonym stands for: the words before it, and its groups of signs. 30 bits leave one chance in twenty thousand
# that two of 300 aircraft share a name; 100 bits none that two of a million landings do.
KINDS: dict[str, tuple[str, tuple[int, ...]]] = {
    "tail": ("Aircraft ", (3, 3)),
    "flight": ("Flight ", (3, 3)),
    "departure": ("Airfield ", (3, 3)),
    "landing_id": ("", (20,)),
}


class Pseudonyms:
    """Pseudonyms under one key."""

    def __init__(self, key: bytes):
        if len(key) < KEY_BYTES:
            raise KeyFileError(f"the pseudonym key has {len(key)} bytes", cure=f"It needs {KEY_BYTES}.")
        self._key = key

    def of(self, kind: str, identity: str) -> str:
        """The pseudonym of an identity; `kind` is one of KINDS."""
        word, groups = KINDS[kind]
        digest = hmac.digest(self._key, f"{kind}\0{identity}".encode(), hashlib.sha256)
        signs = iter(base64.b32encode(digest).decode().translate(_FROM_RFC_4648))
        return word + "-".join("".join(islice(signs, size)) for size in groups)

    def identity(self, kind: str, pseudonym: str, candidates: Iterable[str]) -> str | None:
        """Which of the candidates a pseudonym stands for; for the officer's reveal, which writes the audit log."""
        return next((one for one in candidates if hmac.compare_digest(self.of(kind, one), pseudonym)), None)


def load_key(path: Path | str, *, archive: Path | str | None = None) -> bytes:
    """The key in a file, made when there is none.

    raises    KeyFileError when it lies inside the archive, others may read it, or it is no key
    """
    path = Path(path)
    if archive is not None and inside(path, Path(archive)):
        raise KeyFileError(
            "the pseudonym key must not lie inside the archive",
            source=path,
            cure="Name a file elsewhere in FDM_PSEUDONYM_KEY.",
        )
    try:
        if not path.exists():
            _make(path)
        return _read(path)
    except OSError as error:
        raise KeyFileError(f"cannot be used ({error.strerror})", source=path) from None


def _make(path: Path) -> None:
    """Written aside and linked, so that two programs that start together get one key."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    aside = path.with_name(f".{path.name}.{os.getpid()}.{secrets.token_hex(4)}")
    with open(os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
        file.write(secrets.token_hex(KEY_BYTES) + "\n")
        file.flush()
        os.fsync(file.fileno())
    try:
        os.link(aside, path)
    except FileExistsError:
        pass
    finally:
        aside.unlink()


def _read(path: Path) -> bytes:
    if stat.S_IMODE(path.stat().st_mode) & 0o077:
        raise KeyFileError("others may read the pseudonym key", source=path, cure=f"Run: chmod 600 {path}")
    try:
        key = bytes.fromhex(path.read_text("ascii").strip())
    except ValueError:
        key = b""
    if len(key) != KEY_BYTES:
        raise KeyFileError(
            f"is not a pseudonym key of {KEY_BYTES} bytes", source=path, cure="Put the right file back from its backup."
        )
    return key
