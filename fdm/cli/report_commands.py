"""sheet and digest: what is printed of a landing and of a week."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fdm.cli.console import out
from fdm.cli.options import ARCHIVE, WEEK

if TYPE_CHECKING:
    import polars as pl

OUT = click.option(
    "--out", "target", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
    help="File to write; its suffix says what. In this folder, as .html, when left out.",
)  # fmt: skip
SHORT_NAME = 8


@click.command()
@click.argument("landing")
@ARCHIVE
@OUT
@click.option("--identities", is_flag=True, help="With aircraft, flight, airfield and date; the audit log keeps that.")
def sheet(landing: str, archive: Path, target: Path | None, identities: bool) -> int:
    """Write the sheet of one landing for the debrief: two pages of A4, as .html or .pdf.

    LANDING is a landing's id, the id of one of its events, or its pseudonym. Aircraft, flight, airfield and date stay
    hidden unless --identities asks for them; so do findings that were not released, where others were.
    """
    from dashboard.reports import printing
    from dashboard.reports.paper import kind_of, save
    from dashboard.reports.sheet import sheet as sheet_of
    from dashboard.reports.subject import find, pseudonyms, subject
    from fdm.archive import Archive

    kind = kind_of(target, ("html", "pdf")) if target else "html"
    store, names = Archive(archive), pseudonyms(archive)
    landing_id = find(store, landing, names)
    released = [] if identities else _released(archive)
    told = subject(store, landing_id, names, named=identities, released=released)
    path = target or Path(f"landing-{told.name[:SHORT_NAME]}.html")
    html = sheet_of(told)
    data = printing.pdf(html) if kind == "pdf" else html.encode()
    if identities:
        _record(archive, landing_id, "sheet with identities", path)
    save(path, data)
    out().print(f"Sheet of landing {told.name} written to {path}")
    return 0


def _released(archive: Path) -> list[str]:
    """The events released to debriefing; none where nobody did anything yet, and nothing is made then."""
    from dashboard.desk import beside
    from dashboard.identity import released_of
    from fdm.people.location import people_url

    where = str(people_url(archive))
    if "://" not in where and not Path(where).exists():
        return []
    return released_of(beside(archive).verdicts().current)["event_id"].to_list()


def _record(archive: Path, subject: str, what: str, path: Path) -> None:
    """Say in the audit log that names left the archive, before they do."""
    from fdm.people.location import people_url
    from fdm.people.roles import OFFICER, at_this_machine
    from fdm.people.store import People

    with People(people_url(archive)) as people:
        people.audit.record(at_this_machine(OFFICER), "export", subject, what=what, file=path.name)


@click.command()
@ARCHIVE
@WEEK
@OUT
@click.option("--flights", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="CSV list of the flights flown (tail, flight, start_utc): shows how many were recorded. "
                   "ARCHIVE.flown.csv when left out and there.")  # fmt: skip
def digest(archive: Path, week: str | None, target: Path | None, flights: Path | None) -> int:
    """Write the digest of a week for the safety review: three pages of A4 as .html or .pdf, or its figures as .json.

    The newest full week when --week is left out. It names aircraft, so it is for who keeps identities.
    """
    from dashboard.reports import printing
    from dashboard.reports.digest import html
    from dashboard.reports.digest_data import as_json, digest_of
    from dashboard.reports.paper import kind_of, save

    kind = kind_of(target, ("html", "pdf", "json")) if target else "html"
    found = digest_of(archive, week, _flown(archive, flights))
    path = target or Path(f"digest-{found.week.week}.html")
    if kind == "json":
        data = json.dumps(as_json(found), indent=1, ensure_ascii=False).encode() + b"\n"
    else:
        page = html(found)
        data = printing.pdf(page) if kind == "pdf" else page.encode()
    _record(archive, found.week.week, "digest", path)
    save(path, data)
    out().print(f"Digest of {found.week.week} written to {path}")
    return 0


def _flown(archive: Path, named: Path | None) -> pl.DataFrame | None:
    """The list of flights flown that was named, else the one beside the archive; None when there is none."""
    from dashboard.flown import FlightsFlown, read_flown
    from fdm.cli.health_commands import flown

    beside = FlightsFlown(archive)
    if named is None:
        return beside()
    listed = flown(named)
    return read_flown(named) if "start_utc" in listed.columns else listed


COMMANDS = (sheet, digest)
