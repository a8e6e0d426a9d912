"""The verbs: load, detect, table. Each a plain function, returning Polars frames, for a notebook or a command line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl

from fdm.archive import Archive, write_json, write_parquet
from fdm.bounded import Reasons
from fdm.judge import judge
from fdm.loading import LoadReport, load
from fdm.measuring import measure_block
from fdm.origin import explain
from fdm.rulebook import RuleBook, load_rule_book
from fdm.schemas import EVENTS, LANDINGS
from fdm.tails import SEEN, dead_discretes, seen_of, without_dead
from fdm.wide import best_instants, instants_wide, measured_from_wide, measures_wide, with_values

Progress = Callable[[int, int, str], None]
TABLES = ("landings", "instants", "measures", "outcomes", "events")


@dataclass(frozen=True)
class DetectReport:
    """What detect found: counts of landings, outcomes and events by severity, and the rule book's label."""

    rule_book: str
    landings: int
    events: dict[str, int]
    outcomes: dict[str, int]


def detect(archive: Path | str, *, rules: Path | str | None = None, progress: Progress | None = None) -> DetectReport:
    """Rebuild, measure and judge every landing of an archive, and put the results in force in it.

    rules    folder of the rule book; the shipped one when None
    raises   ArchiveError, RuleError
    """
    store, book = Archive(archive), load_rule_book(rules)
    with store.new_results() as folder:
        landings, seen, reasons = _measure(store, book, folder, progress)
        dead = dead_discretes(landings, seen)
        events, outcomes = _judge(store, book, folder, landings, reasons, dead)
        write_parquet(folder / "landings.parquet", landings)
        write_parquet(folder / "events.parquet", events)
        write_json(folder / "run.json", _run(book))
    by_severity = dict(events.group_by("severity").len().iter_rows())
    return DetectReport(book.label, landings.height, by_severity, outcomes)


def _measure(
    store: Archive, book: RuleBook, folder: Path, progress: Progress | None
) -> tuple[pl.DataFrame, pl.DataFrame, list[str]]:
    """Measure every part and write what was measured; the landings, what their tails are judged by, the reasons."""
    live = set(store.files()["landing_ids"].explode().drop_nulls())
    parts, reasons = store.parts(), Reasons()
    landings, seen = [pl.DataFrame(schema=LANDINGS)], [pl.DataFrame(schema=SEEN)]
    for number, part in enumerate(parts):
        if progress:
            progress(number, len(parts), part)
        result = measure_block(store.read_part(part, live=live), book.settings, reasons)
        write_parquet(folder / f"measures-{part}.parquet", measures_wide(result))
        write_parquet(folder / f"instants-{part}.parquet", instants_wide(result))
        write_parquet(folder / f"health-{part}.parquet", result.health)
        landings.append(result.landings)
        seen.append(seen_of(result.measured, {name: when.best for name, when in result.instants.items()}))
    if progress:
        progress(len(parts), len(parts), "")
    return pl.concat(landings), pl.concat(seen), reasons.sentences


def _judge(
    store: Archive, book: RuleBook, folder: Path, landings: pl.DataFrame, reasons: list[str], dead: pl.DataFrame
) -> tuple[pl.DataFrame, dict[str, int]]:
    """Judge what was measured; every event, and counts of outcomes."""
    sentences = Reasons.of(reasons)
    events = [pl.DataFrame(schema=EVENTS)]
    counts = {"event": 0, "within": 0, "not_assessed": 0}
    for part in store.parts():
        engines = store.layout(part).reversers
        wide = pl.read_parquet(folder / f"measures-{part}.parquet")
        believed = without_dead(measured_from_wide(wide, engines, reasons), dead, sentences)
        if believed.changed:
            write_parquet(folder / f"measures-{part}.parquet", with_values(wide, believed.measured))
        judged = judge(book, believed.measured, landings)
        steps = best_instants(pl.read_parquet(folder / f"instants-{part}.parquet"), engines)
        write_parquet(folder / f"outcomes-{part}.parquet", judged.outcomes)
        events.append(explain(judged.events, believed.measured, steps))
        for codes in judged.codes.values():
            counts["event"] += int((codes > 0).sum())
            counts["within"] += int((codes == 0).sum())
            counts["not_assessed"] += int((codes < 0).sum())
    write_parquet(folder / "reasons.parquet", pl.DataFrame({"sentence": sentences.sentences}))
    return pl.concat(events), counts


def _run(book: RuleBook) -> dict[str, object]:
    return {
        "rule_book": book.label,
        "rule_book_hash": book.hash,
        "rules": str(Path(book.folder).resolve()),
        "settings": asdict(book.settings) | {"idle_reverse_pct": dict(book.settings.idle_reverse_pct)},
        "detected_utc": datetime.now(UTC).isoformat(timespec="seconds"),
        "numpy": np.__version__,
        "polars": pl.__version__,
    }


def table(archive: Path | str, name: str) -> pl.DataFrame:
    """One of TABLES, whole. ArchiveError when nothing was detected yet; ValueError for another name."""
    if name not in TABLES:
        raise ValueError(f"no table named {name!r}; there are {', '.join(TABLES)}")
    return getattr(Archive(archive), name)()


__all__ = ["TABLES", "DetectReport", "LoadReport", "detect", "load", "table"]
