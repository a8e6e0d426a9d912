"""How many events a rule would give with other limits: counted anew from values kept sorted, not judged again.

With limits left open, two numbers of a landing decide its outcome. Turned so that more is worse: `worst`, the highest
value of its engines (the bound nearest to "within" where there is no best value), and `safe`, the lowest limit by which
it is surely within. It is an event at every limit below `worst`, within at every one from `safe` on, and not assessed
between the two. Both are kept sorted for each fleet and month, so that counting is a few binary searches.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from fdm.archive import Archive
from fdm.bounded import Bounded, Measured, Reasons
from fdm.errors import RuleError, nearest
from fdm.judge import NOT_APPLICABLE, bars
from fdm.results import Results
from fdm.rule import Limits, Rule
from fdm.rulebook import RuleBook, load_rule_book

COUNTS: dict[str, Any] = {
    "fleet": pl.String,
    "month": pl.String,                      # of the touchdown in UTC, such as 2026-11
    "high": pl.Int64,
    "medium": pl.Int64,
    "low": pl.Int64,
    "within": pl.Int64,
    "not_assessed": pl.Int64,
}  # fmt: skip


@dataclass(frozen=True)
class _Group:
    """Landings of one fleet and month that the rule is for, each array sorted; and how many it is not for."""

    fleet: str | None
    month: str | None
    worst: np.ndarray
    safe: np.ndarray
    barred: int


@dataclass(frozen=True)
class Recount:
    """The landings of an archive, ready to be counted by any limits of one rule."""

    rule: Rule
    groups: tuple[_Group, ...]

    def counts(self, limits: Limits | None = None, limits_by_fleet: Mapping[str, Limits] | None = None) -> pl.DataFrame:
        """Events by severity, landings within and not assessed, for each fleet and month (COUNTS).

        limits   of fleets that limits_by_fleet does not name; the rule's own where either is None
        """
        usual = self.rule.limits if limits is None else limits
        own = self.rule.limits_by_fleet if limits_by_fleet is None else limits_by_fleet
        sign = -1.0 if self.rule.direction == "below" else 1.0
        rows = []
        for group in self.groups:
            steps = own.get(group.fleet or "", usual).steps(self.rule.direction) * sign
            low, medium, high = len(group.worst) - np.searchsorted(group.worst, steps, side="right")
            within = int(np.searchsorted(group.safe, steps[0], side="right"))
            missing = len(group.worst) + group.barred - int(low) - within
            rows.append((group.fleet, group.month, high, medium - high, low - medium, within, missing))
        return pl.DataFrame(rows, schema=COUNTS, orient="row")


def recount(archive: Path | str, rule: str, rules: Path | str | None = None) -> Recount:
    """Read what an archive's landings measured for one rule of a rule book (the shipped one when None).

    raises   ArchiveError when nothing was detected yet; RuleError when there is no such rule, or the archive was
             measured with other settings than the book's
    """
    store, book = Archive(archive), load_rule_book(rules)
    if rule not in book.rules:
        raise RuleError(f"there is no rule '{rule}'", source=book.folder, cure=nearest(rule, book.rules))
    results = store.results_now()
    refuse_other_settings(results, book)
    chosen = book.rules[rule]
    found = []
    for part in results.parts:
        ((_, landings),) = results.frames("landings", [part])
        found.append(standing(chosen, results.measured(part, store.layout(part).reversers), landings))
    return Recount(chosen, grouped(found))


def refuse_other_settings(results: Results, book: RuleBook) -> None:
    """RuleError when the archive was measured with other settings than the book's."""
    settings = asdict(book.settings) | {"idle_reverse_pct": dict(book.settings.idle_reverse_pct)}
    if results.run.get("settings") != settings:
        cure = "Run fdm detect with this rule book first."
        raise RuleError("has other settings than the archive was measured with", source=book.folder, cure=cure)


def standing(rule: Rule, measured: Measured, landings: pl.DataFrame) -> pl.DataFrame:
    """fleet, month, worst, safe, barred (the rule is not for it) of each landing, in the order of `measured`."""
    worst, safe = _extremes(rule, measured)
    return landings.select(
        "fleet",
        month=pl.col("touchdown_utc").dt.strftime("%Y-%m"),
        worst=pl.Series(worst),
        safe=pl.Series(safe),
        barred=pl.Series(bars(rule, measured, landings, Reasons()) != 0),
    )


def _extremes(rule: Rule, measured: Measured) -> tuple[np.ndarray, np.ndarray]:
    """`worst` and `safe` (n,) of each landing; -inf and inf where nothing is known."""
    bounded = measured.values.get(rule.measure)
    n = len(measured.landing_id)
    if bounded is None or (bounded.value.ndim == 2 and not bounded.value.shape[1]):
        return np.full(n, -np.inf), np.full(n, np.inf)
    near, value, far = turned(bounded, rule)
    known = ~np.isnan(value)
    worst = np.where(known, value, near)
    safe = np.where(known, np.where(np.isposinf(far), np.inf, value), np.where(np.isnan(near), np.inf, far))
    worst, safe = np.where(np.isnan(worst), -np.inf, worst), np.where(np.isnan(safe), np.inf, safe)
    skip = _not_applicable(bounded, measured.reasons) & ~known
    needed = np.where(skip, -np.inf, safe).max(axis=1)
    instead = np.where(skip, safe, np.inf).min(axis=1)
    worst = worst.max(axis=1)
    return worst, np.maximum(np.where(skip.all(axis=1), instead, needed), worst)


def turned(bounded: Bounded, rule: Rule) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Near bound, value and far bound (n, e), turned so that more is worse."""
    fields = (bounded.lower, bounded.value, bounded.upper)
    lower, value, upper = (x.astype(np.float64).reshape(len(x), -1) for x in fields)
    return (-upper, -value, -lower) if rule.direction == "below" else (lower, value, upper)


def _not_applicable(bounded: Bounded, reasons: Sequence[str]) -> np.ndarray:
    """(n, e) true where an engine has nothing to be judged, which keeps no other from being assessed."""
    skip = np.array([sentence.startswith(NOT_APPLICABLE) for sentence in reasons] or [False])
    return skip[bounded.why.reshape(len(bounded.why), -1)]


def grouped(frames: Sequence[pl.DataFrame]) -> tuple[_Group, ...]:
    """Frames of `standing`, by fleet and month and sorted."""
    groups = []
    for (fleet, month), rows in pl.concat(frames).group_by("fleet", "month") if frames else ():
        open_ = rows.filter(~pl.col("barred"))
        worst, safe = (np.sort(open_[name].to_numpy()) for name in ("worst", "safe"))
        groups.append(_Group(_text(fleet), _text(month), worst, safe, rows.height - open_.height))
    return tuple(sorted(groups, key=lambda group: (group.fleet or "", group.month or "")))


def _text(value: object) -> str | None:
    return None if value is None else str(value)
