"""A condition while it is written: faults are told at their place, and the landings it takes in are counted."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import fdm
from fdm.archive import Archive
from fdm.cli import run
from fdm.conditions import faults, takes_in
from fdm.measures import CATALOGUE
from fdm.rulebook import shipped_folder
from tests.nights import nights


@pytest.mark.parametrize(
    ("text", "marked", "says"),
    [
        ("bouncs > 0", "bouncs", "Did you mean 'bounces'"),
        ("bounces > 0 AND (arrival = 'ENGM'", "(", "not closed"),
        ("bounces > 0) AND arrival = 'ENGM'", ")", "not opened"),
        ("arrival = 'ENGM", "'ENGM", "quotation mark"),
        ("bounces > 0; drop table landings", ";", "no place"),
        ("bounces IN (SELECT 1)", "SELECT", "no place"),
        ("bounces >", ">", "missing"),
        ("frob(bounces) > 1", "frob", "unsupported function"),
        ("bounces + 1", "bounces + 1", "is not a condition"),
        ("bounces > 0 AND bounces = max(bounces)", "bounces > 0 AND bounces = max(bounces)", "one landing"),
        ("arrival > 3", "arrival > 3", "arrival is text; 3 is a number. Text stands in single quotes: '3'."),
        ("headwind_kt > 5 m/s", "m/s", "Leave the unit out: headwind_kt is in knots."),
        ("headwind_kt > 5kt AND bounces = 0", "kt", "Leave the unit out: headwind_kt is in knots."),
        ("gross_weight_kg > 60 t", "t", "Leave the unit out: gross_weight_kg is in kilograms."),
        ("spoiler_extension_max > 80 %", "%", "Leave the unit out: spoiler_extension_max is a fraction of 1."),
        ('fleet = "Tern 200"', '"Tern 200"', "Text stands in single quotes: fleet = 'Tern 200'."),
        ("fleet = “Tern 200”", "“Tern 200”", "Text stands in single quotes: fleet = 'Tern 200'."),
        ("fleet = Tern 200 AND bounces > 0", "Tern 200", "Text stands in single quotes: fleet = 'Tern 200'."),
        ("fleet IN (Tern, 'Heron')", "Tern", "Text stands in single quotes: 'Tern'."),
        ("HEADWIND_KT > 5", "HEADWIND_KT", "Did you mean 'headwind_kt'?"),
        ("Bounces > 0", "Bounces", "Did you mean 'bounces'?"),
        ("AND", "AND", "'AND' alone is no condition"),
        ("reversers_out = 1", "reversers_out", "reversers_out is a list; a condition needs a single number or text"),
        ("bounces = 'x'", "bounces = 'x'", "bounces is a number; 'x' is text"),
        ("'x' < bounces", "'x' < bounces", "bounces is a number; 'x' is text"),
        ("arrival > bounces", "arrival > bounces", "compares values of different kinds"),
        ("deploy_delay_s > 3", "deploy_delay_s", "single-valued measure"),
        ("touchdown_ground_speed_kt > 60 ANDD bounces > 0", "bounces", "unexpected token"),
    ],
)
def test_a_fault_is_told_at_its_place(text: str, marked: str, says: str) -> None:
    found = faults(text, CATALOGUE)[0]
    assert text[found.start : found.end] == marked
    assert says in f"{found.problem}. {found.cure}"


@pytest.mark.parametrize(
    "text",
    [
        "", "  ", "bounces > 0", "touchdown_ground_speed_kt > 60 AND airport_elevation_ft < 8000",
        "arrival IN ('ENGM', 'O''Hare')", "runway IS NOT NULL", "NOT (kind = 'full_stop')",
        "gross_weight_kg BETWEEN 50000 AND 60000", "\"bounces\" = 1", "spoiler_delay_s > 1",
        "CAST(bounces AS INT) > 0", "bounces % 2 = 1", "\"bounces\" IN (1, 2) AND fleet LIKE 'Tern%'",
    ],
)  # fmt: skip
def test_a_condition_without_fault_is_left_alone(text: str) -> None:
    assert faults(text, CATALOGUE) == []


@pytest.mark.parametrize("text", ["headwind_kt > 5 m/s", "zzzz > 1", "ZZZZ > 1", "fleet = Tern", "AND", "tial = 'X'"])
def test_no_wall_of_names_is_told_and_none_that_the_reader_may_not_use(text: str) -> None:
    (fault,) = faults(text, CATALOGUE, ("tail", "flight", "departure", "landing_id", "touchdown_utc"))
    assert len(f"{fault.problem}. {fault.cure}") < 140
    assert not [name for name in ("tail", "flight", "departure", "touchdown_utc") if name in fault.cure]


def test_the_command_line_says_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rules = shutil.copytree(shipped_folder(), tmp_path / "rules")
    file = rules / "late_spoilers.toml"
    told = {
        "reversers_out = 1": "reversers_out is a list; a condition needs a single number or text",
        "bounces = 'x'": "bounces is a number; 'x' is text",
        "headwind_kt > 5 m/s": "Leave the unit out: headwind_kt is in knots.",
    }
    for condition, said in told.items():
        file.write_text(f'where = "{condition}"\n' + (shipped_folder() / file.name).read_text())
        assert run(["check", "rules", str(rules)]) != 0
        written = capsys.readouterr()
        assert said in " ".join(f"{written.out} {written.err}".split())


def test_one_that_is_far_too_long_is_refused() -> None:
    assert "longer than" in faults(" OR ".join(["bounces > 0"] * 100), CATALOGUE)[0].problem


def test_every_fault_of_the_words_is_told_at_once() -> None:
    assert [f.problem for f in faults("bouncs > 0 OR arival = 'X'", CATALOGUE)] == [
        "there is no landing column or single-valued measure 'bouncs'",
        "there is no landing column or single-valued measure 'arival'",
    ]


def test_landings_that_a_condition_takes_in_are_counted(tmp_path: Path) -> None:
    fdm.load(nights(tmp_path / "recordings", 1), tmp_path / "archive")
    fdm.detect(tmp_path / "archive")
    archive = Archive(tmp_path / "archive")
    speeds = archive.landings()["touchdown_ground_speed_kt"].to_list()
    known = [speed for speed in speeds if speed is not None and speed == speed]
    middle = sorted(known)[len(known) // 2]
    found = takes_in(archive, f"touchdown_ground_speed_kt > {middle}")
    assert found.holds == sum(speed > middle for speed in known)
    assert found.fails == sum(speed <= middle for speed in known)
    assert found.unknown == len(speeds) - len(known)
    delays = archive.measures().filter(measure="spoiler_delay_s")["value"].to_list()
    late = takes_in(archive, "spoiler_delay_s > 1.2")
    assert late.holds == sum(delay is not None and delay > 1.2 for delay in delays)
    values = archive.measures().filter(measure="runway_left_60_m")["value"]
    assert values.null_count() > 0
    beyond = takes_in(archive, "runway_left_60_m > 99999")
    assert (beyond.holds, beyond.unknown) == (0, values.null_count())
