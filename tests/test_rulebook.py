"""Reading a rule book: what is refused, in which words, and what its hashes depend on."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from fdm.errors import RuleError
from fdm.rule import Limits
from fdm.rulebook import RuleBook, load_rule_book, shipped_folder

GOOD = """
title = "Late"
measure = "delay_s"
unit = "s"
direction = "above"
basis = "invented"
why = "it matters"
misses = "some"
procedure = "do it"
[limits]
low = 2
medium = 3
high = 5.0
[[case]]
name = "fires"
given = { delay_s = [3.6, 4, 4.4] }
expect = "medium"
"""


@dataclass(frozen=True)
class Known:
    unit: str
    per_engine: bool = False


MEASURES = {"delay_s": Known("s"), "split_s": Known("s", per_engine=True), "speed_kt": Known("kt")}


def write(folder: Path, **files: str) -> Path:
    for name, text in files.items():
        (folder / f"{name}.toml").write_text(text)
    return folder


def load(folder: Path, **files: str) -> RuleBook:
    return load_rule_book(write(folder, **files), MEASURES)


def refusal(folder: Path, **files: str) -> str:
    with pytest.raises(RuleError) as caught:
        load(folder, **files)
    return str(caught.value)


def test_a_rule_is_read(tmp_path: Path) -> None:
    book = load(tmp_path, late=GOOD)
    rule = book.rules["late"]
    assert (rule.name, rule.measure, rule.direction, rule.where, rule.rollout) == (
        "late",
        "delay_s",
        "above",
        None,
        True,
    )
    assert rule.limits == Limits(2.0, 3.0, 5.0)
    assert rule.cases[0].given == {"delay_s": (3.6, 4.0, 4.4)}


def test_without_settings_the_defaults_hold(tmp_path: Path) -> None:
    book = load(tmp_path, late=GOOD)
    assert book.settings.taxi_speed_kt == 30
    assert (book.name, book.version) == (tmp_path.name, "unversioned")


def test_settings_are_read(tmp_path: Path) -> None:
    text = 'taxi_speed_kt = 25\nextended = 0.8\n[book]\nname = "Ours"\nversion = "7"\n[idle_reverse_pct]\n"F" = 24\n'
    book = load(tmp_path, late=GOOD, settings=text)
    assert (book.name, book.version) == ("Ours", "7")
    assert (book.settings.taxi_speed_kt, book.settings.extended) == (25, 0.8)
    assert book.settings.idle_reverse_pct == {"F": 24}
    assert book.label == f"Ours 7 ({book.hash[:8]})"


def test_limits_by_fleet_change_single_levels(tmp_path: Path) -> None:
    book = load(tmp_path, late=GOOD + '[limits_by_fleet."F 1"]\nhigh = 6.0\n')
    rule = book.rules["late"]
    assert rule.limits_for("F 1") == Limits(2, 3, 6)
    assert rule.limits_for("other") == rule.limits_for(None) == Limits(2, 3, 5)


# (what is changed, what the message must say)
WRONG = [
    ('title = "Late"', "", "title: missing"),
    ('why = "it matters"', 'why = " "', "why: must be a text"),
    ('misses = "some"', "misses = 3", "misses: must be a text"),
    ('basis = "invented"', "", "basis: missing"),
    ('procedure = "do it"', "", "procedure: missing"),
    (
        'measure = "delay_s"',
        'measure = "dellay_s"',
        "there is no measure 'dellay_s'. Did you mean 'delay_s'?",
    ),
    ('unit = "s"', 'unit = "ms"', "unit: 'ms' is not the unit of delay_s. It is 's'."),
    ('direction = "above"', 'direction = "over"', "direction: 'over' is no direction"),
    ("low = 2", "low = 4", "limits.medium: 3 is less than low 4"),
    ("low = 2", "lo = 2", "limits.lo: unknown key. Did you mean 'low'?"),
    ("low = 2", 'low = "2"', "limits.low: '2' is not a number"),
    ("low = 2", "low = nan", "limits.low: nan is not a number"),
    ("low = 2", "", "limits.low: missing"),
    ('direction = "above"', 'direction = "below"', "limits.medium: 3 is more than low 2"),
    ("[limits]", "[limit]", "limit: unknown key. Did you mean 'limits'?"),
    ("[limits]", 'colour = "red"\n[limits]', "colour: unknown key"),
    ("[limits]", 'title = "Again"\n[limits]', "a key or table stands twice"),
    ("[limits]", "rollout = 1\n[limits]", "rollout: 1 is neither true nor false"),
    (
        "[[case]]",
        '[limits_by_fleet."F"]\nhigh = 2.5\n[[case]]',
        'limits_by_fleet."F".high: 2.5 is less than medium 3',
    ),
    ("[[case]]", '[limits_by_fleet."F"]\nhihg = 9\n[[case]]', "Did you mean 'high'?"),
    ("[limits]", 'where = "speed_kt >"\n[limits]', "where: cannot be used: unable to parse"),
    (
        "[limits]",
        "where = \"runwy = '09'\"\n[limits]",
        "single-valued measure 'runwy'. Did you mean 'runway'?",
    ),
    ("[limits]", 'where = "split_s > 1"\n[limits]', "single-valued measure 'split_s'"),
    ("[limits]", 'where = "speed_kt"\n[limits]', "where: is not a condition"),
    ("[limits]", 'where = "speed_kt > AVG(speed_kt)"\n[limits]', "where: must be about one landing"),
    ("[limits]", 'where = "bounces > COUNT(*)"\n[limits]', "where: must be about one landing"),
    ("[limits]", 'where = "1 = 1"\n[limits]', "where: must be about one landing"),
    ("[limits]", 'where = "fleet > 3"\n[limits]', "where: fleet is text; 3 is a number"),
    ("[limits]", 'where = "bounces > (SELECT 1)"\n[limits]', "where: 'SELECT' has no place in a condition"),
    ("title", "tit le", "not valid TOML"),
    ('name = "fires"', "", "name is missing"),
    ('expect = "medium"', 'expect = "fires"', "'fires' is no outcome. Write one of within, low"),
    ('expect = "medium"', 'expect = "low"\nexpects = 1', "case 'fires': expects: unknown key"),
    ("given = {", "givn = {", "must have either given or series"),
    ("[3.6, 4, 4.4]", "[4.4, 4, 3.6]", "is not a value with bounds"),
    ("[3.6, 4, 4.4]", "{ 1 = 2.0 }", "delay_s has one value per landing"),
    ("delay_s = [3.6", "dellay_s = [3.6", "must state delay_s"),
    (
        "given = { delay_s = [3.6, 4, 4.4] }",
        "series = { ground_sped = [[0, 1]] }",
        "Did you mean 'ground_speed'?",
    ),
    ("given = { delay_s = [3.6, 4, 4.4] }", "series = { ground_speed = [[0, true]] }", "Write a number"),
    (
        "given = { delay_s = [3.6, 4, 4.4] }",
        'series = { "reverser_state.1" = "open" }',
        "Write one of stowed",
    ),
    (
        "given = { delay_s = [3.6, 4, 4.4] }",
        "series = { ground_speed = [[2, 1], [1, 1]] }",
        "times must rise",
    ),
    (
        "given = { delay_s = [3.6, 4, 4.4] }",
        "series = { flap = 1 }\ngaps = { flap = [[3, 2]] }",
        "must be spans",
    ),
    ("given = { delay_s = [3.6, 4, 4.4] }", "series = { flap = 1 }\nrate_hz = 0", "is no sampling rate"),
    (
        "given = { delay_s = [3.6, 4, 4.4] }",
        "series = { flap = 1 }\nreversers = [3]",
        "are not among the engines",
    ),
    (
        'expect = "medium"',
        'expect = "low"\nlanding = { flet = "F" }',
        "landing.flet: unknown key. Did you mean 'fleet'?",
    ),
]


@pytest.mark.parametrize(("old", "new", "message"), WRONG, ids=[m for _, _, m in WRONG])
def test_what_is_refused(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert GOOD.count(old) >= 1
    text = refusal(tmp_path, late=GOOD.replace(old, new, 1))
    assert message in text
    assert str(tmp_path / "late.toml") in text
    assert "Traceback" not in text


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("taxi_sped_kt = 30", "taxi_sped_kt: unknown key. Did you mean 'taxi_speed_kt'?"),
        ("extended = 70", "extended: 70 cannot be used. Write a fraction of full travel from 0.05 to 1."),
        ('extended = "0.7"', "extended: '0.7' cannot be used"),
        ("taxi_speed_kt = 60", "reduce_speed_kt: 60 is not above taxi_speed_kt"),
        ('[idle_reverse_pct]\n"F" = 0.24', 'idle_reverse_pct."F": 0.24 cannot be used'),
        ('[book]\nname = "x"\nauthor = "y"', "book.author: unknown key"),
    ],
)
def test_what_is_refused_in_settings(tmp_path: Path, line: str, message: str) -> None:
    text = refusal(tmp_path, late=GOOD, settings=line)
    assert message in text
    assert "settings.toml" in text


def test_everything_wrong_is_said_at_once(tmp_path: Path) -> None:
    bad = GOOD.replace('unit = "s"', 'unit = "ms"').replace("low = 2", "low = 4")
    text = refusal(tmp_path, one=bad, two=GOOD.replace('title = "Late"', ""), settings="extended = 7")
    assert "4 problems" in text
    for part in ("one.toml: unit", "one.toml: limits.medium", "two.toml: title", "settings.toml: extended"):
        assert part in text


def test_folders_that_are_no_rule_book(tmp_path: Path) -> None:
    with pytest.raises(RuleError, match="holds no rule"):
        load_rule_book(tmp_path, MEASURES)
    with pytest.raises(RuleError, match="is not a folder"):
        load_rule_book(tmp_path / "nowhere", MEASURES)


def test_a_file_name_that_cannot_be_a_rule_name(tmp_path: Path) -> None:
    (tmp_path / "Late Rule.toml").write_text(GOOD)
    with pytest.raises(RuleError, match="cannot be a rule's name"):
        load_rule_book(tmp_path, MEASURES)


def test_a_file_that_is_not_text(tmp_path: Path) -> None:
    (tmp_path / "late.toml").write_bytes(b"\xff\xfe\x00t")
    with pytest.raises(RuleError, match="not UTF-8 text"):
        load_rule_book(tmp_path, MEASURES)


def test_the_hash_is_over_content_not_layout(tmp_path: Path) -> None:
    lines = GOOD.strip().splitlines()
    head, rest = lines[: lines.index("[limits]")], lines[lines.index("[limits]") :]
    shuffled = "# a remark\n" + "\n\n".join(reversed(head)) + "\n" + "\n".join(rest).replace("low = 2", "low   =  2.0")
    a, b = tmp_path / "a", tmp_path / "b"
    a.mkdir()
    b.mkdir()
    same = 'taxi_speed_kt = 30\n[book]\nname = "B"\nversion = "1"\n'
    one, two = load(a, late=GOOD, settings=same), load(b, late=shuffled, settings=same.replace("30", "30.0"))
    assert one.hash == two.hash
    assert one.rules["late"].hash == two.rules["late"].hash


@pytest.mark.parametrize(
    ("old", "new", "rule_changes"),
    [
        ("low = 2", "low = 1", True),
        ("high = 5.0", "", True),
        ('unit = "s"', 'unit = "s"\nwhere = "bounces = 0"', True),
        ('unit = "s"', 'unit = "s"\nrollout = false', True),
        ("[[case]]", '[limits_by_fleet."F"]\nhigh = 9\n[[case]]', True),
        ("it matters", "it matters a lot", False),
        ("3.6, 4, 4.4", "3.6, 4, 4.5", False),
    ],
)
def test_what_changes_a_hash(tmp_path: Path, old: str, new: str, rule_changes: bool) -> None:
    before = load(tmp_path, late=GOOD)
    after = load(tmp_path, late=GOOD.replace(old, new, 1))
    assert before.hash != after.hash
    assert (before.rules["late"].hash != after.rules["late"].hash) is rule_changes


def test_a_setting_changes_every_hash(tmp_path: Path) -> None:
    before = load(tmp_path, late=GOOD)
    after = load(tmp_path, late=GOOD, settings="taxi_speed_kt = 25")
    assert before.hash != after.hash
    assert before.settings_hash != after.settings_hash
    assert before.rules["late"].hash != after.rules["late"].hash


def test_a_new_rule_needs_no_list(tmp_path: Path) -> None:
    folder = shutil.copytree(shipped_folder(), tmp_path / "mine", ignore=shutil.ignore_patterns("__pycache__"))
    text = (folder / "late_spoilers.toml").read_text()
    (folder / "very_late_spoilers.toml").write_text(text.replace("Ground spoilers late", "Ground spoilers very late"))
    assert set(load_rule_book(folder).rules) - set(load_rule_book().rules) == {"very_late_spoilers"}
