"""Detect does anew only what changed, and what comes of it is what a run from scratch makes."""

from __future__ import annotations

import json
import os
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

import fdm.cost.archived
import fdm.detecting
import fdm.engine
import fdm.loading
import fdm.locking
from fdm.archive import Archive
from fdm.compacting import compact
from fdm.cost.archived import keep_costs
from fdm.engine import detect, load, table
from fdm.errors import ArchiveError
from fdm.rulebook import shipped_folder
from tests.nights import DEAD_TAIL, assert_same, landing_ids, nights, tables


@pytest.fixture(scope="module")
def dropped(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return nights(tmp_path_factory.mktemp("recordings"), 4, dead=5)


@pytest.fixture(scope="module")
def at_once(dropped: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All nights loaded and judged in one go."""
    archive = tmp_path_factory.mktemp("at-once") / "archive"
    load(dropped, archive)
    detect(archive)
    return archive


@pytest.fixture
def own(at_once: Path, tmp_path: Path) -> Path:
    """A copy of it, to be changed."""
    return Path(shutil.copytree(at_once, tmp_path / "archive"))


def rule_book(folder: Path, file: str, old: str, new: str) -> Path:
    """The shipped rule book with one line changed."""
    copy = Path(
        shutil.copytree(shipped_folder(), folder / "rules", ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    )
    text = (copy / file).read_text(encoding="utf-8")
    assert old in text
    (copy / file).write_text(text.replace(old, new, 1), encoding="utf-8")
    return copy


def from_scratch(archive: Path, tmp_path: Path, rules: Path | None = None) -> dict[str, pl.DataFrame]:
    """What detect makes of an archive without anything that it made before."""
    bare = Path(shutil.copytree(archive, tmp_path / "bare"))
    for made in ("measured", "judged"):
        shutil.rmtree(bare / made)
    current = Archive(bare)
    current.storage.write(
        "CURRENT.json", b'{"format": 2, "files": "%s", "results": null}' % current._current["files"].encode()
    )
    detect(bare, rules=rules)
    return tables(bare)


def test_night_after_night_comes_to_what_one_run_makes(dropped: list[Path], at_once: Path, tmp_path: Path) -> None:
    archive, seen = tmp_path / "archive", 0
    for night in dropped:
        before = set(Archive(archive).parts()) if seen else set()
        times = {p: (archive / "parts" / p).stat().st_mtime_ns for p in before}
        loaded = load([night], archive)
        report = detect(archive)
        assert report.measured == loaded.landings > 0
        assert {p: (archive / "parts" / p).stat().st_mtime_ns for p in before} == times
        seen += loaded.landings
        assert report.landings == seen
    assert_same(tables(archive), tables(at_once))


def test_a_dead_discrete_is_found_across_parts_and_nights(dropped: list[Path], tmp_path: Path) -> None:
    """Three landings in a row are needed: what the third one tells changes what the first was judged by."""
    archive = tmp_path / "archive"
    load([dropped[0]], archive)
    detect(archive)
    mine = pl.col("landing_id").is_in(table(archive, "landings").filter(tail=DEAD_TAIL)["landing_id"].to_list())
    before = table(archive, "outcomes").filter(mine, pl.col("rule") == "late_reverser_stow")["outcome"].to_list()
    load(dropped[1:], archive)
    report = detect(archive)
    outcomes = table(archive, "outcomes").filter(mine, pl.col("rule") == "late_reverser_stow")
    assert outcomes["outcome"].to_list() == ["not_assessed"] * len(before)
    assert "never" in outcomes["reason"][0]
    assert report.judged > report.measured
    reasons = table(archive, "measures").filter(mine, measure="deploy_delay_s", engine=1)["reason"].to_list()
    assert all("reverser 1" in reason for reason in reasons)


def test_nothing_changed_is_nothing_done(own: Path) -> None:
    before = tables(own)
    report = detect(own)
    assert (report.measured, report.judged) == (0, 0)
    assert report.landings == len(landing_ids(own))
    assert_same(tables(own), before)


def test_a_changed_limit_judges_one_rule_and_measures_nothing(
    own: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rules = rule_book(tmp_path, "late_spoilers.toml", "low = 2.0", "low = 0.4")
    judged: list[set[str]] = []
    judge = fdm.detecting.judge
    monkeypatch.setattr(
        fdm.detecting, "judge", lambda book, *rest: judged.append(set(book.rules)) or judge(book, *rest)
    )
    before = table(own, "events")
    report = detect(own, rules=rules)
    assert report.measured == 0
    assert report.judged == report.landings
    assert judged
    assert all(rules == {"late_spoilers"} for rules in judged)
    assert table(own, "events").filter(rule="late_spoilers").height > before.filter(rule="late_spoilers").height
    monkeypatch.undo()
    assert_same(tables(own), from_scratch(own, tmp_path, rules))


def test_a_changed_constant_measures_everything(own: Path, tmp_path: Path) -> None:
    rules = rule_book(tmp_path, "settings.toml", "taxi_speed_kt = 30", "taxi_speed_kt = 35")
    report = detect(own, rules=rules)
    assert report.measured == report.judged == report.landings
    assert_same(tables(own), from_scratch(own, tmp_path, rules))


def test_a_changed_text_judges_nothing_and_is_told_in_the_label(own: Path, tmp_path: Path) -> None:
    rules = rule_book(tmp_path, "late_spoilers.toml", 'title = "', 'title = "Very ')
    before = table(own, "events")
    report = detect(own, rules=rules)
    assert (report.measured, report.judged) == (0, 0)
    after = table(own, "events")
    assert after["rule_book"].unique().to_list() == [report.rule_book] != before["rule_book"].unique().to_list()
    assert after.drop("rule_book").equals(before.drop("rule_book"))


def test_a_new_version_of_the_program_measures_everything(own: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fdm.detecting, "code_version", lambda: "another")
    report = detect(own)
    assert report.measured == report.judged == report.landings


def test_a_changed_recording_is_measured_and_its_neighbours_are_not(
    dropped: list[Path], own: Path, tmp_path: Path
) -> None:
    path = sorted(dropped[0].rglob("VH*.csv"))[0]
    content = path.read_text(encoding="utf-8")
    try:
        lines = content.splitlines(keepends=True)
        path.write_text("".join(lines[:-40]), encoding="utf-8")
        loaded = load([dropped[0]], own)
        assert loaded.count("replaced") == 1
        report = detect(own)
        assert report.measured == loaded.landings == 1
        assert report.landings == len(landing_ids(own)) == len(set(landing_ids(own)))
        assert_same(tables(own), from_scratch(own, tmp_path))
    finally:
        path.write_text(content, encoding="utf-8")


def test_how_parts_are_measured_together_changes_nothing(
    at_once: Path, own: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for together in (1, 30):
        monkeypatch.setattr(fdm.engine, "MEASURED_TOGETHER", together)
        assert_same(from_scratch(own, tmp_path / str(together)), tables(at_once))


def test_compaction_keeps_what_was_measured_and_judged(dropped: list[Path], at_once: Path, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    for night in dropped:
        load([night], archive)
        detect(archive)
    before = tables(archive)
    done = compact(archive)
    assert done.before > done.after == len(Archive(archive).parts())
    assert_same(tables(archive), before)
    report = detect(archive)
    assert report.measured == 0
    assert_same(tables(archive), tables(at_once))
    assert compact(archive).before == done.after == compact(archive).after


def test_compaction_before_detect_and_of_replaced_landings(dropped: list[Path], at_once: Path, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    for night in dropped[:2]:
        load([night], archive)
    compact(archive)
    for night in dropped[2:]:
        load([night], archive)
    detect(archive)
    assert_same(tables(archive), tables(at_once))


def test_a_damaged_part_is_named_and_the_results_of_before_stay(dropped: list[Path], own: Path, tmp_path: Path) -> None:
    before = tables(own)
    part = Archive(own).parts()[0]
    (own / "parts" / part / "rate_1.parquet").write_bytes(b"PAR1 no longer a table PAR1")
    rules = rule_book(tmp_path, "settings.toml", "taxi_speed_kt = 30", "taxi_speed_kt = 35")
    with pytest.raises(ArchiveError, match=r"1 of \d+ parts could not be judged.*\n.*" + part):
        detect(own, rules=rules)
    assert_same(tables(own), before)


def test_what_a_killed_run_left_half_written_is_removed_by_the_next(own: Path) -> None:
    whole = [file for kind in ("measured", "judged") for file in (own / kind).glob("*/whole.json")]
    for file in whole:
        file.unlink()  # the run came no further than to the tables
        (file.parent / ".health.parquet.77.part").write_bytes(b"PAR1")
    current = Archive(own)._current | {"results": None}
    (own / "CURRENT.json").write_text(json.dumps(current))
    detect(own)
    assert len(whole) > 2
    assert not list(own.rglob("*.part"))


def clock_at(monkeypatch: pytest.MonkeyPatch, when: datetime) -> None:
    """Let the computer's clock stand still at a time."""

    class Clock(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return when

    for module in (fdm.loading, fdm.engine, fdm.locking, fdm.cost.archived):
        monkeypatch.setattr(module, "datetime", Clock)


def test_a_clock_moved_back_between_load_and_detect_and_the_next_night_changes_nothing(
    dropped: list[Path], at_once: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Loaded a year ahead of the time it is, judged before that; what came later loaded and judged earlier still."""
    archive, now, seen = tmp_path / "archive", datetime.now(UTC), 0
    for loaded_days, judged_days, some in ((365, 0, dropped[:3]), (-100, -200, dropped[3:])):
        ahead = (now + timedelta(days=loaded_days - 1)).timestamp()
        for path in [path for night in some for path in night.rglob("*.parquet")]:
            os.utime(path, (ahead, ahead))
        clock_at(monkeypatch, now + timedelta(days=loaded_days))
        loaded = load(some, archive)
        clock_at(monkeypatch, now + timedelta(days=judged_days))
        report = detect(archive)
        seen += loaded.landings
        assert (report.measured, report.landings) == (loaded.landings, seen)
        assert load(some, archive).count("unchanged") == loaded.flights.height
    assert_same(tables(archive), tables(at_once))
    costed = keep_costs(archive)
    clock_at(monkeypatch, now - timedelta(days=5000))
    again = keep_costs(archive)
    assert (again.events, again.told, again.estimated) == (costed.events, costed.told, 0)
    assert detect(archive).measured == 0


def test_results_of_an_empty_archive_are_empty(tmp_path: Path) -> None:
    Archive(tmp_path / "archive", create=True)
    report = detect(tmp_path / "archive")
    assert (report.landings, report.events) == (0, {})
    assert all(frame.height == 0 for frame in tables(tmp_path / "archive").values())
    with pytest.raises(ValueError, match="no table named"):
        table(tmp_path / "archive", "everything")


def test_evidence_that_rests_on_another_rules_event_is_told_anew_with_it(own: Path, tmp_path: Path) -> None:
    """Little runway left is explained by late brakes, where they are an event."""
    rules = rule_book(tmp_path, "short_runway_left.toml", "low = 600", "low = 60000")
    detect(own, rules=rules)
    braking = rules / "late_braking.toml"
    text = braking.read_text(encoding="utf-8")
    assert "low = 8.0" in text
    braking.write_text(text.replace("low = 8.0", "low = 1.0", 1), encoding="utf-8")
    detect(own, rules=rules)
    short = table(own, "events").filter(pl.col("rule") == "short_runway_left")
    assert short["evidence"].list.contains("The brakes came on late on this landing.").any()
    assert_same(tables(own), from_scratch(own, tmp_path, rules))


def test_the_rule_book_that_was_in_force_before_is_kept_as_long_as_it_is_the_one_before(
    own: Path, tmp_path: Path
) -> None:
    shipped = Archive(own).run
    assert shipped["before"] is None
    other = rule_book(tmp_path, "late_spoilers.toml", "low = 2.0", "low = 2.2")
    detect(own, rules=other)
    keep_costs(own)
    detect(own, rules=other)
    run = Archive(own).run
    assert run["rule_book_hash"] != shipped["rule_book_hash"]
    assert run["before"] == {name: shipped[name] for name in ("rule_book", "rule_book_hash", "rules")}
    detect(own)
    assert Archive(own).run["before"]["rules"] == str(other.resolve())
