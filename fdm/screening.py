"""The quality step: a block without what its recorder got wrong, and what was found, landing by landing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from fdm.bounded import Reasons
from fdm.crosschecks import datum_off_g, doubts
from fdm.frames import Block, missing_of
from fdm.held import held
from fdm.quality import Fault, dropouts, in_words, screen, span
from fdm.repeats import standstills, without
from fdm.signal import changes, counted
from fdm.standstill import standing_still

HEALTH_S = (-10.0, 30.0)  # around the anchor


Remark = tuple[int, str, tuple[float, float] | None]


@dataclass(frozen=True)
class Screened:
    """A block fit to be measured.

    unusable   parameter -> codes (n,) of why all its samples were taken out of a landing, 0 elsewhere
    faults     every fault found, located
    doubted    (row, sentence, from and to relative to the anchor or None) of every parameter not believed
    """

    block: Block
    unusable: Mapping[str, np.ndarray]
    faults: tuple[Fault, ...]
    doubted: tuple[Remark, ...]

    def sentences(self, touchdown_s: np.ndarray) -> list[list[str]]:
        """What was found on each landing, in words; `touchdown_s` (n,) relative to the anchor."""
        found: list[list[str]] = [[] for _ in range(self.block.facts.height)]
        shift = np.nan_to_num(touchdown_s, nan=0.0)
        for row, sentence, when in self.doubted:
            found[row].append(sentence if when is None else f"{sentence}, {span(*when, float(shift[row]))}")
        by_row: dict[int, list[Fault]] = {}
        for fault in self.faults:
            by_row.setdefault(fault.row, []).append(fault)
        for row, faults in by_row.items():
            found[row] += in_words(faults, float(shift[row]))
        return found


def screened(block: Block, reasons: Reasons) -> Screened:
    """Faulty samples taken out, doubted parameters blanked."""
    recorded, stills = block.values, standstills(block)
    block = without(block, stills)
    values = dict(block.values)
    steps = dict(block.layout.steps)
    faults: list[Fault] = []
    for name, matrix in block.values.items():
        faults += dropouts(name, recorded[name], block.start_s[name], steps[name])
        values[name], found = screen(name, matrix, block.start_s[name], steps[name])
        faults += found
    clean = replace(block, values=values)
    for find in (held, standing_still):
        kept = list(find(clean))
        for name in {fault.parameter for fault in kept}:
            mine = [fault for fault in kept if fault.parameter == name]
            values[name] = _without(values[name], block.start_s[name], steps[name], mine)
        faults += kept
    unusable: dict[str, np.ndarray] = {}
    doubted: list[Remark] = [(s.row, "every parameter repeats its last value", (s.from_s, s.to_s)) for s in stills]
    doubted += _datum_taken_out(values, clean)
    for doubt in doubts(clean):
        rows = np.flatnonzero(doubt.rows)
        if not len(rows):
            continue
        sentences = {int(row): doubt.sentence(int(row)) for row in rows}
        doubted += [(row, sentence, doubt.when and doubt.when(row)) for row, sentence in sentences.items()]
        for name in doubt.parameters:
            codes = unusable.setdefault(name, np.zeros(block.facts.height, np.int16))
            codes[rows] = [reasons.code(sentence) for sentence in sentences.values()]
            values[name] = values[name].copy()
            values[name][rows] = missing_of(name)
    return Screened(replace(block, values=values), unusable, tuple(faults), tuple(doubted))


def _without(values: np.ndarray, start_s: np.ndarray, step_s: float, faults: Sequence[Fault]) -> np.ndarray:
    """A parameter's samples without those of some faults."""
    values = values.copy()
    for fault in faults:
        first, last = (round((time_s - float(start_s[fault.row])) / step_s) for time_s in (fault.from_s, fault.to_s))
        values[fault.row, first : last + 1] = np.nan
    return values


def _datum_taken_out(values: dict[str, np.ndarray], block: Block) -> list[Remark]:
    """An accelerometer whose datum is off is read as if it were not; what was done, in words."""
    name = "normal_acceleration"
    off_g = datum_off_g(block) if name in values else None
    rows = np.flatnonzero(off_g) if off_g is not None else np.zeros(0, np.int64)
    if off_g is None or not len(rows):
        return []
    values[name] = values[name].copy()
    values[name][rows] -= off_g[rows, None].astype(np.float32)
    said = "normal acceleration rests at {:.2f} g, not at 1 g: its datum is off; that was taken out"
    return [(int(row), said.format(1 + off_g[row]), None) for row in rows]


def parameter_health(block: Block, faults: tuple[Fault, ...]) -> pl.DataFrame:
    """Of every landing and parameter: share of samples present from 10 s before to 30 s after the anchor, and faults.

    Columns landing_id, parameter, share, changes (whether the value ever changes), faults.
    """
    steps, n, names = dict(block.layout.steps), block.facts.height, list(block.values)
    share, changing = np.zeros((len(names), n), np.float32), np.zeros((len(names), n), bool)
    for number, name in enumerate(names):
        matrix = block.values[name]
        share[number] = _share(matrix, block.start_s[name], steps[name])
        changing[number] = changes(matrix)
    counts = np.zeros((len(names), n), np.int16)
    for fault in faults:
        counts[names.index(fault.parameter), fault.row] += 1
    return pl.DataFrame(
        {
            "landing_id": pl.concat([block.facts["landing_id"]] * len(names)),
            "parameter": pl.Series(names, dtype=pl.String).gather(np.repeat(np.arange(len(names)), n)),
            "share": share.reshape(-1),
            "changes": changing.reshape(-1),
            "faults": counts.reshape(-1),
        }
    )


def _share(matrix: np.ndarray, start_s: np.ndarray, step_s: float) -> np.ndarray:
    """(n,) share of the samples that are there, from 10 s before to 30 s after the anchor."""
    first = np.ceil((HEALTH_S[0] - start_s) / step_s - 1e-4).clip(0, matrix.shape[1]).astype(np.int32)
    behind = np.floor((HEALTH_S[1] - start_s) / step_s + 1e-4).clip(-1, matrix.shape[1] - 1).astype(np.int32) + 1
    c0, c1 = int(first.min(initial=matrix.shape[1])), int(behind.max(initial=0))
    columns, some = np.arange(c0, c1, dtype=np.int32), matrix[:, c0:c1]
    there = some >= 0 if some.dtype == np.int8 else ~np.isnan(some)
    if not there.size:
        return np.zeros(len(matrix), np.float32)
    there &= (columns >= first[:, None]) & (columns < behind[:, None])
    return counted(there) / np.maximum(behind - first, 1).astype(np.float32)
