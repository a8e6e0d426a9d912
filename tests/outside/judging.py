"""Checks of tables against truth: bounds that must hold it, events that must or must not be.

Limits are read from the shipped rule files, so that a changed limit changes what is expected here too.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path

import polars as pl

SEVERITIES = ("within", "low", "medium", "high")
RULES = Path(__file__).parents[2] / "rules"


def rules() -> dict[str, dict]:
    """The shipped rules as TOML tables by name."""
    files = [p for p in RULES.glob("*.toml") if p.stem != "settings"]
    return {p.stem: tomllib.loads(p.read_text()) for p in sorted(files)}


def severity(rule: Mapping, value: float) -> int:
    """0 within, 1 low, 2 medium, 3 high: the highest limit that a value lies strictly beyond."""
    sign = 1.0 if rule["direction"] == "above" else -1.0
    passed = [n for n, name in enumerate(SEVERITIES) if n and sign * value > sign * rule["limits"].get(name, math.inf)]
    return max(passed, default=0)


def escapes(truth: float, lower: float, upper: float, slack: float = 0.0) -> bool:
    """Whether the bounds do not hold the truth (float32 tables: to a millionth of it)."""
    slack += 2e-6 * max(1.0, abs(truth)) if math.isfinite(truth) else 0.0
    return truth < lower - slack or truth > upper + slack


def rows_of(measures: pl.DataFrame, name: str, engine: int) -> pl.DataFrame:
    """A measure's row for an engine, 0 standing for none; either spelling of none is accepted."""
    wanted = pl.col("engine").fill_null(0) == engine
    return measures.filter((pl.col("measure") == name) & wanted)
