"""Times as the store keeps them: ISO 8601 text in UTC, the same bytes in every database, sorting as they follow."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

Clock = Callable[[], datetime]


def utc_now() -> datetime:
    """The time now."""
    return datetime.now(UTC)


def to_text(at: datetime) -> str:
    """2026-11-12T06:41:00.000000Z. ValueError when the time has no zone."""
    if at.tzinfo is None:
        raise ValueError(f"{at} has no time zone")
    return at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def to_time(text: str) -> datetime:
    """The time that a text says."""
    return datetime.fromisoformat(text)


def in_words(at: datetime) -> str:
    """12 Nov 2026, 06:41 UTC"""
    return f"{at.astimezone(UTC):%-d %b %Y, %H:%M} UTC"
