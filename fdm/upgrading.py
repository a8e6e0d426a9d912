"""Archives of format 1 as those of today: read as they are, rewritten by the next load or detect.

files-000012.parquet   without stamps and recording hashes
results-000007/        a folder for each run: measures, instants, health and outcomes for each part, the landings and
                       the events of all parts together, the sentences of all reasons together, run.json
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from fdm.results import PartResults, Results
from fdm.storage import Storage, damaged, read_parquet

TOGETHER = ("landings", "events")


def files_of_format_1(frame: pl.DataFrame, schema: Mapping[str, Any]) -> pl.DataFrame:
    """A files table with every column of today's; what was not kept then is null."""
    missing = [pl.lit(None, kind).alias(name) for name, kind in schema.items() if name not in frame.columns]
    return frame.with_columns(missing)


@dataclass(frozen=True)
class ResultsOfFormat1(Results):
    """A results folder of format 1; landings and events come as one part."""

    folder: str = ""

    def keys(self, table: str, part: str) -> str:
        """Key of a table's file."""
        return f"{self.folder}/{table}.parquet" if table in TOGETHER else f"{self.folder}/{table}-{part}.parquet"

    def reasons(self, part: str) -> list[str]:
        """Sentences behind the reason codes."""
        return read_parquet(self.storage, f"{self.folder}/reasons.parquet")["sentence"].to_list()

    def frames(
        self, table: str, parts: Collection[str] | None = None, columns: Sequence[str] | None = None
    ) -> Iterator[tuple[str, pl.DataFrame]]:
        """A stored table, part by part."""
        if table in TOGETHER:
            yield (
                "",
                read_parquet(self.storage, self.keys(table, ""), None if columns is None else list(columns)),
            )
        else:
            yield from super().frames(table, parts, columns)


def results_of_format_1(storage: Storage, folder: str) -> Results:
    """The results in a folder of format 1. ArchiveError when they are damaged."""
    try:
        run = json.loads(storage.read(f"{folder}/run.json"))
    except (OSError, ValueError) as error:
        raise damaged(storage, f"{folder}/run.json", error) from None
    names = storage.names(folder)
    parts = [name[len("measures-") : -len(".parquet")] for name in names if name.startswith("measures-")]
    return ResultsOfFormat1(storage, run, {part: PartResults("", "", "", 0) for part in parts}, folder=folder)
