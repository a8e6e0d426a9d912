"""Compaction: many small parts, as nightly loads leave them, made into few full ones, with what was made of them.

Nothing that a reader sees changes but the order of rows. Landings that were replaced since are dropped for good.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from fdm.archive import Archive
from fdm.carrying import carry
from fdm.partitions import PART_LANDINGS, layout_key_of, read_part, stack_blocks, write_part
from fdm.results import PartResults, Results

Progress = Callable[[int, int, str], None]
FULL = 0.8  # of PART_LANDINGS: a part that holds more is left alone
WORN = 0.2  # share of a part's landings that were replaced since, from which it is made anew


@dataclass(frozen=True)
class CompactReport:
    """How many parts there were, and are now."""

    before: int
    after: int


def compact(archive: Path | str, *, wait: bool = False, progress: Progress | None = None) -> CompactReport:
    """Merge the small parts of each recorder layout, and their results. ArchiveError when another one is writing."""
    store = Archive(archive)
    with store.writing("compact", wait=wait):
        live = dict(store.live().iter_rows())
        groups = _groups(live, store.results.parts)
        number, places, carried = store.next_number(), dict[str, str](), dict[str, PartResults]()
        for done, group in enumerate(groups):
            if progress:
                progress(done, len(groups), group[0])
            blocks = [read_part(store.storage, part, only=live[part]) for part in group]
            new = write_part(store.storage, f"{number + done:06d}", stack_blocks(blocks))
            places |= dict.fromkeys(group, new)
            if group[0] in store.results.parts:
                carried[new] = carry(store.storage, store.results, group, new)
        if progress:
            progress(len(groups), len(groups), "")
        if groups:
            _put_in_force(store, places, carried)
    return CompactReport(len(live), len(live) - len(places) + len(groups))


def _groups(live: Mapping[str, list[str]], results: Mapping[str, PartResults]) -> list[list[str]]:
    """Parts to be merged, of one layout each, and all with results or all without."""
    alike: dict[tuple[str, bool], list[str]] = defaultdict(list)
    worn: set[str] = set()
    for part, ids in sorted(live.items()):
        left_out = len(results[part].left_out) if part in results else 0
        if left_out > WORN * (len(ids) + left_out):
            worn.add(part)
        if len(ids) < FULL * PART_LANDINGS or part in worn:
            alike[layout_key_of(part), part in results].append(part)
    groups: list[list[str]] = []
    for parts in alike.values():
        room = 0
        for part in parts:
            if len(live[part]) > room:
                groups.append([])
                room = PART_LANDINGS
            groups[-1].append(part)
            room -= len(live[part])
    return [group for group in groups if len(group) > 1 or group[0] in worn]


def _put_in_force(store: Archive, places: dict[str, str], carried: dict[str, PartResults]) -> None:
    files = store.files().with_columns(pl.col("part").replace(places))
    results = None
    if store.run:
        kept = {part: of for part, of in store.results.parts.items() if part not in places}
        parts = dict(sorted((kept | carried).items()))
        results = Results(store.storage, store.run, parts, store.results.costs)
    store.replace(files=files, results=results)
