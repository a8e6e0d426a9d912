"""What can be wrong with a user's input.

FdmError
├── RecordingError    a recording file cannot be read, or holds nothing usable
├── MapError          a parameter map is wrong
├── FactsError        flights.csv or runways.csv is wrong
├── RuleError         a rule, a rule book or its settings are wrong
└── ArchiveError      an archive folder is missing, foreign or of a newer version

Each says where (file, then parameter or key), what is wrong, and what to do about it.
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


class FdmError(Exception):
    """Something the user gave cannot be used."""

    def __init__(self, problem: str, *, source: object = None, where: str | None = None, cure: str | None = None):
        super().__init__(problem)
        self.problem = problem
        self.source = None if source is None else str(source)
        self.where = where
        self.cure = cure

    def __str__(self) -> str:
        head = ": ".join(part for part in (self.source, self.where, self.problem) if part)
        return f"{head}. {self.cure}" if self.cure else head


class RecordingError(FdmError):
    """A recording cannot be read, or holds nothing usable."""


class MapError(FdmError):
    """A parameter map is wrong."""


class FactsError(FdmError):
    """flights.csv or runways.csv is wrong."""


class RuleError(FdmError):
    """A rule, a rule book or its settings are wrong."""


class ArchiveError(FdmError):
    """An archive is missing, foreign or written by a newer version."""


def nearest(name: str, valid: Iterable[str]) -> str:
    """A cure sentence naming the nearest valid name, or all of them when none is near."""
    names = sorted(valid)
    close = get_close_matches(name, names, n=1, cutoff=0.6)
    return f"Did you mean '{close[0]}'?" if close else f"Valid names: {', '.join(names)}."
