"""What is known of a flight from outside its recording: flights.csv and runways.csv beside the recordings.

flights.csv   file, tail, fleet, start_utc, departure, arrival, runway, flight, map; optional reversers_out ("1;2")
              and runway_condition_code; further columns are left alone
runways.csv   the column names of the open OurAirports runway table, and airport_elevation_ft where it is known
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from fdm.errors import FactsError, RecordingError, nearest
from fdm.schemas import FACTS
from fdm.text_tables import read_text_table
from fdm.units import M_PER_FT

TEXT_FACTS = ("tail", "fleet", "departure", "arrival", "runway", "flight")
FLIGHT_COLUMNS = ("file", "start_utc", "map", "reversers_out", "runway_condition_code", *TEXT_FACTS)
RUNWAY_FACTS = {  # schemas.FACTS name -> field of RunwayEnd
    "arrival": "airport",
    "runway": "ident",
    "runway_length_m": "length_m",
    "runway_displaced_m": "displaced_m",
    "runway_width_m": "width_m",
    "runway_heading_deg": "heading_deg",
    "runway_latitude_deg": "latitude_deg",
    "runway_longitude_deg": "longitude_deg",
    "airport_elevation_ft": "elevation_ft",
}
EARTH_RADIUS_M = 6_371_008.8  # mean radius R1 of WGS 84 (IUGG)
ON_RUNWAY_M = 300.0  # a recorded position this far to the side may still be on the runway
TELL_APART_M = 100.0  # parallel runways must differ by this much for a position to tell them apart
ALIGNED_DEG = 30.0  # recorded headings are magnetic, and an aeroplane crabs


@dataclass(frozen=True)
class FlightRow:
    """One row of flights.csv. `facts` has schemas.FACTS names; `map_file` is an absolute path or None."""

    file: str
    flight: str | None
    map_file: Path | None
    facts: Mapping[str, Any]


@dataclass(frozen=True)
class RunwayEnd:
    """One landing direction; what is not known is None. Latitude and longitude are those of the physical end."""

    airport: str
    ident: str
    length_m: float | None
    width_m: float | None
    latitude_deg: float | None
    longitude_deg: float | None
    heading_deg: float | None
    displaced_m: float | None
    elevation_ft: float | None

    @property
    def facts(self) -> dict[str, Any]:
        """The runway as schemas.FACTS values."""
        known = {fact: getattr(self, field) for fact, field in RUNWAY_FACTS.items()}
        return {name: value for name, value in known.items() if value is not None}


# ── flights.csv ──────────────────────────────────────────────────────────────────────────────────────────────


def load_flights(path: Path) -> tuple[list[FlightRow], tuple[str, ...]]:
    """Rows of a flights.csv and notes. Raises FactsError naming every problem of the file."""
    frame = _text_frame(path)
    if "file" not in frame.columns:
        raise FactsError("has no column 'file'", source=path, cure="Name the recording of each flight in it.")
    ignored = [name for name in frame.columns if name not in FLIGHT_COLUMNS]
    notes = (f"{path.name}: columns not used: {', '.join(ignored)}.",) if ignored else ()
    problems: list[str] = []
    rows = [_flight_row(path.parent, n, row, problems) for n, row in enumerate(frame.to_dicts(), start=1)]
    seen: dict[tuple[str, str | None], int] = {}
    for number, row in enumerate(rows, start=1):
        first = seen.setdefault((row.file, row.flight), number)
        if first != number:
            problems.append(f"row {number}: the same file and flight as row {first}")
    _raise_all(path, problems)
    return rows, notes


def _text_frame(path: Path) -> pl.DataFrame:
    """A CSV of texts; empty cells are null."""
    try:
        frame, unusable, _ = read_text_table(path, text_columns=None)
    except RecordingError as error:
        raise FactsError(error.problem, source=path, where=error.where, cure=error.cure) from None
    except OSError as error:
        raise FactsError(f"cannot be read ({error.strerror})", source=path, cure="Check the path.") from None
    if unusable:
        raise FactsError(f"column '{next(iter(unusable))}' stands twice", source=path, cure="Keep one of them.")
    frame = frame.with_columns(pl.all().str.strip_chars())
    return frame.with_columns(pl.when(pl.all() != "").then(pl.all()))


def _raise_all(path: Path, problems: list[str]) -> None:
    if len(problems) == 1:
        where, _, what = problems[0].partition(": ")
        raise FactsError(what, source=path, where=where)
    if problems:
        raise FactsError(f"{len(problems)} problems:" + "".join(f"\n  {line}" for line in problems), source=path)


def _flight_row(folder: Path, number: int, row: Mapping[str, str | None], problems: list[str]) -> FlightRow:
    facts, wrong = parse_facts(row)
    problems += [f"row {number}: {line}" for line in wrong]
    if not row["file"]:
        problems.append(f"row {number}: file is empty")
    given = row.get("map")
    map_file = (folder / given).resolve() if given else None
    return FlightRow(row["file"] or "", facts.get("flight"), map_file, facts)


def parse_facts(texts: Mapping[str, str | None]) -> tuple[dict[str, Any], list[str]]:
    """Facts given as text (flights.csv cells, Parquet metadata, command line), and what is wrong with them.

    Names that are no facts are passed over; empty texts too.
    """
    facts: dict[str, Any] = {}
    problems = []
    for name, text in texts.items():
        if name not in FACTS or not text:
            continue
        try:
            facts[name] = _parse_fact(name, text)
        except ValueError as error:
            problems.append(f"{name} '{text}' {error}")
    return facts, problems


def _parse_fact(name: str, text: str) -> Any:
    if name == "start_utc":
        return parse_utc(text)
    if name == "reversers_out":
        engines = [part.strip() for part in text.replace(",", ";").split(";") if part.strip()]
        if not all(engine in ("1", "2", "3", "4") for engine in engines):
            raise ValueError("must be engine numbers from 1 to 4, as in 2 or 1;2")
        return sorted({int(engine) for engine in engines})
    if name == "runway_condition_code":
        if text not in ("0", "1", "2", "3", "4", "5", "6"):
            raise ValueError("must be a whole number from 0 to 6")
        return int(text)
    if name == "runway":
        return runway_ident(text)
    if FACTS[name] == pl.Float64:
        try:
            return float(text)
        except ValueError:
            raise ValueError("must be a number") from None
    return text


def parse_utc(text: str) -> datetime:
    """An ISO 8601 time in UTC; a time without a zone is taken as UTC. Raises ValueError."""
    try:
        stamp = datetime.fromisoformat(text.strip())
    except ValueError:
        raise ValueError("is no ISO 8601 time such as 2026-11-20T10:00:00Z") from None
    return stamp.replace(tzinfo=UTC) if stamp.tzinfo is None else stamp.astimezone(UTC)


def runway_ident(text: str) -> str:
    """'9l', 'RW09L' and 'RWY 09L' as '09L'; other texts as they are."""
    ident = text.strip().upper().removeprefix("RWY").removeprefix("RW").strip()
    digits = ident.rstrip("LCRT")
    return ident.rjust(len(ident) + 1, "0") if len(digits) == 1 and digits.isdigit() else ident


# ── runways.csv ──────────────────────────────────────────────────────────────────────────────────────────────


def load_runways(path: Path) -> tuple[RunwayEnd, ...]:
    """Both ends of every runway of a runways.csv. Raises FactsError naming every problem of the file."""
    frame = _text_frame(path)
    for name in ("airport_ident", "le_ident", "he_ident"):
        if name not in frame.columns:
            cure = nearest(name, frame.columns)
            raise FactsError(f"has no column '{name}'", source=path, cure=cure)
    problems: list[str] = []
    ends = [
        _runway_end(row, end, other, number, problems)
        for number, row in enumerate(frame.to_dicts(), start=1)
        for end, other in (("le", "he"), ("he", "le"))
        if row[f"{end}_ident"]
    ]
    _raise_all(path, problems)
    return tuple(ends)


def _runway_end(row: Mapping[str, str | None], end: str, other: str, number: int, problems: list[str]) -> RunwayEnd:
    def number_in(name: str) -> float | None:
        text = row.get(name)
        if not text:
            return None
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if math.isfinite(value):
            return value
        line = f"row {number}: {name} '{text}' is no number"
        if line not in problems:
            problems.append(line)
        return None

    def metres(name: str) -> float | None:
        feet = number_in(name)
        return None if feet is None else feet * M_PER_FT

    here = number_in(f"{end}_latitude_deg"), number_in(f"{end}_longitude_deg")
    there = number_in(f"{other}_latitude_deg"), number_in(f"{other}_longitude_deg")
    elevations = (number_in(f) for f in ("airport_elevation_ft", "elevation_ft", f"{end}_elevation_ft"))
    if not row["airport_ident"]:
        problems.append(f"row {number}: airport_ident is empty")
    return RunwayEnd(
        airport=(row["airport_ident"] or "").upper(),
        ident=runway_ident(row[f"{end}_ident"] or ""),
        length_m=metres("length_ft"),
        width_m=metres("width_ft"),
        latitude_deg=here[0],
        longitude_deg=here[1],
        heading_deg=_heading(number_in(f"{end}_heading_degT"), number_in(f"{other}_heading_degT"), here, there),
        displaced_m=metres(f"{end}_displaced_threshold_ft"),
        elevation_ft=next((value for value in elevations if value is not None), None),
    )


_Position = tuple[float | None, float | None]


def _heading(own: float | None, reciprocal: float | None, here: _Position, there: _Position) -> float | None:
    """True heading of a landing from `here`: as given, else from the other end, else from end to end."""
    if own is not None:
        return own % 360
    if reciprocal is not None:
        return (reciprocal + 180) % 360
    if None in (*here, *there):
        return None
    north, east = _offset_m(*here, *there)  # type: ignore[arg-type]
    return math.degrees(math.atan2(east, north)) % 360


def _offset_m(latitude: float, longitude: float, to_latitude: float, to_longitude: float) -> tuple[float, float]:
    """Metres north and east from one position to another a few kilometres away (equirectangular)."""
    north = math.radians(to_latitude - latitude) * EARTH_RADIUS_M
    east = math.radians((to_longitude - longitude + 180) % 360 - 180) * EARTH_RADIUS_M
    return north, east * math.cos(math.radians((latitude + to_latitude) / 2))


def runway_facts(runways: Iterable[RunwayEnd], airport: str | None, runway: str | None) -> dict[str, Any] | None:
    """Facts of a named landing runway, None when it is not in the table."""
    if not airport or not runway:
        return None
    wanted = (airport.upper(), runway_ident(runway))
    return next((end.facts for end in runways if (end.airport, end.ident) == wanted), None)


def find_runway(
    runways: Sequence[RunwayEnd],
    airport: str | None,
    latitude_deg: float,
    longitude_deg: float,
    heading_deg: float,
) -> dict[str, Any] | None:
    """Facts of the runway that a position on the ground lies on, None when none or more than one fits.

    airport      ICAO identifier, or None to look at all
    heading_deg  recorded heading at touchdown, magnetic or true
    """
    found = []
    for end in runways:
        if airport and end.airport != airport.upper():
            continue
        if end.latitude_deg is None or end.longitude_deg is None or end.heading_deg is None:
            continue
        if abs((heading_deg - end.heading_deg + 180) % 360 - 180) > ALIGNED_DEG:
            continue
        north, east = _offset_m(end.latitude_deg, end.longitude_deg, latitude_deg, longitude_deg)
        course = math.radians(end.heading_deg)
        along = north * math.cos(course) + east * math.sin(course)
        across = abs(east * math.cos(course) - north * math.sin(course))
        if across <= ON_RUNWAY_M and -ON_RUNWAY_M <= along <= (end.length_m or 4000) + ON_RUNWAY_M:
            found.append((across, end))
    found.sort(key=lambda pair: pair[0])
    if not found or (len(found) > 1 and found[1][0] - found[0][0] < TELL_APART_M):
        return None
    return found[0][1].facts
