"""Work asked for from the browser: done in a process of its own, told, stopped, and never left half done."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import pytest

from fdm.people import jobs as jobs_module
from fdm.people.errors import JobError, NotAllowed
from fdm.people.jobs import KINDS, LOST, Job, Kind, this_process
from fdm.people.store import People
from fdm.people.worker import Worker

from .conftest import ANALYST, CAPTAIN, OFFICER, Watch

TOP = Path(__file__).parents[2]
TRIED = {
    name: Kind(f"people.tasks:{name}", frozenset({"to"})) for name in ("count", "refuse", "stumble", "die", "hang")
}


@pytest.fixture
def tried(people: People, monkeypatch: pytest.MonkeyPatch) -> People:
    """A store whose jobs are the ones of tasks.py."""
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(TOP), str(TOP / "tests")]))
    people.jobs.kinds = TRIED
    return people


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """A folder with a pipe that never speaks, for work that hangs."""
    os.mkfifo(tmp_path / "fifo")
    return tmp_path


@pytest.fixture
def worker(tried: People, archive: Path) -> Iterator[Worker]:
    made = Worker(tried.jobs, archive, poll_s=0.02)
    yield made
    made.stop()


def test_work_is_queued_done_and_told(tried: People, worker: Worker, archive: Path) -> None:
    first = tried.jobs.ask("count", {"to": 4}, by=ANALYST)
    second = tried.jobs.ask("count", {}, by=OFFICER)
    assert (first.state, first.asked_by, second.job_id) == ("queued", "liv", first.job_id + 1)
    done = worker.run_next()
    assert done
    assert (done.job_id, done.state, done.progress) == (first.job_id, "done", 1.0)
    assert done.says == f"counted to 4 for {archive.name}"
    assert tried.jobs.get(second.job_id).state == "queued"
    assert worker.run_next()
    assert worker.run_next() is None
    table = tried.jobs.list()
    assert table["state"].to_list() == ["done", "done"]
    assert table["ended_utc"].null_count() == 0
    log = tried.audit.entries(act="job asked").row(-1, named=True)
    assert (log["who"], log["subject"]) == ("liv", "job 1")
    assert '"arguments":{"to":4}' in log["detail"]


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("refuse", r"a\.csv: is empty\. Export it again\.$"),
        ("stumble", r"this should not have happened \(ZeroDivisionError"),
        ("die", r"it ended without saying how\. Fatal: out of luck$"),
    ],
)
def test_work_that_fails_says_why(tried: People, worker: Worker, kind: str, says: str) -> None:
    tried.jobs.ask(kind, {}, by=OFFICER)
    ended = worker.run_next()
    assert ended
    assert ended.state == "failed"
    assert re.search(says, ended.says), ended.says


def wait_until_it_runs(people: People, job: Job) -> int:
    """The process number of work that hangs."""
    for _ in range(10_000):
        found = people.jobs.get(job.job_id)
        if found.says:
            return int(found.says.split()[-1])
    raise AssertionError(f"job {job.job_id} never began: {found}")


def alive(process: int) -> bool:
    with suppress(ProcessLookupError):
        os.kill(process, 0)
        return True
    return False


def test_a_running_job_is_stopped_when_somebody_cancels_it(tried: People, worker: Worker) -> None:
    job = tried.jobs.ask("hang", {}, by=OFFICER)
    thread = threading.Thread(target=worker.run_next)
    thread.start()
    process = wait_until_it_runs(tried, job)
    running = tried.jobs.get(job.job_id)
    assert (running.state, running.progress) == ("running", 0.5)
    assert tried.jobs.cancel(job.job_id, by=ANALYST).cancelled_by == "liv"
    thread.join(30)
    ended = tried.jobs.get(job.job_id)
    assert (ended.state, ended.says) == ("cancelled", "cancelled. The archive is whole")
    assert not alive(process)
    with pytest.raises(JobError, match="cancelled already"):
        tried.jobs.cancel(job.job_id, by=ANALYST)


def test_stopping_the_dashboard_interrupts_the_job_and_leaves_the_queue(tried: People, worker: Worker) -> None:
    job = tried.jobs.ask("hang", {}, by=OFFICER)
    waiting = tried.jobs.ask("count", {}, by=OFFICER)
    worker.start()
    process = wait_until_it_runs(tried, job)
    worker.stop()
    assert tried.jobs.get(job.job_id).state == "interrupted"
    assert tried.jobs.get(waiting.job_id).state == "queued"
    assert not alive(process)


def test_the_work_ends_when_its_dashboard_is_killed(tried: People, archive: Path) -> None:
    """The kernel closes a dead program's pipes; the work sees it and ends."""
    command = [sys.executable, "-m", "fdm.people.task", "people.tasks:hang"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin
        assert process.stdout
        process.stdin.write(json.dumps({"archive": str(archive)}) + "\n")
        process.stdin.flush()
        assert json.loads(process.stdout.readline())["what"] == str(process.pid)
        process.stdin.close()
        assert process.wait(30) == 75


def test_a_waiting_job_is_cancelled_at_once(tried: People, worker: Worker) -> None:
    job = tried.jobs.ask("count", {}, by=OFFICER)
    assert tried.jobs.cancel(job.job_id, by=OFFICER).state == "cancelled"
    assert worker.run_next() is None


def test_one_job_runs_at_a_time_whoever_works(tried: People) -> None:
    for _ in range(2):
        tried.jobs.ask("count", {}, by=OFFICER)
    assert tried.jobs.take("host 1 aaaa")
    assert tried.jobs.take("host 2 bbbb") is None


@pytest.mark.parametrize(
    ("worker", "lost"),
    [
        ("this 0 aaaa", True),  # a restart got the same process number, as in a container
        ("this 4194304 aaaa", True),  # above the kernel's highest process number (proc(5), pid_max on 64 bits)
        ("elsewhere 1 aaaa", False),  # another machine's, until it is silent for too long
        ("mine", False),
    ],
)
def test_a_job_of_a_dead_worker_is_interrupted(
    tried: People, watch: Watch, worker: str, lost: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(jobs_module.socket, "gethostname", lambda: "this")
    mine = this_process()
    name = worker.replace(" 0 ", f" {os.getpid()} ").replace("mine", mine)
    job = tried.jobs.ask("count", {}, by=OFFICER)
    tried.jobs.take(name)
    assert tried.jobs.give_up_lost() == int(lost)
    assert tried.jobs.get(job.job_id).state == ("interrupted" if lost else "running")
    watch.at += LOST + timedelta(minutes=1)
    assert tried.jobs.give_up_lost() == int(not lost and name != mine)


def test_a_worker_given_up_for_lost_does_not_come_back(tried: People, watch: Watch) -> None:
    job = tried.jobs.ask("count", {}, by=OFFICER)
    tried.jobs.take("elsewhere 1 aaaa")
    watch.at += timedelta(hours=1)
    tried.jobs.give_up_lost()
    assert not tried.jobs.beat(job.job_id, 0.9, "late")
    tried.jobs.finish(job.job_id, "done", "late")
    assert tried.jobs.get(job.job_id).state == "interrupted"


def test_what_may_be_asked_for(tried: People) -> None:
    with pytest.raises(JobError, match=r"no work called 'cuont'\. Did you mean 'count'"):
        tried.jobs.ask("cuont", {}, by=OFFICER)
    with pytest.raises(JobError, match="count has no argument 'archive'"):
        tried.jobs.ask("count", {"archive": "/etc"}, by=OFFICER)
    with pytest.raises(NotAllowed):
        tried.jobs.ask("count", {}, by=CAPTAIN)
    with pytest.raises(JobError, match="job 9: there is no such job"):
        tried.jobs.get(9)
    same = [tried.jobs.ask("count", {}, by=OFFICER, token="form").job_id for _ in range(2)]
    assert same[0] == same[1]


def test_the_real_work_says_what_was_wrong(sqlite_url: str, opened: Callable[..., People], tmp_path: Path) -> None:
    people = opened(sqlite_url)
    people.jobs.ask("detect", {}, by=OFFICER)
    ended = Worker(people.jobs, tmp_path / "nowhere", poll_s=0.05).run_next()
    assert ended
    assert ended.state == "failed"
    assert "nowhere: no archive here" in ended.says
    assert set(KINDS) == {"load", "detect"}
