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
from fdm.frames import Block
from fdm.judge import Judged, judge
from fdm.loading import LoadReport, load
from fdm.measuring import measure_block
from fdm.origin import explain
from fdm.rulebook import RuleBook, load_rule_book
from fdm.schemas import EVENTS, LANDINGS
from fdm.wide import instants_wide, measures_wide

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
    live = set(store.files()["landing_ids"].explode().drop_nulls())
    parts, reasons = store.parts(), Reasons()
    landings: list[pl.DataFrame] = []
    events: list[pl.DataFrame] = []
    counts = {"event": 0, "within": 0, "not_assessed": 0}
    with store.new_results() as folder:
        for number, part in enumerate(parts):
            if progress:
                progress(number, len(parts), part)
            judged, events_found = _detect_part(store.read_part(part, live=live), book, reasons, folder, part)
            landings.append(judged.landings)
            events.append(events_found)
            for codes in judged.codes.values():
                counts["event"] += int((codes > 0).sum())
                counts["within"] += int((codes == 0).sum())
                counts["not_assessed"] += int((codes < 0).sum())
        all_landings = pl.concat(landings) if landings else pl.DataFrame(schema=LANDINGS)
        all_events = pl.concat(events) if events else pl.DataFrame(schema=EVENTS)
        write_parquet(folder / "landings.parquet", all_landings)
        write_parquet(folder / "events.parquet", all_events)
        sentences = reasons.sentences
        write_parquet(folder / "reasons.parquet", pl.DataFrame({"sentence": sentences}))
        write_json(folder / "run.json", _run(book))
    if progress:
        progress(len(parts), len(parts), "")
    by_severity = dict(all_events.group_by("severity").len().iter_rows())
    return DetectReport(book.label, all_landings.height, by_severity, counts)


def _detect_part(
    block: Block, book: RuleBook, reasons: Reasons, folder: Path, part: str
) -> tuple[Judged, pl.DataFrame]:
    result = measure_block(block, book.settings, reasons)
    judged = judge(book, result.measured, result.landings)
    write_parquet(folder / f"measures-{part}.parquet", measures_wide(result))
    write_parquet(folder / f"instants-{part}.parquet", instants_wide(result))
    write_parquet(folder / f"outcomes-{part}.parquet", judged.outcomes)
    best = {name: when.best for name, when in result.instants.items()}
    return judged, explain(judged.events, result.measured, best)


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
