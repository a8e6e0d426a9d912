"""What every page stands in: head with places and theme, foot with cautions, and the parts pages share."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component
from flask import current_app, g, has_app_context, has_request_context, request
from markupsafe import Markup

from dashboard import names, palette, security, words
from dashboard.access import viewer
from dashboard.elements import Block
from dashboard.held import Held
from dashboard.query import ALL_WEEKS, Query
from fdm.people.roles import ADMINISTRATOR, ANALYST, OFFICER
from fdm.people.views import LEAST

Places = Sequence[tuple[str, str]]
PRODUCT = "Rollout Watch"
PLACES = (
    ("/", "Week"),
    ("/landings", "Landings"),
    ("/debrief", "Debrief"),
    ("/rules", "Rules"),
    ("/limits", "Limits"),
    ("/versions", "Versions"),
    ("/health", "Health"),
    ("/not-assessed", "Not assessed"),
    ("/jobs", "Jobs"),
    ("/audit", "Log"),
    ("/accounts", "Accounts"),
)
WHOLE = {  # made whole on the server, and whom they are for
    "/jobs": (OFFICER, ANALYST),
    "/audit": (OFFICER, ADMINISTRATOR),
    "/accounts": (ADMINISTRATOR,),
}
PLACES_FOR = "PLACES_FOR"  # in the application's configuration: the places of a role
CAUTIONS = (
    "Not for airworthiness or disciplinary decisions. Operator manuals, regulations and licensed people come first. "
    "Times and values are as exact as the recording allows; bounds say how exact."
)


def places() -> Places:
    """Where the viewer may go."""
    chosen: Callable[[str], Places] | None = current_app.config.get(PLACES_FOR) if has_app_context() else None
    return chosen(viewer().role) if chosen else PLACES


def page_frame() -> html.Div:
    """The whole page: pages are put into #page by the router and read their query from #address."""
    return html.Div(
        [
            dcc.Location(id="address", refresh=False),
            dcc.Store(id="theme"),
            dcc.Store(id="palette", data=palette.dark_of_light()),
            Block("head", head(places())),
            Block("alert", className="alert"),
            html.Main(id="page", tabIndex="-1"),
            Block("foot", Markup('<footer class="foot"><p>{}</p></footer>').format(CAUTIONS)),
        ],
        className="frame",
    )


def head(places: Places, *, scripts: bool = True) -> Markup:
    """Name, places, theme, and who is logged in; the browser marks the place that is open.

    scripts    the page it stands on runs scripts, which go from place to place and switch the theme
    """
    return Markup(
        '<a class="skip" href="#page">Skip to content</a>'
        '<header class="head"><a class="product" href="{}"{}>{}</a><nav aria-label="Places">{}</nav>'
        '<span class="spring"></span>{}{}</header>'
    ).format(
        places[0][0] if places else "/",
        "" if scripts else Markup(' target="_self"'),
        PRODUCT,
        Markup("").join(_place(path, name, scripts=scripts) for path, name in places),
        Markup(
            '<label class="keys"><input type="checkbox" id="single-keys"> Single-letter keys</label>'
            '<button type="button" id="theme-switch" class="quiet">Dark</button>'
        )
        if scripts
        else "",
        _logged_in(),
    )


def _place(path: str, name: str, *, scripts: bool) -> Markup:
    """A place; one that is made whole on the server is loaded, not put into the page."""
    if scripts and path not in WHOLE:
        return Markup('<a href="{}" data-place>{}</a>').format(path, name)
    here = Markup(' aria-current="page"') if has_request_context() and request.path == path else ""
    return Markup('<a href="{}" target="_self"{}>{}</a>').format(path, here, name)


def _logged_in() -> Markup:
    """Who is logged in, with the way to their account and out; nothing while nobody has to log in."""
    if not has_request_context() or not g.get("asks", False):
        return Markup("")
    return Markup(
        '<a class="who" href="/account" target="_self" data-who="{}">{}, {}</a><form method="post" action="/logout">'
        '<input type="hidden" name="{}" value="{}"><button type="submit" class="quiet">Log out</button></form>'
    ).format(viewer().name, viewer().name, viewer().role, security.FIELD, security.form_token())


def options(name: str, label: str, every: str, values: list[str] | list[tuple[str, str]], chosen: str) -> Markup:
    """A filter that writes itself into the address."""
    pairs = [(value, value) if isinstance(value, str) else value for value in values]
    if chosen and chosen not in [value for value, _ in pairs]:
        pairs.append((chosen, chosen))
    inside = Markup("").join(
        Markup('<option value="{}"{}>{}</option>').format(value, Markup(" selected") if value == chosen else "", text)
        for value, text in [("", every), *pairs]
    )
    return Markup('<select name="{}" aria-label="{}" data-query>{}</select>').format(name, label, inside)


def search_box(text: str, hint: str) -> Markup:
    """A search field that writes itself into the address while typing."""
    return Markup(
        '<input type="search" name="text" value="{}" placeholder="{}" aria-label="{}" data-query '
        'autocomplete="off" spellcheck="false">'
    ).format(text, hint, hint)


def pager(total: int, per_page: int, query: Query, what: str) -> Markup:
    """Which part of a list is shown, and links to its neighbours."""
    pages = -(-total // per_page)
    if pages <= 1:
        return Markup("")
    first, last = (query.page - 1) * per_page + 1, min(query.page * per_page, total)
    before = (
        Markup('<a href="{}">Before</a>').format(query.link(page=query.page - 1, event="")) if query.page > 1 else ""
    )
    after = (
        Markup('<a href="{}" data-next>Next</a>').format(query.link(page=query.page + 1, event=""))
        if query.page < pages
        else ""
    )
    here = f"{what} {first:,}–{last:,} of {total:,}"
    return Markup(
        '<p class="pager no-print">{} <span class="soft">{}</span> {}</p><p class="print-only"><b>{}.</b> {}</p>'
    ).format(before, here, after, here[:1].upper() + here[1:], "The others stand on further pages, and in the export.")


def printed(what: str, held: Held, query: Query, week: str) -> Markup:
    """On paper alone, where no control stands: what the page shows, of when, under which filters and rule book."""
    period = "All weeks" if week in ("", ALL_WEEKS) else words.period(week)
    chosen = (query.fleet, query.runway, query.tail, held.titles.get(query.rule, query.rule), query.text)
    narrowed = [names.SEVERITY[query.severity]] if query.severity else []
    only = "; ".join([*narrowed, *(value for value in chosen if value)])
    return Markup('<p class="print-only"><b>{}, {}</b>{}<br>{}</p>').format(
        what, period, f" ({only})" if only else "", held.run.get("rule_book", "")
    )


def exports(what: str, query: Query) -> Markup:
    """The list as a file, under the filters of the page."""
    links = Markup(", ").join(
        Markup('<a href="/export/{}.{}{}" download>{}</a>').format(what, kind, query.link(page=1, event=""), name)
        for kind, name in (("csv", "CSV"), ("parquet", "Parquet"))
    )
    return Markup('<span class="exports no-print">Export {}</span>').format(links)


def nothing(sentence: str, cure: Markup | str = "") -> Markup:
    """An empty state that says why it is empty and what to do."""
    return Markup('<div class="nothing"><p>{}</p><p>{}</p></div>').format(sentence, cure)


def changed_since(titles: str) -> Markup:
    """Warns that rules are not those any more by which the archive was judged."""
    return Markup(
        '<p class="warning">Changed since this archive was judged: {}. Run fdm detect to judge anew.</p>'
    ).format(titles)


def too_few(page: str) -> Markup:
    """An empty state for so few landings that they could point at somebody."""
    why = f"Fewer than {LEAST} landings are under these filters. So few could point at a crew, and are not shown."
    return nothing(why, Markup('<a href="{}">Show every landing</a>').format(page))


def periods(held: Held) -> tuple[str, str]:
    """What the filter of weeks is called, and its choice of them all; months for who may not see weeks."""
    return ("Month", "All months") if held.least else ("Week", "All weeks")


def message(sentence: str, href: str, text: str) -> html.Div:
    """A page that only says one thing."""
    return html.Div(
        Block(
            "message",
            Markup('<div class="nothing"><h1>{}</h1><p><a href="{}">{}</a></p></div>').format(sentence, href, text),
        ),
        className="plain-page",
    )


def traces(name: str, label: str = "Traces") -> list[Component]:
    """A trace chart with its cursor and the values read beside it; filled through the store `<name>-figure`.

    The chart is made when there is something to draw: an empty one would be drawn first, and at another size.
    """
    return [
        html.Div(
            [
                html.Div(id=f"{name}-chart"),
                html.Div(className="cursor"),
                html.Div(className="readouts"),
            ],
            className="traces-frame",
            tabIndex="0",
            **{"aria-label": f"{label}: arrow keys move the cursor, digits go to a step"},  # type: ignore[arg-type]
        ),
        dcc.Store(id=f"{name}-figure"),
    ]


def paint(app: Dash, name: str) -> None:
    """Shows the figure in `<name>-figure` in the colours of the theme, in the browser."""
    app.clientside_callback(
        ClientsideFunction("watch", "paint"),
        Output(f"{name}-chart", "children"),
        Input(f"{name}-figure", "data"),
        Input("theme", "data"),
        State("palette", "data"),
        State(f"{name}-chart", "id"),
    )


def filters(app: Dash, store: str) -> None:
    """Keeps the filters of the address, without the event being read, in a store; a list listens to that store."""
    app.clientside_callback(
        ClientsideFunction("watch", "filters"),
        Output(store, "data"),
        Input("address", "search"),
        State(store, "data"),
        State("address", "pathname"),
        State(store, "id"),
    )


def alert(why: str) -> Markup:
    """Says that a part of the page did not load, and offers to try again."""
    return Markup(
        '<p role="alert">This part of the page did not load. {} <button type="button" id="try-again">Try '
        "again</button></p>"
    ).format(why)
