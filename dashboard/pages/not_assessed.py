"""What the recordings could not tell, by reason: a rule that is silent is not a rule that is content."""

from __future__ import annotations

from dash import Dash, Input, Output, dcc, html
from markupsafe import Markup

from dashboard import marks, words
from dashboard.access import open_to
from dashboard.elements import Block
from dashboard.pages import frame
from dashboard.pages.frame import filters, nothing, options
from dashboard.query import ALL_WEEKS, Query, parse
from dashboard.queue import matching
from dashboard.reasons import Reason, by_reason
from dashboard.store import Held, Store
from fdm.people.roles import ANALYST, OFFICER

RULES_NAMED = 4


def layout(store: Store, _name: str, search: str) -> html.Div:
    """The page; its list fills itself."""
    return html.Div(
        [
            dcc.Store(id="missing-filters"),
            Block("missing-controls", controls(store.held(), parse(search)), "controls no-print"),
            Block("missing-list", className="sheet"),
        ],
        className="plain-page",
    )


def register(app: Dash, store: Store) -> None:
    """Callbacks of the page."""
    filters(app, "missing-filters")

    @app.callback(Output("missing-list", "markup"), Input("missing-filters", "data"))
    @open_to(OFFICER, ANALYST)
    def show_list(filters: str | None) -> str:
        return str(listing(store.held(), parse(filters)))


def controls(held: Held, query: Query) -> Markup:
    """Landing filters."""
    weeks = [(week, words.period(week)) for week in reversed(held.weeks)]
    fleets = held.landings.get_column("fleet").drop_nulls().unique().sort().to_list()
    tails = held.landings.get_column("tail").drop_nulls().unique().sort().to_list()
    return Markup('<h1 class="inline">Not assessed</h1><span class="spring"></span>{}{}{}').format(
        options("week", *frame.periods(held), weeks, "" if query.week == ALL_WEEKS else query.week),
        options("fleet", "Fleet", "All fleets", fleets, query.fleet),
        options("tail", "Aircraft", "All aircraft", tails, query.tail),
    )


def listing(held: Held, query: Query) -> Markup:
    """Reasons with the landings and rules they concern."""
    landings = matching(held.landings, query, week=query.week or ALL_WEEKS).select("landing_id").collect()
    if held.hides(landings.height):
        return frame.too_few("/not-assessed")
    reasons = by_reason(held.missing.join(landings, on="landing_id", how="semi"), held)
    if not reasons:
        return nothing(f"Every rule was assessed on all {words.count(landings.height, 'landing')}.")
    body = marks.joined(_row(held, reason) for reason in reasons)
    return Markup(
        '<p class="tally"><b>{}</b> {}</p><table class="list-table"><thead><tr><th>Reason</th>'
        '<th class="num">Landings</th>'
        '<th class="num">Aircraft</th><th>Rules that could not be assessed</th><th class="num">{}</th>'
        "</tr></thead><tbody>{}</tbody></table>"
    ).format(
        words.count(len(reasons), "reason"),
        f"over {words.count(landings.height, 'landing')}",
        "Landing" if held.least else "Newest",
        body,
    )


def _row(held: Held, reason: Reason) -> Markup:
    if held.hides(reason.landings):
        return Markup(
            '<tr><td>{} {}</td><td class="num soft" colspan="2">fewer than {}</td><td class="soft">{}</td>'
            "<td></td></tr>"
        ).format(marks.HATCH, words.sentence(reason.sentence), held.least, _rules(held, reason.rules))
    return Markup(
        '<tr><td>{} {}</td><td class="num">{:,}</td><td class="num">{:,}</td><td class="soft">{}</td>'
        '<td class="num"><a href="/landing/{}">{}</a></td></tr>'
    ).format(
        marks.HATCH,
        words.sentence(reason.sentence),
        reason.landings,
        reason.aircraft,
        _rules(held, reason.rules),
        reason.example,
        "an example" if held.least else words.day(reason.newest),
    )


def _rules(held: Held, rules: tuple[str, ...]) -> str:
    if len(rules) == len(held.rules):
        return "every rule"
    titles = [held.titles.get(name, name) for name in rules[:RULES_NAMED]]
    more = len(rules) - len(titles)
    return "; ".join(titles) + (f" and {more} more" if more else "")
