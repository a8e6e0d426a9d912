"""`python -m tests.bench.coverage [--landings 3000] [--jsbsim 200]`: how often the bounds of a measure hold the truth.

The invented airline flies thousands of landings, recorded by three layouts at mixed rates, phases and forms; JSBSim
flies some more. For each measure: how many true values the product gave bounds for, the share inside them, the median
width, the narrowest that the recorders allow (tests/outside/least_widths.py), the ratio of the two, and the mean error
of the best value; then the same share for recordings with a fault. Ends with status 1 when a measure of healthy
recordings holds the truth less than 99 times in 100.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import polars as pl

from tests.bench.spans import airline_spans, jsbsim_spans
from tests.outside.fault_fleet import exports, fly_fleet, study

REACH, BEYOND = 0.99, 0.999
SLACK = {"s": 0.02, "m": 1.5, "kt": 0.1, "%": 0.2, "g": 0.001, "deg": 0.02, "fraction": 0.002, "count": 0.0}


def inside(spans: pl.DataFrame) -> pl.DataFrame:
    """Spans that have bounds, with `inside`: whether they hold the truth, but for the simulations' own step."""
    slack = pl.col("unit").replace_strict(SLACK, return_dtype=pl.Float64)
    holds = (pl.col("truth") >= pl.col("lower") - slack) & (pl.col("truth") <= pl.col("upper") + slack)
    return spans.drop_nulls(["lower", "upper"]).with_columns(inside=holds)


def summary(spans: pl.DataFrame) -> pl.DataFrame:
    """One row per measure: count, share inside, widths and bias of healthy recordings; count and share of faulty."""
    healthy, width = pl.col("fault") == "healthy", pl.col("upper") - pl.col("lower")
    error = (pl.col("value") - pl.col("truth")).filter(healthy & pl.col("truth").is_finite())
    told = spans.filter(healthy).group_by("measure").agg(asked=pl.len())
    bounded = (
        inside(spans)
        .group_by("measure")
        .agg(
            unit=pl.col("unit").first(),
            count=healthy.sum(),
            share=pl.col("inside").filter(healthy).mean(),
            width=width.filter(healthy & width.is_finite()).median(),
            least=pl.col("least").filter(healthy & pl.col("least").is_finite()).median(),
            bias=error.mean(),
            faulty=(~healthy).sum(),
            faulty_share=pl.col("inside").filter(~healthy).mean(),
        )
    )
    return bounded.join(told, on="measure").sort("measure")


def report(rows: pl.DataFrame) -> list[str]:
    """The table as lines."""
    lines = [
        f"{'measure':<34}{'unit':>9}{'asked':>8}{'bounded':>9}{'inside %':>10}{'width':>9}{'least':>9}{'ratio':>7}"
        f"{'bias':>9} | {'faulty':>7}{'inside %':>10}"
    ]
    for row in rows.iter_rows(named=True):
        ratio = row["width"] / row["least"] if row["width"] is not None and row["least"] else None
        cells = [_number(row[k], 3) for k in ("width", "least")]
        lines.append(
            f"{row['measure']:<34}{row['unit']:>9}{row['asked']:>8}{row['count']:>9}{_percent(row['share']):>10}"
            f"{cells[0]:>9}{cells[1]:>9}{_number(ratio, 2):>7}{_number(row['bias'], 3):>9} | "
            f"{row['faulty']:>7}{_percent(row['faulty_share']):>10}{_mark(row['share'])}"
        )
    return lines


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{100 * share:.2f}"


def _mark(share: float | None) -> str:
    return "  below 99 %" if share is not None and share < REACH else ""


def spans_of(folder: Path, landings: int, jsbsim: int, seed: int) -> pl.DataFrame:
    """Spans of the invented airline and of JSBSim landings, healthy and with every fault."""
    parts = [airline_spans(folder, landings, seed)]
    if jsbsim:
        made = exports(fly_fleet(folder / "models", jsbsim, seed), 2, seed)
        parts.append(jsbsim_spans(made, study(folder / f"jsbsim-{jsbsim}-{seed}", made)))
    return pl.concat(parts)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.coverage", description=__doc__)
    parser.add_argument("--landings", type=int, default=3000, help="landings of the invented airline (3000)")
    parser.add_argument("--jsbsim", type=int, default=200, help="landings flown with JSBSim (200)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="where recordings and archives are kept (a temporary folder)")
    parser.add_argument("--misses", action="store_true", help="list every true value outside healthy bounds")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="rollout-coverage-") as temporary:
        spans = spans_of(given.folder or Path(temporary), given.landings, given.jsbsim, given.seed)
    rows = summary(spans)
    print("\n".join(report(rows)))
    healthy = inside(spans.filter(pl.col("fault") == "healthy"))
    share = healthy["inside"].sum() / healthy.height
    print(f"healthy: {share:.4%} of {healthy.height} true values inside (reach 99 %, beyond 99.9 %)")
    if given.misses:
        for row in healthy.filter(~pl.col("inside")).sort("measure", "flight").iter_rows(named=True):
            print(*(f"{value:.4f}" if isinstance(value, float) else value for value in row.values()))
    poor = rows.filter(pl.col("share") < REACH)["measure"].to_list()
    sys.exit(1 if poor else 0)


if __name__ == "__main__":
    main()
