"""The command line as its users meet it: run as a program, on the invented airline's recordings and on bad input."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import urllib.request
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from contextlib import redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest
from rich.cells import cell_len

import sample_flights
from fdm.archive import Archive
from fdm.cli import run
from fdm.engine import table
from fdm.rulebook import shipped_folder
from fdm.schemas import EVENTS

ANSI = re.compile(r"\x1b\[")
COLOUR = re.compile(r"\x1b\[(?:\d+;)*3[0-7]m")


@dataclass(frozen=True)
class Said:
    """What a run of the program left: exit status, standard output, standard error."""

    returncode: int
    stdout: str
    stderr: str


def fdm(*arguments: object, env: Mapping[str, str] | None = None) -> Said:
    """Run a command in this process, as `fdm` would; no answer may ever hold a traceback."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        for name in ("COLUMNS", "FORCE_COLOR", "NO_COLOR", "FDM_ARCHIVE", "FDM_TRACEBACK"):
            patch.delenv(name, raising=False)
        for name, value in (env or {}).items():
            patch.setenv(name, value)
        status = run([str(argument) for argument in arguments])
    assert "should not have happened" not in err.getvalue(), err.getvalue()
    return Said(status, out.getvalue(), err.getvalue())


def program(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run the program by itself."""
    command = [sys.executable, "-m", "fdm", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300)
    assert "Traceback" not in done.stderr, done.stderr
    return done


@pytest.fixture(scope="session")
def recordings() -> Path:
    """The few flights that come with the product: 60 or so, in every file format."""
    return Path(sample_flights.__file__).parent / "data"


@pytest.fixture(scope="session")
def archive(recordings: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("judged") / "archive"
    loaded = fdm("load", recordings, "--archive", folder)
    assert loaded.returncode == 0, loaded.stderr
    judged = fdm("detect", "--archive", folder)
    assert judged.returncode == 0, judged.stderr
    return folder


@pytest.fixture(scope="session")
def told(archive: Path) -> list[dict]:
    """Every event as `fdm events --format json` gives it."""
    return json.loads(fdm("events", "--archive", archive, "--format", "json").stdout)


def csv_rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


# ── help, versions, mistakes in the command itself ───────────────────────────────────────────────────────────────


def test_help_lists_every_verb_and_comes_without_loading_the_engine() -> None:
    done = program("--help")
    assert done.returncode == 0
    verbs = "demo dashboard load detect events export health check compare user audit backup restore"
    for verb in verbs.split():
        assert re.search(rf"^  {verb} ", done.stdout, re.M), verb
    heavy = "polars numpy scipy dash fdm.engine"
    probe = f"import fdm.cli, sys; print([m for m in '{heavy}'.split() if m in sys.modules])"
    assert subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True).stdout.strip() == "[]"


def test_the_program_ends_with_the_status_of_its_command(
    archive: Path, recordings: Path, bad: Path, tmp_path: Path
) -> None:
    assert program("events", "--archive", archive, "--week", "2001-W01").returncode == 0
    both = ("load", recordings, bad / "junk.parquet", "--archive", tmp_path / "a", "--map", map_of(recordings))
    assert program(*both).returncode == 1
    assert program("events", "--archive", tmp_path / "nowhere").returncode == 2
    assert program("evnts").returncode == 2


@pytest.mark.parametrize("verb", ["demo", "load", "detect", "events", "export", "check", "compare", "dashboard"])
def test_every_verb_explains_itself(verb: str) -> None:
    done = fdm(verb, "--help")
    assert done.returncode == 0
    assert len(done.stdout.splitlines()) > 5


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["evnts"], "evnts"),
        (["events"], "--archive"),
        (["events", "--archive", "x", "--week", "47"], "2026-W47"),
        (["events", "--archive", "x", "--week", "2026-W54"], "no ISO week"),
        (["events", "--archive", "x", "--severity", "severe"], "severe"),
        (["export", "flights", "--archive", "x", "--out", "x.csv"], "flights"),
        (["detect", "--archive", "no-such-archive"], "no archive here"),
        (["events", "--archive", "no-such-archive"], "no archive here"),
        (["dashboard", "--archive", "no-such-archive", "--port", "0"], "0"),
    ],
)
def test_a_mistake_in_the_command_is_one_clear_message_and_status_2(arguments: list[str], says: str) -> None:
    done = fdm(*arguments)
    assert done.returncode == 2
    assert says in done.stderr
    assert done.stdout == ""


def test_the_archive_may_stand_in_the_environment(archive: Path) -> None:
    done = fdm("events", "--format", "json", "--severity", "high", env={"FDM_ARCHIVE": str(archive)})
    assert {row["severity"] for row in json.loads(done.stdout)} == {"high"}


# ── loading, with bad input beside the good ──────────────────────────────────────────────────────────────────────


def test_loading_again_changes_nothing(recordings: Path, archive: Path) -> None:
    before = table(archive, "landings")
    again = fdm("load", recordings, "--archive", archive)
    assert again.returncode == 0
    assert "Loaded 0 flights" in again.stdout
    assert "unchanged" in again.stdout
    assert table(archive, "landings").equals(before)


BAD_FILES = {
    "empty.csv": b"",
    "header.csv": b"time_s,GSPD\n",
    "archive.csv": b"PK\x03\x04\x14\x00\x00\x00\x08\x00 not a table",
    "junk.parquet": b"PAR1 but nothing else",
    "words.csv": b"time_s,GSPD\n0,fast\n1,faster\n2,fastest\n",
}


@pytest.fixture
def bad(tmp_path: Path, recordings: Path) -> Path:
    """A folder of wrong files, with a parameter map that is right."""
    folder = tmp_path / "bad"
    folder.mkdir()
    for name, content in BAD_FILES.items():
        (folder / name).write_bytes(content)
    return folder


def map_of(recordings: Path) -> Path:
    return sorted((recordings / "maps").glob("*.toml"))[0]


def test_wrong_files_are_refused_one_by_one_and_the_archive_stays_whole(
    recordings: Path, archive: Path, bad: Path, tmp_path: Path
) -> None:
    copy = tmp_path / "archive"
    shutil.copytree(archive, copy)
    before = {name: table(copy, name) for name in ("landings", "events")}
    files = [bad / name for name in BAD_FILES]
    done = fdm("load", *files, "--archive", copy, "--map", map_of(recordings))
    assert done.returncode == 2
    refused = [line for line in done.stderr.splitlines() if line.startswith("refused: ")]
    assert len(refused) == len(BAD_FILES)
    for name in BAD_FILES:
        assert any(name in line for line in refused), f"{name} is not named in\n{done.stderr}"
    assert fdm("detect", "--archive", copy).returncode == 0
    for name, frame in before.items():
        assert table(copy, name).drop("rule_book", strict=False).equals(frame.drop("rule_book", strict=False)), name


def test_good_recordings_beside_bad_ones_are_loaded_with_status_1(recordings: Path, bad: Path, tmp_path: Path) -> None:
    done = fdm("load", recordings, bad / "junk.parquet", "--archive", tmp_path / "a", "--map", map_of(recordings))
    assert done.returncode == 1
    assert "1 refused" in done.stdout
    assert "junk.parquet" in done.stderr
    assert fdm("detect", "--archive", tmp_path / "a").returncode == 0


def test_facts_given_by_hand_go_before_those_of_the_folder(recordings: Path, tmp_path: Path) -> None:
    alone = tmp_path / "alone"
    alone.mkdir()
    flight = next(iter(sorted((recordings / map_of(recordings).stem).glob("*.csv"))))
    shutil.copy(flight, alone)
    shutil.copy(recordings / "runways.csv", alone)
    given = ("--map", map_of(recordings), "--fact", "tail=QQ-NEW", "--fact", "arrival=QQVH", "--fact", "runway=09R")
    archive = tmp_path / "a"
    assert fdm("load", alone, "--archive", archive, *given).returncode == 0
    assert "unchanged" in fdm("load", alone, "--archive", archive, *given).stdout
    again = fdm("load", alone, "--archive", archive, *given, "--fact", "reversers_out=2")
    assert "1 replaced" in " ".join(again.stdout.split())
    assert fdm("detect", "--archive", archive).returncode == 0
    landing = table(archive, "landings").row(0, named=True)
    assert (landing["tail"], landing["runway"], landing["reversers_out"]) == ("QQ-NEW", "09R", [2])
    assert landing["runway_length_m"] == pytest.approx(8530 * 0.3048)


@pytest.mark.parametrize(
    ("fact", "said"),
    [("tale=QQ-A", "tail"), ("tail", "NAME=VALUE"), ("start_utc=soon", "ISO 8601"), ("source_file=x", "no fact")],
)
def test_a_fact_that_is_none_is_refused_before_anything_is_read(
    recordings: Path, tmp_path: Path, fact: str, said: str
) -> None:
    done = fdm("load", recordings, "--archive", tmp_path / "a", "--fact", fact)
    assert done.returncode == 2
    assert said in done.stderr
    assert not (tmp_path / "a").exists()


def test_a_source_that_is_not_there_is_named(tmp_path: Path) -> None:
    done = fdm("load", tmp_path / "nowhere", "--archive", tmp_path / "a")
    assert done.returncode == 2
    assert "nowhere" in done.stderr


def test_a_map_that_is_wrong_is_refused_with_every_mistake(recordings: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.toml"
    text = map_of(recordings).read_text(encoding="utf-8")
    wrong.write_text(text.replace('unit = "kt"', 'unit = "knotz"').replace("engines", "enginez"))
    done = fdm("load", *sorted(recordings.glob("*/*.parquet"))[:1], "--archive", tmp_path / "a", "--map", wrong)
    assert done.returncode == 2
    assert "knotz" in done.stderr
    assert "enginez" in done.stderr


def test_a_folder_with_other_files_is_no_archive(recordings: Path, tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("Dear sir")
    done = fdm("load", recordings, "--archive", tmp_path)
    assert done.returncode == 2
    assert "holds other files" in done.stderr
    assert os.listdir(tmp_path) == ["letters.txt"]


def test_a_folder_without_recordings_loads_nothing_with_status_2(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    done = fdm("load", tmp_path / "empty", "--archive", tmp_path / "a")
    assert done.returncode == 2
    assert "no recording was found" in done.stderr
    assert "Loaded" not in done.stdout


def test_an_archive_without_landings_has_nothing_to_judge(recordings: Path, bad: Path, tmp_path: Path) -> None:
    fdm("load", bad / "header.csv", "--archive", tmp_path / "a", "--map", map_of(recordings))
    done = fdm("detect", "--archive", tmp_path / "a")
    assert done.returncode == 2
    assert "no landing" in done.stderr


def test_events_before_detect_say_what_to_do(recordings: Path, tmp_path: Path) -> None:
    one = sorted(recordings.glob("*/*.parquet"))[:1]
    fdm("load", *one, "--archive", tmp_path / "a", "--map", map_of(recordings))
    done = fdm("events", "--archive", tmp_path / "a")
    assert done.returncode == 2
    assert "fdm detect" in done.stderr


# ── events ───────────────────────────────────────────────────────────────────────────────────────────────────────


def test_json_is_the_events_table_worst_first(archive: Path, told: list[dict]) -> None:
    assert told
    assert all(list(row) == list(EVENTS) for row in told)
    assert {row["event_id"] for row in told} == set(table(archive, "events")["event_id"])
    rank = {"high": 0, "medium": 1, "low": 2}
    assert [rank[row["severity"]] for row in told] == sorted(rank[row["severity"]] for row in told)


def test_an_open_ended_bound_is_null_in_json_and_inf_in_csv(archive: Path, told: list[dict]) -> None:
    endless = set(table(archive, "events").filter(pl.col("upper").is_infinite())["event_id"])
    nulls = {row["event_id"] for row in told if row["upper"] is None and row["value"] is not None}
    rows = csv_rows(fdm("events", "--archive", archive, "--format", "csv").stdout)
    assert endless
    assert nulls == endless == {row["event_id"] for row in rows if row["upper"] == "inf"}


def test_a_week_is_the_iso_week_of_touchdown(archive: Path, told: list[dict]) -> None:
    weeks = Counter("{}-W{:02d}".format(*datetime.fromisoformat(r["touchdown_utc"]).isocalendar()[:2]) for r in told)
    week, events = weeks.most_common(1)[0]
    chosen = json.loads(fdm("events", "--archive", archive, "--week", week, "--format", "json").stdout)
    assert len(chosen) == events < len(told)


def test_severities_may_be_chosen(archive: Path, told: list[dict]) -> None:
    done = fdm("events", "--archive", archive, "--severity", "low", "--severity", "high", "--format", "json")
    assert Counter(r["severity"] for r in json.loads(done.stdout)) == Counter(
        r["severity"] for r in told if r["severity"] != "medium"
    )


def test_a_week_without_landings_is_an_empty_list(archive: Path) -> None:
    done = fdm("events", "--archive", archive, "--week", "2001-W01", "--format", "json")
    assert (done.returncode, json.loads(done.stdout)) == (0, [])
    assert "No event" in fdm("events", "--archive", archive, "--week", "2001-W01").stdout


@pytest.mark.parametrize("suffix", ["csv", "json", "parquet"])
def test_the_suffix_of_out_says_the_format(archive: Path, told: list[dict], tmp_path: Path, suffix: str) -> None:
    target = tmp_path / f"events.{suffix}"
    assert fdm("events", "--archive", archive, "--out", target).returncode == 0
    readers = {"csv": pl.read_csv, "json": pl.read_json, "parquet": pl.read_parquet}
    assert readers[suffix](target)["event_id"].to_list() == [row["event_id"] for row in told]


@pytest.mark.parametrize("width", [80, 100, 120, 200])
def test_the_table_keeps_to_the_width_and_to_what_matters(archive: Path, told: list[dict], width: int) -> None:
    done = fdm("events", "--archive", archive, env={"COLUMNS": str(width)})
    lines = done.stdout.splitlines()
    assert max(cell_len(line) for line in lines) <= width
    rows = [line for line in lines if re.match(r"[◆◇▲△●○] .*QQ-", line)]
    assert len(rows) == len(told)
    hollow = sum(row["severity_lowest"] != row["severity"] for row in told)
    assert sum(line[0] in "◇△○" for line in rows) == hollow
    for head in ("Event", "Tail", "UTC", "Measured"):
        assert head in done.stdout


def test_the_table_counts_per_thousand_landings(archive: Path, told: list[dict]) -> None:
    landings = table(archive, "landings").height
    high = sum(row["severity"] == "high" for row in told)
    text = fdm("events", "--archive", archive).stdout
    found = re.search(r"High +(\d+) events? +([\d.,]+) per 1,000 \(.*\) of (\d+) assessed", text)
    assert found is not None, text
    assessed = int(found[3])
    assert int(found[1]) == high
    assert float(found[2]) == pytest.approx(1000 * high / assessed, rel=0.01)
    assert f"{landings} landings, {assessed} assessed" in text


def test_a_pipe_gets_no_colour_and_a_terminal_only_without_no_color(archive: Path) -> None:
    assert not ANSI.search(fdm("events", "--archive", archive).stdout)
    assert COLOUR.search(fdm("events", "--archive", archive, env={"FORCE_COLOR": "1", "TERM": "xterm"}).stdout)
    plain = fdm("events", "--archive", archive, env={"FORCE_COLOR": "1", "TERM": "xterm", "NO_COLOR": "1"}).stdout
    assert not COLOUR.search(plain)


def test_a_reader_that_leaves_early_is_no_error(archive: Path) -> None:
    command = f'"{sys.executable}" -m fdm events --archive "{archive}" --format csv | head -n 1'
    done = subprocess.run(["bash", "-o", "pipefail", "-c", command], capture_output=True, text=True, timeout=60)
    assert done.stderr == ""
    assert done.stdout.startswith("event_id,")


# ── export ───────────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("name", ["landings", "instants", "measures", "outcomes", "events"])
@pytest.mark.parametrize("suffix", ["csv", "json", "parquet"])
def test_every_table_goes_out_in_every_format(archive: Path, tmp_path: Path, name: str, suffix: str) -> None:
    target = tmp_path / f"{name}.{suffix}"
    done = fdm("export", name, "--archive", archive, "--out", target)
    assert done.returncode == 0, done.stderr
    if suffix == "json":
        rows = json.loads(target.read_text(), parse_constant=lambda word: pytest.fail(f"{word} is not JSON"))
        columns = list(rows[0])
    elif suffix == "csv":
        rows = csv_rows(target.read_text(encoding="utf-8"))
        columns = list(rows[0])
    else:
        rows = pl.read_parquet(target).to_dicts()
        columns = list(rows[0])
    whole = table(archive, name)
    assert columns == whole.columns
    assert len(rows) == whole.height
    assert f"{whole.height:,} rows" in done.stdout


def test_an_unknown_suffix_is_refused_before_anything_is_read(tmp_path: Path) -> None:
    done = fdm("export", "events", "--archive", "no-such-archive", "--out", tmp_path / "events.xls")
    assert done.returncode == 2
    assert ".parquet, .csv or .json" in done.stderr


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_full_disk_is_one_line(archive: Path) -> None:
    done = fdm("events", "--archive", archive, "--format", "csv", "--out", "/dev/full")
    assert done.returncode == 2
    assert "no space left" in done.stderr
    assert Path("/dev/full").is_char_device()


def test_a_folder_that_is_not_there_is_one_line(archive: Path, tmp_path: Path) -> None:
    done = fdm("export", "events", "--archive", archive, "--out", tmp_path / "no" / "such" / "events.csv")
    assert done.returncode == 2
    assert "no such file or directory" in done.stderr
    assert len(done.stderr.splitlines()) == 1


# ── check and compare ────────────────────────────────────────────────────────────────────────────────────────────


@pytest.fixture
def book(tmp_path: Path) -> Path:
    """A copy of the shipped rule book to change."""
    folder = tmp_path / "book"
    shutil.copytree(shipped_folder(), folder, ignore=shutil.ignore_patterns("__pycache__"))
    return folder


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert text.count(old) >= 1, f"{file.name} does not say {old!r}"
    file.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_check_map_shows_each_parameter_and_what_the_rules_lack(recordings: Path, tmp_path: Path) -> None:
    flight, good = recordings / "tern200" / "VH101-20260928.csv", recordings / "maps" / "tern200.toml"
    done = fdm("check", "map", good, flight)
    assert done.returncode == 0, done.stderr
    assert re.search(r"ground_speed +GS +2 ", done.stdout), "ground speed is sampled twice a second in this recorder"
    assert "22 of 22 rules" in done.stdout
    renamed = tmp_path / "renamed.toml"
    renamed.write_text(good.read_text(encoding="utf-8").replace('column = "SPLR HDL"', 'column = "SPLR X"'))
    done = fdm("check", "map", renamed, flight)
    assert done.returncode == 1
    assert re.search(r"spoiler_handle +SPLR X +not found", done.stdout)
    assert "Not in the map: SPLR HDL" in done.stdout
    assert re.search(r"late_spoilers lacks .*spoiler_handle", done.stdout)


def test_check_map_does_not_count_rules_on_a_parameter_without_a_valid_value(recordings: Path, tmp_path: Path) -> None:
    """A handle that a recorder filled with -9999: three rules of README.md on spoilers out have nothing to see."""
    flight = pl.read_csv(recordings / "tern200" / "VH101-20260928.csv", infer_schema_length=None)
    filled = pl.when(pl.col("SPLR HDL").is_not_null()).then(-9999.0).alias("SPLR HDL")
    flight.with_columns(filled).write_csv(tmp_path / "filled.csv")
    done = fdm("check", "map", recordings / "maps" / "tern200.toml", tmp_path / "filled.csv")
    assert done.returncode == 1
    assert "39 of 39 parameters found, without a valid value: spoiler_handle" in done.stdout
    assert "19 of 22 rules" in done.stdout
    for rule in ("late_spoilers", "spoilers_partial", "spoilers_retracted_early"):
        assert re.search(rf"{rule} lacks .*spoiler_handle", done.stdout), rule


def test_check_map_proposes_a_map_that_loads(recordings: Path, tmp_path: Path) -> None:
    flight, target = recordings / "tern200" / "VH101-20260928.csv", tmp_path / "proposed.toml"
    done = fdm("check", "map", flight, "--out", target)
    assert done.returncode == 0, done.stderr
    assert re.search(r"LH MLG AIR +main_gear_ground.left +true_when \[0\] +high", done.stdout)
    assert "22 of 22 rules can be assessed" in done.stdout
    assert fdm("load", flight, "--archive", tmp_path / "archive", "--map", target).returncode == 0
    again = fdm("check", "map", flight, "--out", target)
    assert again.returncode == 2
    assert "exists already" in again.stderr
    alone = fdm("check", "map", target)
    assert alone.returncode == 2
    assert "a recording to try it on is missing" in alone.stderr


def test_the_shipped_rules_pass_their_cases() -> None:
    done = fdm("check", "rules")
    assert done.returncode == 0, done.stderr
    assert re.search(r"22 rules, \d+ cases, 0 failed", done.stdout)


def test_a_rule_book_is_refused_with_every_mistake_and_its_place(book: Path) -> None:
    change(book / "late_spoilers.toml", "spoiler_delay_s", "spoiler_dely_s")
    change(book / "bounce.toml", "direction", "directoin")
    done = fdm("check", "rules", book)
    assert done.returncode == 2
    assert "Did you mean 'spoiler_delay_s'?" in done.stderr
    assert "directoin" in done.stderr
    assert "late_spoilers.toml" in done.stderr
    assert "bounce.toml" in done.stderr


def test_a_case_that_fails_is_listed_with_status_1(book: Path) -> None:
    change(book / "late_spoilers.toml", 'expect = "within"', 'expect = "high"')
    done = fdm("check", "rules", book)
    assert done.returncode == 1
    assert re.search(r"failed: late_spoilers: .*expected high, got within", done.stderr)


def test_detect_refuses_a_wrong_rule_book_and_keeps_the_results(archive: Path, book: Path) -> None:
    change(book / "late_spoilers.toml", 'unit = "s"', 'unit = "min"')
    before = table(archive, "events")
    done = fdm("detect", "--archive", archive, "--rules", book)
    assert done.returncode == 2
    assert "late_spoilers.toml" in done.stderr
    assert table(archive, "events").equals(before)


def test_check_recording_says_what_is_in_it(recordings: Path) -> None:
    done = fdm("check", "recording", recordings)
    assert done.returncode == 0, done.stderr
    assert len(re.findall(r"Touchdown at [\d.,]+ s", done.stdout)) >= 60
    assert re.search(r"\d+ of 22 rules can be assessed", done.stdout)
    assert re.search(r"by main gear.*; flew again", done.stdout), "it may have been a go-around or a touch-and-go"


def test_check_recording_says_a_note_once(recordings: Path, tmp_path: Path) -> None:
    flight = pl.read_csv(recordings / "tern200" / "VH101-20260928.csv", infer_schema=False)
    flight.drop("HDGT").write_csv(tmp_path / "no_heading.csv")
    done = fdm("check", "recording", tmp_path / "no_heading.csv", "--map", recordings / "maps" / "tern200.toml")
    assert done.stdout.count("heading is left out") == 1


def test_a_first_file_without_tail_or_flight_has_a_sheet(recordings: Path, tmp_path: Path) -> None:
    """No flights.csv: the archive holds no name that a sentence would have to be kept clear of."""
    shutil.copy(recordings / "tern200" / "VH101-20260928.csv", tmp_path / "first.csv")
    archive, tern = tmp_path / "archive", recordings / "maps" / "tern200.toml"
    assert fdm("load", tmp_path / "first.csv", "--archive", archive, "--map", tern).returncode == 0
    assert fdm("detect", "--archive", archive, "--no-cost").returncode == 0
    (landing,) = table(archive, "landings")["landing_id"]
    done = fdm("sheet", landing, "--archive", archive, "--out", tmp_path / "sheet.html")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "sheet.html").stat().st_size > 0


def test_check_recording_of_junk_is_refused(recordings: Path, bad: Path) -> None:
    done = fdm("check", "recording", bad / "junk.parquet", "--map", map_of(recordings))
    assert done.returncode == 2
    assert "junk.parquet" in done.stderr


def test_comparing_a_rule_book_with_itself_finds_nothing(archive: Path, book: Path) -> None:
    done = fdm("compare", shipped_folder(), book, "--archive", archive)
    assert done.returncode == 0, done.stderr
    assert "say the same" in done.stdout


def test_comparing_lists_what_a_limit_would_cost(archive: Path, book: Path, told: list[dict], tmp_path: Path) -> None:
    (book / "late_spoilers.toml").unlink()
    change(book / "late_reverse.toml", "low = 4.0", "low = 1.0")
    changes = tmp_path / "changes.csv"
    done = fdm("compare", shipped_folder(), book, "--archive", archive, "--out", changes)
    assert done.returncode == 0, done.stderr
    rows = csv_rows(changes.read_text(encoding="utf-8"))
    lost = [row["landing_id"] for row in rows if row["change"] == "lost"]
    assert Counter(lost) == Counter(row["landing_id"] for row in told if row["rule"] == "late_spoilers")
    assert lost
    within = pl.col("rule") == "late_reverse", pl.col("outcome") == "within"
    worst = table(archive, "measures").filter(measure="reverse_select_delay_s").group_by("landing_id").max()
    now = worst.filter(pl.col("value") > 1.0).join(table(archive, "outcomes").filter(*within), on="landing_id")
    assert {r["landing_id"] for r in rows if r["change"] == "gained"} == set(now["landing_id"])
    assert now.height


def test_comparing_measures_again_where_the_settings_differ(archive: Path, book: Path) -> None:
    change(book / "settings.toml", "taxi_speed_kt = 30", "taxi_speed_kt = 50")
    done = fdm("compare", shipped_folder(), book, "--archive", archive)
    assert done.returncode == 0, done.stderr
    assert re.search(r"late_reverser_stow +[1-9]", done.stdout), done.stdout


# ── dashboard ────────────────────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.parametrize("host", ["0.0.0.0", "::"])
def test_the_dashboard_refuses_what_other_machines_can_reach(archive: Path, host: str) -> None:
    done = fdm("dashboard", "--archive", archive, "--host", host)
    assert done.returncode == 2
    assert "no account" in done.stderr
    assert "127.0.0.1" in done.stderr


@pytest.mark.parametrize("host", ["example.org", ""])
def test_the_dashboard_refuses_what_is_no_address(archive: Path, host: str) -> None:
    done = fdm("dashboard", "--archive", archive, "--host", host)
    assert done.returncode == 2
    assert "not an address" in done.stderr
    assert "127.0.0.1" in done.stderr


def test_a_port_in_use_is_one_clear_sentence(archive: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = fdm("dashboard", "--archive", archive, "--port", port)
    assert done.returncode == 2
    assert f"port {port}" in done.stderr
    assert "--port" in done.stderr
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize("make", [lambda _path: None, lambda path: Archive(path, create=True)])
def test_the_dashboard_opens_on_an_empty_folder_and_on_an_archive_without_landings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, make: Callable[[Path], object]
) -> None:
    served_: list[str] = []
    monkeypatch.setattr("dashboard.serve.serve", lambda archive, **_how: served_.append(archive))
    folder = tmp_path / "new"
    folder.mkdir()
    make(folder)
    assert run(["dashboard", "--archive", str(folder), "--port", str(free_port())]) == 0
    assert served_ == [str(folder)]
    assert Archive(folder).parts() == []


def test_the_dashboard_of_a_folder_that_is_not_there_says_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["dashboard", "--archive", str(tmp_path / "none"), "--port", str(free_port())]) == 2
    assert "fdm load SOURCE --archive DIR" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


@pytest.fixture
def served(archive: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "fdm", "dashboard", "--archive", str(archive), "--port", str(port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        yield process, f"http://127.0.0.1:{port}/"
        process.kill()


def test_the_dashboard_says_where_it_is_answers_there_and_ends_on_ctrl_c(
    served: tuple[subprocess.Popen[str], str],
) -> None:
    process, address = served
    page = ""
    for _ in range(300):
        with suppress(subprocess.TimeoutExpired):
            process.wait(0.1)
            break
        with suppress(OSError):
            page = urllib.request.urlopen(address, timeout=10).read().decode()
            break
    assert "Rollout Watch" in page, process.stderr.read() if process.poll() is not None and process.stderr else address
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=30)
    assert address in out
    assert "Traceback" not in err
    assert process.returncode in (0, 130)
