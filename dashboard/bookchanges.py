"""What the rule book changed between two saved versions: the limits that moved, who saved it, when and why."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from dashboard import names, words
from dashboard.query import LEVELS
from fdm.people.books import Books

SETTINGS = "settings"


@dataclass(frozen=True)
class BookChange:
    """The saved version that an archive was judged by, what it changed, and whether a newer one waits."""

    version: str
    version_id: int
    by: str
    at_utc: datetime
    reason: str
    changes: tuple[str, ...]
    before_id: int
    newer: int


def change_of(books: Books, book_hash: str) -> BookChange | None:
    """What the version in use changed; None when it was never saved, or is the first. Raises StoreError."""
    versions = books.versions()
    used = versions.filter(pl.col("hash") == book_hash).head(1)
    if used.is_empty():
        return None
    row = used.row(0, named=True)
    before = versions.filter(pl.col("version_id") < row["version_id"]).head(1)
    if before.is_empty():
        return None
    was, now = (books.version(number).files for number in (before.item(0, "version_id"), row["version_id"]))
    return BookChange(
        row["version"],
        row["version_id"],
        row["saved_by"],
        row["saved_utc"],
        row["reason"],
        tuple(differences(was, now)),
        before.item(0, "version_id"),
        versions.filter(pl.col("version_id") > row["version_id"]).height,
    )


def differences(was: Mapping[str, str], now: Mapping[str, str]) -> Iterator[str]:
    """What changed between the TOML files of two rule books, a clause for each."""
    old, new = ({name.removesuffix(".toml"): tomllib.loads(text) for name, text in of.items()} for of in (was, now))
    for name in sorted(old.keys() | new.keys()):
        title = (new.get(name) or old[name]).get("title", name)
        if name == SETTINGS:
            yield from _settings(old.get(name, {}), new.get(name, {}))
        elif name not in old:
            yield f"{title}: new rule"
        elif name not in new:
            yield f"{title}: taken out"
        else:
            yield from _rule(title, old[name], new[name])


def _settings(old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[str]:
    for key in sorted(old.keys() | new.keys()):
        if old.get(key) != new.get(key):
            yield f"setting {key.replace('_', ' ')} {_shown(old.get(key))} → {_shown(new.get(key))}"


def _rule(title: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> Iterator[str]:
    unit = new.get("unit", "")
    moved = list(_limits("", old.get("limits", {}), new.get("limits", {}), unit))
    fleets = (old.get("limits_by_fleet", {}), new.get("limits_by_fleet", {}))
    for fleet in sorted(fleets[0].keys() | fleets[1].keys()):
        moved += _limits(f"{fleet} ", fleets[0].get(fleet, {}), fleets[1].get(fleet, {}), unit)
    judged = ("measure", "direction", "where", "unit")
    if any(old.get(key) != new.get(key) for key in judged):
        moved.append("asks something else")
    if moved:
        yield f"{title}: {', '.join(moved)}"


def _limits(of: str, old: Mapping[str, Any], new: Mapping[str, Any], unit: str) -> Iterator[str]:
    for level in LEVELS:
        if old.get(level) != new.get(level):
            yield f"{of}{names.SEVERITY[level].lower()} {_limit(old.get(level), unit)} → {_limit(new.get(level), unit)}"


def _limit(value: float | None, unit: str) -> str:
    return "none" if value is None else words.quantity(float(value), unit)


def _shown(value: Any) -> str:
    return "none" if value is None else str(value)
