"""Values and instants that say how sure they are, for a whole batch at once.

Arrays are (n,) for one result per landing, or (n, e) for one per landing and reverser engine.
A missing result is NaN and `why` holds the code of its reason (0: none); reasons are interned in a `Reasons`.
A result may be NaN in `value` and still have bounds: the recorder cannot tell where between them it lies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FINE = 0


class Reasons:
    """Sentences that say why a result is missing, interned as small codes; code 0 means nothing is missing."""

    def __init__(self) -> None:
        self.sentences: list[str] = [""]
        self._codes: dict[str, int] = {"": FINE}

    def code(self, sentence: str) -> int:
        """The code of a sentence, new or known."""
        if sentence not in self._codes:
            self._codes[sentence] = len(self.sentences)
            self.sentences.append(sentence)
        return self._codes[sentence]


@dataclass(frozen=True)
class Bounded:
    """A number per landing with the bounds that the recorder leaves it: lower <= value <= upper where all are known."""

    value: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    why: np.ndarray      # int16 codes

    def where(self, condition: np.ndarray, reason: int) -> Bounded:
        """Kept where the condition holds; elsewhere missing, for `reason` unless one stands already."""
        why = np.where(condition | (self.why != FINE), self.why, np.int16(reason))
        return Bounded(*(np.where(condition, x, np.nan) for x in (self.value, self.lower, self.upper)), why)


@dataclass(frozen=True)
class Instants:
    """When something happened, seconds relative to the landing's anchor: earliest <= best <= latest."""

    best: np.ndarray
    earliest: np.ndarray
    latest: np.ndarray
    why: np.ndarray      # int16 codes

    def __sub__(self, other: Instants) -> Bounded:
        """Duration from `other` to self, with bounds; missing where either is, for the first reason found."""
        self_, other = _alike(self, other)
        return Bounded(
            self_.best - other.best,
            self_.earliest - other.latest,
            self_.latest - other.earliest,
            np.where(self_.why != FINE, self_.why, other.why),
        )

    def engine(self, index: int) -> Instants:
        """One engine's column of an (n, e) result."""
        return Instants(*(x[:, index] for x in (self.best, self.earliest, self.latest, self.why)))


def _alike(a: Instants, b: Instants) -> tuple[Instants, Instants]:
    def widen(x: Instants) -> Instants:
        return Instants(*(y[:, None] for y in (x.best, x.earliest, x.latest, x.why)))

    if a.best.ndim > b.best.ndim:
        return a, widen(b)
    if b.best.ndim > a.best.ndim:
        return widen(a), b
    return a, b


@dataclass(frozen=True)
class Measured:
    """Every measure of some landings.

    landing_id   (n,) strings
    engines      engine numbers that the columns of (n, e) results stand for (the engines with a reverser)
    values       measure name -> Bounded
    reasons      sentences by code
    at_s         measure name -> where on the time axis to look, seconds after touchdown, shaped like its value
    ground_speed_kt  measure name -> ground speed then
    """

    landing_id: np.ndarray
    engines: tuple[int, ...]
    values: dict[str, Bounded]
    reasons: tuple[str, ...]
    at_s: dict[str, np.ndarray]
    ground_speed_kt: dict[str, np.ndarray]
