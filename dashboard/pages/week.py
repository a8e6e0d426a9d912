"""The safety officer's week: counts with rates, the queue worst first, and the event read beside it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html, no_update
from markupsafe import Markup

from dashboard import flown, marks, names, officers, words
from dashboard.access import open_to
from dashboard.elements import Block
from dashboard.held import Held, distinct
from dashboard.pages import decision, evidence, glance
from dashboard.pages.frame import filters, options, paint, search_box, traces
from dashboard.pages.lines import not_there, queue_list
from dashboard.query import ALL_WEEKS, GIVEN_TO, Query, parse
from dashboard.queue import week_of
from dashboard.store import Store
from fdm.people.roles import OFFICER

LINES = [("place", "Same runway"), ("rule", "Same rule"), ("single", "One line each")]
PASSED_ON = [
    ("assigned", "Given to anybody"),
    ("maintenance", "With maintenance"),
    ("training", "With training"),
    ("released", "Released to debriefing"),
    ("snoozed", "Set aside"),
    ("any", "Set aside or not"),
]


def layout(store: Store, _name: str, search: str) -> html.Div:
    """The page, with its controls as the address asks; its blocks fill themselves."""
    held, weeks = store.reviewed(), flown.weeks(store)
    query = flown.asked(store, parse(search))
    return html.Div(
        [
            dcc.Store(id="week-filters"),
            dcc.Store(id="ask"),
            dcc.Store(id="decided"),
            dcc.Store(id="decided-together"),
            Block("week-controls", controls(held, query, weeks), "controls no-print"),
            Block("week-summary", className="glance"),
            html.Div(
                [
                    html.Section(
                        [
                            Block(
                                "queue-tools", queue_tools(held, query, decides=store.desk is not None), "queue-tools"
                            ),
                            Block("bulk", className="decision-all"),
                            Block("queue"),
                        ],
                        className="list",
                        **{"aria-label": "Events"},  # type: ignore[arg-type]
                    ),
                    html.Section(
                        [
                            Block("evidence-head", className="event-head"),
                            Block("evidence"),
                            *traces("evidence-traces", "Traces of the event"),
                            Block("evidence-more"),
                            Block("decision", className="decision"),
                        ],
                        className="reading",
                        id="reading",
                        tabIndex="-1",
                        **{"aria-label": "Event"},  # type: ignore[arg-type]
                    ),
                ],
                className="desk",
            ),
        ],
        className="week-page",
    )


def register(app: Dash, store: Store) -> None:
    """Callbacks of the page."""
    filters(app, "week-filters")

    @app.callback(
        Output("week-summary", "markup"),
        Output("queue", "markup"),
        Input("week-filters", "data"),
        Input("decided", "data"),
    )
    @open_to(OFFICER)
    def show_list(filters: str | None, _decided: Any) -> tuple[str, str]:
        query, decides = flown.asked(store, parse(filters)), store.desk is not None
        held, weeks = store.reviewed(), flown.weeks(store)
        week, gone = week_of(held, query), officers.gone(store).height
        flights = glance.flights(store, query) if not_there(held, week) else 0
        listed = queue_list(held, query, decides=decides, gone=gone, weeks=weeks, flights=flights)
        none = not_there(held, week) and week not in weeks
        above = "<p hidden></p>" if none else str(glance.shown(store, query))
        return above, str(listed)

    @app.callback(
        Output("evidence", "markup"),
        Output("evidence-more", "markup"),
        Output("evidence-traces-figure", "data"),
        Input("address", "search"),
        Input("decided-together", "data"),
        State("address", "pathname"),
    )
    @open_to(OFFICER)
    def show_event(search: str | None, _together: str | None, _pathname: str) -> tuple[str, str, Any]:
        return evidence.shown(store, flown.asked(store, parse(search)))

    @app.callback(Output("evidence-head", "markup"), Input("address", "search"), Input("decided", "data"))
    @open_to(OFFICER)
    def show_head(search: str | None, _decided: Any) -> str:
        return str(evidence.head(store, flown.asked(store, parse(search))))

    @app.callback(Output("decided", "data"), Input("ask", "data"))
    @open_to(OFFICER)
    def decide(ask: dict[str, Any] | None) -> Any:
        return decision.done(store, ask) if ask else no_update

    @app.callback(Output("bulk", "markup"), Input("week-filters", "data"), Input("decided", "data"))
    @open_to(OFFICER)
    def show_bulk(filters: str | None, answer: dict[str, Any] | None) -> str:
        told = answer if "decided.data" in ctx.triggered_prop_ids else None
        return str(decision.bulk_bar(store, flown.asked(store, parse(filters)), told))

    @app.callback(Output("decision", "markup"), Input("address", "search"), Input("decided", "data"))
    @open_to(OFFICER)
    def show_decision(search: str | None, answer: dict[str, Any] | None) -> str:
        told = answer if "decided.data" in ctx.triggered_prop_ids else None
        query = flown.asked(store, parse(search))
        event = evidence.event_of(store, query)
        event_id = event["event_id"] if event else query.event
        if store.desk is None or not event_id:
            return ""
        bar = decision.bar(store, event, told) if event else decision.of_gone(store, event_id)
        return str(decision.about(event_id, answer) + bar)

    app.clientside_callback(ClientsideFunction("watch", "answered"), Input("decided", "data"))

    paint(app, "evidence-traces")


def controls(held: Held, query: Query, weeks: Sequence[str] = ()) -> Markup:
    """Week and landing filters. `weeks`: see week_picker."""
    week = week_of(held, query)
    fleets, places, tails = (distinct(held.landings, column) for column in ("fleet", "place", "tail"))
    rules = sorted(((card.name, card.title) for card in held.rules.values()), key=lambda pair: pair[1])
    return Markup('{}<span class="spring"></span>{}{}{}{}{}{}').format(
        week_picker(held, week, weeks),
        search_box(query.text, "Search events"),
        options("fleet", "Fleet", "All fleets", fleets, query.fleet),
        options("runway", "Runway", "All runways", places, query.runway),
        options("tail", "Aircraft", "All aircraft", tails, query.tail),
        options("rule", "Rule", "All rules", rules, query.rule),
        options("origin", "Likely origin", "All origins", list(names.ORIGIN.items()), query.origin),
    )


def week_picker(held: Held, week: str, weeks: Sequence[str] = ()) -> Markup:
    """Weeks to choose from, newest first, with a step to either side.

    weeks    of landings or of flights flown, oldest first; those of landings when left out
    """
    weeks = weeks or held.weeks
    named = [(w, words.period(w) + (", unrecorded" if not_there(held, w) else "")) for w in reversed(weeks)]
    if not_there(held, week) and week not in weeks:
        named.append((week, f"{words.week_name(week)} of {week[:4]}, not in this archive"))
    inside = Markup("").join(
        Markup('<option value="{}"{}>{}</option>').format(value, Markup(" selected") if value == week else "", text)
        for value, text in [*named, (ALL_WEEKS, "All weeks")]
    )
    return Markup(
        '<button type="button" class="square" data-step-week="1" aria-label="Week before">‹</button>'
        '<select name="week" aria-label="Week" data-query class="strong">{}</select>'
        '<button type="button" class="square" data-step-week="-1" aria-label="Week after">›</button>'
    ).format(inside)


def queue_tools(held: Held, query: Query, *, decides: bool = False) -> Markup:
    """Severity, origin, order and grouping of the list."""
    chosen = Markup("").join(
        Markup(
            '<label><input type="radio" name="severity" value="{0}" data-query{1}><span>{2}{3}</span></label>'
        ).format(
            level,
            Markup(" checked") if level == query.severity else "",
            marks.severity(level) if level else "",
            names.SEVERITY.get(level, "All"),
        )
        for level in ("", "high", "medium", "low")
    )
    orders = [
        ("newest", "Newest first, by severity"),
        ("event", "By event"),
        ("aircraft", "By aircraft"),
        ("place", "By runway"),
    ]
    order = "" if query.sort == "worst" else query.sort
    return Markup(
        '<fieldset class="choice"><legend>Severity</legend>{}</fieldset><span class="spring"></span>{}{}{}'
    ).format(
        chosen,
        _standing_tools(held, query) if decides else "",
        options("sort", "Order", "Worst first", orders, order),
        options("lines", "Repeats together", "Same aircraft", LINES, "" if query.lines == "together" else query.lines),
    )


def _standing_tools(held: Held, query: Query) -> Markup:
    """Filters on what was done about events."""
    to = [(f"{GIVEN_TO}{name}", f"Given to {name}") for name in distinct(held.events, "assigned_to")]
    return options(
        "decided", "Decisions", "Decided or not", [("no", "To decide"), ("yes", "Decided")], query.decided
    ) + options("passed", "Passed on", "Passed or not", [*PASSED_ON, *to], query.passed)
