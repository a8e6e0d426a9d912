"""What may go wrong around an archive: two writers, a full disk, a folder that cannot be written to, a damaged file."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from fdm.archive import Archive
from fdm.cli import run
from fdm.compacting import compact
from fdm.engine import detect, load
from fdm.errors import ArchiveError
from fdm.locking import LOCK, writing
from fdm.rulebook import shipped_folder
from fdm.storage import Folder, storage_of
from tests.nights import DATA, assert_same, landing_ids, nights, tables

TOP = Path(__file__).parent.parent
ONE, MAP = DATA / "tern200" / "VH101-20260928.csv", DATA / "maps" / "tern200.toml"


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    load(nights(tmp_path / "recordings", 1, fewer=6), tmp_path / "archive")
    detect(tmp_path / "archive")
    return tmp_path / "archive"


# two writers ---------------------------------------------------------------------------------------------------------


def test_a_second_writer_is_refused_and_told_who_is_at_work(archive: Path) -> None:
    with writing(storage_of(archive), "detect"):
        for verb in (lambda: load([ONE], archive, map_file=MAP), lambda: detect(archive), lambda: compact(archive)):
            with pytest.raises(ArchiveError, match=rf"detect is at work on this archive \(.*process {os.getpid()}"):
                verb()
        assert Archive(archive).landings().height > 0, "reading needs nobody's leave"
    assert load([ONE], archive, map_file=MAP).flights.height == 1


def test_the_command_line_says_so_in_one_line(archive: Path, capfd: pytest.CaptureFixture[str]) -> None:
    with writing(storage_of(archive), "load"):
        assert run(["detect", "--archive", str(archive)]) == 2
    (line,) = capfd.readouterr().err.splitlines()
    assert line.startswith(f"fdm: {archive}: load is at work on this archive")
    assert line.endswith("Run this again when it has ended, or add --wait.")


def test_a_writer_that_waits_goes_on_when_the_other_has_ended(archive: Path) -> None:
    done = threading.Event()

    def second() -> None:
        detect(archive, wait=True)
        done.set()

    with writing(storage_of(archive), "load"):
        waiting = threading.Thread(target=second)
        waiting.start()
        assert not done.wait(0.05)
    waiting.join()
    assert done.is_set()


def test_a_writer_that_was_killed_holds_nothing(archive: Path) -> None:
    script = "import sys\nfrom fdm.locking import writing\nfrom fdm.storage import storage_of\n"
    script += "with writing(storage_of(sys.argv[1]), 'load'):\n    print('in', flush=True)\n    sys.stdin.read()\n"
    command = [sys.executable, "-c", script, str(archive)]
    with subprocess.Popen(command, cwd=TOP, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"in\n"
        with pytest.raises(ArchiveError, match=f"load is at work on this archive .*process {holder.pid}"):
            detect(archive)
        holder.kill()
        holder.wait()
    detect(archive)
    assert (archive / LOCK).read_bytes() == b""


# two real processes ---------------------------------------------------------------------------------------------------

PAUSED = """
import sys
from fdm.cli import run
from fdm.storage import Folder
write = Folder.write
def after_a_word(self, key, data):
    if key.startswith("parts/"):
        print("at work", flush=True)
        sys.stdin.readline()
    write(self, key, data)
Folder.write = after_a_word
sys.exit(run(sys.argv[1:]))
"""


def fdm(*words: object) -> subprocess.Popen[str]:
    """The program, begun."""
    return subprocess.Popen(
        [sys.executable, "-m", "fdm", *map(str, words)],
        cwd=TOP,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_two_loads_and_a_detect_at_once_lose_and_double_nothing(tmp_path: Path) -> None:
    """While one loads, who does not wait is refused; who waits, of the same recordings too, comes to what it would."""
    dropped, archive, clean = nights(tmp_path / "recordings", 2, fewer=8), tmp_path / "archive", tmp_path / "clean"
    load(dropped, clean)
    detect(clean)
    command = [sys.executable, "-c", PAUSED, "load", str(dropped[0]), "--archive", str(archive)]
    with subprocess.Popen(command, cwd=TOP, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as first:
        assert first.stdout is not None
        assert first.stdout.readline() == "at work\n"
        refused = [fdm("load", *dropped, "--archive", archive), fdm("detect", "--archive", archive)]
        waiting = fdm("load", *dropped, "--archive", archive, "--wait")
        for one in refused:
            _, told = one.communicate()
            assert one.returncode == 2
            assert "load is at work on this archive (by" in told
            assert f"process {first.pid}," in told
        first.communicate("\n" * 1000)
        assert first.returncode == 0
    _, told = waiting.communicate()
    assert waiting.returncode == 0, told
    detecting = [fdm("detect", "--archive", archive, "--no-cost", "--wait") for _ in range(2)]
    for one in detecting:
        _, told = one.communicate()
        assert one.returncode == 0, told
    ids = landing_ids(archive)
    assert sorted(ids) == sorted(landing_ids(clean))
    assert len(ids) == len(set(ids))
    assert_same(tables(archive), tables(clean))


def test_who_waits_also_waits_for_the_one_that_makes_the_archive(tmp_path: Path) -> None:
    night, done = nights(tmp_path / "recordings", 1, fewer=4)[0], threading.Event()

    def second() -> None:
        load([night], tmp_path / "archive", wait=True)
        done.set()

    with writing(storage_of(tmp_path / "archive"), "load"):  # as the first has it before there is anything else
        waiting = threading.Thread(target=second)
        waiting.start()
        assert not done.wait(0.05)
    waiting.join()
    assert done.is_set()
    assert len(landing_ids(tmp_path / "archive")) == 4


# a disk that is full -------------------------------------------------------------------------------------------------

FULL = """
import resource, signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), resource.RLIM_INFINITY))
from fdm.cli import run
sys.exit(run(sys.argv[2:]))
"""


def with_room_for(limit: int, *arguments: str) -> subprocess.CompletedProcess[str]:
    """The command line where no file may grow beyond so many bytes, as on a disk that has no more room."""
    command = [sys.executable, "-c", FULL, str(limit), *arguments]
    return subprocess.run(command, cwd=TOP, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("limit", [0, 3_000, 20_000])
def test_a_full_disk_is_told_in_a_line_and_leaves_the_archive_as_it_was(
    archive: Path, tmp_path: Path, limit: int
) -> None:
    before, ids = tables(archive), landing_ids(archive)
    other = nights(tmp_path / "more", 2, fewer=30)[1]
    for arguments in (["load", str(other)], ["detect", "--rules", str(changed_rules(tmp_path))]):
        done = with_room_for(limit, *arguments, "--archive", str(archive))
        assert done.returncode == 2, done.stderr
        assert "Traceback" not in done.stderr
        (line,) = [line for line in done.stderr.splitlines() if line.startswith("fdm:")]
        assert "file too large" in line
        assert_same(tables(archive), before)
        assert landing_ids(archive) == ids
    for path in archive.rglob("*"):
        assert not path.name.endswith(".part"), "nothing half-written is left over"
    load([other], archive)
    assert detect(archive).landings == len(landing_ids(archive)) > len(ids)


@pytest.mark.parametrize("limit", [3_000, 60_000])
def test_compacting_on_a_full_disk_leaves_the_archive_as_it_was(two_nights: Path, tmp_path: Path, limit: int) -> None:
    """No room for the first series of a merged part, and none for what was measured on it."""
    archive = Path(shutil.copytree(two_nights, tmp_path / "archive"))
    before, names = tables(archive), contents(archive)
    done = with_room_for(limit, "compact", "--archive", str(archive))
    assert done.returncode == 2, done.stderr
    (line,) = done.stderr.splitlines()
    assert line.startswith("fdm: ")
    assert line.endswith("file too large.")
    there = contents(archive)
    assert {name: there[name] for name in names} == names
    assert any(name.startswith("measured/") for name in there.keys() - names.keys()) == (limit > 3_000)
    assert not [name for name in there if name.endswith(".part")]
    assert_same(tables(archive), before)
    assert run(["compact", "--archive", str(archive)]) == 0
    assert_same(tables(archive), before)


@pytest.fixture(scope="module")
def two_nights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive whose parts can be merged."""
    top = tmp_path_factory.mktemp("two-nights")
    for night in nights(top / "recordings", 2, fewer=12):
        load([night], top / "archive")
        detect(top / "archive")
    return top / "archive"


def contents(archive: Path) -> dict[str, bytes]:
    """Every file of an archive."""
    return {str(path.relative_to(archive)): path.read_bytes() for path in archive.rglob("*") if path.is_file()}


def changed_rules(tmp_path: Path) -> Path:
    """The shipped rule book with another settings constant, so that everything is measured and judged."""
    copy = tmp_path / "rules"
    if not copy.exists():
        shutil.copytree(shipped_folder(), copy, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
        settings = copy / "settings.toml"
        text = settings.read_text(encoding="utf-8")
        settings.write_text(text.replace("taxi_speed_kt = 30", "taxi_speed_kt = 33"), encoding="utf-8")
    return copy


# a folder that cannot be written to ----------------------------------------------------------------------------------

NOBODY = """
import encodings.utf_8_sig, os, sys
from fdm.compacting import compact
from fdm.engine import detect, load, table
archive, recording, map_file = sys.argv[1:]
table(archive, "events")
if os.getuid() == 0:  # nobody may not be allowed to read where Python lies, so what is needed was imported before
    os.setgid(65534)
    os.setuid(65534)
for verb in (lambda: load([recording], archive, map_file=map_file), lambda: detect(archive), lambda: compact(archive)):
    try:
        verb()
    except OSError as error:
        print(error.strerror, error.filename)
print(table(archive, "events").height)
"""


@pytest.mark.skipif(os.name != "posix", reason="permissions of POSIX")
def test_a_folder_that_cannot_be_written_to_is_refused_and_can_be_read(archive: Path, tmp_path: Path) -> None:
    before = tables(archive)
    for path in (archive, *archive.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    for path in (tmp_path, *tmp_path.parents):
        if path.stat().st_uid == os.getuid() and "pytest-of" in str(path):
            path.chmod(path.stat().st_mode | 0o555)
    command = [sys.executable, "-c", NOBODY, str(archive), str(ONE), str(MAP)]
    try:
        done = subprocess.run(command, cwd=TOP, capture_output=True, text=True, check=False)
    finally:
        for path in (archive, *archive.rglob("*")):
            path.chmod(0o755 if path.is_dir() else 0o644)
    assert done.stderr == ""
    refused = f"Permission denied {archive / LOCK}"
    assert done.stdout.splitlines() == [refused, refused, refused, str(before["events"].height)]
    assert_same(tables(archive), before)


# damage --------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["files-*.parquet", "results-*.json", "measured/*/measures.parquet", "judged/*/events.parquet"]
)
def test_a_damaged_file_is_named(archive: Path, name: str) -> None:
    for path in archive.glob(name):
        path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(ArchiveError) as told:
        [getattr(Archive(archive), reads)() for reads in ("files", "landings", "events", "measures")]
    assert name.rpartition("/")[2].split("*")[0] in str(told.value)
    assert told.value.cure


@pytest.mark.parametrize("lost", [["measured", "judged"], ["judged"], ["measured"], ["results-*.json"]])
def test_results_that_were_lost_are_made_again(archive: Path, lost: list[str]) -> None:
    before = tables(archive)
    for pattern in lost:
        for path in archive.glob(pattern):
            shutil.rmtree(path) if path.is_dir() else path.write_bytes(b"{")
    detect(archive)
    assert_same(tables(archive), before)


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = Folder(tmp_path)
    folder.write("a/b.json", b"before")

    def fails(_source: str, _target: str) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fails)
    with pytest.raises(OSError, match="No space left"):
        folder.write("a/b.json", b"after")
    assert folder.read("a/b.json") == b"before"
    assert folder.names("a") == ["b.json"]
