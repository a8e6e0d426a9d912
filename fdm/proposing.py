"""A starting map from a new file's columns: names, units, ranges and what changes around touchdown; for a person to
confirm.

A column is proposed by its name alone or by name and behaviour; behaviour alone proposes nothing. What cannot be told
from the file (kilograms or pounds, the codes of a reverser that never moved) is of low confidence, and is written as a
comment. Thresholds are common practice, no source.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path

import polars as pl

from fdm.column_names import Meant, meant_by
from fdm.column_values import Seen, seen_of
from fdm.errors import RecordingError
from fdm.needs import not_assessable
from fdm.parameters import PARAMETERS
from fdm.readers import RawFlight, read_flights
from fdm.rulebook import RuleBook
from fdm.value_meanings import Reading, read_as

FLIGHTS = 6  # of a file with many, so many are looked at
HIGH, MEDIUM, LOW = "high", "medium", "low"


@dataclass(frozen=True)
class Proposal:
    """One column as a canonical parameter.

    keys        what its table in the map holds besides the column: unit, full_travel, true_when, states
    confidence  high: name and behaviour agree; medium: the name, and nothing against it; low: not to be used unchecked
    why         in words
    """

    column: str
    parameter: str
    keys: Mapping[str, object]
    confidence: str
    why: str


@dataclass(frozen=True)
class ProposedMap:
    """source, engines, reversers; proposals in the order of canonical parameters; columns that mean nothing known."""

    source: str
    engines: int
    reversers: tuple[int, ...]
    proposals: tuple[Proposal, ...]
    unmatched: tuple[str, ...]

    @property
    def used(self) -> list[Proposal]:
        """Those that the map holds, not as comments."""
        return [p for p in self.proposals if p.confidence != LOW]

    def lacking(self, book: RuleBook) -> dict[str, list[str]]:
        """Rules that could not be assessed with what is used, and what they lack."""
        return not_assessable(book, [p.parameter for p in self.used], self.reversers)

    def toml(self) -> str:
        """The map as a file's text; what is of low confidence stands there as comments."""
        name = json.dumps(f"{Path(self.source).stem}, proposed", ensure_ascii=False)
        lines = [
            "# A proposal from the columns of a recording. Confirm every line before relying on it.",
            "[map]",
            f"name = {name}",
            f"engines = {self.engines}",
            f"reversers = {list(self.reversers)}",
        ]
        for one in self.proposals:
            table = [f'[parameter."{one.parameter}"]', f"column = {json.dumps(one.column, ensure_ascii=False)}"]
            table += [f"{key} = {_toml(value)}" for key, value in one.keys.items()]
            mark = "# " if one.confidence == LOW else ""
            lines += ["", f"# {one.confidence} confidence: {one.why}", *(mark + line for line in table)]
        if self.unmatched:
            lines += ["", "# Columns that were not recognised:"]
            lines += [f"#   {json.dumps(column, ensure_ascii=False)[1:-1]}" for column in self.unmatched]
        return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{json.dumps(k)} = {json.dumps(v)}" for k, v in value.items()) + " }"
    return json.dumps(value, ensure_ascii=False)


def propose(recording_file: Path) -> ProposedMap:
    """A map proposed for a recording file. Raises RecordingError when it cannot be read."""
    flights = list(islice(_readable(read_flights(recording_file)), FLIGHTS))
    columns = list(dict.fromkeys(name for flight in flights for name in flight.columns))
    meant = {column: found for column in columns if (found := meant_by(column))}
    seen = seen_of(flights, meant)
    proposals = _without_rivals(
        [_proposal(column, found, seen[column], meant, seen) for column, found in meant.items()]
    )
    order = {name: number for number, name in enumerate(PARAMETERS)}
    proposals.sort(key=lambda p: order[p.parameter])
    engines = max([int(p.parameter[-1]) for p in proposals if p.parameter[-1].isdigit()], default=2)
    reversers = sorted({int(p.parameter[-1]) for p in proposals if p.parameter.startswith(_TELLS_REVERSER)})
    known = {p.column for p in proposals}
    unmatched = tuple(column for column in columns if column not in known)
    return ProposedMap(str(recording_file), engines, tuple(reversers), tuple(proposals), unmatched)


_TELLS_REVERSER = ("reverser_", "reverse_lever")


def _readable(flights: Iterable[RawFlight | RecordingError]) -> Iterable[RawFlight]:
    for flight in flights:
        if isinstance(flight, RecordingError):
            raise flight
        yield flight


def _proposal(
    column: str, meant: Meant, seen: Seen, all_meant: Mapping[str, Meant], all_seen: Mapping[str, Seen]
) -> Proposal:
    """A column as its name suggests, with what its values say of that."""
    reading = read_as(meant, seen, {m.name: all_seen[c] for c, m in all_meant.items() if c != column})
    confidence = _confidence(meant, reading)
    partly = [] if meant.exact else ["only a part of the name is understood"]
    return Proposal(column, meant.name, reading.keys, confidence, "; ".join([*partly, *reading.why]))


def _confidence(meant: Meant, reading: Reading) -> str:
    if reading.against or not reading.keys_known:
        return LOW
    if meant.exact:
        return HIGH if reading.confirmed else MEDIUM
    return MEDIUM if reading.confirmed else LOW


def _without_rivals(proposals: Sequence[Proposal]) -> list[Proposal]:
    """Of columns that read as the same parameter only the surest, the first of equals, is not a comment."""
    rank = {HIGH: 0, MEDIUM: 1, LOW: 2}
    best: dict[str, Proposal] = {}
    kept = []
    for one in sorted(proposals, key=lambda p: rank[p.confidence]):
        rival = best.setdefault(one.parameter, one)
        if rival is not one:
            continue
        kept.append(one)
    sides = {p.parameter for p in kept if p.confidence != LOW}
    return [_beside_sides(one, sides) for one in kept]


def _beside_sides(one: Proposal, sides: set[str]) -> Proposal:
    """A state beside separate discretes of the same reverser would say the same thing twice: it stays a comment."""
    family, _, engine = one.parameter.partition(".")
    flags = {f"reverser_deployed.{engine}", f"reverser_unlocked.{engine}"} & sides
    if family != "reverser_state" or not flags:
        return one
    return replace(one, confidence=LOW, why=f"{one.why}; {' and '.join(sorted(flags))} stand beside it")


def table(proposed: ProposedMap) -> pl.DataFrame:
    """The proposals as a frame: column, parameter, read_as, confidence, why."""
    return pl.DataFrame(
        [
            {
                "column": p.column,
                "parameter": p.parameter,
                "read_as": ", ".join(f"{key} {_toml(value)}" for key, value in p.keys.items()),
                "confidence": p.confidence,
                "why": p.why,
            }
            for p in proposed.proposals
        ],
        schema=dict.fromkeys(("column", "parameter", "read_as", "confidence", "why"), pl.String),
    )


__all__ = ["Proposal", "ProposedMap", "propose", "table"]
