"""Advice on a rule book: what is usable but poor."""

from __future__ import annotations

from dataclasses import replace

import polars as pl
import pytest

from fdm.advice import advise, resolutions_of
from fdm.rule import Case, Limits, Rule
from fdm.rulebook import RuleBook
from fdm.settings import Settings

CASES = (
    Case("fires", "low", given={"delay_s": (2.5, 2.5, 2.5)}),
    Case("silent, on the limit", "within", given={"delay_s": (2.0, 2.0, 2.0)}),
    Case("gap", "not_assessed", given={"delay_s": "not recorded"}),
)
FINE = Rule(
    name="late",
    title="Late",
    measure="delay_s",
    unit="s",
    direction="above",
    limits=Limits(2.0, 3.0, 5.0),
    basis="the operator's manual, chapter 2",
    why="-",
    misses="-",
    procedure="The lever is raised at touchdown and the other pilot checks.",
    cases=CASES,
)


def remarks(rule: Rule, resolutions: dict[str, dict[str, float]] | None = None) -> list[tuple[str, str]]:
    book = RuleBook("folder", "Book", "1", Settings(), {rule.name: rule}, "h", "s")
    return [(advice.level, advice.text) for advice in advise(book, resolutions)]


def test_a_good_rule_gets_no_advice() -> None:
    assert remarks(FINE, {"A": {"delay_s": 0.4}}) == []


@pytest.mark.parametrize(
    ("changes", "level", "part"),
    [
        ({"limits": Limits(2.0, 2.05, 5.0)}, "warning", "low 2 and medium 2.05 s are nearly equal"),
        (
            {"limits_by_fleet": {"B": Limits(2.0, 4.9, 5.0)}},
            "warning",
            "nearly equal; make them equal or set them apart on fleet B",
        ),
        ({"basis": "common practice, no source"}, "note", "no source stands behind the limits"),
        ({"procedure": "See manual."}, "note", "procedure says little"),
        ({"cases": CASES[1:]}, "note", "no case that fires"),
        ({"cases": (CASES[0], CASES[2])}, "note", "no case that stays silent"),
        ({"cases": (CASES[0], CASES[2])}, "note", "no case exactly on a limit"),
        ({"cases": CASES[:2]}, "note", "no case with a gap"),
    ],
)
def test_poor_rules(changes: dict[str, object], level: str, part: str) -> None:
    assert any(got == level and part in text for got, text in remarks(replace(FINE, **changes)))  # type: ignore[arg-type]


def test_equal_limits_are_meant() -> None:
    assert remarks(replace(FINE, limits=Limits(2.0, 2.0, 2.0))) == []


def test_a_limit_finer_than_the_recorder() -> None:
    # limits 2, 3, 5 s lie 1 s apart; a recorder that leaves 2 s open cannot tell them apart, one of 0.9 s can
    ((level, text),) = remarks(FINE, {"A": {"delay_s": 2.0}, "B": {"delay_s": 0.9}})
    assert level == "warning"
    assert text.startswith("the recorder of fleet A leaves 2 s")
    assert "lie 1 s apart" in text


def test_a_low_limit_must_lie_clear_of_zero() -> None:
    alone = replace(FINE, limits=Limits(0.3), cases=())
    assert any("lie 0.3 s apart" in text for _, text in remarks(alone, {"A": {"delay_s": 0.5}}))


def test_fleets() -> None:
    own = replace(FINE, limits_by_fleet={"B": Limits(2.0, 3.0, 6.0)})
    widths = {"delay_s": 0.1}
    assert remarks(own, {"A": widths}) == [
        ("note", "limits for fleet B, of which nothing is loaded; check the spelling")
    ]
    assert remarks(own, {"A": widths, "B": widths}) == [
        ("note", "only B has limits of its own; A go by the general ones")
    ]


def test_resolutions_are_the_median_width_of_finite_bounds() -> None:
    n = 25
    landings = pl.DataFrame({"landing_id": [str(i) for i in range(n)], "fleet": ["A"] * n})
    upper = [1.0 + i / 10 for i in range(n)]  # widths 1.0 .. 3.4, median 2.2
    upper_open = [float("inf")] * n
    rows = {
        "landing_id": [str(i) for i in range(n)] * 2,
        "measure": ["delay_s"] * n + ["open_s"] * n,
        "lower": [0.0] * (2 * n),
        "upper": upper + upper_open,
    }
    assert resolutions_of(landings, pl.DataFrame(rows)) == {"A": {"delay_s": pytest.approx(2.2)}}
    assert resolutions_of(landings.head(19), pl.DataFrame(rows)) == {}
