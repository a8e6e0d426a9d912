"""What detect does with some parts of an archive: measure what has not been measured, judge what must be judged anew.

These functions know nothing of other parts, so they run in this process, in another one or on another machine alike.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from fdm.bounded import Measured, Reasons
from fdm.errors import FdmError
from fdm.judge import judge
from fdm.measuring import measure_block
from fdm.origin import explain
from fdm.partitions import read_layout, read_part, stack_blocks
from fdm.results import JUDGED, MEASURED, WHOLE, PartResults, read_whole
from fdm.rulebook import RuleBook
from fdm.schemas import EVENTS
from fdm.storage import FORMAT, Storage, read_parquet, storage_of, write_parquet
from fdm.tails import DEAD, seen_of, suspects_of, without_dead
from fdm.versions import code_version
from fdm.wide import best_instants, instants_wide, measured_from_wide, measures_wide, with_values


@dataclass(frozen=True)
class PartJob:
    """What is to be done with one part.

    live      ids of the landings that count
    measured  folder of its measured values, to be made unless `known`
    before    the results in force, if any
    dead      dead discretes among its landings (tails.DEAD)
    settled   whether `dead` is final; else a part that hints at a dead discrete is not judged yet
    """

    part: str
    live: tuple[str, ...]
    measured: str
    known: bool
    before: PartResults | None
    dead: pl.DataFrame
    settled: bool


@dataclass(frozen=True)
class Job:
    """Some parts of an archive and the rule book. Parts that are to be measured are of one layout."""

    address: str
    book: RuleBook
    parts: tuple[PartJob, ...]

    @property
    def name(self) -> str:
        """What is being worked on, in words."""
        names = [part.part for part in self.parts]
        return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"


@dataclass(frozen=True)
class Done:
    """What became of one part: its results, or what is wrong with it."""

    part: str
    results: PartResults | None = None
    measured: int = 0  # landings
    judged: int = 0
    problem: str = ""


def run_job(job: Job) -> list[Done]:
    """Measure and judge the parts of a job; each fails alone."""
    storage, done = storage_of(job.address), []
    try:
        fresh = dict(_measure(storage, [p for p in job.parts if not p.known], job.book))
    except FdmError as error:
        if len(job.parts) == 1:
            return [Done(job.parts[0].part, problem=str(error))]
        return [one for part in job.parts for one in run_job(replace(job, parts=(part,)))]
    for part in job.parts:
        try:
            done.append(_judge_part(storage, part, job.book, fresh.get(part.part)))
        except FdmError as error:
            done.append(Done(part.part, problem=str(error)))
    return done


# keys ----------------------------------------------------------------------------------------------------------------


def measured_folder(part: str, settings_hash: str) -> str:
    """Where a part's measured values are kept; another folder when what they depend on changes."""
    return f"{MEASURED}/{part}-{digest(part, settings_hash, code_version())}"


def judged_folder(part: str, measured: str, dead: pl.DataFrame, book: RuleBook) -> str:
    """Where a part's judgements are kept."""
    return f"{JUDGED}/{part}-{digest(measured, dead_digest(dead), book.hash, book.label, code_version())}"


def dead_digest(dead: pl.DataFrame) -> str:
    """Digest of dead discretes; empty when there are none."""
    return digest(*dead.sort("landing_id", "engine").write_json().split("},")) if dead.height else ""


def live_digest(ids: Sequence[str]) -> str:
    """Digest of the landings that count, in any order."""
    return digest(*sorted(ids))


def digest(*texts: str) -> str:
    """A short digest of texts."""
    return hashlib.blake2b("\0".join(texts).encode(), digest_size=6).hexdigest()


# measuring -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Fresh:
    """A part's measured values, just made, as they are kept."""

    landings: pl.DataFrame
    measures: pl.DataFrame
    instants: pl.DataFrame
    reasons: list[str]
    suspects: tuple[tuple[str | None, int], ...]


def _measure(storage: Storage, parts: Sequence[PartJob], book: RuleBook) -> Iterator[tuple[str, Fresh]]:
    """Measure parts of one layout together, and keep what was measured part by part."""
    if not parts:
        return
    blocks = [read_part(storage, part.part) for part in parts]
    ends = np.cumsum([block.facts.height for block in blocks]).tolist()
    reasons = Reasons()
    result = measure_block(stack_blocks(blocks), book.settings, reasons)
    measures, instants = measures_wide(result), instants_wide(result)
    seen = seen_of(result.measured, {name: when.best for name, when in result.instants.items()})
    for part, start, end in zip(parts, [0, *ends], ends, strict=False):
        rows = slice(start, end)
        landings = result.landings[rows]
        hints = _of_rows(seen, ends[-1], rows)
        suspects = suspects_of(landings, hints)
        fresh = Fresh(landings, measures[rows], instants[rows], list(reasons.sentences), suspects)
        _keep_measured(storage, part.measured, fresh, _of_rows(result.health, ends[-1], rows), hints)
        yield part.part, fresh


def _of_rows(frame: pl.DataFrame, n: int, rows: slice) -> pl.DataFrame:
    """Some landings' rows of a frame that has the rows of all n landings, one after another, several times."""
    landing = np.arange(frame.height) % n
    return frame.filter(pl.Series((landing >= rows.start) & (landing < rows.stop)))


def _keep_measured(storage: Storage, folder: str, fresh: Fresh, health: pl.DataFrame, seen: pl.DataFrame) -> None:
    storage.remove(folder)  # what a run that was killed left in it
    tables = {"landings": fresh.landings, "measures": fresh.measures, "instants": fresh.instants}
    for name, frame in {**tables, "health": health, "seen": seen}.items():
        write_parquet(storage, f"{folder}/{name}.parquet", frame)
    keep_whole(storage, folder, {"reasons": fresh.reasons, "suspects": fresh.suspects})


def keep_whole(storage: Storage, folder: str, content: Mapping[str, Any]) -> None:
    """Put the last file into a folder, which says that it is whole."""
    storage.write(f"{folder}/{WHOLE}", json.dumps({"format": FORMAT, **content}).encode())


def _kept(storage: Storage, folder: str) -> Fresh:
    """A part's measured values from before; instants are read when they are asked for."""
    whole = read_whole(storage, folder)
    landings, measures = (read_parquet(storage, f"{folder}/{name}.parquet") for name in ("landings", "measures"))
    suspects = tuple((tail, int(engine)) for tail, engine in whole["suspects"])
    return Fresh(landings, measures, pl.DataFrame(), list(whole["reasons"]), suspects)


# judging -------------------------------------------------------------------------------------------------------------


def _judge_part(storage: Storage, job: PartJob, book: RuleBook, fresh: Fresh | None) -> Done:
    values = fresh or _kept(storage, job.measured)
    ids = values.landings["landing_id"]
    left_out = tuple(ids.filter(~ids.is_in(list(job.live))))
    results = PartResults(
        measured=job.measured,
        judged="",
        live=live_digest(job.live),
        landings=len(ids) - len(left_out),
        dead=dead_digest(job.dead),
        left_out=left_out,
        suspects=values.suspects,
    )
    if values.suspects and not job.settled:
        return Done(job.part, results, 0 if fresh is None else len(ids))
    folder = judged_folder(job.part, job.measured, job.dead, book)
    if storage.exists(f"{folder}/{WHOLE}"):
        whole = read_whole(storage, folder)
        outcomes, events = (read_parquet(storage, f"{folder}/{name}.parquet") for name in ("outcomes", "events"))
        believed, judged = bool(whole["believed"]), 0
    else:
        outcomes, events, believed, anew = _judged(storage, job, book, values, folder)
        judged = values.landings.height if anew else 0
    there = ~pl.col("landing_id").is_in(list(left_out))
    results = replace(
        results,
        judged=folder,
        believed=believed,
        events=dict(events.filter(there)["severity"].value_counts().iter_rows()),
        outcomes=dict(outcomes.filter(there)["outcome"].value_counts().iter_rows()),
    )
    return Done(job.part, results, 0 if fresh is None else len(ids), judged)


def _judged(
    storage: Storage, job: PartJob, book: RuleBook, values: Fresh, folder: str
) -> tuple[pl.DataFrame, pl.DataFrame, bool, bool]:
    """Outcomes and events of a part, as kept; whether some measures were not believed, and some rule judged anew."""
    engines, reasons = read_layout(storage, job.part).reversers, Reasons.of(values.reasons)
    measured = measured_from_wide(values.measures, engines, values.reasons)
    believed = without_dead(measured, job.dead, reasons)
    kept, outcomes, events = _still_valid(storage, job, book)
    anew = replace(book, rules={name: rule for name, rule in book.rules.items() if name not in kept})
    if anew.rules:
        judged = judge(anew, believed.measured, values.landings)
        outcomes = [*outcomes, judged.outcomes]
        events = [*events, judged.events]
    ids, rules = values.landings["landing_id"], list(book.rules)
    all_outcomes = _in_order(pl.concat(outcomes), ids, rules) if kept else outcomes[0]
    all_events = _in_order(pl.concat(events), ids, rules) if kept else events[0]
    all_events = _explained(storage, job, all_events, believed.measured, values)
    all_events = all_events.with_columns(rule_book=pl.lit(book.label))
    storage.remove(folder)  # what a run that was killed left in it
    write_parquet(storage, f"{folder}/outcomes.parquet", all_outcomes)
    write_parquet(storage, f"{folder}/events.parquet", all_events)
    if believed.changed:
        write_parquet(storage, f"{folder}/measures.parquet", with_values(values.measures, believed.measured))
    hashes = {name: rule.hash for name, rule in book.rules.items()}
    content = {
        "believed": believed.changed,
        "rules": hashes,
        "dead": dead_digest(job.dead),
        "measured": job.measured,
    }
    keep_whole(storage, folder, {**content, "reasons": list(reasons.sentences) if believed.changed else []})
    return all_outcomes, all_events, believed.changed, bool(anew.rules)


def _explained(storage: Storage, job: PartJob, events: pl.DataFrame, measured: Measured, values: Fresh) -> pl.DataFrame:
    if not events.height:
        return pl.DataFrame(schema=EVENTS)
    instants = values.instants
    if not instants.width:
        instants = read_parquet(storage, f"{job.measured}/instants.parquet")
    return explain(events, measured, best_instants(instants, measured.engines)).select(list(EVENTS))


def _still_valid(
    storage: Storage, job: PartJob, book: RuleBook
) -> tuple[set[str], list[pl.DataFrame], list[pl.DataFrame]]:
    """Rules whose judgements of before still hold, and their outcomes and events."""
    before = job.before
    if before is None or before.measured != job.measured or before.dead != dead_digest(job.dead):
        return set(), [], []
    hashes = read_whole(storage, before.judged)["rules"]
    kept = {name for name, rule in book.rules.items() if hashes.get(name) == rule.hash}
    if not kept:
        return kept, [], []
    mine = pl.col("rule").is_in(list(kept))
    frames = [read_parquet(storage, f"{before.judged}/{name}.parquet").filter(mine) for name in ("outcomes", "events")]
    return kept, [frames[0]], [frames[1]]


def _in_order(frame: pl.DataFrame, ids: pl.Series, rules: Sequence[str]) -> pl.DataFrame:
    """Landing by landing, in the order of the part, and rule by rule in the order of the book."""
    places = pl.DataFrame({"landing_id": ids}).with_row_index("_landing")
    order = pl.DataFrame({"rule": pl.Series(rules, dtype=pl.String)}).with_row_index("_rule")
    joined = frame.join(places, on="landing_id", how="left").join(order, on="rule", how="left")
    return joined.sort("_landing", "_rule").drop("_landing", "_rule")


NOTHING_DEAD = pl.DataFrame(schema=DEAD)
