"""Files and folders to recordings: facts, maps, several flights, and what is left out."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fdm.reading import Refusal, list_sources, read, read_source
from fdm.recording import Recording

MAP = """
[map]
name = "Layout A"
fleet = "Twin"
engines = 2
reversers = [1, 2]
reversers_out = [2]
[parameter.ground_speed]
column = "GS"
unit = "kt"
[parameter.main_gear_ground]
column = "WOW"
true_when = [1]
[parameter."reverser_state.1"]
column = "REV"
states = { STOWED = "stowed", MOVING = "in_transit", OPEN = "deployed" }
"""
RUNWAYS = "airport_ident,length_ft,le_ident,he_ident,airport_elevation_ft\nQQTS,8000,09,27,1200\n"


def table(start_s=100.0, flight=None, shift=0.0):
    time_s = start_s + np.arange(240) / 4
    frame = pl.DataFrame(
        {
            "time_s": time_s,
            "GS": 140 - (time_s - start_s) + shift,
            "WOW": (time_s - start_s > 20).astype(int),
            "REV": ["STOWED"] * 100 + ["MOVING"] * 8 + ["OPEN"] * 132,
            "OTHER": time_s * 2,
        }
    )
    return frame if flight is None else frame.with_columns(flight=pl.lit(flight))


@pytest.fixture
def folder(tmp_path):
    """Two recordings of a twin in a subfolder, listed in flights.csv beside it."""
    (tmp_path / "maps").mkdir()
    (tmp_path / "week").mkdir()
    (tmp_path / "maps" / "a.toml").write_text(MAP)
    (tmp_path / "runways.csv").write_text(RUNWAYS)
    table().write_csv(tmp_path / "week" / "one.csv")
    table(shift=1).write_parquet(tmp_path / "week" / "two.parquet")
    (tmp_path / "flights.csv").write_text(
        "file,tail,start_utc,arrival,runway,map\n"
        "week/one.csv,QQ-A,2026-11-20T10:00:00Z,QQTS,9,maps/a.toml\n"
        "week/two.parquet,QQ-B,,QQTS,,maps/a.toml\n"
    )
    return tmp_path


def refusals(items):
    return [str(item.error) for item in items if isinstance(item, Refusal)]


def test_a_folder(folder):
    one, two = read([folder])
    assert isinstance(one, Recording)
    assert one.source == str(folder / "week" / "one.csv")
    assert (one.recorder, one.engines, one.reversers) == ("Layout A", 2, (1, 2))
    assert set(one.samples) == {"ground_speed", "main_gear_ground", "reverser_state.1"}
    assert one.samples["ground_speed"].values[:2].tolist() == [140.0, 139.75]
    assert one.samples["reverser_state.1"].values[[99, 100, 108]].tolist() == [0, 1, 2]
    assert one.samples["main_gear_ground"].values.dtype == np.int8
    expected = {"tail": "QQ-A", "fleet": "Twin", "arrival": "QQTS", "runway": "09", "reversers_out": [2]}
    assert expected.items() <= one.facts.items()
    assert one.facts["runway_length_m"] == pytest.approx(8000 * 0.3048)
    assert one.facts["airport_elevation_ft"] == 1200
    assert one.notes == ()
    assert two.facts["airport_elevation_ft"] == 1200
    assert "runway" not in two.facts
    assert one.content_hash != two.content_hash


def test_utc_is_start_utc_plus_time(folder):
    """flights.csv gives the UTC of the first stamp; the recording's clock reads 100 s then."""
    one, _ = read([folder])
    assert one.facts["start_utc"] == datetime(2026, 11, 20, 9, 58, 20, tzinfo=UTC)


def test_what_comes_before_what(folder):
    """The command line before flights.csv before the file's metadata before the map."""
    table().write_parquet(
        folder / "week" / "two.parquet", metadata={"tail": "QQ-X", "fleet": "Other", "arrival": "QQX"}
    )
    _, two = read([folder])
    assert (two.facts["tail"], two.facts["fleet"], two.facts["arrival"]) == ("QQ-B", "Other", "QQTS")
    _, two = read([folder], facts={"tail": "QQ-C", "reversers_out": "1", "start_utc": "2026-11-20T10:00:00Z"})
    assert (two.facts["tail"], two.facts["reversers_out"]) == ("QQ-C", [1, 2])
    assert two.facts["start_utc"].tzinfo is not None


def test_hash_does_not_depend_on_map_or_facts(folder):
    before = [item.content_hash for item in read([folder])]
    (folder / "maps" / "a.toml").write_text(MAP.replace('unit = "kt"', 'unit = "m/s"').replace("Twin", "Other twin"))
    (folder / "flights.csv").write_text("file,map\nweek/one.csv,maps/a.toml\nweek/two.parquet,maps/a.toml\n")
    after = list(read([folder]))
    assert [item.content_hash for item in after] == before
    assert after[0].facts["fleet"] == "Other twin"  # and the changed map was read again


def test_several_flights_of_one_table(folder):
    pl.concat([table(flight="VH1"), table(flight="VH2", shift=2), table(flight="VH9")]).write_parquet(
        folder / "t.parquet"
    )
    (folder / "flights.csv").write_text(
        "file,tail,flight,map\nt.parquet,QQ-A,VH1,maps/a.toml\nt.parquet,QQ-B,VH2,maps/a.toml\nt.parquet,QQ-C,VH3,maps/a.toml\n"
    )
    items = list(read([folder / "t.parquet"]))
    found = [(item.source.partition("#")[2], item.facts.get("tail")) for item in items if isinstance(item, Recording)]
    assert found == [("VH1", "QQ-A"), ("VH2", "QQ-B"), ("VH9", None)]
    assert items[0].facts["flight"] == "VH1"
    assert refusals(items) == [
        f"{folder / 't.parquet'}#VH3: no such flight in the table. Correct the flight column of flights.csv."
    ]


def test_two_maps_for_one_table(folder):
    pl.concat([table(flight="VH1"), table(flight="VH2")]).write_parquet(folder / "t.parquet")
    (folder / "maps" / "b.toml").write_text(MAP.replace("Layout A", "Layout B"))
    (folder / "flights.csv").write_text("file,flight,map\nt.parquet,VH1,maps/a.toml\nt.parquet,VH2,maps/b.toml\n")
    (source_file,) = list_sources([folder / "t.parquet"])
    assert [item.recorder for item in read_source(source_file)] == ["Layout A", "Layout B"]
    (folder / "maps" / "b.toml").write_text(MAP.replace("Layout A", "Layout C"))
    (changed,) = list_sources([folder / "t.parquet"])
    assert changed.facts != source_file.facts  # so that a caller that compares them sees the new map


def test_one_flight_listed_twice(folder):
    (folder / "flights.csv").write_text("file,flight,map\nweek/one.csv,A,maps/a.toml\nweek/one.csv,B,maps/a.toml\n")
    (message,) = refusals(read([folder / "week" / "one.csv", folder / "flights.csv"][:1]))
    assert "no parameter map" in message  # a file named alone is served by its own folder's tables only
    (message,) = [m for m in refusals(read([folder])) if "one.csv" in m]
    assert "flights.csv lists 2 flights in it" in message


def test_files_that_flights_csv_does_not_list(folder):
    """Tables without a time column are no recordings; others are, and need a map."""
    pl.DataFrame({"landing": [1], "truth_s": [2.0]}).write_parquet(folder / "truth.parquet")
    table(shift=3).write_csv(folder / "week" / "three.csv")
    (message,) = refusals(read([folder]))
    assert "three.csv: no parameter map is known" in message
    assert "--map" in message
    items = list(read([folder], map_file=folder / "maps" / "a.toml"))
    assert [Path(item.source).name for item in items] == ["one.csv", "three.csv", "two.parquet"]
    assert all(isinstance(item, Recording) for item in items)


def test_a_listed_file_that_is_not_there(folder):
    (folder / "week" / "one.csv").unlink()
    (message,) = refusals(read([folder]))
    assert "one.csv: cannot be read" in message


def test_wrong_tables_refuse_their_folder_once(folder):
    (folder / "flights.csv").write_text("file,start_utc\nweek/one.csv,yesterday\n")
    (message,) = refusals(read([folder]))
    assert "flights.csv: row 1: start_utc 'yesterday'" in message


def test_a_wrong_map_is_said_for_each_file(folder):
    (folder / "maps" / "a.toml").write_text(MAP.replace("kt", "kts"))
    messages = refusals(read([folder]))
    assert len(messages) == 2
    assert all("a.toml: parameter.ground_speed.unit: unknown unit 'kts'" in message for message in messages)


def test_each_file_comes_once(folder):
    sources = list_sources([folder, folder / "week" / "one.csv", folder / "week" / ".." / "week" / "two.parquet"])
    assert [source.path.name for source in sources] == ["one.csv", "two.parquet"]


def test_a_runway_given_by_hand_brings_its_length_and_voids_that_of_another(folder):
    (folder / "runways.csv").write_text(RUNWAYS + "QQTS,6000,18,36,1250\n")
    one, _ = read([folder], facts={"runway": "18"})
    assert one.facts["runway_length_m"] == pytest.approx(6000 * 0.3048)
    assert one.facts["airport_elevation_ft"] == 1250
    one, _ = read([folder], facts={"runway": "04"})
    assert "runway_length_m" not in one.facts
    _, two = read([folder / "week" / "one.csv", folder], facts={"arrival": "qqts", "runway": "27"})
    assert two.facts["runway_length_m"] == pytest.approx(8000 * 0.3048)


def test_wrong_facts_from_the_command_line(folder):
    messages = refusals(read([folder], facts={"start_utc": "soon"}))
    assert len(messages) == 2
    assert "start_utc 'soon' is no ISO 8601 time" in messages[0]


def test_utc_stamps_go_before_start_utc(folder):
    stamps = pl.datetime_range(datetime(2026, 11, 20, 11), datetime(2026, 11, 20, 11, 1), "250ms", eager=True)[:240]
    table().drop("time_s").with_columns(time_utc=stamps).write_csv(folder / "week" / "one.csv")
    one, _ = read([folder])
    assert one.samples["ground_speed"].time_s[1] == 0.25
    assert one.facts["start_utc"] == datetime(2026, 11, 20, 11, tzinfo=UTC)


def test_long_and_wide_give_the_same_samples(folder):
    wide = table()
    numbers = wide.unpivot(["GS", "WOW"], index="time_s", variable_name="parameter").cast({"value": pl.String})
    states = wide.select("time_s", parameter=pl.lit("REV"), value="REV")
    pl.concat([numbers, states]).write_csv(folder / "week" / "one.csv")
    wide.write_parquet(folder / "week" / "two.parquet")
    one, two = read([folder])
    assert set(one.samples) == set(two.samples)
    for name, samples in one.samples.items():
        np.testing.assert_array_equal(samples.time_s, two.samples[name].time_s)
        np.testing.assert_array_equal(samples.values, two.samples[name].values)
        assert (samples.step_s, samples.lag_s) == (two.samples[name].step_s, two.samples[name].lag_s)


def test_words_that_true_when_holds_none_of_are_missing_not_false(folder):
    """Air and ground in words, read by a map that waits for a 1."""
    words = table().with_columns(WOW=pl.when(pl.col("WOW") == 1).then(pl.lit("GND")).otherwise(pl.lit("AIR")))
    words.write_csv(folder / "week" / "one.csv")
    one, _ = read([folder])
    assert isinstance(one, Recording)
    assert "main_gear_ground" not in one.samples or (one.samples["main_gear_ground"].values < 0).all()
    assert any("main_gear_ground: true_when holds none of its values ('AIR', 'GND')" in note for note in one.notes)


def test_a_word_that_stands_throughout_is_false(folder):
    table().with_columns(WOW=pl.lit("OFF")).write_csv(folder / "week" / "one.csv")
    one, _ = read([folder])
    assert (one.samples["main_gear_ground"].values == 0).all()
