"""Old landings kept as measures alone: who flew what and when is taken out, with every recorded series.

    <archive>.retained/<digest>/    landings, events, outcomes, measures, instants, costs: Parquet, without identities

A landing goes there under its pseudonym, with the month of its touchdown and the verdicts on its events, and then out
of the archive. Each step leaves a whole archive; one that was cut short is done again, to the same files.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from fdm.archive import Archive
from fdm.carrying import carry
from fdm.errors import FdmError
from fdm.partitions import read_part, write_part
from fdm.people.database import sync_folder
from fdm.people.pseudonyms import Pseudonyms
from fdm.people.roles import ANALYST, Actor, require
from fdm.people.store import People
from fdm.people.views import DAY, LEFT_OUT, seen_by
from fdm.results import COSTED, PartResults, Results
from fdm.storage import read_parquet, write_parquet

TABLES = ("landings", "events", "outcomes", "measures", "instants", "costs")
SENTENCES = ("reason", "notes")
NOTE = "kept as measures only"
SHORTEST_NAME = 3


@dataclass(frozen=True)
class Retained:
    """What is or would be reduced: landings, their events, those kept as they are because their day is not known,
    and the folder that holds the reduced ones (None while nothing was done)."""

    landings: int
    events: int
    undated: int
    folder: Path | None


def folder_beside(archive: Path) -> Path:
    """Where the reduced landings of an archive lie."""
    return archive.with_name(f"{archive.name}.retained")


def retain(
    archive: Path | str,
    older_than_days: int,
    *,
    people: People,
    names: Pseudonyms,
    by: Actor,
    now: datetime,
    apply: bool = False,
    wait: bool = False,
) -> Retained:
    """Reduce every landing whose touchdown is further back than some days. Nothing is changed unless `apply`.

    raises    ArchiveError when there is no archive, nothing was detected yet, or somebody else is writing; NotAllowed
    """
    require(by, "retention")
    store = Archive(archive)
    if not apply:
        landings = _old(store, now - timedelta(days=older_than_days))
        return _report(store, landings, None)
    with store.writing("retain", wait=wait):
        landings = _old(store, now - timedelta(days=older_than_days))
        if landings.is_empty():
            _forget_gone(store)
            return _report(store, landings, None)
        found = _report(store, landings, folder_beside(store.path))
        _kept_aside(store, landings, people, names)
        _taken_out(store, set(landings["landing_id"]))
        people.audit.record(by, "retention", f"{found.landings} landings", events=found.events, days=older_than_days)
    return found


def _old(store: Archive, before: datetime) -> pl.DataFrame:
    return store.landings().filter(pl.col("touchdown_utc") < before)


def _report(store: Archive, old: pl.DataFrame, folder: Path | None) -> Retained:
    events = store.events().filter(pl.col("landing_id").is_in(old["landing_id"].implode()))
    return Retained(old.height, events.height, store.landings()["touchdown_utc"].null_count(), folder)


# what stays of them --------------------------------------------------------------------------------------------------


def _kept_aside(store: Archive, old: pl.DataFrame, people: People, names: Pseudonyms) -> None:
    """Write the reduced tables of some landings, whole or not at all; again is the same."""
    tables = _reduced(store, old, people, names)
    folder = folder_beside(store.path)
    digest = hashlib.sha256("\n".join(sorted(tables["landings"]["landing_id"])).encode()).hexdigest()[:16]
    if (folder / digest).exists():
        return
    folder.mkdir(mode=0o700, exist_ok=True)
    aside = folder / f".{digest}.part"
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir()
    for name, frame in tables.items():
        path = aside / f"{name}.parquet"
        frame.write_parquet(path, compression="zstd")
        with open(path, "rb") as file:
            os.fsync(file.fileno())
    sync_folder(aside)
    os.rename(aside, folder / digest)
    sync_folder(folder)


def _reduced(store: Archive, old: pl.DataFrame, people: People, names: Pseudonyms) -> dict[str, pl.DataFrame]:
    mine = pl.col("landing_id").is_in(old["landing_id"].implode())
    read = {name: getattr(store, name)().filter(mine) for name in TABLES}
    verdicts = people.current(read["events"]["event_id"].to_list()).select("event_id", "verdict")
    events = read["events"].join(verdicts, on="event_id", how="left", maintain_order="left")
    told = _names_of(store.landings())
    ids = old["landing_id"].to_list()
    key = pl.col("landing_id").replace_strict(ids, [names.of("landing_id", one) for one in ids], return_dtype=pl.String)
    reduced = {"landings": seen_by(read["landings"], ANALYST, names)}
    reduced["events"] = seen_by(events.drop("verdict"), ANALYST, names).with_columns(events["verdict"])
    for name in ("outcomes", "measures", "instants", "costs"):
        frame = read[name].with_columns(landing_id=key)
        if "event_id" in frame.columns:
            frame = frame.with_columns(event_id=pl.format("{}-{}", "landing_id", "rule"))
        reduced[name] = frame
    return {name: _without_names(frame, told).sort("landing_id") for name, frame in reduced.items()}


def _names_of(landings: pl.DataFrame) -> list[str]:
    """Names that no sentence may hold."""
    said = [landings[column].drop_nulls().unique().to_list() for column in ("tail", "flight", "departure")]
    return sorted({name for some in said for name in some if len(name) >= SHORTEST_NAME})


def _without_names(frame: pl.DataFrame, told: list[str]) -> pl.DataFrame:
    """The frame with sentences left out that name an aircraft, a flight, an airfield of departure or a day."""

    def bare(sentence: pl.Expr) -> pl.Expr:
        names = pl.lit(told, dtype=pl.List(pl.String))  # typed: there may be none
        tells = sentence.str.contains_any(names) | sentence.str.contains(DAY)
        return pl.when(tells).then(pl.lit(LEFT_OUT)).otherwise(sentence)

    changed = {}
    for name in ("reason", "notes", "quality", "evidence"):
        if name in frame.columns:
            lists = isinstance(frame.schema[name], pl.List)
            changed[name] = pl.col(name).list.eval(bare(pl.element())) if lists else bare(pl.col(name))
    return frame.with_columns(**changed)


# out of the archive --------------------------------------------------------------------------------------------------


def _taken_out(store: Archive, old: set[str]) -> None:
    """Parts without the old landings, with what was made of them; the generation before goes too."""
    live = {part: ids for part, ids in store.live().iter_rows() if old & set(ids)}
    unknown = [part for part in live if part not in store.results.parts]
    if unknown:
        raise FdmError("some landings were loaded since they were last judged", cure="Run: fdm detect --archive DIR.")
    number, places, carried = store.next_number(), dict[str, str | None](), dict[str, PartResults]()
    for done, (part, ids) in enumerate(live.items()):
        young = set(ids) - old
        places[part] = None
        if young:
            places[part] = new = write_part(
                store.storage, f"{number + done:06d}", read_part(store.storage, part, only=young)
            )
            carried[new] = _carried(store, part, new, old & set(ids))
    kept = {part: of for part, of in store.results.parts.items() if part not in places}
    tails = set(store.landings().filter(~pl.col("landing_id").is_in(list(old)))["tail"].drop_nulls())
    parts = {part: _without_tails(of, tails) for part, of in sorted((kept | carried).items())}
    results = Results(store.storage, store.run, parts, _costs(store, old))
    store.replace(files=_files(store.files(), old, places), results=results)
    store.replace()  # so that nothing before names them, and they are swept


def _carried(store: Archive, part: str, new: str, old: set[str]) -> PartResults:
    of = store.results.parts[part]
    without = replace(of, left_out=tuple(sorted({*of.left_out, *old})))
    carried = carry(store.storage, replace(store.results, parts={part: without}), [part], new)
    counts: dict[str, Mapping[str, int]] = {}
    for table, column in (("events", "severity"), ("outcomes", "outcome")):
        frame = read_parquet(store.storage, f"{carried.judged}/{table}.parquet", [column])
        counts[table] = dict(frame[column].cast(pl.String).value_counts().iter_rows())
    return replace(carried, events=counts["events"], outcomes=counts["outcomes"])


def _without_tails(of: PartResults, tails: set[str]) -> PartResults:
    """What is in force of a part, naming no aircraft that has no landing left."""
    return replace(of, suspects=tuple(pair for pair in of.suspects if pair[0] is None or pair[0] in tails))


def _costs(store: Archive, old: set[str]) -> tuple[str, ...]:
    """The costs of the events that stay."""
    kept: list[str] = []
    for key in store.results.costs:
        frame = read_parquet(store.storage, key) if key.endswith(".parquet") else None
        if frame is None or not old & set(frame["landing_id"]):
            kept.append(key)
            continue
        left = frame.filter(~pl.col("landing_id").is_in(list(old)))
        new = hashlib.sha256(f"{key} {left['event_id'].sort().to_list()}".encode()).hexdigest()[:16]
        write_parquet(store.storage, f"{COSTED}/{new}.parquet", left)
        kept.append(f"{COSTED}/{new}.parquet")
    return tuple(kept)


def _files(files: pl.DataFrame, old: set[str], places: Mapping[str, str | None]) -> pl.DataFrame:
    """The files table: old landings are in no part; their recording is only remembered while it lies where it was,
    so that it is not loaded again."""
    rows: list[dict[str, Any]] = []
    for row in files.iter_rows(named=True):
        ids = row["landing_ids"] or []
        left = [one for one in ids if one not in old]
        if len(left) == len(ids):
            rows.append({**row, "part": places.get(row["part"], row["part"])})
        elif left:
            rows.append({**row, "landing_ids": left, "part": places[row["part"]]})
        elif Path(row["file"] or "").is_file():
            rows.append({**row, "landing_ids": [], "part": None, "notes": [NOTE]})
    return pl.DataFrame(rows, schema=files.schema)


def _forget_gone(store: Archive) -> None:
    """Forget recordings of reduced landings that lie no more where they were."""
    files = store.files()
    gone = [_is_reduced(row) and not Path(row["file"] or "").is_file() for row in files.iter_rows(named=True)]
    if any(gone):
        store.replace(files=files.filter(~pl.Series(gone)))
        store.replace()


def _is_reduced(row: Mapping[str, Any]) -> bool:
    notes: Sequence[str] = row["notes"] or []
    return row["part"] is None and NOTE in notes
