"""Counts of a single limit, and what other limits change, are those of judging again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import fdm
from fdm.archive import Archive
from fdm.bounded import Bounded
from fdm.errors import RuleError
from fdm.judge import judge
from fdm.rule import Limits
from fdm.tuning import landings_stood, ordered, outcomes_by, points, resolved, stood, sweep
from tests.nights import nights
from tests.test_scale_recount import BOOK, LIMITS, landings_of, measured_of

N = 60


@settings(max_examples=120, deadline=None)
@given(LIMITS, LIMITS, st.integers(0, 2**31), st.sampled_from([0, 1, 2, 4]), st.booleans())
def test_a_sweep_finds_at_each_limit_what_judging_with_it_does(
    three: list[float], other: list[float], seed: int, engines: int, below: bool
) -> None:
    rule = replace(BOOK.rules["late_spoilers"], direction="below" if below else "above")
    measured, landings = measured_of(rule.measure, np.random.default_rng(seed), N, engines), landings_of(N)
    found = stood(rule, measured, landings)
    tried = np.unique(three)
    counted = sweep(found, rule.direction, tried)
    for i, limit in enumerate(tried):
        one = replace(rule, limits=Limits(low=float(limit)))
        judged = judge(replace(BOOK, rules={rule.name: one}), measured, landings)
        (codes,) = judged.codes.values()
        lowest, highest = judged.verdicts.lowest[0], judged.verdicts.highest[0]
        assert counted.events[i] == (codes > 0).sum()
        assert counted.certain[i] == ((codes > 0) & (lowest > 0)).sum()
        assert counted.assessed[i] == (codes >= 0).sum()
        far = _far(measured, rule.measure, below=below)
        beyond = (far < limit) if below else (far > limit)  # a bound that is missing is beyond nothing
        assert counted.possible[i] == ((codes > 0) | ((codes == 0) & beyond.any(axis=1))).sum()
        if engines < 2:  # with several, judging tells the bounds of the worst one alone
            assert counted.possible[i] == ((codes > 0) | ((codes == 0) & (highest > 0))).sum()
    before, after = (Limits(*(x[::-1] if below else x)) for x in (three, other))
    words = [_judged_words(replace(rule, limits=limits), measured, landings) for limits in (before, after)]
    assert [outcomes_by(found, rule.direction, limits).to_list() for limits in (before, after)] == words


def _far(measured, name: str, *, below: bool) -> np.ndarray:
    """The further bound of each landing's engines (n, e)."""
    bounded = measured.values[name]
    return (bounded.lower if below else bounded.upper).reshape(len(measured.landing_id), -1)


def test_a_landing_is_possible_by_the_bound_of_the_engine_that_is_not_the_worst() -> None:
    """Engine 1 took 2.54 s (at most 2.97), engine 2 took 2.37 s (at most 3.09): within 3.0 s, beyond it possibly."""
    rule = replace(BOOK.rules["late_reverse"], where=None)
    numbers = {"lower": [[2.2, 2.0]], "value": [[2.54, 2.37]], "upper": [[2.97, 3.09]]}
    bounded = Bounded(**{side: np.array(x) for side, x in numbers.items()}, why=np.zeros((1, 2), dtype=np.int32))
    measured = replace(
        measured_of(rule.measure, np.random.default_rng(1), 1, 2), values={rule.measure: bounded}, reasons=("",)
    )
    found = stood(rule, measured, landings_of(1).with_columns(kind=pl.lit("full_stop")))
    counted = sweep(found, "above", np.array([2.5, 3.0, 3.1]))
    assert (counted.events.tolist(), counted.possible.tolist()) == ([1, 0, 0], [1, 1, 0])
    assert found["engine"].to_list() == [1]


def _judged_words(rule, measured, landings) -> list[str]:
    (codes,) = judge(replace(BOOK, rules={rule.name: rule}), measured, landings).codes.values()
    return [("not_assessed", "within", "low", "medium", "high")[code + 1] for code in codes]


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    folder = tmp_path_factory.mktemp("tuning")
    fdm.load(nights(folder / "recordings", 1), folder / "archive")
    fdm.detect(folder / "archive")
    return Archive(folder / "archive")


@pytest.mark.parametrize("name", sorted(BOOK.rules))
def test_an_archive_stands_by_its_own_limits_as_it_was_judged(archive: Archive, name: str) -> None:
    rule = BOOK.rules[name]
    found = landings_stood(archive, BOOK, name)
    outcomes = dict(archive.outcomes().filter(rule=name).select("landing_id", "outcome").iter_rows())
    events = {r["landing_id"]: r for r in archive.events().filter(rule=name).to_dicts()}
    said = outcomes_by(found, rule.direction, rule.limits)
    for row, outcome in zip(found.to_dicts(), said, strict=True):
        event = events.get(row["landing_id"])
        assert outcome == (event["severity"] if event else outcomes[row["landing_id"]])
        if event:
            assert (event["value"], event["engine"]) == (pytest.approx(row["value"], nan_ok=True), row["engine"])


def test_points_hold_the_limits_and_are_few(archive: Archive) -> None:
    for rule in BOOK.rules.values():
        levels = {k: v for k, v in rule.limits._asdict().items() if v is not None}
        tried, step = points(landings_stood(archive, BOOK, rule.name), levels, rule.unit)
        assert len(tried) <= 501
        assert set(levels.values()) <= set(tried.tolist())
        assert (np.diff(tried) > 0).all()
        assert np.diff(tried).max() <= step * 1.001
        empty, _ = points(landings_stood(archive, BOOK, rule.name).clear(), levels, rule.unit)
        assert set(levels.values()) <= set(empty.tolist())


def test_what_the_recorder_resolves_is_the_width_of_the_bounds_near_the_limit() -> None:
    rows = 40
    value = np.concatenate([np.linspace(1, 2, rows), np.linspace(8, 9, rows)])
    wide = np.repeat([0.1, 0.5], rows)
    frame = pl.DataFrame({"value": value, "lower": value - wide, "upper": value + 2 * wide})
    frame = frame.with_columns(barred=pl.lit(False))
    below, above = resolved(frame, np.array([1.5, 8.5]))
    assert below == pytest.approx([0.2, 1.0])  # a value this far below may lie beyond the limit by its upper bound
    assert above == pytest.approx([0.1, 0.5])
    assert resolved(frame.head(10), np.array([1.5])) is None


def test_a_condition_to_be_tried_takes_the_place_of_the_rules_own(archive: Archive) -> None:
    every = landings_stood(archive, BOOK, "late_spoilers")
    none = landings_stood(archive, BOOK, "late_spoilers", where="touchdown_ground_speed_kt < 0")
    assert none["barred"].all()
    assert not every["barred"].all()
    with pytest.raises(RuleError, match="no rule 'late_spoiler'"):
        landings_stood(archive, BOOK, "late_spoiler")


def test_order_of_limits() -> None:
    assert ordered(Limits(1, None, 3), "above")
    assert not ordered(Limits(1, 4, 3), "above")
    assert ordered(Limits(3, 2, 1), "below")
    assert not ordered(Limits(1, 2, 3), "below")
