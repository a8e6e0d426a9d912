"""From files and folders to recordings: finds the files, their maps and facts, and reads one flight after another.

    for item in read([Path("week47")]):
        if isinstance(item, Refusal):
            print(item.error)

Nothing is raised for a bad file: it becomes a Refusal, and the others are read.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

from fdm.cells import TIME_COLUMNS
from fdm.errors import FactsError, FdmError, MapError, RecordingError, nearest
from fdm.flights import RUNWAY_FACTS, FlightRow, RunwayEnd, load_flights, load_runways, parse_facts, runway_facts
from fdm.parameter_map import ParameterMap, load_map
from fdm.readers import RawFlight, column_names, read_flights
from fdm.recording import Recording
from fdm.sampling import sample_flight
from fdm.schemas import FACTS

SUFFIXES = (".csv", ".tsv", ".txt", ".parquet", ".arrow", ".ipc", ".feather", ".mat")
FLIGHTS, RUNWAYS = "flights.csv", "runways.csv"


@dataclass(frozen=True)
class Refusal:
    """A flight, or a whole file, that was not read, and why."""

    source: str
    error: FdmError


@dataclass(frozen=True)
class SourceFile:
    """A recording file and what its folder says of it.

    path      as the user gave it, or below the folder that the user gave
    map_file  parameter map of every flight that `facts` names no other for; None when none is known
    facts     a row per flight: schemas.FACTS values, and `map` (path, with `map_hash`) where it is not `map_file`
    runways   the folder's runways.csv, for landings whose runway is not named
    given     schemas.FACTS values (or texts of them) that go before those of tables and files
    notes     on the folder's tables, one sentence each
    error     set when the folder's tables are wrong: the file cannot be read as long as they are
    """

    path: Path
    map_file: Path | None = None
    facts: tuple[Mapping[str, Any], ...] = ()
    runways: tuple[RunwayEnd, ...] = ()
    notes: tuple[str, ...] = ()
    given: Mapping[str, Any] = field(default_factory=dict)
    error: FdmError | None = None


def read(
    sources: Sequence[Path | str], map_file: Path | None = None, facts: Mapping[str, Any] | None = None
) -> Iterator[Recording | Refusal]:
    """Every flight of files and folders, in a fixed order.

    map_file  parameter map of the files that flights.csv names none for
    facts     schemas.FACTS values (or texts of them) that go before those of flights.csv and of the files
    """
    for source_file in list_sources(sources, map_file, facts):
        yield from read_source(source_file)


def _file_hash(path: Path | None) -> str:
    try:
        return hashlib.blake2b(path.read_bytes() if path else b"", digest_size=10).hexdigest()
    except OSError:
        return ""  # reading it will say why


# ── finding the files ────────────────────────────────────────────────────────────────────────────────────────


def list_sources(
    sources: Sequence[Path | str], map_file: Path | None = None, facts: Mapping[str, Any] | None = None
) -> list[SourceFile]:
    """The recording files among files and folders (with their subfolders), each once, in a fixed order.

    A folder's flights.csv and runways.csv serve the files that it lists and those beside and below it. A file of a
    folder that is not listed counts when it has a time column; a file that the user names always counts.
    """
    found: dict[Path, SourceFile] = {}
    for source in map(Path, sources):
        listed = _folder(source, map_file) if source.is_dir() else [_single(source, map_file)]
        for item in listed:
            found.setdefault(item.path.resolve(), replace(item, given=dict(facts or {})))
    return list(found.values())


@dataclass
class _Tables:
    """What flights.csv and runways.csv files say, by resolved recording path and by folder."""

    rows: dict[Path, list[FlightRow]] = field(default_factory=dict)
    paths: dict[Path, Path] = field(default_factory=dict)
    runways: tuple[RunwayEnd, ...] = ()
    notes: tuple[str, ...] = ()

    def add(self, folder: Path) -> None:
        """Take in a folder's tables. Raises FactsError."""
        if (folder / RUNWAYS).is_file():
            self.runways += load_runways(folder / RUNWAYS)
        if (folder / FLIGHTS).is_file():
            rows, notes = load_flights(folder / FLIGHTS)
            self.notes += notes
            for row in rows:
                path = (folder / row.file).resolve()
                self.paths.setdefault(path, folder / row.file)
                self.rows.setdefault(path, []).append(row)

    def source_file(self, path: Path, map_file: Path | None) -> SourceFile:
        rows = self.rows.get(path.resolve(), [])
        maps = {row.map_file for row in rows if row.map_file}
        shared = maps.pop() if len(maps) == 1 and all(row.map_file for row in rows) else map_file
        facts = tuple(_row_facts(row, shared, self.runways) for row in rows)
        return SourceFile(path, shared, facts, self.runways, self.notes)


def _row_facts(row: FlightRow, shared: Path | None, runways: Sequence[RunwayEnd]) -> dict[str, Any]:
    facts = dict(row.facts)
    arrival, runway = facts.get("arrival"), facts.get("runway")
    known = runway_facts(runways, arrival, runway)
    if known is None and arrival:
        at_airport = (end.elevation_ft for end in runways if end.airport == arrival.upper())
        elevation_ft = next((value for value in at_airport if value is not None), None)
        known = {} if elevation_ft is None else {"airport_elevation_ft": elevation_ft}
    own_map = {} if row.map_file in (None, shared) else {"map": str(row.map_file), "map_hash": _file_hash(row.map_file)}
    return {**(known or {}), **facts, **own_map}


def _folder(folder: Path, map_file: Path | None) -> list[SourceFile]:
    tables = _Tables()
    names: list[Path] = []
    for base, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        try:
            tables.add(Path(base))
        except FactsError as error:
            return [SourceFile(folder, error=error)]
        names += [Path(base) / name for name in sorted(files) if _may_be_recording(name)]
    unlisted = [p for p in names if p.resolve() not in tables.rows and _has_time(p)]
    paths = sorted([*tables.paths.values(), *unlisted], key=str)
    return [tables.source_file(path, map_file) for path in paths]


def _may_be_recording(name: str) -> bool:
    return name not in (FLIGHTS, RUNWAYS) and not name.startswith(".") and Path(name).suffix.lower() in SUFFIXES


def _has_time(path: Path) -> bool:
    """Whether a file could be a recording; a damaged one counts, so that it is refused and not passed over."""
    try:
        names = column_names(path)
    except FdmError:
        return True
    return names is None or any(name in names for name in TIME_COLUMNS)


def _single(path: Path, map_file: Path | None) -> SourceFile:
    """A file that the user names, with the tables of its folder."""
    tables = _Tables()
    try:
        tables.add(path.parent)
    except FactsError as error:
        return SourceFile(path, error=error)
    return tables.source_file(path, map_file)


# ── reading a file ───────────────────────────────────────────────────────────────────────────────────────────


def read_source(source_file: SourceFile) -> Iterator[Recording | Refusal]:
    """Every flight of one file, each as a Recording or as a Refusal that says what is wrong with it."""
    path = str(source_file.path)
    if source_file.error:
        yield Refusal(path, source_file.error)
        return
    try:
        given = _given(path, source_file.given)
        shared = _map(source_file.map_file)
        flights = read_flights(source_file.path, _text_columns(shared) if shared else ())
    except FdmError as error:
        yield Refusal(path, error)
        return
    named: set[str | None] = set()
    for raw in flights:
        if isinstance(raw, RecordingError):
            yield Refusal(raw.source or path, raw)
            named.add((raw.source or path).removeprefix(path).removeprefix("#") or None)
            continue
        named.add(raw.flight)
        try:
            yield _recording(raw, source_file, shared, given)
        except FdmError as error:
            yield Refusal(raw.source, _placed(error, raw.source))
    yield from _absent(source_file, named)


def checked_facts(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Facts given by hand, texts parsed. Raises FactsError for a name that is no fact, or a value that cannot be."""
    for name in facts:
        if name not in FACTS or name == "source_file":
            cure = nearest(name, [known for known in FACTS if known != "source_file"])
            raise FactsError(f"'{name}' is no fact of a flight", source="facts given", cure=cure)
    return _given("facts given", facts)


def _given(source: str, facts: Mapping[str, Any]) -> dict[str, Any]:
    texts = {name: value for name, value in facts.items() if isinstance(value, str)}
    parsed, problems = parse_facts(texts)
    if problems:
        raise FactsError("; ".join(problems), source=source)
    return {**{name: value for name, value in facts.items() if name not in texts and value is not None}, **parsed}


def _map(path: Path | str | None) -> ParameterMap | None:
    if path is None:
        return None
    try:
        state = os.stat(path)
    except OSError:
        return load_map(Path(path))  # raises with the reason
    return _map_as_of(str(path), state.st_mtime_ns, state.st_size)


@lru_cache(maxsize=64)
def _map_as_of(path: str, mtime_ns: int, size: int) -> ParameterMap:
    """Maps are read once for many files; a changed one is read again."""
    return load_map(Path(path))


def _text_columns(parameter_map: ParameterMap) -> Iterator[str]:
    """Columns in which the map expects text codes."""
    for entry in parameter_map.entries.values():
        if any(isinstance(code, str) for code in (*entry.true_when, *(entry.states or ()))):
            yield entry.column


def _placed(error: FdmError, source: str) -> FdmError:
    if error.source is None:
        error.source = source
    return error


def _recording(
    raw: RawFlight, source_file: SourceFile, shared: ParameterMap | None, given: Mapping[str, Any]
) -> Recording:
    row = _row_of(raw, source_file)
    parameter_map = _map(row.get("map")) or shared
    if parameter_map is None:
        cure = "Name one in the map column of flights.csv, or with --map."
        raise MapError("no parameter map is known for it", source=raw.source, cure=cure)
    samples, notes = sample_flight(raw, parameter_map)
    stated, wrong = parse_facts(raw.metadata)
    facts = {
        **({"fleet": parameter_map.fleet} if parameter_map.fleet else {}),
        **stated,
        **({"flight": raw.flight} if raw.flight is not None else {}),
        **{name: value for name, value in row.items() if name not in ("map", "map_hash")},
        **given,
        "source_file": raw.source,
    }
    out = {*facts.get("reversers_out", ()), *parameter_map.reversers_out}
    if out:
        facts["reversers_out"] = sorted(out)
    facts = _on_runway(facts, given, source_file.runways)
    _place_start(facts, raw)
    return Recording(
        source=raw.source,
        content_hash=raw.content_hash,
        recorder=parameter_map.name,
        engines=parameter_map.engines,
        reversers=parameter_map.reversers,
        samples=samples,
        facts=facts,
        notes=(*raw.notes, *(f"Metadata of the file: {line}." for line in wrong), *notes),
    )


def _row_of(raw: RawFlight, source_file: SourceFile) -> Mapping[str, Any]:
    """The row of flights.csv for a flight; empty when there is none."""
    rows = source_file.facts
    if raw.flight is None:
        if len(rows) > 1:
            cure = "A table of several flights needs a flight column."
            raise FactsError(f"{FLIGHTS} lists {len(rows)} flights in it", source=raw.source, cure=cure)
        return rows[0] if rows else {}
    named = [row for row in rows if row.get("flight") == raw.flight]
    whole = [row for row in rows if "flight" not in row]
    return next(iter(named or whole), {})


def _absent(source_file: SourceFile, named: set[str | None]) -> Iterator[Refusal]:
    """Flights that flights.csv lists and the table does not have."""
    if None in named or not named:
        return
    for row in source_file.facts:
        flight = row.get("flight")
        if flight is not None and flight not in named:
            source = f"{source_file.path}#{flight}"
            cure = f"Correct the flight column of {FLIGHTS}."
            yield Refusal(source, RecordingError("no such flight in the table", source=source, cure=cure))


def _on_runway(facts: dict[str, Any], given: Mapping[str, Any], runways: Sequence[RunwayEnd]) -> dict[str, Any]:
    """The facts with those of the runway that they name; one given by hand makes what was said of another void."""
    named = {"arrival", "runway"}
    if given.keys() & named:
        void = RUNWAY_FACTS.keys() - named - given.keys()
        facts = {name: value for name, value in facts.items() if name not in void}
    return {**(runway_facts(runways, facts.get("arrival"), facts.get("runway")) or {}), **facts}


def _place_start(facts: dict[str, Any], raw: RawFlight) -> None:
    """Make start_utc the UTC at which the recording's clock reads 0, so that UTC = start_utc + time.

    flights.csv and metadata give the UTC of the first stamp, whatever the clock reads then.
    """
    if raw.start_utc is not None:
        facts["start_utc"] = raw.start_utc
    elif "start_utc" in facts:
        facts["start_utc"] -= timedelta(seconds=raw.first_s)
