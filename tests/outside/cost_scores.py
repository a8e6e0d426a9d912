"""How well costs of delays agree with their twins: errors, shares, coverage, by any grouping."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import polars as pl

from .cost_twins import RULES, Twin

NEAR_M, NEAR_SHARE = 30.0, 0.25  # a cost this near its twin's is right (the project's goal)


def costs_of(folder: Path) -> pl.DataFrame:
    """Load, detect and cost the recordings in a folder, by the public functions; with the flight of each event."""
    from fdm import engine
    from fdm.cost import keep_costs

    archive = folder / "archive"
    engine.load([folder / "recordings"], archive, map_file=None)
    engine.detect(archive)
    keep_costs(archive)
    flights = engine.table(archive, "events").select("event_id", "flight")
    return engine.table(archive, "costs").join(flights, on="event_id", maintain_order="left")


def scored(costs: pl.DataFrame, twins: Mapping[str, Twin]) -> pl.DataFrame:
    """One row for each twin's event: estimate, truth, error; no row where the lapse made no event of its rule."""
    rows = [
        {
            "flight": flight,
            "rule": RULES[twin.kind],
            "kind": twin.kind,
            "model": twin.flight.plan.model,
            "brakes": "automatic" if twin.flight.braking.target_g else "pedals",
            "runway": "wet" if twin.flight.braking.wet else "dry",
            "true_m": twin.extra.distance_m,
            "true_s": twin.extra.time_s,
            "true_mj": twin.extra.brake_energy_mj,
        }
        for flight, twin in twins.items()
    ]
    both = pl.DataFrame(rows).join(costs, on=["flight", "rule"], maintain_order="left")
    middle = pl.coalesce("extra_m", (pl.col("extra_m_lower") + pl.col("extra_m_upper")) / 2)
    error = middle - pl.col("true_m")
    near = pl.max_horizontal(NEAR_M, NEAR_SHARE * pl.col("true_m").abs())
    inside = pl.col("true_m").is_between("extra_m_lower", "extra_m_upper")
    return both.with_columns(
        answered=pl.col("extra_m").is_not_null(), error_m=error, near=error.abs() <= near, inside=inside
    )


def table(scores: pl.DataFrame, *by: str) -> pl.DataFrame:
    """Counts and agreement by group; shares in percent, of the answered cases unless said otherwise."""
    some = scores.filter("answered")
    error = pl.col("error_m").abs()
    agreement = some.group_by(by, maintain_order=True).agg(
        near_pct=pl.col("near").mean() * 100,
        zero_pct=(pl.col("true_m").abs() <= NEAR_M).mean() * 100,
        median_m=error.median(),
        p90_m=error.quantile(0.9),
        bias_m=pl.col("error_m").median(),
        inside_pct=pl.col("inside").mean() * 100,
        seconds_error=(pl.col("extra_s") - pl.col("true_s")).abs().median(),
        energy_error_mj=(pl.col("brake_energy_mj") - pl.col("true_mj")).abs().median(),
    )
    counts = scores.group_by(by, maintain_order=True).agg(n=pl.len(), answered_pct=pl.col("answered").mean() * 100)
    return counts.join(agreement, on=list(by), how="left", maintain_order="left")
