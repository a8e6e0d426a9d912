"""A bigger study of the cost of delays against JSBSim twins.

    python -m tests.outside.cost_study --landings 400 [--normals 24] [--seed 41] [--brakes torque] [--twins own]

Half a second of one core for each flight; a pair is two flights. `--brakes torque` limits the wheel brakes by torque,
which JSBSim's own do not do; `--twins own` flies each twin at a time drawn for it instead of the usual one.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

import polars as pl

from . import cost_twins
from .cost_scores import costs_of, scored, table

GROUPS = (("kind",), ("brakes", "runway"), ("model", "brakes", "runway"))


def main() -> None:
    """Fly, cost, and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--landings", type=int, default=400, help="pairs of landings with and without a lapse")
    parser.add_argument("--normals", type=int, default=24, help="normal landings of each model to learn from")
    parser.add_argument("--seed", type=int, default=41)
    parser.add_argument("--brakes", choices=("load", "torque"), default="load")
    parser.add_argument("--twins", choices=("usual", "own"), default="usual")
    given = parser.parse_args()
    pl.Config.set_tbl_rows(-1).set_tbl_cols(-1).set_tbl_width_chars(180).set_float_precision(1)
    with tempfile.TemporaryDirectory() as folder:
        torque, own = given.brakes == "torque", given.twins == "own"
        twins = cost_twins.make(Path(folder), given.landings, given.normals, given.seed, torque, own)
        start = time.process_time()
        costs = costs_of(Path(folder))
        taken = time.process_time() - start
    scores = scored(costs, twins)
    print(f"{len(twins)} twins, {scores.height} made their event; load, detect and cost {taken:.0f} s")
    print(table(scores.with_columns(all=pl.lit("all")), "all"))
    for group in GROUPS:
        print(table(scores, *group))
    reasons = scores.filter(~pl.col("answered"))["reason"].str.replace_all(r"[\d.]+", "#")
    print(reasons.value_counts(sort=True))


if __name__ == "__main__":
    main()
