"""What a rule book said of some landings, and the outcome and event tables made from it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from fdm.bounded import Measured
from fdm.rule import Rule
from fdm.rulebook import RuleBook
from fdm.schemas import EVENTS, LANDINGS, OUTCOMES, SEVERITIES

NOT_ASSESSED = -1
NOT_FOR = "does not apply"  # how a reason begins where the rule is not for the landing, and nothing is missing
OUTCOME_WORDS = pl.Series(["not_assessed", "within", "event", "event", "event"])  # by code + 1
SEVERITY_WORDS = pl.Series(SEVERITIES)
ENGINE_NUMBERS = pl.Series([None, 1, 2, 3, 4], dtype=pl.Int8)


def not_for(reason: str = "reason") -> pl.Expr:
    """Whether a rule is not for a landing, by the reason of its outcome (schemas.OUTCOMES); never null."""
    return pl.col(reason).str.starts_with(NOT_FOR).fill_null(value=False)


@dataclass(frozen=True)
class Verdicts:
    """What r rules say of n landings, each array (r, n).

    code             int8: 0 within, 1 low, 2 medium, 3 high, -1 not assessed
    why              int32: which reason, 0 where assessed
    lowest, highest  int8: severity of the bounds
    column           int8: the engine column that decides
    value            what was judged: the best value, or the bound nearest to "within" when there is none
    steps            (3, r, n) or (3, r, 1): the limits
    """

    code: np.ndarray
    why: np.ndarray
    lowest: np.ndarray
    highest: np.ndarray
    column: np.ndarray
    value: np.ndarray
    steps: np.ndarray


@dataclass(frozen=True)
class Judged:
    """What a rule book says of some landings; rows of `verdicts` are the rules of the book in order.

    reasons     the sentences that verdicts.why stands for
    """

    book: RuleBook
    measured: Measured
    landings: pl.DataFrame
    verdicts: Verdicts
    reasons: tuple[str, ...]

    @property
    def codes(self) -> dict[str, np.ndarray]:
        """Rule name -> int8 (n,): 0 within, 1 low, 2 medium, 3 high, -1 not assessed."""
        return dict(zip(self.book.rules, self.verdicts.code, strict=True))

    @property
    def why(self) -> dict[str, np.ndarray]:
        """Rule name -> int32 (n,): which of `reasons` says why the landing was not assessed, 0 where it was."""
        return dict(zip(self.book.rules, self.verdicts.why, strict=True))

    @cached_property
    def outcomes(self) -> pl.DataFrame:
        """One row per landing and rule (schemas.OUTCOMES), landing by landing."""
        r, n = self.verdicts.code.shape
        sentences = pl.Series([None, *self.reasons[1:]], dtype=pl.String)
        return pl.DataFrame(
            {
                "landing_id": self.landings["landing_id"].gather(np.repeat(np.arange(n), r)),
                "rule": pl.Series(list(self.book.rules), dtype=pl.String).gather(np.tile(np.arange(r), n)),
                "outcome": OUTCOME_WORDS.gather(self.verdicts.code.T.reshape(-1).astype(np.int64) + 1),
                "reason": sentences.gather(self.verdicts.why.T.reshape(-1)),
            },
            schema=OUTCOMES,
        )

    @cached_property
    def events(self) -> pl.DataFrame:
        """One row per event (schemas.EVENTS) with its landing's columns, landing by landing."""
        row, which = np.nonzero(self.verdicts.code.T > 0)
        if len(row) == 0:
            return pl.DataFrame(schema=EVENTS)
        facts = self.landings.select(*LANDINGS)[row]
        columns = facts.to_dict() | _texts(self, which) | _severities(self, row, which) | _numbers(self, row, which)
        ids = zip(facts["landing_id"], columns["rule"], strict=True)
        columns["event_id"] = pl.Series([f"{landing}-{rule}" for landing, rule in ids], dtype=pl.String)
        return pl.DataFrame({name: columns[name] for name in EVENTS}, schema=EVENTS)


def _texts(judged: Judged, which: np.ndarray) -> dict[str, pl.Series]:
    rules = list(judged.book.rules.values())

    def of_rule(field: str) -> pl.Series:
        return pl.Series([getattr(rule, field) for rule in rules], dtype=pl.String).gather(which)

    same = np.zeros(len(which), dtype=np.int64)
    return {
        "rule": of_rule("name"),
        "measure": of_rule("measure"),
        "unit": of_rule("unit"),
        "rule_hash": of_rule("hash"),
        "rule_book": pl.Series([judged.book.label]).gather(same),
        "origin": pl.Series(["undetermined"]).gather(same),  # argued later, from the landing
        "origin_confidence": pl.Series(["none"]).gather(same),
        "evidence": pl.Series([[]], dtype=pl.List(pl.String)).gather(same),
    }


def _severities(judged: Judged, row: np.ndarray, which: np.ndarray) -> dict[str, pl.Series]:
    v = judged.verdicts
    fields = {"severity": v.code, "severity_lowest": v.lowest, "severity_highest": v.highest}
    return {name: SEVERITY_WORDS.gather(codes[which, row]) for name, codes in fields.items()}


def _numbers(judged: Judged, row: np.ndarray, which: np.ndarray) -> dict[str, pl.Series]:
    v, n = judged.verdicts, len(row)
    step = v.code[which, row] - 1
    out = {name: np.full(n, np.nan) for name in ("lower", "upper", "at_s", "ground_speed_kt")}
    engine = np.zeros(n, dtype=np.int64)
    for number, rule in enumerate(judged.book.rules.values()):
        mine = np.flatnonzero(which == number)
        if len(mine):
            rows, columns = row[mine], v.column[number, row[mine]]
            for name, values in _of_measure(judged.measured, rule).items():
                out[name][mine] = values[rows, columns] if values.ndim == 2 else values[rows]
            if judged.measured.values[rule.measure].value.ndim == 2:
                engine[mine] = np.array(judged.measured.engines)[columns]
    out["value"] = v.value[which, row]
    out["limit"] = v.steps[step, which, row if v.steps.shape[2] > 1 else 0]
    numbers = {name: pl.Series(values, nan_to_null=True) for name, values in out.items()}
    return {**numbers, "engine": ENGINE_NUMBERS.gather(engine)}


def _of_measure(measured: Measured, rule: Rule) -> dict[str, np.ndarray]:
    bounded = measured.values[rule.measure]
    found = {
        "lower": bounded.lower,
        "upper": bounded.upper,
        "at_s": measured.at_s.get(rule.measure),
        "ground_speed_kt": measured.ground_speed_kt.get(rule.measure),
    }
    return {name: values for name, values in found.items() if values is not None}
