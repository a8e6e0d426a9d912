"""The judge against tables worked out by hand, and against its own promises on invented values."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fdm.bounded import Bounded, Measured
from fdm.judge import judge, severity_codes
from fdm.judged import Judged, not_for
from fdm.rule import Limits, Rule
from fdm.rulebook import RuleBook
from fdm.schemas import EVENTS, LANDINGS, OUTCOMES
from fdm.settings import Settings

NAN, INF = float("nan"), float("inf")
CODE = {"not_assessed": -1, "within": 0, "low": 1, "medium": 2, "high": 3}


def rule(**changes: Any) -> Rule:
    base: dict[str, Any] = {
        "name": "late",
        "title": "Late",
        "measure": "delay_s",
        "unit": "s",
        "direction": "above",
        "limits": Limits(2.0, 3.0, 5.0),
        "basis": "invented",
        "why": "-",
        "misses": "-",
        "procedure": "-",
        "hash": "abc",
    }
    return Rule(**(base | changes))


def book(*rules: Rule) -> RuleBook:
    return RuleBook("folder", "Book", "1", Settings(), {r.name: r for r in rules}, "0123456789", "x")


def landings(n: int, **columns: list[Any]) -> pl.DataFrame:
    table = {
        "landing_id": [f"L{i}" for i in range(n)],
        "fleet": ["A"] * n,
        "kind": ["full_stop"] * n,
        **columns,
    }
    frame = pl.DataFrame(table, schema_overrides=LANDINGS)
    absent = [pl.lit(None, dtype=kind).alias(name) for name, kind in LANDINGS.items() if name not in table]
    return frame.with_columns(absent).select(*LANDINGS)


def measured(
    values: dict[str, list[Any]],
    why: dict[str, list[Any]] | None = None,
    reasons: tuple[str, ...] = ("",),
    engines: tuple[int, ...] = (1, 2),
) -> Measured:
    """Each value is (lower, value, upper); per engine a list of them."""
    out, at = {}, {}
    for name, rows in values.items():
        triple = np.array(rows, dtype=float)
        lower, value, upper = triple[..., 0], triple[..., 1], triple[..., 2]
        codes = np.array((why or {}).get(name, np.zeros(value.shape)), dtype=np.int16)
        out[name] = Bounded(value, lower, upper, codes)
        at[name] = value + 10
    n = len(next(iter(values.values())))
    ids = np.array([f"L{i}" for i in range(n)], dtype=object)
    return Measured(ids, engines, out, reasons, at, {name: x * 2 for name, x in at.items()})


def exact(x: float) -> tuple[float, float, float]:
    return (x, x, x)


def outcome(judged: Judged, row: int = 0) -> tuple[str, str | None]:
    line = judged.outcomes.row(row, named=True)
    return line["outcome"], line["reason"]


# worked out by hand: strictly beyond a limit is an event, on the limit is not
@pytest.mark.parametrize(
    ("direction", "limits", "table"),
    [
        (
            "above",
            (2, 3, 5),
            [(1.9, 0), (2.0, 0), (2.1, 1), (3.0, 1), (3.1, 2), (5.0, 2), (5.1, 3), (NAN, -1)],
        ),
        (
            "below",
            (0.9, 0.7, 0.5),
            [(1, 0), (0.9, 0), (0.8, 1), (0.7, 1), (0.6, 2), (0.5, 2), (0.4, 3), (NAN, -1)],
        ),
        ("above", (2, None, 5), [(2.0, 0), (4.9, 1), (5.1, 3)]),
        ("above", (2, 3, None), [(2.5, 1), (9e9, 2), (INF, 2)]),
        ("below", (2, None, None), [(2.0, 0), (1.9, 1), (-INF, 1)]),
        ("above", (0.5, 0.5, 0.5), [(0, 0), (0.5, 0), (1, 3)]),
        ("above", (0.5, 0.5, None), [(0, 0), (1, 2)]),
    ],
)
def test_severity_by_hand(direction: Any, limits: tuple[Any, ...], table: list[tuple[float, int]]) -> None:
    values = np.array([value for value, _ in table])
    codes = severity_codes(values, Limits(*limits).steps(direction), direction)
    assert codes.dtype == np.int8
    assert codes.tolist() == [code for _, code in table]


def test_an_event_row_says_everything() -> None:
    judged = judge(book(rule()), measured({"delay_s": [exact(1), (2.6, 4.0, 5.4)]}), landings(2, tail=["T1", "T2"]))
    assert judged.events.schema == pl.Schema(EVENTS)
    assert judged.outcomes.schema == pl.Schema(OUTCOMES)
    (row,) = judged.events.to_dicts()
    assert (
        row
        | {
            "event_id": "L1-late",
            "landing_id": "L1",
            "tail": "T2",
            "severity": "medium",
            "severity_lowest": "low",
            "severity_highest": "high",
            "measure": "delay_s",
            "engine": None,
            "value": 4.0,
            "lower": 2.6,
            "upper": 5.4,
            "unit": "s",
            "limit": 3.0,
            "at_s": 14.0,
            "ground_speed_kt": 28.0,
            "origin": "undetermined",
            "origin_confidence": "none",
            "evidence": [],
            "rule_hash": "abc",
            "rule_book": "Book 1 (01234567)",
        }
        == row
    )
    assert judged.codes["late"].tolist() == [0, 2]
    assert judged.outcomes.rows() == [("L0", "late", "within", None), ("L1", "late", "event", None)]


# bounds of a "below" rule: the upper bound is the least severe
def test_below_rule_takes_its_bounds_the_other_way_round() -> None:
    short = rule(direction="below", limits=Limits(600, 450, 300))
    (row,) = judge(book(short), measured({"delay_s": [(280, 400, 620)]}), landings(1)).events.to_dicts()
    assert (row["severity_lowest"], row["severity"], row["severity_highest"]) == ("within", "medium", "high")
    assert row["limit"] == 450


@pytest.mark.parametrize(
    ("triple", "expected", "value"),
    [
        ((0.5, NAN, 1.5), "within", None),  # wherever it lies, no limit is passed
        ((5.5, NAN, 9.0), "high", 5.5),  # wherever it lies, it is high
        ((1.5, NAN, 2.5), "not_assessed", None),  # may or may not be an event
        ((2.5, NAN, 9.0), "low", 2.5),  # an event for certain, how severe is open
        ((NAN, NAN, NAN), "not_assessed", None),
        ((7.0, 7.0, INF), "high", 7.0),  # never happened, watched for 7 s
        ((2.5, 2.5, INF), "low", 2.5),
        ((1.5, 1.5, INF), "not_assessed", None),  # never happened, watched for 1.5 s only
    ],
)
def test_bounds_without_a_value(triple: tuple[float, ...], expected: str, value: float | None) -> None:
    judged = judge(book(rule()), measured({"delay_s": [triple]}), landings(1))
    assert judged.codes["late"].tolist() == [CODE[expected]]
    assert judged.events["value"].to_list() == ([] if value is None else [value])
    if expected == "low":
        assert judged.events["severity_highest"].to_list() == ["high"]
    if expected == "not_assessed":
        assert outcome(judged)[1]


NO_N1, OUT, NO_SELECT = 1, 2, 3
SENTENCES = (
    "",
    "n1.2 is not recorded",
    "reverser out of use on engine 2",
    "does not apply: reverse was not selected",
)
GAP = (NAN, NAN, NAN)


@pytest.mark.parametrize(
    ("rows", "why", "expected", "engine", "reason"),
    [
        ([exact(1), exact(4)], [0, 0], "event", 2, None),  # the worst engine decides
        ([exact(6), exact(4)], [0, 0], "event", 1, None),
        ([exact(3.5), exact(4)], [0, 0], "event", 2, None),  # same severity: the more extreme value
        ([exact(1), exact(1.5)], [0, 0], "within", None, None),
        ([exact(4), GAP], [0, NO_N1], "event", 1, None),  # an event stands though the other is unknown
        ([exact(1), GAP], [0, NO_N1], "not_assessed", None, "engine 2: n1.2 is not recorded"),
        ([exact(1), GAP], [0, OUT], "within", None, None),
        ([exact(1), GAP], [0, NO_SELECT], "within", None, None),
        ([GAP, GAP], [OUT, OUT], "not_assessed", None, "reverser out of use on engine 2"),
        ([GAP, GAP], [NO_SELECT, NO_N1], "not_assessed", None, "engine 2: n1.2 is not recorded"),
        ([GAP, GAP], [NO_N1, NO_N1], "not_assessed", None, "n1.2 is not recorded"),
    ],
)
def test_engines(rows: Any, why: list[int], expected: str, engine: int | None, reason: str | None) -> None:
    judged = judge(book(rule()), measured({"delay_s": [rows]}, {"delay_s": [why]}, SENTENCES), landings(1))
    assert outcome(judged) == (expected, reason)
    assert judged.events["engine"].to_list() == ([] if engine is None else [engine])


def test_engine_numbers_are_those_of_the_columns() -> None:
    values = measured({"delay_s": [[exact(1), exact(4)]]}, engines=(2, 3))
    assert judge(book(rule()), values, landings(1)).events["engine"].to_list() == [3]


NOBODY = Bounded(*[np.empty((1, 0))] * 3, np.empty((1, 0), dtype=np.int16))


def test_an_aircraft_without_reversers_is_not_assessed() -> None:
    none = Measured(np.array(["L0"]), (), {"delay_s": NOBODY}, ("",), {}, {})
    assert outcome(judge(book(rule()), none, landings(1))) == (
        "not_assessed",
        "does not apply: no engine has a reverser",
    )


def test_a_measure_that_nobody_measured_is_not_assessed() -> None:
    judged = judge(book(rule()), measured({"other_s": [exact(9)]}), landings(1))
    assert outcome(judged) == ("not_assessed", "delay_s was not measured")


def test_only_full_stops_are_judged_as_a_rollout() -> None:
    always = rule(name="always", rollout=False)
    kinds = ["full_stop", "go_around", "no_touchdown", None]
    judged = judge(book(rule(), always), measured({"delay_s": [exact(4)] * 4}), landings(4, kind=kinds))
    assert judged.codes["always"].tolist() == [2, 2, 2, 2]
    late = judged.outcomes.filter(rule="late")
    assert late["outcome"].to_list() == ["event", *["not_assessed"] * 3]
    assert late["reason"].to_list() == [
        None,
        "go-around or touch-and-go: not judged as a rollout",
        "no touchdown: not judged as a rollout",
        "kind of landing unknown: not judged as a rollout",
    ]


def test_a_condition_is_true_false_or_unknown() -> None:
    where = "touchdown_ground_speed_kt > 60 AND runway_length_m < 3000"
    table = landings(
        4, touchdown_ground_speed_kt=[100.0, 50.0, NAN, 100.0], runway_length_m=[2000.0, None, 2000.0, None]
    )
    judged = judge(book(rule(where=where)), measured({"delay_s": [exact(4)] * 4}), table)
    assert judged.outcomes["outcome"].to_list() == ["event", *["not_assessed"] * 3]
    assert judged.outcomes["reason"].to_list()[1:] == [
        f"does not apply: {where}",
        "cannot tell whether it applies: touchdown_ground_speed_kt is unknown",
        "cannot tell whether it applies: runway_length_m is unknown",
    ]


def test_a_rule_that_is_not_for_a_landing_says_so_whatever_else_is_said_of_it() -> None:
    """A go-around is told as one where the condition holds or cannot be told; else the rule is not for it at all."""
    table = landings(3, kind="go_around", runway_length_m=[2600.0, 2700.0, None])
    judged = judge(book(rule(where="runway_length_m < 2700")), measured({"delay_s": [exact(4)] * 3}), table)
    around = "go-around or touch-and-go: not judged as a rollout"
    assert judged.outcomes["reason"].to_list() == [around, "does not apply: runway_length_m < 2700", around]
    assert judged.outcomes.filter(not_for()).height == 1


def test_a_condition_may_name_a_measure_with_one_value_per_landing() -> None:
    values = measured({"delay_s": [exact(4)] * 3, "rollout_60_m": [exact(900), exact(1500), GAP]})
    judged = judge(book(rule(where="rollout_60_m > 1000")), values, landings(3))
    assert judged.codes["late"].tolist() == [-1, 2, -1]
    assert outcome(judged, 2)[1] == "cannot tell whether it applies: rollout_60_m is unknown"


@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("where", ["rollout_60_m > 1000", "rollout_60_m < 1000", "NOT rollout_60_m = 1000"])
def test_a_missing_value_never_meets_a_condition_nor_fails_it(where: str, kind: type) -> None:
    values = measured({"delay_s": [exact(4)] * 2, "rollout_60_m": [GAP] * 2})
    kept = {name: one.map(lambda x: x.astype(kind)) for name, one in values.values.items()}
    judged = judge(book(rule(where=where)), replace(values, values=kept), landings(2))
    assert judged.codes["late"].tolist() == [-1, -1]
    assert outcome(judged, 0)[1] == "cannot tell whether it applies: rollout_60_m is unknown"


def test_limits_by_fleet() -> None:
    own = rule(limits_by_fleet={"B": Limits(2.0, 3.0, 6.0), "C": Limits(4.5, None, None)})
    table = landings(4, fleet=["A", "B", "C", None])
    judged = judge(book(own), measured({"delay_s": [exact(5.5)] * 4}), table)
    assert judged.events["severity"].to_list() == ["high", "medium", "low", "high"]
    assert judged.events["limit"].to_list() == [5.0, 3.0, 4.5, 5.0]


def test_limits_by_fleet_with_engines() -> None:
    own = rule(limits_by_fleet={"B": Limits(5.0, 6.0, 7.0)})
    values = measured({"delay_s": [[exact(1), exact(4)], [exact(1), exact(4)]]})
    assert judge(book(own), values, landings(2, fleet=["A", "B"])).codes["late"].tolist() == [2, 0]


def test_landings_may_come_in_any_order_but_none_may_be_missing() -> None:
    values = measured({"delay_s": [exact(1), exact(6)]})
    table = landings(2, tail=["T0", "T1"])
    assert judge(book(rule()), values, table.reverse()).events["tail"].to_list() == ["T1"]
    with pytest.raises(ValueError, match="exactly one row"):
        judge(book(rule()), values, table.head(1))


def test_no_landings_give_empty_tables() -> None:
    nothing = Measured(
        np.array([], dtype=object),
        (1, 2),
        {"delay_s": Bounded(np.empty(0), np.empty(0), np.empty(0), np.empty(0, dtype=np.int16))},
        ("",),
        {},
        {},
    )
    judged = judge(book(rule()), nothing, landings(0))
    assert judged.events.schema == pl.Schema(EVENTS)
    assert judged.outcomes.schema == pl.Schema(OUTCOMES)
    assert judged.events.height == judged.outcomes.height == 0


numbers = st.floats(-20, 20, allow_nan=False).map(lambda x: round(x, 2))
limits = st.tuples(numbers, numbers, numbers).map(sorted)
directions = st.sampled_from(["above", "below"])


@settings(deadline=None)
@given(st.lists(numbers, min_size=2, max_size=30), limits, directions)
def test_severity_never_falls_as_the_value_goes_further_beyond(
    values: list[float], three: list[float], direction: Any
) -> None:
    up = direction == "above"
    steps = Limits(*(three if up else three[::-1])).steps(direction)
    codes = severity_codes(np.array(sorted(values, reverse=not up)), steps, direction)
    assert (np.diff(codes) >= 0).all()


triples = st.tuples(numbers, numbers, numbers).map(lambda t: tuple(sorted(t)))
rows = st.lists(st.lists(st.one_of(triples, st.just(GAP)), min_size=2, max_size=2), min_size=2, max_size=8)


@settings(deadline=None)
@given(rows, limits, directions)
def test_the_best_severity_lies_between_the_bounds(table: Any, three: list[float], direction: Any) -> None:
    ordered = Limits(*(three if direction == "above" else three[::-1]))
    judged = judge(book(rule(direction=direction, limits=ordered)), measured({"delay_s": table}), landings(len(table)))
    order = {"within": 0, "low": 1, "medium": 2, "high": 3}
    for low, best, high in judged.events.select("severity_lowest", "severity", "severity_highest").iter_rows():
        assert order[low] <= order[best] <= order[high]


@settings(deadline=None)
@given(rows, st.randoms(use_true_random=False))
def test_neither_splitting_nor_shuffling_a_batch_changes_anything(table: Any, random: Any) -> None:
    n = len(table)
    fleets = [random.choice(["A", "B", None]) for _ in range(n)]
    kinds = [random.choice(["full_stop", "full_stop", "go_around"]) for _ in range(n)]
    speeds = [random.choice([50.0, 120.0, None]) for _ in range(n)]
    frame = landings(n, fleet=fleets, kind=kinds, touchdown_ground_speed_kt=speeds)
    own = rule(where="touchdown_ground_speed_kt > 60", limits_by_fleet={"B": Limits(1, 6, 7)})
    whole = book(own, rule(name="other", direction="below", limits=Limits(0, -3, None)))

    def run(order: list[int]) -> Judged:
        part = measured({"delay_s": [table[i] for i in order]})
        ids = np.array([f"L{i}" for i in order], dtype=object)
        part = Measured(ids, part.engines, part.values, part.reasons, part.at_s, part.ground_speed_kt)
        return judge(whole, part, frame[order])

    def lines(*parts: Judged) -> tuple[list[Any], list[Any]]:
        outcomes = pl.concat([p.outcomes for p in parts]).sort("landing_id", "rule").rows()
        events = pl.concat([p.events for p in parts]).sort("event_id").to_dicts()
        return outcomes, events

    everyone = list(range(n))
    shuffled = everyone.copy()
    random.shuffle(shuffled)
    cut = random.randint(1, n - 1)
    assert lines(run(everyone)) == lines(run(shuffled)) == lines(run(everyone[:cut]), run(everyone[cut:]))
