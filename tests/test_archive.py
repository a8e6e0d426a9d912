"""The archive: what goes in comes out, every state that it is ever in is whole, and old ones are read."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fdm.archive import FILES, Archive
from fdm.compacting import compact
from fdm.engine import detect, load, table
from fdm.errors import ArchiveError
from fdm.frames import Block
from fdm.storage import FORMAT
from tests.making import block_of, line, recording, sampled, switch
from tests.nights import TABLES, assert_same, landing_ids, nights, tables

KEPT = Path(__file__).parent / "kept"


def a_block(n: int = 3, content: str = "") -> Block:
    """Landings with gaps, discretes, positions and different lengths."""
    made = []
    for i in range(n):
        speed = sampled("ground_speed", line((-30, 150), (60, 20)), 4.0, 0.03 * i, end_s=50 + 3 * i, gaps=[(5, 9)])
        gear = sampled("main_gear_ground", switch(0, (0, 1)), 1.0, 0.1 * i, lag_s=0.2)
        place = sampled("latitude", line((-30, 55.1234567), (60, 55.2)), 1.0)
        made.append(recording([speed, gear, place], content=f"{content}{i}", source=f"flight {i}"))
    return block_of(made)


def put(archive: Archive, *blocks: Block) -> list[str]:
    """Blocks written and in force, without recordings behind them."""
    parts = [archive.write_part(block) for block in blocks]
    rows = [
        dict.fromkeys(FILES) | {"source": i, "file": i, "landing_ids": [i], "part": part, "notes": []}
        for block, part in zip(blocks, parts, strict=True)
        for i in block.facts["landing_id"]
    ]
    with archive.writing("load"):
        archive.replace(files=pl.DataFrame(rows, schema=FILES))
    return parts


def assert_alike(one: Block, other: Block) -> None:
    """Blocks of the same landings, samples and times."""
    assert one.layout == other.layout
    assert one.facts.equals(other.facts)
    for name, matrix in one.values.items():
        np.testing.assert_array_equal(matrix, other.values[name])
        assert matrix.dtype == other.values[name].dtype
        np.testing.assert_array_equal(one.start_s[name], other.start_s[name])
        np.testing.assert_array_equal(one.lag_s[name], other.lag_s[name])


def test_a_block_comes_back_as_it_was(tmp_path: Path) -> None:
    block, archive = a_block(), Archive(tmp_path / "a", create=True)
    (part,) = put(archive, block)
    assert_alike(archive.read_part(part), block)
    some = archive.read_part(part, ["ground_speed"], {block.facts["landing_id"][1]})
    assert list(some.values) == ["ground_speed"]
    np.testing.assert_array_equal(some.values["ground_speed"], block.values["ground_speed"][1:2])


def test_a_part_can_be_read_without_this_program(tmp_path: Path) -> None:
    block, archive = a_block(), Archive(tmp_path / "a", create=True)
    (part,) = put(archive, block)
    folder = tmp_path / "a" / "parts" / part
    layout = json.loads((folder / "layout.json").read_text())
    speed = pl.read_parquet(folder / "rate_0.25.parquet").filter(landing_id=block.facts["landing_id"][0])
    assert speed.height == layout["rows_per_landing"]["0.25"]
    assert speed["ground_speed"].null_count() >= 16
    facts = pl.read_parquet(folder / "facts.parquet")
    assert facts["start|ground_speed"][0] == pytest.approx(-30)
    for file in (tmp_path / "a").rglob("*.parquet"):
        assert pl.read_parquet_metadata(file)["rollout_watch_format"] == str(FORMAT)


def test_equal_content_has_equal_names_and_other_content_others(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "a", create=True)
    names = [archive.write_part(block).partition("-")[2] for block in (a_block(), a_block(), a_block(content="x"))]
    assert names[0] == names[1] != names[2]


def test_a_folder_with_other_things_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("chapter 1")
    with pytest.raises(ArchiveError, match="holds other files"):
        Archive(tmp_path, create=True)
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_no_archive_and_a_newer_one_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ArchiveError, match=r"no archive here. Load recordings first"):
        Archive(tmp_path)
    Archive(tmp_path / "a", create=True)
    (tmp_path / "a" / "CURRENT.json").write_text(json.dumps({"format": FORMAT + 1, "files": None, "results": None}))
    with pytest.raises(ArchiveError, match=f"newer version .format {FORMAT + 1}"):
        Archive(tmp_path / "a")
    (tmp_path / "a" / "CURRENT.json").write_text("{")
    with pytest.raises(ArchiveError, match="cannot be read"):
        Archive(tmp_path / "a")
    with pytest.raises(ArchiveError, match="no such kind of address"):
        Archive("ftp://somewhere/archive")


def test_what_a_user_keeps_in_the_folder_is_never_swept(tmp_path: Path) -> None:
    archive = Archive(tmp_path / "a", create=True)
    put(archive, a_block())
    kept = [tmp_path / "a" / name for name in ("notes.txt", "parts/readme.txt", "results of March.xlsx", "files.zip")]
    for path in kept:
        path.write_text("mine")
    for content in "xyz":
        put(archive, a_block(content=content))
    assert all(path.exists() for path in kept)
    assert len(archive.parts()) == 1
    there = [name for name in archive.storage.names("parts") if name[0].isdigit()]
    assert len(there) == 2, "the part in force, and the one that was in force before"


def test_a_reader_of_what_was_in_force_can_go_on(tmp_path: Path) -> None:
    for night in nights(tmp_path / "r", 2, fewer=8):
        load([night], tmp_path / "a")
    detect(tmp_path / "a")
    reader = Archive(tmp_path / "a")
    before = {name: getattr(reader, name)() for name in TABLES}
    compact(tmp_path / "a")
    fresh = Archive(tmp_path / "a")
    assert {name: getattr(reader, name)().height for name in TABLES} == {n: f.height for n, f in before.items()}
    assert fresh.parts() != reader.parts()
    one = before["landings"]["landing_id"][0]
    for archive in (reader, fresh):
        assert archive.measures(one).equals(before["measures"].filter(landing_id=one))
        assert archive.traces(one)["ground_speed"].time_s.size > 50


def test_lazy_tables_are_the_tables(tmp_path: Path) -> None:
    load(nights(tmp_path / "r", 2, fewer=8), tmp_path / "a")
    detect(tmp_path / "a")
    archive = Archive(tmp_path / "a")
    for name in TABLES:
        whole = getattr(archive, name)()
        assert archive.scan(name).collect().equals(whole)
        assert archive.scan(name).select("landing_id").head(3).collect().equals(whole.select("landing_id").head(3))
    late = archive.scan("measures").filter(pl.col("measure") == "spoiler_delay_s", pl.col("value") > 0.5)
    assert late.collect().equals(
        archive.measures().filter(pl.col("measure") == "spoiler_delay_s", pl.col("value") > 0.5)
    )
    values = archive.measure_values("deploy_delay_s")
    assert values["value"].drop_nulls().len() == archive.measures().filter(measure="deploy_delay_s")["value"].count()


# archives of older formats -------------------------------------------------------------------------------------------


@pytest.fixture
def of_format_1(tmp_path: Path) -> Path:
    """Three flights loaded and judged by the last version that wrote format 1."""
    return Path(shutil.copytree(KEPT / "archive_format_1", tmp_path / "old"))


def test_an_archive_of_format_1_is_read(of_format_1: Path) -> None:
    archive = Archive(of_format_1)
    events = archive.events().select("landing_id", "rule", "severity")
    assert sorted(events.iter_rows()) == [
        ("0b1f972d0e83", "late_reverser_stow", "medium"),
        ("0b1f972d0e83", "slow_high_reverse", "medium"),
        ("0d0d9808d79a", "late_spoilers", "high"),
        ("0d0d9808d79a", "spoilers_partial", "high"),
    ]
    assert archive.landings()["tail"].sort().to_list() == ["QQ-LAP", "QQ-LAR", "QQ-LCA"]
    assert archive.outcomes("0d0d9808d79a").height == 22
    delays = archive.measures("0d0d9808d79a").filter(measure="spoiler_delay_s")
    assert delays["value"].to_list() == pytest.approx([46.046875])
    assert archive.instants("0d0d9808d79a").height > 10
    assert archive.measure_values("spoiler_delay_s").height == 3
    assert archive.parameter_health()["landing_id"].n_unique() == 3
    assert archive.traces("0d0d9808d79a")["ground_speed"].values.max() > 100
    assert archive.run["rule_book"].startswith("Rollout rules 1.0")
    assert archive.scan("events").collect().height == 4


def test_an_archive_of_format_1_is_upgraded_by_use(of_format_1: Path, tmp_path: Path) -> None:
    before = Archive(of_format_1).landings()
    report = detect(of_format_1)
    assert report.landings == report.measured == 3
    assert json.loads((of_format_1 / "CURRENT.json").read_text())["format"] == FORMAT
    assert table(of_format_1, "landings")["landing_id"].to_list() == before["landing_id"].to_list()
    assert detect(of_format_1).measured == 0
    assert not list(of_format_1.glob("results-000001*")), "what was made by the older version is no longer needed"
    loaded = load(nights(tmp_path / "r", 1, fewer=4), of_format_1)
    assert loaded.landings >= 3
    ids = landing_ids(of_format_1)
    assert set(before["landing_id"]) <= set(ids)
    assert len(ids) == len(set(ids))
    detect(of_format_1)
    whole = tables(of_format_1)
    compact(of_format_1)
    assert_same(tables(of_format_1), whole)


def test_the_recordings_of_an_archive_of_format_1_are_known_again(of_format_1: Path, tmp_path: Path) -> None:
    """The same flights under another name are duplicates, as they were."""
    loaded = load(nights(tmp_path / "r", 1), of_format_1)
    assert loaded.count("duplicate") == 3
    assert re.search(r"the same flight as /recordings/", "".join(loaded.flights["message"].drop_nulls()))
