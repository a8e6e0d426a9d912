"""A changed rule becomes a new version of the rule book: shown, tried on its cases, saved, and never put in place.

The version is kept with who saved it and why (fdm.people.books), and written as a folder beside the archive for detect
to judge with. The rule book in force is read, never written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup

from dashboard import analysis, marks, names, words
from dashboard.access import viewer
from dashboard.limits_asked import asked, direction, limits_asked, limits_now
from dashboard.rule_card import RuleCard
from dashboard.store import Store
from fdm.amending import Change, amended, book_of, difference, failing
from fdm.cases import CaseResult
from fdm.conditions import Fault, faults, takes_in
from fdm.errors import FdmError, RuleError
from fdm.measures import CATALOGUE
from fdm.people.books import SavedBook, files_of
from fdm.people.errors import PeopleError
from fdm.people.location import rules_folder
from fdm.people.roles import OFFICER
from fdm.people.texts import NOTE, clean
from fdm.people.views import SEES
from fdm.rule import Limits
from fdm.schemas import LANDINGS
from fdm.tuning import ordered

NAME = 40
DISGUISED = ("tail", "flight", "departure", "landing_id")


def faults_of(where: str | None) -> list[Fault]:
    """What is wrong with a condition, also that it names what the viewer may not know."""
    if where is None:
        return []
    return faults(where, CATALOGUE, barred_for(viewer().role))


def barred_for(role: str) -> frozenset[str]:
    """Columns that would tell a viewer whose landing it is, by what a condition takes in."""
    if role == OFFICER:
        return frozenset()
    return frozenset(LANDINGS) - (SEES.get(role, frozenset()) - set(DISGUISED))


def in_order(card: RuleCard, limits: Limits) -> bool:
    """Whether the limits lie in the order of severity."""
    return ordered(limits, direction(card))


def condition_said(store: Store, text: str) -> Markup:
    """What is wrong with a condition, at its place; or how many landings it takes in."""
    found = faults_of(text)
    if found:
        return marks.joined(_fault(text, fault) for fault in found[:5])
    if not text.strip():
        return Markup('<p class="soft">Every landing is judged.</p>')
    try:
        taken = takes_in(analysis.archive_of(store), text)
    except FdmError as error:
        return Markup('<p role="alert">{}</p>').format(str(error))
    held = store.held()
    if held.hides(taken.holds) or held.hides(taken.fails):
        few = f"Fewer than {held.least} landings are taken in by this, or left out. So few are not counted."
        return Markup("<p>{}</p>").format(few)
    parts = [(taken.holds, "it holds"), (taken.fails, "it does not hold"), (taken.unknown, "it cannot be told")]
    parts = parts[:1] if held.hides(taken.unknown) else parts  # all less two would tell the third
    told = "; ".join(f"{how} on {words.count(n, 'landing')}" for n, how in parts)
    return Markup("<p>{}</p>").format(words.sentence(told))


def _fault(text: str, fault: Fault) -> Markup:
    return Markup('<p role="alert">{}</p><pre class="tune-fault">{}<mark>{}</mark>{}</pre>').format(
        words.sentence(f"{fault.problem}. {fault.cure}".strip()),
        text[: fault.start],
        text[fault.start : fault.end] or " ",
        text[fault.end :],
    )


def done(store: Store, card: RuleCard, given: Mapping[str, Any]) -> Markup:
    """What came of asking to see a change, or to save it."""
    try:
        before, change = _asked(store, card, given)
        name = clean(str(given.get("name", "")), "the name of the version", NAME, needed=given.get("act") == "save")
        after = amended(before, change, name)
        if amended(before, change) == before:
            return Markup('<p role="alert">Nothing was changed. Move a limit or write a condition first.</p>')
        book = book_of(after)
        lines = difference(before, after)
        if failed := failing(book, card.name):
            return _refused(failed, lines)
        if given.get("act") != "save":
            return Markup("<p>All {} of this rule hold.</p>{}").format(
                words.count(len(book.rules[card.name].cases), "case"), _diff(lines)
            )
        reason = clean(str(given.get("reason", "")), "the reason for the change", NOTE, needed=True)
        saved, folder, why_not = _save(store, after, str(reason), str(given.get("token", "")))
        if why_not:
            told = '<p role="alert">Saved as version {}, but not written to {}: {}</p>'
            return Markup(told).format(saved.version_id, folder, why_not)
        return _saved(store, saved, folder, lines)
    except (FdmError, PeopleError, OSError) as error:
        return Markup('<p role="alert">Not saved. {}</p>').format(str(error))


def _asked(store: Store, card: RuleCard, given: Mapping[str, Any]) -> tuple[dict[str, str], Change]:
    """The files in force, and the change that the page asks for. RuleError when it cannot be made."""
    wanted = asked(str(given.get("search", "")))
    limits = limits_asked(card, wanted.fleet, given)
    if not in_order(card, limits):
        raise RuleError("the limits are not in the order of their severity", cure="Move them apart.")
    if wrong := faults_of(wanted.where):
        raise RuleError(f"the condition cannot be used: {wrong[0].problem}", cure=wrong[0].cure)
    known = store.held().landings.get_column("fleet").drop_nulls().unique().to_list()
    if wanted.fleet and wanted.fleet not in known:
        raise RuleError(f"no landing is of fleet '{wanted.fleet}'")
    book = analysis.book_in_force(store)
    said = given.get("expect") or ()
    expect = {str(case): str(got) for case, got in said.items()} if isinstance(said, Mapping) else {}
    where = None if wanted.where is None or wanted.where == card.where else wanted.where
    change = Change(
        card.name,
        fleet=wanted.fleet or None,
        limits=None if limits == limits_now(card, wanted.fleet) else limits,
        where=where,
        expect=expect,
    )
    return files_of(book.folder), change


def _save(store: Store, files: Mapping[str, str], reason: str, token: str) -> tuple[SavedBook, Path, str]:
    """The version kept, its folder, and why it could not be written there. PeopleError when it is not kept."""
    if store.desk is None:
        raise PeopleError("there is no store of people's work", cure="Start the dashboard on an archive.")
    beside = versions_folder(store)
    books = store.desk.books()
    saved = books.save(files, reason=reason, by=viewer(), token=token or None)
    folder = beside / f"{saved.version_id:06d}"
    try:
        if not folder.exists():
            books.write(saved.version_id, folder)
    except (PeopleError, OSError) as error:
        return saved, folder, str(error)
    return saved, folder, ""


def waiting(store: Store) -> str:
    """Says that the newest saved version is not in force, so that a new one does not build on it; else nothing."""
    try:
        newest = store.desk.books().versions().head(1).to_dicts() if store.desk else []
    except PeopleError:
        return ""
    if not newest or newest[0]["hash"] == store.whole().run.get("rule_book_hash"):
        return ""
    return f"Version {newest[0]['version_id']} is saved and not in force. This one builds on the rule book in force."


def versions_folder(store: Store) -> Path:
    """Where saved versions are written: beside the archive, never in it."""
    return rules_folder(analysis.archive_of(store).path)


def _saved(store: Store, saved: SavedBook, folder: Path, lines: Sequence[str]) -> Markup:
    archive = analysis.archive_of(store).address
    return Markup(
        '<div role="status"><p><b>Saved as version {}.</b> It is not in force yet. To judge every '
        "landing by it, run</p>"
        '<pre class="tune-command">fdm detect --archive "{}" \\\n  --rules "{}"</pre>'
        '<p>or ask for it under <a href="/jobs" target="_self">Jobs</a>. '
        '<a href="/compare?a=force&amp;b={}">Compare it with the rule book in force</a></p></div>{}'
    ).format(saved.version_id, archive, folder, saved.version_id, _diff(lines))


def _refused(failed: Sequence[CaseResult], lines: Sequence[str]) -> Markup:
    """The cases that do not hold, and the choice to let them say what the rule says now."""
    rows = marks.joined(
        Markup(
            '<tr><td><label><input type="checkbox" data-expect="{0}" data-got="{1}"> {0}</label>'
            "</td><td>{2}</td><td>{3}</td></tr>"
        ).format(
            result.case,
            result.got,
            _word(result.expected),
            _word(result.got) if result.got != result.expected else result.reason or "",
        )
        for result in failed
    )
    return Markup(
        '<p role="alert"><b>Not saved: {} of this rule no longer {}.</b> A case says what the rule '
        "is meant to find. Move the "
        "limit back, or tick the cases whose expectation you change with it, and save again.</p>"
        '<table class="list-table small tune-cases"><thead><tr><th>Case</th><th>Expects</th>'
        "<th>Would be</th></tr></thead>"
        "<tbody>{}</tbody></table>{}"
    ).format(words.count(len(failed), "case"), "hold" if len(failed) > 1 else "holds", rows, _diff(lines))


def _word(outcome: str) -> str:
    return names.SEVERITY.get(outcome, outcome.replace("_", " "))


def _diff(lines: Sequence[str]) -> Markup:
    """Lines as `diff -u` writes them: what goes, what comes, and what stands around."""
    kinds = {"-": "gone", "+": "new", "@": "at"}
    body = marks.joined(
        Markup('<span class="{}">{}\n</span>').format(
            "file" if line[:3] in ("---", "+++") else kinds.get(line[:1], ""), line
        )
        for line in lines
    )
    return Markup(
        '<details open class="tune-diff"><summary>What changes in the files</summary><pre>{}</pre></details>'
    ).format(body)
