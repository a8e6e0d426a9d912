"""A private PostgreSQL from the distribution's packages: its own folder, a Unix socket, no network, gone afterwards.

Debian: apt-get install -y postgresql (its service need not run).
"""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

OWNER = "postgres"  # initdb refuses to run as root


def programs() -> Path | None:
    """The folder of the newest installed initdb, None when there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    on_path = shutil.which("initdb")
    return found[-1].parent if found else Path(on_path).resolve().parent if on_path else None


def memory() -> str | None:
    """A folder in memory for what is only tried out: a killed process does not ask for a disk."""
    shm = Path("/dev/shm")
    roomy = shm.is_dir() and os.access(shm, os.W_OK) and shutil.disk_usage(shm).free > 500_000_000
    return str(shm) if roomy else None


class Cluster:
    """Started when made; `stop` and `start` as often as wanted; `remove` at the end."""

    def __init__(self, folder: Path):
        self._bin = folder
        self.root = Path(tempfile.mkdtemp(prefix="pg-", dir=memory()))
        self._user = OWNER if os.geteuid() == 0 else None
        if self._user:
            shutil.chown(self.root, self._user)
        self._run("initdb", "-D", str(self.root / "data"), "-U", OWNER, "-A", "trust", "-E", "UTF8", "--no-sync")
        self.start()

    def _run(self, program: str, *arguments: str) -> None:
        done = subprocess.run(
            [str(self._bin / program), *arguments],
            user=self._user,
            cwd=self.root,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
        )
        assert done.returncode == 0, f"{program}: {done.stderr}"

    def start(self) -> None:
        """Start it and wait until it answers."""
        options = f"-c listen_addresses='' -c unix_socket_directories='{self.root}' -c fsync=off -c max_connections=60"
        log = str(self.root / "log")
        self._run("pg_ctl", "-D", str(self.root / "data"), "-l", log, "-o", options, "-w", "start")

    def stop(self, how: str = "fast") -> None:
        """Stop it; "immediate" is a crash."""
        self._run("pg_ctl", "-D", str(self.root / "data"), "-m", how, "-w", "stop")

    def url(self, name: str) -> str:
        """The address of one of its databases."""
        return f"postgresql://{OWNER}@/{name}?host={self.root}"

    def sql(self, statement: str, name: str = "postgres") -> None:
        """One statement outside a transaction."""
        import psycopg

        with psycopg.connect(self.url(name), autocommit=True) as connection:
            connection.execute(statement.encode())

    def remove(self) -> None:
        """Stop it and delete its folder; a server that would not stop ends by itself once its folder is gone."""
        try:
            self.stop("immediate")
        finally:
            shutil.rmtree(self.root, ignore_errors=True)
