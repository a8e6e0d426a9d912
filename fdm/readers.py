"""From a file to raw flights: columns as the operator exported them, no meaning yet.

Formats are told by content, not by suffix: CSV text (comma, semicolon or tab), Parquet, Arrow IPC, MAT v5; wide
(`time_s` or `time_utc`, then a column per parameter) or long (`time_s, parameter, value`), one flight or several
(`flight` column). An empty cell means "not sampled here" and is left out.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from fdm.cells import TIME_COLUMNS, numbers_and_fillers, stamps_of
from fdm.errors import RecordingError
from fdm.text_tables import UTF8_MARK, header_of, read_text_table

LONG_COLUMNS = ("parameter", "value")


@dataclass(frozen=True)
class RawColumn:
    """One recorded column without its empty cells.

    values  float64 (m,), or a text Series (m,)
    rows    int (m,) positions of the values in the table's rows; None when every row has one.
            Columns with a value in the same rows share one array
    time_s  float64 (m,) stamps of a parameter with its own clock (long tables, MAT), else None
    slot_s  a sample may have been taken up to this long after its stamp (MAT: anywhere in its slot)
    unit    unit that the file itself gives, if any
    """

    values: np.ndarray | pl.Series
    rows: np.ndarray | None = None
    time_s: np.ndarray | None = None
    slot_s: float = 0.0
    unit: str = ""


@dataclass(frozen=True)
class RawFlight:
    """One flight as recorded.

    source        path, followed by '#flight' where a table holds several flights
    time_s        float64 (n,) stamps of the table's rows, None when each column has its own clock;
                  seconds on the file's own clock, or after `start_utc` when the file gives UTC
    columns       by the operator's name; empty columns are left out
    unusable      columns that are in the file but cannot be read, and why
    content_hash  digest of column names and values; columns without a value do not count
    """

    source: str
    flight: str | None
    time_s: np.ndarray | None
    columns: Mapping[str, RawColumn]
    unusable: Mapping[str, str]
    content_hash: str
    metadata: Mapping[str, str] = field(default_factory=dict)
    start_utc: datetime | None = None
    notes: tuple[str, ...] = ()

    @property
    def first_s(self) -> float:
        """The earliest stamp."""
        clocks = [self.time_s] if self.time_s is not None else [c.time_s for c in self.columns.values()]
        return min(float(np.nanmin(clock)) for clock in clocks if clock is not None)


@dataclass(frozen=True)
class _Table:
    """A whole file as a frame, before it is split into flights."""

    path: Path
    frame: pl.DataFrame
    unusable: Mapping[str, str] = field(default_factory=dict)
    metadata: Mapping[str, str] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


def read_flights(path: Path, text_columns: Iterable[str] = ()) -> Iterator[RawFlight | RecordingError]:
    """Every flight of a recording file, in the file's order, one at a time; or what is wrong with that flight.

    text_columns  columns expected to hold text codes; only a hint that saves time, the result is the same without
    Raises RecordingError, before the first flight, when the file as a whole cannot be used.
    """
    head = _head(path)
    kind = _kind_of(path, head)
    if kind == "mat":
        return iter([_read_mat(path)])
    table = {"parquet": _read_parquet, "ipc": _read_ipc}[kind](path) if kind != "text" else None
    if table is None:
        frame, unusable, said = read_text_table(path, text_columns)
        table = _Table(path, frame, unusable, {}, tuple(said))
    parts, notes = _by_flight(table)
    return _flights(replace(table, notes=(*table.notes, *notes)), parts)


def column_names(path: Path) -> list[str] | None:
    """Names in a table's header, None for a MAT file. Raises RecordingError when there is no header to read."""
    head = _head(path)
    kind = _kind_of(path, head)
    if kind == "text":
        return header_of(path, head.removeprefix(UTF8_MARK).lstrip(b"\r\n").partition(b"\n")[0])[0]
    if kind == "mat":
        return None
    read = pl.read_parquet_schema if kind == "parquet" else pl.read_ipc_schema
    return list(_guarded(path, kind, lambda: read(path)))


def _head(path: Path) -> bytes:
    try:
        with open(path, "rb") as file:
            return file.read(4096)
    except OSError as error:
        raise RecordingError(f"cannot be read ({error.strerror})", source=path, cure="Check the path.") from None


_MAGIC = (
    (b"PAR1", "parquet", ""),
    (b"ARROW1", "ipc", ""),
    (b"MATLAB 5.0 MAT-file", "mat", ""),
    (b"MATLAB 7.3", "", "is a MAT v7.3 file. Save it as MAT v5 (option -v7 or older)"),
    (b"\x89HDF", "", "is an HDF5 file. Export it as CSV, Parquet or MAT v5"),
    (b"PK\x03\x04", "", "is a zip archive or spreadsheet. Unpack it, or export it as CSV"),
    (b"\x1f\x8b", "", "is a gzip archive. Unpack it first"),
    (b"\x28\xb5\x2f\xfd", "", "is a zstd archive. Unpack it first"),
    (b"\xff\xfe", "", "is UTF-16 text. Save it as UTF-8"),
    (b"\xfe\xff", "", "is UTF-16 text. Save it as UTF-8"),
)


def _kind_of(path: Path, head: bytes) -> str:
    if not head.strip():
        raise RecordingError("is empty", source=path, cure="Export the recording again.")
    for magic, kind, refusal in _MAGIC:
        if head.startswith(magic):
            if kind:
                return kind
            problem, _, cure = refusal.partition(". ")
            raise RecordingError(problem, source=path, cure=cure + ".")
    if b"\0" in head:
        utf16 = max(head[::2].count(0), head[1::2].count(0)) > 0.4 * len(head)  # every second byte of Latin text
        cure = "Save it as UTF-8." if utf16 else "Recordings are CSV, Parquet, Arrow IPC or MAT v5."
        raise RecordingError("is UTF-16 text" if utf16 else "is binary, of no known kind", source=path, cure=cure)
    return "text"


def _read_parquet(path: Path) -> _Table:
    frame = _guarded(path, "Parquet", lambda: pl.read_parquet(path, hive_partitioning=False, glob=False))
    metadata = _guarded(path, "Parquet", lambda: pl.read_parquet_metadata(path))
    return _Table(path, frame, metadata=metadata)


def _read_ipc(path: Path) -> _Table:
    return _Table(path, _guarded(path, "Arrow IPC", lambda: pl.read_ipc(path)))


def _guarded(path: Path, kind: str, read: Any) -> Any:
    try:
        return read()
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        cure = "The file is damaged or cut short; export it again."
        raise RecordingError(f"cannot be read as {kind} ({reason})", source=path, cure=cure) from None


# ── a table into flights ─────────────────────────────────────────────────────────────────────────────────────


def _flights(table: _Table, parts: Iterable[tuple[str | None, pl.DataFrame]]) -> Iterator[RawFlight | RecordingError]:
    for flight, part in parts:
        try:
            yield _flight(table, part, flight)
        except RecordingError as error:
            yield error


def _by_flight(table: _Table) -> tuple[Iterable[tuple[str | None, pl.DataFrame]], list[str]]:
    """The table split by its `flight` column, if it has one, and notes. RecordingError when there is nothing in it."""
    frame = table.frame
    if not frame.height:
        raise RecordingError("has a header but no rows", source=table.path, cure="Export the recording again.")
    if "flight" not in frame.columns:
        return [(None, frame)], []
    flights = frame["flight"].cast(pl.String).str.strip_chars()
    lost = flights.null_count()
    if lost == frame.height:
        raise RecordingError("has no value", source=table.path, where="column flight", cure="Drop the column.")
    return _parts(frame.drop("flight"), flights), [f"Rows without a flight, left out: {lost}."] if lost else []


def _parts(frame: pl.DataFrame, flights: pl.Series) -> Iterator[tuple[str, pl.DataFrame]]:
    """Each flight's rows; slices where a flight's rows stand together, as they nearly always do."""
    begins = [0, *(flights.ne_missing(flights.shift(1)).arg_true().to_list()[1:]), len(flights)]
    names = [flights[start] for start in begins[:-1]]
    if len(set(names)) == len(names):
        for name, start, end in zip(names, begins[:-1], begins[1:], strict=True):
            if name is not None:
                yield name, frame.slice(start, end - start)
        return
    for name in dict.fromkeys(name for name in names if name is not None):
        yield name, frame.filter(flights == name)


def _flight(table: _Table, frame: pl.DataFrame, flight: str | None) -> RawFlight:
    source = f"{table.path}#{flight}" if flight is not None else str(table.path)
    time_s, start_utc, stamps = stamps_of(source, frame)
    unusable = dict(table.unusable)
    is_long = set(LONG_COLUMNS) <= set(frame.columns)
    filled: dict[str, Mapping[str, int]] = {}
    columns = _long(frame, time_s, unusable, filled) if is_long else _wide(frame, unusable, filled)
    return RawFlight(
        source=source,
        flight=flight,
        time_s=None if is_long else time_s,
        columns=columns,
        unusable=unusable,
        content_hash=_hash(columns, stamps),
        metadata=table.metadata,
        start_utc=start_utc,
        notes=(*table.notes, *_told(filled)),
    )


def _told(filled: Mapping[str, Mapping[str, int]]) -> Iterator[str]:
    """A note on the fillers found among numbers, by column."""
    found = [
        f"{name} {sum(counts.values())} ({', '.join(repr(filler) for filler in counts)})"
        for name, counts in filled.items()
        if counts
    ]
    if found:
        yield f"Cells taken as missing values: {', '.join(found)}."


def _wide(data: pl.DataFrame, unusable: dict[str, str], filled: dict[str, Mapping[str, int]]) -> dict[str, RawColumn]:
    columns = {}
    rows_of: dict[bytes, np.ndarray] = {}
    for series in data.get_columns():
        if series.name in TIME_COLUMNS:
            continue
        values = _usable(series, series.name, unusable, filled)
        if values is None:
            continue
        missing = _missing(series, values)
        if missing is None:
            columns[series.name] = RawColumn(values)
        elif missing.all():
            unusable[series.name] = "is empty"
        else:
            pattern = np.packbits(missing).tobytes()
            rows = rows_of.get(pattern)
            if rows is None:
                rows = rows_of[pattern] = np.flatnonzero(~missing)
            kept = values[rows] if isinstance(values, np.ndarray) else values.drop_nulls()
            columns[series.name] = RawColumn(kept, rows)
    return columns


def _missing(series: pl.Series, values: np.ndarray | pl.Series) -> np.ndarray | None:
    """Which rows are empty, None when none is. NaN is a value that the recorder could not give, not an empty cell."""
    if isinstance(values, pl.Series):
        return values.is_null().to_numpy() if values.null_count() else None
    empty = series.null_count()
    if not empty and not series.dtype.is_float() and series.dtype != pl.String:
        return None
    nan = np.isnan(values)
    found = int(np.count_nonzero(nan))
    if found == empty or (not empty and found > len(values) / 2):  # the exporter writes NaN for an empty cell
        return nan if found else None
    return nan & series.is_null().to_numpy() if empty else None


def _long(
    data: pl.DataFrame, time_s: np.ndarray, unusable: dict[str, str], filled: dict[str, Mapping[str, int]]
) -> dict[str, RawColumn]:
    named = data.select(pl.col("parameter").cast(pl.String).str.strip_chars(), "value")
    named = named.with_columns(pl.Series("time_s", time_s)).drop_nulls()
    columns = {}
    for (name,), part in named.partition_by("parameter", as_dict=True, include_key=False).items():
        values = _usable(part["value"], str(name), unusable, filled)
        if values is not None:
            columns[str(name)] = RawColumn(values, time_s=part["time_s"].to_numpy())
    return columns


def _usable(
    series: pl.Series, name: str, unusable: dict[str, str], filled: dict[str, Mapping[str, int]]
) -> np.ndarray | pl.Series | None:
    """Values as float64 with NaN in empty cells, or as text; None (and a reason in `unusable`) when neither.

    filled  takes in how often each filler stood in the column
    """
    values, filled[name] = numbers_and_fillers(series)
    if values.dtype == pl.String:
        return values
    if values.dtype.is_numeric():
        return values.to_numpy().astype(np.float64, copy=False)
    unusable[name] = f"holds {values.dtype}, not numbers or text"
    return None


def _hash(columns: Mapping[str, RawColumn], stamps: np.ndarray | None) -> str:
    """Digest over stamps, names, positions and values; little-endian, so that it is the same everywhere."""
    digest = hashlib.blake2b(digest_size=10)
    if stamps is not None:
        digest.update(np.ascontiguousarray(stamps, dtype=stamps.dtype.newbyteorder("<")).data)
    patterns: dict[int, bytes] = {}
    for name in sorted(columns):
        column = columns[name]
        digest.update(name.encode() + b"\0")
        if column.time_s is not None:
            digest.update(np.ascontiguousarray(column.time_s, dtype="<f8").data)
        if column.rows is not None:
            if id(column.rows) not in patterns:
                patterns[id(column.rows)] = np.ascontiguousarray(column.rows, dtype="<i4").tobytes()
            digest.update(patterns[id(column.rows)])
        digest.update(_bytes(column.values))
    return digest.hexdigest()


def _bytes(values: np.ndarray | pl.Series) -> bytes | memoryview:
    if isinstance(values, pl.Series):
        return "\0".join(values.to_list()).encode()
    nan = np.isnan(values)
    return np.ascontiguousarray(np.where(nan, np.nan, values) if nan.any() else values, dtype="<f8").data


# ── MAT v5 ───────────────────────────────────────────────────────────────────────────────────────────────────


def _read_mat(path: Path) -> RawFlight:
    """One struct per variable with data, Rate, Units, Description; all start at second 0.

    Where in its slot of 1 / Rate a sample was taken is not in the file; RawColumn.slot_s says so.
    """
    import scipy.io  # only here: it takes longer to import than a CSV flight takes to read

    try:
        variables = scipy.io.loadmat(path, squeeze_me=True)
    except Exception as error:  # SciPy raises many kinds on damaged files
        cure = "The file is damaged or cut short; export it again."
        raise RecordingError(f"cannot be read as MAT v5 ({error})", source=path, cure=cure) from None
    columns: dict[str, RawColumn] = {}
    unusable: dict[str, str] = {}
    for name, variable in variables.items():
        fields = (
            {str(n).lower(): variable[n].item() for n in getattr(variable.dtype, "names", None) or ()}
            if isinstance(variable, np.ndarray) and variable.size == 1
            else {}
        )
        if "data" not in fields:
            continue
        _mat_column(name, fields, columns, unusable)
    if not columns:
        cure = "Each variable must be a struct with data and Rate."
        raise RecordingError("holds no recorded variable", source=path, cure=cure)
    return RawFlight(str(path), None, None, columns, unusable, _hash(columns, None))


def _mat_column(name: str, fields: Mapping[str, Any], columns: dict[str, RawColumn], unusable: dict[str, str]) -> None:
    data = np.atleast_1d(fields["data"])
    try:
        rate_hz = float(fields.get("rate", "nan"))
    except (TypeError, ValueError):
        rate_hz = float("nan")
    if not (np.isfinite(rate_hz) and rate_hz > 0):
        unusable[name] = "has no Rate in the MAT file"
    elif data.dtype.kind not in "biuf" or data.ndim != 1:
        unusable[name] = "is not one column of numbers in the MAT file"
    elif data.size:
        time_s = np.arange(data.size) / rate_hz
        unit = fields.get("units", "")
        values = np.ascontiguousarray(data, dtype=np.float64)
        columns[name] = RawColumn(values, None, time_s, 1 / rate_hz, unit if isinstance(unit, str) else "")
