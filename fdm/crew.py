"""Who does the work on parts: this process, a pool of processes on this machine, or the workers of a Dask cluster.

Results come in the order of the tasks, whoever did them, so they are put in force alike. A task may be done twice, when
a worker died before it told; tasks write only under names that stand for what they write, so nothing is doubled.
"""

from __future__ import annotations

import multiprocessing
import os
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing.connection import wait
from typing import Any, Protocol, TypeVar

from fdm.errors import FdmError

T = TypeVar("T")
R = TypeVar("R")
TRIES = 3  # of a task whose worker died
AHEAD = 2  # tasks for each worker that are handed out before the first has come back
THREADS = ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")  # read when the libraries are imported


class Crew(Protocol):
    """Does tasks. size: how many at a time."""

    size: int

    def map(self, work: Callable[[T], R], tasks: Iterable[T]) -> Iterator[R]:
        """The results of a function (of a module, not a lambda), in the order of the tasks."""


class Alone:
    """This process."""

    size = 1

    def map(self, work: Callable[[T], R], tasks: Iterable[T]) -> Iterator[R]:
        """One task after another."""
        return map(work, tasks)


class Pool:
    """Processes of this machine, started anew (not forked: Polars has threads); they end with this one."""

    def __init__(self, size: int):
        self.size = size
        self._executor: ProcessPoolExecutor | None = None

    def map(self, work: Callable[[T], R], tasks: Iterable[T]) -> Iterator[R]:
        """Tasks handed out as far ahead as there are workers; those of a worker that died are handed out again."""
        todo, waiting = enumerate(tasks), deque[_Handed]()
        while True:
            while len(waiting) < AHEAD * self.size and (task := next(todo, None)) is not None:
                waiting.append(_Handed(task[1], self._submit(work, task[1])))
            if not waiting:
                return
            try:
                result = waiting[0].future.result()
            except BrokenProcessPool:
                self._again(work, waiting)
                continue
            waiting.popleft()
            yield result

    def _submit(self, work: Callable[[T], R], task: T) -> Future[R]:
        if self._executor is None:
            method = multiprocessing.get_context("spawn")
            self._executor = ProcessPoolExecutor(self.size, mp_context=method, initializer=_begin)
        try:
            with _cores_shared_by(self.size):  # workers begin when the first tasks are handed out
                return self._executor.submit(work, task)
        except BrokenProcessPool as error:  # told when it is waited for
            broken: Future[R] = Future()
            broken.set_exception(error)
            return broken

    def _again(self, work: Callable[..., Any], waiting: deque[_Handed]) -> None:
        """A new pool for everything that has not come back. The first to come back is the one that is blamed."""
        self.close()
        waiting[0].tries += 1
        if waiting[0].tries >= TRIES:
            name = getattr(waiting[0].task, "name", "a task")
            raise FdmError(
                f"a worker process died {TRIES} times over it",
                source=name,
                cure="There may be too little memory: use fewer workers. Nothing was put in force.",
            )
        for handed in waiting:
            if not handed.future.done() or handed.future.exception() is not None:
                handed.future = self._submit(work, handed.task)

    def close(self) -> None:
        """End the processes."""
        if self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)
            self._executor = None


class _Handed:
    """A task that was handed out."""

    def __init__(self, task: Any, future: Future[Any]):
        self.task, self.future, self.tries = task, future, 0


@contextmanager
def _cores_shared_by(workers: int) -> Iterator[None]:
    """Have processes that begin meanwhile take as many threads as leave the others theirs, unless the user says."""
    each = str(max(1, _cores() // workers))
    ours = {name: each for name in THREADS if name not in os.environ}
    os.environ.update(ours)
    try:
        yield
    finally:
        for name in ours:
            del os.environ[name]


def _cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _begin() -> None:
    """In a new worker: end when the process that began it ends, however that ended."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)


@contextmanager
def crew_of(workers: int = 1, cluster: str | None = None) -> Iterator[Crew]:
    """The crew for a number of workers on this machine, or for a Dask cluster at an address.

    raises  FdmError when the cluster cannot be reached, or Dask is not installed
    """
    if cluster is not None:
        from fdm.cluster import cluster_crew

        with cluster_crew(cluster) as crew:
            yield crew
    elif workers > 1:
        pool = Pool(workers)
        try:
            yield pool
        finally:
            pool.close()
    else:
        yield Alone()
