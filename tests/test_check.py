"""`check map`: a sound map gives no remark; each kind of wrong map gives its own, and no other."""

import numpy as np
import polars as pl
import pytest
import scipy.io

from fdm.check import CHECKED, check_map
from fdm.errors import MapError, RecordingError

# name -> (column, how the map reads it)
COLUMNS = {
    "ground_speed": ("GS", 'unit = "kt"'),
    "airspeed": ("CAS", 'unit = "kt"'),
    "radio_height": ("RALT", 'unit = "ft"'),
    "heading": ("HDG", 'unit = "deg"'),
    "normal_acceleration": ("VRTG", 'unit = "g"'),
    "longitudinal_acceleration": ("LONG", 'unit = "g"'),
    "main_gear_ground": ("WOW", "true_when = [1]"),
    "n1.1": ("N1 L", 'unit = "%"'),
    "n1.2": ("N1 R", 'unit = "%"'),
    "thrust_lever.1": ("TLA L", 'unit = "deg"'),
    "thrust_lever.2": ("TLA R", 'unit = "deg"'),
    "spoiler_handle": ("SPLR", 'unit = "deg"\nfull_travel = 60'),
    "reverser_state.1": ("REV L", 'states = { "0" = "stowed", "1" = "in_transit", "2" = "deployed" }'),
    "gross_weight": ("GW", 'unit = "kg"'),
}


def landing():
    """Truth of an invented landing at 4 Hz: contact at 60 s, 3 kt/s of braking, one lever ahead on the approach."""
    t = np.arange(0, 120, 0.25)
    rng = np.random.default_rng(1)
    speed = 135 - 3.0 * np.clip(t - 62, 0, 42)
    lever = 20 + 6 * np.sin(t / 5) * (t < 55)
    other = 20 + 6 * np.cos(t / 7) * (t < 55)
    return pl.DataFrame(
        {
            "time_s": t,
            "GS": speed,
            "CAS": np.where(speed > 40, speed + 8, 0.0),
            "RALT": np.maximum(0, 12 * (60 - t)) + 0.5 * rng.standard_normal(len(t)).round(1),
            "HDG": 90 + 0.5 * np.sin(t),
            "VRTG": 1 + 0.03 * rng.standard_normal(len(t)),
            "LONG": np.where((t > 62) & (t < 104), -3 * 1852 / 3600 / 9.80665, 0) + 0.01 * rng.standard_normal(len(t)),
            "WOW": (t >= 60).astype(int),
            "N1 L": 2.0 * lever + 10,
            "N1 R": 2.0 * other + 10,
            "TLA L": lever,
            "TLA R": other,
            "SPLR": np.where(t > 61, 55.0, 0.0),
            "REV L": np.select([t < 63, t < 65, t < 90], [0, 1, 2], 0),
            "GW": np.full(len(t), 60000.0),
        }
    )


@pytest.fixture
def checked(tmp_path):
    """Remarks by parameter for a table and a map with some entries changed."""

    def check(frame=None, **changed):
        columns = COLUMNS | {name.replace("__", "."): how for name, how in changed.items()}
        entries = [f'[parameter."{name}"]\ncolumn = "{column}"\n{how}' for name, (column, how) in columns.items()]
        head = '[map]\nname = "A"\nengines = 2\nreversers = [1, 2]\n'
        (tmp_path / "a.toml").write_text(head + "\n".join(entries))
        (landing() if frame is None else frame).write_parquet(tmp_path / "a.parquet")
        (result,) = check_map(tmp_path / "a.toml", tmp_path / "a.parquet")
        assert dict(result.rows.schema) == {
            name: pl.DataFrame(schema={name: kind}).schema[name] for name, kind in CHECKED.items()
        }
        return {row["parameter"]: row for row in result.rows.to_dicts()}

    return check


def remarks(rows):
    return {(name, remark) for name, row in rows.items() for remark in row["remarks"]}


def only(rows, name, fragment):
    """Exactly one remark, on one parameter."""
    found = remarks(rows)
    assert len(found) == 1, found
    ((where, what),) = found
    return where == name and fragment in what


def test_a_sound_map_gives_no_remark(checked):
    rows = checked()
    assert not remarks(rows)
    speed = rows["ground_speed"]
    assert (speed["found"], speed["rate_hz"], speed["samples"], speed["missing"]) == (True, 4.0, 480, 0)
    assert (speed["lowest"], speed["highest"], speed["unit"]) == (9.0, 135.0, "kt")
    assert rows["reverser_state.1"]["states"] == ["stowed", "in_transit", "deployed"]
    assert rows["main_gear_ground"]["states"] == ["false", "true"]
    assert speed["longest_gap_s"] is None


def test_a_speed_column_in_metres_per_second(checked):
    frame = landing().with_columns(pl.col("GS") * 1852 / 3600)
    assert only(checked(frame), "ground_speed", "looks like m/s")
    assert not remarks(checked(frame, ground_speed=("GS", 'unit = "m/s"')))


def test_an_airspeed_column_in_km_per_hour(checked):
    frame = landing().with_columns(pl.col("CAS") * 1.852)
    assert only(checked(frame), "airspeed", "looks like km/h")
    frame = landing().with_columns(pl.col("GS") * 1.852)
    assert ("ground_speed", "ground speed is 1.75 of airspeed: the column looks like km/h") in remarks(checked(frame))
    frame = landing().with_columns(pl.col("CAS") * 1852 / 3600)
    assert only(checked(frame), "airspeed", "looks like m/s")


def test_metres_per_second_without_an_airspeed(checked):
    frame = landing().with_columns(pl.col("GS") * 1852 / 3600).drop("CAS")
    found = dict(remarks(checked(frame)))
    assert "never above 69 kt although airborne" in found["ground_speed"]


@pytest.mark.parametrize("top_kt", [135, 240])
def test_inverted_air_ground(checked, top_kt):
    frame = landing().with_columns(pl.col("GS") * top_kt / 135, pl.col("CAS") * top_kt / 135)
    frame = frame.with_columns(pl.col("LONG") * top_kt / 135)
    assert only(checked(frame, main_gear_ground=("WOW", "true_when = [0]")), "main_gear_ground", "looks inverted")


def test_inverted_air_ground_without_a_speed(checked):
    frame = landing().drop("GS").rename({"WOW": "X"}).with_columns(WOW=1 - pl.col("X"))
    found = {name: what for name, what in remarks(checked(frame)) if name != "ground_speed"}
    assert set(found) == {"main_gear_ground"}
    assert "says ground above 200 ft" in found["main_gear_ground"]


@pytest.mark.parametrize(
    ("change", "fragment"),
    [
        (pl.col("VRTG") - 1, "rests at 0 g"),
        (-pl.col("VRTG"), "rests at -1 g"),
        (pl.col("VRTG") * 0.5, "rests at 0.50 g"),
    ],
)
def test_normal_acceleration_at_rest(checked, change, fragment):
    assert only(checked(landing().with_columns(change)), "normal_acceleration", fragment)


@pytest.mark.parametrize(
    ("change", "fragment"),
    [
        (-pl.col("LONG"), "forward must be positive"),
        (pl.col("LONG") * 3.28084, "of the change of ground speed"),
    ],
)
def test_longitudinal_acceleration_against_ground_speed(checked, change, fragment):
    assert only(checked(landing().with_columns(change)), "longitudinal_acceleration", fragment)


def test_swapped_engines(checked):
    rows = checked(n1__1=("N1 R", 'unit = "%"'), n1__2=("N1 L", 'unit = "%"'))
    assert only(rows, "n1.1", "follows thrust_lever.2, and n1.2 follows thrust_lever.1")


def test_units_that_ranges_give_away(checked):
    frame = landing().with_columns(pl.col("N1 L", "N1 R") / 100, pl.col("HDG").radians())
    found = remarks(checked(frame))
    assert {name for name, _ in found} == {"n1.1", "n1.2", "heading"}
    frame = landing().with_columns(pl.col("SPLR") / 60)
    assert only(checked(frame), "spoiler_handle", "never above 2 % of full travel")


def test_values_that_are_mostly_impossible(checked):
    frame = landing().with_columns(pl.col("RALT") + 9000)
    assert only(checked(frame), "radio_height", "no valid value")
    frame = landing().with_columns(pl.when(pl.col("time_s") < 40).then(9000).otherwise("RALT").alias("RALT"))
    assert only(checked(frame), "radio_height", "33% of the values are missing or not plausible")


def test_a_column_that_is_missing_or_stands_still(checked):
    rows = checked(landing().drop("HDG").with_columns(SPLR=pl.lit(0.0)))
    assert remarks(rows) == {("heading", "column 'HDG' is not in this file"), ("spoiler_handle", "never changes")}
    assert (rows["heading"]["found"], rows["heading"]["rate_hz"]) == (False, None)


def test_gaps_and_rates(checked):
    every_second = np.arange(480) % 4 == 1
    frame = landing().with_columns(HDG=pl.when(pl.lit(every_second)).then("HDG"))
    frame = frame.with_columns(HDG=pl.when(~pl.col("time_s").is_between(30, 40)).then("HDG"))
    heading = checked(frame)["heading"]
    assert (heading["rate_hz"], heading["longest_gap_s"]) == (1.0, 11.0)


def test_the_files_own_units(tmp_path):
    (tmp_path / "a.toml").write_text(
        '[map]\nname = "A"\nengines = 2\nreversers = []\n[parameter.ground_speed]\ncolumn = "GS"\nunit = "m/s"\n'
    )
    variable = {"data": np.linspace(70, 10, 60), "Rate": 1, "Units": "KNOTS", "Description": "speed"}
    other = {"data": np.arange(60.0), "Rate": 1, "Units": "", "Description": ""}
    scipy.io.savemat(tmp_path / "a.mat", {"GS": variable, "XX": other})
    (result,) = check_map(tmp_path / "a.toml", tmp_path / "a.mat")
    assert result.rows["remarks"].to_list() == [["the file says its unit is KNOTS, the map says m/s"]]
    assert result.unused == ("XX",)


def test_every_flight_of_a_table_and_errors_of_both_files(tmp_path, checked):
    checked()
    frames = [landing().with_columns(flight=pl.lit(name)) for name in ("A", "B")]
    pl.concat(frames).write_parquet(tmp_path / "two.parquet")
    assert [r.source[-2:] for r in check_map(tmp_path / "a.toml", tmp_path / "two.parquet")] == ["#A", "#B"]
    with pytest.raises(MapError, match=r"none\.toml"):
        check_map(tmp_path / "none.toml", tmp_path / "two.parquet")
    with pytest.raises(RecordingError, match=r"none\.csv"):
        check_map(tmp_path / "a.toml", tmp_path / "none.csv")
    landing().drop("time_s").with_columns(time_s=pl.lit(3.0)).write_parquet(tmp_path / "one.parquet")
    with pytest.raises(RecordingError, match=r"one\.parquet: has one sample in time"):
        check_map(tmp_path / "a.toml", tmp_path / "one.parquet")
