"""Recordings made from continuous truth: what a recorder would keep of functions of time that are known exactly.

A truth is a function of time in seconds (contact of the main gear at 0 unless a test says otherwise). `sampled` takes
samples of it as a recorder does: at a rate and phase, with quantisation, noise, gaps and late stamps; `recording`
puts them together. `Flown` is a whole invented landing, drawn at random, whose truth can be asked for anything.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fdm.bounded import Reasons
from fdm.frames import Block, cut, stack_frames
from fdm.parameters import PARAMETERS
from fdm.recording import Recording, Samples
from fdm.settings import Settings
from fdm.signal import Signal
from fdm.steps import Rollout

Truth = Callable[[np.ndarray], np.ndarray]
CLOCK_S = 5000.0  # time of contact on the recording's own clock


def line(*points: tuple[float, float]) -> Truth:
    """Straight lines through (time, value) points, level before the first and after the last."""
    time_s, values = map(np.array, zip(*points, strict=True))
    return lambda t: np.interp(t, time_s, values)


def switch(before: float, *changes: tuple[float, float]) -> Truth:
    """A step function: `before`, then each value from its time on."""
    time_s = np.array([t for t, _ in changes], float)
    values = np.array([before, *(v for _, v in changes)], float)
    return lambda t: values[np.searchsorted(time_s, t, side="right")]


def between(*spans: tuple[float, float]) -> Truth:
    """1 within the spans [from, to), 0 outside."""
    return switch(0, *(change for a, b in spans for change in ((a, 1), (b, 0))))


def sampled(
    name: str,
    truth: Truth,
    rate_hz: float,
    phase_s: float = 0.0,
    *,
    start_s: float = -30.0,
    end_s: float = 60.0,
    resolution: float = 0.0,
    noise: float = 0.0,
    lag_s: float = 0.0,
    gaps: Iterable[tuple[float, float]] = (),
    rng: np.random.Generator | None = None,
) -> Samples:
    """Samples of a truth between two times after contact.

    phase_s     time of one sample after a whole number of steps before contact
    noise       half-width of uniform noise; resolution, quantisation step
    lag_s       each sample is taken up to this long before its stamp
    gaps        spans in which no sample is valid
    """
    step_s = 1.0 / rate_hz
    count = int(np.floor((end_s - start_s) / step_s))
    stamp_s = start_s + (phase_s - start_s) % step_s + np.arange(count) * step_s
    rng = rng or np.random.default_rng(0)
    taken_s = stamp_s - lag_s * rng.random(count) if lag_s else stamp_s
    values = np.asarray(truth(taken_s), float)
    if noise:
        values = values + rng.uniform(-noise, noise, count)
    if resolution:
        values = np.round(values / resolution) * resolution
    lost = np.zeros(count, bool)
    for a, b in gaps:
        lost |= (stamp_s >= a) & (stamp_s < b)
    if PARAMETERS[name].kind == "analogue":
        values = np.where(lost, np.nan, values)
    else:
        values = np.where(lost, -1, values).astype(np.int8)
    return Samples(name, stamp_s + CLOCK_S, values, step_s, lag_s)


def recording(
    samples: Iterable[Samples],
    *,
    engines: int = 2,
    reversers: Sequence[int] = (1, 2),
    facts: Mapping[str, Any] | None = None,
    source: str = "made",
    content: str = "0",
) -> Recording:
    """A recording of samples."""
    return Recording(
        source=source,
        content_hash=content,
        recorder="made",
        engines=engines,
        reversers=tuple(reversers),
        samples={s.name: s for s in samples},
        facts={"fleet": "made", **(facts or {})},
    )


def block_of(recordings: Sequence[Recording], start_s: float = -30.0, end_s: float = 60.0) -> Block:
    """Recordings of one layout, cut around contact as they are (not looked for), and stacked."""
    frames = [cut(r, i, CLOCK_S, CLOCK_S + start_s, CLOCK_S + end_s, []) for i, r in enumerate(recordings)]
    return stack_frames(frames)


def rollout(
    recordings: Sequence[Recording],
    settings: Settings | None = None,
    start_s: float = -30.0,
    end_s: float = 60.0,
) -> Rollout:
    """The batch of `block_of`, with its steps; reasons in `.reasons`."""
    return Rollout(block_of(recordings, start_s, end_s), settings or Settings(), Reasons())


def signal(samples: Samples, reasons: Reasons | None = None) -> Signal:
    """One landing's signal, on the clock of seconds after contact."""
    return signals([samples], reasons)


def signals(many: Sequence[Samples], reasons: Reasons | None = None) -> Signal:
    """A signal of several landings sampled alike, on the clock of seconds after contact."""
    width = max(len(s.values) for s in many)
    name = many[0].name
    filler = np.nan if PARAMETERS[name].kind == "analogue" else -1
    dtype = np.float32 if PARAMETERS[name].kind == "analogue" else np.int8
    values = np.full((len(many), width), filler, dtype)
    for row, samples in zip(values, many, strict=True):
        row[: len(samples.values)] = samples.values
    start_s = np.array([s.time_s[0] - CLOCK_S for s in many])
    lag_s = np.array([s.lag_s for s in many])
    return Signal(name, values, start_s, many[0].step_s, lag_s, PARAMETERS[name].tolerance, reasons or Reasons())


def why(batch: Rollout, code: int | np.integer[Any]) -> str:
    """The sentence of a reason code."""
    return batch.reasons.sentences[int(code)]


@dataclass(frozen=True)
class Held:
    """How often the bounds hold the truth, and how wide they are."""

    inside: np.ndarray
    width: np.ndarray
    error: np.ndarray
    labels: list[str] = field(default_factory=list)

    @property
    def share(self) -> float:
        """Share of the cases whose truth lies within its bounds."""
        return float(self.inside.mean())


def held(truth: np.ndarray, value: np.ndarray, lower: np.ndarray, upper: np.ndarray, slack: float = 1e-4) -> Held:
    """Bounds against truth; a NaN bound holds nothing."""
    with np.errstate(invalid="ignore"):
        inside = (truth >= lower - slack) & (truth <= upper + slack)
        return Held(inside, upper - lower, value - truth)


# arrivals -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Arrival:
    """How the main gear meets the runway, in seconds after first contact at 0.

    on           spans on the ground, the first from 0; jolts_g, rise of normal acceleration at each contact
    rise_s       how long a jolt takes to build up (half a second and more: a soft landing on long struts)
    sink_fps     at contact; flare_g, the flare's own pull; airborne_g, normal acceleration in a hop
    """

    on: tuple[tuple[float, float], ...] = ((0.0, 1e6),)
    jolts_g: tuple[float, ...] = (0.3,)
    rise_s: float = 0.1
    sink_fps: float = 3.0
    flare_g: float = 0.05
    airborne_g: float = 0.85
    resting_ft: float = 0.0
    nose_up_ft: float = 1.0

    def ground(self, t: np.ndarray) -> np.ndarray:
        """1 with the main gear on the ground."""
        return between(*self.on)(t)

    def height_ft(self, t: np.ndarray) -> np.ndarray:
        """Radio height: approach at 12 ft/s, flare, hops, and the nose coming down after contact."""
        before = np.maximum(-t, 0)
        flare = np.minimum(before, 5.0)
        feet = self.sink_fps * before + (12 - self.sink_fps) * flare**2 / 10 + (12 - self.sink_fps) * (before - flare)
        for (_, off), (again, _) in zip(self.on[:-1], self.on[1:], strict=True):
            hop = (t > off) & (t < again)
            feet = feet + np.where(hop, 3.0 * (t - off) * (again - t), 0)
        last_off = self.on[-1][1]
        feet = feet + np.where(t > last_off, 15.0 * (t - last_off), 0)
        return self.resting_ft + feet + self.nose_up_ft * np.clip(1 - np.maximum(t, 0) / 5, 0, 1)

    def normal_g(self, t: np.ndarray) -> np.ndarray:
        """Normal acceleration: flare, a jolt at each contact that rings out, less than 1 g in hops."""
        pull = np.where((t > -4) & (t < 0), np.sin(np.pi * np.clip((t + 4) / 4, 0, 1)), 0)
        felt = 1 + self.flare_g * pull
        for (on_s, off), jolt_g in zip(self.on, self.jolts_g, strict=True):
            since = t - on_s
            up = np.clip(since / self.rise_s, 0, 1)
            ring = np.exp(-np.maximum(since - self.rise_s, 0) / 0.3) * np.cos(
                4 * np.pi * np.maximum(since - self.rise_s, 0)
            )
            felt = felt + np.where((since > 0) & (t < off), jolt_g * up * ring, 0)
        for (_, off), (again, _) in zip(self.on[:-1], self.on[1:], strict=True):
            felt = np.where((t > off) & (t < again), self.airborne_g, felt)
        return felt
