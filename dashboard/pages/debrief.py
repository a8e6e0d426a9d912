"""The training captain's desk: the landings released to debriefing, and one of them told and played step by step."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any
from urllib.parse import parse_qs

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html, no_update
from markupsafe import Markup

from dashboard import debriefing, exemplars, identity, marks, rollouts, runway, samples, schematic, words
from dashboard.access import open_to
from dashboard.debriefing import Case, Cases
from dashboard.elements import Block
from dashboard.pages import debrief_parts as parts
from dashboard.pages.frame import message, nothing, paint, traces
from dashboard.steps import StepRow, reasons, step_rows
from dashboard.store import Store
from fdm.people.roles import CAPTAIN, OFFICER

PANELS = ("ground_speed", "deceleration", "spoilers", "reverser", "lever", "power", "brakes")


def layout(store: Store, key: str, search: str) -> html.Div:
    """The list, or the landing that the address names."""
    return landing_page(store, key, search) if key else list_page(store)


# the list ------------------------------------------------------------------------------------------------------------


def list_page(store: Store) -> html.Div:
    """Landings released to debriefing, open ones first."""
    return html.Div(Block("debrief-list", listing(debriefing.cases(store)), "sheet"), className="plain-page")


def listing(found: Cases) -> Markup:
    """The list, or in words why it is empty."""
    head = Markup('<div class="sheet-head"><h1>Debrief</h1><p class="soft">{}</p></div>').format(
        "Landings that the safety officer released. Aircraft, flight, crew and day are not shown."
    )
    if found.problem:
        return head + nothing("What is released cannot be read now.", found.problem)
    if not found.cases:
        how = "The safety officer releases an event once it is decided valid; its landing then stands here."
        return head + nothing("Nothing is released to debriefing.", how)
    left = sum(not case.done for case in found.cases)
    tally = f"{words.count(left, 'landing')} to debrief, {len(found.cases) - left:,} done" if left else "Nothing left."
    heads = ("Landing", "What for", "As flown", "Released", "State")
    return head + Markup(
        '<p class="tally"><b>{}</b></p><table class="list-table debriefs"><thead><tr>{}</tr></thead>'
        "<tbody>{}</tbody></table>"
    ).format(
        tally,
        marks.joined(Markup("<th>{}</th>").format(each) for each in heads),
        marks.joined(_row(case) for case in found.cases),
    )


def _row(case: Case) -> Markup:
    return Markup('<tr><td><a href="/debrief/{}">{}</a></td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>').format(
        case.key,
        case.name,
        marks.joined(
            Markup('<span class="what-for">{} {}</span>').format(
                marks.severity(event["severity"], certain=event["certain"]), event["title"]
            )
            for event in case.events
        ),
        parts.subject(case),
        words.day_of(case.released_utc),
        Markup('Done <span class="soft">{}</span>').format(words.day_of(case.done_utc))
        if case.done
        else Markup("<b>Open</b>"),
    )


# one landing ---------------------------------------------------------------------------------------------------------


def landing_page(store: Store, key: str, search: str) -> html.Div:
    """One released landing; its traces and samples follow, and the landing to lay over it that the address names."""
    case = debriefing.case_of(store, key)
    if case is None:
        return message("This landing is not released to debriefing.", "/debrief", "What is released")
    rows = steps_of(store, case)
    table = _samples(store, case, rows, None)
    engines = sorted({int(name.partition(".")[2]) for name in table["lines"] if name.startswith(("n1.", "epr."))})
    return html.Div(
        [
            dcc.Store(id="debrief-asked", data={"key": key}),
            dcc.Store(id="debrief-beside", data=parse_qs(search.lstrip("?")).get("beside", [""])[-1]),
            dcc.Store(id="debrief-samples"),
            dcc.Store(id="debrief-played"),
            dcc.Store(id="debrief-ask"),
            Block("debrief-head", parts.head(store, case, rows), "landing-head"),
            html.Div(
                html.Div(
                    [
                        Block("debrief-runway", _strip(case, rows)),
                        html.Div(className="here"),
                        html.Div(className="there"),
                    ],
                    className="runway-holder",
                ),
                className="runway-frame",
            ),
            html.Div(
                [
                    Block("debrief-steps", parts.steps(store, case, rows), "column debrief-steps"),
                    html.Section(_played(store, case, engines, table), className="column debrief-rollout"),
                    html.Div(
                        [
                            Block("debrief-standing", parts.standing(store, case)),
                            Block("debrief-cost", parts.cost(store, case)),
                            Block("debrief-notes", parts.notes(store, case)),
                        ],
                        className="column debrief-standing",
                    ),
                ],
                className="debrief-columns",
            ),
        ],
        className="landing-page debrief-page",
    )


def _played(store: Store, case: Case, engines: list[int], table: dict[str, Any]) -> html.Div:
    """The aeroplane with its player, what to lay over it, and the traces: in view while the steps are read."""
    return html.Div(
        [
            html.Div(
                [
                    Block("debrief-schematic", schematic.drawing(engines or [1, 2], table)),
                    Block("debrief-player", parts.player()),
                ],
                className="playing no-print",
            ),
            Block("debrief-beside-choice", parts.beside(store.alike_without_events(case.key)), "no-print"),
            Block("debrief-beside-said"),
            *traces("debrief-traces", "Traces of the rollout"),
            Block("debrief-more", parts.more_below(), "more-below no-print"),
        ],
        className="in-view",
    )


def register(app: Dash, store: Store) -> None:
    """Callbacks of the page."""

    @app.callback(
        Output("debrief-traces-figure", "data"),
        Output("debrief-samples", "data"),
        Output("debrief-runway", "markup"),
        Output("debrief-beside-said", "markup"),
        Input("debrief-asked", "data"),
        Input("debrief-beside", "data"),
    )
    @open_to(CAPTAIN, OFFICER)
    def show_rollout(asked: Mapping[str, str] | None, beside: str | None) -> tuple[Any, Any, Any, Any]:
        return rollout(store, asked["key"], beside) if asked else (None, None, no_update, no_update)

    @app.callback(Output("debrief-notes", "markup"), Input("debrief-ask", "data"), State("debrief-asked", "data"))
    @open_to(CAPTAIN, OFFICER)
    def write(ask: dict[str, Any] | None, asked: Mapping[str, str]) -> Any:
        if not ask:
            return no_update
        return written(store, asked["key"], ask)

    app.clientside_callback(
        ClientsideFunction("debrief", "beside"),
        Output("debrief-beside", "data"),
        Input("address", "search"),
        State("debrief-beside", "data"),
        State("address", "pathname"),
        prevent_initial_call=True,
    )
    paint(app, "debrief-traces")
    app.clientside_callback(
        ClientsideFunction("debrief", "load"), Output("debrief-played", "data"), Input("debrief-samples", "data")
    )


def written(store: Store, key: str, ask: Mapping[str, Any]) -> str:
    """Does what was asked of a landing's notes; these as they are then, or why it was not done."""
    problem = debriefing.done(store, {**ask, "key": key})
    case = debriefing.case_of(store, key)
    if case is None:
        return str(parts.notes_taken_back(key, problem, ask))
    return str(parts.notes(store, case, problem, ask if problem else {}, saved=not problem))


def steps_of(store: Store, case: Case) -> list[StepRow]:
    """The steps of the landing, with the released events at theirs."""
    why = reasons(store.measures_of(case.key))
    return step_rows(store.instants_of(case.key), case.events, why, case.landing["bounces"])


def rollout(store: Store, key: str, beside: str | None) -> tuple[Any, Any, Any, Any]:
    """Figure, samples and runway of a released landing, with another laid over it when its place is chosen, and which.

    Of one that is not released any more nothing: why not is said, and what is on the page stays.
    """
    case = debriefing.case_of(store, key)
    if case is None:
        return no_update, no_update, no_update, str(parts.not_laid_over())
    alike = store.alike_without_events(key)
    place = int(beside) if beside and beside.isascii() and beside.isdigit() and int(beside) < len(alike) else None
    other = None if place is None else store.laid_over(key, place)
    rows = steps_of(store, case)
    shown = identity.shown_traces(store.traces_of(key), airfield=False)
    figure = rollouts.figure(
        case.landing,
        case.events,
        store.instants_of(key),
        store.held().rules,
        shown,
        PANELS,
        other.traces if other else None,
    )
    called = "" if place is None else exemplars.in_words(alike[place])
    said = str(parts.laid_over(called)) if called else ""
    return figure, _samples(store, case, rows, other), str(_strip(case, rows, other, called)), said


def _samples(store: Store, case: Case, rows: list[StepRow], other: exemplars.Exemplar | None) -> dict[str, Any]:
    length, past = case.landing["runway_length_m"], case.landing["touchdown_distance_m"]
    return samples.table(
        store.traces_of(case.key),
        rows,
        runway.strip(rows, length, past),
        rollouts.end_s(case.landing, rows),
        other.traces if other else None,
        rollouts.start_s(case.events),
    )


def _strip(case: Case, rows: list[StepRow], other: exemplars.Exemplar | None = None, called: str = "") -> Markup:
    length, past = case.landing["runway_length_m"], case.landing["touchdown_distance_m"]
    if other is None:
        return runway.drawing(rows, length, past)
    number = {row.step: row.number for row in rows}
    theirs = [replace(row, number=number.get(row.step)) for row in step_rows(other.instants, [], {}, 0)]
    own_place = other.touchdown_distance_m if other.same_runway and past is not None else None
    return runway.drawing(rows, length, past, runway.Beside(theirs, own_place, called[:1].lower() + called[1:]))
