"""The flights flown, from a list beside the archive: how many of them have a recording.

<archive>.flown.csv    tail, flight, start_utc (ISO 8601); further columns are left alone
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from dashboard.query import Query
from dashboard.store import Store
from fdm.errors import FactsError, FdmError
from fdm.people.times import utc_now
from fdm.schemas import UTC

FLOWN: dict[str, Any] = {"tail": pl.String, "flight": pl.String, "start_utc": UTC}
BEFORE, AFTER = timedelta(hours=1), timedelta(hours=24)  # of the start, within which its landing is looked for


class FlightsFlown:
    """The list beside an archive, read again when it has changed. Safe to share between threads."""

    def __init__(self, archive: Path | str) -> None:
        folder = Path(archive).absolute()
        self.path = folder.with_name(f"{folder.name}.flown.csv")
        self._known: tuple[float, pl.DataFrame] | None = None

    def __call__(self) -> pl.DataFrame | None:
        """FLOWN, with the ISO `week` of the start; None when there is no list. FactsError when it cannot be read."""
        try:
            changed = self.path.stat().st_mtime
        except OSError:
            return None
        known = self._known
        if known is None or known[0] != changed:
            known = self._known = (changed, read_flown(self.path))
        return known[1]


def read_flown(path: Path) -> pl.DataFrame:
    """The flights of a list: FLOWN and `week`. FactsError when the file is no such list."""
    try:
        frame = pl.read_csv(path, infer_schema=False)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise FactsError(f"cannot be read ({error})", source=path, cure="Give a CSV file.") from None
    missing = [name for name in FLOWN if name not in frame.columns]
    if missing:
        problem = f"has no column {' and '.join(missing)}"
        raise FactsError(problem, source=path, cure="It needs tail, flight and start_utc.")
    start = pl.col("start_utc").str.strip_chars().str.replace(r"(Z|\+00:00)$", "").str.replace(" ", "T")
    read = frame.select(
        pl.col("tail", "flight").str.strip_chars(),
        start_utc=start.str.to_datetime(strict=False, time_unit="us", time_zone="UTC"),
    ).unique(maintain_order=True)
    bad = frame.filter(pl.col("start_utc").is_not_null()).height - read.get_column("start_utc").count()
    if bad > 0 and read.get_column("start_utc").null_count():
        at = read.with_row_index("row", 2).filter(pl.col("start_utc").is_null()).item(0, "row")
        raise FactsError(
            "start_utc is not a time", source=path, where=f"row {at}", cure="Write it as in 2026-11-12T06:41:00Z."
        )
    return read.with_columns(week=_week(pl.col("start_utc")))


def recorded(flights: pl.DataFrame, landings: pl.DataFrame) -> int:
    """How many of some flights have a landing in the archive: same aircraft and flight, within a day of the start."""
    return int(with_recorded(flights, landings).get_column("recorded").sum())


def with_recorded(flights: pl.DataFrame, landings: pl.DataFrame) -> pl.DataFrame:
    """The flights, each with whether it is `recorded`, and in the week of its landing where it is.

    Landings are counted by the week of touchdown: a flight over midnight on Sunday belongs to the week that holds it.
    """
    numbered = flights.with_row_index("number")
    pairs = numbered.join(landings.select("tail", "flight", "touchdown_utc"), on=["tail", "flight"])
    near = pl.col("touchdown_utc").is_between(pl.col("start_utc") - BEFORE, pl.col("start_utc") + AFTER)
    landed = pairs.filter(near).group_by("number").agg(pl.col("touchdown_utc").min())
    found = numbered.join(landed, on="number", how="left", maintain_order="left")
    marked = found.with_columns(recorded=pl.col("touchdown_utc").is_not_null())
    if "week" in flights.columns:
        marked = marked.with_columns(week=pl.coalesce(_week(pl.col("touchdown_utc")), "week"))
    return marked.select(*flights.columns, "recorded")


def so_far(flights: pl.DataFrame, landings: pl.DataFrame) -> pl.DataFrame:
    """The flights that began until now, or until the newest landing: a list may hold some that are yet to be flown."""
    until = pl.max_horizontal(pl.lit(utc_now()), pl.lit(landings.get_column("touchdown_utc").max()))
    return flights.filter((pl.col("start_utc") <= until).fill_null(True))


def weeks_lost(flights: pl.DataFrame, landings: pl.DataFrame, weeks: Sequence[str]) -> list[str]:
    """Weeks in which flights were flown and none was recorded, oldest first. `weeks`: those that hold a landing."""
    others = so_far(flights.filter(~pl.col("week").is_in(weeks)), landings)
    lost = with_recorded(others, landings).filter(~pl.col("recorded"))
    return lost.get_column("week").drop_nulls().unique().sort().to_list()


def weeks(store: Store) -> tuple[str, ...]:
    """Weeks that hold a landing, and those since the first of them that are over and of which no flight was recorded,
    oldest first; those of landings when the list cannot be read. What the week under way flew may be recorded yet.
    """
    held = store.held()
    try:
        flights = store.flights_flown()
    except FdmError:
        return held.weeks
    if flights is None:
        return held.weeks
    lost = weeks_lost(flights, held.landings, held.weeks)
    over = [week for week in lost if week < _iso_week(utc_now()) and week > min(held.weeks, default="")]
    return tuple(sorted({*held.weeks, *over}))


def asked(store: Store, query: Query) -> Query:
    """The query, with the newest week named where it names none and that week was flown but not recorded at all."""
    if query.week:
        return query
    newest = weeks(store)[-1:]
    return query if newest == store.held().weeks[-1:] else replace(query, week=newest[0])


def _iso_week(at: datetime) -> str:
    """ISO 8601, such as 2026-W47."""
    year, week, _ = at.isocalendar()
    return f"{year}-W{week:02}"


def _week(utc: pl.Expr) -> pl.Expr:
    """ISO 8601, such as 2026-W47."""
    return pl.format("{}-W{}", utc.dt.iso_year(), utc.dt.week().cast(pl.String).str.zfill(2))
