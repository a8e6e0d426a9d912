"""Events that people did something about and that are events no longer: what was said stays, and why they are gone."""

from __future__ import annotations

from typing import Any

from dash import Dash, html
from markupsafe import Markup

from dashboard import marks, names, officers, told, words
from dashboard.elements import Block
from dashboard.pages.frame import nothing
from dashboard.store import Store
from fdm.people.times import in_words


def layout(store: Store, _name: str, _search: str) -> html.Div:
    """The page: a list, the last decided first."""
    return html.Div(Block("no-longer-list", listing(store), "sheet"), className="plain-page")


def register(_app: Dash, _store: Store) -> None:
    """The page needs no callback."""


def listing(store: Store) -> Markup:
    """Every such event: what it was, what was decided, and why it is none now."""
    gone = officers.no_longer(store)
    head = Markup('<div class="sheet-head"><h1>Events no longer</h1><p class="subject">{}</p></div>').format(
        "Decided or passed on, and not found when the archive was judged last. What was said of them stays."
    )
    if gone.is_empty():
        return head + nothing("Every event that something was done about is still one.")
    heads = ("Event", "Aircraft", "Landing", "Decided", "It was then", "Now", "")
    return head + Markup(
        '<p class="tally"><b>{}</b></p><table class="list-table"><thead><tr>{}</tr></thead><tbody>{}</tbody></table>'
    ).format(
        words.count(gone.height, "event"),
        marks.joined(Markup("<th>{}</th>").format(head) for head in heads),
        marks.joined(_row(store, row) for row in gone.iter_rows(named=True)),
    )


def _row(store: Store, row: dict[str, Any]) -> Markup:
    landing = store.landing(row["landing_id"]) or {}
    link = Markup('<a href="/landing/{}">{}</a>').format(row["landing_id"], words.day(landing.get("touchdown_utc")))
    decided = f"{told.verdict(row['verdict'])}, {row['decided_by']}" if row["verdict"] else "Not decided"
    return Markup(
        "<tr><td>{}</td><td>{}</td><td>{}</td><td>{}{}</td><td>{}</td><td>{}</td>"
        '<td><a href="/?week=all&event={}">History</a></td></tr>'
    ).format(
        store.held().titles.get(row["rule"], row["rule"] or row["event_id"]),
        landing.get("tail") or "unknown",
        link if landing else "not in the archive",
        decided,
        Markup(' <span class="soft">{}</span>').format(in_words(row["decided_utc"])) if row["decided_utc"] else "",
        _then(row),
        words.sentence(row["says"].removeprefix("fires no longer: ")),
        row["event_id"],
    )


def _then(row: dict[str, Any]) -> str:
    if row["judged_value"] is None or row["judged_severity"] is None:
        return ""
    limit = row["judged_limit"]
    past = f" against {words.quantity(limit, row['judged_unit'] or '')}" if limit is not None else ""
    said = words.quantity(row["judged_value"], row["judged_unit"] or "")
    return f"{names.SEVERITY.get(row['judged_severity'], '')}: {said}{past}"
