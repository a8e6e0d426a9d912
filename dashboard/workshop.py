"""Long work asked for from the browser: what may be loaded, and the worker that does it one after another."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from fdm.people.errors import JobError
from fdm.people.jobs import Job
from fdm.people.roles import Actor
from fdm.people.store import People
from fdm.people.worker import Worker

EVERYTHING = "(everything in the folder)"
MAPS = (".toml",)


class Workshop:
    """The work on one archive.

    people    the store in which it is queued
    archive   the archive's folder
    folder    the one folder from which recordings are loaded; None: none are
    """

    def __init__(self, people: Callable[[], People], archive: Path | str, folder: Path | None) -> None:
        self._people = people
        self._archive = archive
        self.folder = folder
        self._lock = threading.Lock()
        self._worker: Worker | None = None

    def sources(self) -> list[str]:
        """What lies in the folder, by name, without what is hidden or leads out of it."""
        if self.folder is None:
            return []
        inside = (path for path in self.folder.iterdir() if not path.name.startswith("."))
        return sorted(path.name for path in inside if path.suffix not in MAPS and self._is_inside(path))

    def maps(self) -> list[str]:
        """The parameter maps in the folder."""
        if self.folder is None:
            return []
        return sorted(path.name for path in self.folder.iterdir() if path.suffix in MAPS and self._is_inside(path))

    def load(self, source: str, map_file: str, *, by: Actor, token: str | None = None) -> Job:
        """Queue the loading of one thing in the folder, or of everything. JobError for anything else."""
        if self.folder is None:
            raise JobError(
                "no folder is set from which to load", cure="Say FDM_DROP_FOLDER when starting the dashboard."
            )
        if source != EVERYTHING and source not in self.sources():
            raise JobError("there is no such recording in the folder", cure="Choose one of the list.")
        if map_file and map_file not in self.maps():
            raise JobError("there is no such parameter map in the folder", cure="Choose one of the list.")
        said: dict[str, object] = {"sources": [str(self.folder if source == EVERYTHING else self.folder / source)]}
        more: dict[str, object] = {"map_file": str(self.folder / map_file)} if map_file else {}
        return self._asked("load", said | more, by, token)

    def detect(self, *, by: Actor, token: str | None = None) -> Job:
        """Queue measuring and judging every landing."""
        return self._asked("detect", {}, by, token)

    def wake(self) -> None:
        """Have the queue worked through from now on, in a thread of its own."""
        with self._lock:
            if self._worker is None:
                self._worker = Worker(self._people().jobs, self._archive)
                self._worker.start()

    def stop(self) -> None:
        """Stop working; what runs is interrupted."""
        with self._lock:
            if self._worker:
                self._worker.stop()
            self._worker = None

    def _asked(self, kind: str, arguments: dict[str, object], by: Actor, token: str | None) -> Job:
        job = self._people().jobs.ask(kind, arguments, by=by, token=token)
        self.wake()
        return job

    def _is_inside(self, path: Path) -> bool:
        return self.folder is not None and path.resolve().is_relative_to(self.folder.resolve())
