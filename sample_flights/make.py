"""Makes the invented airline's recordings with their truth.

    python -m sample_flights.make OUT [--landings 2000] [--seed 1] [--mixed]

The set in sample_flights/data: python -m sample_flights.make sample_flights/data --landings 60 --seed 47 --mixed
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

from sample_flights import writing
from sample_flights.flying import Flown, fly
from sample_flights.layouts import layouts, map_text
from sample_flights.schedule import Flight, flights

BLOCK = 1300  # landings flown at once; bounds memory


def make(folder: Path | str, *, landings: int = 2000, seed: int = 1, mixed: bool = False) -> Path:
    """Write recordings, maps/, flights.csv, runways.csv and truth.parquet of so many flights; same seed, same files.

    mixed   every form that can be read (wide sparse and held, long, one flight or many to a file) and not only the
            fast one, a Parquet table for each fleet and week
    """
    folder = Path(folder)
    (folder / "maps").mkdir(parents=True, exist_ok=True)
    schedule = flights(landings, np.random.default_rng([seed, 0]))
    write = _write_mixed if mixed else _write_weeks
    lists, truths = [], []
    for number, layout in enumerate(layouts()):
        (folder / "maps" / f"{layout.fleet.key}.toml").write_text(map_text(layout), encoding="utf-8", newline="\n")
        rng = np.random.default_rng([seed, 1, number])
        for group in _blocks([f for f in schedule if f.fleet is layout.fleet]):
            flown = fly(group, layout, rng)
            listed = write(folder, flown)
            lists.append(listed)
            truths.append(listed.select("file", "flight").join(flown.truth, on="flight", maintain_order="right"))
    writing.write_runways(folder)
    pl.concat(lists).sort("start_utc", "flight").write_csv(folder / "flights.csv")
    pl.concat(truths, how="diagonal").write_parquet(folder / "truth.parquet", statistics=False)
    return folder


def _blocks(listed: list[Flight]) -> list[list[Flight]]:
    """Whole weeks together, at most about BLOCK landings in each."""
    weeks: dict[int, list[Flight]] = defaultdict(list)
    for flight in listed:
        weeks[flight.week].append(flight)
    blocks: list[list[Flight]] = []
    for week in sorted(weeks):
        if blocks and len(blocks[-1]) + len(weeks[week]) <= BLOCK:
            blocks[-1] = blocks[-1] + weeks[week]
        else:
            blocks.append(weeks[week])
    return blocks


def _write_weeks(folder: Path, flown: Flown) -> pl.DataFrame:
    """One Parquet table for each week; returns the rows of flights.csv."""
    key = flown.layout.fleet.key
    (folder / key).mkdir(exist_ok=True)
    made = []
    for week in sorted({f.week for f in flown.listed}):
        chosen = [i for i, f in enumerate(flown.listed) if f.week == week]
        file = f"{key}/{flown.listed[chosen[0]].iso_week}.parquet"
        made.append(_many(folder, flown, chosen, file))
    return pl.concat(made)


def _write_mixed(folder: Path, flown: Flown) -> pl.DataFrame:
    """Some flights in files of their own, in the layout's own form as CSV; the others in one Parquet table."""
    layout = flown.layout
    every = {"sparse": 3, "held": 6, "long": 2}[layout.form]
    alone = [i for i in range(len(flown.listed)) if i % every == 0 and i not in flown.whole]
    (folder / layout.fleet.key).mkdir(exist_ok=True)
    shape: Callable[[pl.DataFrame, Flight], pl.DataFrame] = {
        "sparse": lambda wide, _: wide,
        "held": lambda wide, flight: writing.with_utc(wide, flight.start_utc),
        "long": lambda wide, _: writing.long(wide),
    }[layout.form]
    made = []
    for i in alone:
        flight = flown.listed[i]
        file = f"{layout.fleet.key}/{flight.flight}.csv"
        shape(writing.table(flown, [i], names=False), flight).write_csv(folder / file)
        made.append(writing.listing(flown, [i], [file]))
    rest = [i for i in range(len(flown.listed)) if i not in alone]
    if rest:
        made.append(_many(folder, flown, rest, f"{layout.fleet.key}/flights.parquet"))
    return pl.concat(made)


def _many(folder: Path, flown: Flown, chosen: list[int], file: str) -> pl.DataFrame:
    writing.table(flown, chosen, names=True).write_parquet(folder / file, compression="zstd", statistics=False)
    return writing.listing(flown, chosen, [file] * len(chosen))


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Make the invented airline's recordings with their known truth.")
    parser.add_argument("out", type=Path)
    parser.add_argument("--landings", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--mixed", action="store_true", help="write every form of recording, not only weekly tables")
    given = parser.parse_args()
    print(make(given.out, landings=given.landings, seed=given.seed, mixed=given.mixed))


if __name__ == "__main__":
    main()
