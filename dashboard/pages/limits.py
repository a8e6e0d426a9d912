"""Trying other limits of a rule on every landing, before anything is changed."""

from __future__ import annotations

from typing import Any

import polars as pl
from dash import Dash, Input, Output, State, dcc, html, no_update
from markupsafe import Markup

from dashboard import (
    analysis,
    limits_chart,
    limits_counted,
    limits_lists,
    limits_side,
    marks,
    version_bases,
    version_desk,
)
from dashboard.access import open_to, viewer
from dashboard.elements import Block
from dashboard.limits_asked import Asked, asked, limits_asked, movable, population
from dashboard.limits_sweep import swept
from dashboard.pages.frame import message, nothing, too_few
from dashboard.rule_card import RuleCard
from dashboard.store import Store
from fdm.errors import FdmError
from fdm.people.roles import ANALYST, OFFICER

PATH = "/limits"


def layout(store: Store, name: str, search: str) -> html.Div:
    """The rules to choose from, or the desk of one rule; its blocks fill themselves."""
    held = store.held()
    if not name:
        return html.Div(Block("limits-rules", limits_side.rules(held), "sheet"), className="plain-page")
    card = held.rules.get(name)
    if card is None:
        return message("There is no such rule in this rule book.", PATH, "All limits")
    wanted = asked(search)
    return html.Div(
        [
            dcc.Store(id="limits-asked"),
            dcc.Store(id="limits-condition"),
            dcc.Store(id="limits-ask"),
            html.Section(
                [
                    Block("limits-side", limits_side.side(held, card, wanted)),
                    Block("limits-facts"),
                    Block("limits-where", limits_side.condition(card, wanted)),
                    Block("limits-where-said", className="tune-said"),
                    Block("limits-save", limits_side.saving(card, version_bases.choice(version_bases.bases_of(store)))),
                    Block("limits-saved", className="tune-said"),
                ],
                className="tune-side",
                **{"aria-label": "Limits"},  # type: ignore[arg-type]
            ),
            html.Section(
                [Block("limits-chart"), Block("limits-groups", className="tune-groups")],
                className="tune-middle",
                **{"aria-label": "Drawing"},  # type: ignore[arg-type]
            ),
            html.Section(
                [
                    Block("limits-numbers", limits_side.numbers(card, wanted)),
                    Block("limits-lists"),
                ],
                className="tune-found",
                **{"aria-label": "What changes"},  # type: ignore[arg-type]
            ),
        ],
        className="tune-page",
    )


def register(app: Dash, store: Store) -> None:
    """Callbacks of the page."""

    @app.callback(
        Output("limits-chart", "markup"),
        Output("limits-facts", "markup"),
        Input("address", "search"),
        State("address", "pathname"),
    )
    @open_to(OFFICER, ANALYST)
    def show_chart(search: str | None, path: str | None) -> Any:
        card = _card(store, path)
        return no_update if card is None else tuple(map(str, drawn(store, card, asked(search))))

    @app.callback(
        Output("limits-lists", "markup"),
        Output("limits-groups", "markup"),
        Input("limits-asked", "data"),
        State("address", "pathname"),
    )
    @open_to(OFFICER, ANALYST)
    def show_lists(given: dict[str, Any] | None, path: str | None) -> Any:
        card = _card(store, path)
        return no_update if card is None or not given else tuple(map(str, listed(store, card, given)))

    @app.callback(
        Output("limits-where-said", "markup"), Input("limits-condition", "data"), State("address", "pathname")
    )
    @open_to(OFFICER, ANALYST)
    def show_condition(given: dict[str, Any] | None, path: str | None) -> Any:
        card = _card(store, path)
        return no_update if card is None or not given else str(version_desk.condition_said(store, str(given["text"])))

    @app.callback(Output("limits-saved", "markup"), Input("limits-ask", "data"), State("address", "pathname"))
    @open_to(OFFICER, ANALYST)
    def save(given: dict[str, Any] | None, path: str | None) -> Any:
        card = _card(store, path)
        return no_update if card is None or not given else str(version_desk.done(store, card, given))


def _card(store: Store, path: str | None) -> RuleCard | None:
    name = (path or "").removeprefix(f"{PATH}/")
    return store.held().rules.get(name)


def drawn(store: Store, card: RuleCard, wanted: Asked) -> tuple[Markup, Markup]:
    """The drawing and what was assessed, or why there is none."""
    try:
        if problems := version_desk.faults_of(wanted.where):
            return nothing("This condition cannot be tried.", problems[0].problem), Markup("")
        found = population(analysis.stood(store, card.name, wanted.where), card, wanted)
    except FdmError as error:
        return nothing("The limits of this rule cannot be tried.", str(error)), Markup("")
    page = f"{PATH}/{card.name}"
    if not found.height:
        every = Markup('<a href="{}">Every landing</a>').format(page)
        return nothing("No landing is under these filters.", every), Markup("")
    if store.held().hides(found.height):
        return too_few(page), Markup("")
    if not movable(card):
        told = "This rule asks whether something happened. It has no limit to move; its condition can be changed."
        return nothing(told, Markup('<a href="/rules/{}">The rule</a>').format(card.name)), Markup("")
    whole = swept(card, wanted.fleet, found)
    return limits_chart.chart(whole), limits_side.facts(store.held(), whole, _missing(store, card, wanted))


def _missing(store: Store, card: RuleCard, wanted: Asked) -> pl.DataFrame:
    """The landings asked about that were not assessed, as the viewer may see them."""
    held = store.held()
    here = population(held.landings, card, wanted)
    return held.missing.filter(pl.col("rule") == card.name).join(here, on="landing_id", how="semi")


def listed(store: Store, card: RuleCard, given: dict[str, Any]) -> tuple[Markup, Markup]:
    """Landings gained and lost, and rates by group; `given` holds `search` and a limit for each level."""
    wanted = asked(str(given.get("search", "")))
    limits = limits_asked(card, wanted.fleet, given)
    try:
        if version_desk.faults_of(wanted.where):
            return Markup(""), Markup("")
        found = analysis.stood(store, card.name, wanted.where)
    except FdmError:
        return Markup(""), Markup("")
    if population(found, card, wanted).height < max(store.held().least, 1):
        return Markup(""), Markup("")
    if not version_desk.in_order(card, limits):
        return Markup('<p class="soft">{} The limits are not in order.</p>').format(marks.HATCH), Markup("")
    changed = limits_lists.changes(found, card, wanted, limits)
    columns = [name for name in changed.columns if name not in ("worst", "sure", "safe", "top", "severity", "barred")]
    shown = store.shown(changed.select(columns))
    counted = limits_counted.counted(found, card, wanted, limits, given.get("no"))
    return counted + limits_lists.lists(shown, card), limits_lists.breakdown(found, card, wanted, limits, viewer().role)
