"""Loading: each flight once, whatever happens to the files, their names, their folders and the clock."""

from __future__ import annotations

import os
import shutil
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

import fdm.ingest
import fdm.loading
from fdm.archive import Archive
from fdm.engine import load
from fdm.errors import FdmError
from tests.nights import DATA, landing_ids, nights

ONE = DATA / "tern200" / "VH101-20260928.csv"
OTHER = DATA / "tern200" / "VH102-20261002.csv"
MAP = DATA / "maps" / "tern200.toml"


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    return tmp_path / "archive"


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """One night of a dozen flights in files of their own and in tables."""
    return nights(tmp_path / "recordings", 1, fewer=12)[0]


def actions(report: fdm.loading.LoadReport) -> Counter[str]:
    return Counter(report.flights["action"])


def sources(archive: Path) -> list[str]:
    """Sources of the flights that hold a landing, by name."""
    rows = Archive(archive).files().filter(pl.col("part").is_not_null())
    return sorted(Path(source).name for source in rows["source"])


def aged(path: Path, seconds: float = 3600.0) -> None:
    """Let a file have been written a while ago."""
    when = path.stat().st_mtime - seconds
    os.utime(path, (when, when))


def test_loading_twice_changes_nothing(night: Path, archive: Path) -> None:
    first = load([night], archive)
    files = Archive(archive).files()
    assert actions(first) == {"loaded": 12}
    again = load([night], archive)
    assert actions(again) == {"unchanged": 12}
    assert again.landings == 0
    assert Archive(archive).files().drop("loaded_utc", "stamp").equals(files.drop("loaded_utc", "stamp"))


def test_unchanged_files_are_not_even_read_when_they_are_old_enough(
    night: Path, archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for path in night.rglob("*.*"):
        aged(path)
    load([night], archive)

    def read(_job: fdm.ingest.ReadJob) -> list[fdm.ingest.ReadFile]:
        raise AssertionError("a file was read")

    monkeypatch.setattr(fdm.loading, "read_job", read)
    assert actions(load([night], archive)) == {"unchanged": 12}


def test_a_file_changed_within_the_same_moment_and_size_is_noticed(archive: Path, tmp_path: Path) -> None:
    """What was written just before it was loaded is not trusted by its time alone."""
    path = tmp_path / "flight.csv"
    text = ONE.read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    before = path.stat()
    load([path], archive, map_file=MAP)
    path.write_text(text.replace("\n1", "\n2", 1), encoding="utf-8")
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert path.stat().st_size == before.st_size
    assert actions(load([path], archive, map_file=MAP))["unchanged"] == 0


def test_a_clock_moved_back_loses_nothing(archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Loaded, by the computer's clock, long before the file was changed: then the time of the file says nothing."""
    path = Path(shutil.copy(ONE, tmp_path / "flight.csv"))
    past = datetime.now(UTC) - timedelta(days=400)

    class Back(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return past

    monkeypatch.setattr(fdm.loading, "datetime", Back)
    first = load([path], archive, map_file=MAP)
    assert Archive(archive).files()["loaded_utc"][0] == past
    shutil.copy(OTHER, tmp_path / "flight.csv")
    second = load([path], archive, map_file=MAP)
    assert actions(second) == {"replaced": 1}
    assert len(landing_ids(archive)) == second.landings == first.landings


def test_a_changed_file_replaces_its_landings(archive: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(ONE, tmp_path / "flight.csv"))
    load([path], archive, map_file=MAP)
    before = landing_ids(archive)
    shutil.copy(OTHER, path)
    assert actions(load([path], archive, map_file=MAP)) == {"replaced": 1}
    assert len(landing_ids(archive)) == len(before)
    assert set(landing_ids(archive)).isdisjoint(before)


def test_a_refused_newer_version_leaves_what_was_loaded(archive: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(ONE, tmp_path / "flight.csv"))
    load([path], archive, map_file=MAP)
    before = landing_ids(archive)
    path.write_text("time_s,GS\n1,\n", encoding="utf-8")
    for _ in range(2):
        report = load([path], archive, map_file=MAP)
        assert actions(report) == {"refused": 1}
        assert "What was loaded of it before is kept" in report.flights["message"][0]
        assert landing_ids(archive) == before


def test_a_refused_flight_of_a_table_keeps_its_earlier_self_and_the_others_are_loaded(
    archive: Path, tmp_path: Path
) -> None:
    table = pl.read_parquet(DATA / "tern200" / "flights.parquet")
    names = table["flight"].unique(maintain_order=True).to_list()[:3]
    path = tmp_path / "table.parquet"
    whole = table.filter(pl.col("flight").is_in(names))
    whole.write_parquet(path)
    load([path], archive, map_file=MAP)
    before = set(landing_ids(archive))
    broken = pl.when(pl.col("flight") == names[0]).then(None).otherwise("time_s").alias("time_s")
    changed = pl.when(pl.col("flight") == names[1]).then(pl.col("GS") + 1).otherwise(pl.col("GS")).alias("GS")
    whole.with_columns(broken).with_columns(changed).write_parquet(path)
    assert actions(load([path], archive, map_file=MAP)) == {"refused": 1, "replaced": 1, "unchanged": 1}
    after = set(landing_ids(archive))
    assert len(after) == len(before)
    assert len(after - before) == len(before - after) == 1


def test_a_flight_added_to_a_table_leaves_the_others_where_they_are(archive: Path, tmp_path: Path) -> None:
    table = pl.read_parquet(DATA / "tern200" / "flights.parquet")
    names = table["flight"].unique(maintain_order=True).to_list()
    path = tmp_path / "table.parquet"
    table.filter(pl.col("flight").is_in(names[:3])).write_parquet(path)
    load([path], archive, map_file=MAP)
    parts = Archive(archive).parts()
    table.filter(pl.col("flight").is_in(names[:4])).write_parquet(path)
    assert actions(load([path], archive, map_file=MAP)) == {"unchanged": 3, "loaded": 1}
    assert actions(load([path], archive, map_file=MAP)) == {"unchanged": 4}
    live = dict(Archive(archive).live().iter_rows())
    assert [len(live[part]) for part in parts] == [3]
    assert len(landing_ids(archive)) == 4


def test_the_same_flight_under_another_name_is_passed_over_and_found_again_when_needed(
    archive: Path, tmp_path: Path
) -> None:
    one, copy = (Path(shutil.copy(ONE, tmp_path / name)) for name in ("a.csv", "b.csv"))
    for path in (one, copy):
        aged(path)
    assert actions(load([one, copy], archive, map_file=MAP)) == {"loaded": 1, "duplicate": 1}
    assert actions(load([one, copy], archive, map_file=MAP)) == {"unchanged": 1, "duplicate": 1}
    assert sources(archive) == ["a.csv"]
    shutil.copy(OTHER, one)
    assert actions(load([one, copy], archive, map_file=MAP))["replaced"] == 1
    assert sources(archive) == ["a.csv", "b.csv"], "the copy is the only one now, and is loaded"
    assert len(landing_ids(archive)) == len(set(landing_ids(archive))) == 2


def test_files_of_one_relative_name_in_two_places_are_two(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, recording in (("monday", ONE), ("tuesday", OTHER)):
        (tmp_path / name).mkdir()
        shutil.copy(recording, tmp_path / name / "flight.csv")
        monkeypatch.chdir(tmp_path / name)
        assert actions(load(["flight.csv"], archive, map_file=MAP)) == {"loaded": 1}
    assert len(landing_ids(archive)) == 2


def test_a_changed_map_loads_again(archive: Path, tmp_path: Path) -> None:
    own_map = Path(shutil.copy(MAP, tmp_path / "map.toml"))
    for path in (own_map, Path(shutil.copy(ONE, tmp_path / "flight.csv"))):
        aged(path)
    load([tmp_path / "flight.csv"], archive, map_file=own_map)
    own_map.write_text(own_map.read_text(encoding="utf-8") + "\n# reviewed\n", encoding="utf-8")
    assert actions(load([tmp_path / "flight.csv"], archive, map_file=own_map)) == {"replaced": 1}
    assert len(landing_ids(archive)) == 1


def test_landings_of_one_flight_in_two_layouts_are_both_kept(archive: Path, tmp_path: Path) -> None:
    """A parameter that fell silent between two landings of a flight gives each a layout of its own."""
    table = pl.read_parquet(DATA / "tern200" / "flights.parquet")
    counts = table.group_by("flight").agg(pl.col("time_s").max())
    longest = counts.sort("time_s", descending=True)["flight"][0]
    flight = table.filter(flight=longest)
    end = float(flight["time_s"].max())  # type: ignore[arg-type]
    again = flight.with_columns(pl.col("time_s") + end + 400.0, FLAP=pl.lit(None, flight.schema["FLAP"]))
    path = tmp_path / "circuit.parquet"
    pl.concat([flight, again]).drop("flight").write_parquet(path)
    report = load([path], archive, map_file=MAP)
    assert report.landings >= 2
    rows = Archive(archive).files()
    assert rows.height == rows["part"].n_unique() == 2
    assert len(landing_ids(archive)) == report.landings
    again = load([path], archive, map_file=MAP)
    assert again.flights.rows(named=True)[0] | {"message": None} == {
        "source": str(path),
        "action": "unchanged",
        "landings": report.landings,
        "message": None,
    }
    assert again.flights.height == 1
    for part, ids in Archive(archive).live().iter_rows():
        assert Archive(archive).read_part(part).facts["landing_id"].to_list() == ids


def test_parts_are_filled_and_what_waits_is_bounded(
    night: Path, archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fdm.loading, "PART_LANDINGS", 3)
    monkeypatch.setattr(fdm.loading, "MOST_WAITING", 4)
    monkeypatch.setattr(fdm.loading, "CHECKPOINT_LANDINGS", 5)
    report = load([night], archive)
    sizes = [len(ids) for ids in Archive(archive).live()["landing_ids"]]
    assert sum(sizes) == report.landings == len(set(landing_ids(archive)))
    assert max(sizes) == 3
    assert actions(load([night], archive)) == {"unchanged": 12}


def test_what_was_put_in_force_before_a_failure_is_whole_files(
    night: Path, archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fdm.loading, "PART_LANDINGS", 2)
    monkeypatch.setattr(fdm.loading, "CHECKPOINT_LANDINGS", 1)
    read, done = fdm.ingest.read_job, []

    def fails_at_the_fourth(job: fdm.ingest.ReadJob) -> list[fdm.ingest.ReadFile]:
        done.append(job)
        if len(done) == 4:
            raise FdmError("out of order")
        return read(job)

    monkeypatch.setattr(fdm.loading, "read_job", fails_at_the_fourth)
    with pytest.raises(FdmError, match="out of order"):
        load([night], archive)
    there = set(landing_ids(archive))
    assert there
    monkeypatch.setattr(fdm.loading, "read_job", read)
    report = load([night], archive)
    assert report.count("unchanged") > 0
    assert there < set(landing_ids(archive))
    assert len(landing_ids(archive)) == len(there) + report.landings


def test_nothing_to_read_is_one_clear_refusal(archive: Path, tmp_path: Path) -> None:
    report = load([tmp_path / "nowhere.csv"], archive, map_file=MAP)
    assert actions(report) == {"refused": 1}
    assert "cannot be read" in report.flights["message"][0]
    assert load([], archive).flights.height == 0
