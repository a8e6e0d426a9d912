"""Cells to numbers and times: what an export writes in many dresses, in one."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from fdm.errors import RecordingError

TIME_COLUMNS = ("time_s", "time_utc")


_NO_VALUE = ("na", "nan", "null", "invalid", "inv", "ncd", "nodata")  # NCD: no computed data; from memory


def is_filler(text: str) -> bool:
    """Whether a cell says that there is no value: punctuation alone ("---", "#####"), or a word for it ("#N/A")."""
    bare = re.sub(r"[\W_]+", "", text).casefold()
    return not bare or bare in _NO_VALUE


def as_number(series: pl.Series) -> pl.Series:
    """Numbers where every value is one (also written as text, true and false being 1 and 0), else unchanged."""
    return numbers_and_fillers(series)[0]


def numbers_and_fillers(series: pl.Series) -> tuple[pl.Series, dict[str, int]]:
    """As `as_number`, and how often fillers (`is_filler`) stood among the numbers; they become NaN."""
    kind = series.dtype
    if kind in (pl.Boolean, pl.Null) or kind.is_decimal():
        return series.cast(pl.Float64), {}
    if isinstance(kind, pl.Categorical | pl.Enum):
        series = series.cast(pl.String)
    if series.dtype != pl.String:
        return series, {}
    text = series.str.strip_chars()
    text = text.set(text == "", None)
    number = text.cast(pl.Float64, strict=False)
    odd = text.filter(number.is_null() & text.is_not_null())
    if not len(odd):
        return number, {}
    fillers = [cell for cell in odd.unique().to_list() if is_filler(cell)]
    filled = text.is_in(fillers)
    rest = _all_numbers(text.set(filled, None))
    if rest is None or (fillers and rest.drop_nulls().unique().to_list() in ([], [1.0])):
        return text, {}  # alone, or beside ones, a dash may mean false
    counts = odd.filter(odd.is_in(fillers)).value_counts(sort=True)
    return rest.set(filled, float("nan")), dict(counts.iter_rows())


def _all_numbers(text: pl.Series) -> pl.Series | None:
    """Texts as numbers, true and false being 1 and 0; None where one is neither."""
    number = text.cast(pl.Float64, strict=False)
    if number.null_count() == text.null_count():
        return number
    flags = text.str.to_lowercase()
    return (flags == "true").cast(pl.Float64) if flags.drop_nulls().is_in(["true", "false"]).all() else None


def _bad_text(column: pl.Series) -> str:
    """What a column of numbers holds instead, with the first such row."""
    if column.dtype != pl.String:
        return f"holds {column.dtype}, not numbers"
    row = first_text(column)
    return f"row {row + 1} holds '{column[row]}', not a number"


def first_text(column: pl.Series) -> int:
    """Position of the first text that is neither a number nor a filler; of the first that is no number else."""
    strange = column.filter(column.is_not_null() & column.cast(pl.Float64, strict=False).is_null()).unique()
    worst = [text for text in strange.to_list() if not is_filler(text)] or strange.to_list()
    return int(column.is_in(worst).arg_max() or 0)


def stamps_of(source: str, frame: pl.DataFrame) -> tuple[np.ndarray, datetime | None, np.ndarray]:
    """Seconds of each row (NaN where empty), UTC of second 0 when known, and the stamps as they are hashed.

    Raises RecordingError when there is not exactly one column of times, or it cannot be read.
    """
    present = [name for name in TIME_COLUMNS if name in frame.columns]
    if len(present) != 1:
        problem = "has both time_s and time_utc" if present else "has no time column"
        near = [name for name in frame.columns if "time" in name.lower()]
        cure = "Keep one of them." if present else "Name it time_s (seconds) or time_utc (ISO 8601)."
        if near and not present:
            cure += f" Is it '{near[0]}'?"
        raise RecordingError(problem, source=source, cure=cure)
    column = frame[present[0]]
    if present[0] == "time_utc":
        return _utc_stamps(source, column)
    seconds = as_number(column)
    if not seconds.dtype.is_numeric():
        raise RecordingError(_bad_text(seconds), source=source, where="time_s", cure="time_s holds seconds.")
    time_s = seconds.to_numpy().astype(np.float64, copy=False)
    return time_s, None, time_s


def _utc_stamps(source: str, column: pl.Series) -> tuple[np.ndarray, datetime | None, np.ndarray]:
    utc = _as_utc(column)
    if utc is None or utc.null_count() > column.null_count():
        shown = column if utc is None else column.filter(utc.is_null() & column.is_not_null())
        problem = f"'{shown.drop_nulls()[0]}' is no ISO 8601 time" if column.null_count() < len(column) else "is empty"
        cure = "Write 2026-11-20T10:00:00.250Z, or use time_s with seconds."
        raise RecordingError(problem, source=source, where="time_utc", cure=cure)
    micros = utc.cast(pl.Int64)
    first = int(micros.drop_nulls()[0])
    seconds = (micros - first).cast(pl.Float64).fill_null(float("nan")).to_numpy() / 1e6
    return (
        seconds,
        datetime.fromtimestamp(0, UTC) + timedelta(microseconds=first),
        micros.fill_null(0).to_numpy(),
    )


def _as_utc(column: pl.Series) -> pl.Series | None:
    """Datetimes in UTC (a time without a zone is taken as UTC), or None when the column holds no times at all."""
    kind = pl.Datetime("us", "UTC")
    if isinstance(column.dtype, pl.Datetime):
        zoned = column.dt.replace_time_zone("UTC") if column.dtype.time_zone is None else column
        return zoned.dt.convert_time_zone("UTC").cast(kind)
    if column.dtype != pl.String:
        return None
    text = column.str.strip_chars().str.replace(" ", "T", literal=True)
    zoned_text = pl.when(text.str.contains(r"(Z|[+-]\d\d:?\d\d)$")).then(text).otherwise(text + "Z")
    return pl.select(zoned_text.str.to_datetime(time_unit="us", time_zone="UTC", strict=False)).to_series()
