"""Work to try the queue with: each behaves in one way that real work may."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path

from fdm.errors import RecordingError

Progress = Callable[[int, int, str], None]


def count(archive: str, progress: Progress, to: int = 3) -> str:
    """Works to the end, and talks of other things in between."""
    for number in range(to):
        print("a library's remark")
        progress(number, to, f"file {number}")
    return f"counted to {to} for {Path(archive).name}"


def refuse(archive: str, progress: Progress) -> str:
    """Finds the user's input wrong."""
    raise RecordingError("is empty", source=f"{archive}/a.csv", cure="Export it again.")


def stumble(archive: str, progress: Progress) -> str:
    """Has a fault of its own."""
    return str(1 // 0)


def die(archive: str, progress: Progress) -> str:
    """Ends without a word."""
    print("Fatal: out of luck", file=sys.stderr, flush=True)
    os._exit(9)


def hang(archive: str, progress: Progress) -> str:
    """Says its process number and then works until it is stopped."""
    progress(1, 2, str(os.getpid()))
    while True:
        os.read(os.open(f"{archive}/fifo", os.O_RDONLY), 1)
