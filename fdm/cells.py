"""Cells to numbers and times: what an export writes in many dresses, in one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl

from fdm.errors import RecordingError

TIME_COLUMNS = ("time_s", "time_utc")


def as_number(series: pl.Series) -> pl.Series:
    """Numbers where every value is one (also written as text, true and false being 1 and 0), else unchanged."""
    kind = series.dtype
    if kind in (pl.Boolean, pl.Null) or kind.is_decimal():
        return series.cast(pl.Float64)
    if kind.is_numeric():
        return series
    if isinstance(kind, pl.Categorical | pl.Enum):
        series = series.cast(pl.String)
    if series.dtype != pl.String:
        return series
    text = series.str.strip_chars()
    text = text.set(text == "", None)
    number = text.cast(pl.Float64, strict=False)
    if number.null_count() == text.null_count():
        return number
    flags = text.str.to_lowercase()
    if flags.drop_nulls().is_in(["true", "false"]).all():
        return (flags == "true").cast(pl.Float64)
    return text


def _bad_text(column: pl.Series) -> str:
    """What a column of numbers holds instead, with the first such row."""
    if column.dtype != pl.String:
        return f"holds {column.dtype}, not numbers"
    bad = column.is_not_null() & column.cast(pl.Float64, strict=False).is_null()
    row = int(bad.arg_max() or 0)
    return f"row {row + 1} holds '{column[row]}', not a number"


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
