"""Answers are compressed; what never changes while the server runs is compressed once."""

from __future__ import annotations

from flask import Flask, Request, Response, request
from flask_compress import Compress

FIXED = ("/_dash-component-suites/", "/assets/")
MOST_KEPT = 200


class Kept:
    """Compressed files by address. Pages and data are never kept."""

    def __init__(self) -> None:
        self._kept: dict[str, bytes] = {}

    def get(self, key: str) -> bytes | None:
        """The compressed answer, when it was kept."""
        return self._kept.get(key)

    def set(self, key: str, value: bytes) -> None:
        """Keep a compressed answer, when its address is that of a fixed file."""
        if len(self._kept) < MOST_KEPT and any(part in key for part in FIXED):
            self._kept[key] = value


def compress(server: Flask) -> None:
    """Compress every answer worth it, in a balance of size and time."""
    server.config.update(
        COMPRESS_BR_LEVEL=5,
        COMPRESS_LEVEL=6,
        COMPRESS_MIN_SIZE=600,
        COMPRESS_CACHE_BACKEND=Kept,
        COMPRESS_CACHE_KEY=_address,
    )
    Compress(server)
    server.after_request(_whole)  # runs before the compression, which was registered first


def _whole(answer: Response) -> Response:
    """A fixed file in one piece rather than as an open file: only so is it compressed once, and the file closed."""
    if not answer.is_sequence and request.path.startswith(FIXED) and answer.status_code == 200:
        answer.direct_passthrough = False
        answer.make_sequence()
    return answer


def _address(asked: Request) -> str:
    return asked.full_path
