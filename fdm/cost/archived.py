"""What all events of an archive cost, worked out in tasks and kept in the archive.

    costs/<key>.json      what one type's normal landings taught, a quarter's landings at a time
    costs/<key>.parquet   what some events of that type cost

A file's key stands for everything that it was made from: what has not changed since is not worked out again.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import numpy as np
import polars as pl

from fdm.archive import Archive
from fdm.bounded import Reasons
from fdm.cost.estimate import estimate
from fdm.cost.fleet import MOST_LANDINGS, fit_fleet, from_json
from fdm.cost.lapses import LAPSES
from fdm.cost.laying import rolls_of
from fdm.cost.rolls import Rolls, join
from fdm.crew import crew_of
from fdm.detecting import digest
from fdm.errors import ArchiveError
from fdm.frames import Block
from fdm.partitions import read_part
from fdm.results import COSTED
from fdm.schemas import COSTS
from fdm.screening import screened
from fdm.settings import Settings
from fdm.steps import Rollout
from fdm.storage import Storage, storage_of, write_parquet
from fdm.versions import code_version

Progress = Callable[[int, int, str], None]
SPARE = 2  # normal landings looked at for each one learned from: some cannot be laid out
ENOUGH = 30  # normal landings in a quarter, to learn from these alone
TOGETHER = 400  # events

Parts = Mapping[str, tuple[str, ...]]  # part -> ids of some of its landings


@dataclass(frozen=True)
class Lesson:
    """One type's normal landings, to be learned from; kept under `key`."""

    address: str
    key: str
    settings: Settings
    normal: Parts

    @property
    def name(self) -> str:
        """What is being worked on, in words."""
        return "a type's normal landings"


@dataclass(frozen=True)
class Bill:
    """Some events of one type: event_id, landing_id, rule, engine, part; their costs are kept under `key`."""

    address: str
    key: str
    settings: Settings
    model: str
    events: pl.DataFrame

    @property
    def name(self) -> str:
        """What is being worked on, in words."""
        return f"the costs of {self.events.height} events"


@dataclass(frozen=True)
class CostReport:
    """How many events there are of the kinds that have a cost, of how many it could be told, and how many were new."""

    events: int
    told: int
    estimated: int


def keep_costs(
    archive: Path | str,
    *,
    workers: int = 1,
    cluster: str | None = None,
    wait: bool = False,
    progress: Progress | None = None,
) -> CostReport:
    """Work out what every event of an archive cost, and put it in force beside the events (Archive.costs).

    Types are learned from up to 60 of their landings without any event of a rule in LAPSES; from those of the event's
    quarter of the year where there are enough, so that a new night leaves the costs of earlier quarters as they are.

    raises   ArchiveError when there is no archive, nothing was detected yet, or another command is writing
    """
    store = Archive(archive)
    with store.writing("cost", wait=wait), crew_of(workers, cluster) as crew:
        lessons, bills = plan(store)
        todo = [one for one in bills if not store.storage.exists(one.key)]
        wanted = {bill.model for bill in todo}
        learn = [one for one in lessons if one.key in wanted and not store.storage.exists(one.key)]
        done, total = 0, len(learn) + len(todo)
        for work, tasks in ((learn_type, learn), (cost_some, todo)):
            for name in crew.map(work, tasks):  # type: ignore[arg-type]
                done += 1
                if progress:
                    progress(done, total, name)
        keys = tuple(sorted({one.key for one in bills} | {one.key for one in lessons}))
        if keys != store.results.costs:
            run = {**store.run, "costed_utc": datetime.now(UTC).isoformat(timespec="seconds")}
            store.replace(results=replace(store.results, run=run, costs=keys))
        costs = store.costs()
    told = costs["extra_m"].len() - costs["extra_m"].null_count()
    return CostReport(costs.height, told, sum(bill.events.height for bill in todo))


# what is to be done --------------------------------------------------------------------------------------------------


def plan(store: Archive) -> tuple[list[Lesson], list[Bill]]:
    """Everything that the costs of an archive come from. ArchiveError before detect."""
    events = _events(store)
    if set(store.results.parts) - set(store.parts()):
        problem = "recordings were loaded since the landings were judged, or an older version judged them"
        raise ArchiveError(problem, source=store.address, cure="Run: fdm detect --archive DIR.")
    if not events.height:
        return [], []
    landings, settings = _landings(store), Settings(**store.run["settings"])
    normal = landings.filter(
        (pl.col("kind") == "full_stop") & ~pl.col("landing_id").is_in(events["landing_id"].implode())
    )
    of_type = events.join(landings, on="landing_id", maintain_order="left")
    basis = (method_version(), json.dumps(store.run["settings"], sort_keys=True))
    lessons: dict[str, Lesson] = {}
    bills: list[Bill] = []
    for (fleet, engines, quarter), group in of_type.group_by("fleet", "engines", "quarter", maintain_order=True):
        alike = normal.filter(pl.col("fleet").eq_missing(pl.lit(fleet)), pl.col("engines") == engines)
        chosen = to_learn_from(alike, quarter)
        about = (*basis, str(fleet), str(engines))
        model = f"{COSTED}/{digest(*about, *_content(chosen))}.json"
        lessons[model] = Lesson(store.address, model, settings, _by_part(chosen))
        for some in group.sort("part", "landing_id", "rule").iter_slices(TOGETHER):
            key = f"{COSTED}/{digest(model, *_content(some.sort('event_id')))}.parquet"
            columns = some.select("event_id", "landing_id", "rule", "engine", "part")
            bills.append(Bill(store.address, key, settings, model, columns))
    return list(lessons.values()), bills


def to_learn_from(normal: pl.DataFrame, quarter: str | None) -> pl.DataFrame:
    """Some of a type's normal landings, spread evenly over a quarter, or over all where it has too few."""
    within = normal.filter(pl.col("quarter").eq_missing(pl.lit(quarter)))
    some = (within if within.height >= ENOUGH else normal).sort("touchdown_utc", "landing_id")
    return some[np.linspace(0, some.height - 1, min(some.height, SPARE * MOST_LANDINGS)).astype(int).tolist()]


def _events(store: Archive) -> pl.DataFrame:
    frames = [f for _, f in store.results_now().frames("events", columns=["event_id", "landing_id", "rule", "engine"])]
    return pl.concat(frames).filter(pl.col("rule").is_in(list(LAPSES))) if frames else pl.DataFrame()


def _landings(store: Archive) -> pl.DataFrame:
    """Landings in force: fleet, kind, touchdown_utc, `quarter`, `part`, `engines`, `hash` of their recording."""
    columns = ["landing_id", "fleet", "kind", "touchdown_utc"]
    frames = [
        frame.with_columns(part=pl.lit(part), engines=pl.lit(store.layout(part).engines, pl.Int8))
        for part, frame in store.results_now().frames("landings", columns=columns)
    ]
    files = store.files(["landing_ids", "recording_hash"]).explode("landing_ids").drop_nulls("landing_ids")
    hashes = files.unique("landing_ids", keep="last").select(landing_id="landing_ids", hash="recording_hash")
    utc = pl.col("touchdown_utc")
    return (
        pl.concat(frames)
        .join(hashes, on="landing_id", how="left", maintain_order="left")
        .with_columns(
            pl.col("hash").fill_null(pl.col("part")), quarter=pl.format("{}-{}", utc.dt.year(), utc.dt.quarter())
        )
    )


def _content(rows: pl.DataFrame) -> list[str]:
    """What rows of landings, or of events, come from; whichever parts they lie in."""
    names = [name for name in ("event_id", "engine", "landing_id", "hash") if name in rows.columns]
    return rows.select(names).write_csv().splitlines()


def _by_part(landings: pl.DataFrame) -> Parts:
    grouped = landings.group_by("part", maintain_order=True).agg("landing_id")
    return {str(part): tuple(ids) for part, ids in grouped.iter_rows()}


@lru_cache(maxsize=1)
def method_version() -> str:
    """Digest of everything that decides what a cost is: the engine's source and this package's."""
    sources = sorted(Path(__file__).parent.glob("*.py"))
    return digest(code_version(), *(hashlib.blake2b(file.read_bytes()).hexdigest() for file in sources))


# tasks: they know nothing of each other, and run in this process, in another one or on another machine alike ---------


def learn_type(lesson: Lesson) -> str:
    """Learn one type and keep what was learned; the lesson's name."""
    storage = storage_of(lesson.address)
    parts = list(_rolls(storage, lesson.normal, lesson.settings))
    parts = [_in_order(join(parts))] if parts else []
    model = fit_fleet(parts)
    storage.write(lesson.key, b"null" if model is None else model.to_json().encode())
    return lesson.name


def _in_order(rolls: Rolls) -> Rolls:
    """The same whichever parts they came from: what is learned hangs on the order by rounding."""
    return rolls.take(np.argsort(rolls.landing_id.astype(str)))


def cost_some(bill: Bill) -> str:
    """Estimate what some events cost and keep it; the bill's name."""
    storage = storage_of(bill.address)
    text = storage.read(bill.model).decode()
    model = None if text == "null" else from_json(text)
    found = [estimate(rolls, bill.events, model) for rolls in _rolls(storage, _by_part(bill.events), bill.settings)]
    costs = pl.concat([pl.DataFrame(schema=COSTS), *found])
    order = bill.events.select("event_id")
    write_parquet(
        storage, bill.key, order.join(costs, on="event_id", how="left", maintain_order="left").select(list(COSTS))
    )
    return bill.name


def _rolls(storage: Storage, parts: Parts, settings: Settings) -> Iterator[Rolls]:
    """Rollouts of some landings, part by part."""
    for part, ids in parts.items():
        yield rolls_of_block(read_part(storage, part, only=ids), settings)


def rolls_of_block(block: Block, settings: Settings) -> Rolls:
    """Rollouts of a block, its faulty samples taken out."""
    reasons = Reasons()
    screen = screened(block, reasons)
    with np.errstate(invalid="ignore"):
        return rolls_of(Rollout(screen.block, settings, reasons, screen.unusable))
