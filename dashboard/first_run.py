"""What stands in the place of every page before anything was judged: how far it is, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl
from dash import html
from markupsafe import Markup

from dashboard import words
from dashboard.access import viewer
from dashboard.elements import Block
from dashboard.store import Store
from fdm.archive import Archive
from fdm.people.roles import ANALYST, OFFICER
from fdm.storage import Folder


@dataclass(frozen=True)
class Loaded:
    """What an archive holds: flights with landings, their landings, and recordings that were refused."""

    flights: int
    landings: int
    refused: int
    address: str


def nothing_yet(store: Store) -> bool:
    """Whether there is no judged landing in the archive."""
    return store.whole().landings.is_empty()


def layout(store: Store, *, loads: bool = False) -> html.Div:
    """The page. `loads`: recordings can be loaded from the browser, too."""
    return html.Div(Block("first-run", _said(store, loads=loads)), className="plain-page")


def _said(store: Store, *, loads: bool) -> Markup:
    source = store.archive()
    found = _loaded(source) if isinstance(source, Archive) else Loaded(0, 0, 0, "")
    if viewer().role not in (OFFICER, ANALYST):
        return _page("Nothing is here yet", "No landing was judged yet. Ask the safety officer.")
    if not found.landings:
        return _page(
            "No landing was loaded yet",
            _refused(found),
            _step("1", "Load recordings", f"fdm load RECORDINGS --archive {found.address}"),
            _step("2", "Measure and judge their landings", f"fdm detect --archive {found.address}"),
            jobs="Or ask for both under" if loads else "The second can be asked for under",
        )
    told = f"{words.count(found.landings, 'landing')} of {words.count(found.flights, 'flight')} loaded. "
    return _page(
        "The landings were not judged yet",
        told + _refused(found),
        _step("Next", "Measure and judge them", f"fdm detect --archive {found.address}"),
        jobs="Or ask for it under",
    )


def _loaded(archive: Archive) -> Loaded:
    files = archive.files(["source", "part", "landing_ids", "refusal"])
    loaded = files.filter(pl.col("part").is_not_null())
    landings = loaded.explode("landing_ids").get_column("landing_ids").n_unique() if loaded.height else 0
    refused = files.get_column("refusal").is_not_null().sum()
    return Loaded(loaded.get_column("source").n_unique(), landings, int(refused), _named(archive))


def _named(archive: Archive) -> str:
    """What the commands call it by."""
    return str(archive.storage.path) if isinstance(archive.storage, Folder) else archive.address


def _refused(found: Loaded) -> str:
    return f"{words.count(found.refused, 'recording was', 'recordings were')} refused." if found.refused else ""


def _step(number: str, what: str, command: str) -> Markup:
    return Markup('<p><b>{}.</b> {}:</p><pre class="tune-command">{}</pre>').format(number, what, command)


def _page(head: str, told: str, *steps: Markup, jobs: str = "") -> Markup:
    asked = Markup('<p>{} <a href="/jobs" target="_self">Jobs</a>. Then open this page again.</p>').format(jobs)
    return Markup('<div class="nothing"><h1>{}</h1>{}{}{}</div>').format(
        head, Markup("<p>{}</p>").format(told) if told else "", Markup("").join(steps), asked if jobs else ""
    )
