"""The Dash application: one frame, pages by path, everything read through one store."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from dash import Dash, Input, Output, State
from dash.development.base_component import Component
from flask_compress import Compress

from dashboard import security
from dashboard.pages import frame, landing, landings, not_assessed, rules, week
from dashboard.rulecards import load_rule_cards
from dashboard.store import RuleCard, Source, Store


@dataclass(frozen=True)
class Page:
    """A page: the path it stands under (what follows it is the page's argument), and how it is made."""

    path: str
    title: str
    layout: Callable[[Store, str, str], Component]
    register: Callable[[Dash, Store], None]


PAGES = (
    Page("/landing/", "Landing", landing.layout, landing.register),
    Page("/landings", "Landings", lambda store, _name, search: landings.layout(store, search), landings.register),
    Page("/rules", "Rules", rules.layout, rules.register),
    Page("/not-assessed", "Not assessed", lambda store, _name, search: not_assessed.layout(store, search), not_assessed.register),
    Page("/", "Week", lambda store, _name, search: week.layout(store, search), week.register),
)


def create_app(archive_path: str) -> Dash:
    """The dashboard over an archive folder.

    Raises fdm.errors.ArchiveError when the folder is no archive, RuleError when its rule book cannot be read.
    """
    from fdm.archive import Archive  # noqa: PLC0415

    return build(Archive(archive_path))


def build(source: Source, load_rules: Callable[[Mapping[str, Any]], Mapping[str, RuleCard]] = load_rule_cards) -> Dash:
    """The dashboard over anything that answers like an archive."""
    store = Store(source, load_rules)
    app = Dash(
        "dashboard",
        title=frame.PRODUCT,
        update_title="",
        assets_ignore=r"early\.js",
        suppress_callback_exceptions=True,
        index_string=_index(),
        serve_locally=True,
        compress=False,
    )
    app.layout = frame.page_frame
    app.server.config.update(COMPRESS_BR_LEVEL=5, COMPRESS_LEVEL=6, COMPRESS_MIN_SIZE=600)
    Compress(app.server)
    security.protect(app)
    _route(app, store)
    for page in PAGES:
        page.register(app, store)
    return app


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


def _route(app: Dash, store: Store) -> None:
    @app.callback(Output("page", "children"), Input("address", "pathname"), State("address", "search"))
    def show_page(path: str | None, search: str | None) -> Component:
        found = find_page(path)
        if found is None:
            return frame.message("There is no such page.", "/", "Go to this week")
        page, name = found
        return page.layout(store, name, search or "")


def _index() -> str:
    return """<!DOCTYPE html>
<html lang="en">
<head>{%metas%}<title>{%title%}</title>{%favicon%}
<meta name="color-scheme" content="light dark"><script src="/assets/early.js"></script>{%css%}</head>
<body>{%app_entry%}<footer>{%config%}{%scripts%}{%renderer%}</footer></body>
</html>"""
