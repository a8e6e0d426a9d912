"""Recorded values into canonical ones: units, polarity, state codes; what is no value becomes a missing sample."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from fdm.cells import first_text, is_filler
from fdm.clocks import counted
from fdm.errors import RecordingError
from fdm.parameter_map import Code, MapEntry, code_of
from fdm.parameters import NOT_RECORDED
from fdm.readers import RawColumn

_CIRCULAR = ("heading", "wind_from")
_TURNS_DEG = 3600.0
# True and false at some time in every flight: other discretes may well show two words, neither of which is true.
_ALTERNATES = ("main_gear_ground", "main_gear_ground.left", "main_gear_ground.right", "nose_gear_ground")
# Values outside the plausible range by up to 10 tolerances are kept: noise about 0 kt at rest, for one.


def emptiness(entry: MapEntry, column: RawColumn) -> str:
    """Why an analogue parameter's column has nothing to decode: "holds '---' only"; "" where it may have."""
    values = column.values
    if entry.parameter.kind != "analogue" or isinstance(values, np.ndarray):
        return ""
    distinct = values.unique(maintain_order=True).to_list()
    return f"holds '{distinct[0]}' only" if all(is_filler(text) for text in distinct) else ""


def decode(entry: MapEntry, column: RawColumn) -> tuple[np.ndarray, list[str]]:
    """Canonical values (float64, or int8 for discretes and states) and notes on what was taken as missing.

    Raises RecordingError (without a source) when a text stands where the map expects numbers.
    """
    kind = entry.parameter.kind
    if kind == "analogue":
        return _analogue(entry, _numbers(entry, column))
    if kind == "discrete":
        return _coded(entry, column.values, dict.fromkeys(entry.true_when, 1), other=0)
    return _coded(entry, column.values, entry.states or {}, other=NOT_RECORDED)


def _numbers(entry: MapEntry, column: RawColumn) -> np.ndarray:
    values = column.values
    if isinstance(values, np.ndarray):
        return values
    bad = first_text(values)
    if is_filler(values[bad]):  # beside ones, which a flag might show
        return values.cast(pl.Float64, strict=False).fill_null(float("nan")).to_numpy(writable=True)
    row = bad if column.rows is None else int(column.rows[bad])
    problem = f"'{values[bad]}' is not a number (row {row + 1} of column {entry.column})"
    cure = "Leave cells without a value empty, and write decimals with a point."
    raise RecordingError(problem, where=entry.name, cure=cure)


def _analogue(entry: MapEntry, values: np.ndarray) -> tuple[np.ndarray, list[str]]:
    parameter = entry.parameter
    low, high = parameter.low - 10 * parameter.tolerance, parameter.high + 10 * parameter.tolerance
    canonical = values * entry.factor + entry.offset
    if entry.name in _CIRCULAR:
        canonical = _wrapped(canonical)
    if canonical.min() >= low and canonical.max() <= high:  # false where a value is NaN
        return canonical, []
    good = (canonical >= low) & (canonical <= high)
    finite = np.isfinite(canonical)
    canonical[~good] = np.nan
    notes = []
    if (strange := int((~finite).sum())) > 0:
        notes.append(f"{entry.name}: {_counted(strange)} not a number, taken as missing.")
    if (outside := int((finite & ~good).sum())) > 0:
        limits = f"{parameter.low:g} to {parameter.high:g} {parameter.unit}"
        notes.append(f"{entry.name}: {_counted(outside)} outside {limits}, taken as missing.")
    return canonical, notes


def _wrapped(angle_deg: np.ndarray) -> np.ndarray:
    """Angles recorded past a full turn (unwrapped, or 360.02 by rounding) brought back to 0-360."""
    past = np.abs(angle_deg) > 360
    past &= np.abs(angle_deg) < _TURNS_DEG
    if past.any():
        angle_deg[past] %= 360
    return angle_deg


def _counted(count: int) -> str:
    return f"{counted(count, 'value')} {'is' if count == 1 else 'are'}"


def _coded(
    entry: MapEntry, values: np.ndarray | pl.Series, codes: Mapping[Code, int], other: int
) -> tuple[np.ndarray, list[str]]:
    """Values through a table of codes; values that are in none become `other`, NaN NOT_RECORDED."""
    known = {_comparable(code): meaning for code, meaning in codes.items()}
    if isinstance(values, pl.Series):
        distinct = values.unique(maintain_order=True).to_list()
        meanings = [known.get(_comparable(code_of(text)), _unknown(text, other)) for text in distinct]
        found = values.replace_strict(distinct, meanings, return_dtype=pl.Int8).to_numpy()
        strange = [text for text in distinct if _comparable(code_of(text)) not in known]
    else:
        distinct = []
        found = np.full(len(values), other, np.int8)
        for code, meaning in known.items():
            if isinstance(code, float):
                found[values == code] = meaning
        nan = np.isnan(values)
        if nan.any():
            found[nan] = NOT_RECORDED
        strange = []
        if other == NOT_RECORDED and (found == NOT_RECORDED).any():
            strange = [f"{value:g}" for value in np.unique(values[found == NOT_RECORDED]).tolist()]
    shown = ", ".join(f"'{text}'" for text in strange[:3]) + (", …" if len(strange) > 3 else "")
    if entry.name in _ALTERNATES and len(strange) == len(distinct) > 1:
        problem = f"{entry.name}: true_when holds none of its values ({shown}); all are taken as missing."
        return np.full(len(values), NOT_RECORDED, np.int8), [problem]
    if other != NOT_RECORDED or not strange:
        return found, []
    count = int((found == NOT_RECORDED).sum())
    return found, [f"{entry.name}: {_counted(count)} not in the map's states ({shown}), taken as missing."]


def _unknown(text: str, other: int) -> int:
    """What a text that is no code means: a word such as INVALID nothing, anything else `other`; a dash may be false."""
    return NOT_RECORDED if is_filler(text) and any(letter.isalpha() for letter in text) else other


def _comparable(code: Code) -> Code:
    """Texts compare without regard to case; true and false are 1 and 0, as the readers turn them into numbers."""
    if isinstance(code, float):
        return code
    text = code.casefold()
    return {"true": 1.0, "false": 0.0}.get(text, text)
