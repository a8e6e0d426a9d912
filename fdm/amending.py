"""A rule book's files with a rule's limits, condition or cases changed: comments, order and layout stay as they were.

Nothing is written here. The files that come out are saved as a new version; those in force are never edited.
"""

from __future__ import annotations

import difflib
import os
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import KeyType, SingleKey

from fdm.cases import CaseResult, run_case
from fdm.errors import RuleError, nearest
from fdm.rule import Limits
from fdm.rulebook import SETTINGS_FILE, RuleBook, load_rule_book

Files = Mapping[str, str]
BOUNDS = ("lowest", "highest")  # how sure the answer is that a case expects


@dataclass(frozen=True)
class Change:
    """What is to be changed of one rule.

    limits   of `fleet`, or of every fleet without limits of its own when `fleet` is None; None leaves them. Of a fleet
             only what differs from what holds for it is written: its other levels go on following the general ones
    where    the condition; "" takes it out, None leaves it
    expect   case -> what it is to expect from now on; where it says how sure that is, it says so of the new answer
    """

    rule: str
    fleet: str | None = None
    limits: Limits | None = None
    where: str | None = None
    expect: Mapping[str, str] = field(default_factory=dict)


def amended(files: Files, change: Change, version: str | None = None) -> dict[str, str]:
    """The files with a change made, and a new version in settings.toml when one is named.

    files    a rule book's TOML files by name
    raises   RuleError when there is no such rule or case, or a file cannot be read
    """
    name = f"{change.rule}.toml"
    if name not in files or name == SETTINGS_FILE:
        names = [file.removesuffix(".toml") for file in files if file != SETTINGS_FILE]
        raise RuleError(f"there is no rule '{change.rule}'", cure=nearest(change.rule, names))
    document = _parsed(name, files[name])
    if change.limits is not None:
        _set_limits(document, change)
    if change.where is not None:
        _set_where(document, change.where.strip())
    cases = _set_expectations(document, change)
    out = {**files, name: tomlkit.dumps(document)}
    if any(bound in case for case in cases for bound in BOUNDS):
        _set_bounds(cases, {result.case: result for result in tried(book_of(out), change.rule)})
        out[name] = tomlkit.dumps(document)
    if version is not None:
        out[SETTINGS_FILE] = _with_version(files.get(SETTINGS_FILE, ""), version)
    return out


def _parsed(name: str, text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text.removeprefix("\ufeff"))
    except TOMLKitError as error:
        raise RuleError(f"not valid TOML: {error}", source=name) from None


def _set_limits(document: tomlkit.TOMLDocument, change: Change) -> None:
    wanted = {level: x for level, x in (change.limits._asdict() if change.limits else {}).items() if x is not None}
    if change.fleet is None:
        _put(document["limits"], wanted)
        return
    moved = _that_differ(document, change.fleet, wanted)
    if not moved:
        return
    if "limits_by_fleet" not in document:
        document["limits_by_fleet"] = tomlkit.table(is_super_table=True)
    fleets: Any = document["limits_by_fleet"]
    if change.fleet not in fleets:
        fleets.add(SingleKey(change.fleet, t=KeyType.Basic), tomlkit.table())
    _put(fleets[change.fleet], moved)


def _that_differ(document: tomlkit.TOMLDocument, fleet: str, wanted: Mapping[str, float]) -> dict[str, float]:
    """The levels that do not hold for a fleet already, by its own table or by the general one."""
    by_fleet: Any = document.get("limits_by_fleet", {})
    general: Any = document["limits"]
    holds = {**general, **by_fleet.get(fleet, {})}
    return {level: x for level, x in wanted.items() if holds.get(level) != x}


def _put(table: Any, wanted: Mapping[str, Any]) -> None:
    """Sets what differs; what stays keeps its spelling and its comment."""
    for key, value in wanted.items():
        if key not in table or table[key] != value:
            table[key] = value


def _set_where(document: tomlkit.TOMLDocument, where: str) -> None:
    if where:
        _put(document, {"where": where})
    elif "where" in document:
        del document["where"]


def _set_expectations(document: tomlkit.TOMLDocument, change: Change) -> list[Any]:
    """The cases of which it was said what they are to expect."""
    cases: Any = document.get("case", [])
    names = [str(case.get("name", "")) for case in cases]
    for name, expect in change.expect.items():
        if name not in names:
            raise RuleError(f"there is no case '{name}'", source=f"{change.rule}.toml", cure=nearest(name, names))
        _put(cases[names.index(name)], {"expect": expect})
    return [cases[names.index(name)] for name in change.expect]


def _set_bounds(cases: list[Any], found: Mapping[str, CaseResult]) -> None:
    """Lets the cases say how sure the rule is of its answer, where they do; what is no event says nothing of it."""
    for case in cases:
        said = {bound: getattr(found[str(case["name"])], bound) for bound in BOUNDS if bound in case}
        _put(case, {bound: severity for bound, severity in said.items() if severity})
        for bound in [bound for bound, severity in said.items() if not severity]:
            del case[bound]


def _with_version(text: str, version: str) -> str:
    document = _parsed(SETTINGS_FILE, text)
    if "book" not in document:
        document["book"] = tomlkit.table()
    _put(document["book"], {"version": version})
    return tomlkit.dumps(document)


def book_of(files: Files) -> RuleBook:
    """The rule book in some files. RuleError with every problem, each by its file's own name."""
    with tempfile.TemporaryDirectory() as aside:
        folder = Path(aside) / "rule book"
        folder.mkdir()
        for name, text in files.items():
            if Path(name).name != name:
                raise RuleError("is not a rule's file name", source=repr(name))
            (folder / name).write_text(text, encoding="utf-8")
        try:
            return load_rule_book(folder)
        except RuleError as error:
            raise RuleError(str(error).replace(f"{folder}{os.sep}", "").replace(str(folder), "rule book")) from None


def tried(book: RuleBook, rule: str) -> list[CaseResult]:
    """What a rule says of each of its cases."""
    return [run_case(book, book.rules[rule], case) for case in book.rules[rule].cases]


def failing(book: RuleBook, rule: str) -> list[CaseResult]:
    """The cases of a rule that do not say what they expect."""
    return [result for result in tried(book, rule) if not result.passed]


def difference(before: Files, after: Files) -> list[str]:
    """What changed between two rule books' files, line by line, as `diff -u` writes it (POSIX.1-2017, diff)."""
    lines: list[str] = []
    for name in sorted({*before, *after}):
        old, new = (files.get(name, "").splitlines() for files in (before, after))
        lines += difflib.unified_diff(old, new, name if name in before else "/dev/null", name, lineterm="", n=2)
    return lines
