"""What the recordings could not tell, by aircraft and by reason: a rule that is silent is not one that is content."""

from __future__ import annotations

import polars as pl
from dash import Dash, Input, Output, dcc, html
from markupsafe import Markup

from dashboard import marks, names, words
from dashboard.access import open_to
from dashboard.elements import Block
from dashboard.held import Held, distinct
from dashboard.pages import frame
from dashboard.pages.frame import filters, nothing, options
from dashboard.query import ALL_WEEKS, Query, parse
from dashboard.queue import matching
from dashboard.reasons import Reason, by_reason
from dashboard.recorder import Silence, as_text, how_often, of_rule, silences
from dashboard.store import Store
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
    fleets = distinct(held.landings, "fleet")
    tails, places = (distinct(held.landings, name) for name in ("tail", "place"))
    rules = sorted(held.titles.items(), key=lambda pair: pair[1])
    return Markup('<h1 class="inline">Not assessed</h1><span class="spring"></span>{}{}{}{}{}').format(
        options("week", *frame.periods(held), weeks, "" if query.week == ALL_WEEKS else query.week),
        options("fleet", "Fleet", "All fleets", fleets, query.fleet),
        options("runway", "Runway", "All runways", places, query.runway),
        options("tail", "Aircraft", "All aircraft", tails, query.tail),
        options("rule", "Rule", "All rules", rules, query.rule),
    )


def listing(held: Held, query: Query) -> Markup:
    """What the recordings could not tell: first by aircraft and parameter, then every reason."""
    landings = matching(held.landings, query, week=query.week or ALL_WEEKS).select("landing_id").collect()
    if held.hides(landings.height):
        return frame.too_few("/not-assessed")
    if not landings.height:
        return nothing("No landing is under these filters.", Markup('<a href="/not-assessed">Show every landing</a>'))
    missing = of_rule(held.missing, query).join(landings, on="landing_id", how="semi")
    reasons = by_reason(missing, held)
    if not reasons:
        return nothing(_nothing_missing(held, query, landings))
    body = marks.joined(_row(held, reason) for reason in reasons)
    head = frame.printed("Not assessed", held, query, query.week)
    return (
        head
        + _by_aircraft(held, silences(held, query), query)
        + Markup(
            '<h2 class="part"><b>Every reason</b></h2><p class="tally"><b>{}</b> {}</p>'
            '<table class="list-table"><thead><tr><th>Reason</th><th class="num">Landings</th>'
            '<th class="num">Aircraft</th><th>Rules that could not be assessed</th><th class="num">{}</th>'
            "</tr></thead><tbody>{}</tbody></table>"
        ).format(
            words.count(len(reasons), "reason"),
            f"over {words.count(landings.height, 'landing')}",
            "Landing" if held.least else "Newest",
            body,
        )
    )


def _nothing_missing(held: Held, query: Query, landings: pl.DataFrame) -> str:
    """That nothing is missing, and on how many landings, unless that would tell how few a rule is not for."""
    if not query.rule:
        which = " that it is for" if held.left_out.height else ""
        return f"Every rule was assessed on all {words.count(landings.height, 'landing')}{which}."
    who = f"“{held.titles.get(query.rule, query.rule)}”"
    out = of_rule(held.left_out, query).join(landings, on="landing_id", how="semi").height
    if held.hides(out) or held.hides(landings.height - out):
        return f"{who} was assessed on all landings that it is for."
    if out == landings.height:
        return f"{who} does not apply to any of the {words.count(out, 'landing')}."
    apart = f" that it is for; it does not apply to {out:,}" if out else ""
    return f"{who} was assessed on all {words.count(landings.height - out, 'landing')}{apart}."


def _by_aircraft(held: Held, found: list[Silence], query: Query) -> Markup:
    """Parameters that kept rules from being assessed, with the words for a request to maintenance."""
    if not found:
        return Markup('<h2 class="part"><b>By aircraft and parameter</b></h2><p class="tally">{}</p>').format(
            "Nothing was lost to the recordings: every reason below lies in the flight."
        )
    aircraft = words.count(len({one.tail for one in found}), "aircraft", "aircraft")
    often = [one for one in found if one.landings > 1]
    once = [one for one in found if one.landings <= 1] if often else []
    return Markup(
        '<h2 class="part"><b>By aircraft and parameter</b></h2>'
        '<p class="tally"><span><b>{}</b> on {}</span><span class="spring"></span>{}</p>'
        "{}{}{}"
    ).format(
        words.count(len(found), "line"),
        aircraft,
        "" if held.least else frame.exports("not-assessed", query),
        _silences(held, often or found),
        _once(held, once),
        "" if held.least else _request(found),
    )


def _once(held: Held, once: list[Silence]) -> Markup:
    if not once:
        return Markup("")
    return Markup('<details class="asking on-paper"><summary>{}</summary>{}</details>').format(
        f"{words.count(len(once), 'more line')}, each seen on one landing only", _silences(held, once)
    )


def _silences(held: Held, found: list[Silence]) -> Markup:
    return Markup(
        '<table class="list-table silences"><thead><tr><th>Aircraft</th><th>Parameter</th><th>What the recording lacks'
        "</th><th>Landings</th><th>Rules that could not be assessed</th></tr></thead><tbody>{}</tbody></table>"
    ).format(marks.joined(_silence(held, one) for one in found))


def _silence(held: Held, one: Silence) -> Markup:
    often = how_often(one)
    few = held.hides(one.landings)
    return Markup(
        '<tr><th scope="row" class="whole">{}</th><td>{}</td><td>{} {}</td><td>{}</td><td class="soft">{}</td></tr>'
    ).format(
        one.tail or "unknown",
        names.parameter(one.parameter),
        marks.HATCH,
        words.sentence(one.reason),
        f"fewer than {held.least}" if few else often[0].upper() + often[1:],
        _titles(one.rules),
    )


def _request(found: list[Silence]) -> Markup:
    return Markup(
        '<details class="asking no-print"><summary>As text, for a request to maintenance</summary>'
        '<p class="copying"><button type="button" data-copy="request">Copy</button>'
        '<span class="soft" role="status"></span></p>'
        '<textarea class="request" id="request" readonly rows="{}" aria-label="Text of the request">{}</textarea>'
        "</details>"
    ).format(min(max(as_text(found).count("\n") + 3, 6), 24), as_text(found))


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
    return _titles(tuple(held.titles.get(name, name) for name in rules))


def _titles(titles: tuple[str, ...]) -> str:
    more = len(titles) - RULES_NAMED
    return "; ".join(titles[:RULES_NAMED]) + (f" and {more} more" if more > 0 else "")
