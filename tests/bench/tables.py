"""The same landings laid out as the other contenders like them: a Parquet file per flight, a long table per rate."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from fdm.archive import Archive
from fdm.frames import Block
from fdm.parameters import PARAMETERS

CARD_PARAMETERS = (
    "ground_speed",
    "main_gear_ground",
    "main_gear_ground.left",
    "main_gear_ground.right",
    "spoiler_handle",
    "spoiler_panel",
    *(
        f"{name}.{n}"
        for name in ("n1", "reverser_state", "reverser_unlocked", "reverser_deployed")
        for n in (1, 2, 3, 4)
    ),
)


def per_flight_files(archive: Path, folder: Path, count: int) -> None:
    """One wide sparse Parquet file per flight, the card rules' parameters only."""
    if folder.exists() and len(list(folder.glob("*.parquet"))) >= count:
        return
    folder.mkdir(parents=True, exist_ok=True)
    written = 0
    store = Archive(archive)
    for part in store.parts():
        block = store.read_part(part, CARD_PARAMETERS)
        for row in range(block.facts.height):
            if written == count:
                return
            _flight(block, row).write_parquet(folder / f"{block.facts['landing_id'][row]}.parquet")
            written += 1


def _flight(block: Block, row: int) -> pl.DataFrame:
    columns = [_column(block, name, row) for name in block.values]
    frame = columns[0]
    for column in columns[1:]:
        frame = frame.join(column, on="time_s", how="full", coalesce=True)
    return frame.sort("time_s")


def _column(block: Block, name: str, row: int) -> pl.DataFrame:
    step, values = dict(block.layout.steps)[name], block.values[name][row]
    time_s = np.round(block.start_s[name][row] + np.arange(len(values)) * step, 3)
    valid = values >= 0 if values.dtype == np.int8 else ~np.isnan(values)
    return pl.DataFrame({"time_s": time_s[valid], name: values[valid]})


def rate_tables(archive: Path, folder: Path) -> None:
    """For each sampling step one table: landing, time_s, columns; sorted by landing and time."""
    if (folder / "done").exists():
        return
    folder.mkdir(parents=True, exist_ok=True)
    store = Archive(archive)
    for part in store.parts():
        block = store.read_part(part, CARD_PARAMETERS)
        for name, step in block.layout.steps:
            values = block.values[name]
            columns = np.arange(values.shape[1])
            frame = pl.DataFrame(
                {
                    "landing": np.repeat(block.facts["landing_id"].to_numpy(), values.shape[1]),
                    "time_s": (block.start_s[name][:, None] + columns * np.float32(step)).reshape(-1),
                    "value": values.reshape(-1).astype(np.float32),
                },
                schema_overrides={"landing": pl.String},
            )
            keep = pl.col("value") >= 0 if PARAMETERS[name].kind != "analogue" else pl.col("value").is_not_nan()
            target = folder / name
            target.mkdir(exist_ok=True)
            frame.filter(keep).write_parquet(target / f"{part}.parquet", compression="zstd")
    (folder / "done").touch()
