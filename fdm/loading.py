"""Loading: recordings into the archive, each flight once, whatever is wrong with the others."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from fdm.archive import FILES, Archive
from fdm.crew import AHEAD, Crew, crew_of
from fdm.frames import Frame, Layout, stack_frames
from fdm.ingest import FileJob, Flight, ReadFile, ReadJob, context_of, read_job, stamp_of
from fdm.partitions import PART_LANDINGS, write_part
from fdm.reading import SourceFile, checked_facts, list_sources

Progress = Callable[[int, int, str], None]  # files done, files in all, what is being read
Row = dict[str, Any]  # of FILES
FILES_AT_ONCE = 20_000  # of which the archive's rows are held in memory
JOB_FILES, JOB_BYTES = 32, 64 * 2**20  # read by one worker at a time
MOST_WAITING = 4 * PART_LANDINGS  # landings held in memory until a part of their layout is full
CHECKPOINT_LANDINGS = 20 * PART_LANDINGS  # after so many, what was loaded is put in force
TRUSTED_AFTER_S = 3.0  # a file changed within so long before it was loaded may have changed again unseen
REPORT: dict[str, Any] = {
    "source": pl.String,
    "action": pl.String,
    "landings": pl.Int64,
    "message": pl.String,
}


@dataclass(frozen=True)
class LoadReport:
    """What became of every flight.

    flights   frame: source, action (loaded, replaced, unchanged, duplicate, refused), landings, message
    """

    flights: pl.DataFrame

    def count(self, action: str) -> int:
        """Flights with an action."""
        return self.flights.filter(pl.col("action") == action).height

    @property
    def landings(self) -> int:
        """Landings put into the archive."""
        return int(self.flights.filter(pl.col("action").is_in(["loaded", "replaced"]))["landings"].sum())


def load(
    sources: Sequence[Path | str],
    archive: Path | str,
    *,
    map_file: Path | str | None = None,
    facts: Mapping[str, Any] | None = None,
    workers: int = 1,
    cluster: str | None = None,
    wait: bool = False,
    progress: Progress | None = None,
) -> LoadReport:
    """Load recording files and folders into an archive, which is made when it does not exist.

    A file already loaded with the same content, map and facts is left alone; a changed one replaces its landings;
    a refused one is reported and leaves what was stored of it before.

    facts     of every flight: schemas.FACTS values, or texts of them, that go before those of tables and files
    workers   processes on this machine; cluster, address of a Dask scheduler whose workers see the recordings too
    wait      wait for another writer instead of refusing
    raises    FdmError when nothing can be read at all, or another command is writing
    """
    files = list_sources(
        [Path(s) for s in sources], None if map_file is None else Path(map_file), checked_facts(facts or {})
    )
    store = Archive(archive, create=True)
    with store.writing("load", wait=wait), crew_of(workers, cluster) as crew:
        run = _Load(store, crew, progress, len(files))
        for start in range(0, len(files), FILES_AT_ONCE):
            run.load(files[start : start + FILES_AT_ONCE])
        run.load(run.orphans(files))
        run.finish()
    return LoadReport(pl.DataFrame(run.report, schema=REPORT))


@dataclass
class _File:
    """A file on its way: rows that take the place of others once no landing of it waits to be written."""

    path: str
    file_hash: str
    stamp: str | None
    before: list[Row]
    rows: list[Row] = field(default_factory=list)
    gone: list[str] = field(default_factory=list)  # sources
    hashes: dict[str, str] = field(default_factory=dict)  # content hash -> source of what was accepted
    waiting: int = 0

    def row(self, flight: Flight, **known: Any) -> Row:
        """A row of FILES for one of its flights."""
        blank = dict.fromkeys(FILES) | {"landing_ids": [], "notes": [], "loaded_utc": datetime.now(UTC)}
        mine = {"source": flight.source, "file": self.path, "file_hash": self.file_hash, "stamp": self.stamp}
        hashes = {"content_hash": flight.content_hash, "recording_hash": flight.recording_hash}
        return blank | mine | hashes | {"notes": list(flight.notes)} | known


@dataclass
class _Load:
    """One run: the table in force, what is new, and what waits to be written."""

    store: Archive
    crew: Crew
    progress: Progress | None
    total: int
    done: int = 0
    report: list[Row] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)  # of whole files, not yet in the table
    gone: list[tuple[str, str]] = field(default_factory=list)  # file and source
    sources: dict[str, str] = field(default_factory=dict)  # content hash -> source of what is not in the table yet
    waiting: dict[Layout, list[tuple[_File, Flight, Frame]]] = field(default_factory=dict)
    unsaved: int = 0  # landings written since the last checkpoint

    def __post_init__(self) -> None:
        self.number = self.store.next_number()
        self._hold(self.store.files())

    def _hold(self, table: pl.DataFrame) -> None:
        self.table = table
        self.known = np.sort(_numbers(table.filter(pl.col("part").is_not_null())["content_hash"]))

    def load(self, files: Sequence[SourceFile]) -> None:
        """Read files, and put what is new of them where it belongs."""
        before = _by_file(self.table, [str(f.path.resolve()) for f in files], self._stale_duplicates())
        handed: deque[list[_File]] = deque()
        for results in self.crew.map(read_job, self._jobs(files, before, handed)):
            for file, found in zip(handed.popleft(), results, strict=True):
                self._take(file, found)
            self._write(PART_LANDINGS)
            if self.unsaved >= CHECKPOINT_LANDINGS:
                self._save(sweep=False)

    def finish(self) -> None:
        """Write what still waits, and put everything in force."""
        self._write(1)
        self._save(sweep=True)
        self._tell(0, "")

    def orphans(self, files: Sequence[SourceFile]) -> list[SourceFile]:
        """Files with a flight that was passed over for the same flight elsewhere, which is no longer there."""
        self._write(1)
        self._save(sweep=False)
        stale = set(self.table.filter(pl.col("source").is_in(list(self._stale_duplicates())))["file"])
        return [file for file in files if str(file.path.resolve()) in stale]

    # before reading ------------------------------------------------------------------------------------------------

    def _jobs(
        self, files: Sequence[SourceFile], before: dict[str, list[Row]], handed: deque[list[_File]]
    ) -> Iterator[ReadJob]:
        """Jobs for the files that may have changed; the others are told of and passed over."""
        jobs: list[FileJob] = []
        of_job: list[_File] = []
        shared = max(1, min(JOB_FILES, len(files) // (AHEAD * self.crew.size)))  # nobody is left without work
        room, most = 0, shared if self.crew.size > 1 else 1
        for source_file in files:
            context = context_of(source_file)
            stamp, changed_s = stamp_of(source_file, context)
            path = str(source_file.path.resolve())
            file = _File(path, "", stamp, before.get(path, []))
            if stamp is not None and _as_it_was(file.before, stamp, changed_s):
                self._leave(file)
                continue
            size = int(stamp.partition("-")[0]) if stamp else 0
            if jobs and (len(jobs) == most or size > room):
                handed.append(of_job)
                yield ReadJob(tuple(jobs))
                jobs, of_job = [], []
            room = (room if jobs else JOB_BYTES) - size
            whole = bool(file.before) and all(row["refusal"] is None for row in file.before)
            known = {row["file_hash"] for row in file.before} if whole else set()
            kept = {row["source"]: row["recording_hash"] for row in file.before if row["part"] is not None}
            jobs.append(FileJob(source_file, context, known.pop() if len(known) == 1 else None, kept))
            of_job.append(file)
        if jobs:
            handed.append(of_job)
            yield ReadJob(tuple(jobs))

    def _stale_duplicates(self) -> set[str]:
        """Sources of flights that were passed over for the same flight elsewhere, which is no longer there."""
        passed_over = self.table.filter(pl.col("duplicate_of").is_not_null()).select(
            "source", "content_hash", "duplicate_of"
        )
        if not passed_over.height:
            return set()
        there = (
            self.table.filter(pl.col("duplicate_of").is_null()).select("content_hash", duplicate_of="source").unique()
        )
        return set(passed_over.join(there, on=["content_hash", "duplicate_of"], how="anti")["source"])

    # after reading -------------------------------------------------------------------------------------------------

    def _take(self, file: _File, found: ReadFile) -> None:
        if found.unchanged:
            self._leave(file, touched=True)
            return
        file.file_hash = found.file_hash
        of_before = {row["source"] for row in file.before}
        if any(flight.refusal is None for flight in found.flights):
            refused = {flight.source for flight in found.flights if flight.refusal is not None}
            file.gone = sorted(of_before - refused)
        twins = self._twins(file, found.flights)
        for flight in found.flights:
            if flight.refusal is not None:
                self._refuse(file, flight, kept=flight.source in of_before or (bool(of_before) and not file.gone))
            elif flight.kept:
                self._keep(file, flight)
            elif (twin := twins.get(flight.content_hash or "")) is not None:
                self._pass_over(file, flight, twin)
            else:
                self._accept(file, flight)
                twins[flight.content_hash or ""] = flight.source
        self._tell(1, Path(file.path).name)
        self._settle(file)

    def _twins(self, file: _File, flights: Sequence[Flight]) -> dict[str, str]:
        """Content hash -> source of the flights that are in the archive already, this file's own of before left out."""
        hashes = pl.Series([f.content_hash for f in flights if f.content_hash is not None], dtype=pl.String)
        new = {h: self.sources[h] for h in hashes if h in self.sources}
        if not np.isin(_numbers(hashes), self.known).any():
            return new
        same = pl.col("content_hash").is_in(hashes.implode()) & pl.col("part").is_not_null()
        there = _without(self.table.filter(same), [*self.gone, *((file.path, source) for source in file.gone)])
        return dict(there.select("content_hash", "source").iter_rows()) | new

    def _leave(self, file: _File, *, touched: bool = False) -> None:
        landings: dict[str, int] = {}
        for row in file.before:
            if row["duplicate_of"] is not None:
                self._say(row["source"], "duplicate", 0, _duplicate_of(row["duplicate_of"]))
            else:
                landings[row["source"]] = landings.get(row["source"], 0) + len(row["landing_ids"])
        for source, count in landings.items():
            self._say(source, "unchanged", count)
        if touched:
            file.gone = sorted({row["source"] for row in file.before})
            file.rows = [row | {"stamp": file.stamp, "loaded_utc": datetime.now(UTC)} for row in file.before]
            self._settle(file)
        self._tell(1, Path(file.path).name)

    def _refuse(self, file: _File, flight: Flight, *, kept: bool) -> None:
        told = f"{flight.refusal} What was loaded of it before is kept." if kept else flight.refusal
        self._say(flight.source, "refused", 0, told)
        if not kept:
            file.rows.append(file.row(flight, refusal=flight.refusal))

    def _keep(self, file: _File, flight: Flight) -> None:
        mine = [row for row in file.before if row["source"] == flight.source]
        now = {"file_hash": file.file_hash, "stamp": file.stamp, "loaded_utc": datetime.now(UTC)}
        file.rows += [row | now for row in mine]
        self._say(flight.source, "unchanged", sum(len(row["landing_ids"]) for row in mine))

    def _pass_over(self, file: _File, flight: Flight, twin: str) -> None:
        file.rows.append(file.row(flight, duplicate_of=twin))
        self._say(flight.source, "duplicate", 0, _duplicate_of(twin))

    def _accept(self, file: _File, flight: Flight) -> None:
        replaced = any(row["source"] == flight.source and row["part"] is not None for row in file.before)
        action = "replaced" if replaced else "loaded"
        self._say(flight.source, action, len(flight.frames), "; ".join(flight.notes) or None)
        file.hashes[flight.content_hash or ""] = self.sources[flight.content_hash or ""] = flight.source
        file.waiting += len(flight.frames)
        for frame in flight.frames:
            self.waiting.setdefault(frame.layout, []).append((file, flight, frame))

    def _say(self, source: str, action: str, landings: int, message: str | None = None) -> None:
        self.report.append({"source": source, "action": action, "landings": landings, "message": message})

    def _tell(self, files: int, name: str) -> None:
        self.done = min(self.done + files, self.total)
        if self.progress:
            self.progress(self.done, self.total, name)

    # writing -------------------------------------------------------------------------------------------------------

    def _write(self, at_least: int) -> None:
        """Write the layouts that have gathered enough landings; the fullest ones when too many wait in all."""
        for layout in [layout for layout, gathered in self.waiting.items() if len(gathered) >= at_least]:
            while len(self.waiting.get(layout, [])) >= at_least:
                self._write_part(layout)
        while sum(map(len, self.waiting.values())) > MOST_WAITING:
            self._write_part(max(self.waiting, key=lambda layout: len(self.waiting[layout])))

    def _write_part(self, layout: Layout) -> None:
        gathered = self.waiting[layout]
        now, self.waiting[layout] = gathered[:PART_LANDINGS], gathered[PART_LANDINGS:]
        if not self.waiting[layout]:
            del self.waiting[layout]
        block = stack_frames([frame for _, _, frame in now])
        part = write_part(self.store.storage, f"{self.number:06d}", block)
        self.number += 1
        self.unsaved += len(now)
        rows: dict[int, Row] = {}
        for file, flight, frame in now:
            if id(flight) not in rows:
                rows[id(flight)] = file.row(flight, part=part)
                file.rows.append(rows[id(flight)])
            rows[id(flight)]["landing_ids"].append(frame.facts["landing_id"])
            file.waiting -= 1
        for file in {id(file): file for file, _, _ in now}.values():
            self._settle(file)

    def _settle(self, file: _File) -> None:
        """A file of which nothing waits any more takes the place of what it was before."""
        if not file.waiting:
            self.rows += file.rows
            self.gone += [(file.path, source) for source in file.gone]
            file.rows, file.gone = [], []

    def _save(self, *, sweep: bool) -> None:
        """Put the files that are whole in force."""
        self.unsaved = 0
        if self.rows or self.gone:
            again = [(row["file"], row["source"]) for row in self.rows]  # refused before, and now again
            table = pl.concat([_without(self.table, [*self.gone, *again]), pl.DataFrame(self.rows, schema=FILES)])
            self.store.replace(files=table, sweep=False)
            self._hold(table)
            self.rows, self.gone = [], []
            unsaved = {id(file): file for gathered in self.waiting.values() for file, _, _ in gathered}.values()
            self.sources = {h: source for file in unsaved for h, source in file.hashes.items()}
        if sweep:
            self.store.sweep()


def _without(table: pl.DataFrame, gone: Sequence[tuple[str, str]]) -> pl.DataFrame:
    """A files table without the rows of some flights (file and source)."""
    keys = pl.DataFrame(gone, schema={"file": pl.String, "source": pl.String}, orient="row")
    return table.join(keys, on=["file", "source"], how="anti", maintain_order="left") if gone else table


def _numbers(hashes: pl.Series) -> np.ndarray:
    """The first 64 bits of hashes in hexadecimal."""
    return hashes.str.head(16).str.to_integer(base=16, dtype=pl.UInt64).to_numpy()


def _by_file(table: pl.DataFrame, paths: Sequence[str], stale: set[str]) -> dict[str, list[Row]]:
    """The rows of some files, without those of duplicates that are none any more."""
    mine = table.filter(pl.col("file").is_in(paths) & ~pl.col("source").is_in(list(stale)))
    rows: dict[str, list[Row]] = {}
    for row in mine.iter_rows(named=True):
        rows.setdefault(row["file"], []).append(row)
    return rows


def _as_it_was(before: Sequence[Row], stamp: str, changed_s: float) -> bool:
    """Whether a file can be passed over unread: same size, time, map and facts, and not loaded just after a change."""
    return bool(before) and all(
        row["stamp"] == stamp and row["refusal"] is None and row["loaded_utc"].timestamp() > changed_s + TRUSTED_AFTER_S
        for row in before
    )


def _duplicate_of(source: str) -> str:
    return f"the same flight as {source}, which is in the archive already"
