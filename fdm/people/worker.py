"""Does the queued jobs, one after another, each in a process of its own. One thread; no page waits for it.

The process is started afresh and never forked, because Polars does not survive a fork. When this program ends, however
it ends, the process ends too.
"""

from __future__ import annotations

import json
import queue
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import IO, Any

from fdm.people.errors import StoreError
from fdm.people.jobs import Job, Jobs, this_process

POLL_S = 1.0
GRACE_S = 5.0  # for a process to end by itself
STOPPED = "interrupted", "interrupted: the dashboard was stopped. The archive is whole; ask again"
CANCELLED = "cancelled", "cancelled. The archive is whole"

End = tuple[str, str]  # how a job ended, in a word and in a sentence


class Worker:
    """Works through one store's jobs on one archive.

    start and stop for a dashboard; run_next for whoever wants one job done now.
    """

    def __init__(self, jobs: Jobs, archive: Path | str, *, poll_s: float = POLL_S):
        self._jobs = jobs
        self._archive = str(Path(archive).absolute())
        self._poll_s = poll_s
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to work in a thread of its own."""
        self._thread = threading.Thread(target=self._run, name="jobs", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop working; the job that runs is interrupted."""
        self._stopping.set()
        if self._thread:
            self._thread.join()

    def _run(self) -> None:
        while not self._stopping.is_set():
            worked = None
            with suppress(StoreError):  # the store is away; its own pages say so
                worked = self.run_next()
            if worked is None:
                self._stopping.wait(self._poll_s)

    def run_next(self) -> Job | None:
        """Do the job that waits longest, to its end; None when there is none."""
        self._jobs.give_up_lost()
        job = self._jobs.take(this_process())
        if job is None:
            return None
        state, says = self._do(job)
        self._jobs.finish(job.job_id, state, says)
        return self._jobs.get(job.job_id)

    def _do(self, job: Job) -> End:
        try:
            return self._done_by_a_process(job)
        except OSError as error:
            return "failed", f"its process could not be started ({error.strerror or error})"

    def _done_by_a_process(self, job: Job) -> End:
        command = [sys.executable, "-m", "fdm.people.task", self._jobs.kinds[job.kind].function]
        pipe = subprocess.PIPE
        with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=subprocess.STDOUT, text=True) as process:
            assert process.stdin
            assert process.stdout
            process.stdin.write(json.dumps({**job.arguments, "archive": self._archive}) + "\n")
            process.stdin.flush()
            heard: queue.Queue[str | None] = queue.Queue()
            threading.Thread(target=_listen, args=(process.stdout, heard), daemon=True).start()
            end = self._follow(job, heard)
            _end_process(process)
        return end

    def _follow(self, job: Job, heard: queue.Queue[str | None]) -> End:
        """Listen until the process says how it ended, falls silent, or is to stop; tell how far it is now and then."""
        progress, says, other, next_beat = 0.0, "", "", 0.0
        while True:
            line: str | None = ""
            with suppress(queue.Empty):
                line = heard.get(timeout=self._poll_s)
            if line is None:
                return "failed", f"it ended without saying how. {other}".strip()
            said = _parsed(line)
            if said is None:
                other = line.strip() or other
            elif "end" in said:
                return said["end"], said["says"]
            else:
                progress = said["done"] / said["in_all"] if said["in_all"] else 0.0
                says = f"{said['done']:,} of {said['in_all']:,} {said['what']}".strip()
            if self._stopping.is_set():
                return STOPPED
            if time.monotonic() >= next_beat:
                if not self._beat(job, progress, says):
                    return CANCELLED
                next_beat = time.monotonic() + self._poll_s

    def _beat(self, job: Job, progress: float, says: str) -> bool:
        try:
            return self._jobs.beat(job.job_id, progress, says)
        except StoreError:  # away for a while: go on working
            return True


def _listen(pipe: IO[str], heard: queue.Queue[str | None]) -> None:
    for line in pipe:
        heard.put(line)
    heard.put(None)


def _parsed(line: str) -> dict[str, Any] | None:
    """A step or the end; other lines, such as a library's, are not for us."""
    try:
        said = json.loads(line)
    except ValueError:
        return None
    return said if isinstance(said, dict) and ("end" in said or {"done", "in_all", "what"} <= said.keys()) else None


def _end_process(process: subprocess.Popen[str]) -> None:
    """Ask it to end by closing its input, then make it."""
    assert process.stdin
    with suppress(OSError):
        process.stdin.close()
    try:
        process.wait(GRACE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
