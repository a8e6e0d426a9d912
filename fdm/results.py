"""What detect made of an archive: for each part a folder of measured values and one of judgements, and a list of them.

    results-000007.json        which folders are in force, and how they came about
    measured/<part>-<key>/     landings, measures, instants, health, seen: from the series, independent of limits
    judged/<part>-<key>/       outcomes, events; measures again where some were not believed
    costs/<key>.parquet        what some events cost, where that was estimated (fdm.cost)

A folder is written once and never changed. Its key stands for everything that it was made from, so that it can be used
again as long as none of that has changed. It is whole once its `whole.json` is there, and counts once a list names it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import Any

import polars as pl
from polars.io.plugins import register_io_source

from fdm.bounded import Measured
from fdm.errors import nearest
from fdm.measures.catalogue import CATALOGUE
from fdm.schemas import COSTS, EVENTS, INSTANTS, LANDINGS, MEASURES, OUTCOMES, typed
from fdm.storage import FORMAT, Storage, damaged, read_parquet
from fdm.wide import instants_long, measured_from_wide, measures_long, steps_of

WHOLE = "whole.json"
MEASURED, JUDGED, COSTED = "measured", "judged", "costs"
TABLES = ("landings", "instants", "measures", "outcomes", "events", "costs")
HEALTH: dict[str, Any] = {
    "landing_id": pl.String,
    "parameter": pl.String,
    "share": pl.Float32,
    "changes": pl.Boolean,
    "faults": pl.Int16,
}


@dataclass(frozen=True)
class PartResults:
    """What is in force of one part.

    measured, judged  folders
    believed          the judged folder has measures of its own, without what rests on dead discretes
    live              digest of the landings that counted; left_out, those of the part that did not
    dead              digest of the dead discretes that were taken into account
    suspects          tails and engines with a landing that hints at a dead discrete
    landings, events, outcomes   how many, by severity, by outcome
    """

    measured: str
    judged: str
    live: str
    landings: int
    believed: bool = False
    dead: str = ""
    left_out: tuple[str, ...] = ()
    suspects: tuple[tuple[str | None, int], ...] = ()
    events: Mapping[str, int] = field(default_factory=dict)
    outcomes: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Results:
    """The results in force of an archive.

    run    rule book, its folder and hash, settings, when; empty before detect
    parts  by part
    costs  files of what events cost; none before they were estimated
    """

    storage: Storage
    run: Mapping[str, Any] = field(default_factory=dict)
    parts: Mapping[str, PartResults] = field(default_factory=dict)
    costs: tuple[str, ...] = ()

    def keys(self, table: str, part: str) -> str:
        """Key of a part's file of landings, instants, measures, health, seen, outcomes or events."""
        of = self.parts[part]
        judged = table in ("outcomes", "events") or (table == "measures" and of.believed)
        return f"{of.judged if judged else of.measured}/{table}.parquet"

    def reasons(self, part: str) -> list[str]:
        """Sentences behind the reason codes of a part's measures."""
        of = self.parts[part]
        return list(read_whole(self.storage, of.judged if of.believed else of.measured)["reasons"])

    def frames(
        self, table: str, parts: Collection[str] | None = None, columns: Sequence[str] | None = None
    ) -> Iterator[tuple[str, pl.DataFrame]]:
        """A stored table of each part, without the landings that are left out."""
        for part in self.parts if parts is None else parts:
            frame = read_parquet(self.storage, self.keys(table, part), None if columns is None else list(columns))
            left_out = self.parts[part].left_out
            yield part, frame.filter(~pl.col("landing_id").is_in(list(left_out))) if left_out else frame

    def long(self, table: str, parts: Collection[str] | None = None) -> Iterator[pl.DataFrame]:
        """One of TABLES as the contract has it, part by part; costs file by file, whatever their parts."""
        if table == "costs":
            yield from (typed(read_parquet(self.storage, key), COSTS) for key in self.costs if key.endswith(".parquet"))
            return
        for part, frame in self.frames(table, parts):
            if table == "measures":
                yield measures_long(frame, self.reasons(part))
            elif table == "instants":
                yield instants_long(frame, steps_of(frame))
            else:
                yield typed(frame, SCHEMAS[table])

    def measured(self, part: str, engines: Sequence[int]) -> Measured:
        """A part's measures, as they were judged."""
        ((_, frame),) = self.frames("measures", [part])
        return measured_from_wide(frame, engines, self.reasons(part))

    def measure_values(self, measure: str) -> pl.DataFrame:
        """One measure of every landing, without reading the others: `landing_id`, `value`; a row per engine it has."""
        frames = [pl.DataFrame(schema={"landing_id": pl.String, "value": pl.Float64})]
        for part, of in self.parts.items():
            scan = pl.scan_parquet(self.storage.place(self.keys("measures", part)))
            names = [c for c in scan.collect_schema().names() if "|" not in c and _measure_of(c) == measure]
            frame = scan.select("landing_id", *names).collect() if names else frames[0]
            frame = frame.filter(~pl.col("landing_id").is_in(list(of.left_out))) if of.left_out else frame
            frames += [frame.select("landing_id", value=pl.col(name).cast(pl.Float64)) for name in names]
        return pl.concat(frames)

    def scan(self, table: str) -> pl.LazyFrame:
        """One of TABLES, read part by part when it is collected; filters and columns are applied to each part."""
        return register_io_source(partial(_batches, partial(self.long, table)), schema=SCHEMAS[table], is_pure=True)

    def scan_measures(self, names: Sequence[str]) -> pl.LazyFrame:
        """The measures table of some measures (all when there is none), without reading the others. KeyError."""
        for name in names:
            if name not in CATALOGUE:
                raise KeyError(f"no measure {name!r}. {nearest(name, CATALOGUE)}")
        if not names:
            return self.scan("measures")
        return register_io_source(partial(_batches, partial(self._some_measures, names)), schema=MEASURES, is_pure=True)

    def _some_measures(self, names: Sequence[str]) -> Iterator[pl.DataFrame]:
        for part in self.parts:
            place = self.storage.place(self.keys("measures", part))
            keys = pl.scan_parquet(place).collect_schema().names()
            mine = [key for key in keys if key == "landing_id" or _measure_of(key) in names]
            for _, frame in self.frames("measures", [part], mine):
                yield measures_long(frame, self.reasons(part))


def _measure_of(key: str) -> str:
    """The measure that a column of the wide table is of: `deploy_delay_s` for `deploy_delay_s.2|upper`."""
    return key.partition("|")[0].partition(".")[0]


def _batches(
    frames: Callable[[], Iterator[pl.DataFrame]],
    columns: list[str] | None,
    predicate: pl.Expr | None,
    rows: int | None,
    _batch_size: int | None,
) -> Iterator[pl.DataFrame]:
    for frame in frames():
        chosen = frame if predicate is None else frame.filter(predicate)
        chosen = chosen if columns is None else chosen.select(columns)
        if rows is not None:
            chosen = chosen.head(rows)
            rows -= chosen.height
        yield chosen
        if rows == 0:
            return


SCHEMAS: Mapping[str, dict[str, Any]] = {
    "landings": LANDINGS,
    "events": EVENTS,
    "outcomes": OUTCOMES,
    "measures": MEASURES,
    "instants": INSTANTS,
    "health": HEALTH,
    "costs": COSTS,
}


# the list on disk ----------------------------------------------------------------------------------------------------


def read_whole(storage: Storage, folder: str) -> dict[str, Any]:
    """What stands in a folder's `whole.json`. ArchiveError when it is missing."""
    try:
        return dict(json.loads(storage.read(f"{folder}/{WHOLE}")))
    except (OSError, ValueError) as error:
        raise damaged(storage, f"{folder}/{WHOLE}", error) from None


def read_results(storage: Storage, name: str | None) -> Results:
    """The results that a list names; empty ones when there is no list."""
    if name is None:
        return Results(storage)
    try:
        data = json.loads(storage.read(name))
        parts = {part: _entry(entry) for part, entry in data["parts"].items()}
        return Results(storage, data["run"], parts, tuple(data.get("costs", ())))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise damaged(storage, name, error) from None


def _entry(entry: Mapping[str, Any]) -> PartResults:
    suspects = tuple((tail, int(engine)) for tail, engine in entry["suspects"])
    return PartResults(**{**entry, "left_out": tuple(entry["left_out"]), "suspects": suspects})


def results_bytes(results: Results) -> bytes:
    """The list as it is kept."""
    parts = {part: asdict(of) for part, of in sorted(results.parts.items())}
    return json.dumps({"format": FORMAT, "run": results.run, "parts": parts, "costs": results.costs}, indent=0).encode()
