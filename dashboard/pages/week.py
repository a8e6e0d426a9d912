"""The safety officer's week: counts with rates, the queue worst first, and the event read beside it."""

from __future__ import annotations

from typing import Any

import polars as pl
from dash import Dash, Input, Output, State, ctx, dcc, html, no_update
from markupsafe import Markup

from dashboard import marks, names, words
from dashboard.access import open_to
from dashboard.elements import Block
from dashboard.pages import decision, evidence
from dashboard.pages.frame import filters, nothing, options, pager, paint, search_box, traces
from dashboard.query import ALL_WEEKS, Query, parse
from dashboard.queue import (
    LINES_PER_PAGE,
    Coverage,
    Group,
    Line,
    Tile,
    chosen_events,
    coverage,
    groups,
    tiles,
    to_decide_of,
    week_of,
)
from dashboard.store import Held, Store
from fdm.people.roles import OFFICER

COLUMNS = (
    ("", "Severity"),
    ("event", "Event"),
    ("aircraft", "Aircraft"),
    ("place", "Where, when"),
    ("worst", "Value (bounds)"),
)


def layout(store: Store, _name: str, search: str) -> html.Div:
    """The page, with its controls as the address asks; its blocks fill themselves."""
    held = store.held()
    query = parse(search)
    return html.Div(
        [
            dcc.Store(id="week-filters"),
            dcc.Store(id="ask"),
            dcc.Store(id="decided"),
            Block("week-controls", controls(held, query), "controls no-print"),
            Block("week-summary", className="summary"),
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
        held, query = store.reviewed(), parse(filters)
        return str(summary(held, query)), str(queue_list(held, query, decides=store.desk is not None))

    @app.callback(
        Output("evidence", "markup"),
        Output("evidence-more", "markup"),
        Output("evidence-traces-figure", "data"),
        Input("address", "search"),
        State("address", "pathname"),
    )
    @open_to(OFFICER)
    def show_event(search: str | None, _pathname: str) -> tuple[str, str, Any]:
        return evidence.shown(store, parse(search))

    @app.callback(Output("decided", "data"), Input("ask", "data"))
    @open_to(OFFICER)
    def decide(ask: dict[str, Any] | None) -> Any:
        return decision.done(store, ask) if ask else no_update

    @app.callback(Output("bulk", "markup"), Input("week-filters", "data"), Input("decided", "data"))
    @open_to(OFFICER)
    def show_bulk(filters: str | None, answer: dict[str, Any] | None) -> str:
        told = answer if "decided.data" in ctx.triggered_prop_ids else None
        return str(decision.bulk_bar(store, parse(filters), told))

    @app.callback(Output("decision", "markup"), Input("address", "search"), Input("decided", "data"))
    @open_to(OFFICER)
    def show_decision(search: str | None, answer: dict[str, Any] | None) -> str:
        told = answer if "decided.data" in ctx.triggered_prop_ids else None
        return str(decision.bar(store, evidence.event_of(store, parse(search)), told))

    paint(app, "evidence-traces")


def controls(held: Held, query: Query) -> Markup:
    """Week and landing filters."""
    week = week_of(held, query)
    fleets, places, tails = (_distinct(held.landings, column) for column in ("fleet", "place", "tail"))
    rules = sorted(((card.name, card.title) for card in held.rules.values()), key=lambda pair: pair[1])
    return Markup('{}<span class="spring"></span>{}{}{}{}{}').format(
        week_picker(held, week),
        search_box(query.text, "Search events"),
        options("fleet", "Fleet", "All fleets", fleets, query.fleet),
        options("runway", "Runway", "All runways", places, query.runway),
        options("tail", "Aircraft", "All aircraft", tails, query.tail),
        options("rule", "Rule", "All rules", rules, query.rule),
    )


def week_picker(held: Held, week: str) -> Markup:
    """Weeks to choose from, newest first, with a step to either side."""
    named = [(w, f"{words.week_name(w)}, {words.week_days(w)}") for w in reversed(held.weeks)]
    inside = Markup("").join(
        Markup('<option value="{}"{}>{}</option>').format(value, Markup(" selected") if value == week else "", text)
        for value, text in [*named, (ALL_WEEKS, "All weeks")]
    )
    return Markup(
        '<button type="button" class="square" data-step-week="1" aria-label="Week before">‹</button>'
        '<select name="week" aria-label="Week" data-query class="strong">{}</select>'
        '<button type="button" class="square" data-step-week="-1" aria-label="Week after">›</button>'
    ).format(inside)


def queue_tools(_held: Held, query: Query, *, decides: bool = False) -> Markup:
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
        ("newest", "Newest first"),
        ("event", "By event"),
        ("aircraft", "By aircraft"),
        ("place", "By runway"),
    ]
    order = "" if query.sort == "worst" else query.sort
    return Markup(
        '<fieldset class="choice"><legend>Severity</legend>{}</fieldset><span class="spring"></span>{}{}{}{}'
    ).format(
        chosen,
        options("decided", "Decisions", "Decided or not", [("no", "To decide"), ("yes", "Decided")], query.decided)
        if decides
        else "",
        options("origin", "Likely origin", "All origins", list(names.ORIGIN.items()), query.origin),
        options("sort", "Order", "Worst first", orders, order),
        options(
            "lines",
            "Repeats",
            "Repeats together",
            [("single", "One line each")],
            "" if query.lines == "together" else "single",
        ),
    )


def _distinct(frame: pl.DataFrame, column: str) -> list[str]:
    return frame.get_column(column).drop_nulls().unique().sort().to_list()


def summary(held: Held, query: Query) -> Markup:
    """Landings, and the three severities with rates."""
    return _coverage(coverage(held, query), query) + marks.joined(_tile(tile) for tile in tiles(held, query))


def _coverage(found: Coverage, query: Query) -> Markup:
    span = "in all weeks" if query.week == ALL_WEEKS else "this week"
    rows = [
        ("Recorded", found.landings, found.landings, ""),
        (
            "Assessed",
            found.assessed,
            found.landings,
            _missing(found.landings - found.assessed, "not assessed"),
        ),
        (
            "By every rule",
            found.complete,
            found.landings,
            _missing(found.assessed - found.complete, "in part"),
        ),
    ]
    body = marks.joined(
        Markup(
            '<tr><th scope="row">{}</th><td class="num">{:,}</td><td class="bar">{}</td><td class="soft">{}</td></tr>'
        ).format(name, n, marks.share_bar(n, whole), note)
        for name, n, whole, note in rows
    )
    reasons = "; ".join(f"{reason} {n:,}" for reason, n in found.reasons)
    return Markup(
        '<div class="tile coverage"><h2><b>Landings</b> <span class="soft">{}</span></h2><table>{}</table>'
        '<p class="soft reasons">{}</p></div>'
    ).format(span, body, reasons)


def _missing(n: int, what: str) -> str:
    return f"{n:,} {what}" if n else ""


def _tile(tile: Tile) -> Markup:
    possible = tile.events - tile.certain
    sure = f"{tile.certain:,} certain, {possible:,} possible" if tile.events else "none"
    return Markup(
        '<div class="tile"><h2>{}</h2><p class="count">{:,}</p><p>{}</p><p class="soft">{}</p>{}</div>'
    ).format(
        marks.severity_words(tile.severity),
        tile.events,
        sure,
        words.rate(tile.rate),
        marks.rate_weeks(tile.severity, tile.weeks),
    )


def queue_list(held: Held, query: Query, *, decides: bool = False) -> Markup:
    """The list: groups of lines by severity."""
    week = week_of(held, query)
    events = chosen_events(held, query, week=week)
    found = groups(held, events, query)
    if not found:
        return _empty(held, query, week)
    heads = marks.joined(_column_head(key, name, query) for key, name in COLUMNS)
    scale_head = Markup('<span class="limit-heads" aria-label="Limits"><i>low</i><i>med</i><i>high</i></span>')
    body = marks.joined(_group(held, group, query, decides=decides) for group in found)
    lines = sum(group.total for group in found)
    return Markup(
        '<p class="tally">{} in {}</p>'
        '<div class="rows" role="list"><div class="row column-heads">{}{}<span>Origin</span></div>{}</div>{}'
        '<p class="soft note">Limits stand at the same place in every line; each event keeps its own scale '
        "between them, closing up beyond.</p>"
    ).format(
        _tally(held, query, week, decides=decides),
        words.count(lines, "line"),
        heads,
        scale_head,
        body,
        pager(lines, LINES_PER_PAGE, query, "lines"),
    )


def _tally(held: Held, query: Query, week: str, *, decides: bool) -> Markup:
    """ "65 to decide of 96 events", whatever of them is shown."""
    to_decide, n = to_decide_of(held, query, week)
    if not decides:
        return Markup("<b>{}</b>").format(words.count(n, "event"))
    return Markup("<b>{:,} to decide</b> of {}").format(to_decide, words.count(n, "event"))


def _column_head(key: str, name: str, query: Query) -> Markup:
    if not key:
        return Markup("<span>{}</span>").format(name)
    here = query.sort == key
    return Markup('<a href="{}"{}>{}</a>').format(
        query.link(sort=key, event=""), Markup(' aria-current="true"') if here else "", name
    )


def _group(held: Held, group: Group, query: Query, *, decides: bool) -> Markup:
    if not group.lines:
        return Markup("")
    events = words.count(group.events, "event")
    head = Markup('<h3 class="group">{} <span class="soft">{} in {}</span></h3>').format(
        marks.severity_words(group.severity),
        f"{group.to_decide:,} to decide of {events}" if decides else events,
        words.count(group.total, "line"),
    )
    return head + marks.joined(_row(held, line, query) for line in group.lines)


def _row(held: Held, line: Line, query: Query) -> Markup:
    event = line.event
    card = held.rules.get(event["rule"])
    limits = card.limits_for(event["fleet"]) if card else {}
    yes_or_no = card is not None and card.yes_or_no
    value = Markup('<b>{}</b> <span class="soft">{}</span>').format(
        words.quantity(event["value"], event["unit"]),
        words.bounds(event["value"], event["lower"], event["upper"], event["unit"]),
    )
    return Markup(
        '<a class="row" role="listitem" href="{}" data-event="{}" data-landing="{}"{}>'
        '<span class="sev-cell">{}</span><span class="title" title="{}"><span>{}</span>{}{}</span>'
        '<span>{}</span><span class="where">{}</span><span>{}</span>{}'
        '<span class="origin-cell">{} <i>{}</i></span></a>'
    ).format(
        query.link(event=event["event_id"]),
        event["event_id"],
        event["landing_id"],
        Markup(' data-verdict="{}"').format(event["verdict"]) if event["verdict"] else "",
        marks.severity_words(event["severity"], certain=event["certain"]),
        event["title"],
        event["title"],
        Markup(' <b class="times">×{}</b>').format(line.repeats) if line.repeats > 1 else "",
        _verdict(event),
        event["tail"] or "unknown",
        where_when(line, one_week=query.week != ALL_WEEKS),
        Markup('<span class="soft">yes</span>') if yes_or_no else value,
        Markup("<span></span>")
        if yes_or_no
        else marks.limit_column(event["at"], event["at_lower"], event["at_upper"], marks.drawn_levels(limits)),
        marks.origin(event["origin"], event["origin_confidence"]),
        names.ORIGIN_SHORT.get(event["origin"], event["origin"]),
    )


def _verdict(event: dict[str, Any]) -> Markup:
    if not event["verdict"]:
        return Markup("")
    return Markup(' <i class="verdict"{}>{}</i>').format(
        Markup(' title="Decided under another version of this rule"') if event["rule_changed"] else "",
        names.VERDICT.get(event["verdict"], event["verdict"]) + (", rule changed" if event["rule_changed"] else ""),
    )


def where_when(line: Line, *, one_week: bool) -> str:
    """ "Korsby 09L, Thu 12"; "6 landings, Mon–Sun" for repeats; dates alone in a list of many weeks."""
    event = line.event
    if line.first is None or line.last is None:
        return f"{event['place'] or 'Runway unknown'}, date unknown"
    if line.repeats == 1:
        day = f"{line.first:%a %-d}" if one_week else f"{line.first:%-d %b}"
        return f"{event['place'] or 'Runway unknown'}, {day}"
    if line.places == 1 and event["place"]:
        return f"{event['place']}, {words.span(line.first, line.last, one_week=one_week)}"
    dates = words.span(line.first, line.last, one_week=one_week)
    return f"{words.count(line.repeats, 'landing')}, {dates}" if one_week else dates


def _empty(held: Held, query: Query, week: str) -> Markup:
    """Nothing in the list: say how much was looked at."""
    found = coverage(held, query)
    span = "in all weeks" if week == ALL_WEEKS else f"in {words.week_name(week).lower()}"
    narrowed = any((query.severity, query.rule, query.origin, query.text, query.decided))
    everything = Markup('<a href="{}">Show every event {}</a>').format(Query(week=query.week).link(), span)
    if not found.landings:
        return nothing(f"No landing {span} under these filters.", everything)
    looked = f"{words.count(found.assessed, 'landing')} assessed, {found.landings - found.assessed:,} not assessed."
    to_decide, n = to_decide_of(held, query, week)
    if query.decided and n:
        gone = "Nothing left to decide" if query.decided == "no" else "Nothing decided yet"
        return nothing(f"{gone} {span}. {n - to_decide:,} of {words.count(n, 'event')} decided. {looked}", everything)
    if narrowed:
        return nothing(f"No event {span} under these filters.", everything)
    return nothing(f"No event {span}. {looked}")
