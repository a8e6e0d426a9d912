"""`python -m tests.bench [--sizes 1000,10000] [--folder DIR]`: the numbers to reach, side by side in one run."""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.bench.archives import archive_of
from tests.bench.contenders import PER_FLIGHT_SAMPLE
from tests.bench.tables import per_flight_files, rate_tables

ONE_CORE = {"POLARS_MAX_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
ROUNDS = 3


def run(name: str, folder: Path, landings: int) -> dict[str, float]:
    """The middle one of several rounds of a contender, each in a fresh process."""
    command = [sys.executable, "-m", "tests.bench.contenders", name, str(folder), str(landings)]
    rounds = []
    for _ in range(ROUNDS):
        done = subprocess.run(command, env={**os.environ, **ONE_CORE}, capture_output=True, text=True, check=False)
        if done.returncode:
            raise SystemExit(f"{name} failed:\n{done.stderr}")
        rounds.append(json.loads(done.stdout.splitlines()[-1]))
    return sorted(rounds, key=lambda r: r["seconds"])[len(rounds) // 2]


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--sizes", default="1000,10000", help="numbers of landings (1000,10000)")
    parser.add_argument("--folder", type=Path, help="where archives are made and kept (a temporary folder)")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="rollout-bench-") as temporary:
        folder = options.folder or Path(temporary)
        report(folder, [int(size) for size in options.sizes.split(",")])


def report(folder: Path, sizes: list[int]) -> None:
    """Build what is missing, run every contender at every size, print one table."""
    folder.mkdir(parents=True, exist_ok=True)
    print(f"{'landings':>9}  {'contender':<14}{'s':>9}{'us/landing':>12}{'peak MiB':>10}  against detect")
    costs = []
    for size in sizes:
        archive = archive_of(folder, size)
        rate_tables(archive, folder / f"tables-{size}")
        per_flight_files(archive, folder / "per-flight", min(size, PER_FLIGHT_SAMPLE))
        results = {name: run(name, folder, size) for name in ("read_floor", "product", "duckdb_sql", "pandas_script")}
        ours = results["product"]["seconds"] / results["product"]["landings"]
        costs.append(ours)
        for name, result in results.items():
            each = result["seconds"] / result["landings"]
            print(
                f"{size:>9}  {name:<14}{result['seconds']:>9.3f}{each * 1e6:>12.1f}{result['peak_mib']:>10.0f}"
                f"  {_ratio(name, ours, each)}"
            )
    if len(costs) > 1:
        spread = max(costs) / min(costs) - 1
        print(f"cost per landing over sizes: within {spread:.0%} (median {statistics.median(costs) * 1e6:.1f} us)")


def _ratio(name: str, ours: float, other: float) -> str:
    if name == "product":
        return ""
    if name == "read_floor":
        return f"detect costs {ours / other:.2f} x reading (reach 3, beyond 1.5)"
    goal = {"pandas_script": "reach 100, beyond 250", "duckdb_sql": "reach 8, beyond 15"}[name]
    return f"detect is {other / ours:.1f} x faster ({goal})"


if __name__ == "__main__":
    main()
