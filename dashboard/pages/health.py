"""What is drifting and what cannot be used, by aircraft: for the maintenance request, before it becomes an event."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
from dash import Dash, Input, Output, State, html, no_update
from markupsafe import Markup

from dashboard import fleet_health, marks, names, words
from dashboard.access import open_to, viewer
from dashboard.elements import Block
from dashboard.fleet_health import Health
from dashboard.health_marks import LARGE, fan, line, month_strip, presence, sentence, small_trend
from dashboard.held import distinct
from dashboard.limits_lists import month_name
from dashboard.pages.frame import nothing, options, printed
from dashboard.query import ALL_WEEKS, Query, parse
from dashboard.store import Store
from fdm.errors import FdmError
from fdm.health import WATCHED
from fdm.people.roles import ANALYST, OFFICER
from fdm.people.views import LEAST, without_small_counts

LISTED = 60
STATES = {
    "gone": "Silent",
    "silent": "Unchanged",
    "missing": "Not recorded",
    "patchy": "Not always there",
    "good": "There, with faults",
}
DAY, MONTH = "%-d %b %Y", "%b %Y"
STRIP_MONTHS = 12
ODD = 0.005  # share of landings at either end that a scale need not hold; arrows say where they are
OFTEN = 3  # landings with a fault from which on a parameter is listed; common practice, no source
TREND = ("tail", "engine", "measure")
WRITTEN = (("first", "from"), ("last", "to"))


def layout(store: Store, _name: str, search: str) -> html.Div:
    """Filters; the rest fills itself."""
    return html.Div(
        [
            Block("health-controls", controls(store, parse(search)), "controls no-print"),
            Block("health-found", className="sheet health"),
        ],
        className="plain-page",
    )


def register(app: Dash, store: Store) -> None:
    """Callbacks of the page."""

    @app.callback(Output("health-found", "markup"), Input("address", "search"), State("address", "pathname"))
    @open_to(OFFICER, ANALYST)
    def show(search: str | None, path: str | None) -> Any:
        return str(found(store, parse(search))) if path == "/health" else no_update


def controls(store: Store, query: Query) -> Markup:
    """Fleet and aircraft."""
    landings = store.held().landings
    return Markup('<h1 class="inline">Health</h1><span class="spring"></span>{}{}').format(
        options("fleet", "Fleet", "All fleets", distinct(landings, "fleet"), query.fleet),
        options("tail", "Aircraft", "All aircraft", distinct(landings, "tail"), query.tail),
    )


def found(store: Store, query: Query) -> Markup:
    """What drifts, every trend small, and parameters over time; or why it cannot be told."""
    try:
        whole = fleet_health.health(store)
    except FdmError as error:
        return nothing("The health of the recordings cannot be told.", str(error))
    exact = viewer().role == OFFICER
    trends = _of(store.shown(_with_axis(whole.trends, exact=exact)), store, query)
    points = _by_trend(store.shown(_points(whole, exact=exact)))
    months = _of(_months(store, whole), store, query)
    head = printed("Health", store.held(), query, ALL_WEEKS)
    return Markup("{}{}{}{}").format(
        head, _drifting(trends, points), _parameters(store, whole, months, query), _every(trends, points)
    )


def _of(frame: pl.DataFrame, store: Store, query: Query) -> pl.DataFrame:
    if query.fleet:
        tails = store.held().landings.filter(pl.col("fleet") == query.fleet)["tail"].unique()
        frame = frame.filter(pl.col("tail").is_in(tails.implode()))
    return frame.filter(pl.col("tail") == query.tail) if query.tail else frame


def _with_axis(trends: pl.DataFrame, *, exact: bool) -> pl.DataFrame:
    """Trends with their axis: from the first landing to the last, or whole months for who may not know the day.

    `axis_from_utc` and `axis_to_utc`, written `from` and `to`; `start`, the trend's value where the axis begins
    """
    first, last = pl.col("first_utc"), pl.col("last_utc")
    if not exact:
        first, last = first.dt.truncate("1mo"), last.dt.truncate("1mo").dt.offset_by("1mo")
    days = (pl.col("last_utc") - first).dt.total_seconds() / 86400
    spans = [pl.col(f"{end}_utc").dt.strftime(DAY if exact else MONTH).alias(name) for end, name in WRITTEN]
    start = pl.col("end") - pl.col("per_30_days") / 30 * days
    found = trends.with_columns(*spans, axis_from_utc=first, axis_to_utc=last, start=start)
    return found.drop("first_utc", "last_utc", "end")


def _points(whole: Health, *, exact: bool) -> pl.DataFrame:
    """Landings, each when it was (`at_utc`); months, at the mean of their landings' times and with how far half of them
    spread, for who may not know the day."""
    at, value = pl.col("touchdown_utc"), pl.col("value")
    if exact:
        return whole.points.rename({"touchdown_utc": "at_utc"}).sort("at_utc")
    by_month = whole.points.group_by(*TREND, month=at.dt.strftime("%Y-%m")).agg(
        value.median(), at_utc=at.mean(), least=value.quantile(0.25), most=value.quantile(0.75), n=pl.len()
    )
    return by_month.filter(pl.col("n") >= LEAST).sort("month")


def _by_trend(points: pl.DataFrame) -> dict[tuple[object, ...], pl.DataFrame]:
    return points.partition_by(*TREND, as_dict=True, maintain_order=True)


def _own(points: Mapping[tuple[object, ...], pl.DataFrame], trend: Mapping[str, Any]) -> pl.DataFrame:
    return points.get(tuple(trend[name] for name in TREND), pl.DataFrame())


def _drifting(trends: pl.DataFrame, points: Mapping[tuple[object, ...], pl.DataFrame]) -> Markup:
    rows = trends.filter("drifting")
    head = Markup('<h2><b>Drifting</b> <span class="soft">{} of {}</span></h2>').format(
        rows.height, words.count(trends.height, "trend")
    )
    if rows.is_empty():
        told = "Nothing moves by more than its own noise." if trends.height else "Too few landings for a trend."
        return head + Markup('<p class="prose">{}</p>').format(told)
    parts = []
    for trend in rows.iter_rows(named=True):
        own = _own(points, trend)
        drawing = small_trend(trend, own, *_scale(own, fan(trend, own) + line(trend, own)), LARGE) if own.height else ""
        parts.append(
            Markup(
                '<article class="hm-large"><h3><b>{}</b></h3>{}<p>{}.</p><details><summary>Text for the maintenance '
                'request</summary><pre class="tune-command">{}</pre></details></article>'
            ).format(
                _titled(trend),
                drawing,
                sentence(trend),
                request(trend),
            )
        )
    return head + Markup('<div class="hm-grid large">{}</div>').format(marks.joined(parts))


def _titled(trend: Mapping[str, Any]) -> str:
    engine = f", engine {trend['engine']}" if trend["engine"] is not None else ""
    return f"{trend['tail'] or 'Unknown aircraft'}{engine}: {trend['what']}"


def _scale(points: pl.DataFrame, drawn: Sequence[float]) -> tuple[float, float]:
    """The least and greatest value of a drawing: of months, or of all landings but the oddest, and of lines `drawn`."""
    months = "least" in points.columns
    odd = 0.0 if months else ODD
    ends = [
        points["least" if months else "value"].quantile(odd),
        points["most" if months else "value"].quantile(1 - odd),
    ]
    values = [float(value) for value in (*ends, *drawn) if value is not None]
    pad = 0.08 * (max(values) - min(values)) or 0.5
    return min(values) - pad, max(values) + pad


def request(trend: Mapping[str, Any]) -> str:
    """What to ask of maintenance, as text to copy."""
    way = "rises" if trend["per_30_days"] > 0 else "falls"
    return (
        f"{_titled(trend)} {way}.\n{sentence(trend)}, {trend['from']} to {trend['to']}; interval 95 %.\n"
        "Seen in flight recordings of landings. It is no airworthiness finding; please look at the mechanism and its "
        "position sensing, and tell the safety officer what was found."
    )


def _every(trends: pl.DataFrame, points: Mapping[tuple[object, ...], pl.DataFrame]) -> Markup:
    """Every trend, small, those of a mechanism on one scale."""
    parts = []
    for measure, what in WATCHED.items():
        rows = trends.filter(pl.col("measure") == measure).sort("tail", "engine")
        drawn = [(row, own) for row in rows.iter_rows(named=True) if (own := _own(points, row)).height]
        if not drawn:
            continue
        lines = [value for row, own in drawn for value in line(row, own)]
        all_points = pl.concat([own for _, own in drawn])
        low, high = _scale(all_points, lines)
        cells = marks.joined(
            Markup("<figure{}><figcaption>{}</figcaption>{}</figure>").format(
                Markup(' class="drifting"') if row["drifting"] else "", _short(row), small_trend(row, own, low, high)
            )
            for row, own in drawn
        )
        beyond = all_points.filter(~pl.col("value").is_between(low, high)).height
        arrows = f"; {words.count(beyond, 'landing')} beyond it, {'an arrow' if beyond == 1 else 'arrows'}"
        ends_of_it = f"{words.quantity(low, rows['unit'][0])} to {words.quantity(high, rows['unit'][0])}"
        scale = f"{ends_of_it}, one scale for all{arrows if beyond else ''}"
        parts.append(
            Markup('<details class="hm-all"{}><summary><b>{}</b> <span class="soft">{}, {}</span></summary>'
                   '<div class="hm-grid">{}</div></details>').format(
                Markup(" open") if rows["drifting"].any() else "", words.sentence(what).rstrip("."),
                words.count(rows.height, "trend"), scale, cells,
            )
        )  # fmt: skip
    return marks.joined(parts)


def _short(row: Mapping[str, Any]) -> str:
    engine = "" if row["engine"] is None else f", {row['engine']}"
    return f"{row['tail'] or 'unknown'}{engine}"


def _months(store: Store, whole: Health) -> pl.DataFrame:
    shown = store.shown(whole.months)
    role = viewer().role
    safe = without_small_counts(shown, ["unusable"], role)
    return safe.filter(pl.col("landings") >= store.held().least) if store.held().least else safe


def _parameters(store: Store, whole: Health, months: pl.DataFrame, query: Query) -> Markup:
    """Parameters that could not be relied on everywhere, the worst first, month by month."""
    table = _of(
        store.shown(whole.parameters.with_columns(since=_since(whole.parameters, exact=viewer().role == OFFICER))),
        store,
        query,
    )
    faulty = pl.col("faulty_landings")
    poor = table.filter((pl.col("state") != "good") | (faulty >= OFTEN))
    seldom = table.filter((pl.col("state") == "good") & (faulty > 0) & (faulty < OFTEN)).height
    poor = without_small_counts(poor, ["faulty_landings"], viewer().role)
    last = months["month"].unique().sort().tail(STRIP_MONTHS).to_list()
    strips = {
        key: {row["month"]: row for row in rows.iter_rows(named=True)}
        for key, rows in months.partition_by("tail", "parameter", as_dict=True).items()
    }
    shown = poor.head(LISTED)
    body = marks.joined(
        _parameter_row(row, month_strip(last, strips.get((row["tail"], row["parameter"]), {}), row["parameter"]))
        for row in shown.iter_rows(named=True)
    )
    left = poor.height - shown.height
    more = Markup('<p class="soft note">{}{} held a fault on fewer than {} landings and {} not listed.</p>').format(
        f"{left:,} more are not listed. " if left > 0 else "",
        words.count(seldom, "further parameter"),
        OFTEN,
        "is" if seldom == 1 else "are",
    )
    if not body:
        whole_ = "Every recorded parameter was there and whole." if not seldom else "No parameter fails often."
        return Markup('<h2><b>Parameters</b></h2><p class="prose">{}</p>{}').format(whole_, more if seldom else "")
    return Markup(
        '<h2><b>Parameters not always usable</b> <span class="soft">{} of {}, hatched by month: '
        "the share of landings on which "
        'it was not there, not whole, or held a fault</span></h2><table class="list-table health-table"><thead><tr>'
        '<th>Aircraft</th><th>Parameter</th><th>State</th><th>{}</th><th class="num">There</th>'
        '<th class="num">Landings with a fault</th><th>For the maintenance request</th></tr>'
        "</thead><tbody>{}</tbody></table>{}"
    ).format(poor.height, words.count(table.height, "parameter"), _span(last), body, more)


def _span(months: list[str]) -> str:
    ends = [month_name(month) for month in (months[:1] + months[-1:])]
    return "–".join(dict.fromkeys(ends))


def _since(table: pl.DataFrame, *, exact: bool) -> pl.Series:
    """The day, or the month alone, from which on nothing was recorded or nothing changed."""
    return table["silent_since_utc"].dt.strftime(DAY if exact else MONTH).alias("since")


def _state(row: Mapping[str, Any]) -> str:
    """Silent since 27 Oct 2026"""
    return STATES[row["state"]] + (f" since {row['since']}" if row["since"] else "")


def _parameter_row(row: Mapping[str, Any], strip: Markup) -> Markup:
    faulty = "few" if row["faulty_landings"] is None else f"{row['faulty_landings']:,} of {row['landings']:,}"
    return Markup(
        '<tr><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td class="num">{:.0f} %</td><td class="num">{}</td>'
        '<td><details><summary>Text</summary><pre class="tune-command">{}</pre></details></td></tr>'
    ).format(
        row["tail"] or "unknown",
        names.parameter(row["parameter"]),
        _state(row),
        strip,
        row["present_pct"],
        faulty,
        parameter_request(row),
    )


def parameter_request(row: Mapping[str, Any]) -> str:
    """What to ask of maintenance about a parameter, as text to copy."""
    name = names.parameter(row["parameter"])
    return (
        f"{row['tail'] or 'Unknown aircraft'}: {name} {presence(row)}.\n"
        "Please check the sensor, its wiring and the recorder's input. "
        "Rules that need it cannot be assessed on this aircraft meanwhile."
    )
