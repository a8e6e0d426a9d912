"""Makes the invented airline's recordings with their truth.

    python -m sample_flights.make OUT [--landings 2000] [--seed 1]
"""

from __future__ import annotations

import argparse
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from sample_flights import anomalies, physics, recorder, truth, writing
from sample_flights.layouts import Layout, layouts, map_text
from sample_flights.plan import NEVER, normal
from sample_flights.schedule import Flight, flights, tell_stories

BLOCK = 700          # landings flown at once; bounds memory


def make(folder: Path | str, *, landings: int = 2000, seed: int = 1) -> Path:
    """Write recordings, maps/, flights.csv, runways.csv and truth.parquet of so many landings; same seed, same files."""
    folder = Path(folder)
    (folder / "maps").mkdir(parents=True, exist_ok=True)
    schedule = flights(landings, np.random.default_rng([seed, 0]))
    lists, truths = [], []
    for number, layout in enumerate(layouts()):
        (folder / "maps" / f"{layout.fleet.key}.toml").write_text(map_text(layout), encoding="utf-8")
        rng = np.random.default_rng([seed, 1, number])
        for group in _blocks([f for f in schedule if f.fleet is layout.fleet]):
            flown = fly(group, layout, rng)
            lists.append(_write(folder, flown))
            truths.append(flown.truth)
    writing.write_runways(folder)
    pl.concat(lists).sort("start_utc").write_csv(folder / "flights.csv")
    pl.concat(truths, how="diagonal").write_parquet(folder / "truth.parquet")
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


@dataclass
class Flown:
    """Landings of one fleet, recorded, with their truth."""

    listed: list[Flight]
    layout: Layout
    samples: writing.Samples
    rows: np.ndarray
    truth: pl.DataFrame


def fly(listed: list[Flight], layout: Layout, rng: np.random.Generator) -> Flown:
    """Plan, fly, record and tell the truth of some flights of one fleet."""
    fleet, runways = layout.fleet, [f.runway for f in listed]
    plan = normal(rng, fleet, runways)
    anomalies.inject(plan, fleet, runways, [f.deal for f in listed], rng)
    stories = tell_stories(plan, listed, rng)
    history = physics.fly(plan, fleet, runways, rng)
    start_s, rows = recorder.usual_span(plan, history, rng)
    block = recorder.Block(fleet, plan, history, runways, start_s, rows)
    out = np.array([[e in f.reversers_out for f in listed] for e in range(1, fleet.engines + 1)])
    said = truth.tell(history, plan, fleet, runways, block.end_s, out)
    samples = recorder.sample(block, layout, rng)
    known = pl.DataFrame({
        "flight": [f.flight for f in listed],
        "landing": pl.Series([1] * len(listed), dtype=pl.Int8),
        "tail": [f.tail for f in listed],
        "fleet": fleet.name,
        "kind": np.where(plan.go_around_s < NEVER, "go_around", "full_stop"),
        "anomaly": [f.deal[0] if f.deal else None for f in listed],
        "strength": [f.deal[1] if f.deal else None for f in listed],
        "stories": pl.Series(stories, dtype=pl.List(pl.String)),
    })
    return Flown(listed, layout, samples, rows, known.hstack(truth.frame(said, -start_s)))


def _write(folder: Path, flown: Flown) -> pl.DataFrame:
    """One table for each week; returns the rows of flights.csv."""
    key = flown.layout.fleet.key
    (folder / key).mkdir(exist_ok=True)
    weeks = np.array([f.week for f in flown.listed])
    made = []
    for week in np.unique(weeks):
        chosen = np.flatnonzero(weeks == week)
        here = [flown.listed[i] for i in chosen]
        file = f"{key}/{here[0].iso_week}.parquet"
        samples = {name: values[chosen] for name, values in flown.samples.items()}
        rows = flown.rows[chosen]
        table = writing.wide(samples, flown.layout, rows, np.zeros(len(here)), [f.flight for f in here])
        table.write_parquet(folder / file, compression="zstd", statistics=False)
        made.append(_listed(here, [file] * len(here), f"maps/{key}.toml"))
    return pl.concat(made)


def _listed(flights_: list[Flight], files: list[str], map_file: str) -> pl.DataFrame:
    return pl.DataFrame({
        "file": files,
        "tail": [f.tail for f in flights_],
        "fleet": [f.fleet.name for f in flights_],
        "start_utc": [f"{f.start_utc:%Y-%m-%dT%H:%M:%S}.{f.start_utc.microsecond // 1000:03d}Z" for f in flights_],
        "departure": [f.departure for f in flights_],
        "arrival": [f.runway.airport for f in flights_],
        "runway": [f.runway.ident for f in flights_],
        "flight": [f.flight for f in flights_],
        "map": [map_file] * len(files),
        "reversers_out": [";".join(map(str, f.reversers_out)) for f in flights_],
    })


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Make the invented airline's recordings with their known truth.")
    parser.add_argument("out", type=Path)
    parser.add_argument("--landings", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    print(make(given.out, landings=given.landings, seed=given.seed))


if __name__ == "__main__":
    main()
