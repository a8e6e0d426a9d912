"""The `where` of a rule while it is written: what is wrong with it, and at which place in the text.

A condition is read by Polars' SQL reader and worked out by its expressions; nothing of it is ever run as a program.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import polars as pl

from fdm.archive import Archive
from fdm.errors import nearest
from fdm.judge import condition_holds
from fdm.rule_file import Catalogue, Problems, check_where, where_columns
from fdm.tuning import some_measured

LONGEST = 600
_TOKEN = re.compile(r"'(?:[^']|'')*'|\"[^\"]*\"|[A-Za-z_][A-Za-z0-9_]*|\d+(?:\.\d+)?|[()]|'|\"|;|--|\S")
_WORDS = frozenset(
    ("and", "or", "not", "is", "null", "in", "between", "like", "ilike", "true", "false", "case", "when", "then")
) | {"else", "end", "cast", "as"}
_BARRED = frozenset(("select", "from", "with", "union", "insert", "update", "delete", "drop", "create", "alter"))


@dataclass(frozen=True)
class Fault:
    """What is wrong with a condition: from character `start` up to `end`, in a sentence, with what to do."""

    start: int
    end: int
    problem: str
    cure: str = ""


def faults(text: str, measures: Catalogue, barred: Collection[str] = ()) -> list[Fault]:
    """Everything wrong with a condition, in its order; none for an empty one, which judges every landing.

    barred    columns that whoever writes it may not name
    """
    if not text.strip():
        return []
    if len(text) > LONGEST:
        return [Fault(LONGEST, len(text), f"longer than {LONGEST} characters", "Shorten it.")]
    found = list(_by_eye(text, where_columns(measures), barred))
    if found:
        return found
    problems = Problems("where")
    check_where(text, measures, problems)
    return [_placed(text, str(problem.problem), problem.cure or "") for problem in problems.found]


def _by_eye(text: str, columns: Mapping[str, Any], barred: Collection[str]) -> Iterator[Fault]:
    """What shows in the words alone: brackets and quotes left open, names that there are not, what is no condition."""
    open_: list[int] = []
    tokens = list(_TOKEN.finditer(text))
    for i, token in enumerate(tokens):
        word, (start, end) = token.group(), token.span()
        follows = tokens[i + 1].group() if i + 1 < len(tokens) else ""
        if word in ("'", '"'):
            yield Fault(start, len(text), "a quotation mark is not closed", f"Add {word} where the text ends.")
            return
        if word == "(":
            open_.append(start)
        elif word == ")":
            if not open_:
                yield Fault(start, end, "closes a bracket that was not opened", "Take it out, or open one before.")
                return
            open_.pop()
        elif word in (";", "--") or word.lower() in _BARRED:
            yield Fault(start, end, f"'{word}' has no place in a condition", "Write one condition, as bounces > 0.")
            return
        else:
            yield from _name(token, follows, columns, barred)
    for start in open_:
        yield Fault(start, start + 1, "this bracket is not closed", "Add ) where it ends.")


def _name(token: re.Match[str], follows: str, columns: Mapping[str, Any], barred: Collection[str]) -> Iterator[Fault]:
    word, quoted = token.group(), token.group()[0] == '"'
    plain = word.strip('"')
    if plain in barred:
        yield Fault(*token.span(), f"'{plain}' would tell whose landing it is", "Ask the safety officer to try this.")
    named = quoted or re.fullmatch(r"[A-Za-z_][A-Za-z0-9_]*", word) is not None
    if not named or follows == "(" or plain in columns or (not quoted and word.lower() in _WORDS):
        return
    if "_" in plain or quoted or plain.islower():
        what = f"there is no landing column or single-valued measure '{plain}'"
        yield Fault(*token.span(), what, nearest(plain, {name: 0 for name in columns if name not in barred}))


def _placed(text: str, problem: str, cure: str) -> Fault:
    """A problem that the reader found, at the place that its words point to; else at the whole condition."""
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
    return re.sub(r"\s*at Line: \d+, Column: \d+", "", problem).replace("cannot be used: ", "")


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
