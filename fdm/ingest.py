"""Reading some recording files for the archive: each flight's landings, or why there are none.

These functions know nothing of the archive, so they run in this process, in another one or on another machine alike.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from fdm.errors import FdmError
from fdm.finding import frames_of
from fdm.flights import RunwayEnd
from fdm.frames import Frame
from fdm.placing import placed
from fdm.reading import Refusal, SourceFile, read_source
from fdm.recording import Recording


@dataclass(frozen=True)
class FileJob:
    """One recording file to be read.

    context   digest of everything beside the file that decides what is loaded (context_of)
    known     digest of the file, its map and its facts when it was loaded last
    kept      recording hashes of flights that are in the archive already, by source
    """

    source_file: SourceFile
    context: str
    known: str | None
    kept: Mapping[str, str]


@dataclass(frozen=True)
class ReadJob:
    """Some files to be read by one worker."""

    files: tuple[FileJob, ...]

    @property
    def name(self) -> str:
        """What is being read."""
        return self.files[-1].source_file.path.name


@dataclass(frozen=True)
class Flight:
    """One flight of a file; without frames when `refusal` says why, or when it is in the archive already (`kept`)."""

    source: str
    refusal: str | None = None
    content_hash: str | None = None
    recording_hash: str | None = None
    frames: tuple[Frame, ...] = ()
    notes: tuple[str, ...] = ()
    kept: bool = False


@dataclass(frozen=True)
class ReadFile:
    """What came of one file; no flights when it is as it was."""

    file_hash: str
    unchanged: bool
    flights: tuple[Flight, ...]


def read_job(job: ReadJob) -> list[ReadFile]:
    """Read the files of a job."""
    return [_read_file(file) for file in job.files]


def _read_file(job: FileJob) -> ReadFile:
    file_hash = _file_hash(job.source_file.path, job.context)
    if job.known == file_hash:
        return ReadFile(file_hash, True, ())
    return ReadFile(file_hash, False, tuple(_flights(job)))


def _flights(job: FileJob) -> Iterator[Flight]:
    for item in read_source(job.source_file):
        if isinstance(item, Refusal):
            yield Flight(item.source, refusal=str(item.error))
            continue
        recording_hash = _recording_hash(item, job)
        if job.kept.get(item.source) == recording_hash:
            yield Flight(item.source, None, item.content_hash, recording_hash, kept=True)
            continue
        try:
            frames = tuple(placed(frame, job.source_file.runways) for frame in frames_of(item))
        except FdmError as error:
            yield Flight(item.source, refusal=str(error))
            continue
        yield Flight(item.source, None, item.content_hash, recording_hash, frames, tuple(item.notes))


# digests -------------------------------------------------------------------------------------------------------------


def context_of(source_file: SourceFile) -> str:
    """Digest of a file's map, its facts and its folder's runways."""
    digest = hashlib.blake2b(digest_size=10)
    digest.update(_map_hash(source_file.map_file).encode())
    digest.update(json.dumps(source_file.facts, sort_keys=True, default=str).encode())
    if source_file.given:
        digest.update(json.dumps(source_file.given, sort_keys=True, default=str).encode())
    digest.update(_runways_hash(source_file.runways).encode())
    return digest.hexdigest()


def stamp_of(source_file: SourceFile, context: str) -> tuple[str | None, float]:
    """Size and time of a file with its context, and when it was changed (seconds since 1970); None when it is away."""
    try:
        state = source_file.path.stat()
    except OSError:
        return None, 0.0
    return f"{state.st_size}-{state.st_mtime_ns}-{context}", state.st_mtime


def _file_hash(path: Path, context: str) -> str:
    digest = hashlib.blake2b(context.encode(), digest_size=10)
    try:
        with open(path, "rb") as file:
            digest.update(hashlib.file_digest(file, "blake2b").digest())
    except OSError:
        return ""  # reading it will say why
    return digest.hexdigest()


def _recording_hash(recording: Recording, job: FileJob) -> str:
    """Digest of a flight's columns, its facts, its map and the runways it may be placed on."""
    facts: dict[str, Any] = {k: v for k, v in recording.facts.items() if k != "source_file"}
    digest = hashlib.blake2b(f"{recording.content_hash} {recording.recorder}".encode(), digest_size=10)
    digest.update(json.dumps(facts, sort_keys=True, default=str).encode())
    digest.update((_map_hash(job.source_file.map_file) + _runways_hash(job.source_file.runways)).encode())
    return digest.hexdigest()


@lru_cache(maxsize=64)
def _runways_hash(runways: tuple[RunwayEnd, ...]) -> str:
    return hashlib.blake2b(repr(runways).encode(), digest_size=10).hexdigest() if runways else ""


def _map_hash(path: Path | None) -> str:
    try:
        return "" if path is None else _map_hash_at(str(path), path.stat().st_mtime_ns, path.stat().st_size)
    except OSError:
        return "unreadable"


@lru_cache(maxsize=64)
def _map_hash_at(path: str, _mtime_ns: int, _size: int) -> str:
    return hashlib.blake2b(Path(path).read_bytes(), digest_size=10).hexdigest()
