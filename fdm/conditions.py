"""The `where` of a rule while it is written: what is wrong with it, and at which place in the text.

A condition is read by Polars' SQL reader and worked out by its expressions; nothing of it is ever run as a program.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from dataclasses import dataclass

import polars as pl

from fdm.archive import Archive
from fdm.condition_words import Fault
from fdm.judge import condition_holds
from fdm.rule_file import UNUSABLE, Catalogue, where_faults, words_faults
from fdm.tuning import some_measured

LONGEST = 600


def faults(text: str, measures: Catalogue, barred: Collection[str] = ()) -> list[Fault]:
    """Everything wrong with a condition, in its order; none for an empty one, which judges every landing.

    barred    columns that whoever writes it may not name
    """
    if not text.strip():
        return []
    if len(text) > LONGEST:
        return [Fault(LONGEST, len(text), f"longer than {LONGEST} characters", "Shorten it.")]
    found = words_faults(text, measures, barred)
    return found or [_placed(text, fault) for fault in where_faults(text, measures, barred)]


def _placed(text: str, fault: Fault) -> Fault:
    """What the reader says of a condition that it cannot read, at the place that its words point to; else as it is."""
    problem, cure = fault.problem, fault.cure
    if not problem.startswith(UNUSABLE):
        return fault
    at = re.search(r"Line: (\d+), Column: (\d+)", problem)
    if at:
        lines = text.split("\n")
        start = sum(len(line) + 1 for line in lines[: int(at[1]) - 1]) + int(at[2]) - 1
        return Fault(min(start, len(text) - 1), len(text), _plain(problem), cure)
    quoted = re.search(r"(?:unexpected token|unsupported function|found) '([^']+)'", problem)
    if quoted and (start := text.lower().find(quoted[1].lower())) >= 0:
        return Fault(start, start + len(quoted[1]), _plain(problem), cure)
    if "unable to parse" in problem:
        end = len(text.rstrip())
        last = re.search(r"\S+\s*$", text)
        return Fault(last.start() if last else 0, end, "something is missing or too much here", cure)
    return Fault(0, len(text), _plain(problem), cure)


def _plain(problem: str) -> str:
    return re.sub(r"\s*at Line: \d+, Column: \d+", "", problem).removeprefix(UNUSABLE)


@dataclass(frozen=True)
class TakesIn:
    """How many landings a condition takes in: it holds on `holds`, not on `fails`; of `unknown` it cannot be told."""

    holds: int
    fails: int
    unknown: int


def takes_in(archive: Archive, where: str) -> TakesIn:
    """How many landings of an archive a condition without faults takes in. ArchiveError before detect."""
    results = archive.results_now()
    names = set(pl.sql_expr(where).meta.root_names())
    counts = [0, 0, 0]
    for part in results.parts:
        measured = some_measured(results, part, archive.layout(part).reversers, names)
        ((_, landings),) = results.frames("landings", [part])
        ids = pl.DataFrame({"landing_id": pl.Series(list(measured.landing_id), dtype=pl.String)})
        holds = condition_holds(where, measured, ids.join(landings, on="landing_id", maintain_order="left"))
        for i, wanted in enumerate((True, False, None)):
            counts[i] += _count(holds, wanted)
    return TakesIn(*counts)


def _count(holds: pl.Series, wanted: bool | None) -> int:
    return holds.null_count() if wanted is None else int((holds == wanted).sum())
