"""Parameter maps and rules of any content: read, or refused in words; no traceback, no hang, bounded memory."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from functools import cache
from pathlib import Path

import polars as pl
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from fdm.errors import FdmError
from fdm.judge import judge
from fdm.measuring import measure_recordings
from fdm.parameter_map import ParameterMap, load_map
from fdm.rulebook import RuleBook, load_rule_book, shipped_folder
from fdm.settings import Settings
from tests.nights import DATA

LONGEST_S, MOST_BYTES = 5.0, 64 * 2**20  # of processor and of Python's memory, for one file of a few kilobytes
FEW = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
RULES = sorted(file for file in shipped_folder().glob("*.toml"))
MAPS = sorted((DATA / "maps").glob("*.toml"))

# What stands in for a piece of a file.
ODD = st.one_of(
    st.sampled_from(
        ["", "nan", "inf", "-inf", "1e400", "-0", "99999999999999999999", "true", "[]", "{}", '""', "'", '"""', "=",
         "[[case]]", "[case]", "2026-11-20", "\0", "\ufeff", "\r", "é" * 40, "0x7f", "[" * 400, "{a=" * 200, "a." * 300,
         "SELECT 1", "(" * 200, "tail LIKE '%%%%%%'", "1/0", "sum(value)", "NULL", "now()"]
    ),
    st.text(max_size=20),
    st.floats().map(str),
    st.integers().map(str),
)  # fmt: skip


@st.composite
def spoiled(draw: st.DrawFn, files: list[Path]) -> str:
    """A shipped file with some pieces replaced, repeated or left out."""
    text = draw(st.sampled_from(files)).read_text(encoding="utf-8")
    for _ in range(draw(st.integers(1, 4))):
        lines = text.split("\n")
        at = draw(st.integers(0, len(lines) - 1))
        line = lines[at]
        how = draw(st.sampled_from(["piece", "value", "line", "twice", "lost"]))
        if how == "piece":
            start = draw(st.integers(0, len(line)))
            line = line[:start] + draw(ODD) + line[start + draw(st.integers(0, 8)) :]
        elif how == "value" and "=" in line:
            line = f"{line.partition('=')[0]}= {draw(ODD)}"
        elif how == "line":
            line = draw(ODD)
        elif how == "twice":
            line = f"{line}\n{line}"
        else:
            line = ""
        lines[at] = line
        text = "\n".join(lines)
    return text


def answered(read: Callable[[], object]) -> object:
    """What reading gives: a thing, or the refusal, which says something; within time and memory."""
    started = time.process_time()
    tracemalloc.start()
    try:
        return read()
    except FdmError as error:
        told = str(error)
        assert told.strip()
        assert "Traceback" not in told
        return error
    finally:
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < MOST_BYTES
        assert time.process_time() - started < LONGEST_S


def read_map(folder: Path, content: bytes) -> object:
    path = folder / "layout.toml"
    path.write_bytes(content)
    return answered(lambda: load_map(path))


def read_rules(folder: Path, content: bytes, name: str = "some_rule.toml") -> object:
    rules = folder / "rules"
    rules.mkdir(exist_ok=True)
    for file in rules.iterdir():
        file.unlink()
    (rules / "bounce.toml").write_bytes((shipped_folder() / "bounce.toml").read_bytes())
    (rules / name).write_bytes(content)
    return answered(lambda: load_rule_book(rules))


@FEW
@given(content=st.binary(max_size=400))
def test_any_bytes_as_a_map(tmp_path: Path, content: bytes) -> None:
    assert isinstance(read_map(tmp_path, content), FdmError)


@FEW
@given(content=st.binary(max_size=400))
def test_any_bytes_as_a_rule(tmp_path: Path, content: bytes) -> None:
    assert isinstance(read_rules(tmp_path, content), FdmError)


@FEW
@given(text=spoiled(MAPS))
@example(text="[map]\nname = 1\n[parameter]\n" + "[parameter.ground_speed]\n" * 2)
@example(text="a = " + "[" * 5000)
def test_spoiled_maps(tmp_path: Path, text: str) -> None:
    found = read_map(tmp_path, text.encode("utf-8", "surrogatepass"))
    assert isinstance(found, ParameterMap | FdmError)


@FEW
@given(text=spoiled(RULES))
@example(text="a = " + "[" * 5000)
@example(text="limits = " + "{a=" * 3000)
def test_spoiled_rules_and_settings(tmp_path: Path, text: str) -> None:
    content = text.encode("utf-8", "surrogatepass")
    for name in ("some_rule.toml", "settings.toml"):
        assert isinstance(read_rules(tmp_path, content, name), RuleBook | FdmError)


OPERATORS = (">", "<=", "=", "AND", "OR", "+", "/", "LIKE", "IN", "||", "REGEXP")
CONDITIONS = st.recursive(
    st.one_of(
        st.sampled_from(
            ["touchdown_ground_speed_kt", "tail", "fleet", "airport_elevation_ft", "quality", "touchdown_utc",
             "bounces", "reversers_out", "spoiler_delay_s", "'x'", "NULL", "1", "-1e308", "1e400", "TRUE", "'%'", "1/0",
             "DATE '2026-01-01'", "count(*)", "rank() OVER ()", "(SELECT 1)", "no_such_column",
             "CAST(tail AS DOUBLE)", "landing_id"]
        ),
        st.text(max_size=12),
    ),
    lambda inner: st.one_of(
        st.tuples(inner, st.sampled_from(OPERATORS), inner).map(" ".join),
        inner.map(lambda x: f"NOT ({x})"),
        inner.map(lambda x: f"upper({x})"),
        inner.map(lambda x: f"CASE WHEN {x} THEN 1 END"),
        inner.map(lambda x: f"{x} IS NULL"),
    ),
    max_leaves=6,
)  # fmt: skip


@cache
def some_landings() -> tuple[pl.DataFrame, list[object]]:
    """Landings and measures of two shipped recordings."""
    from fdm.reading import read
    from fdm.recording import Recording

    files = sorted((DATA / "tern200").glob("*.csv"))[:2]
    recordings = [item for item in read(files, map_file=DATA / "maps" / "tern200.toml") if isinstance(item, Recording)]
    landings, measured = measure_recordings(recordings, Settings())
    return landings, list(measured)


@FEW
@given(condition=CONDITIONS)
@example(condition="tail > 5")
@example(condition="quality = 1")
@example(condition="touchdown_utc > 3")
@example(condition="tail")
@example(condition="touchdown_ground_speed_kt")
@example(condition="count(*) > 1")
@example(condition="(SELECT 1)")
def test_a_condition_that_is_accepted_can_be_judged_by(tmp_path: Path, condition: str) -> None:
    """Whatever a rule's condition says: it is refused with the rule book, or gives an outcome for each landing."""
    escaped = condition.encode("unicode_escape").decode().replace('"', '\\"').replace("\\x", "\\u00")
    text = (shipped_folder() / "late_spoilers.toml").read_text(encoding="utf-8")
    kept = [line for line in text.split("\n") if not line.startswith("where")]
    found = read_rules(tmp_path, f'where = "{escaped}"\n{chr(10).join(kept)}'.encode(), "late_spoilers.toml")
    if isinstance(found, RuleBook):
        landings, measured = some_landings()
        for number, one in enumerate(measured):
            outcomes = judge(found, one, landings[number : number + 1]).outcomes  # type: ignore[arg-type]
            assert set(outcomes["outcome"]) <= {"event", "within", "not_assessed"}


def test_the_fuzzing_reaches_what_is_accepted(tmp_path: Path) -> None:
    """The files that are spoiled are good ones, and a good condition is judged by."""
    for file in MAPS:
        assert isinstance(read_map(tmp_path, file.read_bytes()), ParameterMap)
    for file in RULES:
        assert isinstance(read_rules(tmp_path, file.read_bytes(), file.name), RuleBook)
