"""Trying other limits of a rule on every landing, before anything is changed."""

from __future__ import annotations

from typing import Any

import polars as pl
from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from markupsafe import Markup

from dashboard import (
    analysis,
    identity,
    limits_chart,
    limits_counted,
    limits_happened,
    limits_lists,
    limits_side,
    marks,
    version_bases,
    version_desk,
    words,
)
from dashboard.access import open_to, viewer
from dashboard.elements import Block
from dashboard.held import Held
from dashboard.limits_asked import Asked, asked, by_now, is_tried, limits_asked, movable, population
from dashboard.limits_side import EVERY
from dashboard.limits_sweep import swept
from dashboard.pages.frame import changed_since, message, nothing, too_few
from dashboard.rule_card import RuleCard
from dashboard.store import Store
from fdm.errors import FdmError
from fdm.people.roles import ANALYST, OFFICER
from fdm.people.views import LEAST
from fdm.rule import LEVELS

PATH = "/limits"
NOT_YET = "Nothing is counted under these filters until the page is loaded anew."
ANEW = Markup('<a href="" target="_self">Load the page anew</a>')
LISTED = (  # of the landings that are judged otherwise
    *("landing_id", "touchdown_utc", "month", "place", "arrival", "runway", "value", "lower", "upper"),
    *("was", "now", "change", "certain", "origin", "origin_confidence", "verdict"),
)


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
            dcc.Store(id="limits-opened", data=judged_by(store)),
            Block("limits-since", className="tune-since"),
            html.Section(
                [
                    Block("limits-paper", limits_side.on_paper(held, card)),
                    Block("limits-changed", changed_since(card.title) if name in held.changed_rules else Markup("")),
                    Block("limits-side", limits_side.side(held, card, wanted)),
                    Block("limits-facts"),
                    _condition(card, wanted, by_now(held, card)),
                    Block("limits-save", _saving(store, card)),
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
                    Block("limits-numbers", limits_side.numbers(card, wanted, by_now(held, card))),
                    Block("limits-lists"),
                ],
                className="tune-found",
                **{"aria-label": "What changes"},  # type: ignore[arg-type]
            ),
        ],
        className="tune-page",
    )


def _condition(card: RuleCard, wanted: Asked, now: str) -> html.Details:
    return html.Details(
        [
            html.Summary([html.B("Condition"), html.Span(f" {now.lower()}: {card.where or EVERY}", className="soft")]),
            Block("limits-where", limits_side.condition_box(card, wanted)),
            Block("limits-where-said", className="tune-said"),
            Block("limits-where-ways", limits_side.condition_ways(wanted)),
        ],
        className="tune-condition",
        open=bool(limits_side.condition_in(card, wanted)) or wanted.where is not None,
    )


def _saving(store: Store, card: RuleCard) -> Markup:
    bases = version_bases.bases_of(store)
    return limits_side.saving(card, version_bases.choice(bases, version_bases.otherwise(store, bases, card)))


def register(app: Dash, store: Store) -> None:
    """Callbacks of the page."""

    @app.callback(
        Output("limits-chart", "markup"),
        Output("limits-facts", "markup"),
        Input("address", "search"),
        State("address", "pathname"),
        State("limits-opened", "data"),
    )
    @open_to(OFFICER, ANALYST)
    def show_chart(search: str | None, path: str | None, opened: list[Any] | None) -> Any:
        card = _card(store, path)
        if card is not None and judged_since(store, opened):
            return str(limits_side.without_numbers(card, asked(search), nothing(NOT_YET, ANEW))), ""
        return no_update if card is None else tuple(map(str, drawn(store, card, asked(search))))

    @app.callback(
        Output("limits-lists", "markup"),
        Output("limits-groups", "markup"),
        Output("limits-since", "markup"),
        Input("limits-asked", "data"),
        Input("address", "search"),
        State("address", "pathname"),
        State("limits-opened", "data"),
    )
    @open_to(OFFICER, ANALYST)
    def show_lists(given: dict[str, Any] | None, search: str | None, path: str | None, opened: list[Any] | None) -> Any:
        card = _card(store, path)
        if card is not None and (other := judged_since(store, opened)):
            return "", "", str(other)
        moved = any(one["prop_id"].startswith("limits-asked") for one in ctx.triggered)
        if card is not None and not moved:  # lists wait for the rest of a limit, where there is one
            waits = movable(card) and not isinstance(counted_on(store, card, asked(search)), Markup)
            given = None if waits else {"search": search}
        if card is None or not given:
            return no_update
        return *map(str, listed(store, card, given)), ""

    @app.callback(
        Output("limits-where-said", "markup"), Input("limits-condition", "data"), State("address", "pathname")
    )
    @open_to(OFFICER, ANALYST)
    def show_condition(given: dict[str, Any] | None, path: str | None) -> Any:
        card = _card(store, path)
        return no_update if card is None or not given else str(version_desk.condition_said(store, str(given["text"])))

    @app.callback(
        Output("limits-saved", "markup"),
        Input("limits-ask", "data"),
        State("address", "pathname"),
        State("limits-opened", "data"),
    )
    @open_to(OFFICER, ANALYST)
    def save(given: dict[str, Any] | None, path: str | None, opened: list[Any] | None) -> Any:
        card = _card(store, path)
        if card is None or not given:
            return no_update
        return str(judged_since(store, opened) or saved(store, card, given))


def _card(store: Store, path: str | None) -> RuleCard | None:
    name = (path or "").removeprefix(f"{PATH}/")
    return store.held().rules.get(name)


def judged_by(store: Store) -> list[Any]:
    """What tells whether the landings were judged anew: by which rule book, and when."""
    run = store.whole().run
    return [str(run.get("rule_book_hash", "")), str(run.get("detected_utc", ""))]


def judged_since(store: Store, opened: list[Any] | None) -> Markup:
    """That the archive was judged anew since the page was opened with `judged_by`; else nothing."""
    now = judged_by(store)
    if not opened or opened == now:
        return Markup("")
    told = "The rule book in force has changed" if opened[0] != now[0] else "The landings were judged anew"
    return Markup('<div role="alert">{}</div>').format(
        nothing(
            f"{told} since this page was opened. What stands here is from before.",
            ANEW,
        )
    )


def saved(store: Store, card: RuleCard, given: dict[str, Any]) -> Markup:
    """What came of asking to see a change, or to save it."""
    if isinstance(counted_on(store, card, asked(str(given.get("search", "")))), Markup):
        return Markup('<p role="alert">Nothing is counted under these filters, so there is nothing to save.</p>')
    if not movable(card):  # limits that were sent are those of the rule that was open before
        given = {name: value for name, value in given.items() if name not in LEVELS}
    return version_desk.done(store, card, given)


def drawn(store: Store, card: RuleCard, wanted: Asked) -> tuple[Markup, Markup]:
    """The drawing and what was assessed, or why there is none."""
    every = counted_on(store, card, wanted)
    if isinstance(every, Markup):
        return limits_side.without_numbers(card, wanted, every), Markup("")
    found = population(every, card, wanted)
    facts = _facts(store, card, wanted, found)
    if not movable(card):
        told = "This rule asks whether something happened. It has no limit to move; its condition can be changed."
        return nothing(told, Markup('<a href="/rules/{}">The rule</a>').format(card.name)), facts
    whole = swept(card, wanted.fleet, found, tried=is_tried(card, wanted), least=store.held().least)
    return limits_chart.chart(whole), facts


def counted_on(store: Store, card: RuleCard, wanted: Asked) -> pl.DataFrame | Markup:
    """analysis.stood under the condition that is asked for; or why nothing is counted of what is asked about."""
    try:
        if problems := version_desk.faults_of(wanted.where):
            return nothing("This condition cannot be tried.", words.sentence(problems[0].problem))
        every = analysis.stood(store, card.name, wanted.where)
    except FdmError as error:
        return nothing("The limits of this rule cannot be tried.", words.sentence(str(error)))
    found, page = population(every, card, wanted), f"{PATH}/{card.name}"
    if not found.height:
        return nothing("No landing is under these filters.", Markup('<a href="{}">Every landing</a>').format(page))
    return _too_few(page, wanted) if _few(store.held(), found) else every


def _few(held: Held, found: pl.DataFrame) -> bool:
    """Whether so few landings are asked about, taken in by the condition, or treated otherwise by it than by the rule
    in force, that they could point at somebody; see fdm.people.views."""
    numbers = (
        found.height,
        found["not_for"].not_().sum(),
        found["barred"].not_().sum(),
        (found["not_for"] != found["not_for_now"]).sum(),
        (found["barred"] != found["barred_now"]).sum(),
    )
    return any(held.hides(int(n)) for n in numbers)


def _too_few(page: str, wanted: Asked) -> Markup:
    if wanted.where is None:
        return too_few(page)
    why = f"Fewer than {LEAST} landings are under these filters and this condition, or left out by it."
    return nothing(
        f"{why} So few could point at a crew, and are not shown.",
        Markup('<a href="{}">Every landing, by the rule’s own condition</a>').format(page),
    )


def _facts(store: Store, card: RuleCard, wanted: Asked, found: pl.DataFrame) -> Markup:
    counted = found.select("landing_id", "not_for", "reason")
    safe = identity.told_apart(counted, ["reason"], store.whole().landings, viewer().role)
    return limits_side.facts(store.held(), card, wanted, safe)


def listed(store: Store, card: RuleCard, given: dict[str, Any]) -> tuple[Markup, Markup]:
    """Landings gained and lost, and rates by group; `given` holds `search` and a limit for each level."""
    wanted = asked(str(given.get("search", "")))
    limits = limits_asked(card, wanted.fleet, given)
    found = counted_on(store, card, wanted)
    if isinstance(found, Markup):
        return Markup(""), Markup("")
    asked_about = population(found, card, wanted)
    if not version_desk.in_order(card, limits):
        return Markup('<p class="soft">{} The limits are not in order.</p>').format(marks.HATCH), Markup("")
    changed = limits_lists.changes(found, card, wanted, limits)
    shown = store.shown(changed.select(LISTED))
    told = (
        limits_counted.counted(asked_about, card, limits, given.get("no"))
        if movable(card)
        else limits_happened.numbers(asked_about, card, wanted, store.held().least, by_now(store.held(), card))
    )
    least = store.held().least
    covered = limits_lists.covers(asked_about, card, wanted, least)
    return told + limits_lists.lists(shown, card, least, covered=covered), limits_lists.breakdown(
        found, card, wanted, limits, viewer().role, by_now(store.held(), card)
    )
