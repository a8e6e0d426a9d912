"""Archives of any size for the benchmark: a thousand simulated landings, loaded once, then repeated under new names."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from fdm.archive import FILES, Archive
from fdm.engine import load
from fdm.frames import Block
from sample_flights.make import make

SEED_LANDINGS = 1000


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


def archive_of(folder: Path, landings: int) -> Path:
    """An archive with a number of landings, made once by repeating the seed's blocks with new landing ids."""
    path = folder / f"archive-{landings}"
    if (path / "CURRENT.json").exists() and Archive(path).files().height:
        return path
    seed, target = Archive(seed_archive(folder)), Archive(path, create=True)
    blocks = [seed.read_part(part) for part in seed.parts()]
    rows: list[dict[str, object]] = []
    for copy in range(-(-landings // sum(block.facts.height for block in blocks))):
        for block in blocks:
            room = landings - len(rows)
            if room > 0:
                rows += _put(target, _renamed(block, copy, room))
    target.replace_files(pl.DataFrame(rows, schema=FILES))
    return path


def _renamed(block: Block, copy: int, room: int) -> Block:
    take = min(room, block.facts.height)
    facts = block.facts.head(take).with_columns(pl.col("landing_id") + f"-{copy}")
    return replace(
        block,
        facts=facts,
        start_s={k: v[:take] for k, v in block.start_s.items()},
        lag_s={k: v[:take] for k, v in block.lag_s.items()},
        values={k: v[:take] for k, v in block.values.items()},
    )


def _put(archive: Archive, block: Block) -> list[dict[str, object]]:
    part, now = archive.write_part(block), datetime.now(UTC)
    blank = dict.fromkeys(FILES) | {"notes": [], "loaded_utc": now, "part": part}
    return [blank | {"source": i, "file": i, "file_hash": i, "landing_ids": [i]} for i in block.facts["landing_id"]]
