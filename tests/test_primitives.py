"""Instants and values asked of sampled parameters: their bounds hold the truth they were sampled from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fdm.bounded import Bounded, Instants, Reasons, exactly, largest, the_later, the_sooner
from fdm.primitives import crossing, first, last
from fdm.signal import Signal
from fdm.windows import highest, interpolate, time_above, value_at
from tests.making import between, line, sampled, signal, signals, switch

QUICK = settings(max_examples=60, deadline=None)

RATES = st.sampled_from([0.25, 0.5, 1.0, 2.0, 4.0, 8.0])
SHARE = st.floats(0, 1, exclude_max=True)
TIME = st.floats(-5, 15)
EPS = 1e-4
FROM = np.array([-20.0])
NEVER = 7  # a reason code that the tests pass in


@st.composite
def samplings(draw: st.DrawFn) -> dict[str, float]:
    """Rate, phase and lag of a recorder, with a seed for its noise."""
    rate_hz = draw(RATES)
    lag_s = draw(st.sampled_from([0.0, 0.0, 0.05, 0.125]))
    return {
        "rate_hz": rate_hz,
        "phase_s": draw(SHARE) / rate_hz,
        "lag_s": lag_s,
        "seed": draw(st.integers(0, 2**31)),
    }


def take(name: str, truth: Callable[[np.ndarray], np.ndarray], how: dict[str, float], **more: object) -> Signal:
    rng = np.random.default_rng(int(how["seed"]))
    given_ = {k: v for k, v in how.items() if k != "seed"}
    return signal(sampled(name, truth, **given_, rng=rng, **more))  # type: ignore[arg-type]


def holds(when: Instants | Bounded, truth: float, eps: float = EPS) -> bool:
    low, high = (when.earliest, when.latest) if isinstance(when, Instants) else (when.lower, when.upper)
    return bool(low[0] - eps <= truth <= high[0] + eps)


def ordered(when: Instants | Bounded) -> bool:
    low, high = (when.earliest, when.latest) if isinstance(when, Instants) else (when.lower, when.upper)
    best = when.best if isinstance(when, Instants) else when.value
    known = ~np.isnan(best)
    return bool(
        ((low <= best + EPS) & (best <= high + EPS))[known].all() and ((low <= high + EPS) | np.isnan(low)).all()
    )


# changes of discretes -------------------------------------------------------------------------------------------------


@QUICK
@given(samplings(), TIME, st.floats(8.5, 30))
def test_first_and_last_hold_the_change_they_saw(how: dict[str, float], on_s: float, for_s: float) -> None:
    gear = take("main_gear_ground", between((on_s, on_s + for_s)), how)
    began = first(gear, gear.values == 1, FROM, missing=NEVER)
    ended = last(gear, gear.values == 1, FROM, missing=NEVER)
    assert holds(began, on_s)
    assert holds(ended, on_s + for_s)
    assert ordered(began)
    assert ordered(ended)
    assert began.latest[0] - began.earliest[0] <= gear.step_s + gear.lag_s[0] + EPS


@QUICK
@given(samplings(), TIME, TIME, st.floats(0.5, 12))
def test_a_gap_keeps_the_bounds_and_gives_no_best_time(
    how: dict[str, float], on_s: float, gap_s: float, long_s: float
) -> None:
    gear = take("main_gear_ground", switch(0, (on_s, 1)), how, gaps=[(gap_s, gap_s + long_s)])
    began = first(gear, gear.values == 1, FROM, missing=NEVER)
    assert holds(began, on_s)
    width_s = began.latest[0] - began.earliest[0] - gear.lag_s[0]
    assert np.isnan(began.best[0]) == (width_s > 2.5 * gear.step_s + 0.5 + 1e-3)
    assert np.isnan(began.best[0]) == (began.why[0] != 0)
    if np.isnan(began.best[0]):
        assert (
            gear.reasons.sentences[began.why[0]] == f"gap of {width_s:.0f} s in {gear.name} where the change happened"
        )


def test_what_held_as_the_window_opened_began_before() -> None:
    gear = signal(sampled("main_gear_ground", switch(0, (-25.3, 1)), 1.0))
    began = first(gear, gear.values == 1, FROM, missing=NEVER)
    assert (began.earliest[0], began.latest[0]) == (-26, -25)


def test_what_held_from_the_first_sample_has_no_best_time() -> None:
    reasons = Reasons()
    gear = signal(sampled("main_gear_ground", switch(1, (5, 0)), 1.0), reasons)
    began = first(gear, gear.values == 1, FROM, missing=NEVER)
    assert np.isneginf(began.earliest[0])
    assert began.latest[0] == -30
    assert np.isnan(began.best[0])
    assert reasons.sentences[began.why[0]] == "main_gear_ground showed it already when the recording began"


def test_what_never_happened_has_the_given_reason_but_not_across_a_gap() -> None:
    reasons = Reasons()
    seen = signal(sampled("main_gear_ground", switch(0, (70, 1)), 1.0), reasons)
    assert first(seen, seen.values == 1, FROM, missing=NEVER).why[0] == NEVER
    hidden = signal(sampled("main_gear_ground", switch(0, (70, 1)), 1.0, gaps=[(3, 9)]), reasons)
    never = first(hidden, hidden.values == 1, FROM, missing=NEVER)
    assert reasons.sentences[never.why[0]] == "gap of 7 s in main_gear_ground, in which it may have happened"
    outside = first(hidden, hidden.values == 1, FROM, np.array([0.0]), missing=NEVER)
    assert outside.why[0] == NEVER, "the gap lies outside the window that was asked about"
    short = replace(seen, end_s=np.array([100.0]))
    assert "gap of 41 s" in reasons.sentences[first(short, short.values == 1, FROM, missing=NEVER).why[0]]
    empty = signal(sampled("main_gear_ground", switch(0), 1.0, gaps=[(-40, 90)]), reasons)
    assert reasons.sentences[first(empty, empty.values == 1, FROM, missing=NEVER).why[0]] == (
        "not recorded: main_gear_ground"
    )


def test_the_window_includes_a_sample_on_its_edges() -> None:
    for rate_hz in (0.25, 0.5, 1.0, 2.0, 8.0):
        for at_s in (0.0, 4.0, 8.0):
            gear = signal(sampled("main_gear_ground", between((at_s, at_s + 0.9 / rate_hz)), rate_hz))
            on = gear.values == 1
            assert first(gear, on, np.array([at_s]), np.array([at_s]), missing=NEVER).latest[0] == at_s
            assert last(gear, on, np.array([at_s]), np.array([at_s]), missing=NEVER).latest[0] == at_s + 1 / rate_hz
            assert first(gear, on, np.array([at_s + 0.01]), missing=NEVER).why[0] == NEVER


# crossings of values --------------------------------------------------------------------------------------------------


@QUICK
@given(samplings(), TIME, st.floats(0.2, 20), st.booleans(), st.booleans())
def test_crossings_hold_the_moment_of_a_noisy_ramp(
    how: dict[str, float], start_s: float, ramp_s: float, rising: bool, final: bool
) -> None:
    a, b = (10.0, 90.0) if rising else (90.0, 10.0)
    n1 = take("n1.1", line((start_s, a), (start_s + ramp_s, b)), how, noise=0.3)
    passed = crossing(n1, 50.0, FROM, rising=rising, final=final, missing=NEVER)
    assert holds(passed, start_s + ramp_s / 2, 1e-3)
    assert ordered(passed)
    slack_s = 2 * 0.6 / (80 / ramp_s)  # noise may hide where the ramp is, twice on either side
    assert passed.latest[0] - passed.earliest[0] <= n1.step_s + n1.lag_s[0] + 2 * slack_s + n1.step_s


@QUICK
@given(samplings(), TIME, st.floats(1, 20))
def test_first_and_final_crossing_of_a_hump(how: dict[str, float], up_s: float, for_s: float) -> None:
    for_s += 2.5 / how["rate_hz"]
    truth = line((up_s, 20), (up_s + 1, 80), (up_s + 1 + for_s, 80), (up_s + 3 + for_s, 20))
    n1 = take("n1.1", truth, how, noise=0.3)
    assert holds(crossing(n1, 50.0, FROM, rising=True, missing=NEVER), up_s + 0.5, 1e-3)
    assert holds(crossing(n1, 50.0, FROM, rising=False, final=True, missing=NEVER), up_s + 2 + for_s, 1e-3)


@QUICK
@given(samplings(), TIME, st.floats(4, 12))
def test_a_crossing_in_a_gap_keeps_its_bounds(how: dict[str, float], at_s: float, long_s: float) -> None:
    long_s *= max(1.0, 1 / how["rate_hz"])
    n1 = take("n1.1", line((at_s - 0.5, 20), (at_s + 0.5, 80)), how, gaps=[(at_s - long_s / 2, at_s + long_s / 2)])
    passed = crossing(n1, 50.0, np.array([-29.0]), rising=True, missing=NEVER)
    assert holds(passed, at_s, 1e-3)
    assert np.isnan(passed.best[0])
    assert "in n1.1 where the change happened" in n1.reasons.sentences[passed.why[0]]


def test_a_final_crossing_needs_a_sample_on_the_far_side() -> None:
    n1 = signal(sampled("n1.1", line((0, 80), (40, 80), (42, 20)), 1.0))
    none = crossing(n1, 50.0, np.array([0.0]), np.array([30.0]), rising=False, final=True, missing=NEVER)
    assert none.why[0] == NEVER, "still above as the window closed"


def test_a_value_beyond_as_the_window_opened_passed_before() -> None:
    spoilers = signal(sampled("spoiler_panel", line((-12, 0), (-10, 1)), 4.0))
    passed = crossing(spoilers, 0.7, np.array([-1.0]), rising=True, missing=NEVER)
    assert holds(passed, -12 + 1.4)
    assert passed.latest[0] - passed.earliest[0] <= 0.5


# values ---------------------------------------------------------------------------------------------------------------


@st.composite
def bent_lines(draw: st.DrawFn) -> tuple[dict[str, float], list[tuple[float, float]]]:
    """A sampling without lag, and N1 in straight lines that bend at most once in three sampling steps."""
    how = draw(samplings()) | {"lag_s": 0.0}
    knots, t = [], -25.0
    while t < 55:
        knots.append((t, draw(st.floats(20, 90))))
        t += 3.001 / how["rate_hz"] + draw(st.floats(0, 6))
    return how, knots


@QUICK
@given(bent_lines(), st.floats(-10, 20), SHARE, st.floats(0, 3))
def test_values_at_instants_hold_the_truth(
    drawn: tuple[dict[str, float], list[tuple[float, float]]], at_s: float, share: float, doubt_s: float
) -> None:
    how, knots = drawn
    n1 = take("n1.1", line(*knots), how, noise=0.05)
    when = Instants(
        *(np.array([x]) for x in (at_s, at_s - share * doubt_s, at_s + (1 - share) * doubt_s)),
        np.zeros(1, int),
    )
    value = value_at(n1, when, missing=NEVER)
    moments = np.linspace(when.earliest[0], when.latest[0], 50)
    truth = line(*knots)(moments)
    assert value.lower[0] - EPS <= truth.min()
    assert truth.max() <= value.upper[0] + EPS
    assert ordered(value)


@QUICK
@given(bent_lines(), st.floats(-10, 10), st.floats(0, 20), st.floats(0, 2), st.floats(0, 2))
def test_the_highest_value_holds_the_truth(
    drawn: tuple[dict[str, float], list[tuple[float, float]]],
    a: float,
    long_s: float,
    doubt_a: float,
    doubt_b: float,
) -> None:
    how, knots = drawn
    n1 = take("n1.1", line(*knots), how, noise=0.05)
    start, end = vague(a, doubt_a), vague(a + long_s, doubt_b)
    value = highest(n1, start, end, missing=NEVER)
    assert ordered(value)
    fine = np.union1d(np.linspace(a - doubt_a, a + long_s + doubt_b, 2000), [t for t, _ in knots])
    truth = line(*knots)(fine)
    for low, high in (
        (a - doubt_a, a + long_s + doubt_b),
        (a + doubt_a, a + long_s - doubt_b),
        (a, a + long_s),
    ):
        inside = (fine >= low) & (fine <= high)
        if inside.any():
            assert holds(value, float(truth[inside].max()))


def vague(at_s: float, doubt_s: float) -> Instants:
    return Instants(*(np.array([x]) for x in (at_s, at_s - doubt_s, at_s + doubt_s)), np.zeros(1, np.int16))


def test_a_value_in_a_gap_is_missing_and_the_highest_across_one_is_a_least() -> None:
    reasons = Reasons()
    n1 = signal(sampled("n1.1", line((0, 30), (10, 50)), 1.0, gaps=[(3, 9)]), reasons)
    assert value_at(n1, vague(6, 0), missing=NEVER).why[0] == NEVER
    most = highest(n1, vague(0, 0), vague(20, 0), missing=NEVER)
    assert np.isnan(most.value[0])
    assert most.lower[0] == pytest.approx(50 - 0.3)
    assert np.isposinf(most.upper[0])
    assert reasons.sentences[most.why[0]] == "gap of 7 s in n1.1, in which it may have happened"


def test_a_value_at_a_vague_instant_has_bounds_only() -> None:
    n1 = signal(sampled("n1.1", line((0, 30), (10, 50)), 1.0))
    when = replace(vague(5, 3), best=np.array([np.nan]), why=np.array([NEVER], np.int16))
    value = value_at(n1, when, missing=1)
    assert np.isnan(value.value[0])
    assert value.why[0] == NEVER
    assert value.lower[0] == pytest.approx(34 - 0.3, abs=0.01)
    assert value.upper[0] == pytest.approx(46 + 0.3, abs=0.01)


@QUICK
@given(
    samplings(),
    st.lists(st.tuples(st.floats(0.5, 6), st.floats(0.5, 6)), min_size=1, max_size=4),
    st.floats(-5, 5),
)
def test_time_above_holds_square_waves(how: dict[str, float], waves: list[tuple[float, float]], begin_s: float) -> None:
    """Pulses and pauses no shorter than one sampling step, in windows that are known or vague."""
    step_s, spans, t = 1 / how["rate_hz"], [], begin_s
    for pause_s, pulse_s in waves:
        a = t + pause_s + step_s + how["lag_s"]
        t = a + pulse_s + step_s + how["lag_s"]
        spans.append((a, t))
    reverse = take("autothrottle_engaged", between(*spans), how, end_s=80.0)
    truth = sum(b - a for a, b in spans)
    value = time_above(reverse, 0.5, vague(begin_s - 1, 0.5), vague(t + 1, 0.5), missing=NEVER)
    assert holds(value, truth)
    assert ordered(value)
    assert value.upper[0] - value.lower[0] <= len(spans) * (2 * step_s + 2 * how["lag_s"]) + EPS


@QUICK
@given(samplings(), st.floats(1, 10), st.floats(1, 10), st.floats(5, 20), st.floats(40, 80))
def test_time_above_holds_ramps(how: dict[str, float], up_s: float, down_s: float, flat_s: float, level: float) -> None:
    n1 = take("n1.1", line((0, 20), (up_s, 90), (up_s + flat_s, 90), (up_s + flat_s + down_s, 20)), how, noise=0.3)
    truth = flat_s + (up_s + down_s) * (90 - level) / 70
    value = time_above(n1, level, vague(-5, 0), vague(45, 0), missing=NEVER)
    assert holds(value, truth, 1e-3)
    assert abs(value.value[0] - truth) <= 2 * n1.step_s + how["lag_s"] + 1e-3  # a step at either end


@QUICK
@given(samplings(), st.floats(-6, 6), st.floats(-6, 6), st.floats(0, 2), st.floats(0, 2))
def test_time_above_is_cut_by_its_window(
    how: dict[str, float], a: float, b: float, doubt_a: float, doubt_b: float
) -> None:
    a, b = min(a, b), max(a, b)
    reverse = take("autothrottle_engaged", between((-9, 2)), how)
    value = time_above(reverse, 0.5, vague(a, doubt_a), vague(b, doubt_b), missing=NEVER)
    assert holds(value, max(min(b, 2) - max(a, -9), 0))
    assert ordered(value)


def test_time_above_across_a_gap_has_bounds_only() -> None:
    reasons = Reasons()
    reverse = signal(sampled("autothrottle_engaged", between((2, 20)), 1.0, gaps=[(8, 14)]), reasons)
    value = time_above(reverse, 0.5, vague(0, 0), vague(30, 0), missing=NEVER)
    assert np.isnan(value.value[0])
    assert value.lower[0] == pytest.approx(5 + 5)
    assert value.upper[0] == pytest.approx(5 + 7 + 5 + 2)
    assert reasons.sentences[value.why[0]] == "gap of 7 s in autothrottle_engaged, in which it may have happened"


# batches --------------------------------------------------------------------------------------------------------------


def everything(s: Signal) -> list[np.ndarray]:
    """All answers about a signal of N1, in one list of (n, ...) arrays."""
    n = len(s.values)
    after = np.full(n, -4.0)
    high = s.values > 55
    up = crossing(s, 55.0, after, rising=True, missing=NEVER)
    down = crossing(s, 55.0, after, np.full(n, 40.0), rising=False, final=True, missing=NEVER)
    answers = [
        up,
        down,
        first(s, high, after, missing=NEVER),
        last(s, high, after, missing=NEVER),
        value_at(s, up, missing=NEVER),
        highest(s, up, down, missing=NEVER),
        time_above(s, 55.0, up, exactly(np.full(n, 33.3)), missing=NEVER),
    ]
    fields = [x for a in answers for x in vars(a).values() if x is not None]
    return [*fields, interpolate(s, np.full(n, 3.21))]


@st.composite
def ragged(draw: st.DrawFn) -> list[Signal]:
    """Landings of one layout, each with its own length, phase, gaps and truth."""
    rate_hz, seed = draw(RATES), draw(st.integers(0, 2**31))
    rng = np.random.default_rng(seed)
    made = []
    for _ in range(draw(st.integers(2, 5))):
        knots = np.sort(rng.uniform(-30, 60, 8))
        start_s = rng.uniform(2, 30)
        made.append(
            sampled(
                "n1.1",
                line(*zip(knots, rng.uniform(20, 90, 8), strict=True)),
                rate_hz,
                rng.uniform(0, 1 / rate_hz),
                end_s=rng.uniform(10, 60),
                gaps=[(start_s, start_s + rng.uniform(0, 8))] if rng.random() < 0.7 else [],
                lag_s=rng.choice([0, 0.1]),
                rng=rng,
            )
        )
    reasons = Reasons()
    return [signals(made, reasons), *(signal(one, reasons) for one in made)]


@QUICK
@given(ragged())
def test_a_batch_of_n_answers_as_n_batches_of_one(drawn: list[Signal]) -> None:
    whole, *singles = drawn
    assert whole.values.shape[1] >= max(s.values.shape[1] for s in singles), "shorter ones are padded"
    for row, single in enumerate(singles):
        for together, alone in zip(everything(whole), everything(single), strict=True):
            np.testing.assert_allclose(together[row], alone[0], atol=1e-5)


def test_missing_samples_at_the_end_change_nothing() -> None:
    n1 = signal(sampled("n1.1", line((0, 30), (5, 80), (20, 30)), 4.0, gaps=[(9, 13)]))
    padded = replace(n1, values=np.pad(n1.values, ((0, 0), (0, 37)), constant_values=np.nan))
    for before, after in zip(everything(n1), everything(padded), strict=True):
        np.testing.assert_array_equal(before, after)


# sooner, later, largest -----------------------------------------------------------------------------------------------

BOUND = st.floats(-50, 50)


@st.composite
def instants(draw: st.DrawFn) -> tuple[Instants, float]:
    """A bounded instant, at times without a best one, at times missing, and the truth it is about (inf: never)."""
    a, b, c = sorted(draw(st.lists(BOUND, min_size=3, max_size=3)))
    kind, truth = draw(st.sampled_from(["known", "vague", "never"])), draw(st.floats(a, c))
    if kind == "never":
        return Instants(*(np.array([np.nan]) for _ in range(3)), np.array([NEVER], np.int16)), np.inf
    best, why = (b, 0) if kind == "known" else (np.nan, NEVER + 1)
    return Instants(np.array([best]), np.array([a]), np.array([c]), np.array([why], np.int16)), truth


@QUICK
@given(instants(), instants())
def test_the_sooner_and_the_later_hold_the_truth(a: tuple[Instants, float], b: tuple[Instants, float]) -> None:
    soon, late = the_sooner(a[0], b[0]), the_later(a[0], b[0])
    happened = [t for _, t in (a, b) if np.isfinite(t)]
    for found, truth in ((soon, min(happened, default=None)), (late, max(happened, default=None))):
        assert bool(found.happened[0]) == bool(happened)
        assert ordered(found)
        assert (found.why[0] == 0) == (not np.isnan(found.best[0]))
        if truth is not None:
            assert holds(found, truth)


@QUICK
@given(st.lists(instants(), min_size=1, max_size=4), st.booleans())
def test_the_largest_is_at_least_what_is_known(drawn: list[tuple[Instants, float]], aside: bool) -> None:
    values = [Bounded(*(np.maximum(x, 0) for x in (i.best, i.earliest, i.latest)), i.why) for i, _ in drawn]
    found = largest(values, [NEVER] if aside else [])
    known = [max(t, 0.0) for _, t in drawn if np.isfinite(t)]
    assert (found.why[0] == 0) == (not np.isnan(found.value[0]))
    assert bool(found.bounded[0]) == bool(known)
    if known:
        assert holds(found, max(known))
        assert ordered(found)
        assert np.isposinf(found.upper[0]) == (not aside and len(known) < len(drawn))
