"""`python -m tests.bench [--sizes 1000,10000,100000] [--folder DIR]`: the numbers to reach, side by side in one run."""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.bench.archives import archive_of, csv_recordings
from tests.bench.contenders import PER_FLIGHT_SAMPLE
from tests.bench.tables import per_flight_files, rate_tables

ONE_CORE = {"POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
ROUNDS = 3
FLOOR, OURS = "read_floor", "detect"
BY_SIZE = (FLOOR, OURS, "detect_again", "detect_moved_limit", "recount", "duckdb_sql", "pandas_script")
LARGEST_TABLES = 10_000  # the SQL contender's long tables grow large on disk; beyond, its cost per landing stands


def run(name: str, folder: Path, landings: int, rounds: int) -> dict[str, float]:
    """The middle one of several rounds of a contender, each in a fresh process."""
    command = [sys.executable, "-m", "tests.bench.contenders", name, str(folder), str(landings)]
    found = []
    for _ in range(rounds):
        done = subprocess.run(command, env={**os.environ, **ONE_CORE}, capture_output=True, text=True, check=False)
        if done.returncode:
            raise SystemExit(f"{name} failed:\n{done.stderr}")
        found.append(json.loads(done.stdout.splitlines()[-1]))
    return sorted(found, key=lambda r: r["seconds"])[len(found) // 2]


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--sizes", default="1000,10000,100000", help="numbers of landings (1000,10000,100000)")
    parser.add_argument("--folder", type=Path, help="where archives are made and kept (a temporary folder)")
    parser.add_argument("--rounds", type=int, default=ROUNDS, help=f"of each, the middle counts ({ROUNDS})")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="rollout-bench-") as temporary:
        folder = given.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        print(f"{'landings':>9}  {'contender':<20}{'s':>10}{'us/landing':>12}{'peak MiB':>10}")
        loading(folder, given.rounds)
        report(folder, [int(size) for size in given.sizes.split(",")], given.rounds)


def loading(folder: Path, rounds: int) -> None:
    """CSV recordings to an archive, against merely reading the files."""
    csv_recordings(folder)
    floor, ours = (run(name, folder, 0, rounds) for name in ("read_csv", "load"))
    _line("read_csv", floor)
    _line("load", ours, f"{_each(ours) / _each(floor):.1f} x reading (reach 3, beyond 1.5)")


def report(folder: Path, sizes: list[int], rounds: int) -> None:
    """Build what is missing, run every contender at every size, print one table."""
    costs, peaks = [], []
    for size in sizes:
        archive = archive_of(folder, size)
        names = [name for name in BY_SIZE if size <= LARGEST_TABLES or name not in ("duckdb_sql", "pandas_script")]
        if size <= LARGEST_TABLES:
            rate_tables(archive, folder / f"tables-{size}")
            per_flight_files(archive, folder / "per-flight", min(size, PER_FLIGHT_SAMPLE))
        found: dict[str, dict[str, float]] = {}
        for name in names:
            found[name] = run(name, folder, size, rounds)
            _line(name, found[name], _against(name, found))
        costs.append(_each(found[OURS]))
        peaks.append(found[OURS]["peak_mib"])
        disk = sum(file.stat().st_size for file in archive.rglob("*") if file.is_file())
        print(f"{size:>9}  on disk {disk / 2**20:.0f} MiB, {disk / size:.0f} bytes a landing")
    if len(sizes) > 1:
        print(f"cost per landing over sizes: within {max(costs) / min(costs) - 1:.0%} (reach 20 %)", end="; ")
        print(f"median {statistics.median(costs) * 1e6:.0f} us; peak memory {min(peaks):.0f} to {max(peaks):.0f} MiB")


def _line(name: str, result: dict[str, float], said: str = "") -> None:
    seconds, landings = result["seconds"], int(result["landings"])
    each = _each(result) * 1e6
    print(f"{landings:>9}  {name:<20}{seconds:>10.4f}{each:>12.2f}{result['peak_mib']:>10.0f}  {said}", flush=True)


def _each(result: dict[str, float]) -> float:
    return result["seconds"] / result["landings"]


def _against(name: str, found: dict[str, dict[str, float]]) -> str:
    if name == FLOOR:
        return ""
    ours, other = _each(found[OURS]), _each(found[name])
    if name == OURS:
        return f"{ours / _each(found[FLOOR]):.2f} x reading (reach 3, beyond 1.5)"
    if name == "recount":
        return f"{found[name]['seconds'] * 1000:.2f} ms to new counts (reach 50, beyond 10)"
    if name.startswith("detect_"):
        return f"{ours / other:.0f} x quicker than from nothing"
    goal = {"pandas_script": "reach 100, beyond 250", "duckdb_sql": "reach 8, beyond 15"}[name]
    return f"detect is {other / ours:.1f} x faster ({goal})"


if __name__ == "__main__":
    main()
