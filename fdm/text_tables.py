"""Text tables: CSV with comma, semicolon or tab, read fast when they are clean and explained when they are not."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

import polars as pl

from fdm.errors import RecordingError

UTF8_MARK = b"\xef\xbb\xbf"
_SAMPLE_BYTES = 8_192
_TEXT_NAMES = ("flight", "parameter", "time_utc")


def read_text_table(
    path: Path, text_columns: Iterable[str] | None = ()
) -> tuple[pl.DataFrame, dict[str, str], tuple[str, ...]]:
    """A frame of Float64 and text columns, the columns that cannot be used with the reason, and notes.

    text_columns  names that are known to hold text (a hint); None reads every column as text
    Raises RecordingError when the file is no UTF-8 table.
    """
    data = path.read_bytes().removeprefix(UTF8_MARK).lstrip(b"\r\n")
    end = data.find(b"\n") + 1 or len(data)
    names, separator = header_of(path, data[:end])
    first_rows = data[end : end + _SAMPLE_BYTES]
    comma_decimals = separator != "," and re.search(rb"(^|[;\t\r\n])-?\d+,\d+", first_rows) is not None
    twice = sorted({name for name in names if names.count(name) > 1})
    columns = [name if names.index(name) == i else f"{name}\0{i}" for i, name in enumerate(names)]
    if not first_rows.strip() and not data[end:].strip():
        return pl.DataFrame(schema=dict.fromkeys(columns, pl.String)), {}, ()
    options: dict[str, Any] = {"separator": separator, "decimal_comma": comma_decimals}
    options |= {"has_header": False, "skip_lines": 1}  # the header is read here, with the names as they are
    frame = None
    if text_columns is not None:
        text = {*text_columns, *_TEXT_NAMES, *_text_columns(first_rows, columns, options)}
        schema = {name: pl.String if name in text else pl.Float64 for name in columns}
        with suppress(pl.exceptions.PolarsError):  # a text further down: read again with care
            frame = pl.read_csv(data, schema=schema, **options)
    if frame is None:
        frame = _all_text(path, data, columns, options)
    notes = [f"Columns are separated by '{separator}', not commas."] if separator != "," else []
    if _cut_short(data, separator, len(columns)):
        frame = frame.head(-1)
        notes.append("The last line is cut short and was left out.")
    unusable = dict.fromkeys(twice, "stands twice in the header")
    if twice:
        frame = frame.drop([c for c in columns if c.partition("\0")[0] in twice])
    return frame, unusable, tuple(notes)


def header_of(path: Path, line: bytes) -> tuple[list[str], str]:
    """Column names and separator of a header line. Raises RecordingError when it is none."""
    try:
        header = line.decode("utf-8").rstrip("\r\n")
    except UnicodeDecodeError:
        raise RecordingError("is not UTF-8 text", source=path, where="header", cure="Save it as UTF-8.") from None
    separator = max(",;\t", key=header.count)
    names = [name.strip() for name in _cells(header, separator)]
    if len(names) < 2:
        cure = "The first line must name the columns, separated by commas."
        raise RecordingError("is no table: its first line holds one cell", source=path, cure=cure)
    return names, separator


def _text_columns(first_rows: bytes, columns: list[str], options: dict[str, Any]) -> set[str]:
    """Columns whose first rows hold something that is not a number."""
    if not first_rows.translate(None, b"0123456789+-.eE,;\t\r\n "):
        return set()
    lines = first_rows.decode("utf-8", "replace").splitlines()
    if len(first_rows) == _SAMPLE_BYTES:
        lines.pop()
    found = set()
    for line in lines:
        for name, cell in zip(columns, _cells(line, options["separator"]), strict=False):
            if cell and not _is_number(cell.replace(",", ".") if options["decimal_comma"] else cell):
                found.add(name)
    return found


def _cells(line: str, separator: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=separator), [])
    except csv.Error:
        return []


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _all_text(path: Path, data: bytes, columns: list[str], options: dict[str, Any]) -> pl.DataFrame:
    """Every cell as text; raises RecordingError with the reason where not even that can be read."""
    schema = dict.fromkeys(columns, pl.String)
    try:
        frame = pl.read_csv(data, schema=schema, **options)
    except pl.exceptions.PolarsError as error:
        raise _explained(path, data, columns, options["separator"], str(error)) from None
    if options["decimal_comma"]:
        frame = frame.with_columns(pl.all().str.replace(r"^(\s*[+-]?\d+),(\d+\s*)$", "$1.$2"))
    return frame


def _explained(path: Path, data: bytes, columns: list[str], separator: str, reason: str) -> RecordingError:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n")
        return RecordingError("is not UTF-8 text", source=path, where=f"row {row}", cure="Save it as UTF-8.")
    for row, line in enumerate(text.splitlines()):  # the header is row 0
        cells = _cells(line, separator)
        if len(cells) > len(columns):
            problem = f"has {len(cells)} cells, the header {len(columns)}"
            cure = "Look for a decimal comma or a text with a comma; decimals need a point."
            return RecordingError(problem, source=path, where=f"row {row}", cure=cure)
    return RecordingError(f"is no CSV table ({reason.splitlines()[0]})", source=path, cure="Export it again.")


def _cut_short(data: bytes, separator: str, columns: int) -> bool:
    """Whether the last line ends without a line end and before its last cell."""
    last = data[data.rfind(b"\n") + 1 :]
    return bool(last) and b'"' not in last and last.count(separator.encode()) < columns - 1
