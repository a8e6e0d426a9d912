"""Stretches in which a whole recording stood still: the recorder, or the export, repeated what it had last.

Accelerometers and speed of a rolling aeroplane change within a second or two, height and speed of a flying one; where
all of them, and all else that is no switch, repeat one value exactly, nothing recorded then is fresh. Thresholds are
common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fdm.frames import Block, missing_of

FELT = ("normal_acceleration", "longitudinal_acceleration")
SPEED = "ground_speed"
FEWEST_SPEEDS = 3
LEAST_S, FEWEST = 2.0, 5  # the felt ones repeat for so long, and in so many samples each
MOVING_KT = 40.0  # a parked aeroplane may well stand still


@dataclass(frozen=True)
class Standstill:
    """A landing's row, and from and to, seconds relative to the anchor: nothing in (from, to] is fresh.

    It may have begun or ended up to `edge_s` further out: what reads there as it does inside is not fresh either.
    """

    row: int
    from_s: float
    to_s: float
    edge_s: float


def standstills(block: Block) -> list[Standstill]:
    """Every stretch in which the accelerometers of a landing and whatever else is analogue stood still together."""
    if any(name not in block.values for name in (*FELT, SPEED)):
        return []
    found, edge_s = [], max(dict(block.layout.steps)[name] for name in FELT)
    for row, from_s, to_s in _stretches(block, FELT[0]):
        for _, other_from_s, other_to_s in _stretches(block, FELT[1], row):
            start_s, end_s = max(from_s, other_from_s), min(to_s, other_to_s)
            if end_s - start_s >= LEAST_S and _all_stand(block, row, start_s, end_s):
                found.append(Standstill(row, start_s, end_s, edge_s))
    return found


def _all_stand(block: Block, row: int, from_s: float, to_s: float) -> bool:
    """Whether no analogue parameter changes in between, the speed is a moving one, and was sampled a few times."""
    speed = _within(block, SPEED, row, from_s, to_s)
    if len(speed) < FEWEST_SPEEDS or speed[0] < MOVING_KT:
        return False
    analogue = [name for name, matrix in block.values.items() if matrix.dtype != np.int8]
    some = [_within(block, name, row, from_s, to_s) for name in analogue]
    return all(np.ptp(values) == 0 for values in some if len(values))


def _stretches(block: Block, name: str, only: int | None = None) -> list[tuple[int, float, float]]:
    """Row, from and to of every long run of equal samples of a parameter; of one row when it is given."""
    step, start_s = dict(block.layout.steps)[name], block.start_s[name]
    values = block.values[name] if only is None else block.values[name][only : only + 1]
    runs = _runs(values, max(FEWEST, round(LEAST_S / step) + 1))
    rows = [(row if only is None else only, float(step * first), float(step * last)) for row, first, last in runs]
    return [(row, float(start_s[row]) + first_s, float(start_s[row]) + last_s) for row, first_s, last_s in rows]


def _runs(values: np.ndarray, samples: int) -> list[tuple[int, int, int]]:
    """Row, first and last column of every run of so many and more equal samples."""
    same = values[:, 1:] == values[:, :-1]
    whole, width = same, 1
    while width < samples - 1 and whole.any():  # true where so many neighbours in a row are equal
        more = min(width, samples - 1 - width)
        whole, width = whole[:, :-more] & whole[:, more:], width + more
    runs = []
    for row in np.flatnonzero(whole.any(axis=1)):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], same[row], [False]])))
        pairs = edges.reshape(-1, 2)
        runs += [(int(row), int(a), int(b)) for a, b in pairs if b - a >= samples - 1]
    return runs


def _within(block: Block, name: str, row: int, from_s: float, to_s: float) -> np.ndarray:
    """The samples of a parameter between two times, without missing ones."""
    values, columns = block.values[name][row], _columns(block, name, row, from_s, to_s)
    some = values[columns]
    return some[~np.isnan(some)]


def _columns(block: Block, name: str, row: int, from_s: float, to_s: float) -> slice:
    """The columns of samples in (from, to]."""
    step, start_s = dict(block.layout.steps)[name], float(block.start_s[name][row])
    first, last = (int(np.floor((time_s - start_s) / step + 1e-4)) + 1 for time_s in (from_s, to_s))
    return slice(max(first, 0), max(last, 0))


def without(block: Block, stretches: list[Standstill]) -> Block:
    """The block with every sample of such stretches taken out; itself where there are none."""
    if not stretches:
        return block
    values = {name: matrix.copy() for name, matrix in block.values.items()}
    for still in stretches:
        for name, matrix in values.items():
            inside = _columns(block, name, still.row, still.from_s, still.to_s)
            around = _columns(block, name, still.row, still.from_s - still.edge_s, still.to_s + still.edge_s)
            some = matrix[still.row, around]
            some[some == matrix[still.row, min(inside.start, matrix.shape[1] - 1)]] = missing_of(name)
            matrix[still.row, inside] = missing_of(name)
    return replace(block, values=values)
