"""`python -m tests.bench.scaling [--landings 16000] [--folder DIR]`: load and detect with one worker and with two.

Elapsed time, so the machine must have nothing else to do. Every run begins from the same start, in its own process.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.archives import archive_of, csv_recordings, undetected

ONE_THREAD = {"POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
CREWS = ("1", "2", "dask 1", "dask 2")


def detect(archive: Path, workers: int, cluster: str | None) -> int:
    """Everything anew; the landings."""
    from fdm import engine

    return engine.detect(archive, workers=workers, cluster=cluster).landings


def load(recordings: Path, workers: int, cluster: str | None) -> int:
    """Into a new archive; the landings."""
    from fdm import engine

    with tempfile.TemporaryDirectory() as temporary:
        report = engine.load([recordings], Path(temporary) / "archive", workers=workers, cluster=cluster)
        return report.landings


def timed(verb: str, path: Path, crew: str) -> tuple[float, int]:
    """Seconds and landings of one verb by one crew: a number of processes, or "dask" and a number of its workers."""
    workers = int(crew.split()[-1])
    work = {"detect": detect, "load": load}[verb]
    if verb == "detect":
        undetected(path)
    if not crew.startswith("dask"):
        start = time.perf_counter()
        landings = work(path, workers, None)
        return time.perf_counter() - start, landings
    from dask.distributed import LocalCluster

    with LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None, env=ONE_THREAD) as cluster:
        start = time.perf_counter()
        landings = work(path, 1, cluster.scheduler_address)
        return time.perf_counter() - start, landings


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.scaling", description=__doc__)
    parser.add_argument("--landings", type=int, default=16000, help="landings to detect (16000)")
    parser.add_argument("--folder", type=Path, help="where archives are made and kept (a temporary folder)")
    parser.add_argument("--one", nargs=3, metavar=("VERB", "PATH", "CREW"), help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        verb, path, crew = given.one
        print(json.dumps(timed(verb, Path(path), crew)))
        return
    with tempfile.TemporaryDirectory(prefix="rollout-scaling-") as temporary:
        folder = given.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        report("load", csv_recordings(folder))
        report("detect", archive_of(folder, given.landings))


def report(verb: str, path: Path) -> None:
    """One verb by every crew, against one process."""
    alone = 0.0
    for crew in CREWS:
        command = [sys.executable, "-m", "tests.bench.scaling", "--one", verb, str(path), crew]
        done = subprocess.run(command, env={**os.environ, **ONE_THREAD}, capture_output=True, text=True, check=False)
        if done.returncode:
            raise SystemExit(f"{verb} by {crew} failed:\n{done.stderr}")
        seconds, landings = json.loads(done.stdout.splitlines()[-1])
        alone = alone or seconds
        print(f"{landings:>9}  {verb:<8}{crew:<8}{seconds:>9.2f} s  {alone / seconds:.2f} x one process", flush=True)


if __name__ == "__main__":
    main()
