"""The quality step: a block without what its recorder got wrong, and what was found, landing by landing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from fdm.bounded import Reasons
from fdm.crosschecks import doubts
from fdm.frames import Block, missing_of
from fdm.quality import Fault, dropouts, screen


@dataclass(frozen=True)
class Screened:
    """A block fit to be measured.

    unusable   parameter -> codes (n,) of why all its samples were taken out of a landing, 0 elsewhere
    faults     every fault found, located
    doubted    (row, sentence) of every parameter not believed
    """

    block: Block
    unusable: Mapping[str, np.ndarray]
    faults: tuple[Fault, ...]
    doubted: tuple[tuple[int, str], ...]

    def sentences(self, touchdown_s: np.ndarray) -> list[list[str]]:
        """What was found on each landing, in words; `touchdown_s` (n,) relative to the anchor."""
        found: list[list[str]] = [[] for _ in range(self.block.facts.height)]
        for row, sentence in self.doubted:
            found[row].append(sentence)
        for fault in self.faults:
            shift = touchdown_s[fault.row]
            found[fault.row].append(fault.sentence(0.0 if np.isnan(shift) else float(shift)))
        return found


def screened(block: Block, reasons: Reasons) -> Screened:
    """Faulty samples taken out, doubted parameters blanked."""
    values = dict(block.values)
    steps = dict(block.layout.steps)
    faults: list[Fault] = []
    for name, matrix in block.values.items():
        faults += dropouts(name, matrix, block.start_s[name], steps[name])
        values[name], found = screen(name, matrix, block.start_s[name], steps[name])
        faults += found
    clean = replace(block, values=values)
    unusable: dict[str, np.ndarray] = {}
    doubted: list[tuple[int, str]] = []
    for doubt in doubts(clean):
        rows = np.flatnonzero(doubt.rows)
        if not len(rows):
            continue
        sentences = {int(row): doubt.sentence(int(row)) for row in rows}
        doubted += sentences.items()
        for name in doubt.parameters:
            codes = unusable.setdefault(name, np.zeros(block.facts.height, np.int16))
            codes[rows] = [reasons.code(sentence) for sentence in sentences.values()]
            values[name] = values[name].copy()
            values[name][rows] = missing_of(name)
    return Screened(replace(block, values=values), unusable, tuple(faults), tuple(doubted))


def parameter_health(block: Block, faults: tuple[Fault, ...]) -> pl.DataFrame:
    """Of every landing and parameter: share of samples present from 10 s before to 30 s after the anchor, and faults.

    Columns landing_id, parameter, share, changes (whether the value ever changes), faults.
    """
    steps = dict(block.layout.steps)
    counts: dict[tuple[int, str], int] = {}
    for fault in faults:
        counts[fault.row, fault.parameter] = counts.get((fault.row, fault.parameter), 0) + 1
    parts = []
    for name, matrix in block.values.items():
        valid = matrix >= 0 if matrix.dtype == np.int8 else ~np.isnan(matrix)
        time_s = block.start_s[name][:, None] + np.arange(matrix.shape[1]) * np.float32(steps[name])
        inside = (time_s >= -10) & (time_s <= 30)
        share = (valid & inside).sum(axis=1) / np.maximum(inside.sum(axis=1), 1)
        low = np.where(valid, matrix, np.inf).min(axis=1)
        high = np.where(valid, matrix, -np.inf).max(axis=1)
        parts.append(
            pl.DataFrame(
                {
                    "landing_id": block.facts["landing_id"],
                    "parameter": pl.repeat(name, len(matrix), dtype=pl.String, eager=True),
                    "share": share.astype(np.float32),
                    "changes": high > low,
                    "faults": np.array([counts.get((row, name), 0) for row in range(len(matrix))], np.int16),
                }
            )
        )
    return pl.concat(parts)
