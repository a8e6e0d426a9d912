"""A rule book: a folder with one TOML file per rule and a settings.toml, read whole or refused whole.

The format is described in rules/README.md. A file's name is the rule's name; there is no list to edit.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

from fdm.errors import RuleError
from fdm.measures import CATALOGUE
from fdm.rule import Rule, digest
from fdm.rule_file import Catalogue, Problems, read_rule, read_toml
from fdm.settings import Settings

SETTINGS_FILE = "settings.toml"
RULE_NAME = re.compile(r"[a-z][a-z0-9_]*")

_RANGES = {
    "extended": (0.05, 1.0, "a fraction of full travel"),
    "taxi_speed_kt": (5.0, 60.0, "knots"),
    "reduce_speed_kt": (20.0, 120.0, "knots"),
    "idle_margin_pct": (0.5, 30.0, "percent N1"),
}


@dataclass(frozen=True)
class RuleBook:
    """The rules of one folder. Equal content, equal hash, however the files are laid out.

    hash             over everything the folder says: settings, rules with their texts, and cases
    settings_hash    over the settings alone: what the measured values depend on
    """

    folder: str
    name: str
    version: str
    settings: Settings
    rules: Mapping[str, Rule]
    hash: str
    settings_hash: str

    @property
    def label(self) -> str:
        """Name, version and the start of the hash, as events carry it."""
        return f"{self.name} {self.version} ({self.hash[:8]})"


def shipped_folder() -> Path:
    """Where the rule book that comes with the product lies: beside this package."""
    return Path(__file__).resolve().parent.parent / "rules"


def load_rule_book(folder: Path | str | None = None, measures: Catalogue | None = None) -> RuleBook:
    """The rule book in a folder (the shipped one when None).

    measures    what a rule may measure, by name, with unit and per_engine; all known measures when None
    raises      RuleError with every problem of every file
    """
    path = shipped_folder() if folder is None else Path(folder)
    catalogue: Catalogue = CATALOGUE if measures is None else measures
    files = _rule_files(path)
    problems = Problems(path / SETTINGS_FILE)
    name, version, settings = _read_settings(path, problems)
    found, constants = list(problems.found), asdict(settings)
    rules: dict[str, Rule] = {}
    for file in files:
        mine = Problems(file)
        if RULE_NAME.fullmatch(file.stem) is None:
            cure = "Use small letters, digits and underscores, such as late_spoilers.toml."
            mine.add("", f"'{file.stem}' cannot be a rule's name", cure)
        rule = read_rule(file, catalogue, mine)
        found += mine.found
        if rule is not None:
            rules[rule.name] = replace(rule, hash=digest([rule.deciding(), constants]))
    if found:
        raise _all_in_one(found, path)
    whole = {
        "name": name,
        "version": version,
        "settings": constants,
        "rules": [asdict(r) for r in rules.values()],
    }
    return RuleBook(str(path), name, version, settings, rules, digest(whole), digest(constants))


def _rule_files(folder: Path) -> list[Path]:
    if not folder.is_dir():
        raise RuleError("is not a folder", source=folder, cure="Name a folder that holds one TOML file per rule.")
    files = sorted(f for f in folder.glob("*.toml") if f.name != SETTINGS_FILE and not f.name.startswith("."))
    if not files:
        raise RuleError("holds no rule", source=folder, cure="A rule is a file such as late_spoilers.toml.")
    return files


def _all_in_one(found: list[RuleError], folder: Path) -> RuleError:
    if len(found) == 1:
        return found[0]
    return RuleError(f"{len(found)} problems\n" + "\n".join(f"  {problem}" for problem in found), source=folder)


def _read_settings(folder: Path, problems: Problems) -> tuple[str, str, Settings]:
    """Name, version and settings; a folder without settings.toml has the defaults and no version."""
    file = folder / SETTINGS_FILE
    content = (read_toml(file, problems) if file.exists() else None) or {}
    names = tuple(f.name for f in fields(Settings))
    problems.unknown_keys(content, ("book", *names))
    book = content.get("book", {})
    if not isinstance(book, dict):
        problems.add("book", "must be a table with name and version")
        book = {}
    problems.unknown_keys(book, ("name", "version"), "book.")
    for key in ("name", "version"):
        if not isinstance(book.get(key, ""), str):
            problems.add(f"book.{key}", "must be a text", 'Write it in quotes, such as "1.0".')
    values = {key: _setting(key, content[key], problems) for key in names if key in content}
    settings = Settings() if problems.found else Settings(**values)
    if settings.reduce_speed_kt <= settings.taxi_speed_kt:
        problems.add("reduce_speed_kt", f"{settings.reduce_speed_kt:g} is not above taxi_speed_kt")
    return str(book.get("name", folder.resolve().name)), str(book.get("version", "unversioned")), settings


def _setting(key: str, value: Any, problems: Problems) -> Any:
    if key in _RANGES:
        low, high, what = _RANGES[key]
        if _within(value, low, high):
            return float(value)
        problems.add(key, f"{value!r} cannot be used", f"Write {what} from {low:g} to {high:g}.")
    elif not isinstance(value, dict):
        problems.add(key, "must be a table", f'Write [{key}] and then "FLEET" = percent.')
    else:
        for fleet, percent in value.items():
            if not _within(percent, 5, 60):
                problems.add(f'{key}."{fleet}"', f"{percent!r} cannot be used", "Write percent N1 from 5 to 60.")
        return value
    return None


def _within(value: object, low: float, high: float) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high
