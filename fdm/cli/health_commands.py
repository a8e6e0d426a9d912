"""health: what drifts on which aircraft, which parameters have gone silent, how much of the flying was recorded."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich import box
from rich.table import Table

from fdm.cli.console import out
from fdm.cli.options import ARCHIVE
from fdm.errors import FactsError

if TYPE_CHECKING:
    import polars as pl

MOST = 20
STATES = {"gone": "silent", "silent": "unchanged"}  # what else is said as it is called


@click.command()
@ARCHIVE
@click.option("--flights", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="CSV list of the flights flown (tail, flight): shows how many were recorded.")  # fmt: skip
@click.option("--out", "folder", type=click.Path(path_type=Path, file_okay=False), metavar="DIR",
              help="Also write the whole tables there: trends.csv, parameters.csv, recovery.csv.")  # fmt: skip
def health(archive: Path, flights: Path | None, folder: Path | None) -> None:
    """What is drifting and what has gone silent, by aircraft: for the maintenance request.

    Trends are robust slopes with 95 % intervals over all landings of the archive; a measure that drifts is listed
    before it becomes an event.
    """
    from fdm.archive import Archive
    from fdm.health import parameters, recovery, trends

    store = Archive(archive)
    landings = store.landings()
    tables = {
        "trends": trends(landings, store.measures()),
        "parameters": parameters(landings, store.parameter_health()),
    }
    if flights is not None:
        tables["recovery"] = recovery(landings, flown(flights))
    console = out()
    console.print(_drifting(tables["trends"]))
    console.print(_parameters(tables["parameters"]))
    if flights is not None:
        console.print(_recovery(tables["recovery"]))
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in tables.items():
            frame.write_csv(folder / f"{name}.csv")
        click.echo(f"Whole tables are in {folder}.", err=True)


def flown(path: Path) -> pl.DataFrame:
    """A list of flights flown, with `tail` and `flight`. FactsError when it is none."""
    import polars as pl

    try:
        frame = pl.read_csv(path, infer_schema=False)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise FactsError(f"cannot be read ({error})", source=path, cure="Give a CSV file.") from None
    missing = [name for name in ("tail", "flight") if name not in frame.columns]
    if missing:
        raise FactsError(f"has no column {' and '.join(missing)}", source=path, cure="It needs tail and flight.")
    return frame


def _table(title: str, *columns: str) -> Table:
    table = Table(title=title, box=box.SIMPLE_HEAD, title_justify="left", pad_edge=False)
    for name in columns:
        table.add_column(name, justify="left" if name in ("Aircraft", "What", "Parameter", "State") else "right")
    return table


def _drifting(trends: pl.DataFrame) -> Table | str:
    rows = trends.filter("drifting")
    if not rows.height:
        return f"Nothing drifts: none of {trends.height} trends moves by more than its own noise.\n"
    title = f"Drifting: {rows.height} of {trends.height} trends"
    table = _table(title, "Aircraft", "What", "Engine", "Landings", "Was", "Now", "Per 30 days (95 %)")
    for row in rows.head(MOST).iter_rows(named=True):
        change = f"{row['per_30_days']:+.2f} ({row['per_30_days_lower']:+.2f} to {row['per_30_days_upper']:+.2f})"
        was, now = f"{row['was']:.1f} {row['unit']}", f"{row['now']:.1f} {row['unit']}"
        engine = "" if row["engine"] is None else str(row["engine"])
        table.add_row(row["tail"] or "", row["what"], engine, str(row["landings"]), was, now, change)
    return table


def _parameters(parameters: pl.DataFrame) -> Table | str:
    rows = parameters.filter(parameters["state"] != "good")
    if not rows.height:
        return f"Every recorded parameter is there: {parameters.height} aircraft and parameters looked at.\n"
    title = f"Recorder: {rows.height} of {parameters.height} aircraft and parameters are not good"
    table = _table(title, "Aircraft", "Parameter", "State", "Landings", "Present", "With faults", "Since")
    for row in rows.head(MOST).iter_rows(named=True):
        since = row["silent_since_utc"]
        table.add_row(
            row["tail"],
            row["parameter"],
            STATES.get(row["state"], row["state"]),
            str(row["landings"]),
            f"{row['present_pct']:.0f} %",
            str(row["faulty_landings"]),
            f"{since:%d %b %Y}, {row['silent_landings']} landings" if since else "",
        )
    if rows.height > MOST:
        table.caption = f"and {rows.height - MOST} more; --out DIR writes them all"
    return table


def _recovery(recovery: pl.DataFrame) -> Table:
    flown, recorded = int(recovery["flown"].sum()), int(recovery["recorded"].sum())
    share = 100 * recorded / flown if flown else 0.0
    table = _table(f"Recorded: {recorded} of {flown} flights ({share:.0f} %)", "Aircraft", "Flown", "Recorded", "Share")
    for row in recovery.head(MOST).iter_rows(named=True):
        table.add_row(row["tail"], str(row["flown"]), str(row["recorded"]), f"{row['recovered_pct']:.0f} %")
    return table


COMMANDS = (health,)
