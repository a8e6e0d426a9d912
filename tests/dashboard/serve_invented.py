"""Serves the dashboard over the invented archive: python tests/dashboard/serve_invented.py [LANDINGS] [PORT]"""

from __future__ import annotations

import sys

from invented_archive import RULES, FakeArchive
from waitress import serve

from dashboard.app import build
from dashboard.store import Store


def main(landings: int = 2000, port: int = 8050) -> None:
    """Serves until interrupted."""
    app = build(Store(FakeArchive(landings=landings), lambda _run: RULES))
    serve(app.server, host="127.0.0.1", port=port, threads=6)


if __name__ == "__main__":
    main(*(int(x) for x in sys.argv[1:]))
