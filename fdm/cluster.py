"""The workers of a Dask cluster as a crew (optional extra `cluster`).

Dask sets MALLOC_TRIM_THRESHOLD_ in its workers, so that memory goes back to the system at once. Here it is asked for
again in the next moment, many times a second: measuring took more than twice as long that way as in one plain process.
So each worker is told to keep what it has (`keep_freed_memory`). Workers with one thread each suit this work best.
"""

from __future__ import annotations

import ctypes
import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from typing import Any, TypeVar

from fdm.errors import FdmError
from fdm.versions import code_version

T = TypeVar("T")
R = TypeVar("R")
AHEAD = 2  # tasks for each worker that are handed out before the first has come back
REACHED_S = 20.0
M_TRIM_THRESHOLD, M_MMAP_THRESHOLD = -1, -3  # of glibc's malloc.h
KEPT_BYTES, LARGEST_KEPT_BYTES = 256 * 2**20, 32 * 2**20  # 32 MiB is the most that mallopt(3) takes


@contextmanager
def cluster_crew(address: str) -> Iterator[Cluster]:
    """The workers of the cluster whose scheduler is at an address, such as tcp://10.0.0.7:8786.

    raises   FdmError when Dask is not installed, or no worker is reached
    """
    try:
        from distributed import Client
    except ImportError:
        cure = "Install it: pip install 'rollout-watch[cluster]'."
        raise FdmError("Dask Distributed is not installed", source="--cluster", cure=cure) from None
    try:
        client = Client(address, timeout=REACHED_S, set_as_default=False)
        client.wait_for_workers(1, timeout=REACHED_S)
    except (OSError, ValueError, TimeoutError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        cure = "Start a scheduler and workers: dask scheduler; dask worker ADDRESS --nthreads 1."
        raise FdmError(f"no worker of the cluster is reached ({reason})", source=address, cure=cure) from None
    try:
        yield Cluster(client, address)
    finally:
        client.close()


class Cluster:
    """A crew of Dask workers. What a worker that died had not told is done by another one."""

    def __init__(self, client: Any, address: str):
        self._client, self._address = client, address
        self.size = max(1, sum(client.nthreads().values()))

    def map(self, work: Callable[[T], R], tasks: Iterable[T]) -> Iterator[R]:
        """The results of a function of a module, in the order of the tasks."""
        todo, handed = iter(tasks), deque[tuple[T, Any]]()
        version = code_version()
        while True:
            while len(handed) < AHEAD * self.size and (task := next(todo, None)) is not None:
                handed.append((task, self._client.submit(_work, work, task, version, pure=False)))
            if not handed:
                return
            task, future = handed.popleft()
            yield self._result(task, future)

    def _result(self, task: Any, future: Any) -> Any:
        from distributed import CancelledError, KilledWorker

        try:
            return future.result()
        except KilledWorker:
            cure = "There may be too little memory on the workers. Nothing was put in force."
            problem = "the workers that it was given to died, one after another"
            raise FdmError(problem, source=getattr(task, "name", None), cure=cure) from None
        except (CancelledError, OSError) as error:
            cure = "Nothing was put in force. Run this again."
            raise FdmError(f"the cluster was lost ({error})", source=self._address, cure=cure) from None


def _work(work: Callable[[T], R], task: T, version: str) -> R:
    """What runs on a worker."""
    keep_freed_memory()
    if code_version() != version:
        cure = "Install the same version of Rollout Watch, NumPy and Polars on every worker."
        raise FdmError("a worker of the cluster runs another version", source="--cluster", cure=cure)
    return work(task)


@lru_cache(maxsize=1)
def keep_freed_memory() -> None:
    """Let this process keep memory that it freed, for what it needs next; without glibc nothing happens."""
    if sys.platform == "linux":
        with suppress(OSError, AttributeError):
            mallopt = ctypes.CDLL(None).mallopt
            mallopt(M_MMAP_THRESHOLD, LARGEST_KEPT_BYTES)
            mallopt(M_TRIM_THRESHOLD, KEPT_BYTES)
