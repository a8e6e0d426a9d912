"""Parameter maps: the TOML file that ties an operator's columns, units and codes to canonical parameters.

    [map]
    name = "Example recorder"; fleet = "Example twin"; engines = 2; reversers = [1, 2]
    [parameter.ground_speed]
    column = "GS"; unit = "kt"; rate_hz = 1.0; offset_s = 0.25
    [parameter."reverser_deployed.1"]
    column = "REV1 DEP"; true_when = [1]
    [parameter."reverser_state.2"]
    column = "REV2"; states = { "0" = "stowed", "1" = "in_transit", "2" = "deployed" }
    [parameter.spoiler_handle]
    column = "SPLR"; unit = "deg"; full_travel = 60.0

(Written out over lines in real TOML.) A wrong file is refused with all its problems at once.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fdm.errors import MapError, nearest
from fdm.parameters import PARAMETERS, STATES, Parameter
from fdm.units import CONVERSIONS

# Units in which full_travel may be given: the value is divided by it, so any measure of travel will do.
TRAVEL_UNITS = ("deg", "rad", "mm", "cm", "in", "%", "fraction", "V")

Code = str | float  # a value as recorded: text, or a number (true is 1)


@dataclass(frozen=True)
class MapEntry:
    """Where one canonical parameter stands in a recording, and how to turn it into canonical values.

    name             canonical name
    column           the operator's name
    factor, offset   canonical = recorded * factor + offset (analogue parameters)
    true_when        recorded values that mean true (discretes)
    states           recorded value -> parameters.STATES code (states)
    rate_hz          true sampling rate, when the map gives it
    offset_s         time from a sample's stamp to the sample itself, when the map gives it
    """

    name: str
    column: str
    unit: str = ""
    factor: float = 1.0
    offset: float = 0.0
    true_when: tuple[Code, ...] = ()
    states: Mapping[Code, int] | None = None
    rate_hz: float | None = None
    offset_s: float | None = None

    @property
    def parameter(self) -> Parameter:
        """The canonical parameter's definition."""
        return PARAMETERS[self.name]


@dataclass(frozen=True)
class ParameterMap:
    """One recorder layout. `entries` is keyed by canonical name."""

    source: str
    name: str
    fleet: str | None
    engines: int
    reversers: tuple[int, ...]
    reversers_out: tuple[int, ...]
    entries: Mapping[str, MapEntry]


@dataclass(frozen=True)
class _Problem:
    where: str
    what: str
    cure: str | None = None

    def __str__(self) -> str:
        return f"{self.where}: {self.what}" + (f". {self.cure}" if self.cure else "")


_MAP_KEYS = ("name", "fleet", "engines", "reversers", "reversers_out")
_ANY_HEAD = {"name": "", "fleet": None, "engines": 4, "reversers": (1, 2, 3, 4), "reversers_out": ()}
_ENTRY_KEYS = ("column", "unit", "true_when", "states", "full_travel", "rate_hz", "offset_s")


def load_map(path: Path) -> ParameterMap:
    """Read and check a parameter map. Raises MapError naming every problem of the file."""
    document = _document(path)
    problems: list[_Problem] = []
    problems += _unknown_keys("file", document, ("map", "parameter"))
    head = document.get("map")
    table = document.get("parameter")
    if not isinstance(head, dict):
        cure = "Add it, with name, engines and reversers."
        problems.append(_Problem("map", "there is no [map] table", cure))
    if not isinstance(table, dict) or not table:
        problems.append(_Problem("parameter", "no parameter is mapped", "Add tables such as [parameter.ground_speed]."))
    facts = _head(head, problems) if isinstance(head, dict) else dict(_ANY_HEAD)
    entries = _entries(table if isinstance(table, dict) else {}, facts, problems)
    if problems:
        raise _map_error(path, problems)
    return ParameterMap(source=str(path), entries=entries, **facts)


def _document(path: Path) -> dict[str, Any]:
    try:
        with open(path, "rb") as file:
            return tomllib.load(file)
    except OSError as error:
        raise MapError(f"cannot be read ({error.strerror})", source=path, cure="Check the path of the map.") from None
    except UnicodeDecodeError:
        raise MapError("is not UTF-8 text", source=path, cure="Save the map as UTF-8.") from None
    except RecursionError:
        raise MapError("is nested too deeply", source=path, cure="A map needs no brackets within brackets.") from None
    except tomllib.TOMLDecodeError as error:
        twice = "verwrite" in str(error) or "twice" in str(error) or "uplicate" in str(error)
        cure = "A key or table stands twice; keep one." if twice else "Correct the TOML at that place."
        raise MapError(f"is not valid TOML: {error}", source=path, cure=cure) from None


def _map_error(path: Path, problems: list[_Problem]) -> MapError:
    if len(problems) == 1:
        only = problems[0]
        return MapError(only.what, source=path, where=only.where, cure=only.cure)
    lines = "".join(f"\n  {problem}" for problem in problems)
    return MapError(f"{len(problems)} problems:{lines}", source=path)


def _unknown_keys(where: str, table: Mapping[str, Any], valid: tuple[str, ...]) -> Iterator[_Problem]:
    for key in table:
        if key not in valid:
            yield _Problem(where, f"unknown key '{key}'", nearest(key, valid))


def _head(head: Mapping[str, Any], problems: list[_Problem]) -> dict[str, Any]:
    """The [map] table, checked; wrong values are reported and replaced by harmless ones."""
    problems += _unknown_keys("map", head, _MAP_KEYS)
    name, fleet, engines = head.get("name"), head.get("fleet"), head.get("engines")
    if not isinstance(name, str) or not name.strip():
        problems.append(_Problem("map.name", "must be a text", "Give the recorder layout a name."))
    if fleet is not None and not isinstance(fleet, str):
        problems.append(_Problem("map.fleet", "must be a text"))
    if not (isinstance(engines, int) and _whole(engines) and 1 <= engines <= 4):
        problems.append(_Problem("map.engines", f"must be a whole number from 1 to 4, not {engines!r}"))
        engines = 4
    reversers = _engine_list(head, "reversers", range(1, engines + 1), problems, required=True)
    out = _engine_list(head, "reversers_out", reversers, problems, required=False)
    return {"name": name, "fleet": fleet, "engines": engines, "reversers": reversers, "reversers_out": out}


def _engine_list(
    head: Mapping[str, Any],
    key: str,
    valid: range | tuple[int, ...],
    problems: list[_Problem],
    *,
    required: bool,
) -> tuple[int, ...]:
    value = head.get(key, None if required else [])
    if not isinstance(value, list) or not all(_whole(n) for n in value):
        problems.append(_Problem(f"map.{key}", "must be a list of engine numbers", f"For example {key} = [1, 2]."))
        return tuple(valid)
    if len(set(value)) != len(value):
        problems.append(_Problem(f"map.{key}", "names an engine twice"))
    for engine in value:
        if engine not in valid:
            among = ", ".join(map(str, valid)) or "none"
            problems.append(_Problem(f"map.{key}", f"engine {engine} is not among {among}"))
    return tuple(sorted(set(value)))


def _whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _entries(table: Mapping[str, Any], facts: Mapping[str, Any], problems: list[_Problem]) -> dict[str, MapEntry]:
    entries: dict[str, MapEntry] = {}
    column_of: dict[str, str] = {}
    for name, given in table.items():
        where = f"parameter.{name}"
        found = list(_name_problems(name, given, facts))
        if not found:
            found = list(_entry_problems(PARAMETERS[name], given))
        column = given.get("column") if isinstance(given, dict) else None
        if isinstance(column, str) and column in column_of:
            found.append(_Problem(where, f"column '{column}' is already used by {column_of[column]}"))
        elif isinstance(column, str):
            column_of[column] = where
        problems += found
        if not found:
            entries[name] = _entry(PARAMETERS[name], given)
    return entries


def _name_problems(name: str, given: object, facts: Mapping[str, Any]) -> Iterator[_Problem]:
    """What is wrong with a parameter's name, before its keys are looked at."""
    where = f"parameter.{name}"
    if not isinstance(given, dict):
        yield _Problem(where, "must be a table", f"Write [{where}] and its keys under it.")
        return
    if name not in PARAMETERS:
        dotted = [f"{name}.{suffix}" for suffix, inner in given.items() if isinstance(inner, dict)]
        if dotted and dotted[0] in PARAMETERS:
            yield _Problem(where, "a name with a dot must stand in quotes", f'Write [parameter."{dotted[0]}"].')
        else:
            yield _Problem(where, "is no canonical parameter", nearest(name, PARAMETERS))
        return
    family, _, suffix = name.partition(".")
    if suffix.isdigit():
        engine = int(suffix)
        if engine > facts["engines"]:
            yield _Problem(where, f"there is no engine {engine}: map.engines is {facts['engines']}")
        elif family.startswith("reverse") and engine not in facts["reversers"]:
            yield _Problem(where, f"engine {engine} has no reverser in map.reversers")


def _entry_problems(parameter: Parameter, given: Mapping[str, Any]) -> Iterator[_Problem]:
    """What is wrong with the keys of one [parameter.X] table."""
    where = f"parameter.{parameter.name}"
    yield from _unknown_keys(where, given, _ENTRY_KEYS)
    column = given.get("column")
    if not isinstance(column, str) or not column.strip():
        yield _Problem(f"{where}.column", "must name a column of the recording")
    rate = given.get("rate_hz")
    if rate is not None and not (_number(rate) and rate > 0):
        yield _Problem(f"{where}.rate_hz", f"must be samples per second above 0, not {rate!r}")
    offset = given.get("offset_s")
    if offset is not None and not (_number(offset) and abs(offset) < 64):
        yield _Problem(f"{where}.offset_s", f"must be seconds within one frame, not {offset!r}")
    meant = {"analogue": ("unit", "full_travel"), "discrete": ("true_when",), "state": ("states",)}[parameter.kind]
    for key in ("unit", "full_travel", "true_when", "states"):
        if key in given and key not in meant:
            yield _Problem(f"{where}.{key}", f"does not apply: {parameter.name} is {_kind(parameter)}")
    yield from {"analogue": _unit_problems, "discrete": _true_problems, "state": _state_problems}[parameter.kind](
        where, parameter, given
    )


def _kind(parameter: Parameter) -> str:
    return f"analogue ({parameter.unit})" if parameter.kind == "analogue" else f"a {parameter.kind}"


def _unit_problems(where: str, parameter: Parameter, given: Mapping[str, Any]) -> Iterator[_Problem]:
    unit, travel = given.get("unit"), given.get("full_travel")
    valid: tuple[str, ...] = tuple(CONVERSIONS[parameter.unit])
    if travel is not None:
        if parameter.unit != "fraction":
            yield _Problem(
                f"{where}.full_travel",
                f"does not apply: {parameter.name} is in {parameter.unit}",
            )
        elif not _number(travel) or travel == 0:
            yield _Problem(f"{where}.full_travel", f"must be the reading at full travel, not {travel!r}")
        else:
            valid = TRAVEL_UNITS
    if not isinstance(unit, str):
        yield _Problem(f"{where}.unit", "is missing", f"Valid units: {', '.join(valid)}.")
    elif unit not in valid:
        needs_travel = travel is None and parameter.unit == "fraction" and unit in TRAVEL_UNITS
        cure = "Add full_travel, the reading at full travel." if needs_travel else nearest(unit, valid)
        yield _Problem(f"{where}.unit", f"unknown unit '{unit}'", cure)


def _true_problems(where: str, parameter: Parameter, given: Mapping[str, Any]) -> Iterator[_Problem]:
    value = given.get("true_when")
    if not isinstance(value, list) or not value:
        cure = "For example true_when = [1], or [0] where the recorder is inverted."
        yield _Problem(f"{where}.true_when", "must list the recorded values that mean true", cure)
    elif not all(isinstance(x, str | int | float) for x in value):
        yield _Problem(f"{where}.true_when", "may hold numbers and texts only")


def _state_problems(where: str, parameter: Parameter, given: Mapping[str, Any]) -> Iterator[_Problem]:
    value = given.get("states")
    if not isinstance(value, dict) or not value:
        cure = 'For example states = { "0" = "stowed", "1" = "in_transit", "2" = "deployed" }.'
        yield _Problem(f"{where}.states", "must give the meaning of each recorded value", cure)
        return
    for code, meaning in value.items():
        if not isinstance(meaning, str) or meaning not in STATES:
            yield _Problem(f"{where}.states", f"'{code}' = {meaning!r} is no state", nearest(str(meaning), STATES))
    missing = [state for state in ("stowed", "deployed") if state not in value.values()]
    if missing:
        yield _Problem(f"{where}.states", f"no recorded value means {' or '.join(missing)}")


def _entry(parameter: Parameter, given: Mapping[str, Any]) -> MapEntry:
    factor, offset = 1.0, 0.0
    if parameter.kind == "analogue":
        if "full_travel" in given:
            factor = 1.0 / given["full_travel"]
        else:
            factor, offset = CONVERSIONS[parameter.unit][given["unit"]]
    states = {code_of(code): STATES[meaning] for code, meaning in given.get("states", {}).items()}
    return MapEntry(
        name=parameter.name,
        column=given["column"].strip(),
        unit=given.get("unit", ""),
        factor=factor,
        offset=offset,
        true_when=tuple(code_of(value) for value in given.get("true_when", ())),
        states=states or None,
        rate_hz=given.get("rate_hz"),
        offset_s=given.get("offset_s"),
    )


def code_of(value: str | int | float) -> Code:
    """A recorded value as it is compared: numbers (also written as text) as float, other text as is."""
    if isinstance(value, str):
        try:
            return float(value)
        except ValueError:
            return value.strip()
    return float(value)
