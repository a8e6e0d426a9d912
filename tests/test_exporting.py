"""Tables as CSV, JSON and Parquet, read back with the standard library and with PyArrow."""

from __future__ import annotations

import csv
import io
import json
import os
import stat
import threading
from datetime import UTC, datetime
from math import inf, nan
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq
import pytest

from fdm.errors import FdmError
from fdm.exporting import as_csv, as_json, format_of, write_table

FRAME = pl.DataFrame(
    {
        "name": ['Ø, "quoted"', None, "plain"],
        "value": [4.25, nan, 20.0],
        "upper": [4.5, None, inf],
        "engine": pl.Series([1, None, 2], dtype=pl.Int8),
        "when": pl.Series(
            [datetime(2026, 11, 22, 5, 14, 23, 750_000, UTC), None, datetime(2026, 11, 16, tzinfo=UTC)],
            dtype=pl.Datetime("us", "UTC"),
        ),
        "evidence": pl.Series([["one", "two"], [], None], dtype=pl.List(pl.String)),
        "out": pl.Series([[1, 2], None, []], dtype=pl.List(pl.Int8)),
    }
)


def test_json_is_an_array_of_objects_without_nan_or_infinity() -> None:
    first, second, third = json.loads(as_json(FRAME), parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    assert first == {
        "name": 'Ø, "quoted"',
        "value": 4.25,
        "upper": 4.5,
        "engine": 1,
        "when": "2026-11-22T05:14:23.750Z",
        "evidence": ["one", "two"],
        "out": [1, 2],
    }
    assert second == dict.fromkeys(FRAME.columns) | {"evidence": []}
    assert (third["value"], third["upper"]) == (20.0, None)


def test_times_are_iso_8601_that_the_standard_library_reads() -> None:
    told = [row["when"] for row in json.loads(as_json(FRAME)) if row["when"]]
    assert [datetime.fromisoformat(text) for text in told] == FRAME["when"].drop_nulls().to_list()


def test_csv_joins_lists_and_leaves_unknown_cells_empty() -> None:
    rows = list(csv.DictReader(io.StringIO(as_csv(FRAME))))
    assert rows[0] == {
        "name": 'Ø, "quoted"',
        "value": "4.25",
        "upper": "4.5",
        "engine": "1",
        "when": "2026-11-22T05:14:23.750Z",
        "evidence": "one; two",
        "out": "1; 2",
    }
    assert set(rows[1].values()) == {""}
    assert (rows[2]["upper"], rows[2]["evidence"]) == ("inf", "")


def test_csv_has_no_cell_that_a_spreadsheet_would_run() -> None:
    """The characters are those of the OWASP page on CSV injection."""
    frame = pl.DataFrame({"tail": ["=1+1", "@cmd", "-2+3", "-2.5", "QQ-LMA"], "value": [-1.5] * 5})
    rows = list(csv.DictReader(io.StringIO(as_csv(frame))))
    assert [row["tail"] for row in rows] == ["'=1+1", "'@cmd", "'-2+3", "-2.5", "QQ-LMA"]
    assert {row["value"] for row in rows} == {"-1.5"}


def test_a_table_without_rows_keeps_its_columns() -> None:
    empty = FRAME.clear()
    assert as_csv(empty).strip() == ",".join(FRAME.columns)
    assert json.loads(as_json(empty)) == []


def test_parquet_keeps_types_and_values(tmp_path: Path) -> None:
    write_table(FRAME, tmp_path / "events.parquet")
    table = pq.read_table(tmp_path / "events.parquet")
    assert table.column_names == FRAME.columns
    assert table["upper"].to_pylist() == [4.5, None, inf]
    assert table["when"].to_pylist()[0] == datetime(2026, 11, 22, 5, 14, 23, 750_000, UTC)


@pytest.mark.parametrize("name", ["events.xlsx", "events", "events.csv.gz"])
def test_an_unknown_suffix_is_refused_with_the_known_ones(name: str) -> None:
    with pytest.raises(FdmError, match=rf"{name}: .*\.parquet, \.csv or \.json"):
        format_of(name)


def test_what_cannot_be_written_whole_leaves_the_old_file(tmp_path: Path) -> None:
    target = tmp_path / "events.csv"
    target.write_text("old")
    unwritable = FRAME.with_columns(bad=pl.Series([{"a": 1}] * 3))
    with pytest.raises(pl.exceptions.ComputeError):
        write_table(unwritable, target)
    assert target.read_text() == "old"
    assert os.listdir(tmp_path) == ["events.csv"]


def test_a_pipe_is_written_to_and_not_replaced(tmp_path: Path) -> None:
    pipe, got = tmp_path / "pipe.json", []
    os.mkfifo(pipe)
    reader = threading.Thread(target=lambda: got.append(pipe.read_bytes()))
    reader.start()
    write_table(FRAME, pipe)
    reader.join(timeout=10)
    assert len(json.loads(got[0])) == 3
    assert stat.S_ISFIFO(pipe.stat().st_mode)
