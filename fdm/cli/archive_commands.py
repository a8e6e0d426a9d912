"""load, detect, events, export: recordings in, events out."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from fdm.cli.console import note, out, progress
from fdm.cli.options import ARCHIVE, CLUSTER, WAIT, WEEK, WORKERS, Fact

if TYPE_CHECKING:
    import polars as pl

    from fdm.engine import DetectReport, LoadReport

TABLES = ("landings", "instants", "measures", "outcomes", "events", "costs")


@click.command()
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="SOURCE...")
@ARCHIVE
@click.option("--map", "map_file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Parameter map of files that no flights.csv names.")  # fmt: skip
@click.option("--fact", "facts", type=Fact(), multiple=True,
              help="Of every flight: tail, fleet, flight, departure, arrival, runway, start_utc, reversers_out, "
                   "runway_condition_code. It goes before flights.csv.")  # fmt: skip
@click.option("-v", "--verbose", is_flag=True, help="Say what was noticed in every flight.")
@WORKERS
@CLUSTER
@WAIT
def load(
    sources: Sequence[Path],
    archive: Path,
    map_file: Path | None,
    facts: Sequence[tuple[str, str]],
    verbose: bool,
    workers: int,
    cluster: str | None,
    wait: bool,
) -> int:
    """Put recordings into an archive, which is made when it does not exist.

    SOURCE is a recording file or a folder with recordings (and flights.csv, runways.csv, maps). What is there already
    is left alone, a changed file replaces its landings, a wrong one is refused and listed; the others are loaded.
    """
    from fdm.engine import load as load_recordings

    with progress("Reading") as report:
        loaded = load_recordings(
            sources,
            archive,
            map_file=map_file,
            facts=dict(facts),
            workers=workers,
            cluster=cluster,
            wait=wait,
            progress=report,
        )
    return tell_loaded(loaded, archive, verbose=verbose)


def tell_loaded(loaded: LoadReport, archive: Path, *, verbose: bool = False) -> int:
    """Print what became of every flight; the exit status that goes with it."""
    from dashboard.words import count

    if loaded.flights.is_empty():
        note("fdm: no recording was found there, so nothing was loaded. A recording is a file with a column of time.")
        return 2
    flights = loaded.count("loaded") + loaded.count("replaced")
    line = f"Loaded {count(flights, 'flight')} with {count(loaded.landings, 'landing')} into {archive}."
    others = {action: loaded.count(action) for action in ("replaced", "unchanged", "duplicate", "refused")}
    rest = ", ".join(f"{n:,} {action}" for action, n in others.items() if n)
    out().print(f"{line} Of all flights: {rest}." if rest else line)
    list_refused(loaded)
    for row in loaded.flights.iter_rows(named=True):
        if row["message"] and row["action"] != "refused" and (verbose or row["action"] == "duplicate"):
            note(f"{row['action']}: {row['source']}: {row['message']}")
    if not others["refused"]:
        return 0
    return 1 if loaded.flights.height > others["refused"] else 2


def list_refused(loaded: LoadReport) -> None:
    """Each refused flight and why, on standard error."""
    for row in loaded.flights.iter_rows(named=True):
        if row["action"] == "refused":
            note(f"refused: {row['message']}")


@click.command()
@ARCHIVE
@click.option("--rules", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder of the rule book; the shipped one when left out.")  # fmt: skip
@click.option("--no-cost", is_flag=True, help="Do not estimate what the events cost.")
@WORKERS
@CLUSTER
@WAIT
def detect(archive: Path, rules: Path | None, no_cost: bool, workers: int, cluster: str | None, wait: bool) -> int:
    """Measure and judge every landing of an archive by a rule book, then estimate what the events cost.

    Only what changed since the last time is done anew; the results are those of a run from scratch. The events are in
    force before their cost is estimated: how many metres and seconds longer the rollout became.
    """
    from fdm.engine import detect as detect_events

    with progress("Judging") as report:
        found = detect_events(archive, rules=rules, workers=workers, cluster=cluster, wait=wait, progress=report)
    status = tell_detected(found)
    if not no_cost and not status:
        tell_costs(archive, workers=workers, cluster=cluster, wait=wait)
    return status


def tell_costs(archive: Path, *, workers: int = 1, cluster: str | None = None, wait: bool = False) -> None:
    """Estimate what the events cost, and print of how many it can be told."""
    from dashboard.words import count
    from fdm.cost import keep_costs

    with progress("Estimating costs") as report:
        found = keep_costs(archive, workers=workers, cluster=cluster, wait=wait, progress=report)
    if found.events:
        of = count(found.events, "event of a kind that costs", "events of kinds that cost")
        out().print(f"Of {of} runway, {found.told:,} have an estimate.")


def tell_detected(found: DetectReport) -> int:
    """Print the counts of one detection; the exit status that goes with it."""
    from dashboard.words import count

    if not found.landings:
        note("fdm: the archive holds no landing, so there was nothing to judge. fdm load puts recordings into it.")
        return 2
    events = sum(found.events.values())
    levels = ", ".join(f"{found.events.get(level, 0):,} {level}" for level in ("high", "medium", "low"))
    rules = (found.outcomes["event"], found.outcomes["within"], found.outcomes["not_assessed"])
    out().print(f"Judged {count(found.landings, 'landing')} by {found.rule_book}: {count(events, 'event')} ({levels}).")
    out().print(f"Of {sum(rules):,} judgements {rules[1]:,} were within limits, {rules[2]:,} could not be assessed.")
    return 0


@click.command()
@ARCHIVE
@WEEK
@click.option("--severity", "severities", multiple=True, type=click.Choice(["high", "medium", "low"]),
              help="Only this severity; may be given more than once.")  # fmt: skip
@click.option("--format", "kind", type=click.Choice(["table", "csv", "json", "parquet"]),
              help="table when left out, or what the suffix of --out says.")  # fmt: skip
@click.option("--out", "target", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Write into a file instead of printing.")  # fmt: skip
def events(archive: Path, week: str | None, severities: Sequence[str], kind: str | None, target: Path | None) -> int:
    """List the events, worst first.

    The table is for reading; csv, json and parquet hold every column. A possible event is one that the recorder's
    sampling leaves open: within its bounds the value may be a lower severity, or within limits.
    """
    from fdm.exporting import as_csv, as_json, format_of, write_table

    kind = kind or (format_of(target) if target and target.suffix.lower() != ".txt" else "table")
    if kind == "table":
        return _print_table(archive, week, severities, target)
    frame = chosen_events(archive, week, severities)
    if target:
        write_table(frame, target, kind)
        note(f"{frame.height:,} events written to {target}")
    elif kind == "parquet":
        if sys.stdout.isatty():
            raise click.UsageError("Parquet is not text. Add --out FILE.")
        frame.write_parquet(sys.stdout.buffer, compression="zstd")
    else:
        click.echo(as_csv(frame) if kind == "csv" else as_json(frame), nl=kind == "json")
    return 0


def chosen_events(archive: Path, week: str | None, severities: Sequence[str]) -> pl.DataFrame:
    """The events table of a week and of some severities (all when None or empty), worst first."""
    import polars as pl

    from fdm.engine import table
    from fdm.schemas import SEVERITIES

    frame = table(archive, "events")
    if week:
        iso = pl.format("{}-W{}", pl.col("touchdown_utc").dt.iso_year(), pl.col("touchdown_utc").dt.strftime("%V"))
        frame = frame.filter(iso == week)
    if severities:
        frame = frame.filter(pl.col("severity").is_in(list(severities)))
    rank = pl.col("severity").replace_strict({name: i for i, name in enumerate(SEVERITIES)}, return_dtype=pl.Int8)
    return frame.sort(-rank, "touchdown_utc", "event_id", nulls_last=True, maintain_order=True)


def _print_table(archive: Path, week: str | None, severities: Sequence[str], target: Path | None) -> int:
    from rich.console import Console

    from fdm.cli.event_table import print_events, read

    held = read(archive)
    if target is None:
        print_events(out(), held, week, severities)
        return 0
    with open(target, "w", encoding="utf-8") as file:
        print_events(Console(file=file, width=120, no_color=True, highlight=False), held, week, severities)
    return 0


@click.command()
@click.argument("table_name", type=click.Choice(TABLES), metavar="|".join(TABLES))
@ARCHIVE
@click.option("--out", "target", type=click.Path(path_type=Path, dir_okay=False), required=True, metavar="FILE",
              help="File to write: .parquet, .csv or .json.")  # fmt: skip
def export(table_name: str, archive: Path, target: Path) -> int:
    """Write one of the archive's tables to a file.

    CSV joins lists by "; ". JSON is an array of objects; JSON has no infinity, so null in `upper` beside a number in
    `value` means open-ended.
    """
    from fdm.engine import table
    from fdm.exporting import format_of, write_table

    format_of(target)
    frame = table(archive, table_name)
    write_table(frame, target)
    out().print(f"{frame.height:,} rows of {table_name} written to {target}")
    return 0


@click.command()
@ARCHIVE
@WAIT
def compact(archive: Path, wait: bool) -> int:
    """Make the many small parts that nightly loads leave into few full ones, so that reading and judging are quick.

    Nothing that is listed or exported changes but the order of rows.
    """
    from dashboard.words import count
    from fdm.compacting import compact as merge

    with progress("Merging") as report:
        done = merge(archive, wait=wait, progress=report)
    out().print(f"{count(done.before, 'part')} before, {done.after:,} now.")
    return 0


COMMANDS = (load, detect, compact, events, export)
