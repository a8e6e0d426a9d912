"""What an event's evidence says of its cause, from a landing made by hand to the sentence.

Asymmetry: a lever not raised, a sleeve held at the interlock, one that never moved, a slow one, one out of use.
Spoilers: armed and failed, not armed and driven up by reverse, by hand, partial by handle or by panel, put away by a
thrust lever, by hand, or by themselves.
Power: a lever held back or moved late, an engine that gave less with its lever up. Little deceleration: what was late,
or not used, on the same landing.
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
PUT_AWAY = line((0.5, 0), (1.5, 1), (8, 1), (9, 0))
LATE = line((6, 0), (7, 1), (29, 1), (30, 0))


def _events(changes: Mapping[str, Truth | None], facts: Mapping[str, Any] | None = None, **more: Any) -> pl.DataFrame:
    given = made(changes, facts=facts, **more)
    judged = judge(load_rule_book(), given.measured, given.result.landings)
    contact = {name: when.best for name, when in given.result.instants.items()}
    return explain(judged.events, given.measured, contact)


def _cause(changes: Mapping[str, Truth | None], rule: str, **more: Any) -> tuple[str, str]:
    row = _events(changes, **more).filter(pl.col("rule") == rule).row(0, named=True)
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
        (
            {"spoiler_handle": PUT_AWAY, "thrust_lever.1": DOWN, "thrust_lever.2": DOWN},
            "spoilers_retracted_early",
            "crew",
            "The spoiler handle went down with the thrust levers at idle.",
        ),
        (
            {"spoiler_handle": PUT_AWAY},
            "spoilers_retracted_early",
            "undetermined",
            "The spoiler handle went down. Thrust levers, which can put it down, are not recorded.",
        ),
        (
            {"spoiler_panel": PUT_AWAY},
            "spoilers_retracted_early",
            "aircraft",
            "The spoiler handle was still at 100 % of its travel.",
        ),
        (
            {"spoiler_panel": PUT_AWAY, "spoiler_handle": None},
            "spoilers_retracted_early",
            "undetermined",
            "The spoiler handle is not recorded, so who put the spoilers away cannot be told.",
        ),
    ],
)
def test_spoilers(changes: dict[str, Truth | None], rule: str, origin: str, says: str) -> None:
    found, evidence = _cause(changes, rule)
    assert found == origin
    assert says in evidence


def lever_to(most: float, from_s: float = 5.0) -> Truth:
    return line(
        (1.9, 0), (2.4, 0.25), (from_s, 0.25), (from_s + 0.5, most), (18, most), (18.5, 0.25), (24.4, 0.25), (24.7, 0)
    )


def power_to(most_pct: float, from_s: float = 5.0) -> Truth:
    return line((-4, 55), (0, 25), (from_s, 25), (from_s + 4, most_pct), (18, most_pct), (24, 25))


# Both reversers are out from 4.6 to 25 s. Power to 70 % is 45 points above idle: 4 s rising, 9 s there, 6 s falling
# make 630 points times seconds, a mean of 30.9 in these 20.4 s; levers 65 % further for 13 s make a mean of 41 %.
@pytest.mark.parametrize(
    ("changes", "origin", "says"),
    [
        (
            {"reverse_lever.2": HELD, "n1.2": IDLE},
            "crew",
            "Reverse lever 2 stayed at idle reverse (25 %), lever 1 went to 90 %.",
        ),
        (
            {"reverse_lever.1": lever_to(0.5), "n1.1": power_to(42)},
            "crew",
            "Reverse lever 1 went to 50 %, lever 2 to 90 %.",
        ),
        (  # seven seconds later, of 20.4: 65 % x 7 / 20.4
            {"reverse_lever.2": lever_to(0.9, 12), "n1.2": power_to(70, 12)},
            "crew",
            "Reverse lever 2 stood 22 % below lever 1 on average.",
        ),
        (  # 25 points of 45 less: 17.2
            {"n1.2": power_to(45)},
            "aircraft",
            "Both reverse levers went to 90 %; N1 of engine 2 was 17 % lower.",
        ),
        (  # 15 % x 13 s of 20.4, and 39 points of 45 less
            {"reverse_lever.2": lever_to(0.75), "n1.2": power_to(31)},
            "aircraft",
            "Reverse lever 2 stood 10 % below lever 1, which does not account for 27 % less N1.",
        ),
        (  # 38 % x 13 s of 20.4
            {"reverse_lever.1": lever_to(0.52), "n1.2": power_to(45)},
            "aircraft",
            "Reverse lever 2 stood 24 % above lever 1, and N1 of engine 2 was 17 % lower.",
        ),
        (
            {"n1.2": power_to(45), "reverse_lever.1": None, "reverse_lever.2": None},
            "undetermined",
            "Levers are not recorded, so what the crew did cannot be told.",
        ),
    ],
)
def test_unequal_power(changes: dict[str, Truth | None], origin: str, says: str) -> None:
    assert _cause(changes, "unequal_reverse_power") == (origin, says)


def test_unequal_power_of_four_engines_is_told_of_the_pair_that_differs() -> None:
    four = {"engines": 4, "reversers": (1, 2, 3, 4)}
    held = _cause({"reverse_lever.4": HELD, "n1.4": IDLE, "n1.2": power_to(66)}, "unequal_reverse_power", **four)
    assert held == ("crew", "Reverse lever 4 stayed at idle reverse (25 %), lever 1 went to 90 %.")


def test_a_lever_with_a_gap_in_reverse_is_not_judged() -> None:
    gap = {"reverse_lever.2": [(6.0, 16.0)]}
    found = _cause({"n1.2": power_to(45)}, "unequal_reverse_power", gaps=gap)
    assert found == ("undetermined", "A reverse lever has a gap in reverse, so what the crew did cannot be told.")


def test_power_of_reversers_that_were_not_out_together_is_not_the_engines() -> None:
    """Reverser 2 comes out at 9.6 s; its engine may spool up from there on."""
    late = {"reverser_state.2": SLOW, "n1.2": line((-4, 55), (0, 25), (10, 25), (17, 70), (18, 70), (24, 25))}
    origin, says = _cause(late, "unequal_reverse_power")
    assert (origin, says) == ("undetermined", "The reversers did not deploy together on this landing.")


SLOWING = {"ground_speed": line((-30, 142), (0, 140), (68, 20))}  # 1.76 kt/s is 0.092 g
BRAKES_LATE = {f"brake_pressure.{side}": line((13, 0), (13.5, 1500)) for side in ("left", "right")}
AT_IDLE = {f"{name}.{e}": truth for e in (1, 2) for name, truth in (("reverse_lever", HELD), ("n1", IDLE))}
UNUSED = {
    f"{name}.{e}": truth
    for e in (1, 2)
    for name, truth in (("reverse_lever", DOWN), ("n1", IDLE), ("reverser_state", SHUT))
}


@pytest.mark.parametrize(
    ("changes", "origin", "says"),
    [
        (BRAKES_LATE, "undetermined", "The brakes came on late on this landing."),
        (BRAKES_LATE | {"autobrake_active": DOWN}, "crew", "The autobrake was not active: the brakes are the crew's."),
        (
            {"autobrake_active": switch(0, (1, 1))},
            "undetermined",
            "The autobrake was active; its setting is not recorded.",
        ),
        (AT_IDLE, "undetermined", "Reverse was kept at idle."),
        (UNUSED, "undetermined", "Reverse was not used on this landing."),
        ({"spoiler_handle": LATE}, "undetermined", "The ground spoilers were late on this landing."),
        ({}, "undetermined", "Whether the autobrake was active is not recorded."),
    ],
)
def test_little_deceleration(changes: dict[str, Truth | None], origin: str, says: str) -> None:
    found, evidence = _cause(SLOWING | changes, "low_deceleration", end_s=90.0)
    assert found == origin
    assert says in evidence
    assert ("kept at idle" in evidence) == (changes is AT_IDLE)
