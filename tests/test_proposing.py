"""`check map` on a recording alone: the proposal reads the columns as their makers' maps do, and invents nothing."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fdm.column_names import meant_by
from fdm.engine import detect, load, table
from fdm.parameter_map import load_map
from fdm.proposing import LOW, propose
from sample_flights.layouts import layouts

DATA = Path(__file__).parent.parent / "sample_flights" / "data"
FIRST = {name: sorted((DATA / name).glob("*.csv"))[0] for name in ("tern200", "curlew300", "dunlin400")}
TRAVELS = ("spoiler_handle", "reverse_lever")  # their full travel is the highest reading seen
KT_PER_MPS = 3600 / 1852


def _proposed(recording: Path, folder: Path) -> Path:
    written = folder / "proposed.toml"
    written.write_text(propose(recording).toml())
    return written


@pytest.mark.parametrize("layout", FIRST)
def test_shipped_layouts_are_read_as_their_maps_read_them(layout: str, tmp_path: Path) -> None:
    mine, own = load_map(_proposed(FIRST[layout], tmp_path)), load_map(DATA / "maps" / f"{layout}.toml")
    assert (mine.engines, mine.reversers) == (own.engines, own.reversers)
    assert set(own.entries) - set(mine.entries) <= {"gross_weight"}  # kilograms or pounds: it does not say
    for name, entry in mine.entries.items():
        true = own.entries[name]
        assert (entry.column, entry.true_when, entry.states) == (true.column, true.true_when, true.states), name
        if not name.startswith(TRAVELS):
            assert entry.factor == pytest.approx(true.factor), name


@pytest.mark.parametrize("layout", FIRST)
def test_the_proposal_gives_the_same_landings(layout: str, tmp_path: Path) -> None:
    touched = []
    for name in ("own", "proposed"):
        folder = tmp_path / name
        (folder / layout).mkdir(parents=True)
        shutil.copy(FIRST[layout], folder / layout)
        shutil.copy(DATA / "runways.csv", folder)
        facts = pl.read_csv(DATA / "flights.csv", infer_schema=False)
        facts.filter(pl.col("file") == f"{layout}/{FIRST[layout].name}").drop("map").write_csv(folder / "flights.csv")
        map_file = DATA / "maps" / f"{layout}.toml" if name == "own" else _proposed(FIRST[layout], tmp_path)
        load([folder], tmp_path / f"{name}-archive", map_file=map_file)
        detect(tmp_path / f"{name}-archive")
        touched.append(table(tmp_path / f"{name}-archive", "landings"))
    own, mine = touched
    assert own["kind"].to_list() == mine["kind"].to_list()
    assert own["bounces"].to_list() == mine["bounces"].to_list()
    # where in its frame a sample was taken, the makers' maps say, and the file does not
    assert own["touchdown_s"].to_list() == pytest.approx(mine["touchdown_s"].to_list(), abs=0.25)
    speeds = (frame["touchdown_ground_speed_kt"].to_list() for frame in touched)
    assert next(speeds) == pytest.approx(next(speeds), abs=1.5)


def _tern() -> pl.DataFrame:
    return pl.read_csv(FIRST["tern200"], infer_schema_length=None)


def test_other_names_and_units_are_told(tmp_path: Path) -> None:
    """Metres a second, metres, per cent, m/s2 and bar, under other names."""
    frame = _tern()
    other = {
        "GS": ("Ground Speed (m/s)", 1 / KT_PER_MPS),
        "RALT": ("RadioAltitude", 0.3048),
        "NZ": ("VERT ACCEL", 9.80665),
        "BRK P L": ("BrakePress_Left", 0.0689476),
        "N1 ENG1": ("Engine 1 N1", 0.01),
        "SPLR HDL": ("SPEED BRAKE HANDLE", 100 / 46),
        "T/R 1 DPLY": ("Thrust Reverser 1 Deployed", 1.0),
        "LH MLG AIR": ("LH MLG", 1.0),
    }
    renamed = frame.select(
        "time_s",
        *((pl.col(old) * by).alias(new) if by != 1.0 else pl.col(old).alias(new) for old, (new, by) in other.items()),
        *(name for name in frame.columns if name not in (*other, "time_s")),
    )
    renamed.write_csv(tmp_path / "other.csv")
    mine = load_map(_proposed(tmp_path / "other.csv", tmp_path))
    expected = {
        "ground_speed": KT_PER_MPS,
        "radio_height": 1 / 0.3048,
        "normal_acceleration": 1 / 9.80665,
        "brake_pressure.left": 1 / 0.0689476,
        "n1.1": 100.0,
        "spoiler_handle": 0.01,
    }
    for name, factor in expected.items():
        assert mine.entries[name].factor == pytest.approx(factor, rel=1e-3), name
    assert mine.entries["main_gear_ground.left"].true_when == (0.0,)
    assert mine.entries["reverser_deployed.1"].true_when == (1.0,)


def test_fillers_in_a_column_do_not_change_what_is_proposed(tmp_path: Path) -> None:
    """One sample in five of the ground speed and of the spoiler handle is a filler, the one at touchdown too."""
    raw = pl.read_csv(FIRST["tern200"], infer_schema=False)
    given = [pl.col(name).is_not_null() for name in ("GS", "SPLR HDL")]
    fifth = [(mark.cum_sum() + 1) % 5 == 0 for mark in given]
    filled = raw.with_columns(
        pl.when(one & every).then(pl.lit("---")).otherwise(pl.col(name)).alias(name)
        for name, one, every in zip(("GS", "SPLR HDL"), given, fifth, strict=True)
    )
    filled.write_csv(tmp_path / "filled.csv")
    mine = load_map(_proposed(tmp_path / "filled.csv", tmp_path))
    assert {"ground_speed", "spoiler_handle"} <= set(mine.entries)


def test_columns_without_a_known_name_are_listed_and_never_guessed(tmp_path: Path) -> None:
    frame = _tern()
    anonymous = {name: f"P{number:03d}" for number, name in enumerate(frame.columns) if name != "time_s"}
    frame.rename(anonymous).write_csv(tmp_path / "anonymous.csv")
    proposed = propose(tmp_path / "anonymous.csv")
    assert not proposed.proposals
    assert set(proposed.unmatched) == set(anonymous.values())


def test_a_name_that_its_values_deny_is_only_a_comment(tmp_path: Path) -> None:
    """A "GS" that is no speed, an air/ground that never changes, a weight in kilograms or pounds."""
    frame = _tern().with_columns(pl.col("PITCH").alias("GS"), pl.col("NLG GND") * 0)
    frame.write_csv(tmp_path / "odd.csv")
    proposed = propose(tmp_path / "odd.csv")
    low = {p.parameter for p in proposed.proposals if p.confidence == LOW}
    assert {"ground_speed", "nose_gear_ground", "gross_weight"} <= low
    assert all(p.why for p in proposed.proposals)
    mine = load_map(_proposed(tmp_path / "odd.csv", tmp_path))
    assert not low & set(mine.entries)


def test_reverser_states_without_a_deployment_stay_unknown(tmp_path: Path) -> None:
    dunlin = pl.read_csv(FIRST["dunlin400"], infer_schema_length=None)
    still = pl.when(pl.col("parameter") == "TREV1").then(0.0).otherwise("value").alias("value")
    dunlin.with_columns(still).write_csv(tmp_path / "still.csv")
    found = {p.parameter: p for p in propose(tmp_path / "still.csv").proposals}
    assert found["reverser_state.1"].confidence == LOW
    assert found["reverser_state.2"].confidence != LOW


@pytest.mark.parametrize(
    ("column", "name"),
    [
        ("GroundSpeed_kts", "ground_speed"),
        ("ENG 2 N1", "n1.2"),
        ("N1_L", "n1.1"),
        ("Thrust Reverser 2 Unlocked", "reverser_unlocked.2"),
        ("BRAKE PRESSURE RIGHT", "brake_pressure.right"),
        ("N11", "n1.1"),
        ("N12", "n1.2"),
        ("N14_PCT", "n1.4"),
        ("N15", None),
        ("N21", None),
        ("N1_1", "n1.1"),
        ("N1 ENG1", "n1.1"),
        ("ENG1 N1", "n1.1"),
        ("E2 N1 ACTUAL (% RPM)", "n1.2"),
        ("N1 CMD 1", None),
        ("N1 VIB ENG 1", None),
        ("TLAL", "thrust_lever.1"),
        ("WOWR", "main_gear_ground.right"),
        ("RWOW", "main_gear_ground.right"),
        ("BRKPRSL", None),
        ("BRK PRS L", "brake_pressure.left"),
        ("THR LVR 1", "thrust_lever.1"),
        ("REV LVR 2", "reverse_lever.2"),
        ("REV DPL 1", "reverser_deployed.1"),
        ("VERT ACC", "normal_acceleration"),
        ("LAT ACC", "lateral_acceleration"),
        ("LONG ACC", "longitudinal_acceleration"),
        ("HEAD MAG", "heading"),
        ("SPDBRK_HANDLE", "spoiler_handle"),
        ("SPD BRK ARMED", "spoilers_armed"),
        ("AUTOBRK ON", "autobrake_active"),
        ("GROSS WT", "gross_weight"),
        ("EGT_1", None),
        ("VAR_1107", None),
        ("Lateral", None),
        ("Selected Heading Bug", "heading"),
    ],
)
def test_names(column: str, name: str | None) -> None:
    meant = meant_by(column)
    assert (meant.name if meant else None) == name
    if meant is not None:
        assert meant.exact == (column != "Selected Heading Bug")


def test_every_column_of_the_shipped_layouts_has_a_name_that_is_read() -> None:
    for layout in layouts():
        for channel in layout.channels:
            meant = meant_by(channel.column)
            assert meant is not None
            assert meant.name == channel.name


def test_two_columns_for_one_parameter_are_not_both_taken(tmp_path: Path) -> None:
    frame = _tern().with_columns(pl.col("GS").alias("GSPD"), pl.lit(np.pi).alias("PI"))
    frame.write_csv(tmp_path / "twice.csv")
    proposed = propose(tmp_path / "twice.csv")
    assert [p.column for p in proposed.proposals if p.parameter == "ground_speed"] == ["GS"]
    assert {"GSPD", "PI"} <= set(proposed.unmatched)
