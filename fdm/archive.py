"""The archive: Parquet files in a folder or an object store, readable with plain Polars, never half-written.

    CURRENT.json                 which files table and which results are in force
    files-000012.parquet         every flight loaded or refused: source, hashes, part, landings
    parts/<part>/                landings of one recorder layout (partitions.py)
    results-000007.json          which measured and judged folders are in force (results.py)
    measured/, judged/           those folders
    costs/                       what events cost, where that was estimated (cost/archived.py)

Everything is written under a new name first; CURRENT.json is replaced last, in one move. Whatever it did not name
before a crash is not there after it. What was in force before stays until the next time, for those who are reading it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from fdm.errors import ArchiveError
from fdm.frames import Block, Layout
from fdm.locking import LOCK, WRITERS, Held, writing
from fdm.parameters import PARAMETERS
from fdm.partitions import PARTS, number_of, read_layout, read_part, write_part
from fdm.results import COSTED, HEALTH, JUDGED, MEASURED, SCHEMAS, Results, read_results, results_bytes
from fdm.schemas import COSTS, UTC, typed
from fdm.storage import FORMAT, Folder, Storage, read_parquet, storage_of, write_parquet
from fdm.upgrading import files_of_format_1, results_of_format_1

CURRENT = "CURRENT.json"
OUR_TABLES = re.compile(r"(files|results)-\d{6}.*|\..*\.part")  # what a user put here is not ours to remove
OUR_FOLDERS = re.compile(r"\d{6}-.*|\..*\.part")
OUR_COSTS = re.compile(r"[0-9a-f]+\.(json|parquet)|\..*\.part")

# A row for each flight, or for each part that its landings lie in.
FILES: dict[str, Any] = {
    "source": pl.String,
    "file": pl.String,
    "file_hash": pl.String,  # of the file, its map and its facts
    "stamp": pl.String,  # size and time of the file, as the file system had them
    "content_hash": pl.String,  # of the flight's columns
    "recording_hash": pl.String,  # of the flight's columns, its map and its facts
    "loaded_utc": UTC,
    "part": pl.String,
    "landing_ids": pl.List(pl.String),
    "refusal": pl.String,
    "duplicate_of": pl.String,  # source of the same flight
    "notes": pl.List(pl.String),
}


@dataclass(frozen=True)
class Trace:
    """One parameter of one landing, ready to draw: valid samples only.

    time_s  seconds after touchdown; kind "analogue", "discrete" or "state"
    """

    time_s: np.ndarray
    values: np.ndarray
    unit: str
    kind: str
    step_s: float
    lag_s: float


class Archive:
    """An archive as it was when it was opened. ArchiveError when it is missing, foreign or of a newer format."""

    def __init__(self, address: Path | str, *, create: bool = False):
        self.storage: Storage = storage_of(address)
        if create and not self.storage.exists(CURRENT):
            self._create()
        self._current = self._read_current()

    def _create(self) -> None:
        self._refuse_foreign()
        with writing(self.storage, "load", wait=True):  # who holds this before there is an archive is making it
            if not self.storage.exists(CURRENT):
                self._refuse_foreign()
                self._put_current({"format": FORMAT, "files": None, "results": None})

    def _refuse_foreign(self) -> None:
        if set(self.storage.names("")) - {LOCK, WRITERS}:
            cure = "Name an empty or new folder."
            raise ArchiveError("this folder holds other files and is not an archive", source=self.address, cure=cure)

    def _read_current(self) -> dict[str, Any]:
        try:
            current = json.loads(self.storage.read(CURRENT))
        except FileNotFoundError:
            cure = "Load recordings first: fdm load SOURCE --archive DIR."
            raise ArchiveError("no archive here", source=self.address, cure=cure) from None
        except (OSError, ValueError) as error:
            raise ArchiveError(f"{CURRENT} cannot be read ({error})", source=self.address) from None
        if current.get("format", 0) > FORMAT:
            problem = f"written by a newer version (format {current['format']})"
            raise ArchiveError(problem, source=self.address, cure="Update Rollout Watch.")
        return dict(current)

    @property
    def address(self) -> str:
        """Where the archive is."""
        return self.storage.address

    # writing -------------------------------------------------------------------------------------------------------

    @contextmanager
    def writing(self, what: str, *, wait: bool = False) -> Iterator[None]:
        """The only writer while the block lasts, with the archive as it is now. ArchiveError when it is not alone."""
        with writing(self.storage, what, wait=wait) as held:
            self._held: Held = held
            self._current = self._read_current()
            self.__dict__.pop("results", None)
            yield

    def replace(self, *, files: pl.DataFrame | None = None, results: Results | None = None, sweep: bool = True) -> None:
        """Put a new files table, new results, or both, in force in one move.

        sweep   remove what is no longer needed; not while parts are written that no table names yet
        """
        changes: dict[str, Any] = {"format": FORMAT}
        if files is not None:
            changes["files"] = _next("files", self._current["files"], ".parquet")
            write_parquet(self.storage, changes["files"], typed(files, FILES))
        if results is not None:
            changes["results"] = _next("results", self._current["results"], ".json")
            self.storage.write(changes["results"], results_bytes(results))
        self._held()
        before = {name: self._current.get(name) for name in ("files", "results")}
        self._put_current({**self._current, **changes, "before": before})
        self.__dict__.pop("results", None)
        if sweep:
            self.sweep()

    def _put_current(self, current: dict[str, Any]) -> None:
        self.storage.write(CURRENT, json.dumps(current, indent=1).encode())
        self._current = current

    def sweep(self) -> None:
        """Remove what neither the tables in force nor those before them name."""
        kept: set[str | None] = set()
        for table in (self._current, self._current.get("before") or {}):
            files, results = table.get("files"), table.get("results")
            kept |= {files, results}
            try:
                kept |= {f"{PARTS}/{part}" for part in _files_columns(self.storage, files, ["part"])["part"]}
                found = _results_of(self.storage, results)
            except (OSError, ArchiveError):
                return  # what cannot be read says nothing of what is needed
            kept |= {folder for of in found.parts.values() for folder in (of.measured, of.judged)} | {*found.costs}
        for folder, ours in (
            ("", OUR_TABLES),
            (PARTS, OUR_FOLDERS),
            (MEASURED, OUR_FOLDERS),
            (JUDGED, OUR_FOLDERS),
            (COSTED, OUR_COSTS),
        ):
            for name in self.storage.names(folder):
                key = f"{folder}/{name}".lstrip("/")
                if key not in kept and ours.fullmatch(name):
                    self.storage.remove(key)

    # what is loaded ------------------------------------------------------------------------------------------------

    def files(self, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """Every flight loaded or refused (FILES)."""
        return _files_columns(self.storage, self._current["files"], columns)

    def parts(self) -> list[str]:
        """Names of the parts in force, in order."""
        return sorted(self.files(["part"])["part"].drop_nulls().unique().to_list())

    def live(self) -> pl.DataFrame:
        """The landings in force of each part: `part`, `landing_ids`, in order."""
        loaded = self.files(["part", "landing_ids"]).filter(pl.col("part").is_not_null())
        return loaded.explode("landing_ids").group_by("part").agg("landing_ids").sort("part")

    def next_number(self) -> int:
        """A number that no part's name begins with yet."""
        return 1 + max((number_of(name) for name in self.storage.names(PARTS) if name[0].isdigit()), default=0)

    def write_part(self, block: Block) -> str:
        """Write a block as a new part and return its name; it counts once the files table names it."""
        return write_part(self.storage, f"{self.next_number():06d}", block)

    def layout(self, part: str) -> Layout:
        """A part's recorder layout."""
        return read_layout(self.storage, part)

    def read_part(self, part: str, parameters: Sequence[str] | None = None, live: set[str] | None = None) -> Block:
        """A part's landings as a block; only `parameters` when named, only `live` landings when given."""
        return read_part(self.storage, part, parameters, live)

    # what was detected ---------------------------------------------------------------------------------------------

    @cached_property
    def results(self) -> Results:
        """The results in force; without parts before detect."""
        return _results_of(self.storage, self._current["results"])

    @property
    def run(self) -> Mapping[str, Any]:
        """How the results came about: rule book, its folder and hash, settings, when. Empty before detect."""
        return self.results.run

    def results_now(self) -> Results:
        """The results in force. ArchiveError before detect."""
        if not self._current["results"]:
            raise ArchiveError("nothing was detected yet", source=self.address, cure="Run: fdm detect --archive DIR.")
        return self.results

    def landings(self) -> pl.DataFrame:
        """The landings table (schemas.LANDINGS)."""
        return self._table("landings")

    def events(self) -> pl.DataFrame:
        """The events table (schemas.EVENTS)."""
        return self._table("events")

    def outcomes(self, landing_id: str | None = None) -> pl.DataFrame:
        """The outcomes table (schemas.OUTCOMES), of one landing when named."""
        return self._table("outcomes", landing_id)

    def measures(self, landing_id: str | None = None) -> pl.DataFrame:
        """The measures table (schemas.MEASURES), of one landing when named."""
        return self._table("measures", landing_id)

    def measure_values(self, measure: str) -> pl.DataFrame:
        """One measure of every landing, without reading the others: `landing_id`, `value`; a row per engine it has."""
        return self.results_now().measure_values(measure)

    def instants(self, landing_id: str | None = None) -> pl.DataFrame:
        """The instants table (schemas.INSTANTS), of one landing when named."""
        return self._table("instants", landing_id)

    def costs(self, landing_id: str | None = None) -> pl.DataFrame:
        """What events cost (schemas.COSTS), of one landing when named; empty before it was estimated (fdm.cost)."""
        results = self.results_now()
        frames = [pl.DataFrame(schema=COSTS), *results.long("costs")]
        frame = pl.concat(frames)
        return frame if landing_id is None else frame.filter(pl.col("landing_id") == landing_id)

    def parameter_health(self) -> pl.DataFrame:
        """Of every landing and parameter: share of samples present around touchdown, whether it changes, faults."""
        frames = [frame for _, frame in self.results_now().frames("health")]
        return typed(pl.concat(frames), HEALTH) if frames else pl.DataFrame(schema=HEALTH)

    def scan(self, table: str) -> pl.LazyFrame:
        """One of results.TABLES, read part by part when it is collected."""
        return self.results_now().scan(table)

    def traces(self, landing_id: str) -> dict[str, Trace]:
        """Every recorded parameter of one landing; KeyError when the landing is not in the archive."""
        part = self._part_of(landing_id)
        block = self.read_part(part, live={landing_id})
        anchor = float(block.facts["anchor_s"][0])
        touchdown = self._touchdown_s(part, landing_id)
        shift = anchor - (anchor if touchdown is None else touchdown)
        steps = dict(block.layout.steps)
        return {name: _trace(name, block, steps[name], shift) for name in block.values}

    def _touchdown_s(self, part: str, landing_id: str) -> float | None:
        if part not in self.results.parts:
            return None
        for _, frame in self.results.frames("landings", [part], ["landing_id", "touchdown_s"]):
            found = frame.filter(pl.col("landing_id") == landing_id)["touchdown_s"]
            return float(found[0]) if len(found) and found[0] is not None else None
        return None

    def _part_of(self, landing_id: str) -> str:
        loaded = self.files(["part", "landing_ids"]).filter(pl.col("landing_ids").list.contains(landing_id))
        if not loaded.height:
            raise KeyError(landing_id)
        return str(loaded["part"][0])

    def _table(self, name: str, landing_id: str | None = None) -> pl.DataFrame:
        results, parts = self.results_now(), None
        if landing_id is not None:
            try:
                parts = [part for part in [self._part_of(landing_id)] if part in results.parts]
            except KeyError:
                parts = []
        frames = list(results.long(name, parts))
        frame = pl.concat(frames) if frames else pl.DataFrame(schema=SCHEMAS[name])
        return frame if landing_id is None else frame.filter(pl.col("landing_id") == landing_id)

    @property
    def path(self) -> Path:
        """The archive's folder. ArchiveError when it is in an object store."""
        if isinstance(self.storage, Folder):
            return self.storage.path
        raise ArchiveError("is no folder of this machine", source=self.address, cure="Name an archive that is one.")


def _files_columns(storage: Storage, name: str | None, columns: Sequence[str] | None) -> pl.DataFrame:
    wanted = list(FILES) if columns is None else list(columns)
    if name is None:
        return pl.DataFrame(schema={column: FILES[column] for column in wanted})
    frame = read_parquet(storage, name)
    return files_of_format_1(frame, FILES).select(wanted)


def _results_of(storage: Storage, name: str | None) -> Results:
    if name and not name.endswith(".json"):
        return results_of_format_1(storage, name)
    return read_results(storage, name)


def _next(kind: str, old: str | None, suffix: str) -> str:
    number = int(old.split("-")[1].split(".")[0]) + 1 if old else 1
    return f"{kind}-{number:06d}{suffix}"


def _trace(name: str, block: Block, step_s: float, shift: float) -> Trace:
    values, parameter = block.values[name][0], PARAMETERS[name]
    valid = values >= 0 if values.dtype == np.int8 else ~np.isnan(values)
    time_s = float(block.start_s[name][0]) + np.arange(len(values)) * step_s + shift
    return Trace(time_s[valid], values[valid], parameter.unit, parameter.kind, step_s, float(block.lag_s[name][0]))
