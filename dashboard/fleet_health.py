"""What is drifting and what cannot be used, by aircraft and over time, from what the archive recorded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

from dashboard import analysis
from dashboard.store import Store
from fdm.health import WATCHED, by_month, parameters, trends


@dataclass(frozen=True)
class Health:
    """Tables with identities; what is shown of them goes through `store.shown`.

    trends      health.TRENDS; `points` their landings: tail, engine, measure, touchdown_utc, value, lower, upper
    parameters  health.PARAMETERS; `months` health.MONTHS
    """

    trends: pl.DataFrame
    points: pl.DataFrame
    parameters: pl.DataFrame
    months: pl.DataFrame


def health(store: Store) -> Health:
    """Read once for the results in force. Raises ArchiveError."""
    return store.kept(("health",), lambda: _read(store))


def _read(store: Store) -> Health:
    archive = analysis.archive_of(store)
    landings = store.whole().landings
    measures = archive.results_now().scan_measures(list(WATCHED)).collect()
    seen = archive.parameter_health()
    known = landings.select("landing_id", "tail", "touchdown_utc").filter(pl.col("touchdown_utc").is_not_null())
    points = measures.join(known, on="landing_id").filter(pl.col("value").is_finite())
    columns: list[Any] = ["tail", "engine", "measure", "touchdown_utc", "value", "lower", "upper"]
    return Health(
        trends(landings, measures), points.select(columns), parameters(landings, seen), by_month(landings, seen)
    )
