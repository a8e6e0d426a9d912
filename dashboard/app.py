"""The Dash application: one frame, pages by path, everything read through one store."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from dash import Dash, Input, Output, State, set_props
from dash.development.base_component import Component
from werkzeug.exceptions import HTTPException

from dashboard import (
    accounts_page,
    audit_page,
    compression,
    export,
    first_run,
    gate,
    jobs_page,
    login,
    provider_login,
    security,
)
from dashboard.access import open_to, viewer
from dashboard.deployment import Deployment, deployment_of
from dashboard.desk import Desk
from dashboard.door import Door, Once, unguarded
from dashboard.flown import FlightsFlown
from dashboard.pages import (
    compare,
    debrief,
    frame,
    health,
    landing,
    landings,
    limits,
    no_longer,
    not_assessed,
    rules,
    versions,
    week,
)
from dashboard.rulecards import load_rule_cards
from dashboard.store import Store
from dashboard.workshop import Workshop
from fdm.archive import Archive
from fdm.errors import FdmError
from fdm.people.location import key_path, people_url
from fdm.people.pseudonyms import Pseudonyms, load_key
from fdm.people.roles import ANALYST, CAPTAIN, OFFICER, ROLES
from fdm.people.store import People

EARLY = Path(__file__).with_name("assets") / "early.js"
WORKSHOP = "WORKSHOP"  # in the application's configuration
log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Page:
    """A page: the path it stands under (what follows it is the page's argument), how it is made, whom it is for."""

    path: str
    layout: Callable[[Store, str, str], Component]
    register: Callable[[Dash, Store], None]
    roles: tuple[str, ...] = (OFFICER,)


PAGES = (
    Page("/landing/", landing.layout, landing.register, (OFFICER, ANALYST)),
    Page("/landings", landings.layout, landings.register, (OFFICER, ANALYST)),
    Page("/debrief", debrief.layout, debrief.register, (OFFICER, CAPTAIN)),
    Page("/rules", rules.layout, rules.register, (OFFICER, ANALYST)),
    Page("/limits", limits.layout, limits.register, (OFFICER, ANALYST)),
    Page("/compare", compare.layout, compare.register, (OFFICER, ANALYST)),
    Page("/versions", versions.layout, versions.register, (OFFICER, ANALYST)),
    Page("/health", health.layout, health.register, (OFFICER, ANALYST)),
    Page("/not-assessed", not_assessed.layout, not_assessed.register, (OFFICER, ANALYST)),
    Page("/no-longer", no_longer.layout, no_longer.register),
    Page("/", week.layout, week.register),
)


def create_app(archive_path: Path | str, deployment: Deployment | None = None) -> Dash:
    """The dashboard over an archive folder.

    Raises fdm.errors.ArchiveError when the folder is no archive, RuleError when its rule book cannot be read.
    """
    deployment, url = deployment or deployment_of(), people_url(archive_path)
    opened = Once(lambda: People(url, pause=lambda _seconds: None))
    file = url.removeprefix("sqlite:///")
    there = Path(file).exists if "://" not in file else lambda: True
    store = Store(
        Archive(archive_path),
        load_rule_cards,
        reopen=lambda: Archive(archive_path),
        desk=Desk(opened),
        names=lambda: Pseudonyms(load_key(key_path(), archive=archive_path)),
        flown=FlightsFlown(archive_path),
    )
    store.held()
    workshop = Workshop(opened, archive_path, deployment.drop_folder)
    return build(store, Door(opened, there, deployment), workshop)


def build(store: Store, door: Door | None = None, workshop: Workshop | None = None) -> Dash:
    """The dashboard over a store; without a door, for the officer at this machine alone.

    workshop    does the work that is asked for from the browser; None: none is done
    """
    door = door or unguarded()
    app = Dash(
        "dashboard",
        title=frame.PRODUCT,
        update_title="",
        assets_ignore=r"early\.js",
        suppress_callback_exceptions=True,
        index_string=_index(),
        serve_locally=True,
        on_error=_failed,
    )
    app.layout = frame.page_frame
    app.server.config[frame.PLACES_FOR] = places_for
    compression.compress(app.server)
    gate.stand(app, door, home_of)
    security.protect(app, secure=door.deployment.behind_proxy)
    provider_login.register(app, door, login.register(app, door))
    _route(app, store, loads=workshop is not None and workshop.folder is not None)
    export.register(app.server, store)
    accounts_page.register(app.server, door)
    audit_page.register(app.server, store, door)
    jobs_page.register(app.server, store, door, workshop)
    app.server.config[WORKSHOP] = workshop
    for page in PAGES:
        page.register(app, store)
    return app


def places_for(role: str) -> list[tuple[str, str]]:
    """Where a role may go, in the order of the head."""
    return [(path, name) for path, name in frame.PLACES if role in roles_of_path(path)]


def home_of(role: str) -> str:
    """The first page of a role."""
    return next((path for path, _ in places_for(role)), "/account")


def roles_of_path(path: str) -> tuple[str, ...]:
    """Whom a path is for; nobody when there is no page under it."""
    if path in frame.WHOLE:
        return frame.WHOLE[path]
    found = find_page(path)
    return found[0].roles if found else ()


def find_page(path: str | None) -> tuple[Page, str] | None:
    """The page of a path and what follows it, or None."""
    path = path or "/"
    for page in PAGES:
        base = page.path.rstrip("/")
        if path == page.path or (base and path in (base, page.path)):
            return page, ""
        if base and path.startswith(base + "/"):
            return page, path[len(base) + 1 :]
    return None


def _failed(error: Exception) -> None:
    """Says on the page that a part of it did not load; what went wrong goes to the log."""
    if isinstance(error, HTTPException):
        raise error
    log.error("a part of the page failed", exc_info=error)
    why = str(error) if isinstance(error, FdmError) else "What went wrong is in the log of the dashboard."
    set_props("alert", {"markup": str(frame.alert(why))})


def _route(app: Dash, store: Store, *, loads: bool) -> None:
    @app.callback(Output("page", "children"), Input("address", "pathname"), State("address", "search"))
    @open_to(*ROLES)
    def show_page(path: str | None, search: str | None) -> Component:
        found = find_page(path)
        if found is None:
            return frame.message("There is no such page.", "/", "Go to this week")
        page, name = found
        if viewer().role not in page.roles:
            return frame.message(
                f"This page is not open to the role of {viewer().role}.", home_of(viewer().role), "Go back"
            )
        if first_run.nothing_yet(store):
            return first_run.layout(store, loads=loads)
        return page.layout(store, name, search or "")


def _index() -> str:
    """The page that everything is put into. What is fetched by an address of its own version is kept by the browser."""
    early = f"/assets/early.js?m={EARLY.stat().st_mtime}"
    charts = f"/_dash-component-suites/plotly/package_data/plotly.min.js?v={version('plotly')}"
    return """<!DOCTYPE html>
<html lang="en">
<head>{%metas%}<title>{%title%}</title>{%favicon%}
<meta name="color-scheme" content="light dark"><script src="EARLY" data-charts="CHARTS"></script>{%css%}</head>
<body>{%app_entry%}<footer>{%config%}{%scripts%}{%renderer%}</footer></body>
</html>""".replace("EARLY", early).replace("CHARTS", charts)
