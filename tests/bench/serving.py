"""Dashboards in processes of their own for the browser benchmark: `python -m tests.bench.serving EVENTS PORT` serves
an invented archive of so many events, held in memory."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path

STARTS_IN_S = 300
LANDINGS_PER_EVENT = 2.6  # of the invented archive


@contextmanager
def dashboard(archive: Path) -> Iterator[str]:
    """Address of a fresh server of an archive."""
    with _process(["-m", "fdm", "dashboard", "--archive", str(archive), "--port"]) as address:
        yield address


@contextmanager
def queue_of(events: int) -> Iterator[str]:
    """Address of a fresh server of an invented archive of about so many events."""
    with _process(["-m", "tests.bench.serving", str(events)]) as address:
        yield address


@contextmanager
def _process(arguments: Sequence[str]) -> Iterator[str]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    quiet = subprocess.DEVNULL
    with subprocess.Popen([sys.executable, *arguments, str(port)], stdout=quiet, stderr=quiet) as server:
        try:
            _answers(port, server)
            yield f"http://127.0.0.1:{port}"
        finally:
            server.terminate()


def _answers(port: int, server: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + STARTS_IN_S
    while time.monotonic() < end:
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=5):
            return
        with suppress(subprocess.TimeoutExpired):
            server.wait(0.05)
            break
    raise SystemExit("the dashboard did not start")


def main() -> None:
    from waitress import serve

    from dashboard.app import build
    from dashboard.store import Store
    from tests.dashboard.invented_archive import RULES, FakeArchive

    events, port = int(sys.argv[1]), int(sys.argv[2])
    store = Store(FakeArchive(landings=int(events * LANDINGS_PER_EVENT)), lambda _run: RULES)
    store.held()
    serve(build(store).server, host="127.0.0.1", port=port, threads=8, ident=None)


if __name__ == "__main__":
    main()
