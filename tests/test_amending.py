"""A rule book changed by an analyst: only what was meant changes, and what does not hold is refused."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fdm.amending import Change, amended, book_of, difference, failing, tried
from fdm.errors import RuleError
from fdm.people.books import files_of
from fdm.rule import Limits
from fdm.rulebook import load_rule_book, shipped_folder

FILES = files_of(shipped_folder())
RULE = """# Ours since the spring.
title = "Ground spoilers late"   # as the manual calls it
measure = "spoiler_delay_s"
unit = "s"
direction = "above"
basis = "the operator's manual, chapter 3"
why = "Weight stays off the wheels."
misses = "Panels that stay down."
procedure = "Spoilers are armed before landing and checked up at touchdown."

[limits]
low = 2.0     # the manual
medium = 3.0
high = 5.0    # ours

# A case that the board asked for.
[[case]]
name = "just below low"
expect = "within"
given = { spoiler_delay_s = [1.8, 1.9, 2.0] }

[[case]]
name = "four seconds"
expect = "medium"
lowest = "medium"
highest = "medium"
given = { spoiler_delay_s = [3.8, 4.0, 4.2] }
"""
OURS = {"late_spoilers.toml": RULE, "settings.toml": '[book]\nname = "Ours"\nversion = "3"   # by the board\n'}


def changed_lines(before: str, after: str) -> tuple[list[str], list[str]]:
    old, new = before.splitlines(), after.splitlines()
    return [line for line in old if line not in new], [line for line in new if line not in old]


def test_a_changed_limit_changes_one_line_and_its_comment_stays() -> None:
    after = amended(OURS, Change("late_spoilers", limits=Limits(2.4, 3.0, 5.0)))
    assert changed_lines(RULE, after["late_spoilers.toml"]) == (
        ["low = 2.0     # the manual"],
        ["low = 2.4     # the manual"],
    )
    assert after["settings.toml"] == OURS["settings.toml"]
    assert difference(OURS, after) == [
        "--- late_spoilers.toml", "+++ late_spoilers.toml", "@@ -10,5 +10,5 @@", " ", " [limits]",
        "-low = 2.0     # the manual", "+low = 2.4     # the manual", " medium = 3.0", " high = 5.0    # ours",
    ]  # fmt: skip


def test_a_version_is_named_in_the_settings() -> None:
    after = amended(OURS, Change("late_spoilers"), version='4, "winter"')
    assert after["late_spoilers.toml"] == RULE
    assert tomllib.loads(after["settings.toml"])["book"] == {"name": "Ours", "version": '4, "winter"'}
    assert after["settings.toml"].endswith("# by the board\n")
    assert book_of(amended({"late_spoilers.toml": RULE}, Change("late_spoilers"), version="5")).version == "5"


def test_a_fleet_gets_limits_of_its_own() -> None:
    own = amended(OURS, Change("late_spoilers", fleet='Tern "200" \\ B', limits=Limits(2.2, 3.0, 6.0)))
    rule = book_of(own).rules["late_spoilers"]
    assert rule.limits == Limits(2.0, 3.0, 5.0)
    assert rule.limits_for('Tern "200" \\ B') == Limits(2.2, 3.0, 6.0)
    assert (
        RULE.splitlines()
        == [line for line in own["late_spoilers.toml"].splitlines() if line in RULE.splitlines()][
            : len(RULE.splitlines())
        ]
    )
    again = amended(own, Change("late_spoilers", fleet='Tern "200" \\ B', limits=Limits(2.5, 3.0, 6.0)))
    gone, new = changed_lines(own["late_spoilers.toml"], again["late_spoilers.toml"])
    assert (gone, new) == (["low = 2.2"], ["low = 2.5"])


def test_of_a_fleet_only_the_level_that_moved_is_written_and_the_others_follow_the_general_ones() -> None:
    some = RULE.replace("# A case that", '[limits_by_fleet."Tern 200"]\nlow = 2.2   # its spoilers\n\n# A case that')
    after = amended({"late_spoilers.toml": some}, Change("late_spoilers", "Tern 200", Limits(2.2, 3.4, 5.0)))
    assert changed_lines(some, after["late_spoilers.toml"]) == ([], ["medium = 3.4"])
    later = amended(after, Change("late_spoilers", limits=Limits(2.0, 3.0, 6.0)))
    assert book_of(later).rules["late_spoilers"].limits_for("Tern 200") == Limits(2.2, 3.4, 6.0)
    back = amended(after, Change("late_spoilers", "Tern 200", Limits(2.0, 3.4, 5.0)))
    assert changed_lines(after["late_spoilers.toml"], back["late_spoilers.toml"])[1] == ["low = 2.0   # its spoilers"]


def test_a_fleet_whose_limits_are_the_general_ones_gets_no_table() -> None:
    assert amended(OURS, Change("late_spoilers", "Tern 200", Limits(2.0, 3.0, 5.0))) == OURS


def test_a_condition_comes_changes_and_goes() -> None:
    with_it = amended(OURS, Change("late_spoilers", where="bounces = 0"))
    assert book_of(with_it).rules["late_spoilers"].where == "bounces = 0"
    other = amended(with_it, Change("late_spoilers", where="arrival != 'ENGM' AND \"bounces\" < 2"))
    assert book_of(other).rules["late_spoilers"].where == "arrival != 'ENGM' AND \"bounces\" < 2"
    without = amended(other, Change("late_spoilers", where=""))
    assert tomllib.loads(without["late_spoilers.toml"]) == tomllib.loads(RULE)


def test_cases_that_no_longer_hold_are_found_and_can_be_said_anew() -> None:
    change = Change("late_spoilers", limits=Limits(1.85, 4.1, 5.0))
    found = failing(book_of(amended(OURS, change)), "late_spoilers")
    assert [(r.case, r.expected, r.got) for r in found] == [
        ("just below low", "within", "low"),
        ("four seconds", "medium", "low"),
    ]
    said = {r.case: r.got for r in found}
    after = amended(OURS, Change("late_spoilers", limits=change.limits, expect=said))
    assert failing(book_of(after), "late_spoilers") == []
    assert "# A case that the board asked for." in after["late_spoilers.toml"]


def test_a_case_said_anew_says_of_the_new_answer_how_sure_it_is() -> None:
    open_ = RULE.replace('lowest = "medium"', 'lowest = "low"   # one sample a second').replace("3.8, 4.0", "2.9, 4.0")
    book = {"late_spoilers.toml": open_}
    lower = Change("late_spoilers", limits=Limits(2.0, 2.7, 5.0))  # 2.9 s is medium too: only `lowest` differs
    (found,) = failing(book_of(amended(book, lower)), "late_spoilers")
    assert (found.case, found.got, found.reason) == ("four seconds", "medium", "Medium for certain, not Low")
    after = amended(book, Change("late_spoilers", limits=lower.limits, expect={"four seconds": "medium"}))
    gone, new = changed_lines(open_, after["late_spoilers.toml"])
    assert gone == ["medium = 3.0", 'lowest = "low"   # one sample a second']
    assert new == ["medium = 2.7", 'lowest = "medium"   # one sample a second']
    assert failing(book_of(after), "late_spoilers") == []
    higher = Change("late_spoilers", limits=Limits(2.0, 4.1, 4.15), expect={"four seconds": "low"})  # to 4.2 s
    said = {case.name: case for case in book_of(amended(book, higher)).rules["late_spoilers"].cases}["four seconds"]
    assert (said.expect, said.lowest, said.highest) == ("low", "low", "high")
    none = Change("late_spoilers", limits=Limits(4.3, 5.0, 6.0), expect={"four seconds": "within"})
    said = {case.name: case for case in book_of(amended(book, none)).rules["late_spoilers"].cases}["four seconds"]
    assert (said.expect, said.lowest, said.highest) == ("within", None, None)


def test_a_case_that_does_not_say_what_a_condition_asks_for_is_tried_without_it() -> None:
    rule = RULE.replace(
        "given = { spoiler_delay_s = [1.8", "landing = { headwind_kt = 3 }\ngiven = { spoiler_delay_s = [1.8"
    )
    rule += '\n[[case]]\nname = "no wind recorded"\nexpect = "not_assessed"\ngiven = { spoiler_delay_s = 9.0 }\n'
    with_it = amended({"late_spoilers.toml": rule}, Change("late_spoilers", where="headwind_kt > 10 OR bounces > 1"))
    results = {result.case: result for result in tried(book_of(with_it), "late_spoilers")}
    four, below, silent = (results[name] for name in ("four seconds", "just below low", "no wind recorded"))
    assert (four.got, four.passed, four.untold) == ("medium", True, ("headwind_kt", "bounces"))
    assert (below.passed, below.untold) == (True, ("bounces",))
    assert (silent.got, silent.passed, silent.untold) == ("not_assessed", True, ())
    out = amended({"late_spoilers.toml": rule}, Change("late_spoilers", where="headwind_kt > 10"))
    told = {result.case: result for result in tried(book_of(out), "late_spoilers")}["just below low"]
    assert (told.got, told.passed, told.untold) == ("not_assessed", False, ()), "this one says that it does not hold"
    change = Change("late_spoilers", limits=Limits(4.5, 5, 6), where="headwind_kt > 10")
    failed = failing(book_of(amended({"late_spoilers.toml": rule}, change)), "late_spoilers")
    assert [(result.case, result.got) for result in failed] == [
        ("just below low", "not_assessed"),
        ("four seconds", "within"),
    ]


def test_what_does_not_hold_is_refused_in_words() -> None:
    with pytest.raises(RuleError, match=r"late_spoilers\.toml: limits\.medium: 3 is less than low 3\.5"):
        book_of(amended(OURS, Change("late_spoilers", limits=Limits(3.5, 3.0, 5.0))))
    with pytest.raises(RuleError, match=r"no rule 'late_spoiler'.*Did you mean 'late_spoilers'"):
        amended(OURS, Change("late_spoiler"))
    with pytest.raises(RuleError, match="no rule 'settings'"):
        amended(OURS, Change("settings"))
    with pytest.raises(RuleError, match="no case 'five'"):
        amended(OURS, Change("late_spoilers", expect={"five": "low"}))
    with pytest.raises(RuleError, match="not valid TOML"):
        amended({"late_spoilers.toml": "title = "}, Change("late_spoilers"))
    with pytest.raises(RuleError, match="not a rule's file name"):
        book_of({"../late_spoilers.toml": RULE})


@settings(max_examples=15, deadline=None)
@given(
    st.sampled_from(sorted(load_rule_book().rules)), st.floats(0.01, 0.4), st.sampled_from([None, "Tern 200", "a.b"])
)
def test_every_shipped_rule_reads_as_it_was_meant(name: str, share: float, fleet: str | None) -> None:
    rule = load_rule_book().rules[name]
    further = 1 + share if rule.direction == "above" else 1 - share
    wanted = Limits(*(None if x is None else x * further for x in rule.limits))
    files = amended(FILES, Change(name, fleet=fleet, limits=wanted))
    after = book_of(files)
    assert after.rules[name].limits_for(fleet) == wanted
    assert {n: r.hash for n, r in after.rules.items() if n != name} == {
        n: r.hash for n, r in load_rule_book().rules.items() if n != name
    }
    assert "#" not in FILES[f"{name}.toml"] or "#" in files[f"{name}.toml"]


def test_the_shipped_files_are_not_touched_by_nothing() -> None:
    assert all(amended(FILES, Change(file.removesuffix(".toml"))) == FILES for file in FILES if file != "settings.toml")
