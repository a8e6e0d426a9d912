"""Two rule books side by side: what differs in them, which landings they judge otherwise, and why."""

from __future__ import annotations

import math
from typing import Any
from urllib.parse import parse_qs, urlencode

import polars as pl
from dash import Dash, Input, Output, State, html, no_update
from markupsafe import Markup

from dashboard import marks, versions, words
from dashboard.access import open_to
from dashboard.elements import Block
from dashboard.held import RANK
from dashboard.limits_lists import SPOKEN, day_or_month
from dashboard.pages.frame import nothing, options
from dashboard.pages.versions import edited_since
from dashboard.query import LEVELS, LONGEST
from dashboard.store import Store
from dashboard.versions import FORCE, SHIPPED, Compared
from fdm.changes import Changed
from fdm.comparing import NO_RULE, tally
from fdm.errors import FdmError
from fdm.people.roles import ANALYST, OFFICER
from fdm.rule import Rule

LISTED = 200  # of each kind
HAPPENED = "count"  # unit of a rule that asks whether something happened
OTHERWISE = "otherwise"
KINDS = (
    ("gained", "Gained"),
    ("lost", "Lost"),
    ("raised", "Raised"),
    ("lowered", "Lowered"),
    (OTHERWISE, "Otherwise"),
)


def layout(store: Store, _name: str, search: str) -> html.Div:
    """The choice of two; the rest fills itself."""
    return html.Div(
        [
            Block("compare-controls", controls(store, search), "controls no-print"),
            Block("compare-found", className="sheet compare"),
        ],
        className="plain-page",
    )


def register(app: Dash, store: Store) -> None:
    """Callbacks of the page."""

    @app.callback(Output("compare-found", "markup"), Input("address", "search"), State("address", "pathname"))
    @open_to(OFFICER, ANALYST)
    def show(search: str | None, path: str | None) -> Any:
        return str(found(store, search or "")) if path == "/compare" else no_update


def chosen(search: str) -> tuple[str, str, str]:
    """The two rule books and the rule that an address names."""
    given = {key: values[-1][:LONGEST] for key, values in parse_qs(search.lstrip("?")).items()}
    return given.get("a") or SHIPPED, given.get("b") or FORCE, given.get("rule", "")


def controls(store: Store, search: str) -> Markup:
    """Which two, and which rule's landings are listed."""
    a, b, rule = chosen(search)
    known = [(version.key, version.title) for version in versions.choices(store)]
    rules = sorted(((card.name, card.title) for card in store.held().rules.values()), key=lambda pair: pair[1])
    return Markup(
        '<h1 class="inline">Compare rule books</h1><span class="spring"></span>{}<span>with</span>{}{}'
    ).format(
        _picker("a", "First rule book", known, a, SHIPPED),
        _picker("b", "Second rule book", known, b, FORCE),
        options("rule", "Rule", "All rules", rules, rule),
    )


def _picker(name: str, label: str, known: list[tuple[str, str]], here: str, usual: str) -> Markup:
    """The usual one is the empty choice, so that the address stays short."""
    first = next(title for key, title in known if key == usual)
    return options(name, label, first, [pair for pair in known if pair[0] != usual], "" if here == usual else here)


def found(store: Store, search: str) -> Markup:
    """What differs, or why it cannot be told."""
    a, b, rule = chosen(search)
    try:
        both = versions.compared(store, a, b)
    except (FdmError, OSError) as error:
        return nothing("These rule books cannot be compared.", str(error))
    return Markup('<p class="subject">{} with {}, on {}</p>{}{}{}{}').format(
        both.a.label,
        both.b.label,
        words.count(store.whole().landings.height, "landing"),
        edited_since(store) if FORCE in (a, b) else "",
        _differences(both, store.held().titles),
        _tally(both, store.held().titles, a, b),
        _landings(store, both, rule),
    )


def _differences(both: Compared, titles: dict[str, str]) -> Markup:
    if not both.changes:
        same = (
            "Both judge alike." if both.a.hash == both.b.hash else "Only their texts or cases differ; both judge alike."
        )
        return Markup('<h2><b>What differs in the rule books</b></h2><p class="prose">{}</p>').format(same)
    body = marks.joined(
        Markup("<tr><td>{}</td><td>{}</td><td>{}</td><td><b>{}</b></td></tr>").format(
            _titled(change, both, titles), _what(change), change.was or "–", change.now or "–"
        )
        for change in both.changes
    )
    return Markup(
        '<h2><b>What differs in the rule books</b></h2><table class="list-table small"><thead>'
        "<tr><th>Rule</th><th>What</th>"
        "<th>First</th><th>Second</th></tr></thead><tbody>{}</tbody></table>"
    ).format(body)


def _titled(change: Changed, both: Compared, titles: dict[str, str]) -> str:
    if change.rule is None:
        return "Settings, for every rule"
    rule = both.b.rules.get(change.rule) or both.a.rules.get(change.rule)
    return rule.title if rule else titles.get(change.rule, change.rule)


def _what(change: Changed) -> str:
    return words.sentence(change.what.replace("_", " ")).rstrip(".")


def _tally(both: Compared, titles: dict[str, str], a: str, b: str) -> Markup:
    counts = tally(both.landings)
    if counts.is_empty():
        return Markup('<h2><b>Landings judged otherwise</b></h2><p class="prose">None.</p>')
    body = marks.joined(
        Markup('<tr><td><a href="/compare?{}">{}</a></td>{}</tr>').format(
            urlencode({"a": a, "b": b, "rule": row["rule"]}),
            titles.get(row["rule"], row["rule"]),
            marks.joined(
                Markup('<td class="num">{}</td>').format(f"{row[kind]:,}" if row[kind] else "–") for kind, _ in KINDS
            ),
        )
        for row in counts.iter_rows(named=True)
    )
    heads = marks.joined(Markup('<th class="num">{}</th>').format(title) for _, title in KINDS)
    return Markup(
        '<h2><b>Landings judged otherwise</b></h2><table class="list-table small"><thead><tr>'
        "<th>Rule</th>{}</tr></thead>"
        '<tbody>{}</tbody></table><p class="soft note">Gained: an event only in the second. '
        "Raised: in both, more severe in "
        "the second. Otherwise: between within and not assessed.</p>"
    ).format(heads, body)


def _landings(store: Store, both: Compared, rule: str) -> Markup:
    """The landings that one rule, or any, judges otherwise: changes of events by kind, the others to be opened."""
    rows = both.landings.filter(pl.col("rule") == rule) if rule else both.landings
    if rows.is_empty():
        return Markup("")
    of = {key: rows.filter(pl.col("change") == key) for key, _ in KINDS}
    events = marks.joined(
        Markup('<h3><b>{}</b> <span class="soft">{}</span></h3>{}').format(
            title, _how_many(of[key]), _list(store, of[key], both)
        )
        for key, title in KINDS
        if key != OTHERWISE and not of[key].is_empty()
    )
    return Markup('<h2><b>Which landings, and why</b> <span class="soft">{}</span></h2>{}{}').format(
        _how_many(rows), events or Markup('<p class="prose">No event changes.</p>'), _others(store, of[OTHERWISE], both)
    )


def _others(store: Store, rows: pl.DataFrame, both: Compared) -> Markup:
    if rows.is_empty():
        return Markup("")
    return Markup("<details><summary>Otherwise, between within and not assessed: {}</summary>{}</details>").format(
        _how_many(rows), _list(store, rows, both)
    )


def _how_many(rows: pl.DataFrame) -> str:
    """753 changes on 727 landings"""
    landings = words.count(rows["landing_id"].n_unique(), "landing")
    return f"{words.count(rows.height, 'change')} on {landings}"


def _list(store: Store, rows: pl.DataFrame, both: Compared) -> Markup:
    """Up to LISTED of them, the most severe first, then by rule, the newest first."""
    titles = {name: _title(name, both) for name in rows["rule"].unique()}
    severity = pl.max_horizontal(pl.col("was", "now").replace_strict(RANK, default=0, return_dtype=pl.Int8))
    title = pl.col("rule").replace_strict(titles, return_dtype=pl.String)
    shown = store.shown(rows.with_row_index("line"))  # also the order tells only what may be known
    orders = [severity, title, pl.col("touchdown_utc"), pl.col("landing_id")]
    page = shown.sort(orders, descending=[True, False, True, False], nulls_last=True).head(LISTED)
    behind = rows.with_row_index("line").join(page.select("line"), on="line", how="semi")
    valued = [versions.with_values(store, behind.filter(pl.col("rule") == name), name) for name in titles]
    values = pl.concat([part.select("line", "value", "lower", "upper") for part in valued])
    listed = page.join(values, on="line", how="left", maintain_order="left").iter_rows(named=True)
    left = rows.height - page.height
    cure = "; choose a rule" if len(titles) > 1 else ""
    more = Markup('<p class="soft note">{:,} more are not listed{}.</p>').format(left, cure)
    return Markup(
        '<table class="list-table"><thead><tr>'
        "<th>Rule</th><th>First</th><th>Second</th><th>Measured</th><th>Landing</th><th>Aircraft</th><th>Why</th></tr></thead>"
        "<tbody>{}</tbody></table>{}"
    ).format(marks.joined(_row(row, both) for row in listed), more if left else "")


def _rule(name: str, both: Compared) -> Rule:
    return both.b.rules.get(name) or both.a.rules[name]


def _title(name: str, both: Compared) -> str:
    return _rule(name, both).title


def _row(row: dict[str, Any], both: Compared) -> Markup:
    rule = _rule(row["rule"], both)
    when = day_or_month(row)
    return Markup(
        '<tr><td>{}</td><td>{}</td><td>{}</td><td><b>{}</b> <span class="soft">{}</span></td>'
        '<td><a href="/landing/{}">{}</a>, <span class="soft">{}</span></td><td>{}</td><td>{}</td></tr>'
    ).format(
        rule.title,
        _outcome(row["was"]),
        _outcome(row["now"]),
        *_measured(row, rule),
        row["landing_id"],
        row["place"] or "Runway unknown",
        when,
        row["tail"] or "unknown",
        why(row, both),
    )


def _measured(row: dict[str, Any], rule: Rule) -> tuple[str, str]:
    """The value and its bounds; yes or no where the rule asks whether something happened."""
    value = row["value"]
    if value is None or math.isnan(value):
        return "–", ""
    if rule.unit == HAPPENED:
        return ("yes" if value else "no"), ""
    return words.quantity(value, rule.unit), words.bounds(value, row["lower"], row["upper"], rule.unit)


def why(row: dict[str, Any], both: Compared) -> str:
    """The differences of the rule that may have made this one, those that cannot left out."""
    own = [change for change in both.changes if change.rule in (row["rule"], None)]
    apart = _has_its_own(row, both)
    said = [
        f"{_what(change)} {change.was or 'none'} → {change.now or 'none'}"
        for change in own
        if change.rule is None or " limit" not in change.what or _holds_for(row["fleet"], change.what, apart=apart)
    ]
    return "; ".join(said) or "the rule's texts alone differ"


def _has_its_own(row: dict[str, Any], both: Compared) -> bool:
    """Whether either rule book has limits of its own for the landing's fleet."""
    rules = (book.rules.get(row["rule"]) for book in (both.a, both.b))
    return any(rule is not None and row["fleet"] in rule.limits_by_fleet for rule in rules)


def _holds_for(fleet: str | None, what: str, *, apart: bool) -> bool:
    """Whether a change of a limit is one for a fleet: with limits of its own on either side, `changes` tells them all
    under its name, also where the general ones come in their place."""
    return what.endswith(f" limit, fleet {fleet}") if apart else ", fleet " not in what


def _outcome(what: str) -> Markup:
    if what in LEVELS:
        return marks.severity_words(what)
    told = "no such rule" if what == NO_RULE else SPOKEN.get(what, what)
    return Markup('<span class="soft">{}</span>').format(told)
