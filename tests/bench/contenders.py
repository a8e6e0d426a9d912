"""What is measured, each in a process of its own on one core: `python -m tests.bench.contenders NAME FOLDER LANDINGS`.

Prints one JSON line: seconds of processor time, landings, and peak memory in MiB. What a contender prepares is not
counted. Processor time, because all run on one core, and another program at work must not change a ratio.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

PER_FLIGHT_SAMPLE = 200  # flights that the per-flight script is timed on; its cost per flight does not depend on more
MOVED_RULE, MOVED_LIMIT = "late_spoilers.toml", "high"


def read_floor(folder: Path, landings: int) -> dict[str, float]:
    """Merely reading, with Polars, every column that detect reads."""
    import polars as pl

    path = folder / f"archive-{landings}"
    start = time.process_time()
    rows = 0
    for part in sorted((path / "parts").iterdir()):
        rows += pl.read_parquet(part / "facts.parquet").height
        for series in sorted(part.glob("rate_*.parquet")):
            pl.read_parquet(series)
    return {"seconds": time.process_time() - start, "landings": rows}


def detect(folder: Path, landings: int) -> dict[str, float]:
    """Archive to outcomes and events: all shipped measures and rules, nothing kept from before."""
    from fdm import engine
    from tests.bench.archives import undetected

    archive = undetected(folder / f"archive-{landings}")
    start = time.process_time()
    report = engine.detect(archive)
    return {"seconds": time.process_time() - start, "landings": report.landings}


def detect_again(folder: Path, landings: int) -> dict[str, float]:
    """The same once more, when nothing has changed."""
    from fdm import engine

    start = time.process_time()
    report = engine.detect(folder / f"archive-{landings}")
    return {"seconds": time.process_time() - start, "landings": report.landings}


def detect_moved_limit(folder: Path, landings: int) -> dict[str, float]:
    """All events anew after one limit of one rule was moved; the archive is put back."""
    from fdm import engine

    archive = folder / f"archive-{landings}"
    with tempfile.TemporaryDirectory() as temporary:
        rules = moved_rules(Path(temporary))
        start = time.process_time()
        report = engine.detect(archive, rules=rules)
        seconds = time.process_time() - start
    engine.detect(archive)
    return {"seconds": seconds, "landings": report.landings}


def moved_rules(folder: Path) -> Path:
    """The shipped rule book with one limit of one rule moved."""
    from fdm.rulebook import shipped_folder

    rules = Path(shutil.copytree(shipped_folder(), folder / "rules", ignore=shutil.ignore_patterns("*.py", "__*")))
    file = rules / MOVED_RULE
    lines = file.read_text(encoding="utf-8").splitlines(keepends=True)
    at = next(i for i, line in enumerate(lines) if line.startswith(f"{MOVED_LIMIT} ="))
    lines[at] = f"{MOVED_LIMIT} = {float(lines[at].split('=')[1].split('#')[0]) + 0.5}\n"
    file.write_text("".join(lines), encoding="utf-8")
    return rules


def recount(folder: Path, landings: int) -> dict[str, float]:
    """New counts by fleet and month for one limit moved, from what is held in memory: the middle of 101 moves."""
    from fdm.recounting import recount

    held = recount(folder / f"archive-{landings}", MOVED_RULE.removesuffix(".toml"))
    limits, times, total = held.rule.limits, [], 0
    for move in range(101):
        start = time.perf_counter()
        counts = held.counts(limits._replace(high=(limits.high or 0.0) + move / 100))
        times.append(time.perf_counter() - start)
        total = counts.select("high", "medium", "low", "within", "not_assessed").sum_horizontal().sum()
    return {"seconds": sorted(times)[50], "landings": total}


def load(folder: Path, _landings: int) -> dict[str, float]:
    """CSV recordings to an archive."""
    from fdm import engine

    with tempfile.TemporaryDirectory() as temporary:
        start = time.process_time()
        report = engine.load([folder / "csv"], Path(temporary) / "archive")
        return {"seconds": time.process_time() - start, "landings": report.landings}


def read_csv(folder: Path, _landings: int) -> dict[str, float]:
    """The same files, merely read by Polars."""
    import polars as pl

    files = sorted(file for file in (folder / "csv").glob("*.csv") if file.stem not in ("flights", "runways"))
    start = time.process_time()
    for file in files:
        pl.read_csv(file, infer_schema_length=None)
    return {"seconds": time.process_time() - start, "landings": len(files)}


def pandas_script(folder: Path, landings: int) -> dict[str, float]:
    """A per-flight pandas script for the four card rules, reading one Parquet file for each flight."""
    from tests.bench.pandas_script import judge_file

    files = sorted((folder / "per-flight").glob("*.parquet"))[: min(landings, PER_FLIGHT_SAMPLE)]
    start = time.process_time()
    for file in files:
        judge_file(file)
    return {"seconds": time.process_time() - start, "landings": len(files)}


def duckdb_sql(folder: Path, landings: int) -> dict[str, float]:
    """DuckDB SQL for the four card rules over one long table for each parameter."""
    from tests.bench.duckdb_script import judge_tables

    start = time.process_time()
    _, seen = judge_tables(folder / f"tables-{landings}")
    return {"seconds": time.process_time() - start, "landings": seen}


CONTENDERS: dict[str, Callable[[Path, int], dict[str, float]]] = {
    one.__name__: one
    for one in (
        read_floor, detect, detect_again, detect_moved_limit, recount, load, read_csv, pandas_script, duckdb_sql,
    )
}  # fmt: skip


def main() -> None:
    name, folder, landings = sys.argv[1:4]
    result = CONTENDERS[name](Path(folder), int(landings))
    print(json.dumps({**result, "peak_mib": peak_mib()}))


def peak_mib() -> float:
    """Most memory this process ever held at once (Linux)."""
    told = Path("/proc/self/status").read_text(encoding="ascii")
    return next(int(line.split()[1]) for line in told.splitlines() if line.startswith("VmHWM:")) / 1024


if __name__ == "__main__":
    main()
