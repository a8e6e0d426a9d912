"""Values and instants that say how sure they are, for a whole batch at once.

Arrays are (n,) for one result per landing, or (n, e) for one per landing and reverser engine.
A missing result is NaN and `why` holds the code of its reason (0: none); reasons are interned in a `Reasons`.
A result may be NaN in `value` and still have bounds: the recorder cannot tell where between them it lies.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
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
    why: np.ndarray  # int16 codes
    at: np.ndarray | None = None  # when to look, seconds relative to the landing's anchor

    def map(self, change: Callable[[np.ndarray], np.ndarray], why: np.ndarray | None = None) -> Bounded:
        """The same change made to value and bounds; new reasons when given."""
        return Bounded(
            change(self.value), change(self.lower), change(self.upper), self.why if why is None else why, self.at
        )

    def where(self, condition: np.ndarray, reason: int | np.ndarray) -> Bounded:
        """Kept where the condition holds; elsewhere missing, for `reason` unless one stands already."""
        why = np.where(condition | (self.why != FINE), self.why, np.asarray(reason, np.int16))
        return self.map(lambda x: np.where(condition, x, np.nan), why)

    def or_zero(self, condition: np.ndarray) -> Bounded:
        """Exactly zero where the condition holds: what is measured did not happen there at all."""
        return self.map(lambda x: np.where(condition, 0.0, x), np.where(condition, np.int16(FINE), self.why))

    def at_least(self, floor: float) -> Bounded:
        """Clipped from below, bounds too."""
        return self.map(lambda x: np.maximum(x, floor))


@dataclass(frozen=True)
class Instants:
    """When something happened, seconds relative to the landing's anchor: earliest <= best <= latest."""

    best: np.ndarray
    earliest: np.ndarray
    latest: np.ndarray
    why: np.ndarray  # int16 codes

    def __sub__(self, other: Instants) -> Bounded:
        """Duration from `other` to self, with bounds; missing where either is, for the first reason found."""
        self_, other = _alike(self, other)
        return Bounded(
            self_.best - other.best,
            self_.earliest - other.latest,
            self_.latest - other.earliest,
            np.where(self_.why != FINE, self_.why, other.why),
            self_.best,
        )

    def map(self, change: Callable[[np.ndarray], np.ndarray], why: np.ndarray | None = None) -> Instants:
        """The same change made to best, earliest and latest; new reasons when given."""
        return Instants(change(self.best), change(self.earliest), change(self.latest), self.why if why is None else why)

    def later(self, seconds: float) -> Instants:
        """The same instants, so many seconds later."""
        return self.map(lambda x: x + seconds)

    def where(self, condition: np.ndarray, reason: int | np.ndarray) -> Instants:
        """Kept where the condition holds; elsewhere missing, for `reason` unless one stands already."""
        why = np.where(condition | (self.why != FINE), self.why, np.asarray(reason, np.int16))
        return self.map(lambda x: np.where(condition, x, np.nan), why)

    def or_else(self, other: Instants) -> Instants:
        """`other` wherever this one is missing."""
        missing = self.why != FINE
        pairs = zip(_fields(self), _fields(other), strict=True)
        return Instants(*(np.where(missing, b, a) for a, b in pairs))

    def engine(self, index: int) -> Instants:
        """One engine's column of an (n, e) result."""
        return Instants(*(x[:, index] for x in (self.best, self.earliest, self.latest, self.why)))


def _fields(x: Instants) -> tuple[np.ndarray, ...]:
    return x.best, x.earliest, x.latest, x.why


def exactly(time_s: np.ndarray) -> Instants:
    """Instants known to the moment."""
    return Instants(time_s, time_s, time_s, np.zeros(time_s.shape, np.int16))


def merge(pick: Callable[[np.ndarray, np.ndarray], np.ndarray], a: Instants, b: Instants, why: np.ndarray) -> Instants:
    """Two instants made one, moment by moment: the sooner with np.fmin, the later with np.maximum."""
    return Instants(pick(a.best, b.best), pick(a.earliest, b.earliest), pick(a.latest, b.latest), why)


def either_why(a: Instants, b: Instants) -> np.ndarray:
    """Reasons where both are missing; fine where one is there."""
    return np.where((a.why != FINE) & (b.why != FINE), a.why, np.int16(FINE))


def both_why(a: Instants, b: Instants) -> np.ndarray:
    """Reasons where one is missing."""
    return np.where(a.why != FINE, a.why, b.why)


def stack(columns: list[Instants]) -> Instants:
    """Per-engine instants (n, e) from one result per engine."""
    return Instants(*(np.stack(parts, axis=1) for parts in zip(*map(_fields, columns), strict=True)))


def stack_values(columns: list[Bounded]) -> Bounded:
    """Per-engine values (n, e) from one result per engine."""
    fields = [(c.value, c.lower, c.upper, c.why, c.value * np.nan if c.at is None else c.at) for c in columns]
    return Bounded(*(np.stack(parts, axis=1) for parts in zip(*fields, strict=True)))


def choose(condition: np.ndarray, a: Bounded, b: Bounded) -> Bounded:
    """`a` where the condition holds, else `b`."""
    at_a, at_b = (x.value * np.nan if x.at is None else x.at for x in (a, b))
    return Bounded(
        np.where(condition, a.value, b.value),
        np.where(condition, a.lower, b.lower),
        np.where(condition, a.upper, b.upper),
        np.where(condition, a.why, b.why),
        np.where(condition, at_a, at_b),
    )


def worse_of(a: Bounded, b: Bounded) -> Bounded:
    """The larger of two values of at least zero; missing only where both are."""
    return choose(np.nan_to_num(b.value, nan=-1.0) > np.nan_to_num(a.value, nan=-1.0), b, a)


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
    values: Mapping[str, Bounded]
    reasons: tuple[str, ...]
    at_s: Mapping[str, np.ndarray]
    ground_speed_kt: Mapping[str, np.ndarray]
