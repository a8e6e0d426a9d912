"""Every rule on every landing: event, within or not assessed, for a whole batch at once.

A landing is judged by its worst engine. A missing value is never "within": without a value, and with bounds
that leave it open whether a limit was passed, the landing is not assessed and says why.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import polars as pl
import polars.selectors as cs

from fdm.bounded import Measured, Reasons
from fdm.judged import NOT_ASSESSED, NOT_FOR, Judged, Verdicts
from fdm.rule import Direction, Rule
from fdm.rulebook import RuleBook

# An engine whose reason begins so has nothing to be judged; it does not keep the others from being assessed.
NOT_APPLICABLE = (
    "reverser out of use",
    "reverse was not used",
    "the reverser was never deployed",
    NOT_FOR,
)

_KINDS = {"go_around": "go-around or touch-and-go", "no_touchdown": "no touchdown", None: "kind of landing unknown"}
_CANNOT_TELL = "the samples leave open whether a limit was passed"
_BLOCK = 65536  # values judged at a time, so that they stay in the processor's cache


def severity_codes(values: np.ndarray, steps: np.ndarray, direction: Direction = "above") -> np.ndarray:
    """How far each value lies beyond the limits: int8, 0 within, 1 low, 2 medium, 3 high, -1 where it is NaN.

    steps    low, medium, high along the first axis (`Limits.steps`); the rest broadcasts against values
    """
    if values.ndim == 1 and steps.ndim == 1 and len(values) > _BLOCK:
        blocks = [values[i : i + _BLOCK] for i in range(0, len(values), _BLOCK)]
        return np.concatenate([severity_codes(block, steps, direction) for block in blocks])
    beyond = np.less if direction == "below" else np.greater
    codes = beyond(values, steps[0]).view(np.int8)
    codes += beyond(values, steps[1]).view(np.int8)
    codes += beyond(values, steps[2]).view(np.int8)
    codes -= np.isnan(values).view(np.int8)
    return codes


def judge(book: RuleBook, measured: Measured, landings: pl.DataFrame) -> Judged:
    """Judge measured landings by a rule book.

    landings    schemas.LANDINGS, one row for each of measured.landing_id, in any order
    raises      ValueError when a measured landing has no row
    """
    landings = _aligned(landings, measured.landing_id)
    reasons = Reasons()
    rules = list(book.rules.values())
    verdicts = _nothing_yet(rules, landings["fleet"])
    base = np.array([reasons.code(sentence) for sentence in measured.reasons] or [0], dtype=np.int32)
    single, per_engine = _by_shape(rules, measured, verdicts, reasons)
    _judge_group(verdicts, single, rules, measured, base, reasons)
    _judge_group(verdicts, per_engine, rules, measured, base, reasons)
    _bar(verdicts, rules, measured, landings, reasons)
    return Judged(book, measured, landings, verdicts, tuple(reasons.sentences))


def _aligned(landings: pl.DataFrame, landing_id: np.ndarray) -> pl.DataFrame:
    wanted = pl.Series("landing_id", list(landing_id), dtype=pl.String)
    if landings.height == len(wanted) and landings["landing_id"].equals(wanted):
        return landings
    numbered = landings.select("landing_id").with_row_index("_row")
    found = wanted.to_frame().join(numbered, on="landing_id", how="left", maintain_order="left")
    if found.height != len(wanted) or found["_row"].null_count():
        raise ValueError("each measured landing needs exactly one row of landings")
    return landings[found["_row"]]


def _nothing_yet(rules: Sequence[Rule], fleets: pl.Series) -> Verdicts:
    shape = len(rules), len(fleets)
    none, zero = np.full(shape, NOT_ASSESSED, dtype=np.int8), np.zeros(shape, dtype=np.int8)
    why, value = np.zeros(shape, dtype=np.int32), np.full(shape, np.nan)
    return Verdicts(none, why, none.copy(), none.copy(), zero, value, _steps(rules, fleets))


def _steps(rules: Sequence[Rule], fleets: pl.Series) -> np.ndarray:
    """(3, r, 1) limits when none of these landings' fleets has its own, else (3, r, n)."""
    steps = np.array([rule.limits.steps(rule.direction) for rule in rules]).reshape(-1, 3).T[:, :, None]
    present = set(fleets.unique()) if any(rule.limits_by_fleet for rule in rules) else set()
    for number, rule in enumerate(rules):
        for fleet in present & set(rule.limits_by_fleet):
            if steps.shape[2] != len(fleets):
                steps = np.repeat(steps, len(fleets), axis=2)
            own = rule.limits_by_fleet[fleet].steps(rule.direction)
            steps[:, number, (fleets == fleet).fill_null(False).to_numpy()] = own[:, None]
    return steps


def _by_shape(
    rules: Sequence[Rule], measured: Measured, verdicts: Verdicts, reasons: Reasons
) -> tuple[list[int], list[int]]:
    """Numbers of the rules whose measure has one value per landing, and one per engine; the others say why not."""
    single, per_engine = [], []
    for number, rule in enumerate(rules):
        bounded = measured.values.get(rule.measure)
        if bounded is None:
            verdicts.why[number] = reasons.code(f"{rule.measure} was not measured")
        elif bounded.value.ndim == 1:
            single.append(number)
        elif bounded.value.shape[1]:
            per_engine.append(number)
        else:
            verdicts.why[number] = reasons.code(f"{NOT_FOR}: no engine has a reverser")
    return single, per_engine


# --- rules on measured values, a group of equally shaped ones at a time: arrays (r, e, n)


def _judge_group(
    out: Verdicts,
    numbers: list[int],
    rules: Sequence[Rule],
    measured: Measured,
    base: np.ndarray,
    reasons: Reasons,
) -> None:
    """Judge the rules `numbers` of the book and enter what they say into `out`."""
    if not numbers:
        return
    sign = np.array([-1.0 if rules[i].direction == "below" else 1.0 for i in numbers])[:, None, None]
    of_rules = [measured.values[rules[i].measure] for i in numbers]
    lower, value, upper = (
        _stack([getattr(b, field) for b in of_rules]) * sign for field in ("lower", "value", "upper")
    )
    near, far = np.where(sign < 0, upper, lower), np.where(sign < 0, lower, upper)
    steps = out.steps[:, numbers][:, :, None, :] * sign
    each = _each_engine(near, value, far, steps)
    why = base[_stack([b.why for b in of_rules])]
    why[(each.code == NOT_ASSESSED) & (why == 0)] = reasons.code(_CANNOT_TELL)
    skip = np.array([sentence.startswith(NOT_APPLICABLE) for sentence in reasons.sentences])
    missing = (each.code == NOT_ASSESSED) & ~skip[why]
    worst, out.column[numbers] = _worst(each)
    landing = np.where((worst.code == 0) & missing.any(axis=1), np.int8(NOT_ASSESSED), worst.code)
    out.code[numbers], out.lowest[numbers], out.highest[numbers] = landing, worst.lowest, worst.highest
    out.value[numbers] = worst.value * sign[:, 0]
    out.why[numbers] = _say_why(landing, missing, why, measured.engines, reasons)


def _stack(parts: list[np.ndarray]) -> np.ndarray:
    """(r, e, n) of arrays that are (n,) or (n, e)."""
    return np.stack([part.T if part.ndim == 2 else part[None, :] for part in parts])


class _Each(NamedTuple):
    """Of each engine (r, e, n) or of the worst (r, n); `value` is what was judged, turned so that more is worse."""

    code: np.ndarray
    value: np.ndarray
    lowest: np.ndarray
    highest: np.ndarray


def _each_engine(near: np.ndarray, value: np.ndarray, far: np.ndarray, steps: np.ndarray) -> _Each:
    """Judge each engine by itself; all is turned so that more is worse.

    Without a value, bounds that agree decide, and so does a near bound that lies beyond a limit already. A
    value that is only the least there was (far bound infinite) is not "within" when more would pass a limit.
    """
    best = severity_codes(value, steps)
    lowest = severity_codes(np.where(np.isnan(near), value, near), steps)
    highest = severity_codes(np.where(np.isnan(far), value, far), steps)
    certain = (lowest == highest) | (lowest > 0)
    code = np.where(best >= 0, best, np.where(certain, lowest, np.int8(NOT_ASSESSED)))
    code[(best == 0) & np.isinf(far) & (highest > 0)] = NOT_ASSESSED
    judged_by = np.where(best >= 0, value, near)
    return _Each(code, judged_by, np.minimum(lowest, code), np.maximum(highest, code))


def _worst(each: _Each) -> tuple[_Each, np.ndarray]:
    """The engine with the highest code, then the most extreme value, then the lowest number; and its column."""
    worst = _Each(*(field[:, 0] for field in each))
    column = np.zeros(worst.code.shape, dtype=np.int8)
    for c in range(1, each.code.shape[1]):
        other = _Each(*(field[:, c] for field in each))
        worse = (other.code > worst.code) | ((other.code == worst.code) & (other.value > worst.value))
        column[worse] = c
        worst = _Each(*(np.where(worse, a, b) for a, b in zip(other, worst, strict=True)))
    return worst, column


def _say_why(
    code: np.ndarray, missing: np.ndarray, why: np.ndarray, engines: tuple[int, ...], reasons: Reasons
) -> np.ndarray:
    """Reason codes (r, n), 0 where assessed: of the first missing engine, named unless all share the reason."""
    out = np.zeros(code.shape, dtype=np.int32)
    rule, row = np.nonzero(code == NOT_ASSESSED)
    column = missing[rule, :, row].argmax(axis=1)
    sentence = why[rule, column, row]
    shared = (why[rule, :, row] == sentence[:, None]).all(axis=1)
    numbers = np.array(engines if why.shape[1] > 1 else (0,))
    pairs = sentence.astype(np.int64) * 8 + np.where(shared, 0, numbers[column])
    codes = np.zeros(len(reasons.sentences) * 8, dtype=np.int32)
    for pair in np.flatnonzero(np.bincount(pairs)).tolist():
        text, engine = reasons.sentences[pair // 8], pair % 8
        codes[pair] = reasons.code(f"engine {engine}: {text}" if engine else text)
    out[rule, row] = codes[pairs]
    return out


# --- which landings a rule is for


def _bar(out: Verdicts, rules: Sequence[Rule], measured: Measured, landings: pl.DataFrame, reasons: Reasons) -> None:
    """Landings that a rule is not for, or may not be for, are not assessed."""
    for number, rule in enumerate(rules):
        _enter(out, number, bars(rule, measured, landings, reasons))


def bars(rule: Rule, measured: Measured, landings: pl.DataFrame, reasons: Reasons) -> np.ndarray:
    """Reason codes (n,) of why a rule is not, or may not be, for a landing; 0 where it is."""
    codes = _not_a_rollout(landings, reasons) if rule.rollout else np.zeros(landings.height, dtype=np.int32)
    return _where_bars(rule.where, measured, landings, reasons, codes) if rule.where else codes


def _enter(out: Verdicts, number: int, barred: np.ndarray) -> None:
    hit = np.flatnonzero(barred)
    if len(hit):
        out.code[number, hit], out.why[number, hit] = NOT_ASSESSED, barred[hit]


def _not_a_rollout(landings: pl.DataFrame, reasons: Reasons) -> np.ndarray:
    """Reason codes (n,), 0 where the landing came to a full stop."""
    kinds = landings["kind"]
    codes = np.zeros(len(kinds), dtype=np.int32)
    if (kinds == "full_stop").sum() == len(kinds):
        return codes
    for kind in kinds.unique().to_list():
        if kind != "full_stop":
            sentence = f"{_KINDS.get(kind, kind)}: not judged as a rollout"
            codes[kinds.eq_missing(kind).to_numpy()] = reasons.code(sentence)
    return codes


def _where_bars(
    where: str, measured: Measured, landings: pl.DataFrame, reasons: Reasons, codes: np.ndarray
) -> np.ndarray:
    """The codes (n,) with those of a condition: where it fails, the rule is not for the landing, whatever else is said
    there; where it cannot be told, what else is said stands."""
    table, condition, names = _table_for(where, measured, landings)
    holds = _holds(table, condition)
    codes[holds.eq_missing(False).to_numpy()] = reasons.code(f"{NOT_FOR}: {where}")
    open_rows = np.flatnonzero(holds.is_null().to_numpy() & (codes == 0))
    if len(open_rows):
        codes[open_rows] = _unknown_columns(table.select(names)[open_rows], reasons)
    return codes


def condition_holds(where: str, measured: Measured, landings: pl.DataFrame) -> pl.Series:
    """Whether a condition holds on each measured landing; null where that cannot be told."""
    table, condition, _ = _table_for(where, measured, landings)
    return _holds(table, condition)


def _table_for(where: str, measured: Measured, landings: pl.DataFrame) -> tuple[pl.DataFrame, pl.Expr, list[str]]:
    """Landings with the measures that a condition names, the condition, and the names in it."""
    condition = pl.sql_expr(where)
    names = list(dict.fromkeys(condition.meta.root_names()))
    own = [name for name in names if name not in landings.columns]
    scalars = [pl.Series(name, measured.values[name].value) for name in own if name in measured.values]
    absent = [pl.lit(None, pl.Float64).alias(name) for name in own if name not in measured.values]
    table = landings.with_columns(*scalars, *absent).with_columns(cs.float().fill_nan(None))  # kept measures: Float32
    return table, condition, names


def _holds(table: pl.DataFrame, condition: pl.Expr) -> pl.Series:
    """Whether a condition holds on each landing; null where it cannot be worked out from that landing's values."""
    try:
        return table.select(condition).to_series()
    except pl.exceptions.PolarsError:
        if table.height == 1:
            return pl.Series([None], dtype=pl.Boolean)
        return pl.concat([_holds(table[row], condition) for row in range(table.height)])


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
