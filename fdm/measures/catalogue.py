"""The catalogue of measures and the decorator that fills it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from fdm.bounded import Bounded
from fdm.steps import Rollout

Function = Callable[[Rollout], Bounded]


@dataclass(frozen=True)
class Measure:
    """One measure.

    needs       canonical parameters without which it cannot be had; `a|b` means either, `n1.N` one per engine
    per_engine  one value for each engine with a reverser, else one per landing
    """

    name: str
    unit: str
    needs: tuple[str, ...]
    per_engine: bool
    doc: str
    function: Function


CATALOGUE: dict[str, Measure] = {}


def measure(unit: str, needs: tuple[str, ...] = (), per_engine: bool = False) -> Callable[[Function], Function]:
    """Enter a function over a batch into the catalogue under its own name."""

    def enter(function: Function) -> Function:
        name = function.__name__
        CATALOGUE[name] = Measure(name, unit, needs, per_engine, (function.__doc__ or "").strip(), function)
        return function

    return enter
