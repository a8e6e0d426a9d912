"""What every page stands in: head with places and theme, foot with cautions, and the parts pages share."""

from __future__ import annotations

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component
from markupsafe import Markup

from dashboard import palette
from dashboard.elements import Block

PRODUCT = "Rollout Watch"
PLACES = (("/", "Week"), ("/landings", "Landings"), ("/rules", "Rules"), ("/not-assessed", "Not assessed"))
CAUTIONS = (
    "Not for airworthiness or disciplinary decisions. Operator manuals, regulations and licensed people come first. "
    "Times and values are as exact as the recording allows; bounds say how exact."
)
GRAPH_CONFIG = {
    "showSendToCloud": False,
    "plotlyServerURL": "",
    "displaylogo": False,
    "displayModeBar": False,
    "responsive": True,
    "doubleClick": "reset",
}


def page_frame() -> html.Div:
    """The whole page: pages are put into #page by the router and read their query from #address."""
    return html.Div(
        [
            dcc.Location(id="address", refresh=False),
            dcc.Store(id="theme"),
            dcc.Store(id="palette", data=palette.dark_of_light()),
            Block("head", head()),
            html.Main(id="page", tabIndex="-1"),
            Block("foot", Markup('<footer class="foot"><p>{}</p></footer>').format(CAUTIONS)),
        ],
        className="frame",
    )


def head() -> Markup:
    """Name, places and theme; the browser marks the place that is open."""
    places = Markup("").join(Markup('<a href="{}" data-place>{}</a>').format(path, name) for path, name in PLACES)
    return Markup(
        '<a class="skip" href="#page">Skip to content</a>'
        '<header class="head"><a class="product" href="/">{}</a><nav aria-label="Places">{}</nav>'
        '<span class="spring"></span>'
        '<label class="keys"><input type="checkbox" id="single-keys"> Single-letter keys</label>'
        '<button type="button" id="theme-switch" class="quiet">Dark</button></header>'
    ).format(PRODUCT, places)


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
        '<input type="search" name="text" value="{}" placeholder="{}" aria-label="{}" data-query autocomplete="off" spellcheck="false">'
    ).format(text, hint, hint)


def nothing(sentence: str, cure: Markup | str = "") -> Markup:
    """An empty state that says why it is empty and what to do."""
    return Markup('<div class="nothing"><p>{}</p><p>{}</p></div>').format(sentence, cure)


def message(sentence: str, href: str, text: str) -> html.Div:
    """A page that only says one thing."""
    return html.Div(Block("message", nothing(sentence, Markup('<a href="{}">{}</a>').format(href, text))), className="plain-page")


def traces(name: str, label: str = "Traces") -> list[Component]:
    """A trace chart with its cursor and the values read beside it; filled through the store `<name>-figure`."""
    return [
        html.Div(
            [
                dcc.Graph(id=name, config=GRAPH_CONFIG, figure={}, style={"display": "none"}),
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
        Output(name, "figure"),
        Output(name, "style"),
        Input(f"{name}-figure", "data"),
        Input("theme", "data"),
        State("palette", "data"),
        State(name, "id"),
    )
