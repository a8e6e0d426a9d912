"""The demonstration: everything at work on the invented airline; kept, and made again when the code changed."""

from __future__ import annotations

import re
import socket
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest

from fdm import demo
from fdm.cli import run
from fdm.demo import demo_folder, last_full_week, recordings_of


@pytest.fixture(autouse=True)
def cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path_factory.mktemp("cache")
    monkeypatch.setenv("XDG_CACHE_HOME", str(folder))
    monkeypatch.setenv("COLUMNS", "120")
    return folder / "rollout-watch"


def landed(*days: tuple[int, int, int]) -> pl.DataFrame:
    times = [datetime(*day, 12, tzinfo=UTC) for day in days]
    return pl.DataFrame({"touchdown_utc": pl.Series(times, dtype=pl.Datetime("us", "UTC"))})


@pytest.mark.parametrize(
    ("latest", "week"),
    [
        ((2026, 11, 22), "2026-W47"),  # a Sunday: its own week is full
        ((2026, 11, 23), "2026-W47"),  # Monday to Saturday: the week before
        ((2026, 11, 28), "2026-W47"),
        ((2027, 1, 3), "2026-W53"),  # ISO 8601: 2026 has 53 weeks, the last ends on 3 January 2027
        ((2027, 1, 4), "2026-W53"),
        ((2027, 1, 10), "2027-W01"),
    ],
)
def test_the_last_full_week_is_the_newest_whose_sunday_has_come(latest: tuple[int, int, int], week: str) -> None:
    assert last_full_week(landed((2026, 11, 2), latest, (2026, 10, 1))) == week


def test_landings_without_a_date_have_no_week() -> None:
    assert last_full_week(landed()) is None


def test_the_small_demonstration_lists_events_by_severity(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["demo", "--small", "--once"]) == 0
    out = capsys.readouterr().out
    found = re.search(r"(\d+) landings, from recordings to events in [\d.]+ s", out)
    assert found is not None, out
    assert int(found[1]) >= 40
    assert out.index("◆ High") < out.index("▲ Medium") < out.index("● Low")
    assert re.search(r"^[◆◇] .*QQ-\w{3} ", out, re.M), "at least one high event is listed with its aircraft"
    assert "invented" in out
    assert "Dashboard:" not in out


def test_the_archive_may_be_put_elsewhere_and_stays_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "mine"
    assert run(["demo", "--small", "--once", "--archive", str(folder)]) == 0
    assert run(["events", "--archive", str(folder), "--severity", "high"]) == 0
    assert str(folder) in capsys.readouterr().out


def test_recordings_are_made_once_and_again_when_the_program_changed(
    cache: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = demo_folder(12, 5)
    recordings, now = recordings_of(folder, 12, 5)
    assert now
    assert recordings.is_relative_to(cache)
    assert pl.read_csv(recordings / "flights.csv").height == 12
    again, now = recordings_of(demo_folder(12, 5), 12, 5)
    assert (again, now) == (recordings, False)
    monkeypatch.setattr(demo, "_program_digest", lambda: "another version")
    assert not (demo_folder(12, 5) / "recordings").exists()


def test_a_half_made_folder_is_not_taken_for_a_whole_one() -> None:
    folder = demo_folder(12, 6)
    (folder / ".recordings.part").mkdir()
    (folder / ".recordings.part" / "flights.csv").write_text("file,tail\n")
    recordings, now = recordings_of(folder, 12, 6)
    assert now
    assert pl.read_csv(recordings / "flights.csv").height == 12


def test_a_taken_port_is_said_before_anything_is_made(cache: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert run(["demo", "--port", str(taken.getsockname()[1])]) == 2
    assert "--port" in capsys.readouterr().err
    assert not cache.exists()
