"""An archive in an object store is an archive: loaded, judged, merged and read at s3:// as in a folder.

The store is Moto's S3 server on this machine, spoken to by PyArrow and Polars as they speak to any S3.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from fdm.archive import Archive
from fdm.cli import run
from fdm.compacting import compact
from fdm.engine import detect, load
from fdm.errors import ArchiveError
from fdm.locking import STALE_S, WRITERS, writing
from fdm.results import TABLES
from fdm.storage import ObjectStore, storage_of
from tests.nights import assert_same, landing_ids, nights, tables

BUCKET = "rollouts"


@pytest.fixture(scope="module")
def store() -> Iterator[str]:
    """The address of an empty bucket of a server on this machine."""
    server_module = pytest.importorskip("moto.server")
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = server_module.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ACCESS_KEY_ID", "anybody")
        patch.setenv("AWS_SECRET_ACCESS_KEY", "anything")
        patch.setenv("AWS_REGION", "us-east-1")
        patch.setenv("AWS_ENDPOINT_URL", f"http://{host}:{port}")
        patch.setenv("AWS_ALLOW_HTTP", "true")
        patch.setenv("AWS_EC2_METADATA_DISABLED", "true")
        from pyarrow.fs import FileSystem

        files, _ = FileSystem.from_uri(f"s3://{BUCKET}?allow_bucket_creation=true")
        files.create_dir(BUCKET)
        yield f"s3://{BUCKET}"
    server.stop()


@pytest.fixture(scope="module")
def dropped(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return nights(tmp_path_factory.mktemp("recordings"), 2, fewer=16, dead=3)


@pytest.fixture(scope="module")
def in_folder(dropped: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same archive in a folder."""
    archive = tmp_path_factory.mktemp("folder") / "archive"
    for night in dropped:
        load([night], archive)
        detect(archive)
    return archive


@pytest.fixture(scope="module")
def in_store(store: str, dropped: list[Path]) -> str:
    """The archive in the store."""
    archive = f"{store}/fleet/archive"
    for night in dropped:
        load([night], archive)
        detect(archive)
    return archive


def test_an_archive_in_a_store_holds_what_one_in_a_folder_holds(in_store: str, in_folder: Path) -> None:
    assert_same(tables(in_store), tables(in_folder))
    there, here = Archive(in_store), Archive(in_folder)
    assert there.parts() == here.parts()
    one = there.landings()["landing_id"][0]
    assert there.measures(one).equals(here.measures(one))
    assert there.traces(one).keys() == here.traces(one).keys()
    assert there.measure_values("spoiler_delay_s").equals(here.measure_values("spoiler_delay_s"))
    for name in TABLES:
        assert there.scan(name).collect().equals(getattr(there, name)())


def test_two_workers_make_in_a_store_what_one_process_makes(
    store: str, dropped: list[Path], in_folder: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    archive = f"{store}/workers"
    assert run(["load", *map(str, dropped), "--archive", archive, "--workers", "2"]) == 0
    assert run(["detect", "--archive", archive, "--workers", "2", "--no-cost"]) == 0
    assert "fdm:" not in capfd.readouterr().err
    assert_same(tables(archive), tables(in_folder))
    assert len(landing_ids(archive)) == len(set(landing_ids(archive)))
    assert storage_of(archive).names(WRITERS) == []


def test_every_file_can_be_read_by_polars_at_its_own_address(in_store: str) -> None:
    archive = Archive(in_store)
    part = archive.parts()[0]
    places = [archive.storage.place(archive.results.keys("events", p)) for p in archive.results.parts]
    assert pl.scan_parquet(places).collect().height == archive.events().height
    speed = pl.scan_parquet(f"{in_store}/parts/{part}/rate_*.parquet", missing_columns="insert", extra_columns="ignore")
    assert speed.select(pl.len()).collect().item() > 0


def test_nothing_is_done_twice_in_a_store_either(in_store: str, dropped: list[Path]) -> None:
    assert set(load(dropped, in_store).flights["action"]) == {"unchanged"}
    report = detect(in_store)
    assert (report.measured, report.judged) == (0, 0)


def test_parts_in_a_store_are_merged_and_what_is_not_needed_is_removed(store: str, dropped: list[Path]) -> None:
    archive = f"{store}/merged"
    for night in dropped:
        load([night], archive)
    detect(archive)
    before = tables(archive)
    done = compact(archive)
    assert done.after < done.before
    assert_same(tables(archive), before)
    assert detect(archive).measured == 0
    assert_same(tables(archive), before)
    kept = storage_of(archive)
    assert sorted(kept.names("parts")) == Archive(archive).parts(), "merged parts were swept by the second change"
    assert kept.names(WRITERS) == []
    assert len(landing_ids(archive)) == before["landings"].height


def test_a_prefix_with_other_objects_and_a_missing_archive_are_refused(store: str, dropped: list[Path]) -> None:
    ObjectStore(f"{store}/foreign").write("thesis.txt", b"chapter 1")
    with pytest.raises(ArchiveError, match="holds other files"):
        load(dropped, f"{store}/foreign")
    with pytest.raises(ArchiveError, match="no archive here"):
        detect(f"{store}/nothing")
    with pytest.raises(ArchiveError, match="is no folder of this machine"):
        _ = Archive(f"{store}/fleet/archive").path


def test_a_second_writer_to_a_store_is_refused(in_store: str) -> None:
    with (
        writing(storage_of(in_store), "load"),
        pytest.raises(ArchiveError, match="load is at work on this archive"),
        writing(storage_of(in_store), "detect"),
    ):
        pass
    with writing(storage_of(in_store), "detect"):
        pass
    assert storage_of(in_store).names(WRITERS) == []


def test_a_writer_to_a_store_that_died_is_passed_over_and_one_that_was_taken_for_dead_stops(
    in_store: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    dead = ObjectStore(in_store)
    dead.write(f"{WRITERS}/dead.json", b'{"doing": "load"}')
    with pytest.raises(ArchiveError, match="load is at work"), writing(storage_of(in_store), "detect"):
        pass
    ages = ObjectStore.ages

    def later(self: ObjectStore, folder: str) -> dict[str, float]:
        return {name: when - (STALE_S + 1 if name == "dead.json" else 0) for name, when in ages(self, folder).items()}

    monkeypatch.setattr(ObjectStore, "ages", later)
    with writing(storage_of(in_store), "detect") as held:
        assert not dead.exists(f"{WRITERS}/dead.json")
        held()
        (mine,) = dead.names(WRITERS)
        dead.remove(f"{WRITERS}/{mine}")
        with pytest.raises(ArchiveError, match="took this one for dead"):
            held()


def test_the_command_line_takes_an_address(
    store: str, in_store: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "events.parquet"
    assert run(["export", "events", "--archive", in_store, "--out", str(out)]) == 0
    assert pl.read_parquet(out).height == Archive(in_store).events().height
    assert run(["detect", "--archive", f"{store}/nothing"]) == 2
    assert capfd.readouterr().err.startswith(f"fdm: {store}/nothing: no archive here")
    assert run(["detect", "--archive", "ftp://host/archive"]) == 2
    assert "no such kind of address" in capfd.readouterr().err
