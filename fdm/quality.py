"""Recorder faults in a batch of landings: found, named, located, and taken out before anything is measured.

What a mechanism or the air cannot do in one sample is the recorder's doing: values that leap away and back (spike), to
one number for a while and back (lost), values that stand still and then leap (frozen), samples missing in a row
(dropout), a reverser that changes state for a single sample, or says deployed and locked at once (contradiction).
Samples so found become missing, so that no measure rests on them; what is missing is then said by the measures
themselves.

Thresholds are common practice without a source unless one is named; they are set well beyond what a landing shows.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from fdm.signal import counted

# Largest change per second, in the parameter's unit, and a fixed allowance for noise and resolution.
FASTEST: dict[str, tuple[float, float]] = {
    "ground_speed": (16.0, 3.0),  # 0.8 g
    "airspeed": (20.0, 8.0),
    "radio_height": (60.0, 12.0),
    "heading": (6.0, 4.0),  # there and back: a swing reverses within two samples
    "pitch": (12.0, 3.0),
    "n1": (12.0, 5.0),  # there and back: an engine that spools up does not spool down in the next sample
    "epr": (0.3, 0.12),
    "spoiler_handle": (0.0, 0.4),  # may run its full travel between two samples, but not there and back
    "spoiler_panel": (0.0, 0.4),
    "reverse_lever": (0.0, 0.4),
    "latitude": (0.001, 0.004),
    "longitude": (0.002, 0.008),
    "gross_weight": (0.0, 2000.0),
}
INERT = ("ground_speed", "airspeed", "latitude", "longitude")  # they cannot come back in two samples either
# These change from sample to sample while they change at all; the share of a spike's leap that ends a standstill.
FREEZES = {"ground_speed": 0.25, "radio_height": 1.0, "n1": 1.0, "epr": 1.0, "heading": 0.5}
LOSES = ("ground_speed", "airspeed", "heading", "n1", "epr")  # a recorder that lost it writes one number, often 0
# They go on as they began: where the change after the leap is more than this share of it, they truly began to move.
TAILS = {"ground_speed": 0.5, "n1": 0.4, "epr": 0.4, "heading": 0.4}
FROZEN_S, STEADY_S = 3.0, {"heading": 5.0}  # what is steered may well stay to the degree for a few seconds
PULSED = ("reverser_state", "reverser_deployed", "reverser_unlocked")  # cannot go and come back within one sample
PULSE_STEP_S = 1.05  # ... of at most this length
UNLOCKS_S = 0.3  # ... and not even unlock and lock again within one of this
DROPOUT_SAMPLES = 3
NO_SAMPLES = "no samples"
MANY, TOGETHER_S = 4, 2.5  # so many parameters that fall silent and come back within so long share a cause


@dataclass(frozen=True)
class Fault:
    """One fault of one landing: which parameter, what kind, from when to when (seconds relative to the anchor)."""

    row: int
    parameter: str
    kind: str
    from_s: float
    to_s: float

    def sentence(self, touchdown_s: float) -> str:
        """In words, with times after touchdown."""
        return f"{self.parameter}: {self.kind} {span(self.from_s, self.to_s, touchdown_s)}"


def span(from_s: float, to_s: float, touchdown_s: float) -> str:
    """'from 3.1 to 4.5 s after touchdown'."""
    start, end = from_s - touchdown_s, to_s - touchdown_s
    when = f"at {start:.1f} s" if to_s - from_s < 0.05 else f"from {start:.1f} to {end:.1f} s"
    return f"{when} after touchdown"


def in_words(faults: Sequence[Fault], touchdown_s: float) -> list[str]:
    """The faults of one landing, a sentence each; what many parameters lack at the same time in one sentence."""
    lacking = sorted((f for f in faults if f.kind == NO_SAMPLES), key=lambda f: (f.from_s, f.parameter))
    said: list[str] = []
    while lacking:
        first = lacking[0]
        together = [f for f in lacking if _together(first, f)]
        lacking = [f for f in lacking if not _together(first, f)]
        if len({f.parameter for f in together}) < MANY:
            said += [f.sentence(touchdown_s) for f in together]
            continue
        ends = min(f.from_s for f in together), max(f.to_s for f in together)
        names = len({f.parameter for f in together})
        said.append(f"{NO_SAMPLES} of {names} parameters {span(*ends, touchdown_s)}")
    return said + [f.sentence(touchdown_s) for f in faults if f.kind != NO_SAMPLES]


def _together(a: Fault, b: Fault) -> bool:
    return abs(a.from_s - b.from_s) < TOGETHER_S and abs(a.to_s - b.to_s) < TOGETHER_S


def family(name: str) -> str:
    """A parameter's name without its engine or side."""
    return name.partition(".")[0]


def screen(name: str, values: np.ndarray, start_s: np.ndarray, step_s: float) -> tuple[np.ndarray, list[Fault]]:
    """A parameter's samples (n, m) with faulty ones taken out, and the faults found.

    The array given is returned itself when nothing is wrong with it.
    """
    kind = family(name)
    found: list[tuple[str, np.ndarray]] = []
    if kind in FASTEST:
        per_s, allowance = FASTEST[kind]
        leap = per_s * step_s + allowance
        leapt = spikes(values, leap, wraps=kind == "heading", two=kind in INERT)
        found.append(("spike", leapt))
        if kind in LOSES:
            found.append(("lost", lost(values, leap, wraps=kind == "heading")))
        if kind in FREEZES:
            samples = max(3, round(STEADY_S.get(kind, FROZEN_S) / step_s))
            settled = np.where(leapt, np.float32(np.nan), values) if leapt.any() else values
            found.append(
                ("frozen", frozen(settled, leap * FREEZES[kind], samples, TAILS.get(kind), wraps=kind == "heading"))
            )
    if kind in PULSED and step_s <= PULSE_STEP_S:
        found.append(("lone change of state", pulses(values, any_change=step_s <= UNLOCKS_S)))
    found = [(label, mask) for label, mask in found if mask.any()]
    faults = [fault for label, mask in found for fault in _located(name, label, mask, start_s, step_s)]
    if found:
        values = values.copy()
        for _, mask in found:
            values[mask] = -1 if values.dtype == np.int8 else np.nan
    return values, faults


def spikes(values: np.ndarray, leap: float, wraps: bool = False, two: bool = False) -> np.ndarray:
    """(n, m) true at single samples that lie more than `leap` to one side of both neighbours; at `two` in a row too."""
    mask = np.zeros(values.shape, bool)
    with np.errstate(invalid="ignore"):
        change = _step(values[:, :-1], values[:, 1:], wraps)
        up, down = change > leap, change < -leap
    if up.any() and down.any():
        mask[:, 1:-1] = (up[:, :-1] & down[:, 1:]) | (down[:, :-1] & up[:, 1:])
        if two:
            pair = (up[:, :-2] & down[:, 2:]) | (down[:, :-2] & up[:, 2:])
            pair &= ~(up | down)[:, 1:-1]
            mask[:, 1:-2] |= pair
            mask[:, 2:-1] |= pair
    return mask


def lost(values: np.ndarray, leap: float, wraps: bool = False) -> np.ndarray:
    """(n, m) true in runs of two and more equal samples that a leap leads to and one the other way leads from."""
    mask = np.zeros(values.shape, bool)
    with np.errstate(invalid="ignore"):
        change = _step(values[:, :-1], values[:, 1:], wraps)
        leaps = np.abs(change) > leap
    for row in np.flatnonzero(counted(leaps) > 1):
        at = np.flatnonzero(leaps[row])
        for before, behind in itertools.pairwise(at):
            there, back = change[row, before], change[row, behind]
            if behind - before > 1 and there * back < 0 and not change[row, before + 1 : behind].any():
                mask[row, before + 1 : behind + 1] = True
    return mask


def frozen(values: np.ndarray, leap: float, samples: int, tail: float | None = None, wraps: bool = False) -> np.ndarray:
    """(n, m) true where a value repeats exactly for `samples` or more and then leaps by more than `leap`.

    The first sample of the run is kept: it was sampled before the freeze.
    tail    share of a leap; where the next change goes on by more than it, the value truly began to move
    """
    with np.errstate(invalid="ignore"):
        change = _step(values[:, :-1], values[:, 1:], wraps)
    jumped = np.abs(change) > leap
    if tail is not None and jumped.any():
        behind = np.nan_to_num(np.pad(change[:, 1:], ((0, 0), (0, 1))), nan=0.0)
        jumped &= np.sign(change) * behind <= tail * np.abs(change)
    mask = np.zeros(values.shape, bool)
    if not jumped.any():
        return mask
    same = change == 0
    for row in np.flatnonzero(jumped.any(axis=1)):
        for k in np.flatnonzero(jumped[row]):
            start = k
            while start > 0 and same[row, start - 1]:
                start -= 1
            if k - start + 1 >= samples:
                mask[row, start + 1 : k + 1] = True
    return mask


def pulses(values: np.ndarray, any_change: bool = True) -> np.ndarray:
    """(n, m) true at single samples of a discrete or state that differ from two equal neighbours.

    any_change  else only those that no reverser can show: one that is out may not be seen to lock and unlock again
                within a sample, nor one that is stowed to run its whole travel there and back; it may unlock so shortly
    """
    mask = np.zeros(values.shape, bool)
    left, here, right = values[:, :-2], values[:, 1:-1], values[:, 2:]
    lone = (left == right) & (here != left) & (here >= 0) & (left >= 0)
    if not any_change and lone.any():
        lone &= (np.abs(here - left) > 1) | ((here < left) & (left == 1))
    mask[:, 1:-1] = lone
    return mask


def dropouts(name: str, values: np.ndarray, start_s: np.ndarray, step_s: float) -> list[Fault]:
    """Runs of missing samples between recorded ones, `DROPOUT_SAMPLES` or longer."""
    valid = values >= 0 if values.dtype == np.int8 else ~np.isnan(values)
    first, last = np.argmax(valid, axis=1), valid.shape[1] - 1 - np.argmax(valid[:, ::-1], axis=1)
    count = counted(valid)
    rows = np.flatnonzero((count > 0) & (count < last - first + 1))
    if not len(rows):
        return []
    columns = np.arange(values.shape[1])
    inside = ~valid[rows] & (columns >= first[rows, None]) & (columns <= last[rows, None])
    return [
        fault
        for fault in _located(name, NO_SAMPLES, inside, start_s, step_s, rows)
        if fault.to_s - fault.from_s >= (DROPOUT_SAMPLES - 1) * step_s - 1e-3
    ]


def _step(a: np.ndarray, b: np.ndarray, wraps: bool) -> np.ndarray:
    change = b - a
    return change - 360 * np.rint(change / 360) if wraps else change


def _located(
    name: str, label: str, mask: np.ndarray, start_s: np.ndarray, step_s: float, rows: np.ndarray | None = None
) -> Iterator[Fault]:
    """Each run of a mask as a fault; `rows` are those that the mask's rows stand for, when not all."""
    for number in np.flatnonzero(mask.any(axis=1)):
        row = number if rows is None else rows[number]
        columns = np.flatnonzero(mask[number])
        breaks = np.flatnonzero(np.diff(columns) > 1)
        firsts = columns[np.concatenate([[0], breaks + 1])]
        lasts = columns[np.concatenate([breaks, [len(columns) - 1]])]
        for first, last in zip(firsts, lasts, strict=True):
            begin = float(start_s[row]) + int(first) * step_s
            yield Fault(int(row), name, label, begin, float(start_s[row]) + int(last) * step_s)
