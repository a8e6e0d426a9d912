"""Every rule on every landing: event, within or not assessed, for a whole batch at once.

A landing is judged by its worst engine. A missing value is never "within": without a value, and with bounds
that leave it open whether a limit was passed, the landing is not assessed and says why.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
import polars as pl

from fdm.bounded import Measured, Reasons
from fdm.rule import Direction, Rule
from fdm.rulebook import RuleBook
from fdm.schemas import EVENTS, LANDINGS, OUTCOMES, SEVERITIES

NOT_ASSESSED = -1
OUTCOME_WORDS = ("not_assessed", "within", "event", "event", "event")  # by code + 1

# An engine whose reason begins so has nothing to be judged; it does not keep the others from being assessed.
NOT_APPLICABLE = ("reverser out of use", "does not apply")

_KINDS = {"go_around": "go-around", "no_touchdown": "no touchdown", None: "kind of landing unknown"}
_CANNOT_TELL = "the samples leave open whether a limit was passed"


def severity_codes(values: np.ndarray, steps: np.ndarray, direction: Direction) -> np.ndarray:
    """How far each value lies beyond the limits: int8, 0 within, 1 low, 2 medium, 3 high, -1 where it is NaN.

    steps    low, medium, high along the first axis (`Limits.steps`); the rest broadcasts against values
    """
    beyond = np.less if direction == "below" else np.greater
    codes = beyond(values, steps[0]).view(np.int8)
    codes += beyond(values, steps[1]).view(np.int8)
    codes += beyond(values, steps[2]).view(np.int8)
    codes -= np.isnan(values).view(np.int8)
    return codes


@dataclass(frozen=True)
class Verdict:
    """One rule's judgement of n landings, each array (n,).

    why         codes of Judged.reasons, 0 where assessed
    column      the engine column that decides
    value       what was judged: the best value, or the bound nearest to "within" when there is none
    steps       the limits, (3,) or (3, n)
    """

    rule: Rule
    code: np.ndarray
    why: np.ndarray
    lowest: np.ndarray
    highest: np.ndarray
    column: np.ndarray
    value: np.ndarray
    steps: np.ndarray


@dataclass(frozen=True)
class Judged:
    """What a rule book says of some landings.

    verdicts    rule name -> Verdict
    reasons     the sentences that a verdict's `why` codes stand for
    """

    book: RuleBook
    measured: Measured
    landings: pl.DataFrame
    verdicts: dict[str, Verdict]
    reasons: tuple[str, ...]

    @property
    def codes(self) -> dict[str, np.ndarray]:
        """Rule name -> int8 (n,): 0 within, 1 low, 2 medium, 3 high, -1 not assessed."""
        return {name: verdict.code for name, verdict in self.verdicts.items()}

    @cached_property
    def outcomes(self) -> pl.DataFrame:
        """One row per landing and rule (schemas.OUTCOMES), landing by landing."""
        names = pl.Series(list(self.verdicts), dtype=pl.String)
        n = len(self.measured.landing_id)
        codes = _by_landing([v.code for v in self.verdicts.values()], n, np.int8)
        why = _by_landing([v.why for v in self.verdicts.values()], n, np.int32)
        sentences = pl.Series([None, *self.reasons[1:]], dtype=pl.String)
        return pl.DataFrame(
            {
                "landing_id": self.landings["landing_id"].gather(np.repeat(np.arange(n), len(names))),
                "rule": names.gather(np.tile(np.arange(len(names)), n)),
                "outcome": pl.Series(OUTCOME_WORDS).gather(codes.astype(np.int64) + 1),
                "reason": sentences.gather(why),
            },
            schema=OUTCOMES,
        )

    @cached_property
    def events(self) -> pl.DataFrame:
        """One row per event (schemas.EVENTS) with its landing's columns, landing by landing."""
        parts = [_event_columns(v, self.measured, i) for i, v in enumerate(self.verdicts.values())]
        columns = {key: np.concatenate([part[key] for part in parts]) for key in parts[0]} if parts else {}
        if not columns or len(columns["row"]) == 0:
            return pl.DataFrame(schema=EVENTS)
        order = np.argsort(columns["row"], kind="stable")
        return _event_frame({key: column[order] for key, column in columns.items()}, self)


def judge(book: RuleBook, measured: Measured, landings: pl.DataFrame) -> Judged:
    """Judge measured landings by a rule book.

    landings    schemas.LANDINGS, one row for each of measured.landing_id, in any order
    raises      ValueError when a measured landing has no row
    """
    landings = _aligned(landings, measured.landing_id)
    reasons = Reasons()
    base = np.array([reasons.code(sentence) for sentence in measured.reasons] or [0], dtype=np.int32)
    not_rollout = _not_a_rollout(landings, reasons)
    verdicts = {}
    for name, rule in book.rules.items():
        verdict = _measured_verdict(rule, measured, landings, base, reasons)
        barred = _where_bars(rule, measured, landings, reasons)
        if rule.rollout:
            barred = np.where(not_rollout != 0, not_rollout, barred)
        verdicts[name] = _bar(verdict, barred)
    return Judged(book, measured, landings, verdicts, tuple(reasons.sentences))


def _aligned(landings: pl.DataFrame, landing_id: np.ndarray) -> pl.DataFrame:
    wanted = pl.Series("landing_id", list(landing_id), dtype=pl.String)
    if landings.height == len(wanted) and (landings["landing_id"] == wanted).all():
        return landings
    found = wanted.to_frame().join(
        landings.with_row_index("_row"), on="landing_id", how="left", maintain_order="left"
    )
    if found.height != len(wanted) or found["_row"].null_count():
        raise ValueError("each measured landing needs exactly one row of landings")
    return landings[found["_row"]]


def _bar(verdict: Verdict, barred: np.ndarray) -> Verdict:
    """The verdict with every landing that has a code in `barred` not assessed for that reason."""
    if not barred.any():
        return verdict
    code = np.where(barred != 0, np.int8(NOT_ASSESSED), verdict.code)
    why = np.where(barred != 0, barred, verdict.why)
    return replace(verdict, code=code, why=why)


# --- which landings a rule is for


def _not_a_rollout(landings: pl.DataFrame, reasons: Reasons) -> np.ndarray:
    """Reason codes (n,), 0 where the landing came to a full stop."""
    kinds = landings["kind"]
    codes = np.zeros(len(kinds), dtype=np.int32)
    for kind in kinds.unique().to_list():
        if kind != "full_stop":
            sentence = f"{_KINDS.get(kind, kind)}: not judged as a rollout"
            codes[kinds.eq_missing(kind).to_numpy()] = reasons.code(sentence)
    return codes


def _where_bars(rule: Rule, measured: Measured, landings: pl.DataFrame, reasons: Reasons) -> np.ndarray:
    """Reason codes (n,), 0 where the rule's condition holds."""
    codes = np.zeros(landings.height, dtype=np.int32)
    if rule.where is None:
        return codes
    condition = pl.sql_expr(rule.where)
    names = list(dict.fromkeys(condition.meta.root_names()))
    own = [name for name in names if name not in landings.columns]
    scalars = [pl.Series(name, measured.values[name].value) for name in own if name in measured.values]
    absent = [pl.lit(None, pl.Float64).alias(name) for name in own if name not in measured.values]
    table = landings.with_columns(*scalars, *absent).with_columns(pl.col(pl.Float64).fill_nan(None))
    holds = table.select(condition).to_series()
    codes[holds.eq_missing(False).to_numpy()] = reasons.code(f"does not apply: {rule.where}")
    open_rows = np.flatnonzero(holds.is_null().to_numpy())
    if len(open_rows):
        codes[open_rows] = _unknown_columns(table.select(names)[open_rows], reasons)
    return codes


def _unknown_columns(table: pl.DataFrame, reasons: Reasons) -> np.ndarray:
    """Reason codes (m,) naming the columns that are null in each row."""
    nulls = np.column_stack([table[name].is_null().to_numpy() for name in table.columns])
    patterns, which = np.unique(nulls, axis=0, return_inverse=True)
    codes = []
    for pattern in patterns:
        unknown = " and ".join(name for name, null in zip(table.columns, pattern, strict=True) if null)
        verb = "are" if pattern.sum() > 1 else "is"
        detail = f": {unknown} {verb} unknown" if unknown else ""
        codes.append(reasons.code(f"cannot tell whether it applies{detail}"))
    return np.array(codes, dtype=np.int32)[which.reshape(-1)]


# --- one rule on the measured values


def _measured_verdict(
    rule: Rule, measured: Measured, landings: pl.DataFrame, base: np.ndarray, reasons: Reasons
) -> Verdict:
    n = landings.height
    bounded = measured.values.get(rule.measure)
    if bounded is None or bounded.value.size == 0:
        absent = f"{rule.measure} was not measured"
        sentence = absent if bounded is None else "does not apply: no engine has a reverser"
        return _unmeasured(rule, n, reasons.code(sentence))
    engines = measured.engines if bounded.value.ndim == 2 else ()
    steps = _steps(rule, landings["fleet"])
    why = base[bounded.why].reshape(n, -1)
    lower, value, upper = (x.reshape(n, -1) for x in (bounded.lower, bounded.value, bounded.upper))
    each = _each_engine(lower, value, upper, steps, rule)
    column = _worst(each.code, -each.value if rule.direction == "below" else each.value)
    why = np.where((each.code == NOT_ASSESSED) & (why == 0), np.int32(reasons.code(_CANNOT_TELL)), why)
    skip = np.array([sentence.startswith(NOT_APPLICABLE) for sentence in reasons.sentences])
    missing = (each.code == NOT_ASSESSED) & ~skip[why]
    code, lowest, highest, decided_by = (x[np.arange(n), column] for x in each)
    code = np.where((code == 0) & missing.any(axis=1), np.int8(NOT_ASSESSED), code)
    why = _say_why(code, missing, why, engines, reasons)
    return Verdict(rule, code, why, lowest, highest, column, decided_by, steps)


def _unmeasured(rule: Rule, n: int, reason: int) -> Verdict:
    none, why = np.full(n, NOT_ASSESSED, dtype=np.int8), np.full(n, reason, dtype=np.int32)
    steps = rule.limits.steps(rule.direction)
    return Verdict(rule, none, why, none, none, np.zeros(n, dtype=np.int8), np.full(n, np.nan), steps)


def _steps(rule: Rule, fleets: pl.Series) -> np.ndarray:
    """(3,) when one set of limits holds for all of these landings, else (3, n)."""
    base = rule.limits.steps(rule.direction)
    steps = base
    for fleet, limits in rule.limits_by_fleet.items():
        mine = fleets.eq_missing(fleet).to_numpy()
        if mine.any():
            steps = np.where(mine, limits.steps(rule.direction)[:, None], steps.reshape(3, -1))
    return steps


class _Each(NamedTuple):
    """What a rule says of each engine, (n, e)."""

    code: np.ndarray
    lowest: np.ndarray
    highest: np.ndarray
    value: np.ndarray


def _each_engine(
    lower: np.ndarray, value: np.ndarray, upper: np.ndarray, steps: np.ndarray, rule: Rule
) -> _Each:
    """Judge each engine by itself.

    Without a value, bounds that agree decide, and so does a near bound that lies beyond a limit already. A
    value that is only the least there was (far bound infinite) is not "within" when more would pass a limit.
    """
    if steps.ndim == 2:
        steps = steps[:, :, None]
    near, far = (upper, lower) if rule.direction == "below" else (lower, upper)
    best = severity_codes(value, steps, rule.direction)
    lowest = severity_codes(np.where(np.isnan(near), value, near), steps, rule.direction)
    highest = severity_codes(np.where(np.isnan(far), value, far), steps, rule.direction)
    certain = (lowest == highest) | (lowest > 0)
    code = np.where(best >= 0, best, np.where(certain, lowest, np.int8(NOT_ASSESSED)))
    code[(best == 0) & np.isinf(far) & (highest > 0)] = NOT_ASSESSED
    judged_by = np.where(best >= 0, value, near)
    return _Each(code, np.minimum(lowest, code), np.maximum(highest, code), judged_by)


def _worst(code: np.ndarray, extent: np.ndarray) -> np.ndarray:
    """(n,) the engine column with the highest code, then the most extreme value, then the lowest number."""
    column = np.zeros(len(code), dtype=np.int8)
    top, most = code[:, 0], extent[:, 0]
    for c in range(1, code.shape[1]):
        worse = (code[:, c] > top) | ((code[:, c] == top) & (extent[:, c] > most))
        column[worse] = c
        top, most = np.where(worse, code[:, c], top), np.where(worse, extent[:, c], most)
    return column


def _say_why(
    code: np.ndarray, missing: np.ndarray, why: np.ndarray, engines: tuple[int, ...], reasons: Reasons
) -> np.ndarray:
    """Reason codes (n,), 0 where assessed: of the first missing engine, named unless all share the reason."""
    out = np.zeros(len(code), dtype=np.int32)
    rows = np.flatnonzero(code == NOT_ASSESSED)
    if len(rows) == 0:
        return out
    column = missing[rows].argmax(axis=1)
    sentence = why[rows, column]
    shared = (why[rows] == sentence[:, None]).all(axis=1)
    numbers = np.array(engines or (0,))
    engine = np.where(shared, 0, numbers[column])
    pairs, which = np.unique(sentence.astype(np.int64) * 8 + engine, return_inverse=True)
    codes = []
    for pair in pairs.tolist():
        text, number = reasons.sentences[pair // 8], pair % 8
        codes.append(reasons.code(f"engine {number}: {text}") if number else pair // 8)
    out[rows] = np.array(codes, dtype=np.int32)[which]
    return out


# --- frames


def _by_landing(columns: list[np.ndarray], n: int, kind: type) -> np.ndarray:
    """One value per landing and rule, landing by landing."""
    return np.stack(columns, axis=1).reshape(-1) if columns else np.empty(0, dtype=kind)


def _event_columns(verdict: Verdict, measured: Measured, number: int) -> dict[str, np.ndarray]:
    """The events of one rule as arrays (k,); `row` is the landing's, `rule` the rule's place in the book."""
    row = np.flatnonzero(verdict.code > 0)
    column, code = verdict.column[row], verdict.code[row]
    steps = verdict.steps
    name = verdict.rule.measure
    bounded = measured.values.get(name)

    def pick(x: np.ndarray | None) -> np.ndarray:
        if x is None:
            return np.full(len(row), np.nan)
        return x[row, column] if x.ndim == 2 else x[row]

    per_engine = bounded is not None and bounded.value.ndim == 2
    return {
        "row": row,
        "rule": np.full(len(row), number),
        "code": code,
        "lowest": verdict.lowest[row],
        "highest": verdict.highest[row],
        "engine": np.array(measured.engines)[column] if per_engine else np.zeros(len(row), dtype=np.int64),
        "value": verdict.value[row],
        "lower": pick(bounded.lower if bounded else None),
        "upper": pick(bounded.upper if bounded else None),
        "limit": steps[code - 1, row] if steps.ndim == 2 else steps[code - 1],
        "at_s": pick(measured.at_s.get(name)),
        "ground_speed_kt": pick(measured.ground_speed_kt.get(name)),
    }


def _event_frame(columns: dict[str, np.ndarray], judged: Judged) -> pl.DataFrame:
    rules = [verdict.rule for verdict in judged.verdicts.values()]
    which, n = columns["rule"], len(columns["rule"])
    words = pl.Series(SEVERITIES)

    def of_rule(field: str) -> pl.Series:
        return pl.Series([getattr(rule, field) for rule in rules], dtype=pl.String).gather(which)

    numbers = {key: pl.Series(columns[key]).cast(pl.Float64).fill_nan(None) for key in _NUMBERS}
    frame = judged.landings.select(*LANDINGS)[columns["row"]].with_columns(
        rule=of_rule("name"),
        severity=words.gather(columns["code"]),
        severity_lowest=words.gather(columns["lowest"]),
        severity_highest=words.gather(columns["highest"]),
        measure=of_rule("measure"),
        engine=pl.Series(columns["engine"]).cast(pl.Int8).replace(0, None),
        unit=of_rule("unit"),
        origin=pl.lit("undetermined"),
        origin_confidence=pl.lit("none"),
        evidence=pl.Series([[]], dtype=pl.List(pl.String)).gather(np.zeros(n, dtype=np.int64)),
        rule_hash=of_rule("hash"),
        rule_book=pl.lit(judged.book.label),
        **numbers,
    )
    return frame.with_columns(event_id=pl.concat_str("landing_id", "rule", separator="-")).select(*EVENTS)


_NUMBERS = ("value", "lower", "upper", "limit", "at_s", "ground_speed_kt")
