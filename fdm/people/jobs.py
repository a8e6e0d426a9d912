"""Long work asked for from the browser: a queue, its progress and its history. The work itself is done by a Worker.

One job runs at a time, whoever asks. A job whose worker died is "interrupted"; what it wrote so far is not in force,
because the archive puts results in force whole or not at all.
"""

from __future__ import annotations

import json
import os
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from typing import Any
from uuid import uuid4

import polars as pl
from sqlalchemy import Connection, Row, insert, select, update

from fdm.errors import nearest
from fdm.people.database import Database
from fdm.people.errors import JobError
from fdm.people.ledger import Deed, Ledger
from fdm.people.roles import Actor
from fdm.people.rows import next_id, read_frame
from fdm.people.tables import jobs
from fdm.people.times import Clock, to_text, to_time
from fdm.schemas import UTC

LOST = timedelta(minutes=2)  # without a sign of life a worker counts as dead
ENDED = ("done", "failed", "cancelled", "interrupted")
JOBS: dict[str, Any] = {
    "job_id": pl.Int64,
    "kind": pl.String,
    "arguments": pl.String,
    "state": pl.String,
    "progress": pl.Float64,
    "says": pl.String,
    "asked_by": pl.String,
    "asked_utc": UTC,
    "started_utc": UTC,
    "ended_utc": UTC,
    "cancelled_by": pl.String,
}


@dataclass(frozen=True)
class Kind:
    """A kind of work: the function that does it ("module:name"), and the arguments that may be asked for.

    The function takes the arguments by name and `progress(done, in_all, what)`, and returns a sentence.
    """

    function: str
    arguments: frozenset[str]


KINDS: Mapping[str, Kind] = {
    "load": Kind("fdm.people.work:load", frozenset({"sources", "map_file"})),
    "detect": Kind("fdm.people.work:detect", frozenset({"rules"})),
}


@dataclass(frozen=True)
class Job:
    """One job as it is now. state: queued, running, done, failed, cancelled, interrupted; progress 0 to 1."""

    job_id: int
    kind: str
    arguments: Mapping[str, Any]
    state: str
    progress: float
    says: str
    asked_by: str
    asked_utc: datetime
    cancelled_by: str | None

    @property
    def ended(self) -> bool:
        """Whether nothing more will happen to it."""
        return self.state in ENDED


class Jobs:
    """The queue of one store."""

    def __init__(self, database: Database, ledger: Ledger, clock: Clock, kinds: Mapping[str, Kind] = KINDS):
        self._database = database
        self._ledger = ledger
        self._clock = clock
        self.kinds = kinds

    def ask(self, kind: str, arguments: Mapping[str, Any], *, by: Actor, token: str | None = None) -> Job:
        """Queue work. JobError for a kind or an argument that is not known."""
        known = self.kinds.get(kind)
        if known is None:
            raise JobError(f"there is no work called {kind!r}", cure=nearest(kind, self.kinds))
        strange = set(arguments) - known.arguments
        if strange:
            raise JobError(f"{kind} has no argument {min(strange)!r}", cure=nearest(min(strange), known.arguments))
        said = json.dumps(dict(arguments), sort_keys=True)

        def work(connection: Connection) -> Deed:
            number = next_id(connection, jobs)
            asked = {"job_id": number, "kind": kind, "arguments": said, "state": "queued", "progress": 0.0, "says": ""}
            now = to_text(self._clock())
            connection.execute(insert(jobs), asked | {"asked_by": by.name, "asked_utc": now})
            return Deed(f"job {number}", {"kind": kind, "job": number, "arguments": dict(arguments)})

        entry_id = self._ledger.perform(by, "job asked", work, token=token)
        return self.get(int(self._ledger.entry(entry_id)["job"]))

    def cancel(self, job_id: int, *, by: Actor) -> Job:
        """Stop a job: at once when it waits, within seconds when it runs. JobError when it has ended."""

        def work(connection: Connection) -> Deed:
            job = _get(connection, job_id)
            if job.ended:
                raise JobError(f"this job is {job.state} already", source=f"job {job_id}")
            values: dict[str, Any] = {"cancelled_by": by.name}
            if job.state == "queued":
                values |= {"state": "cancelled", "ended_utc": to_text(self._clock())}
            connection.execute(update(jobs).where(jobs.c.job_id == job_id).values(values))
            return Deed(f"job {job_id}")

        self._ledger.perform(by, "job cancelled", work)
        return self.get(job_id)

    def get(self, job_id: int) -> Job:
        """One job. JobError when there is none."""
        return self._database.read(lambda connection: _get(connection, job_id))

    def list(self, newest: int = 50) -> pl.DataFrame:
        """The newest jobs (JOBS), newest first."""
        query = select(*(jobs.c[name] for name in JOBS)).order_by(jobs.c.job_id.desc()).limit(newest)
        return read_frame(self._database, query, JOBS)

    # for the worker ---------------------------------------------------------------------------------------------------

    def take(self, worker: str) -> Job | None:
        """The job that waits longest, now running; None when none waits or another one runs."""

        def work(connection: Connection) -> Job | None:
            if connection.execute(select(jobs.c.job_id).where(jobs.c.state == "running")).first():
                return None
            waiting = select(jobs.c.job_id).where(jobs.c.state == "queued").order_by(jobs.c.job_id).limit(1)
            number = connection.scalar(waiting)
            if number is None:
                return None
            now = to_text(self._clock())
            values = {"state": "running", "worker": worker, "started_utc": now, "beat_utc": now}
            connection.execute(update(jobs).where(jobs.c.job_id == number).values(values))
            return _get(connection, number)

        anything = select(jobs.c.job_id).where(jobs.c.state == "queued").limit(1)
        if self._database.read(lambda connection: connection.scalar(anything)) is None:
            return None  # asking often costs no write
        return self._database.write(work)

    def beat(self, job_id: int, progress: float, says: str) -> bool:
        """A sign of life with how far it is; False when somebody wants it stopped, or it was given up for lost."""
        values = {"beat_utc": to_text(self._clock()), "progress": progress, "says": says}
        mine = (jobs.c.job_id == job_id) & (jobs.c.state == "running")

        def work(connection: Connection) -> bool:
            found = connection.execute(update(jobs).where(mine).values(values)).rowcount
            return bool(found) and _get(connection, job_id).cancelled_by is None

        return self._database.write(work)

    def finish(self, job_id: int, state: str, says: str) -> None:
        """The end of a running job; one that was given up for lost stays so."""
        values: dict[str, Any] = {"state": state, "says": says, "ended_utc": to_text(self._clock())}
        values |= {"progress": 1.0} if state == "done" else {}
        running = (jobs.c.job_id == job_id) & (jobs.c.state == "running")
        self._database.write(lambda connection: connection.execute(update(jobs).where(running).values(values)))

    def give_up_lost(self) -> int:
        """Running jobs whose worker is dead become interrupted; how many."""
        now = self._clock()
        query = select(jobs).where(jobs.c.state == "running")

        def find(connection: Connection) -> list[int]:
            return [row.job_id for row in connection.execute(query) if _is_lost(row, now)]

        def work(connection: Connection) -> int:
            lost = find(connection)
            says = "interrupted: the program that did it ended. The archive is whole; ask again"
            values = {"state": "interrupted", "says": says, "ended_utc": to_text(now)}
            connection.execute(update(jobs).where(jobs.c.job_id.in_(lost)).values(values))
            return len(lost)

        return self._database.write(work) if self._database.read(find) else 0


@cache
def this_process() -> str:
    """Host, number and a mark of this process that no later one has."""
    return f"{socket.gethostname()} {os.getpid()} {uuid4().hex[:8]}"


def _is_lost(row: Row[Any], now: datetime) -> bool:
    if row.worker == this_process():
        return False
    host, process, _mark = str(row.worker).split(" ")
    if host == socket.gethostname() and (int(process) == os.getpid() or not _alive(int(process))):
        return True
    return now - to_time(row.beat_utc) > LOST


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def _get(connection: Connection, job_id: int) -> Job:
    row = connection.execute(select(jobs).where(jobs.c.job_id == job_id)).first()
    if row is None:
        raise JobError("there is no such job", source=f"job {job_id}")
    return Job(
        row.job_id,
        row.kind,
        json.loads(row.arguments),
        row.state,
        row.progress,
        row.says,
        row.asked_by,
        to_time(row.asked_utc),
        row.cancelled_by,
    )
