"""One TOML file to one Rule; everything wrong with the file is reported at once."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping
from datetime import datetime, timezone
from itertools import pairwise
from math import isfinite
from pathlib import Path
from typing import Any, Protocol

import polars as pl

from fdm.case_file import read_cases
from fdm.condition_words import Fault, faults_in_words, kinds_apart, no_such_name
from fdm.errors import RuleError, nearest
from fdm.rule import LEVELS, Limits, Rule
from fdm.schemas import LANDINGS, UTC

TEXTS = ("title", "measure", "unit", "direction", "basis", "why", "misses", "procedure")
UNUSABLE = "cannot be used: "
_FAILS = (pl.exceptions.PolarsError, pl.exceptions.PanicException)
KEYS = (*TEXTS, "where", "rollout", "limits", "limits_by_fleet", "case")


class MeasureLike(Protocol):
    """What a rule needs to know of a measure."""

    @property
    def unit(self) -> str: ...
    @property
    def per_engine(self) -> bool: ...


Catalogue = Mapping[str, MeasureLike]


# A value of each type that a where-expression may meet: what cannot be compared shows only where there are values.
_SAMPLE: dict[Any, Any] = {
    pl.String: "x",
    pl.Float64: 1.0,
    pl.Int8: 1,
    pl.Int16: 1,
    pl.List(pl.String): ["x"],
    pl.List(pl.Int8): [1],
    UTC: datetime(2026, 1, 1, tzinfo=timezone.utc),  # noqa: UP017
}


class Problems:
    """What is wrong with one file, gathered so that all of it can be put right in one go."""

    def __init__(self, source: object) -> None:
        self.source = source
        self.found: list[RuleError] = []

    def add(self, where: str, problem: str, cure: str | None = None) -> None:
        """Note one problem at a key."""
        self.found.append(RuleError(problem, source=self.source, where=where, cure=cure))

    def unknown_keys(self, table: Mapping[str, Any], valid: tuple[str, ...], prefix: str = "") -> None:
        """Note every key of the table that is not a valid one."""
        for key in table:
            if key not in valid:
                self.add(prefix + key, "unknown key", nearest(key, valid))


def read_toml(path: Path, problems: Problems) -> dict[str, Any] | None:
    """A TOML file's content, or None with the problem noted."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except tomllib.TOMLDecodeError as error:
        again = str(error).startswith(("Cannot overwrite", "Cannot declare"))
        problem = f"a key or table stands twice: {error}" if again else f"not valid TOML: {error}"
        problems.add("", problem, "Keep one of them." if again else "Mend the line named.")
    except RecursionError:
        problems.add("", "nested too deeply", "A rule needs no brackets within brackets.")
    except UnicodeDecodeError:
        problems.add("", "not UTF-8 text", "Save the file as UTF-8.")
    except OSError as error:
        problems.add("", f"cannot be read ({error.strerror})", "Check the path and its permissions.")
    return None


def read_rule(path: Path, measures: Catalogue, problems: Problems) -> Rule | None:
    """The rule of one file, without its hash; None when anything is wrong, with each problem noted."""
    content = read_toml(path, problems)
    if content is None:
        return None
    problems.unknown_keys(content, KEYS)
    texts = _texts(content, problems)
    _check_measure(texts, measures, problems)
    limits, by_fleet = _limits(content, texts["direction"], problems)
    where = content.get("where")
    if where is not None:
        check_where(where, measures, problems)
    rollout = content.get("rollout", True)
    if not isinstance(rollout, bool):
        problems.add("rollout", f"{rollout!r} is neither true nor false", "Write true or false.")
    cases = read_cases(content.get("case", []), texts["measure"], measures, problems)
    if problems.found or limits is None:
        return None
    return Rule(
        name=path.stem,
        limits=limits,
        limits_by_fleet=by_fleet,
        where=where,
        rollout=rollout,
        cases=cases,
        **texts,
    )


def _texts(content: Mapping[str, Any], problems: Problems) -> dict[str, Any]:
    texts = {}
    for key in TEXTS:
        text = content.get(key)
        if text is None:
            problems.add(key, "missing", "Every rule states it.")
        elif not isinstance(text, str) or not text.strip():
            problems.add(key, "must be a text that is not empty", "Write a sentence between quotes.")
        texts[key] = " ".join(text.split()) if isinstance(text, str) else ""
    if texts["direction"] and texts["direction"] not in ("above", "below"):
        problems.add("direction", f"'{texts['direction']}' is no direction", 'Write "above" or "below".')
    return texts


def _check_measure(texts: Mapping[str, str], measures: Catalogue, problems: Problems) -> None:
    name, unit = texts["measure"], texts["unit"]
    if not name:
        return
    if name not in measures:
        problems.add("measure", f"there is no measure '{name}'", nearest(name, measures))
    elif unit and unit != measures[name].unit:
        problems.add("unit", f"'{unit}' is not the unit of {name}", f"It is '{measures[name].unit}'.")


def _limits(content: Mapping[str, Any], direction: str, problems: Problems) -> tuple[Limits | None, dict[str, Limits]]:
    base = content.get("limits")
    if not isinstance(base, dict):
        problems.add("limits", "missing", "Add a table [limits] with at least low.")
        return None, {}
    limits = _one_set(base, {}, direction, "limits.", problems)
    by_fleet = content.get("limits_by_fleet", {})
    if not isinstance(by_fleet, dict):
        problems.add("limits_by_fleet", "must be tables", 'Write [limits_by_fleet."FLEET"].')
        return limits, {}
    sets = {}
    for fleet, own in by_fleet.items():
        where = f'limits_by_fleet."{fleet}"'
        if not isinstance(own, dict) or not own:
            problems.add(where, "must be a table with at least one of low, medium, high")
        elif limits is not None and (whole := _one_set(own, base, direction, f"{where}.", problems)):
            sets[fleet] = whole
    return limits, sets


def _one_set(
    own: Mapping[str, Any], base: Mapping[str, Any], direction: str, prefix: str, problems: Problems
) -> Limits | None:
    problems.unknown_keys(own, LEVELS, prefix)
    merged = {**base, **own}
    for level in LEVELS:
        value = merged.get(level)
        if value is not None and not _is_number(value):
            problems.add(prefix + level, f"{value!r} is not a number", "Write a number in the rule's unit.")
            return None
    if "low" not in merged:
        problems.add(prefix + "low", "missing", "medium and high may be left out, low may not.")
        return None
    known = [(level, float(merged[level])) for level in LEVELS if level in merged]
    sign = -1 if direction == "below" else 1
    for (a, low), (b, high) in pairwise(known):
        if sign * high < sign * low:
            side = "less than" if sign > 0 else "more than"
            further = "up" if sign > 0 else "down"
            cure = f"With direction '{direction or 'above'}' a higher severity lies further {further}."
            problems.add(prefix + b, f"{high:g} is {side} {a} {low:g}", cure)
            return None
    return Limits(**dict(known))


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)


def where_columns(measures: Catalogue) -> dict[str, Any]:
    """Columns that a where-expression may name: the landing's, and measures with one value per landing."""
    return {**LANDINGS, **{name: pl.Float64 for name, measure in measures.items() if not measure.per_engine}}


def check_where(where: object, measures: Catalogue, problems: Problems) -> None:
    """Note what is wrong with a condition: not readable, unknown columns, not true or false of one landing."""
    if not isinstance(where, str) or not where.strip():
        problems.add("where", "must be an SQL expression in quotes", "Leave the key out to judge every landing.")
        return
    for fault in where_faults(where, measures):
        problems.add("where", fault.problem, fault.cure)


def where_faults(where: str, measures: Catalogue, barred: Collection[str] = ()) -> list[Fault]:
    """Why a condition cannot be used; none when it can. What the words alone show is said before what the reader says.

    barred    columns that whoever writes it may not name
    """
    columns = where_columns(measures)
    try:
        expression = pl.sql_expr(where)
    except _FAILS as error:
        said = str(error).splitlines()[0] if str(error) else type(error).__name__
        unread = Fault(0, len(where), f"{UNUSABLE}{said}", 'Write a condition such as "bounces > 0".')
        return words_faults(where, measures, barred) or [unread]
    unknown = [name for name in dict.fromkeys(expression.meta.root_names()) if name not in columns]
    if unknown:
        found = [no_such_name(where, name, columns, barred) for name in unknown]
        return words_faults(where, measures, barred) or found
    try:
        return [Fault(0, len(where), *said) for said in _not_about_one_landing(expression, columns)]
    except _FAILS:
        return words_faults(where, measures, barred) or [kinds_apart(where, columns)]


def words_faults(where: str, measures: Catalogue, barred: Collection[str] = ()) -> list[Fault]:
    """What is wrong with a condition as its words alone show."""
    columns = where_columns(measures)
    units = {name: name.rpartition("_")[2] for name in columns} | {name: one.unit for name, one in measures.items()}
    return faults_in_words(where, columns, units, barred)


def _not_about_one_landing(expression: pl.Expr, columns: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """The condition must be true or false of one landing alone, whichever others are judged with it."""
    result = pl.DataFrame(schema=columns).clear(2).select(expression).to_series()
    pl.DataFrame({name: pl.Series([_SAMPLE[kind]] * 2, dtype=kind) for name, kind in columns.items()}).select(
        expression
    )
    tree = expression.meta.serialize(format="json")
    if result.dtype != pl.Boolean:
        yield "is not a condition", 'It must be true or false, such as "bounces > 0".'
    elif len(result) != 2 or any(mark in tree for mark in ('"Agg":', '"Over":', '"Len"')):
        yield "must be about one landing", "Name a column, and do not count or average over landings."
