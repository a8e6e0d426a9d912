"""Which parameters a measure needs, and which of them a recording lacks."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from fdm.measures import CATALOGUE
from fdm.rulebook import RuleBook


def lacking(measure: str, recorded: Collection[str], reversers: Sequence[int]) -> list[str]:
    """What a measure needs and does not find: "spoiler_panel or spoiler_handle", "n1.2"; empty when it can be had.

    recorded    canonical parameters that are in the recording
    reversers   numbers of the engines that have one
    """
    missing = []
    for need in CATALOGUE[measure].needs:
        either = need.split("|")
        engines = reversers if any(name.endswith(".N") for name in either) else (0,)
        for engine in engines:
            names = [name.replace(".N", f".{engine}") for name in either]
            if not any(name in recorded for name in names):
                missing.append(" or ".join(names))
    return missing


def not_assessable(book: RuleBook, recorded: Collection[str], reversers: Sequence[int]) -> dict[str, list[str]]:
    """Rules that a recording can never be judged by -> what they lack."""
    lacks = {name: lacking(rule.measure, recorded, reversers) for name, rule in book.rules.items()}
    return {name: missing for name, missing in lacks.items() if missing}
