"""`python -m tests.bench.confusion [--landings 3000] [--jsbsim 200]`: what each rule found, missed and invented.

Landings of the invented airline and landings flown with JSBSim, whose truth is known, healthy and with recorder faults.
A true event lies so far beyond a limit that the recorder can tell (tests/outside/least_widths.py); what lies nearer is
grey and may be either. Columns: `true` events, of which `found`, `missed` (within for certain), `open` (within, but
its bounds reach beyond a limit), `unsaid` (not assessed); found with another `severity` than the bounds hold;
`invented` events, of which `medium+`; `grey`; `not assessed` in all. Ends with status 1 when a rule missed or invented
anything on healthy recordings, or invented an event of medium severity or more on faulty ones.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import polars as pl

from fdm.engine import table
from sample_flights.layouts import layouts
from tests.bench.spans import airline_archive, fault_of, recorder_of
from tests.outside.fault_fleet import could_be, exports, fly_fleet, graded, study
from tests.outside.judging import SEVERITIES, rules

COLUMNS = ("source", "fault", "flight", "rule", "truth", "lowest_true", "true", "highest_true")
SAID = ("outcome", "said", "lowest", "highest", "could", "value", "lower", "upper", "reason")
CELLS = (
    "true",
    "found",
    "missed",
    "open",
    "unsaid",
    "severity",
    "invented",
    "medium+",
    "grey",
    "not assessed",
    "judged",
)


def airline_rows(folder: Path, landings: int, seed: int) -> pl.DataFrame:
    """A row for each landing of the invented airline and rule: the truth and what was said."""
    archive, truth = airline_archive(folder, landings, seed)
    rows = list(_truths(truth.with_columns(fault_of(truth))))
    true = pl.DataFrame(rows, schema=["landing_id", *COLUMNS], orient="row", infer_schema_length=None)
    ranks = {f"{new}": pl.col(old) for new, old in zip(SAID[1:4], _SEVERITY, strict=True)}
    events = table(archive, "events").select("landing_id", "rule", *_SEVERITY, "value", "lower", "upper")
    said = table(archive, "outcomes").join(events, on=["landing_id", "rule"], how="left")
    said = said.with_columns(**{n: c.fill_null("within").replace_strict(_RANK) for n, c in ranks.items()})
    said = said.join(could_be(table(archive, "measures")), on=["landing_id", "rule"], how="left")
    said = said.with_columns(pl.col("could").fill_null(0))
    return true.join(said, on=["landing_id", "rule"]).select(*COLUMNS, *SAID)


_SEVERITY = ("severity", "severity_lowest", "severity_highest")
_RANK = {word: rank for rank, word in enumerate(SEVERITIES)}


def _truths(truth: pl.DataFrame) -> Iterator[tuple]:
    recorders = {layout.fleet.name: recorder_of(layout) for layout in layouts()}
    for row in truth.iter_rows(named=True):
        for name, rule in rules().items():
            if rule["measure"] not in row:
                continue
            given = row[rule["measure"]]
            values = [v for v in (given if isinstance(given, list) else [given]) if v is not None]
            judged = row["kind"] == "full_stop" or not rule.get("rollout", True)
            slowing_g = math.nan if row["mean_deceleration_g"] is None else row["mean_deceleration_g"]
            speed_kt = row["touchdown_ground_speed_kt"]
            grades = graded(rule, values if judged else [], recorders[row["fleet"]], speed_kt, slowing_g)
            worst, lowest, true, highest = grades
            yield row["landing_id"], row["fleet"], row["fault"], row["flight"], name, worst, lowest, true, highest


def jsbsim_rows(folder: Path, count: int, seed: int) -> pl.DataFrame:
    """The same of landings flown with JSBSim, each fault on some normal ones and on one of each lapse."""
    made = exports(fly_fleet(folder / "models", count, seed), 6, seed)
    found = study(folder / f"jsbsim-{count}-{seed}", made)
    return found.rows.with_columns(source=pl.col("fleet")).select(*COLUMNS, *SAID)


def confusion(rows: pl.DataFrame, by: str) -> pl.DataFrame:
    """Counts (CELLS) for each value of a column."""
    event, silent = pl.col("outcome") == "event", pl.col("outcome") == "not_assessed"
    within = pl.col("outcome") == "within"
    true, nothing = pl.col("lowest_true") >= 1, pl.col("highest_true") == 0
    off = (pl.col("lowest") > pl.col("highest_true")) | (pl.col("highest") < pl.col("lowest_true"))
    cells = {
        "true": true,
        "found": true & event,
        "missed": missed(),
        "open": true & within & ~missed(),
        "unsaid": true & silent,
        "severity": true & event & off,
        "invented": nothing & event,
        "medium+": invented_medium(),
        "grey": ~true & ~nothing,
        "not assessed": silent,
        "judged": pl.col("outcome").is_not_null(),
    }
    return rows.group_by(by).agg(**{name: cell.sum() for name, cell in cells.items()}).sort(by)


def missed() -> pl.Expr:
    """Within for certain, although every value near the truth is an event."""
    return (pl.col("lowest_true") >= 1) & (pl.col("outcome") == "within") & (pl.col("could") == 0)


def invented_medium() -> pl.Expr:
    """An event of medium severity or more where no value near the truth is one."""
    return (pl.col("said") >= 2) & (pl.col("highest_true") < 2)


def report(title: str, counts: pl.DataFrame) -> list[str]:
    """A table as lines; noughts as dots, so that what matters stands out."""
    first, widths = counts.columns[0], [max(len(name), 6) + 2 for name in CELLS]
    heads = [f"{name:>{width}}" for name, width in zip(CELLS, widths, strict=True)]
    lines = ["", title, f"{first:<32}" + "".join(heads)]
    for row in counts.iter_rows(named=True):
        cells = [f"{row[name] or '·':>{width}}" for name, width in zip(CELLS, widths, strict=True)]
        lines.append(f"{row[first]:<32}" + "".join(cells))
    return lines


def wrong(rows: pl.DataFrame) -> pl.DataFrame:
    """Every missed and every invented event, by fault and rule, with an example."""
    invented = ((pl.col("highest_true") == 0) & (pl.col("outcome") == "event")) | invented_medium()
    found = rows.with_columns(what=pl.when(missed()).then(pl.lit("missed")).when(invented).then(pl.lit("invented")))
    example = [pl.col(name).first() for name in ("flight", "truth", "said", "value", "lower", "upper")]
    grouped = found.drop_nulls("what").group_by("what", "fault", "rule").agg(pl.len().alias("count"), *example)
    return grouped.sort("what", "fault", "rule")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.confusion", description=__doc__)
    parser.add_argument("--landings", type=int, default=3000, help="landings of the invented airline (3000)")
    parser.add_argument("--jsbsim", type=int, default=200, help="landings flown with JSBSim (200)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", type=Path, help="where recordings and archives are kept (a temporary folder)")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="rollout-confusion-") as temporary:
        folder = given.folder or Path(temporary)
        parts = [airline_rows(folder, given.landings, given.seed)]
        if given.jsbsim:
            parts.append(jsbsim_rows(folder, given.jsbsim, given.seed))
    rows = pl.concat(parts, how="vertical_relaxed")
    healthy, faulty = (rows.filter((pl.col("fault") == "healthy") == is_) for is_ in (True, False))
    lines = report(f"Healthy recordings ({healthy['flight'].n_unique()} flights)", confusion(healthy, "rule"))
    lines += report(f"Recordings with a fault ({faulty['flight'].n_unique()} flights)", confusion(faulty, "rule"))
    lines += report("All rules, by fault", confusion(rows, "fault"))
    print("\n".join(lines))
    print("\nMissed and invented, with an example each")
    for row in wrong(rows).iter_rows():
        print("  ", *(f"{cell:.3f}" if isinstance(cell, float) else cell for cell in row))
    ok = not wrong(healthy).height and not faulty.filter(invented_medium()).height
    sys.exit(0 if ok else 1)


if __name__ == "__main__":
    main()
