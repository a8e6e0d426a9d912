"""What the recorder makes of a flight: every channel sampled at its own times, with noise and resolution."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sample_flights.airline import FT, KT, Fleet, G, Runway, offset
from sample_flights.layouts import ROWS_HZ, Channel, Layout
from sample_flights.physics import STEP_S, STEPS, TIMES, ZERO, History
from sample_flights.plan import NEVER, Plan


@dataclass
class Block:
    """Landings of one fleet, flown, with when their recordings begin and end relative to contact."""

    fleet: Fleet
    plan: Plan
    history: History
    runways: list[Runway]
    start_s: np.ndarray  # (n,) negative
    rows: np.ndarray  # (n,) rows of the recording

    @property
    def end_s(self) -> np.ndarray:
        """Stamp of the last row after contact."""
        return self.start_s + (self.rows - 1) / ROWS_HZ


def sample(block: Block, layout: Layout, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Recorded values of every channel as (n, samples), in recorded units and codes; float32, or int8 for codes."""
    signals = Signals(block, rng)
    most = int(block.rows.max())
    made = {}
    for channel in layout.channels:
        rows = np.arange(channel.phase, most, channel.every)
        late = -channel.offset_s if layout.form == "held" else channel.offset_s
        when = block.start_s[:, None] + rows / ROWS_HZ + late
        made[channel.name] = _record(signals(channel.name), when, channel, rng)
    return made


def _record(truth: np.ndarray, when: np.ndarray, channel: Channel, rng: np.random.Generator) -> np.ndarray:
    position = (when / STEP_S + ZERO).clip(0, STEPS - 1.001)
    low = position.astype(np.int32)
    if channel.true_when is not None:
        value = _take(truth, low)
        return (value if channel.true_when else ~value).astype(np.int8)
    if channel.states is not None:
        return _take(truth, low).astype(np.int8)
    if truth.shape[1] == 1:
        value = np.broadcast_to(truth, when.shape)
    else:
        left = _take(truth, low)
        value = left + (_take(truth, low + 1) - left) * (position - low).astype(np.float32)
    value = value * channel.per_unit
    if channel.name in ("heading", "wind_from"):
        value = value % 360
    if channel.noise:
        value = value + channel.noise * rng.standard_normal(value.shape, np.float32).clip(-2.5, 2.5)
    return rounded(value, channel.resolution)


def rounded(value: np.ndarray, resolution: float) -> np.ndarray:
    """To the recorder's resolution, with no more decimals than it needs."""
    decimals = max(0, 3 - math.floor(math.log10(resolution)))
    return np.round(np.rint(value / resolution) * resolution, decimals) + 0.0  # no negative zero


def _take(truth: np.ndarray, index: np.ndarray) -> np.ndarray:
    return np.take_along_axis(truth, index if truth.shape[1] > 1 else np.zeros_like(index), axis=1)


class Signals:
    """True signals by canonical name, (n, steps) in canonical units; (n, 1) for what stays the same."""

    def __init__(self, block: Block, rng: np.random.Generator):
        self.block, self.rng = block, rng
        self.h, self.plan, self.fleet = block.history, block.plan, block.fleet
        self.swing = _swing(rng, 16 * STEPS)

    def __call__(self, name: str) -> np.ndarray:
        family, _, suffix = name.partition(".")
        if suffix:
            by_suffix: Callable[[str], np.ndarray] = getattr(self, f"_{family}")
            return by_suffix(suffix)
        plain: Callable[[], np.ndarray] = getattr(self, f"_{family}")
        return plain()

    def _each(self, values: object) -> np.ndarray:
        """One constant per landing."""
        return np.broadcast_to(np.asarray(values, float), len(self.plan))[:, None]

    def _wander(self, amount: float) -> np.ndarray:
        """A slow random swing with this standard deviation, different for each landing, (n, steps)."""
        begin = self.rng.integers(0, len(self.swing) - STEPS, len(self.plan))
        return np.float32(amount) * np.lib.stride_tricks.sliding_window_view(self.swing, STEPS)[begin]

    # speeds, heights, position
    def _ground_speed(self) -> np.ndarray:
        return self.h.speed_mps.T / np.float32(KT)

    def _airspeed(self) -> np.ndarray:
        true = self.h.speed_mps.T + self.plan.headwind[:, None] * np.cos(self.h.heading_rad.T)
        calibrated = true.clip(0) * np.sqrt(self.plan.density / 1.225)[:, None] / KT
        return np.where(calibrated < 30, 0, calibrated + self._wander(0.9)).astype(np.float32)

    def _height_ft(self) -> np.ndarray:
        return self.h.height_m.T / np.float32(FT)

    def _radio_height(self) -> np.ndarray:
        return self._height_ft() - np.float32(2.0)

    def _pressure_altitude(self) -> np.ndarray:
        elevation = np.array([r.elevation_ft for r in self.block.runways]) + self.rng.normal(0, 250, len(self.plan))
        return self._height_ft() + elevation[:, None].astype(np.float32)

    def _along(self, right: bool) -> np.ndarray:
        made = [
            offset(
                r.latitude_deg,
                r.longitude_deg,
                r.heading_deg,
                r.displaced_m + x.astype(float),
                y.astype(float),
            )[right]
            for r, x, y in zip(self.block.runways, self.h.x_m.T, self.h.y_m.T, strict=True)
        ]
        return np.stack(made)

    def _latitude(self) -> np.ndarray:
        return self._along(False)

    def _longitude(self) -> np.ndarray:
        return self._along(True)

    # attitude and accelerations
    def _heading(self) -> np.ndarray:
        base = np.array([r.heading_deg for r in self.block.runways])[:, None]
        return (base + np.degrees(self.h.heading_rad.T)).astype(np.float32)

    def _pitch(self) -> np.ndarray:
        return np.degrees(self.h.pitch_rad.T).astype(np.float32) + self._in_air() * self._wander(0.3)

    def _roll(self) -> np.ndarray:
        return self._in_air() * self._wander(0.9) + np.float32(0.1)

    def _in_air(self) -> np.ndarray:
        return 1 - self.h.ground.T.astype(np.float32)

    def _normal_acceleration(self) -> np.ndarray:
        rough = 0.012 + 0.018 * (self.h.speed_mps.T / 70) * self.h.ground.T
        value = 1 + rough * self.rng.standard_normal(rough.shape, np.float32)
        flare = (self.plan.approach_mps * 0.052 - self.plan.sink_mps) / self.plan.flare_s / G
        value += np.where((TIMES < 0) & (self.plan.flare_s[:, None] > -TIMES), flare[:, None], 0)
        hop = self._in_air() * (TIMES > 0) * (self.plan.bounce_s > 0)[:, None] * (TIMES < 15)
        value -= hop * (2.0 / G)
        strength = (self.plan.sink_mps / (0.22 * G))[:, None]
        value += _jolt(TIMES[None, :], strength)
        again = (self.plan.first_contact_s + self.plan.bounce_s)[:, None]
        bounced = (self.plan.bounce_s > 0)[:, None]
        value += np.where(bounced, _jolt(TIMES[None, :] - again, (self.plan.bounce_s / (0.22 * G))[:, None]), 0)
        return value.astype(np.float32)

    def _longitudinal_acceleration(self) -> np.ndarray:
        rough = 0.004 * self.rng.standard_normal(self.h.acceleration.T.shape, np.float32)
        return self.h.acceleration.T / np.float32(G) + np.sin(self.h.pitch_rad.T) + rough

    def _lateral_acceleration(self) -> np.ndarray:
        turn = np.gradient(self.h.heading_rad.T, STEP_S, axis=1)
        rough = 0.006 * self.rng.standard_normal(turn.shape, np.float32)
        return (self.h.speed_mps.T * turn / G).astype(np.float32) + rough

    def _rudder(self) -> np.ndarray:
        return (-np.degrees(self.h.heading_rad.T) * 4).clip(-25, 25) * (np.abs(self.h.heading_rad.T) < 0.3)

    # gear, spoilers, brakes
    def _main_gear_ground(self, side: str = "") -> np.ndarray:
        return {"left": self.h.left, "right": self.h.right, "": self.h.ground}[side].T

    def _nose_gear_ground(self) -> np.ndarray:
        return self.h.nose.T

    def _spoiler_handle(self) -> np.ndarray:
        return self.h.spoiler.T

    _spoiler_panel = _spoiler_handle

    def _spoilers_armed(self) -> np.ndarray:
        moved = np.maximum.accumulate(self.h.spoiler.T > 0.05, axis=1)
        return self.plan.armed[:, None] & ~moved

    def _brake_pressure(self, side: str) -> np.ndarray:
        uneven = 1 + (0.03 if side == "left" else -0.03) * self._each(self.rng.normal(0, 1, len(self.plan)).clip(-2, 2))
        return self.h.brake_psi.T * uneven.astype(np.float32)

    def _autobrake_active(self) -> np.ndarray:
        return self.h.autobrake.T

    # engines and reversers
    def _n1(self, engine: str) -> np.ndarray:
        busy = (-(TIMES + 3) / 4).clip(0, 1).astype(np.float32)  # autothrottle on the approach
        return self.h.n1[:, int(engine) - 1].T + busy * self.throttle

    @cached_property
    def throttle(self) -> np.ndarray:
        """What the autothrottle does with N1 on the approach, %."""
        return self._wander(1.1)

    def _epr(self, engine: str) -> np.ndarray:
        return 1 + 0.72 * (self._n1(engine) / 100) ** np.float32(2.6)

    def _thrust_lever(self, engine: str) -> np.ndarray:
        return self.h.forward[:, int(engine) - 1].T

    def _reverse_lever(self, engine: str) -> np.ndarray:
        return self.h.lever[:, int(engine) - 1].T

    def _reverser_state(self, engine: str) -> np.ndarray:
        return self.h.state[:, int(engine) - 1].T

    def _reverser_unlocked(self, engine: str) -> np.ndarray:
        return self._reverser_state(engine) > 0

    def _reverser_deployed(self, engine: str) -> np.ndarray:
        return self._reverser_state(engine) == 2

    def _autothrottle_engaged(self) -> np.ndarray:
        return TIMES[None, :] < self.plan.autothrottle_off_s[:, None]

    # what hardly changes
    def _flap(self) -> np.ndarray:
        return self._each(35 if self.fleet.engines == 2 else 30)

    def _gross_weight(self) -> np.ndarray:
        return self._each(self.plan.mass_kg)

    def _wind_speed(self) -> np.ndarray:
        return self._each(np.abs(self.plan.headwind) / KT)

    def _wind_from(self) -> np.ndarray:
        heading = np.array([r.heading_deg for r in self.block.runways])
        return self._each(np.where(self.plan.headwind >= 0, heading, heading + 180) % 360)

    def _static_air_temperature(self) -> np.ndarray:
        return self._each(self.rng.normal(9, 5, len(self.plan)))

    def _hydraulic_pressure(self, side: str) -> np.ndarray:
        low = self.plan.low_hydraulics == {"left": 1, "right": 2, "centre": 3}[side]
        return self._each(np.where(low, self.rng.uniform(1100, 1700, len(self.plan)), 3000)) + self._wander(15)


def _swing(rng: np.random.Generator, length: int) -> np.ndarray:
    """Noise of unit variance with a correlation time of some two seconds."""
    kernel = np.exp(-0.5 * (np.arange(-100, 101) * STEP_S / 1.2) ** 2)
    return (np.convolve(rng.standard_normal(length), kernel, "same") / np.sqrt((kernel**2).sum())).astype(np.float32)


def _jolt(since: np.ndarray, strength: np.ndarray) -> np.ndarray:
    """The vertical jolt of a contact, g: a steep rise within 0.2 s, then a damped swing of the struts."""
    swing = np.sin(since * (2 * np.pi / 0.85)) * np.exp(-since.clip(0) / 0.45)
    return np.where(since >= 0, strength * 1.4 * swing, 0)


def usual_span(plan: Plan, history: History, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Start of each recording relative to contact, and its number of rows."""
    n = len(plan)
    start = -rng.uniform(52, 60, n)
    turning = np.abs(history.heading_rad[ZERO:]) > 0.35
    left = np.where(turning.any(axis=0), turning.argmax(axis=0) * STEP_S, 90.0)
    end = np.where(plan.go_around_s < NEVER, 75.0, left + plan.end_s).clip(None, TIMES[-1] - 1)
    return start, ((end - start) * ROWS_HZ).astype(int)
