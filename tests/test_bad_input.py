"""Bad recordings: each gives one clear line that names the file, the place and a cure, or a note; never a traceback.

One wrong parameter costs that parameter, with a note. A wrong clock or ground speed, or damage, costs the flight.
"""

import gzip
import json
import zipfile

import numpy as np
import polars as pl
import pytest
import scipy.io
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fdm.errors import FdmError
from fdm.reading import Refusal, read
from fdm.recording import Recording

MAP = """
[map]
name = "Layout A"
engines = 2
reversers = [1, 2]
[parameter.ground_speed]
column = "GS"
unit = "kt"
[parameter.heading]
column = "HDG"
unit = "deg"
[parameter.main_gear_ground]
column = "WOW"
true_when = [1]
"""
ROWS = [f"{k / 4},{140 - k / 8},{90 + k % 3},{int(k > 40)}" for k in range(120)]
HEADER = "time_s,GS,HDG,WOW"


@pytest.fixture
def layout(tmp_path):
    path = tmp_path / "layout.toml"
    path.write_text(MAP)
    return path


@pytest.fixture
def outcome(tmp_path, layout):
    """What becomes of a file with the given content: a Recording, or the refusal's message."""

    def outcome_of(content, name="recording.csv", true_when=1):
        layout.write_text(MAP.replace("true_when = [1]", f"true_when = [{json.dumps(true_when)}]"))
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        (item,) = read([path], map_file=layout)
        if isinstance(item, Recording):
            return item
        assert isinstance(item.error, FdmError)
        assert str(path) in str(item.error) or "layout.toml" in str(item.error)
        return str(item.error)

    return outcome_of


def text(header=HEADER, rows=ROWS, end="\n"):
    return end.join([header, *rows]) + end


def frame():
    return pl.read_csv(text().encode())


def binary(writer, cut=None):
    """A frame in a binary format, perhaps cut short."""
    import io

    buffer = io.BytesIO()
    writer(frame(), buffer)
    data = buffer.getvalue()
    return data if cut is None else data[: int(len(data) * cut)]


def zipped(tmp_path):
    with zipfile.ZipFile(tmp_path / "x.zip", "w") as archive:
        archive.writestr("recording.csv", text())
    return (tmp_path / "x.zip").read_bytes()


def test_the_good_file_is_good(outcome):
    assert outcome(text()).notes == ()


@pytest.mark.parametrize(
    ("content", "problem", "cure"),
    [
        (b"", "is empty", "Export"),
        (b"\n\n  \n", "is empty", "Export"),
        (HEADER, "no rows", "Export"),
        (HEADER + "\n", "no rows", "Export"),
        (text("GS,HDG,WOW,X"), "no time column", "time_s"),
        (text("Time,GS,HDG,WOW"), "no time column", "Is it 'Time'?"),
        (text("time_s,GS,HDG,time_utc"), "both time_s and time_utc", "Keep one"),
        (text("time_utc,GS,HDG,WOW"), "time_utc: '0.0' is no ISO 8601 time", "2026-11-20T10:00:00.250Z"),
        (text(rows=["00:00:01,140,90,1", "00:00:02,140,90,1"]), "time_s: row 1 holds '00:00:01'", "seconds"),
        (text(rows=[f"{k * 250},140,90,1" for k in range(99)]), "rows are 250 s apart", "divide milliseconds"),
        (text(rows=[f"{1763600000000000000 + k * 250000000},1,9,1" for k in range(99)]), "s apart", "in seconds"),
        (text(rows=[f"{k / 4:.2f},140,90,1" for k in [*range(50), *range(50)]]), "time goes back from 12.250", "Split"),
        (text(rows=[f"{k / 4:.2f},140,90,1" for k in [*range(50), *range(30, 90)]]), "row 51", "Split"),
        (text(rows=[f",{row}" for row in ROWS], header="time_s,time,GS,HDG,WOW"), "no row has a time", "seconds"),
        (text(rows=ROWS[:1]), "one sample in time only", "samples"),
        (text(rows=[*ROWS[:50], "12.5,1,4,5,6,7", *ROWS[51:]]), "row 51: has 6 cells, the header 4", "decimal comma"),
        (text(rows=[f'"{k},25",140,90,1' for k in range(50)]), "row 1 holds '0,25'", "seconds"),
        (text(rows=[r.replace("140", "x", 1) for r in ROWS]), "ground_speed: 'x.0' is not a number", "empty"),
        (
            text(rows=[*ROWS[:9], "2.25,1O4.5,90,0", *ROWS[10:]]),
            "'1O4.5' is not a number (row 10 of column GS)",
            "point",
        ),
        (text(rows=[f'{k / 4},"104,5",90,0' for k in range(60)]), "'104,5' is not a number", "point"),
        (text("time_s,A,B,C"), "none of the map's columns", "map"),
        (text(end="\r"), "first line holds one cell", "first line must name"),
        ("just one line of words\nand another\n", "holds one cell", "separated by commas"),
        (text().encode("utf-16"), "UTF-16", "UTF-8"),
        (text().encode("utf-16-le"), "UTF-16", "UTF-8"),
        (text("time_s,GS,HDG°,WOW").encode("latin-1"), "header: is not UTF-8", "UTF-8"),
        (text(rows=[*ROWS[:60], "15.0,140,90,ö", *ROWS[61:]]).encode("latin-1"), "row 61: is not UTF-8", "UTF-8"),
        (b"\x00\x01\x02\x03" * 400, "binary", "CSV, Parquet"),
        (bytes(np.random.default_rng(3).integers(0, 256, 5000, dtype=np.uint8)), "binary", "CSV, Parquet"),
        (gzip.compress(text().encode()), "gzip", "Unpack"),
        (b"\x89HDF\r\n\x1a\n" + bytes(100), "HDF5", "MAT v5"),
        (b"MATLAB 7.3 MAT-file, Platform" + bytes(200), "MAT v7.3", "v5"),
        (b"MATLAB 5.0 MAT-file, Platform" + bytes(200), "cannot be read as MAT v5", "damaged"),
        (binary(pl.DataFrame.write_parquet, 0.6), "cannot be read as Parquet", "damaged"),
        (b"PAR1" + bytes(40), "cannot be read as Parquet", "damaged"),
        (binary(pl.DataFrame.write_ipc, 0.6), "cannot be read as Arrow IPC", "damaged"),
    ],
)
def test_refused_with_a_reason_and_a_cure(outcome, content, problem, cure):
    message = outcome(content)
    assert isinstance(message, str), f"was read, with notes {message.notes}"
    assert problem in message
    assert cure in message
    assert "\n" not in message
    assert len(message) < 400


def test_a_zip_under_another_name(outcome, tmp_path):
    assert "is a zip archive" in outcome(zipped(tmp_path))


def test_mat_without_recorded_variables(outcome, tmp_path):
    scipy.io.savemat(tmp_path / "x.mat", {"a": np.arange(5.0), "b": "text"})
    assert "holds no recorded variable" in outcome((tmp_path / "x.mat").read_bytes())


def test_a_file_without_a_map(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(text())
    (item,) = read([path])
    assert isinstance(item, Refusal)
    assert "no parameter map is known" in str(item.error)
    (item,) = read([path], map_file=tmp_path / "none.toml")
    assert "none.toml: cannot be read" in str(item.error)


def test_a_path_that_is_not_there(tmp_path, layout):
    (item,) = read([tmp_path / "none.csv"], map_file=layout)
    assert "none.csv: cannot be read" in str(item.error)


# read, with a note --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "left_out", "note"),
    [
        (text("time_s,GS,H,WOW"), "heading", "heading is left out: column 'HDG' is not in this file."),
        (
            text(rows=[*ROWS[:60], "15.0,140,north,1", *ROWS[61:]]),
            "heading",
            "heading is left out: 'north' is not a number",
        ),
        (
            text(rows=[r.rsplit(",", 2)[0] + ",," + r.rsplit(",", 1)[1] for r in ROWS]),
            "heading",
            "heading is left out: column 'HDG' is empty.",
        ),
        (
            text("time_s,GS,HDG,WOW,HDG", [r + ",90" for r in ROWS]),
            "heading",
            "heading is left out: column 'HDG' stands twice in the header.",
        ),
        (
            text(rows=[ROWS[0], *(r.rsplit(",", 2)[0] + ",," + r.rsplit(",", 1)[1] for r in ROWS[1:])]),
            "heading",
            "heading is left out: column 'HDG' has 1 usable sample.",
        ),
    ],
)
def test_a_wrong_parameter_is_left_out_with_a_note(outcome, content, left_out, note):
    recording = outcome(content)
    assert isinstance(recording, Recording), recording
    assert left_out not in recording.samples
    assert any(note in line for line in recording.notes)
    assert {"ground_speed", "main_gear_ground"} <= set(recording.samples)


def test_missing_ground_speed_is_a_note_too(outcome):
    recording = outcome(text("time_s,SPEED,HDG,WOW"))
    assert "ground_speed is left out: column 'GS' is not in this file." in recording.notes
    assert set(recording.samples) == {"heading", "main_gear_ground"}


@pytest.mark.parametrize("bad", ["NaN", "nan", "inf", "-inf", "Infinity", "1e99", "-999"])
def test_values_that_cannot_be(outcome, bad):
    recording = outcome(text(rows=[*ROWS[:60], f"15.0,{bad},90,1", *ROWS[61:]]))
    speed = recording.samples["ground_speed"]
    assert np.isnan(speed.values[60])
    assert np.isfinite(np.delete(speed.values, 60)).all()
    assert any(note.startswith("ground_speed: 1 value is ") for note in recording.notes)


FILLERS = [
    "---",
    "-",
    "****",
    "#####",
    ".",
    "N/A",
    "#N/A",
    "NA",
    "NaN",
    "null",
    "(null)",
    "INVALID",
    "invalid",
    " NCD ",
]


@pytest.mark.parametrize("filler", FILLERS)
def test_a_filler_among_numbers_is_a_missing_value(outcome, filler):
    """What exports write where they have no value, of the trade from memory; it says so, and how often."""
    rows = [
        f"{k / 4},{filler if k in (60, 61) else 140 - k / 8},90,{filler if k == 7 else k // 41}" for k in range(120)
    ]
    recording = outcome(text(rows=rows))
    assert isinstance(recording, Recording), recording
    speed, gear = recording.samples["ground_speed"], recording.samples["main_gear_ground"]
    assert np.flatnonzero(np.isnan(speed.values)).tolist() == [60, 61]
    assert np.flatnonzero(gear.values < 0).tolist() == [7]
    if filler != "NaN":
        assert (
            f"Cells taken as missing values: GS 2 ('{filler.strip()}'), WOW 1 ('{filler.strip()}')." in recording.notes
        )


def test_a_filler_in_most_rows_is_an_empty_cell(outcome):
    """A slower parameter, with dashes between its samples."""
    recording = outcome(text(rows=[f"{k / 4},{140 - k / 8},{90 if k % 4 == 0 else '---'},1" for k in range(120)]))
    assert recording.samples["heading"].step_s == 1.0
    assert np.isfinite(recording.samples["heading"].values).all()


def test_a_column_of_fillers_costs_its_parameter_alone(outcome):
    recording = outcome(text(rows=[f"{k / 4},---,N/A,{k // 41}" for k in range(120)]))
    assert isinstance(recording, Recording), recording
    assert set(recording.samples) == {"main_gear_ground"}
    assert any("heading is left out: column 'HDG' holds 'N/A' only" in note for note in recording.notes)


def test_a_dash_beside_a_word_or_a_one_may_mean_false(outcome):
    """A flag that shows 1 or a dash: only the map can tell, and true_when says what is true."""
    recording = outcome(text(rows=[f"{k / 4},140,90,{1 if k > 40 else '-'}" for k in range(120)]))
    assert recording.samples["main_gear_ground"].values.tolist() == [int(k > 40) for k in range(120)]


def test_an_invalid_discrete_is_not_false(outcome):
    """A blank or invalid position is not "stowed"; a word that the map does not name is neither true nor false."""
    rows = [f"{k / 4},140,90,{'INVALID' if k == 7 else 'GND' if k > 40 else 'AIR'}" for k in range(120)]
    recording = outcome(text(rows=rows), true_when="GND")
    gear = recording.samples["main_gear_ground"].values
    assert gear.tolist() == [-1 if k == 7 else int(k > 40) for k in range(120)]


def test_other_text_among_fillers_is_named_with_its_row(outcome):
    rows = [f"{k / 4},{'---' if k == 3 else 'FAIL 2' if k == 50 else 140 - k / 8},90,1" for k in range(120)]
    message = outcome(text(rows=rows))
    assert "ground_speed: 'FAIL 2' is not a number (row 51 of column GS)" in message


def test_a_speed_in_the_wrong_unit_is_read_as_the_map_says(outcome):
    """Only `fdm check map` can doubt it; nothing is turned into another unit by guess."""
    recording = outcome(text(rows=[f"{k / 4},{70 - k / 16},90,1" for k in range(120)]))
    assert recording.samples["ground_speed"].values[0] == 70


@pytest.mark.parametrize(
    "content",
    [
        b"\xef\xbb\xbf" + text().encode(),
        text(end="\r\n"),
        text().replace(",", ";"),
        text().replace(",", "\t"),
        text().replace(",", ";").replace(".", ","),
        text(" time_s , GS,HDG , WOW"),
        "\n\n" + text(),
        text() + "\n\n",
        text(rows=[f'"{r.replace(",", chr(34) + "," + chr(34))}"' for r in ROWS]),
    ],
)
def test_harmless_dresses_of_the_same_table(outcome, content):
    plain, dressed = outcome(text()), outcome(content, "other.csv")
    assert isinstance(dressed, Recording), dressed
    for name, samples in plain.samples.items():
        np.testing.assert_array_equal(dressed.samples[name].values, samples.values)
        np.testing.assert_array_equal(dressed.samples[name].time_s, samples.time_s)


def test_a_gap_and_a_swapped_row_are_told(outcome):
    rows = [*ROWS[:40], *ROWS[60:]]
    rows[10], rows[11] = rows[11], rows[10]
    recording = outcome(text(rows=rows))
    assert any("No data from 9.8 to 15.0 s, by the clock of the recording" in note for note in recording.notes)
    assert any("1 row out of time order left out" in note for note in recording.notes)


def test_one_bad_flight_of_a_table_costs_that_flight(tmp_path, layout):
    good = frame().with_columns(flight=pl.lit("A"))
    bad = pl.concat([frame(), frame()]).with_columns(flight=pl.lit("B"))
    path = tmp_path / "t.parquet"
    pl.concat([good, bad, good.with_columns(flight=pl.lit("C"))]).write_parquet(path)
    items = list(read([path], map_file=layout))
    assert [isinstance(item, Recording) for item in items] == [True, False, True]
    assert str(items[1].error).startswith(f"{path}#B: time: time goes back")


def test_one_flight_with_bad_times_costs_that_flight_once(tmp_path, layout):
    (tmp_path / "flights.csv").write_text("file,flight\nt.csv,A\nt.csv,B\n")
    (tmp_path / "t.csv").write_text(
        "flight,time_utc,GS\n"
        + "".join(f"A,2026-11-20T10:00:{k:02}Z,{140 - k}\n" for k in range(9))
        + "B,noon,140\nB,one,139\n"
    )
    one, two = read([tmp_path / "t.csv"], map_file=layout)
    assert isinstance(one, Recording)
    assert "t.csv#B: time_utc: 'noon' is no ISO 8601 time" in str(two.error)


@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damage_never_gives_a_traceback(tmp_path, layout, data):
    """Bytes cut, changed or put in anywhere: a recording or one refusal, nothing else."""
    good = data.draw(st.sampled_from([text().encode(), text().replace(",", ";").encode()]))
    content = bytearray(good[: data.draw(st.integers(0, len(good)))])
    for _ in range(data.draw(st.integers(0, 6))):
        place = data.draw(st.integers(0, max(0, len(content) - 1)))
        content[place : place + data.draw(st.integers(0, 4))] = data.draw(st.binary(max_size=6))
    path = tmp_path / "damaged.csv"
    path.write_bytes(bytes(content))
    for item in read([path], map_file=layout):
        assert isinstance(item, Recording | Refusal)
        if isinstance(item, Refusal):
            assert str(path) in str(item.error)
            assert item.error.cure


@settings(deadline=None, max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damaged_binary_files_never_give_a_traceback(tmp_path, layout, capfd, data):
    writer = data.draw(st.sampled_from([pl.DataFrame.write_parquet, pl.DataFrame.write_ipc]))
    content = bytearray(binary(writer))
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.integers(8, len(content) - 1))
        content[place] ^= data.draw(st.integers(1, 255))
    path = tmp_path / "damaged.bin"
    path.write_bytes(bytes(content))
    for item in read([path], map_file=layout):
        assert isinstance(item, Recording | Refusal)
        if isinstance(item, Refusal):
            assert item.error.cure
