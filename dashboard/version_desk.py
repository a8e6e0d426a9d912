"""A changed rule becomes a new version of the rule book: shown, tried on its cases, saved, and never put in place.

The version is kept with who saved it and why (fdm.people.books), and written as a folder beside the archive for detect
to judge with. The rule book in force is read, never written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup

from dashboard import analysis, marks, names, versions, words
from dashboard.access import viewer
from dashboard.bookchanges import ended
from dashboard.limits_asked import asked, direction, limits_asked, limits_now
from dashboard.rule_card import RuleCard
from dashboard.store import Store
from dashboard.version_bases import Bases, bases_of, called, choice, files_behind, limit_said, otherwise, together
from dashboard.versions import FORCE, versions_folder
from fdm.amending import Change, amended, book_of, difference, tried
from fdm.cases import CaseResult
from fdm.conditions import Fault, faults, takes_in
from fdm.errors import FdmError, RuleError
from fdm.measures import CATALOGUE
from fdm.people.books import SavedBook, files_of
from fdm.people.errors import PeopleError
from fdm.people.roles import OFFICER
from fdm.people.texts import NOTE, clean
from fdm.people.views import SEES
from fdm.rule import LEVELS, Limits
from fdm.rulebook import RuleBook
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
    """What is wrong with a condition, at its place; or how many of all landings it takes in, whatever the filters."""
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
    parts = [
        (taken.holds, "it holds on"),
        (taken.fails, "it does not hold on"),
        (taken.unknown, "it cannot be told on"),
    ]
    parts = parts[:1] if held.hides(taken.unknown) else parts  # all less two would tell the third
    return Markup("<p>Of all landings, {}.</p>").format("; ".join(f"{how} {n:,}" for n, how in parts))


def _fault(text: str, fault: Fault) -> Markup:
    return Markup('<p role="alert">{}</p><pre class="tune-fault">{}<mark>{}</mark>{}</pre>').format(
        words.sentence(f"{fault.problem}. {fault.cure}".strip()),
        text[: fault.start],
        text[fault.start : fault.end] or " ",
        text[fault.end :],
    )


def done(store: Store, card: RuleCard, given: Mapping[str, Any]) -> Markup:
    """What came of asking to see a change, or to save it; with what a version can build on from now on."""
    chosen = str(given.get("base") or FORCE)
    bases = bases_of(store, chosen)
    try:
        if overtaken := _overtaken(bases, given):
            return _with_choice(_not_done(given, overtaken), store, card, bases)
        said = _done(store, card, given, bases)
    except (FdmError, PeopleError, OSError) as error:
        said = _not_done(given, str(error))
    now = bases_of(store, chosen)
    return said if now == bases else _with_choice(said, store, card, now)


def _not_done(given: Mapping[str, Any], why: str) -> Markup:
    """Why not; that it was not saved is said to who asked for that."""
    before = "Not saved. " if given.get("act") == "save" else ""
    return Markup('<p role="alert">{}{}</p>').format(before, words.sentence(why))


def _with_choice(said: Markup, store: Store, card: RuleCard, bases: Bases) -> Markup:
    """The browser puts the choice in the place of the one in the form."""
    offered = choice(bases, otherwise(store, bases, card))
    return said + Markup("<div hidden data-new-base>{}</div>").format(offered)


def _overtaken(bases: Bases, given: Mapping[str, Any]) -> str:
    """What happened since the page was read that the reader should know before saving; else nothing."""
    if given.get("force") not in (None, "", bases.force):
        return "Another rule book is in force since this page was read. Read the page anew; name and reason stay."
    if given.get("seen") in (None, "", str(bases.number)) or bases.newest is None:
        return ""
    return (
        f"Meanwhile version {called(bases.newest)}, was saved: {ended(bases.newest['reason'])} "
        "Choose above what yours builds on, and ask again."
    )


def _done(store: Store, card: RuleCard, given: Mapping[str, Any], bases: Bases) -> Markup:
    saves = given.get("act") == "save"
    key = str(given.get("base") or FORCE)
    before = files_behind(store, bases, key)
    change = _asked(store, card, given, book_of(before))
    name = clean(str(given.get("name", "")), "the name of the version", NAME, needed=saves)
    if saves:
        _refuse_known(store, str(name))
    after = amended(before, change, name)
    if amended(before, change) == before:
        return Markup('<p role="alert">Nothing was changed. Move a limit or write a condition first.</p>')
    book = book_of(after)
    results = tried(book, card.name)
    differs = Markup("{}{}").format(_diff(difference(before, after), key), _against_force(store, after, key))
    if failed := [result for result in results if not result.passed]:
        return _refused(failed, results, differs, saves=saves)
    if not saves:
        return Markup("<p>All {} of this rule hold.</p>{}{}").format(
            words.count(len(results), "case"), _untold(results), differs
        )
    reason = clean(str(given.get("reason", "")), "the reason for the change", NOTE, needed=True)
    saved, folder, why_not = _save(store, after, str(reason), given, book_of(before).hash)
    if why_not:
        told = '<p role="alert">Saved as version {}, but not written to {}: {}</p>'
        return Markup(told).format(saved.version_id, folder, why_not)
    return _saved(store, saved, folder, differs)


def _asked(store: Store, card: RuleCard, given: Mapping[str, Any], book: RuleBook) -> Change:
    """The change that the page asks for of a rule book. RuleError when it cannot be made."""
    wanted = asked(str(given.get("search", "")))
    limits = limits_asked(card, wanted.fleet, given)
    if not in_order(card, limits):
        raise RuleError("the limits are not in the order of their severity", cure="Move them apart.")
    where = str(given["where"]).strip() if given.get("where") is not None else wanted.where
    if wrong := faults_of(where):
        raise RuleError(f"the condition cannot be used: {wrong[0].problem}", cure=wrong[0].cure)
    known = store.held().landings.get_column("fleet").drop_nulls().unique().to_list()
    if wanted.fleet and wanted.fleet not in known:
        raise RuleError(f"no landing is of fleet '{wanted.fleet}'")
    if card.name not in book.rules:
        raise RuleError("there is no such rule in the version that this builds on", cure="Build on another one.")
    said = given.get("expect") or ()
    expect = {str(case): str(got) for case, got in said.items()} if isinstance(said, Mapping) else {}
    own = book.rules[card.name].limits_for(wanted.fleet or None)
    in_force = limits_now(card, wanted.fleet)
    moved = _moved(limits, in_force, own)
    if moved is not None and not in_order(card, moved):
        raise _out_of_order(card, str(given.get("base") or FORCE), limits, in_force, own)
    return Change(
        card.name,
        fleet=wanted.fleet or None,
        limits=moved,
        where=None if where is None or where == card.where else where,
        expect=expect,
    )


def _moved(draft: Limits, in_force: Limits, own: Limits) -> Limits | None:
    """The limits of what is built on, with those that the draft moved; None when it moved none."""
    if draft == in_force:
        return None
    return Limits(*(base if new == now else new for new, now, base in zip(draft, in_force, own, strict=True)))  # type: ignore[arg-type]


def _out_of_order(card: RuleCard, key: str, draft: Limits, in_force: Limits, own: Limits) -> RuleError:
    """That limits which the draft moved cannot stand with those of what is built on."""
    stay, come = (
        together(
            [
                f"{names.SEVERITY[level]} {limit_said(x, card.unit)}"
                for level, x, now in zip(LEVELS, some, in_force, strict=True)
                if x != now and (some is draft or getattr(draft, level) == now)
            ]
        )
        for some in (own, draft)
    )
    return RuleError(
        f"version {key} has {stay} for this rule, which is not in order with your {come}",
        cure="Move a limit, or build on the rule book in force.",
    )


def _refuse_known(store: Store, name: str) -> None:
    """PeopleError when a version of this name was saved before."""
    if analysis.book_in_force(store).version.casefold() == name.casefold():
        raise PeopleError("the rule book in force has this name", cure="Give yours another one.")
    for row in versions.saved(store).iter_rows(named=True):
        if row["version"].casefold() == name.casefold():
            raise PeopleError(f"version {called(row)}, has this name", cure="Give yours another one.")


def _save(
    store: Store, files: Mapping[str, str], reason: str, given: Mapping[str, Any], built_on: str
) -> tuple[SavedBook, Path, str]:
    """The version kept, its folder, and why it could not be written there. PeopleError when it is not kept."""
    if store.desk is None:
        raise PeopleError("there is no store of people's work", cure="Start the dashboard on an archive.")
    seen, token = str(given.get("seen", "")), str(given.get("token", ""))
    saved = store.desk.books().save(
        files,
        reason=reason,
        by=viewer(),
        token=token or None,
        built_on=built_on,
        seen=int(seen) if seen.isdecimal() else None,
    )
    try:
        return saved, versions.folder(store, str(saved.version_id)), ""
    except (PeopleError, OSError) as error:
        return saved, versions_folder(store) / f"{saved.version_id:06d}", str(error)


def _saved(store: Store, saved: SavedBook, folder: Path, differs: Markup) -> Markup:
    archive = analysis.archive_of(store).address
    return Markup(
        '<div role="status" data-saved><p><b>Saved as version {}.</b> It is not in force yet. To judge every '
        "landing by it, run</p>"
        '<pre class="tune-command">fdm detect --archive "{}" \\\n  --rules "{}"</pre>'
        '<p>or ask for it under <a href="/jobs" target="_self">Jobs</a>. '
        '<a href="/compare?a=force&amp;b={}">Compare it with the rule book in force</a></p></div>{}'
    ).format(saved.version_id, archive, folder, saved.version_id, differs)


def _untold(results: Sequence[CaseResult]) -> Markup:
    """That some cases do not say what the condition asks for, and how they were tried."""
    silent = [result for result in results if result.untold]
    if not silent:
        return Markup("")
    asked_for = list(dict.fromkeys(name for result in silent for name in result.untold))
    told = marks.joined(Markup("{}<code>{}</code>").format(", " if i else "", name) for i, name in enumerate(asked_for))
    return Markup(
        "<p>{} of {} {} nothing of {}. They were tried as landings on which the condition holds, and stay as they "
        "are.</p>"
    ).format(len(silent), words.count(len(results), "case"), "say" if len(silent) > 1 else "says", told)


def _refused(failed: Sequence[CaseResult], results: Sequence[CaseResult], differs: Markup, *, saves: bool) -> Markup:
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
        '<p role="alert"><b>{}{} of this rule no longer {}.</b> A case says what the rule '
        "is meant to find. Move the "
        "limit back, or tick the cases whose expectation you change with it, and save{}.</p>"
        '<table class="list-table small tune-cases"><thead><tr><th>Case</th><th>Expects</th>'
        "<th>Would be</th></tr></thead>"
        "<tbody>{}</tbody></table>{}{}"
    ).format(
        "Not saved: " if saves else "",
        words.count(len(failed), "case"),
        "hold" if len(failed) > 1 else "holds",
        " again" if saves else "",
        rows,
        _untold(results),
        differs,
    )


def _word(outcome: str) -> str:
    return names.SEVERITY.get(outcome, outcome.replace("_", " "))


def _against_force(store: Store, after: Mapping[str, str], key: str) -> Markup:
    """What differs from the rule book in force, when another one was built on."""
    if key == FORCE:
        return Markup("")
    lines = difference(files_of(analysis.book_in_force(store).folder), after)
    return _folded("Everything that differs from the rule book in force", lines, opened=False)


def _diff(lines: Sequence[str], key: str) -> Markup:
    on = "" if key == FORCE else f", on top of version {key}"
    return _folded(f"What changes in the files{on}", lines)


def _folded(title: str, lines: Sequence[str], *, opened: bool = True) -> Markup:
    """Lines as `diff -u` writes them: what goes, what comes, and what stands around."""
    kinds = {"-": "gone", "+": "new", "@": "at"}
    body = marks.joined(
        Markup('<span class="{}">{}\n</span>').format(
            "file" if line[:3] in ("---", "+++") else kinds.get(line[:1], ""), line
        )
        for line in lines
    )
    return Markup('<details{} class="tune-diff"><summary>{}</summary><pre>{}</pre></details>').format(
        Markup(" open") if opened else "", title, body
    )
