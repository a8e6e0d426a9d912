"""Flights that went around: the circuit between the two landings of one recording."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sample_flights.airline import FT, KT, Runway, offset
from sample_flights.layouts import ROWS_HZ, Channel, Layout
from sample_flights.recorder import rounded

FRAME = 4 * ROWS_HZ  # rows of the longest frame; the second landing begins on a whole one
TURN_M, RAMP_S = 1800.0, 15.0


@dataclass(frozen=True)
class End:
    """Where the aeroplane is as one part ends or the next begins: m along and up, m/s."""

    x_m: float
    height_m: float
    speed_mps: float


@dataclass(frozen=True)
class Circuit:
    """A left-hand racetrack flown between two parts of a recording, on a grid of rows."""

    runway: Runway
    leave: End
    join: End
    rows: int
    cruise_mps: float

    @property
    def lasts_s(self) -> float:
        return self.rows / ROWS_HZ

    def travelled(self, t: np.ndarray) -> np.ndarray:
        """Metres flown since the first part ended."""
        fine = np.linspace(0, self.lasts_s, 2000)
        speed = self.speed(fine)
        along = np.concatenate([[0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(fine))])
        return np.interp(t, fine, along)

    def speed(self, t: np.ndarray) -> np.ndarray:
        """Ground speed, m/s."""
        corners = [0, RAMP_S, self.lasts_s - RAMP_S, self.lasts_s]
        return np.interp(t, corners, [self.leave.speed_mps, self.cruise_mps, self.cruise_mps, self.join.speed_mps])

    def height(self, t: np.ndarray) -> np.ndarray:
        """Metres above the runway."""
        level = max(self.leave.height_m, 457.0)
        return np.minimum(np.minimum(self.leave.height_m + 8 * t, level), self.join.height_m + 3.6 * (self.lasts_s - t))

    def track(self, t: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """x, y (m, y to the right) and heading relative to the runway (deg)."""
        s, arc = self.travelled(t), np.pi * TURN_M
        far, near = _legs(self.runway, self.leave, self.join)
        up, down = far - self.leave.x_m, far - near
        parts = [s < up, s < up + arc, s < up + arc + down, s < up + 2 * arc + down]
        first, second = (s - up) / TURN_M, (s - up - arc - down) / TURN_M
        x = np.select(
            parts,
            [
                self.leave.x_m + s,
                far + TURN_M * np.sin(first),
                far - (s - up - arc),
                near - TURN_M * np.sin(second),
            ],
            near + s - up - 2 * arc - down,
        )
        y = np.select(
            parts,
            [0 * s, -TURN_M * (1 - np.cos(first)), 0 * s - 2 * TURN_M, -TURN_M * (1 + np.cos(second))],
            0 * s,
        )
        heading = np.select(parts, [0 * s, -np.degrees(first), 0 * s - 180, -180 - np.degrees(second)], 0 * s - 360)
        return x, y, heading


def _legs(runway: Runway, leave: End, join: End) -> tuple[float, float]:
    """Where along the runway's line the upwind turn begins and the turn to final ends."""
    return max(leave.x_m, runway.length_m) + 2500, join.x_m - 900


def plan_circuit(runway: Runway, leave: End, join: End, rows_before: int) -> Circuit:
    """A circuit whose rows bring the second part to the start of a whole frame."""
    far, near = _legs(runway, leave, join)
    length = (far - leave.x_m) + 2 * np.pi * TURN_M + (far - near) + (join.x_m - near)
    rows = round(length / 85 * ROWS_HZ)
    rows += -(rows_before + rows) % FRAME
    lasts = rows / ROWS_HZ
    cruise = (length - RAMP_S / 2 * (leave.speed_mps + join.speed_mps)) / (lasts - RAMP_S)
    return Circuit(runway, leave, join, rows, float(cruise))


def joined(
    before: dict[str, np.ndarray],
    rows_before: int,
    after: dict[str, np.ndarray],
    circuit: Circuit,
    layout: Layout,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:
    """Samples of a whole recording, (1, m), from those of its two landings."""
    made = {}
    for channel in layout.channels:
        a = before[channel.name][: len(range(channel.phase, rows_before, channel.every))]
        rows = np.arange(channel.phase + channel.every * len(a), rows_before + circuit.rows, channel.every)
        b = after[channel.name]
        between = _between(channel, (rows - rows_before) / ROWS_HZ, a[-1], b[0], circuit, rng)
        made[channel.name] = np.concatenate([a, between.astype(a.dtype), b])[None]
    return made


def _between(
    channel: Channel, t: np.ndarray, last: float, first: float, circuit: Circuit, rng: np.random.Generator
) -> np.ndarray:
    """A channel's samples on the circuit, in recorded units."""
    family, share = channel.name.partition(".")[0], t / circuit.lasts_s
    if channel.resolution == 0:
        return np.where(share < 0.5, last, first)
    x, y, heading = circuit.track(t)
    lat, lon = offset(
        circuit.runway.latitude_deg,
        circuit.runway.longitude_deg,
        circuit.runway.heading_deg,
        circuit.runway.displaced_m + x,
        y,
    )
    true: dict[str, np.ndarray] = {
        "ground_speed": circuit.speed(t) / KT,
        "airspeed": circuit.speed(t) / KT + 5,
        "heading": circuit.runway.heading_deg + heading,
        "radio_height": circuit.height(t) / FT,
        "latitude": lat,
        "longitude": lon,
    }
    if family in true:
        value = true[family] % 360 if family == "heading" else true[family]
        value = value * channel.per_unit
    elif family.endswith("_acceleration"):
        value = rng.normal(1.0 if family.startswith("normal") else 0.0, 0.012, len(t))
    elif family == "pressure_altitude":
        value = last + (circuit.height(t) - circuit.leave.height_m) / FT
    elif family in ("n1", "epr"):
        middle = last + 0.85 * (first - last)
        value = np.interp(share, [0, 0.05, 0.12, 0.9, 1], [last, last, middle, middle, first])
    else:
        value = last + (first - last) * share
    return rounded(value, channel.resolution)
