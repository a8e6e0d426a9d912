"""A condition while it is written: faults are told at their place, and the landings it takes in are counted."""

from __future__ import annotations

from pathlib import Path

import pytest

import fdm
from fdm.archive import Archive
from fdm.conditions import faults, takes_in
from fdm.measures import CATALOGUE
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
        ("arrival > 3", "arrival > 3", ""),
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
        "CAST(bounces AS INT) > 0",
    ],
)  # fmt: skip
def test_a_condition_without_fault_is_left_alone(text: str) -> None:
    assert faults(text, CATALOGUE) == []


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
