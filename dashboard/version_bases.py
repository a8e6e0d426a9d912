"""What a new version of the rule book builds on: the one in force, the newest one saved that is not in force, or the
one that was chosen before another was saved."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from dashboard import analysis, marks, names, versions, words
from dashboard.rule_card import RuleCard
from dashboard.store import Store
from fdm.amending import book_of
from fdm.errors import FdmError, RuleError
from fdm.people.books import files_of
from fdm.people.errors import PeopleError
from fdm.rule import LEVELS, Rule

IN_FORCE = "The rule book in force"


@dataclass(frozen=True)
class Bases:
    """What can be built on, and what the page knew when it offered it.

    waiting   row of books.VERSIONS: the newest saved version that is not in force and not part of what is; None
    kept      row of the version that the reader chose before, when the newest was not made from it; else None
    chosen    key of the one to begin with (versions.FORCE, or a version's number)
    newest    row of the version saved last, None when there is none
    force     hash of the rule book in force
    """

    waiting: Mapping[str, Any] | None
    kept: Mapping[str, Any] | None
    chosen: str
    newest: Mapping[str, Any] | None
    force: str

    @property
    def number(self) -> int:
        """Number of the version saved last, 0 when there is none."""
        return int(self.newest["version_id"]) if self.newest else 0

    @property
    def saved(self) -> dict[str, Mapping[str, Any]]:
        """The saved versions that can be built on, by their keys, the newest first."""
        return {str(row["version_id"]): row for row in (self.waiting, self.kept) if row}

    def title(self, key: str) -> str:
        """What is built on, in words."""
        return f"Version {called(self.saved[key])}, not in force" if key in self.saved else IN_FORCE


def called(row: Mapping[str, Any]) -> str:
    """4, winter 2026, saved by ana on 24 Nov 2026, 13:05 UTC"""
    return f"{row['version_id']}, {row['version']}, saved by {row['saved_by']} on {versions.when(row['saved_utc'])}"


def bases_of(store: Store, before: str = versions.FORCE) -> Bases:
    """What a new version can build on now. The newest is chosen when it was made from the one chosen `before`, else
    that one."""
    force = str(store.whole().run.get("rule_book_hash"))
    try:
        rows = versions.saved(store).to_dicts()
        built_on = store.desk.books().built_on() if store.desk else {}
    except PeopleError:
        return Bases(None, None, versions.FORCE, None, force)
    part_of_force = _line(force, built_on)
    waiting = next((row for row in rows if row["hash"] not in part_of_force), None)
    earlier = next((r for r in rows if str(r["version_id"]) == before and r["hash"] not in part_of_force), None)
    on_it = waiting is not None and (earlier["hash"] if earlier else force) in _line(waiting["hash"], built_on)
    chosen, kept = (waiting, None) if on_it else (earlier, earlier)
    key = str(chosen["version_id"]) if chosen else versions.FORCE
    return Bases(waiting, kept, key, rows[0] if rows else None, force)


def _line(book: str, built_on: Mapping[str, str]) -> list[str]:
    """A rule book and those it was made from, by their hashes."""
    line = [book]
    while (before := built_on.get(line[-1])) and before not in line:
        line.append(before)
    return line


def files_behind(store: Store, bases: Bases, key: str) -> dict[str, str]:
    """The files that a new version changes. RuleError when they cannot be chosen."""
    if key == versions.FORCE:
        return files_of(analysis.book_in_force(store).folder)
    if key not in bases.saved or store.desk is None:
        raise RuleError("there is no such version to build on", cure="Choose one of those offered.")
    return dict(store.desk.books().version(int(key)).files)


def otherwise(store: Store, bases: Bases, card: RuleCard) -> Markup:
    """What the version that can be built on says of a rule other than the one in force, by which the page counts."""
    if bases.waiting is None:
        return Markup("")
    key = str(bases.waiting["version_id"])
    try:
        rule = book_of(files_behind(store, bases, key)).rules.get(card.name)
    except (FdmError, PeopleError, OSError):  # asking to save says why
        return Markup("")
    said = [f"Version {key} does not have this rule."] if rule is None else _differences(rule, card, key)
    return marks.joined(Markup("<p>{}</p>").format(sentence) for sentence in said)


def _differences(rule: Rule, card: RuleCard, key: str) -> list[str]:
    """Limits, by fleet where they are, and condition, in sentences; none where both are the same."""
    said = []
    for fleet in (None, *sorted({*rule.limits_by_fleet, *card.limits_by_fleet})):
        here, there = card.limits_for(fleet), rule.limits_for(fleet)._asdict()
        levels = [level for level in LEVELS if here.get(level) != there[level]]
        theirs = together([f"{names.SEVERITY[level]} {limit_said(there[level], card.unit)}" for level in levels])
        ours = together([limit_said(here.get(level), card.unit) for level in levels])
        of = f" on {fleet}" if fleet else ""
        if levels:
            said.append(f"Version {key} has {theirs} for this rule{of}; the numbers here are with {ours}.")
    if (rule.where or "") != card.where:
        has = f"the condition {rule.where}" if rule.where else "no condition"
        ours = f"with {card.where}" if card.where else "without one"
        said.append(f"Version {key} has {has} for this rule; the numbers here are {ours}.")
    return [*said, f"What you do not change is saved as it is in version {key}."] if said else []


def together(parts: Sequence[str]) -> str:
    """Low 2 s, Medium 3 s and High 5 s"""
    return " and ".join(part for part in (", ".join(parts[:-1]), *parts[-1:]) if part)


def limit_said(limit: float | None, unit: str) -> str:
    """A limit as the page shows it, with every digit that it was given."""
    if limit is None:
        return "none"
    usual, exact = words.number(limit, unit), limit * 100 if unit == "fraction" else limit
    same = math.isclose(float(usual.replace(",", "").replace("−", "-")), exact, abs_tol=1e-9)
    return (usual if same else f"{round(exact, 9):,}".replace("-", "−")) + words.sign(unit)


def choice(bases: Bases, others: Markup = Markup("")) -> Markup:  # noqa: B008
    """The choice, and what the page knows, for the form.

    others   what the version that can be built on says otherwise (`otherwise`)
    """
    known = Markup('<input type="hidden" name="seen" value="{}"><input type="hidden" name="force" value="{}">').format(
        bases.number, bases.force
    )
    if bases.waiting is None:
        only = '<p class="soft">Builds on the rule book in force.<input type="hidden" name="base" value="{}"></p>{}'
        return Markup(only).format(versions.FORCE, known)
    keys = (*bases.saved, versions.FORCE)
    one = '<label><input type="radio" name="base" value="{}"{}> <span>{}</span></label>'
    first, *rest = (
        Markup(one).format(key, Markup(" checked") if key == bases.chosen else "", bases.title(key)) for key in keys
    )
    offered = marks.joined([first, others, *rest])
    return Markup("<fieldset><legend>Builds on</legend>{}</fieldset>{}").format(offered, known)
