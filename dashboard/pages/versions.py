"""Every saved version of the rule book: who saved it and why, and how to bring it into force."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from dash import Dash, html
from markupsafe import Markup

from dashboard import analysis, marks, versions
from dashboard.access import viewer
from dashboard.elements import Block
from dashboard.pages.frame import WHOLE, changed_since, nothing
from dashboard.store import Store
from fdm.errors import FdmError
from fdm.rulebook import shipped_folder

IN_FORCE = Markup("<b>in force</b>")


def layout(store: Store, _name: str, _search: str) -> html.Div:
    """The list of versions."""
    return html.Div(Block("versions-list", listing(store), "sheet"), className="plain-page")


def register(_app: Dash, _store: Store) -> None:
    """The list needs no callback."""


def edited_since(store: Store) -> Markup:
    """Warns where the rule book in force, as its folder is now, is not what the landings were judged by."""
    try:
        titles = analysis.edited(store)
    except FdmError as error:
        return Markup('<p class="warning">The rule book in force cannot be read: {}</p>').format(error)
    return changed_since(titles) if titles else Markup("")


def listing(store: Store) -> Markup:
    """Versions, newest first, below the rule book in force and above those to which one can go back."""
    run = store.whole().run
    try:
        rows = list(versions.saved(store).iter_rows(named=True))
    except FdmError as error:
        return nothing("The saved versions cannot be read.", str(error))
    in_force = str(run.get("rule_book_hash"))
    as_shipped = versions.shipped().hash == in_force
    head = Markup('<div class="sheet-head"><h1>Versions</h1><p class="subject">In force: {}{}</p></div>').format(
        run.get("rule_book", "the rule book"),
        ", as shipped." if as_shipped else Markup('. <a href="/compare">Compare it with the shipped one</a>'),
    )
    head += edited_since(store)
    was = versions.before(store)
    if not rows:
        how = Markup('Move a limit of a rule and save it: <a href="/limits">Limits</a>')
        head += nothing("No version of the rule book has been saved yet.", how)
        if as_shipped and was is None:
            return head
    body = marks.joined([*(_row(store, row, in_force) for row in rows), _before(store, was), _shipped(store, in_force)])
    return head + Markup(
        '<table class="list-table versions"><thead><tr><th class="num">No.</th><th>Name</th><th>Saved'
        "</th><th>By</th><th>Reason</th>"
        '<th><span class="spoken">Changes</span></th>'
        "<th>To bring it into force</th></tr></thead><tbody>{}</tbody></table>"
        '<p class="soft note">Decisions stay with the version they were made under.</p>'
    ).format(body)


def _row(store: Store, row: dict[str, Any], in_force: str) -> Markup:
    number = row["version_id"]
    return _line(
        [
            number,
            Markup("<b>{}</b>").format(marks.alone(f"{row['name']} {row['version']}")),
            versions.when(row["saved_utc"]),
            row["saved_by"],
            marks.alone(row["reason"]),
        ],
        str(number),
        IN_FORCE if row["hash"] == in_force else _way_to_version(store, number),
    )


def _before(store: Store, was: versions.Before | None) -> Markup:
    """The own rule book that was in force before, if any; also one that is lost, so that it leaves a trace."""
    if was is None:
        return Markup("")
    said = "Was in force before."
    if was.book is None:
        said += f" Its folder {was.folder} does not tell it any more."
    elif was.changed:
        said += " Its folder was changed since."
    told = ["", Markup("<b>{}</b>").format(marks.alone(was.label)), "", "", said]
    if was.book is None:
        return _line(told, "", "")
    return _line(told, versions.BEFORE, _way(store, versions.BEFORE, was.folder))


def _shipped(store: Store, in_force: str) -> Markup:
    book, key = versions.shipped(), versions.SHIPPED
    told = ["", Markup("<b>{}</b>").format(marks.alone(book.label)), "", "", "As shipped."]
    return _line(told, key, IN_FORCE if book.hash == in_force else _way(store, key, shipped_folder()))


def _line(told: Sequence[object], key: str, way: Markup | str) -> Markup:
    """A row: number, name, saved, by, reason; how it differs from the one in force; how it comes into force."""
    link = Markup('<a href="/compare?a=force&amp;b={}">Compare</a>').format(key) if way != IN_FORCE and key else ""
    return Markup(
        '<tr><td class="num">{}</td><td>{}</td><td>{}</td><td>{}</td><td class="prose">{}</td><td>{}</td>'
        "<td>{}</td></tr>"
    ).format(*told, link, way)


def _way_to_version(store: Store, version_id: int) -> Markup:
    try:
        folder = versions.versions_folder(store) / f"{version_id:06d}"
    except FdmError:
        return Markup("")
    if not folder.exists():
        return Markup('<span class="soft">written when it is compared</span>')
    return _way(store, folder.name, folder)


def _way(store: Store, key: str, folder: Path) -> Markup:
    """How a rule book comes into force: by a job for whoever may ask for one, or by a command."""
    try:
        archive = analysis.archive_of(store).address
    except FdmError:
        return Markup("")
    command = Markup('<code class="tune-code">fdm detect --archive "{}" --rules "{}"</code>').format(archive, folder)
    if viewer().role not in WHOLE["/jobs"]:
        return command
    return Markup(
        '<a href="/jobs?rules={}" target="_self">Judge every landing by it</a>'
        "<details><summary>On the command line</summary>{}</details>"
    ).format(key, command)
