"""A batch: landings of one recorder layout, asked about all at once.

Measures and steps are written against this class. Everything derived is computed once, on first use.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property

import numpy as np
import polars as pl

from fdm.bounded import Bounded, Instants, Reasons, exactly, stack, stack_values
from fdm.frames import Block
from fdm.parameters import PARAMETERS
from fdm.settings import Settings
from fdm.signal import Signal


class Batch:
    """n landings of one layout.

    facts     frame of what is known of each landing from outside its recording
    settings  the rule book's definition constants
    reasons   shared store of the sentences that say why something is missing
    unusable  parameter -> codes (n,) of why a landing's samples of it were taken out, 0 elsewhere
    """

    def __init__(
        self,
        block: Block,
        settings: Settings,
        reasons: Reasons,
        unusable: Mapping[str, np.ndarray] | None = None,
    ):
        self.layout = block.layout
        self.facts: pl.DataFrame = block.facts
        self.n = block.facts.height
        self.settings = settings
        self.reasons = reasons
        self._block = block
        self._unusable = unusable or {}
        self._signals: dict[str, Signal] = {}
        self._numbers: dict[str, np.ndarray] = {}

    @property
    def block(self) -> Block:
        """The samples of every parameter."""
        return self._block

    def has(self, name: str) -> bool:
        """Whether the recorder keeps a parameter; a landing may still be without a usable sample of it."""
        return name in self._block.values

    def fact(self, name: str) -> np.ndarray:
        """A number known from outside the recordings, (n,) float64 with NaN where it is not known."""
        if name not in self._numbers:
            self._numbers[name] = self.facts[name].cast(pl.Float64).fill_null(np.nan).to_numpy()
        return self._numbers[name]

    def signal(self, name: str) -> Signal:
        """A parameter's samples; KeyError when the recorder does not keep it."""
        if name not in self._signals:
            step = dict(self.layout.steps)[name]
            self._signals[name] = Signal(
                name,
                self._block.values[name],
                self._block.start_s[name],
                step,
                self._block.lag_s[name],
                PARAMETERS[name].tolerance,
                self.reasons,
                self.record_end,
                self._unusable.get(name),
            )
        return self._signals[name]

    def reason(self, sentence: str) -> int:
        """Code of a sentence."""
        return self.reasons.code(sentence)

    def not_recorded(self, *names: str) -> int:
        """Code of the reason that parameters are not in the recording."""
        return self.reason(f"not recorded: {' or '.join(names)}")

    def absent_instants(self, reason: int) -> Instants:
        """Instants that no landing has."""
        nan = np.full(self.n, np.nan)
        return Instants(nan, nan, nan, np.full(self.n, reason, np.int16))

    def absent(self, reason: int) -> Bounded:
        """Values that no landing has."""
        nan = np.full(self.n, np.nan)
        return Bounded(nan, nan, nan, np.full(self.n, reason, np.int16))

    def exactly(self, value: np.ndarray) -> Bounded:
        """Values without doubt."""
        value = np.asarray(value, np.float64)
        return Bounded(value, value, value, np.zeros(self.n, np.int16))

    def per_engine(self, ask: Callable[[int], Bounded]) -> Bounded:
        """A value for each engine with a reverser, as columns; no columns where there are none."""
        return stack_values([ask(engine) for engine in self.layout.reversers], self.n)

    def when_per_engine(self, ask: Callable[[int], Instants]) -> Instants:
        """Instants for each engine with a reverser, as columns; no columns where there are none."""
        return stack([ask(engine) for engine in self.layout.reversers], self.n)

    @property
    def mirror_pairs(self) -> list[tuple[int, int]]:
        """Columns (positions in layout.reversers) of engines that mirror each other: 1-2, or 1-4 and 2-3."""
        numbers = self.layout.reversers
        mirror = {n: self.layout.engines + 1 - n for n in numbers}
        return [(numbers.index(n), numbers.index(m)) for n, m in mirror.items() if n < m and m in numbers]

    @cached_property
    def out_of_use(self) -> np.ndarray:
        """(n, e) true where an engine's reverser is known to be out of use."""
        out = np.zeros((self.n, len(self.layout.reversers)), bool)
        listed = self.facts["reversers_out"]
        if listed.null_count() == self.n:
            return out
        for column, engine in enumerate(self.layout.reversers):
            out[:, column] = listed.list.contains(engine).fill_null(False).to_numpy()
        return out

    @cached_property
    def record_start(self) -> np.ndarray:
        """(n,) when the stored landing begins."""
        return np.min([self._block.start_s[name] for name, _ in self.layout.steps], axis=0)

    @cached_property
    def record_end(self) -> np.ndarray:
        """(n,) last time with a sample of ground speed, or of anything when it is not recorded."""
        speed = self._block.values.get("ground_speed")
        blank = np.ones(self.n, bool) if speed is None else np.isnan(speed).all(axis=1)
        if not blank.any():
            return self._last_sample_s("ground_speed")
        anything = np.max([self._last_sample_s(name) for name, _ in self.layout.steps], axis=0)
        return anything if blank.all() else np.where(blank, anything, self._last_sample_s("ground_speed"))

    def _last_sample_s(self, name: str) -> np.ndarray:
        values, start_s = self._block.values[name], self._block.start_s[name].astype(np.float64)
        valid = values >= 0 if values.dtype == np.int8 else ~np.isnan(values)
        last_column = values.shape[1] - 1 - np.argmax(valid[:, ::-1], axis=1)
        return np.where(valid.any(axis=1), start_s + last_column * dict(self.layout.steps)[name], start_s)

    @cached_property
    def end(self) -> Instants:
        """The end of the stored landing, as instants."""
        return exactly(self.record_end)
