"""Archives of any size for the benchmark: a thousand simulated landings, loaded once, then repeated under new names."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

from fdm.archive import FILES, Archive
from fdm.engine import load
from fdm.frames import Block
from fdm.partitions import PART_LANDINGS, stack_blocks, take
from sample_flights.make import make

SEED_LANDINGS = 1000
CSV_FLEET, CSV_FLIGHTS = "tern200", 200


def seed_recordings(folder: Path) -> Path:
    """The invented airline's recordings of about a thousand landings; made once."""
    recordings = folder / "recordings"
    if not (recordings / "flights.csv").exists():
        make(recordings, landings=SEED_LANDINGS, seed=7)
    return recordings


def seed_archive(folder: Path) -> Path:
    """Those recordings loaded; made once."""
    archive = folder / "archive-seed"
    if not (archive / "CURRENT.json").exists():
        load([seed_recordings(folder)], archive)
    return archive


def csv_recordings(folder: Path) -> Path:
    """Flights of one fleet as an aircraft's export would give them: a wide sparse CSV file each; made once."""
    recordings, made = folder / "csv", seed_recordings(folder)
    if (recordings / "flights.csv").exists():
        return recordings
    (recordings / "maps").mkdir(parents=True, exist_ok=True)
    shutil.copy(made / "maps" / f"{CSV_FLEET}.toml", recordings / "maps")
    shutil.copy(made / "runways.csv", recordings)
    recorded = pl.concat([pl.read_parquet(file) for file in sorted((made / CSV_FLEET).glob("*.parquet"))])
    flights = pl.read_csv(made / "flights.csv", infer_schema=False)
    chosen = flights.filter(pl.col("flight").is_in(recorded["flight"].unique().implode())).head(CSV_FLIGHTS)
    for flight in chosen["flight"]:
        recorded.filter(pl.col("flight") == flight).write_csv(recordings / f"{flight}.csv")
    chosen.with_columns(file=pl.col("flight") + ".csv").write_csv(recordings / "flights.csv")
    return recordings


def archive_of(folder: Path, landings: int) -> Path:
    """An archive with a number of landings, made once by repeating the seed's landings with new ids, in full parts."""
    path = folder / f"archive-{landings}"
    if (path / "CURRENT.json").exists() and Archive(path).files(["source"]).height:
        return path
    target = Archive(path, create=True)
    with target.writing("load"):
        rows = [row for block in _blocks(Archive(seed_archive(folder)), landings) for row in _put(target, block)]
        target.replace(files=pl.DataFrame(rows, schema=FILES))
    return path


def undetected(archive: Path) -> Path:
    """The archive as it was before detect."""
    for made in ("measured", "judged"):
        shutil.rmtree(archive / made, ignore_errors=True)
    current = json.loads((archive / "CURRENT.json").read_text()) | {"results": None, "before": None}
    (archive / "CURRENT.json").write_text(json.dumps(current))
    return archive


def _blocks(seed: Archive, landings: int) -> Iterator[Block]:
    """Blocks that have so many landings together: the seed's layouts in its own proportions."""
    layouts: dict[str, list[Block]] = {}
    for part in seed.parts():
        block = seed.read_part(part)
        layouts.setdefault(block.layout.key, []).append(block)
    whole = [stack_blocks(blocks) for blocks in layouts.values()]
    total = sum(block.facts.height for block in whole)
    shares = [landings * block.facts.height // total for block in whole]
    shares[0] += landings - sum(shares)
    for block, share in zip(whole, shares, strict=True):
        for start in range(0, share, PART_LANDINGS):
            yield _named(block, np.arange(start, min(start + PART_LANDINGS, share)))


def _named(block: Block, numbers: np.ndarray) -> Block:
    """Landings taken round and round, with a number in their names."""
    chosen = take(block, numbers % block.facts.height)
    ids = chosen.facts["landing_id"] + "-" + pl.Series(numbers).cast(pl.String)
    return replace(chosen, facts=chosen.facts.with_columns(landing_id=ids))


def _put(archive: Archive, block: Block) -> list[dict[str, object]]:
    part, now = archive.write_part(block), datetime.now(UTC)
    blank = dict.fromkeys(FILES) | {"notes": [], "loaded_utc": now, "part": part}
    return [blank | {"source": i, "file": i, "file_hash": i, "landing_ids": [i]} for i in block.facts["landing_id"]]
