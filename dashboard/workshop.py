"""Long work asked for from the browser: what may be loaded, and the worker that does it one after another."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from pathlib import Path

from fdm.archive import Archive
from fdm.errors import FdmError
from fdm.people.errors import JobError
from fdm.people.jobs import Job
from fdm.people.location import rules_folder
from fdm.people.roles import Actor
from fdm.people.store import People
from fdm.people.worker import Worker

EVERYTHING = "(everything in the folder)"
IN_FORCE = "(the one in force)"
MAPS = (".toml",)
_VERSION = re.compile(r"[0-9]{6}")


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

    def versions(self) -> list[str]:
        """The saved versions of the rule book that lie beside the archive, newest first."""
        beside = rules_folder(self._archive)
        found = [path.name for path in beside.iterdir() if path.is_dir()] if beside.is_dir() else []
        return sorted((name for name in found if _VERSION.fullmatch(name)), reverse=True)

    def detect(self, version: str = IN_FORCE, *, by: Actor, token: str | None = None) -> Job:
        """Queue measuring and judging every landing, by the rule book in force or by a saved version.

        JobError when there is no such version.
        """
        if version != IN_FORCE:
            if version not in self.versions():
                raise JobError("there is no such version of the rule book", cure="Choose one of the list.")
            return self._asked("detect", {"rules": str(rules_folder(self._archive) / version)}, by, token)
        return self._asked("detect", self._in_force(), by, token)

    def _in_force(self) -> dict[str, object]:
        """The rule book that the archive was judged by last; the shipped one before the first time."""
        try:
            folder = Archive(self._archive).run.get("rules")
        except FdmError:
            return {}
        return {"rules": str(folder)} if folder else {}

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
