"""One landing made by hand: round numbers, every parameter, and what a test wants different about it.

Contact at 0 at 140 kt, slowing by 4 kt a second to 20 kt at 30 s: 60 kt at 20 s, 30 kt at 27.5 s. Spoilers up from 0.5
to 1.5 s, down from 29 to 30 s. Reverse levers at 2 s; reversers unlocked 2.6 s, deployed 4.6 s, power from 5 to 20 s,
stowing from 25 s, stowed at 28 s. Idle is 25 % N1.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fdm.bounded import Measured, Reasons
from fdm.measuring import Result, measure_block
from fdm.recording import Recording
from fdm.settings import Settings
from tests.making import Arrival, Truth, between, block_of, line, recording, sampled, switch

START_S, END_S = -30.0, 70.0
SPEED = line((-30, 142), (0, 140), (30, 20))
SPOILERS = line((0.5, 0), (1.5, 1), (29, 1), (30, 0))
LEVER = line((1.9, 0), (2.4, 0.25), (5, 0.25), (5.5, 0.9), (18, 0.9), (18.5, 0.25), (24.4, 0.25), (24.7, 0))
STATE = switch(0, (2.6, 1), (4.6, 2), (25, 1), (28, 0))
POWER = line((-4, 55), (0, 25), (5, 25), (9, 70), (18, 70), (24, 25))
TURN = line((32, 0), (40, 80))


def normal(reversers: Sequence[int] = (1, 2)) -> dict[str, Truth]:
    """Truths of a landing without a lapse, by parameter."""
    truths: dict[str, Truth] = {
        "ground_speed": SPEED,
        "main_gear_ground": between((0, 1e6)),
        "nose_gear_ground": switch(0, (4, 1)),
        "radio_height": Arrival().height_ft,
        "normal_acceleration": Arrival().normal_g,
        "heading": lambda t: 90 + TURN(t),
        "spoiler_handle": SPOILERS,
        "spoilers_armed": switch(1, (0.5, 0)),
        "brake_pressure.left": line((3, 0), (3.5, 1500)),
        "brake_pressure.right": line((3, 0), (3.5, 1500)),
        "autothrottle_engaged": switch(1, (1.0, 0)),
    }
    for engine in reversers:
        truths[f"reverse_lever.{engine}"] = LEVER
        truths[f"reverser_state.{engine}"] = STATE
        truths[f"n1.{engine}"] = POWER
    return truths


@dataclass(frozen=True)
class Given:
    """A measure of one landing: value, bounds, and the reason where there is no value."""

    value: float
    lower: float
    upper: float
    reason: str

    @property
    def missing(self) -> bool:
        """Nothing is known of it, and it says why."""
        return bool(np.isnan([self.value, self.lower, self.upper]).all()) and bool(self.reason)

    @property
    def open(self) -> bool:
        """It has bounds and a reason, but no value."""
        return bool(np.isnan(self.value)) and not np.isnan(self.lower + 0) and bool(self.reason)

    def holds(self, truth: float) -> bool:
        """The bounds hold a value."""
        return bool(self.lower - 1e-3 <= truth <= self.upper + 1e-3)


@dataclass(frozen=True)
class Made:
    """What was made of some landings."""

    result: Result
    reasons: Reasons

    @property
    def measured(self) -> Measured:
        return self.result.measured

    def __call__(self, name: str, engine: int = 0, row: int = 0) -> Given:
        bounded = self.measured.values[name]
        at = (row, self.measured.engines.index(engine)) if bounded.value.ndim == 2 else (row,)
        value, lower, upper, why = (x[at] for x in (bounded.value, bounded.lower, bounded.upper, bounded.why))
        given = Given(float(value), float(lower), float(upper), self.reasons.sentences[int(why)])
        assert bool(given.reason) == bool(np.isnan(given.value)), f"{name}: {given}"
        assert np.isnan(given.value) or given.lower <= given.value <= given.upper, f"{name}: {given}"
        return given


def made(
    changes: Mapping[str, Truth | None] | None = None,
    *,
    rate_hz: float = 4.0,
    rates: Mapping[str, float] | None = None,
    gaps: Mapping[str, Sequence[tuple[float, float]]] | None = None,
    engines: int = 2,
    reversers: Sequence[int] = (1, 2),
    end_s: float = END_S,
    settings: Settings | None = None,
    facts: Mapping[str, Any] | None = None,
) -> Made:
    """Measures of the normal landing with changes: a truth to use instead, None for not recorded."""
    one = landing(
        changes,
        rate_hz=rate_hz,
        rates=rates,
        gaps=gaps,
        engines=engines,
        reversers=reversers,
        end_s=end_s,
        facts=facts,
    )
    return measured([one], settings, end_s)


def landing(
    changes: Mapping[str, Truth | None] | None = None,
    *,
    rate_hz: float = 4.0,
    rates: Mapping[str, float] | None = None,
    gaps: Mapping[str, Sequence[tuple[float, float]]] | None = None,
    engines: int = 2,
    reversers: Sequence[int] = (1, 2),
    end_s: float = END_S,
    facts: Mapping[str, Any] | None = None,
    content: str = "0",
) -> Recording:
    """The recording of such a landing; each parameter at a phase of its own."""
    truths: dict[str, Truth | None] = {**normal(reversers), **(changes or {})}
    samples = []
    for number, (name, truth) in enumerate(sorted(truths.items())):
        if truth is None:
            continue
        hz = (rates or {}).get(name, 8.0 if name == "normal_acceleration" else rate_hz)
        phase_s = (0.137 * (number + 1)) % (1 / hz)
        lost = (gaps or {}).get(name, ())
        samples.append(sampled(name, truth, hz, phase_s, start_s=START_S, end_s=end_s, gaps=lost))
    return recording(samples, engines=engines, reversers=reversers, facts=facts, content=content)


def measured(recordings: Sequence[Recording], settings: Settings | None = None, end_s: float = END_S) -> Made:
    """Measures of some recordings of one layout."""
    reasons = Reasons()
    return Made(measure_block(block_of(recordings, START_S, end_s), settings or Settings(), reasons), reasons)
