"""The verbs and the tables for a notebook: `import fdm`, and each of these is there as fdm.NAME.

Tables that grow with the number of rules or measures come as a LazyFrame, which reads part by part when it is collected
and only what is asked for. A frame goes on to Arrow, pandas and DuckDB by Polars' own means.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import polars as pl

from fdm.archive import Archive
from fdm.compacting import compact
from fdm.comparing import compare, judged_part
from fdm.cost import keep_costs
from fdm.engine import detect, load
from fdm.origin import explain
from fdm.rulebook import load_rule_book
from fdm.schemas import EVENTS, SEVERITIES
from fdm.wide import best_instants

Address = Path | str


def landings(archive: Address) -> pl.DataFrame:
    """Every landing: flight, runway, touchdown, kind, quality (schemas.LANDINGS).

    archive   a folder, or an address such as s3://bucket/name
    raises    ArchiveError when there is no archive, or nothing was detected yet; so do all functions here
    """
    return Archive(archive).landings()


def events(archive: Address, *, week: str | None = None, severity: str | Sequence[str] | None = None) -> pl.DataFrame:
    """The events, worst first, with their landing's columns (schemas.EVENTS).

    week       ISO 8601 week of the touchdown in UTC, such as "2026-W47"
    severity   "high", "medium", "low", or several of them
    """
    return worst_first(chosen(Archive(archive).events(), week, severity))


def chosen(frame: pl.DataFrame, week: str | None, severity: str | Sequence[str] | None) -> pl.DataFrame:
    """The rows of an events frame of a week and of some severities. ValueError for a severity that there is not."""
    if week:
        iso = pl.format("{}-W{}", pl.col("touchdown_utc").dt.iso_year(), pl.col("touchdown_utc").dt.strftime("%V"))
        frame = frame.filter(iso == week)
    if severity:
        wanted = [severity] if isinstance(severity, str) else list(severity)
        if unknown := set(wanted) - set(SEVERITIES[1:]):
            raise ValueError(f"no severity {sorted(unknown)[0]!r}; there are high, medium, low")
        frame = frame.filter(pl.col("severity").is_in(wanted))
    return frame


def worst_first(frame: pl.DataFrame) -> pl.DataFrame:
    """An events frame by severity, then by time."""
    rank = pl.col("severity").replace_strict({name: i for i, name in enumerate(SEVERITIES)}, return_dtype=pl.Int8)
    return frame.sort(-rank, "touchdown_utc", "event_id", nulls_last=True, maintain_order=True)


def costs(archive: Address) -> pl.DataFrame:
    """What events cost, as `keep_costs` estimated it (schemas.COSTS); empty before that."""
    return Archive(archive).costs()


def measures(archive: Address, *names: str) -> pl.LazyFrame:
    """Every measured value with its bounds, or the reason why there is none (schemas.MEASURES).

    names   only these measures; the others are not read
    raises  KeyError for a measure that there is not
    """
    return Archive(archive).results_now().scan_measures(names)


def instants(archive: Address) -> pl.LazyFrame:
    """Every step of every landing, with its bounds (schemas.INSTANTS)."""
    return Archive(archive).scan("instants")


def outcomes(archive: Address) -> pl.LazyFrame:
    """What each rule said of each landing: event, within, or not_assessed and why (schemas.OUTCOMES)."""
    return Archive(archive).scan("outcomes")


def judge(archive: Address, rules: Address | None = None) -> pl.DataFrame:
    """The events that a rule book finds in an archive, worst first (schemas.EVENTS); nothing is written.

    Measured values that the archive holds are used where the book's settings are those they were measured with; else
    the landings are measured again. `detect` also knows which reverser discretes a whole tail shows to be dead; so do
    the stored values.

    rules   folder of the rule book; the shipped one when None
    raises  ArchiveError, RuleError
    """
    store, book = Archive(archive), load_rule_book(rules)
    stored = store.results_now()
    frames = [pl.DataFrame(schema=EVENTS)]
    for part, ids in store.live().iter_rows():
        judged = judged_part(store, part, book, set(ids))
        wide = [frame for _, frame in stored.frames("instants", [part])] if part in stored.parts else []
        steps = best_instants(wide[0], judged.measured.engines) if wide else {}
        frames.append(explain(judged.events, judged.measured, steps).select(list(EVENTS)))
    return worst_first(pl.concat(frames))


def files(archive: Address, table: str) -> list[str]:
    """Paths or URLs of the Parquet files that hold `landings`, `events` or `outcomes`, for DuckDB and other readers.

    Landings that were replaced since they were detected are still in them; `fdm.landings` leaves them out.
    raises  ValueError for another table
    """
    if table not in ("landings", "events", "outcomes"):
        raise ValueError(f"no table {table!r} as it stands; there are landings, events, outcomes")
    results = Archive(archive).results_now()
    return [results.storage.place(results.keys(table, part)) for part in results.parts]


__all__ = [
    "compact", "compare", "costs", "detect", "events", "files", "instants", "judge", "keep_costs", "landings", "load",
    "measures", "outcomes",
]  # fmt: skip
