"""Reading files: every format gives the same columns, told by content; equal content, equal hash."""

import numpy as np
import polars as pl
import pytest
import scipy.io

from fdm.errors import RecordingError
from fdm.readers import column_names, read_flights

FRAME = pl.DataFrame(
    {
        "time_s": [0.0, 0.5, 1.0, 1.5],
        "GS": [140.5, None, 139.5, None],
        "WOW": [0, 0, 1, 1],
        "REV": [None, "STOWED", None, "DEPLOYED"],
    }
)
WRITERS = {
    "csv": lambda frame, path: frame.write_csv(path),
    "semicolon": lambda frame, path: frame.write_csv(path, separator=";"),
    "tab": lambda frame, path: frame.write_csv(path, separator="\t"),
    "mark": lambda frame, path: frame.write_csv(path, include_bom=True),
    "windows": lambda frame, path: frame.write_csv(path, line_terminator="\r\n"),
    "parquet": lambda frame, path: frame.write_parquet(path),
    "ipc": lambda frame, path: frame.write_ipc(path),
}


def flights(*arguments):
    return list(read_flights(*arguments))


@pytest.fixture(params=WRITERS, ids=str)
def written(request, tmp_path):
    """The same table in each format, all under a suffix that says nothing."""
    path = tmp_path / "recording.dat"
    WRITERS[request.param](FRAME, path)
    return path


def test_every_table_format_gives_the_same(written, tmp_path):
    (raw,) = flights(written)
    assert raw.flight is None
    assert raw.time_s.tolist() == [0.0, 0.5, 1.0, 1.5]
    assert raw.columns["GS"].values.tolist() == [140.5, 139.5]
    assert raw.columns["GS"].rows.tolist() == [0, 2]
    assert raw.columns["WOW"].values.tolist() == [0.0, 0.0, 1.0, 1.0]
    assert raw.columns["WOW"].rows is None
    assert raw.columns["REV"].values.to_list() == ["STOWED", "DEPLOYED"]
    FRAME.write_parquet(tmp_path / "other.parquet")
    assert raw.content_hash == flights(tmp_path / "other.parquet")[0].content_hash


def test_hints_and_order_of_columns_change_nothing(tmp_path):
    path, other = tmp_path / "a.csv", tmp_path / "b.csv"
    FRAME.write_csv(path)
    FRAME.select("REV", "GS", "time_s", "WOW").write_csv(other)
    hashes = {flights(path, hint)[0].content_hash for hint in ([], ["REV"], ["GS", "WOW"])}
    assert hashes == {flights(other)[0].content_hash}


def test_the_hash_is_the_same_for_ever(tmp_path):
    """BLAKE2b (RFC 7693), 10 bytes, over little-endian stamps, then name and values of each column by name."""
    import hashlib
    import struct

    path = tmp_path / "a.csv"
    path.write_text("time_s,B,A\n0,1,2\n1,3,4\n")
    content = struct.pack("<2d", 0, 1) + b"A\0" + struct.pack("<2d", 2, 4) + b"B\0" + struct.pack("<2d", 1, 3)
    assert flights(path)[0].content_hash == hashlib.blake2b(content, digest_size=10).hexdigest()


@pytest.mark.parametrize(
    "changed",
    [
        FRAME.with_columns(GS=pl.Series([140.5, None, 139.0, None])),
        FRAME.with_columns(GS=pl.Series([140.5, 139.5, None, None])),
        FRAME.with_columns(REV=pl.Series([None, "STOWED", None, "STOWED"])),
        FRAME.rename({"GS": "SPEED"}),
        FRAME.with_columns(pl.col("time_s") + 1),
    ],
)
def test_other_content_has_another_hash(tmp_path, changed):
    hashes = set()
    for name, frame in (("a.csv", FRAME), ("b.csv", changed)):
        frame.write_csv(tmp_path / name)
        hashes.add(flights(tmp_path / name)[0].content_hash)
    assert len(hashes) == 2


def test_several_flights_in_one_table(tmp_path):
    """Also where their rows are mixed; each hashes as if it stood alone."""
    frames = [FRAME.with_columns(pl.col("time_s") + k, flight=pl.lit(name)) for k, name in enumerate(["VH1", "VH2"])]
    together, mixed, alone = tmp_path / "t.parquet", tmp_path / "m.csv", tmp_path / "a.csv"
    pl.concat(frames).write_parquet(together)
    pl.concat(frames).sort("time_s").write_csv(mixed)
    frames[1].drop("flight").write_csv(alone)
    found = {raw.flight: raw for raw in flights(together)}
    assert set(found) == {"VH1", "VH2"}
    assert found["VH2"].source == f"{together}#VH2"
    assert found["VH2"].content_hash == flights(alone)[0].content_hash
    assert [raw.content_hash for raw in flights(mixed)] == [raw.content_hash for raw in found.values()]


def test_numbers_as_flight_names(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("flight,time_s,A\n007,0,1\n007,1,2\n8,0,3\n,5,5\n8,1,4\n")
    raws = flights(path)
    assert [(raw.flight, raw.columns["A"].values.tolist()) for raw in raws] == [("007", [1, 2]), ("8", [3, 4])]
    assert raws[0].notes == ("Rows without a flight, left out: 1.",)


def test_flights_are_read_one_at_a_time_and_fail_alone(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("flight,time_utc,A\nVH1,2026-11-20T10:00:00Z,1\nVH2,noon,1\nVH3,2026-11-20T10:00:00Z,1\n")
    one, two, three = read_flights(path)
    assert (one.flight, three.flight) == ("VH1", "VH3")
    assert isinstance(two, RecordingError)
    assert str(two).startswith(f"{path}#VH2: time_utc: 'noon' is no ISO 8601 time")
    assert next(read_flights(path)).flight == "VH1"


@pytest.mark.parametrize("mixed", [False, True])
def test_long_tables(tmp_path, mixed):
    frame = pl.DataFrame(
        {
            "time_s": [0.0, 1.0, 2.0, 0.25, 1.25, 0.5, 1.5],
            "parameter": ["GS", "GS", "GS", "WOW", "WOW", "REV", "REV"],
            "value": ["140", "139", None, "0", "1", "STOWED", "7"],
        }
    )
    path = tmp_path / "long.csv"
    (frame.sort("time_s") if mixed else frame).write_csv(path)
    (raw,) = flights(path)
    assert raw.time_s is None
    assert raw.columns["GS"].values.tolist() == [140.0, 139.0]
    assert raw.columns["WOW"].time_s.tolist() == [0.25, 1.25]
    assert raw.columns["REV"].values.to_list() == ["STOWED", "7"]


def test_utc_stamps_in_every_dress(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        "time_utc,A\n2026-11-20T10:00:00.250Z,1\n2026-11-20 10:00:01.25,2\n2026-11-20T12:00:02.250+02:00,3\n"
    )
    (raw,) = flights(path)
    assert raw.time_s.tolist() == [0.0, 1.0, 2.0]
    assert raw.start_utc.isoformat() == "2026-11-20T10:00:00.250000+00:00"
    stamps = pl.datetime_range(
        pl.datetime(2026, 11, 20, 10), pl.datetime(2026, 11, 20, 10, 0, 2), "1s", eager=True, time_unit="ns"
    )
    for zoned in (stamps, stamps.dt.replace_time_zone("UTC")):
        pl.DataFrame({"time_utc": zoned, "A": [1.0, 2.0, 3.0]}).write_parquet(tmp_path / "a.parquet")
        (raw,) = flights(tmp_path / "a.parquet")
        assert raw.time_s.tolist() == [0.0, 1.0, 2.0]
        assert raw.start_utc.isoformat() == "2026-11-20T10:00:00+00:00"


def test_decimal_commas_in_a_semicolon_table(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("time_s;A;B\n0,0;1,5;x\n0,5;2,5;y\n")
    (raw,) = flights(path)
    assert raw.time_s.tolist() == [0.0, 0.5]
    assert raw.columns["A"].values.tolist() == [1.5, 2.5]


def test_kinds_of_columns(tmp_path):
    path = tmp_path / "a.parquet"
    pl.DataFrame(
        {
            "time_s": pl.Series([0, 1, 2], dtype=pl.Int64),
            "float32": pl.Series([1.5, None, 2.5], dtype=pl.Float32),
            "int": pl.Series([1, None, 3], dtype=pl.UInt8),
            "flag": pl.Series([True, None, False]),
            "category": pl.Series(["a", None, "b"], dtype=pl.Categorical),
            "number text": ["1", " 2.5", None],
            "flag text": ["TRUE", "false", None],
            "empty": pl.Series([None] * 3, dtype=pl.Float64),
            "nan": [float("nan"), 1.0, 2.0],
            "mostly nan": [float("nan"), float("nan"), 2.0],
            "list": [[1], [2], [3]],
        }
    ).write_parquet(path, metadata={"tail": "QQ-A"})
    (raw,) = flights(path)
    values = {name: column.values for name, column in raw.columns.items()}
    assert values["float32"].tolist() == [1.5, 2.5]
    assert values["int"].tolist() == [1.0, 3.0]
    assert values["flag"].tolist() == [1.0, 0.0]
    assert values["category"].to_list() == ["a", "b"]
    assert values["number text"].tolist() == [1.0, 2.5]
    assert values["flag text"].tolist() == [1.0, 0.0]
    assert np.isnan(values["nan"][0])
    assert len(values["nan"]) == 3  # a value that could not be given is not an empty cell
    assert raw.columns["mostly nan"].rows.tolist() == [2]  # an exporter that writes NaN for empty cells
    assert raw.unusable["empty"] == "is empty"
    assert "List" in raw.unusable["list"]
    assert raw.metadata["tail"] == "QQ-A"


def test_text_far_down_a_column_of_numbers(tmp_path):
    path = tmp_path / "a.csv"
    rows = [f"{k},{k * 2},{k}" for k in range(3000)]
    rows[2900] = "2900,FAIL,2900"
    path.write_text("time_s,A,B\n" + "\n".join(rows) + "\n")
    (raw,) = flights(path)
    assert raw.columns["A"].values[2900] == "FAIL"
    assert raw.columns["B"].values[2900] == 2900.0


def test_a_last_line_cut_short(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("time_s,A,B\n0,1,2\n1,3,4\n2,5")
    (raw,) = flights(path)
    assert raw.columns["A"].values.tolist() == [1, 3]
    assert raw.notes == ("The last line is cut short and was left out.",)
    path.write_text("time_s,A,B\n0,1,2\n1,3,4")
    (raw,) = flights(path)
    assert raw.columns["A"].values.tolist() == [1, 3]
    assert not raw.notes


def test_mat_v5(tmp_path):
    path = tmp_path / "flight.mat"
    speed = {"data": np.arange(8.0).reshape(-1, 1), "Rate": 4, "Units": "KNOTS", "Description": "GROUND SPEED"}
    gear = {"data": np.array([0, 1], np.uint8), "Rate": 1.0, "Units": "", "Description": "x"}
    scipy.io.savemat(path, {"GS": speed, "WOW": gear, "note": "text", "BAD": {"data": [1, 2], "Units": "kt"}})
    (raw,) = flights(path)
    assert raw.columns["GS"].time_s.tolist() == [k / 4 for k in range(8)]
    assert (raw.columns["GS"].slot_s, raw.columns["GS"].unit) == (0.25, "KNOTS")
    assert raw.columns["WOW"].values.tolist() == [0.0, 1.0]
    assert raw.unusable == {"BAD": "has no Rate in the MAT file"}
    assert len(raw.content_hash) == 20


def test_names_in_the_header(written):
    assert column_names(written) == ["time_s", "GS", "WOW", "REV"]


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(RecordingError, match="cannot be read"):
        read_flights(tmp_path / "none.csv")
