"""Two rule books on the same landings: which events the second adds, drops or judges otherwise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from fdm.archive import Archive
from fdm.bounded import Measured, Reasons
from fdm.judge import judge
from fdm.judged import Judged
from fdm.measuring import measure_block
from fdm.rulebook import RuleBook, load_rule_book
from fdm.schemas import SEVERITIES
from fdm.settings import Settings

Progress = Callable[[int, int, str], None]
NO_RULE = "no such rule"
WORDS = ("not_assessed", *SEVERITIES)  # by code + 1
NO_CODE = -2  # the rule is not in that book

COMPARISON: dict[str, Any] = {
    "landing_id": pl.String,
    "rule": pl.String,
    "change": pl.String,                     # gained, lost, raised, lowered, otherwise
    "was": pl.String,                        # severity, within, not_assessed, or "no such rule"
    "now": pl.String,
    "tail": pl.String,
    "fleet": pl.String,
    "arrival": pl.String,
    "runway": pl.String,
    "touchdown_utc": pl.Datetime("us", "UTC"),
}  # fmt: skip


def compare(
    archive: Path | str, rules_a: Path | str, rules_b: Path | str, *, progress: Progress | None = None
) -> pl.DataFrame:
    """Every landing and rule on which two rule books say something else (COMPARISON), in the archive's order.

    Measured values that the archive holds are used where a book's settings are those they were measured with; else
    the landings are measured again. Nothing is written.

    raises   ArchiveError, RuleError
    """
    store = Archive(archive)
    books = load_rule_book(rules_a), load_rule_book(rules_b)
    store.scan("landings")  # raises when nothing was detected yet
    parts, found = dict(store.live().iter_rows()), []
    for number, (part, ids) in enumerate(parts.items()):
        if progress:
            progress(number, len(parts), part)
        live = set(ids)
        was, now = (judged_part(store, part, book, live) for book in books)
        found.append(_differences(was, now))
    if progress:
        progress(len(parts), len(parts), "")
    return pl.concat(found) if found else pl.DataFrame(schema=COMPARISON)


def tally(comparison: pl.DataFrame) -> pl.DataFrame:
    """One row per rule that differs: rule, gained, lost, raised, lowered, otherwise; the most changed first."""
    kinds = ("gained", "lost", "raised", "lowered", "otherwise")
    counts = [(pl.col("change") == kind).sum().alias(kind) for kind in kinds]
    return comparison.group_by("rule").agg(*counts, pl.len().alias("all")).sort("all", "rule", descending=[True, False])


def judged_part(store: Archive, part: str, book: RuleBook, live: set[str]) -> Judged:
    """What a rule book says of a part's landings; stored measures are used where they were made with its settings."""
    stored = _stored(store, part, book.settings, live)
    if stored is None:
        result = measure_block(store.read_part(part, live=live), book.settings, Reasons())
        stored = result.measured, result.landings
    return judge(book, *stored)


def _stored(store: Archive, part: str, settings: Settings, live: set[str]) -> tuple[Measured, pl.DataFrame] | None:
    """Measures of a part as detect kept them; None when they were measured with other settings, or not of all."""
    plain = asdict(settings) | {"idle_reverse_pct": dict(settings.idle_reverse_pct)}
    if store.run.get("settings") != plain or part not in store.results.parts:
        return None
    measured = store.results.measured(part, store.layout(part).reversers)
    ids = pl.DataFrame({"landing_id": pl.Series(measured.landing_id, dtype=pl.String)})
    if set(ids["landing_id"]) != live:
        return None
    ((_, landings),) = store.results.frames("landings", [part])
    return measured, ids.join(landings, on="landing_id", maintain_order="left")


def _differences(was: Judged, now: Judged) -> pl.DataFrame:
    """Both judged the same landings, in the same order."""
    n = was.landings.height
    absent = np.full(n, NO_CODE, dtype=np.int8)
    parts = []
    for rule in dict.fromkeys((*was.book.rules, *now.book.rules)):
        before, after = was.codes.get(rule, absent), now.codes.get(rule, absent)
        rows = np.flatnonzero(before != after)
        facts = was.landings[rows].select([name for name in COMPARISON if name in was.landings.columns])
        changes = [_change(int(a), int(b)) for a, b in zip(before[rows], after[rows], strict=True)]
        parts.append(
            facts.with_columns(
                rule=pl.lit(rule),
                change=pl.Series(changes, dtype=pl.String),
                was=pl.Series([_word(int(code)) for code in before[rows]], dtype=pl.String),
                now=pl.Series([_word(int(code)) for code in after[rows]], dtype=pl.String),
            ).select(pl.col(name).cast(kind) for name, kind in COMPARISON.items())
        )
    return pl.concat(parts) if parts else pl.DataFrame(schema=COMPARISON)


def _word(code: int) -> str:
    return NO_RULE if code == NO_CODE else WORDS[code + 1]


def _change(before: int, after: int) -> str:
    """What a change of codes means: an event that came or went, one that is worse or milder, or neither."""
    if before > 0 and after > 0:
        return "raised" if after > before else "lowered"
    if after > 0:
        return "gained"
    return "lost" if before > 0 else "otherwise"
