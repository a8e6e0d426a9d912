"""The shipped recordings dealt out over nights, as an operator's ground station would drop them, a folder each."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

import polars as pl

from fdm.archive import Archive
from fdm.engine import table

DATA = Path(__file__).parent.parent / "sample_flights" / "data"
TABLES = ("landings", "instants", "measures", "outcomes", "events")
DEAD_TAIL = "QQ-LXX"  # of the flights whose first reverser is made to read stowed for ever


def nights(top: Path, count: int, *, fewer: int | None = None, dead: int = 0) -> list[Path]:
    """So many folders, each with its recordings, flights.csv and maps; every flight is in one of them.

    fewer   only so many flights in all
    dead    so many flights of one type and one aircraft whose reverser discretes of engine 1 never change, one a night
    """
    flights = pl.read_csv(DATA / "flights.csv", infer_schema=False).sort("start_utc", "flight")
    flights = flights.head(fewer) if fewer else flights
    dealt = flights.with_columns(night=pl.int_range(pl.len()) % count)
    chosen = flights.filter(pl.col("file") == "tern200/flights.parquet")["flight"].head(dead).to_list()
    for number, flight in enumerate(chosen):
        mine = pl.col("flight") == flight
        dealt = dealt.with_columns(
            night=pl.when(mine).then(number % count).otherwise("night"),
            tail=pl.when(mine).then(pl.lit(DEAD_TAIL)).otherwise("tail"),
        )
    return [
        _night(top / f"night-{n:02d}", dealt.filter(pl.col("night") == n).drop("night"), chosen) for n in range(count)
    ]


def _night(folder: Path, flights: pl.DataFrame, dead: Sequence[str]) -> Path:
    folder.mkdir(parents=True)
    shutil.copytree(DATA / "maps", folder / "maps")
    shutil.copy(DATA / "runways.csv", folder)
    for (file,), rows in flights.group_by("file"):
        target = folder / str(file)
        target.parent.mkdir(exist_ok=True)
        if target.suffix == ".csv":
            shutil.copy(DATA / str(file), target)
            continue
        recorded = pl.read_parquet(DATA / str(file)).filter(pl.col("flight").is_in(rows["flight"].to_list()))
        silenced = pl.col("flight").is_in(list(dead))
        names = [name for name in recorded.columns if name.startswith("T/R 1")] if str(file).startswith("tern") else []
        stuck = [pl.when(silenced & pl.col(n).is_not_null()).then(0).otherwise(n).alias(n) for n in names]
        recorded.with_columns(stuck).write_parquet(target)
    flights.write_csv(folder / "flights.csv")
    return folder


def tables(archive: Path | str) -> dict[str, pl.DataFrame]:
    """Every table of an archive's results, rows in an order of their own."""
    return {name: in_order(table(archive, name)) for name in TABLES}


def in_order(frame: pl.DataFrame) -> pl.DataFrame:
    """Rows sorted by every column that can be; the rule book's label apart."""
    keys = [name for name, kind in frame.schema.items() if not isinstance(kind, pl.List)]
    return frame.sort(keys, nulls_last=True)


def assert_same(one: dict[str, pl.DataFrame], other: dict[str, pl.DataFrame]) -> None:
    """Every table alike, row for row."""
    for name in TABLES:
        assert one[name].equals(other[name]), f"{name} differs"


def landing_ids(archive: Path | str) -> list[str]:
    """Every landing in force, as often as it is."""
    return Archive(archive).files()["landing_ids"].explode().drop_nulls().to_list()
