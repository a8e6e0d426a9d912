"""Costs kept in an archive: those of a run from scratch, whatever came before, and none where none were estimated."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from fdm.archive import Archive
from fdm.compacting import compact
from fdm.cost import LAPSES, keep_costs
from fdm.cost.archived import ENOUGH, to_learn_from
from fdm.engine import detect, load, table
from fdm.errors import ArchiveError
from fdm.schemas import COSTS
from tests.nights import assert_same, nights, tables


@pytest.fixture(scope="module")
def dropped(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    return nights(tmp_path_factory.mktemp("recordings"), 3)


@pytest.fixture(scope="module")
def at_once(dropped: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    archive = tmp_path_factory.mktemp("at-once") / "archive"
    load(dropped, archive)
    detect(archive)
    keep_costs(archive)
    return archive


@pytest.fixture
def own(at_once: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(at_once, tmp_path / "archive"))


def assert_same_costs(one: Path, other: Path) -> None:
    """Alike to the centimetre: landings of other parts are added up in another order."""
    mine, yours = (table(archive, "costs").sort("event_id") for archive in (one, other))
    assert_frame_equal(mine, yours, abs_tol=0.01, rel_tol=0)


def test_one_row_for_each_event_of_its_kinds(at_once: Path) -> None:
    costs, events = table(at_once, "costs"), table(at_once, "events")
    assert dict(costs.schema) == COSTS
    assert sorted(costs["event_id"]) == sorted(events.filter(pl.col("rule").is_in(list(LAPSES)))["event_id"])
    told = costs.filter(pl.col("extra_m").is_not_null())
    assert told.height >= 5
    assert told["reason"].null_count() == told.height
    assert costs.filter(pl.col("extra_m").is_null())["reason"].null_count() == 0
    one = told["landing_id"][0]
    assert Archive(at_once).costs(one)["landing_id"].unique().to_list() == [one]


def test_night_after_night_comes_to_what_one_run_makes(dropped: list[Path], at_once: Path, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    for night in dropped:
        load([night], archive)
        detect(archive)
        keep_costs(archive)
    assert_same(tables(archive), tables(at_once))
    assert_same_costs(archive, at_once)


def test_nothing_changed_is_nothing_done(own: Path) -> None:
    before = {file: file.stat().st_mtime_ns for file in (own / "costs").iterdir()}
    assert keep_costs(own).estimated == 0
    detect(own)  # the same events: their costs stay in force
    assert table(own, "costs").height == keep_costs(own).events > 0
    assert keep_costs(own).estimated == 0
    assert {file: file.stat().st_mtime_ns for file in (own / "costs").iterdir()} == before


def test_merged_parts_keep_their_costs(dropped: list[Path], tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    for night in dropped:
        load([night], archive)
    detect(archive)
    keep_costs(archive)
    before = table(archive, "costs")
    compact(archive)
    assert table(archive, "costs").equals(before)
    assert keep_costs(archive).estimated == 0


def test_other_events_have_no_costs_yet(own: Path, tmp_path: Path) -> None:
    """Limits changed: what the events of before cost is not told of those of now."""
    from fdm.rulebook import shipped_folder

    rules = tmp_path / "rules"
    shutil.copytree(shipped_folder(), rules, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    file = rules / "late_spoilers.toml"
    file.write_text(file.read_text(encoding="utf-8").replace("low = 2.0", "low = 1.0"), encoding="utf-8")
    detect(own, rules=rules)
    assert table(own, "costs").is_empty()
    keep_costs(own)
    assert table(own, "costs").height == table(own, "events").filter(pl.col("rule").is_in(list(LAPSES))).height


def test_results_of_before_there_were_costs(own: Path) -> None:
    """Lists of results written without them are read, and have none."""
    name = json.loads((own / "CURRENT.json").read_text())["results"]
    results = json.loads((own / name).read_text())
    del results["costs"]
    (own / name).write_text(json.dumps(results))
    assert table(own, "costs").is_empty()
    assert table(own, "events").height > 0


def test_before_detect_it_says_what_to_do(dropped: list[Path], tmp_path: Path) -> None:
    load([dropped[0]], tmp_path / "archive")
    with pytest.raises(ArchiveError, match="nothing was detected yet"):
        keep_costs(tmp_path / "archive")


def landings(days: list[int], quarter: str) -> pl.DataFrame:
    start = datetime(2026, 1, 1, tzinfo=UTC)
    utc = [start + timedelta(days=d) for d in days]
    ids = [f"{quarter}-{d}" for d in days]
    return pl.DataFrame({"landing_id": ids, "touchdown_utc": utc, "quarter": [quarter] * len(days)})


def test_a_type_is_learned_from_the_same_quarter_where_there_is_enough() -> None:
    first, second = landings(list(range(80)), "2026-1"), landings(list(range(91, 91 + ENOUGH - 1)), "2026-2")
    both = pl.concat([first, second])
    assert to_learn_from(both, "2026-1")["quarter"].unique().to_list() == ["2026-1"]
    assert to_learn_from(both, "2026-2")["quarter"].n_unique() == 2  # too few of its own
    one_more = pl.concat([both, landings([150], "2026-2")])
    assert to_learn_from(one_more, "2026-2").height == ENOUGH
    assert to_learn_from(one_more, "2026-1").equals(to_learn_from(both, "2026-1"))  # earlier quarters stay as they are
