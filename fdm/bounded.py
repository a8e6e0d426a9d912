"""Values and instants that say how sure they are, for a whole batch at once.

Arrays are (n,) for one result per landing, or (n, e) for one per landing and reverser engine.
A missing result is NaN and `why` holds the code of its reason (0: none); reasons are interned in a `Reasons`.
A result may be NaN in its best value and still have bounds, and a reason: the recorder cannot tell where between them
it lies. So `why` says whether there is a best value, `bounded` (of instants: `happened`) whether anything is known.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

FINE = 0


class Reasons:
    """Sentences that say why a result is missing, interned as small codes; code 0 means nothing is missing."""

    def __init__(self) -> None:
        self.sentences: list[str] = [""]
        self._codes: dict[str, int] = {"": FINE}

    @classmethod
    def of(cls, sentences: Sequence[str]) -> Reasons:
        """The store that gave out these sentences, in their order."""
        reasons = cls()
        for sentence in sentences:
            reasons.code(sentence)
        return reasons

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
    at: np.ndarray | None = None  # when to look (schemas.EVENTS, at_s), seconds relative to the landing's anchor

    def map(self, change: Callable[[np.ndarray], np.ndarray], why: np.ndarray | None = None) -> Bounded:
        """The same change made to value and bounds; new reasons when given."""
        return Bounded(
            change(self.value),
            change(self.lower),
            change(self.upper),
            self.why if why is None else why,
            self.at,
        )

    @property
    def at_s(self) -> np.ndarray:
        """`at`, NaN where it is not given."""
        return self.value * np.nan if self.at is None else self.at

    @property
    def bounded(self) -> np.ndarray:
        """True where at least the bounds are known."""
        return ~(np.isnan(self.lower) | np.isnan(self.upper))

    def where(self, condition: np.ndarray, reason: int | np.ndarray) -> Bounded:
        """Kept where the condition holds; elsewhere missing, for `reason` unless it was missing already."""
        why = np.where(condition | ~self._there, self.why, np.asarray(reason, np.int16))
        return self.map(lambda x: np.where(condition, x, np.nan), why)

    @property
    def _there(self) -> np.ndarray:
        return (self.why == FINE) | self.bounded

    def unless(self, condition: np.ndarray, reason: int) -> Bounded:
        """Missing for this reason where the condition holds, whatever else it was missing for."""
        return self.map(lambda x: np.where(condition, np.nan, x), np.where(condition, np.int16(reason), self.why))

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

    @property
    def happened(self) -> np.ndarray:
        """True where it happened, even when the recorder cannot tell when between its bounds."""
        return ~(np.isnan(self.earliest) | np.isnan(self.latest))

    def where(self, condition: np.ndarray, reason: int | np.ndarray) -> Instants:
        """Kept where the condition holds; elsewhere missing, for `reason` unless it was missing already."""
        there = (self.why == FINE) | self.happened
        why = np.where(condition | ~there, self.why, np.asarray(reason, np.int16))
        return self.map(lambda x: np.where(condition, x, np.nan), why)

    def only_after(self, other: Instants) -> Instants:
        """Missing for the other's reason where the other never happened: what never began cannot end."""
        why = np.where(other.happened, self.why, other.why)
        return self.map(lambda x: np.where(other.happened, x, np.nan), why)

    def because(self, condition: np.ndarray, reason: int) -> Instants:
        """What did not happen did not for this reason, where the condition holds."""
        why = np.where(condition & ~self.happened, np.int16(reason), self.why)
        return Instants(self.best, self.earliest, self.latest, why)

    def or_else(self, other: Instants) -> Instants:
        """`other` wherever this one did not happen."""
        return pick(self.happened, self, other)

    def rows(self, index: np.ndarray) -> Instants:
        """Some landings only."""
        return Instants(*(x[index] for x in (self.best, self.earliest, self.latest, self.why)))

    def engine(self, index: int) -> Instants:
        """One engine's column of an (n, e) result."""
        return Instants(*(x[:, index] for x in (self.best, self.earliest, self.latest, self.why)))


def _fields(x: Instants) -> tuple[np.ndarray, ...]:
    return x.best, x.earliest, x.latest, x.why


def exactly(time_s: np.ndarray) -> Instants:
    """Instants known to the moment."""
    return Instants(time_s, time_s, time_s, np.zeros(time_s.shape, np.int16))


def pick(condition: np.ndarray, a: Instants, b: Instants) -> Instants:
    """`a` where the condition holds, else `b`."""
    return Instants(*(np.where(condition, x, y) for x, y in zip(_fields(a), _fields(b), strict=True)))


def the_sooner(a: Instants, b: Instants) -> Instants:
    """Whichever came first; the one that happened where only one did."""
    return _one_of(a, b, np.minimum, a.latest <= b.earliest, b.latest <= a.earliest)


def the_later(a: Instants, b: Instants) -> Instants:
    """Whichever came last; the one that happened where only one did."""
    return _one_of(a, b, np.maximum, a.earliest >= b.latest, b.earliest >= a.latest)


def _one_of(
    a: Instants,
    b: Instants,
    extreme: Callable[[np.ndarray, np.ndarray], np.ndarray],
    surely_a: np.ndarray,
    surely_b: np.ndarray,
) -> Instants:
    both = a.happened & b.happened
    open_ = merge(extreme, a, b, both_why(a, b))
    take_b = np.where(both, surely_b, b.happened)
    return pick(np.where(both, surely_a, ~b.happened), a, pick(take_b, b, open_))


def merge(
    extreme: Callable[[np.ndarray, np.ndarray], np.ndarray], a: Instants, b: Instants, why: np.ndarray
) -> Instants:
    """Two instants made one, moment by moment."""
    return Instants(extreme(a.best, b.best), extreme(a.earliest, b.earliest), extreme(a.latest, b.latest), why)


def both_why(a: Instants, b: Instants) -> np.ndarray:
    """Reasons where one is missing."""
    return np.where(a.why != FINE, a.why, b.why)


def stack(columns: list[Instants], n: int) -> Instants:
    """Per-engine instants (n, e) from one result (n,) per engine."""
    if not columns:
        none = np.empty((n, 0))
        return Instants(none, none, none, none.astype(np.int16))
    return Instants(*(np.stack(parts, axis=1) for parts in zip(*map(_fields, columns), strict=True)))


def stack_values(columns: list[Bounded], n: int) -> Bounded:
    """Per-engine values (n, e) from one result (n,) per engine."""
    if not columns:
        none = np.empty((n, 0))
        return Bounded(none, none, none, none.astype(np.int16), none)
    fields = [(c.value, c.lower, c.upper, c.why, c.at_s) for c in columns]
    return Bounded(*(np.stack(parts, axis=1) for parts in zip(*fields, strict=True)))


def choose(condition: np.ndarray, a: Bounded, b: Bounded) -> Bounded:
    """`a` where the condition holds, else `b`."""
    return Bounded(
        np.where(condition, a.value, b.value),
        np.where(condition, a.lower, b.lower),
        np.where(condition, a.upper, b.upper),
        np.where(condition, a.why, b.why),
        np.where(condition, a.at_s, b.at_s),
    )


def largest(values: Sequence[Bounded], aside: Collection[int] = ()) -> Bounded:
    """The largest of several values of at least zero.

    Values that are missing for a reason in `aside` do not count. Where another one is missing or has no best value,
    the largest is at least what is known, and has a best value only when none of those can be larger.
    """
    value, lower, upper, why, bounded = (
        np.stack(parts) for parts in zip(*((x.value, x.lower, x.upper, x.why, x.bounded) for x in values), strict=True)
    )
    counts = bounded | ~np.isin(why, list(aside))
    best = np.where(np.isnan(value), -np.inf, value).max(axis=0)
    least = np.where(bounded, lower, 0.0).max(axis=0)
    most = np.where(counts, np.where(bounded, upper, np.inf), -np.inf).max(axis=0)
    open_ = counts & np.isnan(value) & ~(bounded & (upper <= best))
    known, certain = bounded.any(axis=0), np.isfinite(best) & ~open_.any(axis=0)
    first_open = np.take_along_axis(why, np.argmax(np.where(counts.any(axis=0), open_, True), axis=0)[None], axis=0)[0]
    column = np.argmax(np.where(np.isnan(value), np.where(bounded, lower, -np.inf), value), axis=0)
    at = np.stack([x.at_s for x in values])
    return Bounded(
        np.where(certain, best, np.nan),
        np.where(known, least, np.nan),
        np.where(known, most, np.nan),
        np.where(certain, np.int16(FINE), first_open),
        np.take_along_axis(at, column[None], axis=0)[0],
    )


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
