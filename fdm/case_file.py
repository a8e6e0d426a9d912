"""The cases of a rule file: worked examples in bounded form (`given`) or as short series."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from math import inf
from typing import TYPE_CHECKING, Any

from fdm.errors import nearest
from fdm.parameters import PARAMETERS, STATES
from fdm.rule import Case
from fdm.schemas import FACTS, LANDINGS, SEVERITIES

if TYPE_CHECKING:
    from fdm.rule_file import Catalogue, Problems

EXPECTED = (*SEVERITIES, "not_assessed")
COMMON = ("name", "expect", "lowest", "highest", "landing")
GIVEN_KEYS = (*COMMON, "given")
SERIES_KEYS = (*COMMON, "series", "gaps", "rate_hz", "engines", "reversers")


def read_cases(content: object, measure: str, measures: Catalogue, problems: Problems) -> tuple[Case, ...]:
    """The [[case]] tables of a rule that uses `measure`; problems are noted with the case they are in."""
    if not isinstance(content, list) or not all(isinstance(table, dict) for table in content):
        problems.add("case", "must be tables", "Write [[case]] before each.")
        return ()
    cases: list[Case] = []
    for number, table in enumerate(content, start=1):
        at = f"case '{table.get('name', number)}'"
        if table.get("name") in [case.name for case in cases]:
            problems.add(at, "stands twice", "Give each case of a rule its own name.")
        before = len(problems.found)
        parts = _one_case(table, at, measure, measures, problems)
        if len(problems.found) == before:
            cases.append(Case(**parts))
    return tuple(cases)


def _one_case(
    table: Mapping[str, Any], at: str, measure: str, measures: Catalogue, problems: Problems
) -> dict[str, Any]:
    if ("given" in table) == ("series" in table):
        problems.add(at, "must have either given or series", "See the rule format page.")
        return {}
    as_series = "series" in table
    problems.unknown_keys(table, SERIES_KEYS if as_series else GIVEN_KEYS, f"{at}: ")
    if not isinstance(table.get("name"), str):
        problems.add(at, "name is missing")
    for key, valid in (("expect", EXPECTED), ("lowest", SEVERITIES), ("highest", SEVERITIES)):
        if (key in table or key == "expect") and table.get(key) not in valid:
            problems.add(f"{at}: {key}", f"{table.get(key)!r} is no outcome", f"Write one of {', '.join(valid)}.")
    landing = table.get("landing", {})
    if not isinstance(landing, dict):
        problems.add(f"{at}: landing", "must be a table of landing columns")
    else:
        problems.unknown_keys(landing, tuple(FACTS if as_series else LANDINGS), f"{at}: landing.")
    parts = dict(table)
    if as_series:
        parts |= _series_parts(table, at, problems)
    else:
        parts["given"] = _given(table["given"], at, measure, measures, problems)
    return parts


def _given(given: object, at: str, measure: str, measures: Catalogue, problems: Problems) -> dict[str, Any]:
    if not isinstance(given, dict) or measure not in given:
        problems.add(f"{at}: given", f"must state {measure}", f"Write given = {{ {measure} = … }}.")
        return {}
    out: dict[str, Any] = {}
    for name, value in given.items():
        where = f"{at}: given.{name}"
        if name not in measures:
            problems.add(where, f"there is no measure '{name}'", nearest(name, measures))
        elif not isinstance(value, dict):
            out[name] = _bounded(value, where, problems)
        elif not measures[name].per_engine:
            problems.add(where, f"{name} has one value per landing, not one per engine")
        elif bad := [engine for engine in value if engine not in ("1", "2", "3", "4")]:
            problems.add(where, f"'{bad[0]}' is no engine number", "Engines are 1 to 4 from the left.")
        else:
            out[name] = {int(engine): _bounded(one, where, problems) for engine, one in sorted(value.items())}
    return out


def _bounded(value: object, where: str, problems: Problems) -> tuple[float, float, float] | str | None:
    """(lower, value, upper), or the sentence that says why there is none."""
    if isinstance(value, str) and value.strip():
        return value
    triple: list[Any] = value if isinstance(value, list) else [value, value, value]
    if len(triple) == 3 and all(_is_number(x) for x in triple):
        lower, best, upper = (float(x) for x in triple)
        if not (lower > best or best > upper or lower > upper):  # false with nan: no best value is known
            return lower, best, upper
    cure = "Write a number, [lower, value, upper] (value nan: cannot be told), or in quotes why it is missing."
    problems.add(where, f"{value!r} is not a value with bounds", cure)
    return None


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _series_parts(table: Mapping[str, Any], at: str, problems: Problems) -> dict[str, Any]:
    series, gaps = table["series"], table.get("gaps", {})
    rate_hz, engines = table.get("rate_hz", 4.0), table.get("engines", 2)
    reversers = table.get("reversers", list(range(1, engines + 1)) if engines in range(1, 5) else [])
    if not _is_number(rate_hz) or not 0 < rate_hz <= 64:
        problems.add(f"{at}: rate_hz", f"{rate_hz!r} is no sampling rate", "Write samples per second, up to 64.")
    if engines not in range(1, 5):
        problems.add(f"{at}: engines", f"{engines!r} is no number of engines", "Write 1 to 4.")
    if not isinstance(reversers, list) or any(engine not in range(1, engines + 1) for engine in reversers):
        problems.add(f"{at}: reversers", f"{reversers!r} are not among the engines", "List engine numbers.")
        reversers = []
    if not isinstance(series, dict) or not isinstance(gaps, dict):
        problems.add(at, "series and gaps must be tables by parameter")
        return {}
    for name in (*series, *gaps):
        if name not in PARAMETERS:
            problems.add(f"{at}: {name}", f"there is no parameter '{name}'", nearest(name, PARAMETERS))
    return {
        "rate_hz": rate_hz,
        "engines": engines,
        "reversers": tuple(reversers),
        "series": {k: _points(k, v, f"{at}: series.{k}", problems) for k, v in series.items() if k in PARAMETERS},
        "gaps": {k: _spans(v, f"{at}: gaps.{k}", problems) for k, v in gaps.items()},
    }


def _points(name: str, content: object, where: str, problems: Problems) -> tuple[tuple[float, Any], ...]:
    """Points of a series; a lone value holds throughout, an empty list means that it is not recorded."""
    points: list[Any] = content if isinstance(content, list) else [[-inf, content]]
    if not all(isinstance(point, list) and len(point) == 2 and _is_number(point[0]) for point in points):
        problems.add(where, "must be points [seconds after contact, value]", "Or one value that holds throughout.")
        return ()
    kind = PARAMETERS[name].kind
    valid = {
        "analogue": _is_number,
        "discrete": lambda v: isinstance(v, bool),
        "state": lambda v: v in STATES,
    }[kind]
    if bad := [value for _, value in points if not valid(value)]:
        form = {"analogue": "a number", "discrete": "true or false", "state": f"one of {', '.join(STATES)}"}[kind]
        problems.add(where, f"{bad[0]!r} cannot be a value of {name}", f"Write {form}.")
    times = [float(point[0]) for point in points]
    if any(b <= a for a, b in pairwise(times)):
        problems.add(where, "times must rise from point to point")
    return tuple(zip(times, (point[1] for point in points), strict=True))


def _spans(content: object, where: str, problems: Problems) -> tuple[tuple[float, float], ...]:
    if isinstance(content, list) and all(
        isinstance(span, list) and len(span) == 2 and all(map(_is_number, span)) and span[0] < span[1]
        for span in content
    ):
        return tuple((float(a), float(b)) for a, b in content)
    problems.add(where, "must be spans [from, to] in seconds after contact", "Such as [[2, 9]].")
    return ()
