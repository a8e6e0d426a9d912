"""The package's functions, and the page that shows them: its blocks are run as they stand."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest

import fdm
from fdm.errors import ArchiveError
from fdm.schemas import EVENTS, INSTANTS, LANDINGS, MEASURES, OUTCOMES
from tests.nights import nights

TOP = Path(__file__).parent.parent
PAGE = TOP / "fdm" / "PYTHON.md"


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("notebook")
    fdm.load(nights(folder / "recordings", 1), folder / "archive")
    fdm.detect(folder / "archive")
    return folder / "archive"


def blocks() -> list[str]:
    return re.findall(r"^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.M | re.S)


def test_the_page_runs_as_it_stands(tmp_path: Path) -> None:
    chosen = [
        b
        for b in blocks()
        if "duckdb" not in b or {n for n in ("duckdb", "pandas") if importlib.util.find_spec(n)} == {"duckdb", "pandas"}
    ]
    assert len(chosen) >= 5
    nights(tmp_path, 1)[0].rename(tmp_path / "week47")
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", f"import sys; sys.path.insert(0, {str(TOP)!r})\n" + "\n".join(chosen)],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    counts = re.search(r"(\d+) late spoilers by our rule, (\d+) by the shipped one", done.stdout)
    assert counts
    assert int(counts[1]) > int(counts[2])


def test_importing_the_package_imports_nothing_heavy() -> None:
    probe = "import fdm, sys; print(sorted({'polars', 'numpy', 'pyarrow', 'click'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", probe], cwd=TOP, capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


@pytest.mark.parametrize("first", ["", "import fdm.judge, fdm.measures", "from fdm.measures import CATALOGUE"])
def test_modules_named_like_functions_are_both(first: str) -> None:
    """fdm.judge and fdm.measures are modules of the engine too."""
    probe = f"{first}\nimport fdm\nfrom fdm.measures import CATALOGUE\nfrom fdm.judge import severity_codes\n"
    probe += "print(callable(fdm.judge), callable(fdm.measures), len(CATALOGUE) > 40)"
    done = subprocess.run([sys.executable, "-c", probe], cwd=TOP, capture_output=True, text=True, check=True)
    assert done.stdout == "True True True\n"
    with pytest.raises(AttributeError, match="no attribute 'everything'"):
        _ = fdm.everything


def test_tables_have_their_schemas(archive: Path) -> None:
    assert fdm.landings(archive).schema == pl.Schema(LANDINGS)
    assert fdm.events(archive).schema == pl.Schema(EVENTS)
    for lazy, schema in (
        (fdm.measures(archive), MEASURES),
        (fdm.measures(archive, "deploy_delay_s"), MEASURES),
        (fdm.instants(archive), INSTANTS),
        (fdm.outcomes(archive), OUTCOMES),
    ):
        assert lazy.collect_schema() == lazy.collect().schema == pl.Schema(schema)


def test_some_measures_are_those_of_the_whole_table(archive: Path) -> None:
    names = ["spoiler_delay_s", "deploy_delay_s"]
    some = fdm.measures(archive, *names).collect()
    whole = fdm.measures(archive).filter(pl.col("measure").is_in(names)).collect()
    keys = ["landing_id", "measure", "engine"]
    assert some.sort(keys, nulls_last=True).equals(whole.sort(keys, nulls_last=True))
    with pytest.raises(KeyError, match=r"no measure 'spoiler_delay'. Did you mean 'spoiler_delay_s'"):
        fdm.measures(archive, "spoiler_delay")


def test_judge_finds_what_detect_found(archive: Path) -> None:
    assert fdm.judge(archive).equals(fdm.events(archive))


def test_events_can_be_chosen_and_come_worst_first(archive: Path) -> None:
    events = fdm.events(archive)
    assert events["severity"].unique(maintain_order=True).to_list() == ["high", "medium", "low"]
    assert fdm.events(archive, severity="high").equals(events.filter(severity="high"))
    week = events["touchdown_utc"].dt.strftime("%G-W%V")
    assert fdm.events(archive, week=week[0]).equals(events.filter(week == week[0]))
    with pytest.raises(ValueError, match="no severity 'worst'"):
        fdm.events(archive, severity="worst")


def test_files_hold_the_tables(archive: Path) -> None:
    for table in ("landings", "events", "outcomes"):
        whole = pl.concat([pl.read_parquet(file) for file in fdm.files(archive, table)])
        assert whole.height == getattr(fdm, table)(archive).lazy().collect().height
    with pytest.raises(ValueError, match="no table 'measures' as it stands"):
        fdm.files(archive, "measures")


def test_every_function_says_when_there_is_no_archive(tmp_path: Path) -> None:
    for function in (
        fdm.landings,
        fdm.events,
        fdm.measures,
        fdm.instants,
        fdm.outcomes,
        fdm.judge,
        fdm.detect,
        fdm.compact,
    ):
        with pytest.raises(ArchiveError, match="no archive here"):
            function(tmp_path / "nowhere")
