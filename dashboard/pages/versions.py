"""Every saved version of the rule book: who saved it and why, and how to bring it into force."""

from __future__ import annotations

from typing import Any

from dash import Dash, html
from markupsafe import Markup

from dashboard import analysis, marks, versions
from dashboard.access import viewer
from dashboard.elements import Block
from dashboard.pages.frame import WHOLE, nothing
from dashboard.store import Store
from fdm.errors import FdmError
from fdm.rulebook import load_rule_book


def layout(store: Store, _name: str, _search: str) -> html.Div:
    """The list of versions."""
    return html.Div(Block("versions-list", listing(store), "sheet"), className="plain-page")


def register(_app: Dash, _store: Store) -> None:
    """The list needs no callback."""


def listing(store: Store) -> Markup:
    """Versions, newest first, below the rule book in force."""
    run = store.whole().run
    try:
        rows = list(versions.saved(store).iter_rows(named=True))
    except FdmError as error:
        return nothing("The saved versions cannot be read.", str(error))
    as_shipped = load_rule_book().hash == run.get("rule_book_hash")
    head = Markup('<div class="sheet-head"><h1>Versions</h1><p class="subject">In force: {}{}</p></div>').format(
        run.get("rule_book", "the rule book"),
        ", as shipped." if as_shipped else Markup('. <a href="/compare">Compare it with the shipped one</a>'),
    )
    if not rows:
        how = Markup('Move a limit of a rule and save it: <a href="/limits">Limits</a>')
        return head + nothing("No version of the rule book has been saved yet.", how)
    body = marks.joined(_row(store, row, str(run.get("rule_book_hash"))) for row in rows)
    return head + Markup(
        '<table class="list-table versions"><thead><tr><th class="num">No.</th><th>Name</th><th>Saved'
        "</th><th>By</th><th>Reason</th>"
        '<th><span class="spoken">Changes</span></th>'
        "<th>To bring it into force</th></tr></thead><tbody>{}</tbody></table>"
        '<p class="soft note">Decisions stay with the version they were made under.</p>'
    ).format(body)


def _row(store: Store, row: dict[str, Any], in_force: str) -> Markup:
    here = row["hash"] == in_force
    return Markup(
        '<tr><td class="num">{0}</td><td><b>{1}</b></td><td>{2}</td><td>{3}</td><td class="prose">{4}</td><td>{5}</td>'
        "<td>{6}</td></tr>"
    ).format(
        row["version_id"],
        marks.alone(f"{row['name']} {row['version']}"),
        versions.when(row["saved_utc"]),
        row["saved_by"],
        marks.alone(row["reason"]),
        Markup('<a href="/compare?a=force&amp;b={}">Compare</a>').format(row["version_id"]) if not here else "",
        Markup("<b>in force</b>") if here else _way(store, row["version_id"]),
    )


def _way(store: Store, version_id: int) -> Markup:
    """How a version comes into force: by a job for whoever may ask for one, or by a command."""
    try:
        archive = analysis.archive_of(store).address
        folder = versions.versions_folder(store) / f"{version_id:06d}"
    except FdmError:
        return Markup("")
    if not folder.exists():
        return Markup('<span class="soft">written when it is compared</span>')
    command = Markup('<code class="tune-code">fdm detect --archive "{}" --rules "{}"</code>').format(archive, folder)
    if viewer().role not in WHOLE["/jobs"]:
        return command
    return Markup(
        '<a href="/jobs?rules={}" target="_self">Judge every landing by it</a>'
        "<details><summary>On the command line</summary>{}</details>"
    ).format(folder.name, command)
