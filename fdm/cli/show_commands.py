"""demo and dashboard: the product at work, in a browser."""

from __future__ import annotations

import ipaddress
import os
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from fdm.cli.archive_commands import list_refused, tell_costs
from fdm.cli.console import out, progress
from fdm.cli.options import ARCHIVE, PORT
from fdm.errors import FdmError

LOOPBACK = "127.0.0.1"
MOST_IN_A_LIST = 15


@click.command()
@click.option("--landings", type=click.IntRange(1, 1_000_000), default=2000, show_default=True, help="How many.")
@click.option("--seed", type=int, default=1, show_default=True, help="Another seed makes another eight weeks.")
@click.option("--small", is_flag=True, help="Use the few recordings that come with the product instead.")
@click.option("--archive", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="Archive folder; one in the user's cache when left out.")  # fmt: skip
@click.option("--once", is_flag=True, help="End after printing; serve no dashboard.")
@PORT
def demo(landings: int, seed: int, small: bool, archive: Path | None, once: bool, port: int) -> int:
    """Show everything at work on the recordings of an invented airline.

    Makes the recordings, loads them, judges every landing, lists the events of the last full week (with --small,
    of all weeks), and serves the dashboard until Ctrl-C. A second run reuses what the first one made.
    """
    if not once:
        check_port(LOOPBACK, port)
    folder = _judged_demo(None if small else landings, seed, archive)
    return 0 if once else _serve(folder, LOOPBACK, port)


def _judged_demo(landings: int | None, seed: int, archive: Path | None) -> Path:
    """Make, load and judge the invented airline, and print the events; the archive's folder."""
    from fdm.cli.event_table import print_events, read
    from fdm.demo import demo_folder, last_full_week, recordings_of
    from fdm.engine import detect, load

    folder, started = demo_folder(landings, seed), time.monotonic()
    archive = archive or folder / "archive"
    with _timed("recordings of an invented airline, made"):
        recordings, _ = recordings_of(folder, landings, seed)
    with _timed("read and stored"), progress("Reading") as report:
        list_refused(load([recordings], archive, progress=report))
    with _timed("landings measured and judged"), progress("Judging") as report:
        found = detect(archive, progress=report)
    with _timed("costs of the events estimated"):
        tell_costs(archive, workers=min(os.cpu_count() or 1, 4))
    seconds = time.monotonic() - started
    out().print(f"{found.landings:,} landings, from recordings to events in {seconds:.1f} s. All data are invented.\n")
    held = read(archive)
    week = None if landings is None else last_full_week(held.landings)
    print_events(out(), held, week, most=MOST_IN_A_LIST)
    out().print(f'\nEvery event: fdm events --archive "{archive}"')
    return archive


@contextmanager
def _timed(what: str) -> Iterator[None]:
    started = time.monotonic()
    yield
    out().print(f"{time.monotonic() - started:6.1f} s  {what}")


@click.command()
@ARCHIVE
@PORT
@click.option("--host", default=LOOPBACK, show_default=True,
              help="Address to serve on; one that other machines reach needs accounts.")  # fmt: skip
@click.option("--name", "names", multiple=True, metavar="NAME", help="What others call this dashboard, as a host name.")
def dashboard(archive: Path, port: int, host: str, names: tuple[str, ...]) -> int:
    """Serve the archive's dashboard until Ctrl-C: to the officer at this machine, or to whoever has an account.

    From the first account on (fdm user add), everybody logs in. An empty folder becomes an archive, to be filled under
    Jobs or by fdm load.
    """
    check_host(host)
    check_port(host, port)
    _make_of_empty_folder(archive)
    return _serve(archive, host, port, names)


def _make_of_empty_folder(folder: Path) -> None:
    """An archive without landings, where an empty folder is named. ArchiveError when it cannot be written."""
    from fdm.archive import Archive

    if folder.is_dir() and not any(folder.iterdir()):
        Archive(folder, create=True)


def check_host(host: str) -> None:
    """FdmError unless the host is an address."""
    try:
        if host != "localhost":
            ipaddress.ip_address(host)
    except ValueError:
        raise FdmError(
            f"'{host}' is not an address of a machine",
            source="--host",
            cure="Use 127.0.0.1, ::1 or localhost; 0.0.0.0 for every address of this machine.",
        ) from None


def check_port(host: str, port: int) -> None:
    """FdmError when something listens on the port already, or the system does not let us have it."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise FdmError(
                f"port {port} on {host} cannot be used ({(error.strerror or str(error)).lower()})",
                source="--port",
                cure="Stop what uses it (another dashboard, perhaps), or choose another, such as --port 8051.",
            ) from None


def _serve(archive: Path, host: str, port: int, names: tuple[str, ...] = ()) -> int:
    from dashboard.serve import has_accounts, reach, serve
    from fdm.archive import Archive

    Archive(archive)  # says what to do when there is none
    deployment = reach(archive, host, names)
    address = f"[{host}]" if ":" in host else host
    out().print(f"\nDashboard: http://{address}:{port}/   (Ctrl-C stops it)")
    if has_accounts(archive):
        out().print("Whoever opens it logs in first; accounts: fdm user list.")
    serve(str(archive), host=host, port=port, deployment=deployment)
    return 0


COMMANDS = (demo, dashboard)
