"""Parts of an archive: up to about a thousand landings of one recorder layout, written once and never changed.

    parts/<part>/layout.json          the layout
    parts/<part>/facts.parquet        one row per landing, with each parameter's first sample time and lag
    parts/<part>/rate_<step>.parquet  the series sampled every <step> s: the same number of rows for each landing

A part's name ends in a digest of its content: equal names, equal content. A part counts once the files table names it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Iterable, Sequence
from typing import Any

import numpy as np
import polars as pl

from fdm.frames import BLOCK_FACTS, Block, Layout, dtype_of, missing_of
from fdm.storage import FORMAT, Storage, damaged, parquet_bytes, read_parquet

PARTS = "parts"
PART_LANDINGS = 1000
ROW_GROUP_LANDINGS = 1000


def write_part(storage: Storage, prefix: str, block: Block) -> str:
    """Write a block as a part and return its name: `prefix`, the layout's key, and a digest of the content."""
    files = {"layout.json": json.dumps(_layout_json(block), indent=1).encode()}
    files["facts.parquet"] = parquet_bytes(_facts_frame(block))
    for step, names in _by_step(block.layout).items():
        files[f"rate_{step:g}.parquet"] = _series_bytes(block, names)
    digest = hashlib.blake2b(digest_size=6)
    for name, data in files.items():
        digest.update(name.encode() + b"\0" + data)
    part = f"{prefix}-{block.layout.key}-{digest.hexdigest()}"
    for name, data in files.items():
        storage.write(f"{PARTS}/{part}/{name}", data)
    return part


def number_of(part: str) -> int:
    """The number that a part's name begins with."""
    return int(part.partition("-")[0])


def layout_key_of(part: str) -> str:
    """Key of a part's layout, from its name."""
    return part.split("-")[1]


def read_layout(storage: Storage, part: str) -> Layout:
    """A part's recorder layout."""
    key = f"{PARTS}/{part}/layout.json"
    try:
        data = json.loads(storage.read(key))
        return Layout(data["engines"], tuple(data["reversers"]), tuple((n, s) for n, s in data["steps"]))
    except (OSError, ValueError, KeyError) as error:
        raise damaged(storage, key, error) from None


def read_part(
    storage: Storage,
    part: str,
    parameters: Collection[str] | None = None,
    only: Collection[str] | None = None,
) -> Block:
    """A part's landings as a block; some parameters, or some landings, when named. ArchiveError when it is damaged."""
    layout = read_layout(storage, part)
    wanted = tuple((n, s) for n, s in layout.steps if parameters is None or n in parameters)
    kept = Layout(layout.engines, layout.reversers, wanted)
    facts = read_parquet(storage, f"{PARTS}/{part}/facts.parquet")
    rows = None if only is None else facts["landing_id"].is_in(list(only)).arg_true().to_numpy()
    rows = None if rows is None or len(rows) == facts.height else rows
    values = _read_series(storage, part, kept, facts.height, rows)
    facts = facts if rows is None else facts[rows]
    starts = {name: facts[f"start|{name}"].to_numpy() for name, _ in wanted}
    lags = {name: facts[f"lag|{name}"].to_numpy() for name, _ in wanted}
    return Block(kept, facts.select(list(BLOCK_FACTS)), starts, lags, values)


def take(block: Block, rows: np.ndarray | slice) -> Block:
    """Some of a block's landings."""
    facts = block.facts[rows] if isinstance(rows, np.ndarray) else block.facts[rows.start : rows.stop]
    starts, lags, values = ({k: v[rows] for k, v in d.items()} for d in (block.start_s, block.lag_s, block.values))
    return Block(block.layout, facts, starts, lags, values)


def stack_blocks(blocks: Sequence[Block]) -> Block:
    """Blocks of one layout as one; shorter ones are filled with missing samples at their end."""
    if len(blocks) == 1:
        return blocks[0]
    layout = blocks[0].layout
    names = [name for name, _ in layout.steps]
    return Block(
        layout,
        pl.concat([block.facts for block in blocks]),
        {name: np.concatenate([block.start_s[name] for block in blocks]) for name in names},
        {name: np.concatenate([block.lag_s[name] for block in blocks]) for name in names},
        {name: _stacked(name, [block.values[name] for block in blocks]) for name in names},
    )


def _stacked(name: str, matrices: Sequence[np.ndarray]) -> np.ndarray:
    width = max(matrix.shape[1] for matrix in matrices)
    return np.concatenate([_padded(name, matrix, width) for matrix in matrices])


def _padded(name: str, matrix: np.ndarray, width: int) -> np.ndarray:
    if matrix.shape[1] == width:
        return matrix
    pad = np.full((len(matrix), width - matrix.shape[1]), missing_of(name), matrix.dtype)
    return np.concatenate([matrix, pad], axis=1)


# series --------------------------------------------------------------------------------------------------------------


def _by_step(layout: Layout) -> dict[float, list[str]]:
    groups: dict[float, list[str]] = {}
    for name, step in layout.steps:
        groups.setdefault(step, []).append(name)
    return groups


def _layout_json(block: Block) -> dict[str, Any]:
    layout = block.layout
    rows = {f"{step:g}": _width(block, names) for step, names in _by_step(layout).items()}
    return {
        "format": FORMAT,
        "engines": layout.engines,
        "reversers": layout.reversers,
        "steps": layout.steps,
        "rows_per_landing": rows,
    }


def _width(block: Block, names: Iterable[str]) -> int:
    return max(block.values[name].shape[1] for name in names)


def _facts_frame(block: Block) -> pl.DataFrame:
    starts = [pl.Series(f"start|{name}", values) for name, values in block.start_s.items()]
    lags = [pl.Series(f"lag|{name}", values) for name, values in block.lag_s.items()]
    return block.facts.with_columns(*starts, *lags)


def _series_bytes(block: Block, names: Sequence[str]) -> bytes:
    width = _width(block, names)
    row = pl.Series(np.repeat(np.arange(block.facts.height, dtype=np.uint32), width))
    columns = {"landing_id": block.facts["landing_id"].gather(row)}
    for name in names:
        flat = pl.Series(name, _padded(name, block.values[name], width).reshape(-1))
        columns[name] = flat.fill_nan(None) if flat.dtype.is_float() else flat.set(flat < 0, None)
    return parquet_bytes(pl.DataFrame(columns), row_group_size=width * ROW_GROUP_LANDINGS)


def _read_series(storage: Storage, part: str, layout: Layout, n: int, rows: np.ndarray | None) -> dict[str, np.ndarray]:
    values = {}
    for step, names in _by_step(layout).items():
        frame = read_parquet(storage, f"{PARTS}/{part}/rate_{step:g}.parquet", columns=names)
        frame = frame.with_columns(pl.col(name).fill_null(missing_of(name)) for name in names)
        for name in names:
            matrix = frame[name].to_numpy().astype(dtype_of(name), copy=False).reshape(n, -1)
            values[name] = matrix if rows is None else matrix[rows]
    return {name: values[name] for name, _ in layout.steps}
