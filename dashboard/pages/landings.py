"""Every landing: when, where, what was found, and how much of it could be assessed."""

from __future__ import annotations

from typing import Any

import polars as pl
from dash import Dash, Input, Output, dcc, html
from markupsafe import Markup

from dashboard import marks, words
from dashboard.access import open_to
from dashboard.elements import Block
from dashboard.held import Held, distinct
from dashboard.landing_list import EVENTS, LANDINGS_PER_PAGE, SHOWN, landings, titles
from dashboard.pages import frame
from dashboard.pages.frame import exports, filters, nothing, options, pager, search_box
from dashboard.query import ALL_WEEKS, LEVELS, Query, parse
from dashboard.store import Store
from fdm.people.roles import ANALYST, OFFICER

SHOW = [
    ("events", "With an event"),
    ("none", "Without an event"),
    ("part", "Assessed in part or not at all"),
    ("missing", "Not assessed at all"),
]


def layout(store: Store, _name: str, search: str) -> html.Div:
    """The page, with its controls as the address asks; the list fills itself."""
    return html.Div(
        [
            dcc.Store(id="landings-filters"),
            Block("landings-controls", controls(store.held(), parse(search)), "controls no-print"),
            Block("landings-list", className="sheet"),
        ],
        className="plain-page",
    )


def register(app: Dash, store: Store) -> None:
    """Callbacks of the page."""
    filters(app, "landings-filters")

    @app.callback(Output("landings-list", "markup"), Input("landings-filters", "data"))
    @open_to(OFFICER, ANALYST)
    def show_list(filters: str | None) -> str:
        return str(listing(store.held(), parse(filters)))


def controls(held: Held, query: Query) -> Markup:
    """Landing filters."""
    weeks = [(week, words.period(week)) for week in reversed(held.weeks)]
    return Markup('<h1 class="inline">Landings</h1><span class="spring"></span>{}{}{}{}{}{}').format(
        search_box(query.text, "Search landings"),
        options("week", *frame.periods(held), weeks, "" if query.week == ALL_WEEKS else query.week),
        options("fleet", "Fleet", "All fleets", distinct(held.landings, "fleet"), query.fleet),
        options("runway", "Runway", "All runways", distinct(held.landings, "place"), query.runway),
        options("tail", "Aircraft", "All aircraft", distinct(held.landings, "tail"), query.tail),
        options("show", "Show", "All landings", SHOW, query.show),
    )


def listing(held: Held, query: Query) -> Markup:
    """One page of the list."""
    found = landings(held, query)
    if found.is_empty():
        return nothing("No landing under these filters.", Markup('<a href="/landings">Show every landing</a>'))
    if held.hides(found.height):
        return frame.too_few("/landings")
    start = (query.page - 1) * LANDINGS_PER_PAGE
    page = found.slice(start, LANDINGS_PER_PAGE)
    told = titles(held, page.get_column("landing_id"))
    body = marks.joined(_row(row, told.get(row["landing_id"], [])) for row in page.iter_rows(named=True))
    when = "Month" if held.least else "Touchdown, UTC"
    heads = (when, "Aircraft", "Fleet", "Flight", "Runway", "Speed", "Events", "Found", "Rules assessed")
    return Markup(
        '{}<p class="tally"><span><b>{}</b>{}</span><span class="spring"></span>{}</p>'
        '<table class="list-table"><thead><tr>{}</tr></thead>'
        "<tbody>{}</tbody></table>{}"
    ).format(
        frame.printed("Landings", held, query, query.week),
        words.count(found.height, "landing"),
        _tally(found),
        "" if held.least else exports("landings", query),
        marks.joined(Markup("<th>{}</th>").format(head) for head in heads),
        body,
        pager(found.height, LANDINGS_PER_PAGE, query, "landings"),
    )


def _tally(found: pl.DataFrame) -> str:
    with_events = found.filter(EVENTS > 0).height
    silent = found.filter(SHOWN["missing"]).height
    return f", {with_events:,} with an event, {silent:,} not assessed at all"


def _row(row: dict[str, Any], told: list[str]) -> Markup:
    speed = row["touchdown_ground_speed_kt"]
    return Markup(
        '<tr><td><a href="/landing/{}">{}</a></td><td class="whole">{}</td><td>{}</td><td class="whole">{}</td>'
        '<td class="whole">{}</td><td class="num">{}</td>'
        '<td class="marks">{}</td><td class="titles soft">{}</td><td>{}</td></tr>'
    ).format(
        row["landing_id"],
        words.touched_down(row) or "date unknown",
        row["tail"] or "unknown",
        row["fleet"] or "",
        row["flight"] or "",
        row["place"] or "unknown",
        words.quantity(speed, "kt") if speed is not None else "",
        _marks(row),
        "; ".join(told),
        _assessed(row),
    )


def _marks(row: dict[str, Any]) -> Markup:
    return marks.joined(
        Markup('<span class="mark-count">{} {}</span>').format(marks.severity(level), row[level])
        for level in LEVELS
        if row[level]
    )


def _assessed(row: dict[str, Any]) -> Markup:
    if not row["judged"]:
        return Markup('<span class="soft">none applies</span>')
    if row["assessed"] == row["judged"]:
        return Markup('<span class="soft">all {}</span>').format(row["judged"])
    if row["kind"] == "go_around":
        return Markup('{} <span class="soft">flew again</span>').format(marks.HATCH)
    return Markup("{} {} of {}").format(marks.HATCH, row["assessed"], row["judged"])
