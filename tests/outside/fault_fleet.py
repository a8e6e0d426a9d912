"""Landings flown with JSBSim once, recorded once each, and exported as often as wanted, with faults or without.

`fly_fleet` flies and samples; `export` writes recordings as a folder of an operator; `study` loads and judges them and
lays what the product said beside the truth, one row for each recording and rule.
"""

from __future__ import annotations

import math
import multiprocessing
import os
import warnings
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np
import polars as pl

from . import jsbsim_fleet
from .fault_tools import STAMPS, Fault, Recording
from .faults import FAULTS, inject
from .jsbsim_landing import Flown, Plan, fly, prepare
from .jsbsim_truth import Truth, truth
from .judging import SEVERITIES, rules, severity
from .least_widths import Recorder, least_width
from .recorder import Channel, Flight, map_text, sampled

GRID_S = 1 / 16  # rows of the exported table
LEAD_IN_S = 30.0  # JSBSim's flights begin at 150 ft; the recording begins so much earlier on the same steady approach
DESCENDING = ("radio_height", "latitude", "longitude")
CODES = {"states": {"0": "stowed", "1": "in_transit", "2": "deployed"}}
FACTS = {"start_utc": "2026-11-16T08:00:00Z", "arrival": "ZZJS", "runway": "09"}
SLACK_UNIT = {"spoiler_handle": 1 / 48, "spoiler_panel": 1 / 100}  # recorded units into canonical ones
NOTHING = (  # where none of it happened, a recorder has nothing to take for it
    "bounce_airborne_s",
    "unstowed_in_air_s",
    "forward_power_with_reverser_out_s",
    "autothrottle_in_reverse_s",
)
USUAL_G = 0.2  # deceleration of a landing that has no true one, for grey zones only
TICK = 0.02  # JSBSim's contacts and crossings are known to a tick of 0.01 s


@dataclass(frozen=True)
class Landed:
    """One flown landing, sampled: plan, truth, recording, layout (its fleet's name), map of the layout, recorder."""

    plan: Plan
    truth: Truth
    recording: Recording
    fleet: str
    map_text: str
    recorder: Recorder
    start_deg: tuple[float, float]

    @property
    def lapse(self) -> str:
        """What was done wrong."""
        return self.plan.name.rsplit("_", 1)[0]


@dataclass(frozen=True)
class Export:
    """A recording to be written under a flight's name: whose landing, which fault, what is in the file."""

    flight: str
    landed: Landed
    recording: Recording
    fault: str = "healthy"
    done: Fault | None = None


def fly_fleet(folder: Path, count: int, seed: int) -> list[Landed]:
    """Fly and sample so many landings of `jsbsim_fleet.plans`, on all processors."""
    land = partial(_land, models=prepare(folder), seed=seed)
    jobs = list(enumerate(jsbsim_fleet.plans(count, seed)))
    workers = min(os.cpu_count() or 1, count)
    if workers == 1:
        return [land(job) for job in jobs]
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
        return list(pool.map(land, jobs, chunksize=4))


def _land(job: tuple[int, Plan], models: Path, seed: int) -> Landed:
    number, plan = job
    flown = fly(plan, models)
    channels = [
        led_in(replace(c, entry=CODES if "states" in c.entry else c.entry), c.parameter in DESCENDING)
        for c in jsbsim_fleet.channels(flown)
    ]
    recording = record(channels, float(flown.time_s[-1]), np.random.default_rng([seed, number, 1]))
    fleet = "jsbsim " + plan.model.removesuffix("S")
    at = float(flown.log["latitude_deg"][0]), float(flown.log["longitude_deg"][0])
    text = map_text(Flight(fleet, 0.0, 0.0, channels, fleet))
    return Landed(plan, _truth(flown), recording, fleet, text, _recorder(channels), at)


def led_in(channel: Channel, descending: bool) -> Channel:
    """The channel with a steady approach before second 0, on which it changes only when it is `descending`."""
    begin, later = channel.signal(np.array([0.0, 1.0]))
    slope = later - begin if descending else 0.0
    return replace(channel, signal=lambda t: channel.signal(np.maximum(t, 0.0)) + slope * np.minimum(t, 0.0))


def _truth(flown: Flown) -> Truth:
    """JSBSim's truth, and the runway left at 60 kt: the flight begins above the threshold."""
    found = truth(flown)
    slow_s = found.touchdown_s + found.instants["speed_60kt", 0]
    rolled_m = float(np.interp(slow_s, flown.time_s, flown.log["distance_m"])) if math.isfinite(slow_s) else math.nan
    left_m = jsbsim_fleet.RUNWAY_LENGTH_FT * 0.3048 - rolled_m
    return replace(found, measures=found.measures | {("runway_left_60_m", 0): left_m})


def _recorder(channels: Sequence[Channel]) -> Recorder:
    slack = {c.parameter: c.resolution / 2 * SLACK_UNIT.get(c.parameter, 1.0) for c in channels}
    return Recorder({c.parameter: 1 / c.rate_hz for c in channels}, 0.0, slack)


def record(channels: Sequence[Channel], end_s: float, rng: np.random.Generator) -> Recording:
    """Every channel sampled at a phase of its own."""
    made: Recording = {}
    for channel in channels:
        phase_s = GRID_S * rng.integers(0, round(1 / channel.rate_hz / GRID_S))
        made[channel.parameter] = sampled(channel, -LEAD_IN_S, end_s, phase_s)
    rows = np.unique(np.concatenate([time_s for time_s, _ in made.values()]))
    return {STAMPS: (rows, rows.copy()), **made}


def table(export: Export) -> pl.DataFrame:
    """The wide sparse table of one flight, rows in the order of recording whatever their stamps say."""
    rows, stamps = export.recording[STAMPS]
    columns = [pl.Series("flight", [export.flight] * len(rows)), pl.Series("time_s", stamps)]
    for name, (time_s, values) in export.recording.items():
        if name != STAMPS:
            column = np.full(len(rows), np.nan)
            column[np.searchsorted(rows, time_s)] = values
            header = name.upper().replace(".", "_")
            columns.append(pl.Series(header, column, nan_to_null=True))
    return pl.DataFrame(columns)


def export(folder: Path, flights: Iterable[Export]) -> Path:
    """Write recordings as an operator's folder: a table for each layout and fault, maps, flights.csv, runways.csv."""
    (folder / "maps").mkdir(parents=True, exist_ok=True)
    groups: dict[str, list[Export]] = {}
    for one in flights:
        groups.setdefault(f"{one.landed.fleet.replace(' ', '_')}_{one.fault}", []).append(one)
    listed: list[dict[str, str]] = []
    for stem, group in groups.items():
        first = group[0].landed
        pl.concat([table(one) for one in group]).write_parquet(folder / f"{stem}.parquet")
        layout = f"maps/{first.fleet.replace(' ', '_')}.toml"
        (folder / layout).write_text(first.map_text)
        known = {"file": f"{stem}.parquet", "fleet": first.fleet, "map": layout, **FACTS}
        listed += [{"flight": one.flight, "tail": f"ZZ-{len(listed) + n}", **known} for n, one in enumerate(group)]
    pl.DataFrame(listed).write_csv(folder / "flights.csv")
    jsbsim_fleet.runways(*next(iter(groups.values()))[0].landed.start_deg).write_csv(folder / "runways.csv")
    return folder


def exports(fleet: Sequence[Landed], normals: int, seed: int) -> list[Export]:
    """Every landing healthy; every fault on so many normal landings and on one landing of each other lapse."""
    by_lapse: dict[str, list[Landed]] = defaultdict(list)
    for landed in fleet:
        by_lapse[landed.lapse].append(landed)
    made = [Export(f"healthy~{landed.plan.name}", landed, landed.recording) for landed in fleet]
    for n, fault in enumerate(FAULTS):
        for lapse, some in by_lapse.items():
            for landed in some[:normals] if lapse == "normal" else [some[n % len(some)]]:
                spoilt = inject(fault, landed.recording, np.random.default_rng([seed, n, fleet.index(landed)]))
                if spoilt is not None:
                    made.append(Export(f"{fault}~{landed.plan.name}", landed, spoilt[0], fault, spoilt[1]))
    return made


# -- what the product says of them ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Study:
    """What the product made of exported recordings.

    rows     a row for each flight and rule: flight, fault, lapse, fleet, rule, truth (value of the worst engine),
             true, lowest_true, highest_true (severities of the truth, and of all values that the recorder cannot tell
             from it), outcome, said, lowest, highest (severities), could (the highest that the measure's bounds
             leave open, of an event or not), reason, value, lower, upper
    quality  flight -> sentences on its recording, and why it was refused
    landings flight -> rows of the landings table
    warned   warnings while it worked; none is right, however bad the recording
    """

    rows: pl.DataFrame
    quality: Mapping[str, list[str]]
    landings: Mapping[str, pl.DataFrame] = field(repr=False)
    measures: pl.DataFrame = field(repr=False)
    warned: Sequence[str]


def study(folder: Path, flights: Sequence[Export]) -> Study:
    """Write, load and judge recordings, by the public functions."""
    from fdm.engine import detect, load  # the product is not needed to fly and to export
    from fdm.engine import table as result

    archive = folder / "archive"
    with warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        report = load([export(folder / "recordings", flights)], archive)
        detect(archive)
    landings, outcomes, events, measures = (result(archive, n) for n in ("landings", "outcomes", "events", "measures"))
    by_flight = {flight: part for (flight,), part in landings.partition_by("flight", as_dict=True).items()}
    quality = {flight: part["quality"].explode().drop_nulls().to_list() for flight, part in by_flight.items()}
    for source, message in report.flights.filter(pl.col("action") == "refused").select("source", "message").rows():
        quality.setdefault(source.rpartition("#")[2], []).append(message)
    said = outcomes.join(
        events.select(
            "landing_id", "rule", "severity", "severity_lowest", "severity_highest", "value", "lower", "upper"
        ),
        on=["landing_id", "rule"],
        how="left",
    )
    judged = {key[0]: part for key, part in said.partition_by("landing_id", as_dict=True).items()}
    rows = [row for one in flights for row in _rows(one, by_flight.get(one.flight), judged)]
    return Study(
        pl.DataFrame(rows, infer_schema_length=None), quality, by_flight, measures, [str(w.message) for w in warned]
    )


def nearest(landings: pl.DataFrame | None, landed: Landed) -> str | None:
    """The landing (id) whose touchdown is nearest to the true one."""
    if landings is None:
        return None
    off = (landings["touchdown_s"] - landed.truth.touchdown_s).abs().fill_null(math.inf)
    return landings["landing_id"][int(off.arg_min() or 0)]


def _rows(one: Export, landings: pl.DataFrame | None, judged: Mapping[str, pl.DataFrame]) -> Iterable[dict]:
    found = nearest(landings, one.landed)
    verdicts = {row["rule"]: row for row in judged[found].iter_rows(named=True)} if found else {}
    for rule, limits in rules().items():
        row = verdicts.get(rule, {"outcome": "not_assessed", "reason": "the recording was refused"})
        value, lowest, true, highest = true_severity(rule, limits, one.landed)
        yield {
            "flight": one.flight,
            "fault": one.fault,
            "lapse": one.landed.lapse,
            "fleet": one.landed.fleet,
            "rule": rule,
            "truth": value,
            "true": true,
            "lowest_true": lowest,
            "highest_true": highest,
            "outcome": row["outcome"],
            "said": SEVERITIES.index(row.get("severity") or "within"),
            "lowest": SEVERITIES.index(row.get("severity_lowest") or "within"),
            "highest": SEVERITIES.index(row.get("severity_highest") or "within"),
            "could": row.get("could") or 0,
            "reason": row["reason"],
            **{name: row.get(name) for name in ("value", "lower", "upper")},
        }


def could_be(measures: pl.DataFrame) -> pl.DataFrame:
    """The highest severity that bounds leave open (landing_id, rule, could), of any engine."""
    parts = []
    for name, rule in rules().items():
        sign, far = (1.0, "upper") if rule["direction"] == "above" else (-1.0, "lower")
        passed = [
            sign * pl.col(far) > sign * limit for limit in (rule["limits"].get(s) for s in SEVERITIES[1:]) if limit
        ]
        rank = pl.sum_horizontal(p.cast(pl.Int64).fill_null(0) for p in passed)
        mine = measures.filter(pl.col("measure") == rule["measure"])
        parts.append(mine.group_by("landing_id").agg(could=rank.max()).with_columns(rule=pl.lit(name)))
    return pl.concat(parts)


def true_severity(name: str, rule: dict, landed: Landed) -> tuple[float, int, int, int]:
    """(value, lowest, true, highest): severity of the worst engine's truth, and of values that may be taken for it."""
    measures = landed.truth.measures
    around = landed.lapse == "go_around" and rule.get("rollout", True)
    values = [v for (measure, _), v in measures.items() if measure == rule["measure"] and not math.isnan(v)]
    speed_kt, slowing_g = (measures.get((n, 0), math.nan) for n in ("touchdown_ground_speed_kt", "mean_deceleration_g"))
    return graded(rule, [] if around else values, landed.recorder, speed_kt, slowing_g)


def graded(
    rule: dict, values: Sequence[float], recorder: Recorder, speed_kt: float, slowing_g: float
) -> tuple[float, int, int, int]:
    """The worst of true values with its severity, and the severities of what a recorder cannot tell from it.

    The grey zone is the recorder's own, as derived in `least_widths`, and not what the product says of itself: a value
    in the middle of the narrowest bounds is off by half their width at the most.
    slowing_g   mean deceleration, NaN where the landing has none
    """
    if not values:
        return math.nan, 0, 0, 0
    worst = max(values, key=lambda v: (severity(rule, v), v if rule["direction"] == "above" else -v))
    grey = least_width(rule["measure"], recorder, speed_kt, USUAL_G if math.isnan(slowing_g) else slowing_g)
    grey = (0.0 if math.isnan(grey) else grey / 2) + (TICK if rule["unit"] not in ("count", "fraction") else 1e-3)
    if rule["measure"] in NOTHING and worst == 0:
        grey = 0.0
    ends = sorted(severity(rule, worst + by) for by in (-grey, grey))
    return worst, ends[0], severity(rule, worst), ends[1]
