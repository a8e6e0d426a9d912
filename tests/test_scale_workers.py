"""A pool of processes and a Dask cluster make what one process makes, row for row, also when workers die."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import nullcontext
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

import fdm.detecting
import fdm.engine
import fdm.loading
from fdm.archive import Archive
from fdm.cluster import cluster_crew, keep_freed_memory
from fdm.crew import TRIES, Pool, crew_of
from fdm.detecting import run_job
from fdm.engine import detect, load
from fdm.errors import ArchiveError, FdmError
from fdm.results import TABLES
from tests.nights import landing_ids, nights

if TYPE_CHECKING:
    from distributed import LocalCluster

TOP = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def dropped(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return nights(tmp_path_factory.mktemp("recordings"), 3, dead=4)


@pytest.fixture(scope="module")
def alone(dropped: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Loaded and judged by this process alone."""
    archive = tmp_path_factory.mktemp("alone") / "archive"
    load(dropped, archive)
    detect(archive)
    return archive


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    """A scheduler and two workers of one thread each, on this machine."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        yield cluster


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def assert_identical(one: Path, other: Path) -> None:
    """The same parts in the same order, and every table row for row."""
    files = [Archive(path).files().drop("loaded_utc", "stamp") for path in (one, other)]
    assert files[0].equals(files[1])
    for name in TABLES:
        assert getattr(Archive(one), name)().equals(getattr(Archive(other), name)()), name


# a pool --------------------------------------------------------------------------------------------------------------


def test_two_processes_make_what_one_makes(dropped: list[Path], alone: Path, tmp_path: Path) -> None:
    told: list[tuple[int, int]] = []
    load(dropped, tmp_path / "a", workers=2, progress=lambda done, total, _: told.append((done, total)))
    files = {total for _, total in told}
    assert len(files) == 1
    assert told[-1][0] == files.pop()
    report = detect(tmp_path / "a", workers=2)
    assert report.measured == report.landings == len(landing_ids(alone))
    assert_identical(tmp_path / "a", alone)


class Watched:
    """Two workers' crew in this process, which keeps what it was given to do."""

    size = 2

    def __init__(self) -> None:
        self.tasks: list[Any] = []

    def map(self, work: Callable[[Any], Any], tasks: Iterable[Any]) -> Iterator[Any]:
        for task in tasks:
            self.tasks.append(task)
            yield work(task)


def test_few_recordings_and_few_landings_are_work_for_two(
    dropped: list[Path], alone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither reads more than half of the files, nor measures or judges more than half, but for the largest part."""
    crew = Watched()
    for module in (fdm.loading, fdm.engine):
        monkeypatch.setattr(module, "crew_of", lambda _workers, _cluster: nullcontext(crew))
    for night in dropped:
        load([night], tmp_path / "a", workers=2)
        files, crew.tasks = [len(job.files) for job in crew.tasks], []
        assert max(files) <= sum(files) / 2
    detect(tmp_path / "a", workers=2)
    parts = [len(part.live) for job in crew.tasks for part in job.parts if not part.known]
    measured = [sum(len(part.live) for part in job.parts if not part.known) for job in crew.tasks]
    assert sum(measured) == len(landing_ids(alone))
    assert max(measured) <= max(*parts, sum(parts) / 2)
    first = [size for size in measured if size]
    assert first == sorted(first, reverse=True)
    again = [len(job.parts) for job, size in zip(crew.tasks, measured, strict=True) if not size]
    assert max(again) <= -(-sum(again) // 2)
    assert sorted(landing_ids(tmp_path / "a")) == sorted(landing_ids(alone))


def square_or_die(marks: Path, number: int) -> int:
    """Squares; but the process that is given 5 first dies over it, as one does that the system kills."""
    mark = marks / "died"
    if number == 5 and not mark.exists():
        mark.touch()
        os._exit(9)
    return number**2


def die(_task: object) -> None:
    """No process survives this."""
    os._exit(9)


def test_a_worker_that_dies_loses_and_doubles_nothing(tmp_path: Path) -> None:
    pool = Pool(2)
    try:
        assert list(pool.map(partial(square_or_die, tmp_path), range(12))) == [n**2 for n in range(12)]
        assert (tmp_path / "died").exists()
    finally:
        pool.close()


def test_a_task_that_no_worker_survives_is_given_up_with_its_name(tmp_path: Path) -> None:
    with crew_of(2) as crew, pytest.raises(FdmError, match=f"a worker process died {TRIES} times over it"):
        list(crew.map(die, ["task"]))


def detect_or_die(marks: Path, job: fdm.detecting.Job) -> list[fdm.detecting.Done]:
    """Measures and judges; but the first process of all dies when it is through, before it can tell."""
    done = run_job(job)
    mark = marks / "died"
    if not mark.exists():
        mark.touch()
        os._exit(9)
    return done


def test_detect_goes_on_when_a_worker_dies(
    dropped: list[Path], alone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load(dropped, tmp_path / "a")
    monkeypatch.setattr("fdm.engine.run_job", partial(detect_or_die, tmp_path))
    report = detect(tmp_path / "a", workers=2)
    assert (tmp_path / "died").exists()
    assert report.landings == len(landing_ids(alone))
    assert_identical(tmp_path / "a", alone)


ORPHANS = """
from fdm.crew import Pool
from tests.test_scale_workers import tell_and_stay
if __name__ == "__main__":
    list(Pool(2).map(tell_and_stay, range(2)))
"""


def tell_and_stay(_number: int) -> None:
    """Says which process this is, and waits for ever."""
    import threading

    os.write(1, f"{os.getpid()}\n".encode())
    threading.Event().wait()


def test_workers_end_with_the_process_that_began_them(tmp_path: Path) -> None:
    script = tmp_path / "began.py"
    script.write_text(ORPHANS)
    environment = {**os.environ, "PYTHONPATH": str(TOP)}
    with subprocess.Popen([sys.executable, str(script)], cwd=TOP, env=environment, stdout=subprocess.PIPE) as began:
        assert began.stdout is not None
        assert all(int(began.stdout.readline()) for _ in range(2))
        began.kill()
        assert began.stdout.read() == b"", "the pipe ends when the last process that holds it has ended"


THREADS = """
import polars  # what a worker imports anew before anything else
import sys
from fdm.crew import Pool
from tests.test_scale_workers import polars_threads
if __name__ == "__main__":
    pool = Pool(int(sys.argv[1]))
    print(*pool.map(polars_threads, range(4)))
    pool.close()
"""


def polars_threads(_number: int) -> int:
    """How many threads Polars began with in this process."""
    import polars as pl

    return pl.thread_pool_size()


@pytest.mark.parametrize(
    ("workers", "wanted", "threads"),
    [(2, None, max(1, cores() // 2)), (2, "3", 3)],
    ids=["shared", "as the user says"],
)
def test_workers_share_the_cores_before_polars_is_imported(
    tmp_path: Path, workers: int, wanted: str | None, threads: int
) -> None:
    script = tmp_path / "counted.py"
    script.write_text(THREADS)
    environment = {name: value for name, value in os.environ.items() if name != "POLARS_MAX_THREADS"}
    environment |= {"PYTHONPATH": str(TOP)} | ({"POLARS_MAX_THREADS": wanted} if wanted else {})
    command = [sys.executable, str(script), str(workers)]
    done = subprocess.run(command, cwd=TOP, env=environment, capture_output=True, text=True, check=True)
    assert done.stdout.split() == [str(threads)] * 4


def test_this_process_keeps_its_environment_when_workers_begin(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("POLARS_MAX_THREADS", raising=False)
    before = dict(os.environ)
    with crew_of(2) as crew:
        assert list(crew.map(abs, [-1])) == [1]
        assert dict(os.environ) == before


# a cluster -----------------------------------------------------------------------------------------------------------


def test_a_cluster_makes_what_one_process_makes(
    dropped: list[Path], alone: Path, cluster: LocalCluster, tmp_path: Path
) -> None:
    load(dropped, tmp_path / "a", cluster=cluster.scheduler_address)
    report = detect(tmp_path / "a", cluster=cluster.scheduler_address)
    assert report.measured == report.landings == len(landing_ids(alone))
    assert_identical(tmp_path / "a", alone)


def test_detect_goes_on_when_a_worker_of_the_cluster_dies(
    dropped: list[Path], alone: Path, cluster: LocalCluster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    load(dropped, tmp_path / "a")
    monkeypatch.setattr("fdm.engine.run_job", partial(detect_or_die, tmp_path))
    detect(tmp_path / "a", cluster=cluster.scheduler_address)
    assert (tmp_path / "died").exists()
    assert_identical(tmp_path / "a", alone)


def test_workers_of_another_version_are_refused(
    alone: Path, cluster: LocalCluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("fdm.cluster.code_version", lambda: "another")
    with cluster_crew(cluster.scheduler_address) as crew, pytest.raises(FdmError, match="runs another version"):
        list(crew.map(abs, [-1]))


def test_a_part_that_fails_on_a_worker_is_named(dropped: list[Path], cluster: LocalCluster, tmp_path: Path) -> None:
    load(dropped, tmp_path / "a")
    part = Archive(tmp_path / "a").parts()[-1]
    (tmp_path / "a" / "parts" / part / "facts.parquet").unlink()
    with pytest.raises(ArchiveError, match=rf"1 of \d+ parts could not be judged.*\n.*{part}.*there is no such file"):
        detect(tmp_path / "a", cluster=cluster.scheduler_address)


def test_no_cluster_is_told_in_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("fdm.cluster.REACHED_S", 0.2)
    with pytest.raises(FdmError, match="no worker of the cluster is reached"), crew_of(cluster="tcp://127.0.0.1:9"):
        pass
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(FdmError, match="Dask Distributed is not installed"), crew_of(cluster="tcp://127.0.0.1:9"):
        pass


def page_faults(rounds: int) -> int:
    """How often the system had to give this process a page, while arrays came and went."""
    import resource

    import numpy as np

    before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
    for _ in range(rounds):
        for _ in range(4):
            np.ones(500_000)
    return resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before


def faults_kept(rounds: int) -> int:
    """The same, in a process that keeps freed memory."""
    keep_freed_memory()
    page_faults(2)
    return page_faults(rounds)


@pytest.mark.skipif(sys.platform != "linux", reason="the setting is glibc's")
def test_workers_keep_memory_that_dask_would_have_them_give_back(cluster: LocalCluster) -> None:
    from distributed import Client

    def asked(what: Callable[[int], int]) -> Any:
        return client.submit(what, 50, pure=False, workers=[worker]).result()

    with Client(cluster.scheduler_address, set_as_default=False) as client:
        worker = next(iter(client.scheduler_info()["workers"]))
        assert client.run(os.environ.get, "MALLOC_TRIM_THRESHOLD_", workers=[worker])[worker], "Dask sets it no more"
        assert asked(faults_kept) < 1000 < 50 * 4 * 500_000 * 8 // 4096
