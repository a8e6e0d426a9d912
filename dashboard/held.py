"""The tables of one judged archive in memory, with what lists, filters and searches need."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np
import polars as pl

from dashboard import scale
from dashboard.desk import undone
from dashboard.novelty import with_new
from dashboard.once import Once
from dashboard.rule_card import RuleCard
from fdm import schemas
from fdm.archive import Trace
from fdm.judged import not_for

KEPT_LISTS = 8  # the parts of one list ask for six
# What reverse in use is measured by: of a landing that used none their values say nothing.
OF_REVERSE = (
    "one_side_deployed_s",
    "high_reverse_below_taxi_s",
    "reverser_out_below_taxi_s",
    "forward_power_with_reverser_out_s",
)
LEFT_OUT: dict[str, Any] = {"landing_id": pl.String, "rule": pl.String}
RANK = {name: rank for rank, name in enumerate(schemas.SEVERITIES)}


class Source(Protocol):
    """What the dashboard needs of an archive; fdm.archive.Archive has it."""

    @property
    def run(self) -> Mapping[str, Any]: ...
    def landings(self) -> pl.DataFrame: ...
    def events(self) -> pl.DataFrame: ...
    def outcomes(self, landing_id: str | None = None) -> pl.DataFrame: ...
    def measures(self, landing_id: str | None = None) -> pl.DataFrame: ...
    def measure_values(self, measure: str) -> pl.DataFrame: ...
    def instants(self, landing_id: str | None = None) -> pl.DataFrame: ...
    def traces(self, landing_id: str) -> Mapping[str, Trace]: ...
    def costs(self, landing_id: str | None = None) -> pl.DataFrame: ...


LoadRules = Callable[[Mapping[str, Any]], Mapping[str, RuleCard]]


@dataclass(frozen=True)
class Held:
    """The tables of one judged archive, in memory.

    landings  schemas.LANDINGS, newest first, with `week` ("2026-W47"), `month` ("2026-11"), `place` ("Korsby 09L"),
              `judged` and `assessed` (how many rules are for it, and could be assessed), `silent` (why, when none of
              them could), for each rule a column `can(rule)` (whether it could be assessed), and `high`, `medium`,
              `low` (how many events)
    events    schemas.EVENTS, worst first, with `index`, `rank`, `week`, `month`, `place`, `title`, `certain`, `words`
              (what a search looks in), and `at`, `at_lower`, `at_upper`: where value and bounds stand among limits
              (see scale); `new` (see novelty); and what stands on them (desk.DONE): nothing unless `reviewed` was
              asked
    missing   the outcomes that were not assessed though the rule is for the landing: `landing_id`, `rule`, `reason`
    left_out  the landings that a rule is not for, as where its condition does not hold: `landing_id`, `rule`
    weeks     weeks that hold a landing, oldest first; months ("2026-11", as in the columns) for who may not see weeks
    least     counts of landings below this are not shown; 0 when all are
    costs     schemas.COSTS, what events of some kinds cost; empty before that was estimated
    once      lists made of these tables; the parts of a page ask for the same ones
    """

    stamp: object
    run: Mapping[str, Any]
    rules: Mapping[str, RuleCard]
    landings: pl.DataFrame
    events: pl.DataFrame
    missing: pl.DataFrame
    weeks: tuple[str, ...]
    least: int = 0
    left_out: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=LEFT_OUT))
    costs: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=schemas.COSTS))
    once: Once = field(default_factory=lambda: Once(KEPT_LISTS), init=False, repr=False, compare=False)

    def hides(self, landings: int) -> bool:
        """Whether so few landings could point at somebody, and are not told to this viewer: see fdm.people.views."""
        return 0 < landings < self.least

    @property
    def titles(self) -> dict[str, str]:
        """Rule name -> title."""
        return {name: card.title for name, card in self.rules.items()}

    @property
    def changed_rules(self) -> list[str]:
        """Rules whose file has changed since this archive was judged: their limits are not those of its events."""
        used = self.events.select("rule", "rule_hash").unique().iter_rows()
        return sorted(rule for rule, hash_ in used if rule in self.rules and self.rules[rule].hash not in ("", hash_))


def can(rule: str) -> str:
    """Name of the landings' column that says whether a rule could be assessed."""
    return f"can {rule}"


def read(source: Source, run: Mapping[str, Any], load_rules: LoadRules, stamp: object) -> Held:
    """The tables of an archive as it is now.

    run, stamp    what its results are of, and what tells them from others
    load_rules    the rules behind a run
    """
    if not run:
        return _nothing_yet(stamp)
    outcomes = source.outcomes()
    rules = load_rules(run)
    landings = with_week_and_place(source.landings()).join(_per_landing(outcomes), on="landing_id", how="left")
    cans = [name for name in landings.columns if name.startswith(can(""))]
    landings = landings.with_columns(
        pl.col("assessed", "judged").fill_null(0),
        pl.col(cans).fill_null(False),
        *(pl.lit(False).alias(can(rule)) for rule in rules if can(rule) not in cans),
    )
    silent = outcomes.filter(pl.col("outcome") == "not_assessed")
    missing = silent.filter(~not_for()).select("landing_id", "rule", "reason")
    left_out = silent.filter(not_for()).select(pl.col(name).cast(kind) for name, kind in LEFT_OUT.items())
    weeks = distinct(landings, "week")
    events = with_new(_ready(source.events(), rules), landings)
    counted = _with_counts(landings, events)
    return Held(stamp, run, rules, counted, events, missing, tuple(weeks), left_out=left_out, costs=source.costs())


def _nothing_yet(stamp: object) -> Held:
    """The tables of an archive before anything was judged: no row in them."""
    landings = with_week_and_place(pl.DataFrame(schema=schemas.LANDINGS))
    outcomes, events = (pl.DataFrame(schema=schema) for schema in (schemas.OUTCOMES, schemas.EVENTS))
    landings = landings.join(_per_landing(outcomes), on="landing_id", how="left")
    found = with_new(_ready(events, {}), landings)
    missing = outcomes.select("landing_id", "rule", "reason")
    return Held(stamp, {}, {}, _with_counts(landings, found), found, missing, ())


def worst_first(events: pl.DataFrame) -> pl.DataFrame:
    """Severity, then certain before possible, then how far beyond the limits, then the newest."""
    return events.sort(
        pl.col("severity").replace_strict(RANK, return_dtype=pl.Int8),
        "certain",
        pl.col("at").fill_nan(None),
        "touchdown_utc",
        descending=True,
        nulls_last=True,
    )


def with_week_and_place(frame: pl.DataFrame) -> pl.DataFrame:
    """Adds the ISO 8601 week and the month of touchdown, and the runway with its airfield."""
    utc = pl.col("touchdown_utc")
    return frame.with_columns(
        month=utc.dt.strftime("%Y-%m"),
        week=pl.format("{}-W{}", utc.dt.iso_year(), utc.dt.week().cast(pl.String).str.zfill(2)),
        place=pl.concat_str("arrival", "runway", separator=" ", ignore_nulls=True),
    )


def distinct(frame: pl.DataFrame, column: str) -> list[str]:
    """The values of a column, each once, in order; for filters to choose from."""
    return frame.get_column(column).drop_nulls().unique().sort().to_list()


def searched() -> pl.Expr:
    """What a search in the events looks in."""
    columns = ("title", "tail", "fleet", "place", "flight", "landing_id")
    return pl.concat_str(*columns, separator=" ", ignore_nulls=True).str.to_lowercase()


def _with_counts(landings: pl.DataFrame, events: pl.DataFrame) -> pl.DataFrame:
    """How many events of each severity a landing has; newest landing first."""
    levels = ("high", "medium", "low")
    counts = events.group_by("landing_id").agg((pl.col("severity") == level).sum().alias(level) for level in levels)
    counted = landings.join(counts, on="landing_id", how="left").with_columns(pl.col(levels).fill_null(0))
    return counted.sort("touchdown_utc", descending=True, nulls_last=True)


def _per_landing(outcomes: pl.DataFrame) -> pl.DataFrame:
    """Per landing: how many rules are for it and were assessed, why none was, and which could be."""
    judged = outcomes.with_columns(assessed=pl.col("outcome") != "not_assessed", out=not_for())
    counts = judged.group_by("landing_id").agg(
        judged=(~pl.col("out")).sum(),
        assessed=pl.col("assessed").sum(),
        silent=pl.col("reason").filter(~pl.col("out")).first(),
    )
    counts = counts.with_columns(silent=pl.when(pl.col("assessed") == 0).then(pl.col("silent")))
    if outcomes.is_empty():
        return counts
    by_rule = judged.pivot(on="rule", index="landing_id", values="assessed", aggregate_function="first")
    return counts.join(by_rule.rename({c: can(c) for c in by_rule.columns if c != "landing_id"}), on="landing_id")


def _ready(events: pl.DataFrame, rules: Mapping[str, RuleCard]) -> pl.DataFrame:
    """Events with what lists and searches need, worst first."""
    titles = {name: card.title for name, card in rules.items()}
    named = with_week_and_place(events).with_columns(
        *undone(),
        title=pl.col("rule").replace_strict(titles, default=pl.col("rule"), return_dtype=pl.String),
        certain=pl.col("severity_lowest") == pl.col("severity"),
        rank=pl.col("severity").replace_strict(RANK, return_dtype=pl.Int8),
    )
    placed = _with_places(named.with_columns(words=searched()), rules)
    return worst_first(placed).with_row_index("index")


def _with_places(events: pl.DataFrame, rules: Mapping[str, RuleCard]) -> pl.DataFrame:
    def placed(group: pl.DataFrame) -> pl.DataFrame:
        card = rules.get(group.item(0, "rule"))
        limits = card.limits_for(group.item(0, "fleet")) if card else {}
        columns = {}
        for source, target in (("value", "at"), ("lower", "at_lower"), ("upper", "at_upper")):
            values = group.get_column(source).cast(pl.Float64).to_numpy()
            found = scale.places(values, limits, card.direction) if card and limits else np.full(len(values), np.nan)
            columns[target] = pl.Series(target, found, dtype=pl.Float64)
        return group.with_columns(**columns)

    empty = events.with_columns(
        at=pl.lit(None, pl.Float64), at_lower=pl.lit(None, pl.Float64), at_upper=pl.lit(None, pl.Float64)
    )
    groups = [placed(group) for group in events.partition_by("rule", "fleet", maintain_order=True)]
    return pl.concat(groups) if groups else empty
