"""Which addresses stay on this machine, and which nobody can listen to on the way."""

from __future__ import annotations

import ipaddress
from urllib.parse import SplitResult, urlsplit


def is_loopback(host: str) -> bool:
    """Whether an address can only be reached from this machine."""
    try:
        return host == "localhost" or ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def split(url: str) -> SplitResult | None:
    """The parts of an absolute http or https address with a host; None for anything else."""
    try:
        parts = urlsplit(url)
        _ = parts.port
    except ValueError:
        return None
    written = url.isascii() and url.isprintable() and " " not in url
    return parts if written and parts.scheme in ("http", "https") and parts.hostname else None


def is_private(url: str, *, here: bool = True) -> bool:
    """Whether what goes to an http address cannot be read on the way: over TLS, or, if that may be, on this machine."""
    parts = split(url)
    return parts is not None and (parts.scheme == "https" or (here and is_loopback(parts.hostname or "")))
