"""Serves the dashboard: one process, a few threads, on the loopback address unless told otherwise."""

from __future__ import annotations

from pathlib import Path

from waitress import serve as serve_wsgi

from dashboard.app import create_app

THREADS = 8


def serve(archive_path: Path | str, host: str = "127.0.0.1", port: int = 8050) -> None:
    """Serves until interrupted.

    Raises fdm.errors.ArchiveError when the archive cannot be read.
    """
    app = create_app(archive_path)
    serve_wsgi(app.server, host=host, port=port, threads=THREADS, ident=None)
