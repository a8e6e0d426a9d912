"""What the product says of simulated landings, measure by measure, beside the truth that nobody told it.

A frame of spans has a row for each landing, measure and engine that has a true value: `source` (fleet), `fault`
("healthy" or what is wrong with the recording), `flight`, `measure`, `engine` (0 for none), `unit`, `truth`, `value`,
`lower`, `upper`, `least` (the narrowest bounds that the recorder allows, tests/outside/least_widths.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import polars as pl

from fdm.engine import detect, load, table
from sample_flights.layouts import Channel, Layout, layouts
from sample_flights.make import make
from tests.outside.fault_fleet import USUAL_G, Export, Landed, Study, nearest
from tests.outside.least_widths import Recorder, least_width

SPANS = {
    "source": pl.String,
    "fault": pl.String,
    "flight": pl.String,
    "measure": pl.String,
    "engine": pl.Int8,
    "unit": pl.String,
    "truth": pl.Float64,
    "value": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "least": pl.Float64,
}
SAME_LANDING_S = 20.0


# -- the invented airline ----------------------------------------------------------------------------------------


def airline_archive(folder: Path, landings: int, seed: int) -> tuple[Path, pl.DataFrame]:
    """The invented airline's recordings, loaded and detected: the archive, and the truth with landing ids."""
    recordings, archive = folder / f"airline-{landings}-{seed}", folder / f"airline-{landings}-{seed}-archive"
    if not (recordings / "truth.parquet").exists():
        make(recordings, landings=landings, seed=seed)
    load([recordings], archive)
    detect(archive)
    truth = pl.read_parquet(recordings / "truth.parquet")
    found = table(archive, "landings").select("flight", "landing_id", "touchdown_s")
    off_s = (pl.col("touchdown_s") - pl.col("touchdown_at_s")).abs()
    close = truth.join(found, on="flight").filter(off_s < SAME_LANDING_S)
    close = close.drop("touchdown_s").unique(["flight", "landing"], keep="first", maintain_order=True)
    return archive, close.with_columns(touchdown_s="touchdown_at_s")


def touchdowns(landings: pl.DataFrame) -> pl.DataFrame:
    """First contact as if it were a measure."""
    ends = {"value": "touchdown_s", "lower": "touchdown_earliest_s", "upper": "touchdown_latest_s"}
    return landings.select(
        "landing_id", measure=pl.lit("touchdown_s"), engine=pl.lit(0, pl.Int8), unit=pl.lit("s"), **ends
    )


def fault_of(truth: pl.DataFrame) -> pl.Series:
    """What is wrong with each recording of the airline: its first fault's kind, or "healthy"."""
    kind = pl.col("faults").list.first().str.split(":").list.first().fill_null("healthy")
    return truth.select(kind.alias("fault")).to_series()


def airline_spans(folder: Path, landings: int, seed: int) -> pl.DataFrame:
    """Spans of the invented airline's landings."""
    archive, truth = airline_archive(folder, landings, seed)
    measures = table(archive, "measures").with_columns(pl.col("engine").fill_null(0))
    measures = pl.concat([measures, touchdowns(table(archive, "landings"))], how="diagonal")
    names = [name for name in measures["measure"].unique().sort() if name in truth.columns]
    keys = truth.select("landing_id", "flight", source="fleet", fault=fault_of(truth))
    parts = [_one_measure(name, truth, keys) for name in names]
    spans = pl.concat(parts).join(measures, on=["landing_id", "measure", "engine"], how="left")
    return spans.join(_least_widths(truth, names), on=["landing_id", "measure"]).select(*SPANS)


def _one_measure(name: str, truth: pl.DataFrame, keys: pl.DataFrame) -> pl.DataFrame:
    column = keys.with_columns(truth[name].alias("truth"), pl.lit(name).alias("measure"))
    if truth[name].dtype != pl.List:
        return column.with_columns(pl.lit(0, pl.Int8).alias("engine")).drop_nulls("truth")
    numbered = column.with_columns(engine=pl.int_ranges(1, pl.col("truth").list.len() + 1, dtype=pl.Int8))
    return numbered.explode("truth", "engine").drop_nulls("truth").select(*column.columns, "engine")


def _least_widths(truth: pl.DataFrame, names: Sequence[str]) -> pl.DataFrame:
    recorders = {layout.fleet.name: recorder_of(layout) for layout in layouts()}
    columns = truth.select("landing_id", "fleet", "touchdown_ground_speed_kt", "mean_deceleration_g")
    rows = [
        (landing, name, least_width(name, recorders[fleet], speed_kt, slowing_g or USUAL_G))
        for landing, fleet, speed_kt, slowing_g in columns.iter_rows()
        for name in names
    ]
    return pl.DataFrame(rows, schema={"landing_id": pl.String, "measure": pl.String, "least": pl.Float64}, orient="row")


def recorder_of(layout: Layout) -> Recorder:
    """Rates and doubts of one of the airline's layouts; in its held tables a stamp may be a row late."""
    lag_s = 1 / 8 if layout.form == "held" else 0.0
    return Recorder(
        {c.name: 1 / c.rate_hz for c in layout.channels}, lag_s, {c.name: _slack(c) for c in layout.channels}
    )


def _slack(channel: Channel) -> float:
    return (channel.resolution / 2 + 2.5 * channel.noise) / channel.per_unit


# -- landings flown with JSBSim ----------------------------------------------------------------------------------


def jsbsim_spans(exports: Sequence[Export], found: Study) -> pl.DataFrame:
    """Spans of exported JSBSim landings."""
    measures = found.measures.with_columns(pl.col("engine").fill_null(0))
    touched = [touchdowns(landings) for landings in found.landings.values()]
    by_landing = pl.concat([measures, *touched], how="diagonal").partition_by("landing_id", as_dict=True)
    rows = []
    for one in exports:
        landing = nearest(found.landings.get(one.flight), one.landed)
        if landing is not None:
            said = {(r["measure"], r["engine"]): r for r in by_landing[landing,].iter_rows(named=True)}
            rows += _landing(one, one.landed, said)
    return pl.DataFrame(rows, schema=SPANS, orient="row")


def _landing(one: Export, landed: Landed, said: dict[tuple[str, int], dict]) -> list[tuple]:
    measures = landed.truth.measures
    speed_kt, slowing_g = (measures.get((n, 0), math.nan) for n in ("touchdown_ground_speed_kt", "mean_deceleration_g"))
    slowing_g = USUAL_G if math.isnan(slowing_g) else slowing_g
    rows = []
    for (name, engine), true in {("touchdown_s", 0): landed.truth.touchdown_s, **measures}.items():
        row = said.get((name, engine))
        if row is not None and not math.isnan(true):
            least = least_width(name, landed.recorder, speed_kt, slowing_g)
            bounds = row["value"], row["lower"], row["upper"]
            rows.append((landed.fleet, one.fault, one.flight, name, engine, row["unit"], true, *bounds, least))
    return rows
