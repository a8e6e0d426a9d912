"""Loading: recordings into the archive, each flight once, whatever is wrong with the others."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from fdm.archive import FILES, Archive
from fdm.errors import FdmError
from fdm.finding import frames_of
from fdm.frames import Frame, Layout, stack_frames
from fdm.placing import placed
from fdm.reading import Refusal, SourceFile, list_sources, read_source
from fdm.recording import Recording

PART_LANDINGS = 1000
Progress = Callable[[int, int, str], None]  # files done, files in all, what is being read


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


REPORT: dict[str, Any] = {"source": pl.String, "action": pl.String, "landings": pl.Int64, "message": pl.String}


@dataclass
class _Load:
    """One run of loading: what the archive holds, what is new, what waits to be written."""

    archive: Archive
    rows: dict[str, dict[str, Any]]  # source -> files row
    report: list[dict[str, Any]] = field(default_factory=list)
    waiting: dict[Layout, list[tuple[str, Frame]]] = field(default_factory=dict)

    def say(self, source: str, action: str, landings: int = 0, message: str | None = None) -> None:
        self.report.append({"source": source, "action": action, "landings": landings, "message": message})


def load(
    sources: Sequence[Path | str],
    archive: Path | str,
    *,
    map_file: Path | str | None = None,
    progress: Progress | None = None,
) -> LoadReport:
    """Load recording files and folders into an archive, which is made when it does not exist.

    A file already loaded with the same content, map and facts is left alone; a changed one replaces its landings;
    a refused one is reported and leaves what was stored of it before. Raises FdmError when nothing can be read at all.
    """
    store = Archive(archive, create=True)
    files = list_sources([Path(s) for s in sources], None if map_file is None else Path(map_file))
    run = _Load(store, {row["source"]: row for row in store.files().iter_rows(named=True)})
    for number, source_file in enumerate(files):
        if progress:
            progress(number, len(files), source_file.path.name)
        _load_file(run, source_file)
    if progress:
        progress(len(files), len(files), "")
    _write_waiting(run, 1)
    store.replace_files(pl.DataFrame(list(run.rows.values()), schema=FILES))
    return LoadReport(pl.DataFrame(run.report, schema=REPORT))


def _load_file(run: _Load, source_file: SourceFile) -> None:
    path = str(source_file.path.resolve())
    digest = _digest(source_file)
    before = {source: row for source, row in run.rows.items() if row["file"] == path}
    if before and all(row["file_hash"] == digest and row["refusal"] is None for row in before.values()):
        for source, row in before.items():
            run.say(source, "unchanged", len(row["landing_ids"]))
        return
    found = list(_read(source_file))
    loaded = [item for item in found if not isinstance(item, Refusal)]
    if loaded:
        for source in before:
            del run.rows[source]
    for item in found:
        if isinstance(item, Refusal):
            _refuse(run, item, path, digest, kept=item.source in run.rows or (bool(before) and not loaded))
        else:
            recording, frames = item
            _accept(run, recording, frames, path, digest, replaced=bool(before))
    _write_waiting(run, PART_LANDINGS)


def _read(source_file: SourceFile) -> Iterator[tuple[Recording, list[Frame]] | Refusal]:
    for item in read_source(source_file):
        if isinstance(item, Refusal):
            yield item
            continue
        try:
            yield item, [placed(frame, source_file.runways) for frame in frames_of(item)]
        except FdmError as error:
            yield Refusal(item.source, error)


def _refuse(run: _Load, refusal: Refusal, path: str, digest: str, *, kept: bool) -> None:
    message = str(refusal.error)
    run.say(refusal.source, "refused", 0, f"{message} What was loaded of it before is kept." if kept else message)
    if not kept:
        run.rows[refusal.source] = _row(refusal.source, path, digest, refusal=message)


def _accept(run: _Load, recording: Recording, frames: list[Frame], path: str, digest: str, *, replaced: bool) -> None:
    twin = next((s for s, row in run.rows.items() if row["content_hash"] == recording.content_hash), None)
    if twin is not None:
        run.say(recording.source, "duplicate", 0, f"the same flight as {twin}, which is in the archive already")
        return
    run.rows[recording.source] = _row(
        recording.source,
        path,
        digest,
        content_hash=recording.content_hash,
        landing_ids=[frame.facts["landing_id"] for frame in frames],
        notes=list(recording.notes),
    )
    run.say(recording.source, "replaced" if replaced else "loaded", len(frames), "; ".join(recording.notes) or None)
    for frame in frames:
        run.waiting.setdefault(frame.layout, []).append((recording.source, frame))


def _write_waiting(run: _Load, at_least: int) -> None:
    """Write the layouts that have gathered enough landings, a part for each."""
    for layout, waiting in list(run.waiting.items()):
        while len(waiting) >= at_least:
            now, waiting = waiting[:PART_LANDINGS], waiting[PART_LANDINGS:]
            part = run.archive.write_part(stack_frames([frame for _, frame in now]))
            for source, _ in now:
                run.rows[source]["part"] = part
        run.waiting[layout] = waiting


def _row(source: str, path: str, digest: str, **known: Any) -> dict[str, Any]:
    row = dict.fromkeys(FILES) | {"landing_ids": [], "notes": [], "loaded_utc": datetime.now(UTC)}
    return row | {"source": source, "file": path, "file_hash": digest} | known


def _digest(source_file: SourceFile) -> str:
    """Over everything that decides what is loaded: the file, its map, its facts."""
    digest = hashlib.blake2b(digest_size=10)
    for path in (source_file.path, source_file.map_file):
        if path is not None and Path(path).is_file():
            with open(path, "rb") as file:
                digest.update(hashlib.file_digest(file, "blake2b").digest())
    digest.update(json.dumps(source_file.facts, sort_keys=True, default=str).encode())
    return digest.hexdigest()
