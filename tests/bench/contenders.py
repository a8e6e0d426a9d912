"""What is measured, each in a process of its own on one core: `python -m tests.bench.contenders NAME FOLDER LANDINGS`.

Prints one JSON line: seconds, landings, events and peak memory in MiB.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path

PER_FLIGHT_SAMPLE = 200  # flights that the per-flight script is timed on; its cost per flight does not depend on more


def read_floor(folder: Path, landings: int) -> dict[str, float]:
    """Merely reading, with Polars, every column that detect reads."""
    import polars as pl

    path = folder / f"archive-{landings}"
    start = time.perf_counter()
    rows = 0
    for part in sorted((path / "parts").iterdir()):
        rows += pl.read_parquet(part / "facts.parquet").height
        for series in sorted(part.glob("rate_*.parquet")):
            columns = [name for name in pl.read_parquet_schema(series) if name != "landing_id"]
            pl.read_parquet(series, columns=columns)
    return {"seconds": time.perf_counter() - start, "landings": rows}


def product(folder: Path, landings: int) -> dict[str, float]:
    """Archive to outcomes and events: all shipped measures and rules."""
    from fdm.engine import detect

    start = time.perf_counter()
    report = detect(folder / f"archive-{landings}")
    return {
        "seconds": time.perf_counter() - start,
        "landings": report.landings,
        "events": sum(report.events.values()),
    }


def pandas_script(folder: Path, landings: int) -> dict[str, float]:
    """A per-flight pandas script for the four card rules, reading one Parquet file for each flight."""
    from tests.bench.pandas_script import judge_file

    files = sorted((folder / "per-flight").glob("*.parquet"))[: min(landings, PER_FLIGHT_SAMPLE)]
    start = time.perf_counter()
    events = sum(len(judge_file(file)) for file in files)
    return {"seconds": time.perf_counter() - start, "landings": len(files), "events": events}


def duckdb_sql(folder: Path, landings: int) -> dict[str, float]:
    """DuckDB SQL for the four card rules over one long table for each sampling rate."""
    from tests.bench.duckdb_script import judge_tables

    start = time.perf_counter()
    events, seen = judge_tables(folder / f"tables-{landings}")
    return {"seconds": time.perf_counter() - start, "landings": seen, "events": events}


CONTENDERS: dict[str, Callable[[Path, int], dict[str, float]]] = {
    "read_floor": read_floor,
    "product": product,
    "pandas_script": pandas_script,
    "duckdb_sql": duckdb_sql,
}


def main() -> None:
    name, folder, landings = sys.argv[1:4]
    result = CONTENDERS[name](Path(folder), int(landings))
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({**result, "peak_mib": peak_mib}))


if __name__ == "__main__":
    main()
