"""Runs the worked examples of a rule book: every rule must say of its cases what they expect."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl

from fdm.bounded import Bounded, Measured, Reasons
from fdm.errors import FdmError
from fdm.judge import condition_holds, judge
from fdm.judged import Judged
from fdm.measuring import measure_recordings
from fdm.parameters import NOT_RECORDED, PARAMETERS, STATES
from fdm.recording import Recording, Samples
from fdm.rule import Case, Rule
from fdm.rulebook import RuleBook
from fdm.schemas import LANDINGS, SEVERITIES

BEFORE_S, AFTER_S = 30.0, 60.0  # a series covers at least this much around contact
CLOCK_S = 1000.0  # where contact stands on the made-up recording's own clock


@dataclass(frozen=True)
class CaseResult:
    """What a rule said of one of its cases.

    got        outcome or severity; reason: why it was not assessed, or how the bounds differ
    lowest, highest
               what the event is for certain, and what it could be; None where it is none
    untold     what the rule's condition asks for and the case does not say: it was judged as a landing on which the
               condition holds
    """

    rule: str
    case: str
    expected: str
    got: str
    passed: bool
    reason: str | None
    untold: tuple[str, ...] = ()
    lowest: str | None = None
    highest: str | None = None


def run_cases(book: RuleBook) -> list[CaseResult]:
    """Every case of every rule, in the order of the book."""
    return [run_case(book, rule, case) for rule in book.rules.values() for case in rule.cases]


def run_case(book: RuleBook, rule: Rule, case: Case) -> CaseResult:
    """One case, judged by its rule alone.

    A case is a landing that the rule is for, unless it says otherwise: where it does not say what the rule's condition
    asks for, it is judged without the condition, except when it expects what it is with it.
    """
    try:
        landings, measured = _from_series(case, book) if case.series else _from_values(case)
    except FdmError as error:
        return CaseResult(rule.name, case.name, case.expect, "not_assessed", case.expect == "not_assessed", str(error))
    judged = judge(replace(book, rules={rule.name: rule}), measured, landings)
    got, reason = _said(judged, rule.name)
    untold = _untold(rule, landings, measured) if got == "not_assessed" != case.expect else ()
    if untold:
        judged = judge(replace(book, rules={rule.name: replace(rule, where=None)}), measured, landings)
        got, reason = _said(judged, rule.name)
    bounds = _bounds(judged)
    wrong = _bounds_differ(bounds, case) if got == case.expect else None
    passed = got == case.expect and not wrong
    return CaseResult(rule.name, case.name, case.expect, got, passed, wrong or reason, untold, *bounds)


def _untold(rule: Rule, landings: pl.DataFrame, measured: Measured) -> tuple[str, ...]:
    """What the rule's condition asks for and a case's landing does not tell, where it cannot be told without."""
    if rule.where is None or condition_holds(rule.where, measured, landings)[0] is not None:
        return ()
    names = dict.fromkeys(pl.sql_expr(rule.where).meta.root_names())
    return tuple(name for name in names if not _told(name, landings, measured))


def _told(name: str, landings: pl.DataFrame, measured: Measured) -> bool:
    if name in landings.columns:
        return landings[name][0] is not None
    return name in measured.values and not np.isnan(measured.values[name].value[0])


def _said(judged: Judged, rule: str) -> tuple[str, str | None]:
    code = int(judged.codes[rule][0])
    if code >= 0:
        return SEVERITIES[code], None
    return "not_assessed", judged.outcomes["reason"][0]


def _bounds(judged: Judged) -> tuple[str | None, str | None]:
    """What the event is for certain, and what it could be; None where it is none."""
    found = judged.events
    return (found["severity_lowest"][0], found["severity_highest"][0]) if found.height else (None, None)


def _bounds_differ(bounds: tuple[str | None, str | None], case: Case) -> str | None:
    """What differs from the bounds that the case states: Medium for certain, not Low; High possible, not Medium."""
    pairs = (("for certain", bounds[0], case.lowest), ("possible", bounds[1], case.highest))
    told = ((how, got or SEVERITIES[0], expected) for how, got, expected in pairs if expected is not None)
    differ = [
        f"{got.capitalize()} {how}, not {expected.capitalize()}" for how, got, expected in told if got != expected
    ]
    return "; ".join(differ) or None


# --- given values


def _from_values(case: Case) -> tuple[pl.DataFrame, Measured]:
    reasons = Reasons()
    engines = tuple(sorted({e for value in case.given.values() if isinstance(value, dict) for e in value}))
    values = {name: _bounded(value, engines, reasons) for name, value in case.given.items()}
    facts = {"landing_id": "case", "kind": "full_stop", **case.landing}
    landings = pl.DataFrame([{name: facts.get(name) for name in LANDINGS}], schema=LANDINGS)
    return landings, Measured(np.array(["case"]), engines, values, tuple(reasons.sentences), {}, {})


def _bounded(value: Any, engines: tuple[int, ...], reasons: Reasons) -> Bounded:
    parts = [value.get(e, "does not apply") for e in engines] if isinstance(value, dict) else [value]
    lower, best, upper = np.array([(np.nan,) * 3 if isinstance(p, str) else p for p in parts], dtype=float).T
    why = np.array([reasons.code(p) if isinstance(p, str) else 0 for p in parts], dtype=np.int16)
    shape = (1, len(parts)) if isinstance(value, dict) else (1,)
    return Bounded(best.reshape(shape), lower.reshape(shape), upper.reshape(shape), why.reshape(shape))


# --- short series


def _from_series(case: Case, book: RuleBook) -> tuple[pl.DataFrame, Measured]:
    """The one landing of the recording that the case describes."""
    landings, measured = measure_recordings([recording_of(case)], book.settings)
    if len(measured) != 1:
        raise FdmError(f"{len(measured)} landings found where a case must have one", source=case.name)
    return landings, measured[0]


def recording_of(case: Case) -> Recording:
    """A recording sampled at the case's rate, main gear on the ground from time 0 unless the case says otherwise."""
    series = {"main_gear_ground": ((0.0, True),), **case.series}
    if any(name.startswith("main_gear_ground.") for name in case.series) and "main_gear_ground" not in case.series:
        del series["main_gear_ground"]
    times = [time for points in series.values() for time, _ in points if np.isfinite(time)]
    first, last = min([-BEFORE_S, *times]), max([AFTER_S, *times])
    time_s = np.arange(np.floor(first * case.rate_hz), np.floor(last * case.rate_hz) + 1) / case.rate_hz
    samples = {name: _samples(name, series[name], case, time_s) for name in series if series[name]}
    return Recording(
        source=f"case '{case.name}'",
        content_hash="case",
        recorder="case",
        engines=case.engines,
        reversers=case.reversers,
        samples=samples,
        facts=dict(case.landing),
    )


def _samples(name: str, points: tuple[tuple[float, Any], ...], case: Case, time_s: np.ndarray) -> Samples:
    """Numbers run straight from point to point; flags and states step, and are false or stowed before the first."""
    at = np.array([time for time, _ in points])
    missing: float
    if PARAMETERS[name].kind == "analogue":
        numbers = [float(value) for _, value in points]
        values = np.interp(time_s, at, numbers) if len(points) > 1 else np.full(len(time_s), numbers[0])
        missing = np.nan
    else:
        states = np.array([0, *(STATES.get(value, value) for _, value in points)], dtype=np.int8)
        values = states[np.searchsorted(at, time_s, side="right")]
        missing = NOT_RECORDED
    for start, end in case.gaps.get(name, ()):
        values[(time_s >= start) & (time_s < end)] = missing
    return Samples(name, CLOCK_S + time_s, values, 1 / case.rate_hz)
