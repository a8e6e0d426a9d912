"""Tables out of the archive, as Parquet, CSV or JSON.

Parquet keeps everything as it is. CSV writes lists joined by "; ", times as ISO 8601 in UTC, and nothing for a value
that is not known; an open-ended upper bound is `inf`; a text that a spreadsheet would take for a formula gets an
apostrophe in front, so that what a recording or a person wrote is never run. JSON is an array with one object per row;
JSON knows no infinity and no NaN, so both are null there: null in `upper` beside a number in `value` means open-ended.
"""

from __future__ import annotations

import os
from io import BytesIO
from pathlib import Path

import polars as pl
import polars.selectors as cs

from fdm.errors import FdmError

FORMATS = ("parquet", "csv", "json")
FORMULA = r"^[=+\-@\t\r\n]"
NUMBER = r"^[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?$"
ISO_TIME = "%Y-%m-%dT%H:%M:%S%.fZ"


def format_of(path: Path | str) -> str:
    """The format that a file's suffix asks for. FdmError for any other suffix."""
    suffix = Path(path).suffix.lower().removeprefix(".")
    if suffix not in FORMATS:
        raise FdmError(
            f"the suffix '.{suffix}' says no format" if suffix else "the name has no suffix that says the format",
            source=path,
            cure="End the name in .parquet, .csv or .json.",
        )
    return suffix


def as_csv(frame: pl.DataFrame) -> str:
    """The frame as CSV text with a header line."""
    lists = cs.by_dtype(pl.List(pl.String), pl.List(pl.Int8))
    flat = frame.with_columns(
        lists.cast(pl.List(pl.String)).list.join("; ").replace("", None),
        cs.datetime().dt.strftime(ISO_TIME),
        cs.float().fill_nan(None),
    )
    text = cs.string()
    formula = text.str.contains(FORMULA) & ~text.str.contains(NUMBER)
    return flat.with_columns(pl.when(formula).then(pl.lit("'") + text).otherwise(text).name.keep()).write_csv()


def as_json(frame: pl.DataFrame) -> str:
    """The frame as a JSON array, one object per row."""
    finite = pl.when(cs.float().is_finite()).then(cs.float())
    return frame.with_columns(finite, cs.datetime().dt.strftime(ISO_TIME)).write_json()


def write_table(frame: pl.DataFrame, path: Path | str, kind: str | None = None) -> None:
    """Write a frame as `kind`, or in the format of the file's suffix; the file is whole or not there.

    raises   FdmError for an unknown suffix, OSError when the file cannot be written
    """
    target, kind = Path(path), kind or format_of(path)
    if target.exists() and not target.is_file():  # a pipe or a device is written to, never replaced
        target.write_bytes(encoded(frame, kind))
        return
    target = target.resolve()
    aside = target.with_name(f".{target.name}.part")
    try:
        aside.write_bytes(encoded(frame, kind))
        os.replace(aside, target)
    except BaseException:
        aside.unlink(missing_ok=True)
        raise


def encoded(frame: pl.DataFrame, kind: str) -> bytes:
    """The frame as the content of a file of a kind (FORMATS)."""
    if kind == "parquet":
        buffer = BytesIO()
        frame.write_parquet(buffer, compression="zstd")
        return buffer.getvalue()
    return (as_csv(frame) if kind == "csv" else as_json(frame) + "\n").encode()
