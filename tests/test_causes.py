"""What an event's evidence says of its cause, from a landing made by hand to the sentence.

Asymmetry: a lever not raised, a sleeve held at the interlock, one that never moved, a slow one, one out of use.
Spoilers: armed and failed, not armed and driven up by reverse, by hand, partial by handle or by panel, put away by a
thrust lever.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl
import pytest

from fdm.judge import judge
from fdm.origin import explain
from fdm.rulebook import load_rule_book
from tests.handmade import LEVER, made
from tests.making import Truth, line, switch

IDLE = line((-4, 55), (0, 25))
SHUT, DOWN = switch(0), line((0, 0))
STUCK = switch(0, (2.6, 1), (26, 0))
SLOW = switch(0, (2.6, 1), (9.6, 2), (25, 1), (28, 0))
SLOW_POWER = line((-4, 55), (0, 25), (10, 25), (14, 70), (18, 70), (24, 25))
HELD = line((1.9, 0), (2.4, 0.25), (24.4, 0.25), (24.7, 0))
ARMED, UNARMED = switch(1), switch(0)
LATE = line((6, 0), (7, 1), (29, 1), (30, 0))


def _events(changes: Mapping[str, Truth | None], facts: Mapping[str, Any] | None = None) -> pl.DataFrame:
    given = made(changes, facts=facts)
    judged = judge(load_rule_book(), given.measured, given.result.landings)
    contact = {name: when.best for name, when in given.result.instants.items()}
    return explain(judged.events, given.measured, contact)


def _cause(changes: Mapping[str, Truth | None], rule: str) -> tuple[str, str]:
    row = _events(changes).filter(pl.col("rule") == rule).row(0, named=True)
    return row["origin"], " ".join(row["evidence"])


def test_a_normal_landing_has_no_event() -> None:
    assert not _events({}).height


@pytest.mark.parametrize(
    ("changes", "origin", "says"),
    [
        (
            {"reverse_lever.1": DOWN, "reverser_state.1": SHUT, "n1.1": IDLE},
            "crew",
            "Lever 1 was not raised; lever 2 was",
        ),
        ({"reverse_lever.1": HELD, "reverser_state.1": STUCK, "n1.1": IDLE}, "aircraft", "it stayed in transit"),
        (
            {"reverse_lever.1": HELD, "reverser_state.1": SHUT, "n1.1": IDLE},
            "aircraft",
            "Lever 1 was raised, but the reverser never left stowed and N1 stayed at idle",
        ),
        ({"reverser_state.1": SLOW, "n1.1": SLOW_POWER}, "aircraft", "in transit, its mirror"),
        ({"reverser_state.1": SHUT}, "recording", "the interlock would not allow that"),
    ],
)
def test_asymmetry(changes: dict[str, Truth | None], origin: str, says: str) -> None:
    found, evidence = _cause(changes, "asymmetric_deployment")
    assert found == origin
    assert says in evidence


def test_a_reverser_out_of_use_makes_no_asymmetry() -> None:
    changes = {"reverser_state.1": SHUT, "n1.1": IDLE, "reverse_lever.1": DOWN}
    rules = set(_events(changes, {"reversers_out": [1]})["rule"])
    assert not rules & {"asymmetric_deployment", "reverser_not_deployed", "no_reverse"}


@pytest.mark.parametrize(
    ("changes", "rule", "origin", "says"),
    [
        (
            {"spoiler_handle": DOWN, "spoilers_armed": ARMED},
            "late_spoilers",
            "aircraft",
            "armed at touchdown. They never",
        ),
        (
            {
                "spoiler_handle": LATE,
                "spoilers_armed": UNARMED,
                **{f"reverse_lever.{e}": lambda t: LEVER(t - 3.6) for e in (1, 2)},
                **{f"reverser_state.{e}": switch(0, (6.2, 1), (8.2, 2), (25, 1), (28, 0)) for e in (1, 2)},
            },
            "late_spoilers",
            "crew",
            "as when the reverse levers drive them up",
        ),
        ({"spoiler_handle": LATE, "spoilers_armed": UNARMED}, "late_spoilers", "crew", "were not armed at touchdown"),
        ({"spoiler_handle": LATE, "spoilers_armed": ARMED}, "late_spoilers", "aircraft", "were armed at touchdown"),
        (
            {"spoiler_handle": line((0.5, 0), (1.5, 0.75), (29, 0.75), (30, 0)), "spoilers_armed": None},
            "spoilers_partial",
            "crew",
            "The handle itself only reached 75 %",
        ),
        (
            {"spoiler_panel": line((0.5, 0), (1.5, 0.75), (29, 0.75), (30, 0)), "spoilers_armed": None},
            "spoilers_partial",
            "aircraft",
            "the panels only 75 %",
        ),
        (
            {
                "spoiler_handle": line((0.5, 0), (1.5, 1), (8, 1), (9, 0)),
                **{f"thrust_lever.{e}": line((-1, 30), (0, 0), (7, 0), (8, 25), (12, 25), (13, 0)) for e in (1, 2)},
            },
            "spoilers_retracted_early",
            "crew",
            "A thrust lever was advanced by 25 deg",
        ),
    ],
)
def test_spoilers(changes: dict[str, Truth | None], rule: str, origin: str, says: str) -> None:
    found, evidence = _cause(changes, rule)
    assert found == origin
    assert says in evidence
