"""Published accident timelines rebuilt as recordings.

A `Timeline` holds what an investigation report says of a landing roll: speeds, distances and the times at which
devices moved, in seconds after first main-gear contact. `write_all` turns them into recordings as a recorder of the
time would have made them (discretes once a second unless the case says otherwise). What the reports leave open is
chosen so that it provokes no rule, and every case is turned to fly eastward over an invented threshold.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl
from scipy.integrate import cumulative_trapezoid

from .recorder import FLAG, STATES, Channel, Flight, Signal, linear, stepped, write

MPS_PER_KT, M_PER_FT, G_MPS2 = 1852 / 3600, 0.3048, 9.80665
THRESHOLD_LATITUDE_DEG, THRESHOLD_LONGITUDE_DEG = 10.0, 20.0
M_PER_DEG = 111_195.0  # on a sphere of 6,371 km
BEFORE_S = 35.0  # recorded before contact
START_S = 100.0  # first contact on the recording's clock

Point = tuple[float, float]
STOWED, TRANSIT, DEPLOYED = 0.0, 1.0, 2.0


@dataclass(frozen=True)
class Published:
    """A figure that the named measure, step or distance must show: its bounds, widened by `tolerance`, hold `value`.

    what   a measure; or "step:" and the name of an instant, in seconds after first contact
    """

    what: str
    value: float
    tolerance: float = 0.0
    engine: int = 0


@dataclass(frozen=True)
class Landmark:
    """Where the report has the aeroplane: metres from the landing threshold at a time, give or take `tolerance_m`."""

    time_s: float
    from_threshold_m: float
    tolerance_m: float
    speed_kt: float = float("nan")


@dataclass(frozen=True)
class Timeline:
    """One landing roll as reported.

    roll         (seconds, ground speed kt) points, straight between them
    signals      canonical parameter -> points; booleans and reverser states step, numbers run straight
    events       rules whose events the report describes
    possible     rules that may make an event as a consequence of those figures; no other rule may
    """

    name: str
    report: str
    runway_m: float
    touchdown_m: float
    roll: Sequence[Point]
    signals: Mapping[str, Sequence[Point]]
    events: Mapping[str, str]
    possible: Sequence[str] = ()
    published: Sequence[Published] = ()
    landmarks: Sequence[Landmark] = ()
    engines: int = 2
    reversers_out: Sequence[int] = ()
    rates: Mapping[str, float] = field(default_factory=dict)
    airborne: Sequence[tuple[float, float]] = ()

    @property
    def end_s(self) -> float:
        """End of the recording, seconds after contact."""
        return self.roll[-1][0]


def roll(start_kt: float, *legs: tuple[str, float, float]) -> list[Point]:
    """A speed profile from legs of even deceleration: ("s", seconds, kt at its end) or ("m", metres, kt at its end)."""
    points = [(0.0, start_kt)]
    for unit, length, kt in legs:
        time_s, before_kt = points[-1]
        lasts_s = length if unit == "s" else length / ((before_kt + kt) / 2 * MPS_PER_KT)
        points.append((time_s + lasts_s, kt))
    return points


def distance_m(timeline: Timeline, time_s: float) -> float:
    """Metres from first contact, by SciPy's trapezoids over the speed profile."""
    grid = np.linspace(0.0, time_s, 4001)
    speed = linear(timeline.roll)(grid) * MPS_PER_KT
    return float(cumulative_trapezoid(speed, grid, initial=0.0)[-1])


def reverser(unlocked_s: float, deployed_s: float, stow_s: float | None = None, stowed_s: float = 0.0) -> list[Point]:
    """A reverser's states: in transit, deployed, and back when it was stowed within the recording."""
    points = [(unlocked_s, TRANSIT), (deployed_s, DEPLOYED)]
    return points if stow_s is None else [*points, (stow_s, TRANSIT), (stowed_s, STOWED)]


_UNITS = {
    "spoiler_handle": ("fraction", 0.01, 1.0),
    "epr": ("ratio", 0.01, 1.0),
    "n1": ("%", 0.25, 1.0),
    "reverse_lever": ("fraction", 0.02, 1.0),
    "thrust_lever": ("deg", 0.5, 1.0),
    "brake_pressure": ("psi", 10.0, 1.0),
    "heading": ("deg", 0.5, 1.0),
    "airspeed": ("kt", 0.5, 1.0),
}
_FLAGS = ("main_gear_ground", "nose_gear_ground", "spoilers_armed", "autobrake_active")


def _late(signal: Signal) -> Signal:
    """A signal given after contact, on the recording's clock."""
    return lambda time_s: signal(time_s - START_S)


def _channel(timeline: Timeline, parameter: str, points: Sequence[Point]) -> Channel:
    family = parameter.split(".")[0]
    rate_hz = timeline.rates.get(family, 1.0)
    if family == "reverser_state":
        return Channel(parameter, _late(stepped(points)), rate_hz, STATES)
    if family in _FLAGS:
        return Channel(parameter, _late(stepped(points)), rate_hz, FLAG)
    unit, resolution, _ = _UNITS[family]
    return Channel(parameter, _late(linear(points)), rate_hz, {"unit": unit}, resolution)


def _normal_g(timeline: Timeline) -> Signal:
    """One g with a bump at each contact and a rumble on the ground."""
    contacts = [0.0, *(back for _, back in timeline.airborne)]

    def signal(time_s: np.ndarray) -> np.ndarray:
        bumps = sum(0.25 * np.exp(-(((time_s - c - 0.15) / 0.15) ** 2)) for c in contacts)
        return 1.0 + bumps + np.where(time_s > 0, 0.02, 0.005) * np.sin(37.0 * time_s)

    return signal


def _motion(timeline: Timeline) -> list[Channel]:
    """What the speed profile fixes: speed, height, accelerations, place."""
    grid = np.linspace(0.0, timeline.end_s, 8001)
    speed = linear(timeline.roll)
    along = cumulative_trapezoid(speed(grid) * MPS_PER_KT, grid, initial=0.0)
    before = timeline.roll[0][1] * MPS_PER_KT

    def east_m(time_s: np.ndarray) -> np.ndarray:
        return timeline.touchdown_m + np.interp(time_s, grid, along) + before * np.minimum(time_s, 0.0)

    def longitude(time_s: np.ndarray) -> np.ndarray:
        scale = M_PER_DEG * np.cos(np.radians(THRESHOLD_LATITUDE_DEG))
        return THRESHOLD_LONGITUDE_DEG + east_m(time_s) / scale

    def forward_g(time_s: np.ndarray) -> np.ndarray:
        return (speed(time_s + 0.05) - speed(time_s - 0.05)) / 0.1 * MPS_PER_KT / G_MPS2

    hops = [p for off, on in timeline.airborne for p in ((off, 0.0), ((off + on) / 2, 2.0), (on, 0.0))]
    height = linear([(-BEFORE_S, 360.0), (-6.0, 50.0), (0.0, 0.0), *hops])
    return [
        Channel("ground_speed", _late(speed), 1.0, {"unit": "kt"}, 0.5),
        Channel("radio_height", _late(height), 2.0, {"unit": "ft"}, 1.0),
        Channel("normal_acceleration", _late(_normal_g(timeline)), 8.0, {"unit": "g"}, 0.004),
        Channel("longitudinal_acceleration", _late(forward_g), 4.0, {"unit": "g"}, 0.004),
        Channel("latitude", lambda t: np.full(len(t), THRESHOLD_LATITUDE_DEG), 1.0, {"unit": "deg"}, 0.0001),
        Channel("longitude", _late(longitude), 1.0, {"unit": "deg"}, 0.0001),
    ]


def _contacts(timeline: Timeline) -> dict[str, Sequence[Point]]:
    """Main gear on the ground from first contact, with the reported hops, unless the case gives each leg."""
    if "main_gear_ground.left" in timeline.signals:
        return {}
    hops = [p for off, on in timeline.airborne for p in ((off, 0.0), (on, 1.0))]
    return {"main_gear_ground": [(0.0, 1.0), *hops]}


def flight(timeline: Timeline) -> Flight:
    """The recording of a timeline."""
    signals = {"heading": [(0.0, 90.0)], **_contacts(timeline), **timeline.signals}
    facts = {
        "tail": "ZZ-" + timeline.name[:3].upper(),
        "start_utc": "2026-11-16T08:00:00Z",
        "departure": "ZZAA",
        "arrival": _airport(timeline),
        "runway": "09",
        "reversers_out": ";".join(str(n) for n in timeline.reversers_out) or None,
    }
    return Flight(
        name=timeline.name,
        start_s=START_S - BEFORE_S,
        end_s=START_S + timeline.end_s,
        channels=[*_motion(timeline), *(_channel(timeline, p, points) for p, points in signals.items())],
        fleet=f"as reported, {timeline.engines} engines",
        engines=timeline.engines,
        reversers=range(1, timeline.engines + 1),
        facts=facts,
        form="csv" if zlib.crc32(timeline.name.encode()) % 2 else "parquet",
    )


def _airport(timeline: Timeline) -> str:
    return "Z" + timeline.name.replace("_", "")[:3].upper() + timeline.name[-2:]


def runways(timelines: Sequence[Timeline]) -> pl.DataFrame:
    """One invented runway of the reported length per timeline, in OurAirports column names."""
    count = len(timelines)
    return pl.DataFrame(
        {
            "airport_ident": [_airport(t) for t in timelines],
            "length_ft": [t.runway_m / M_PER_FT for t in timelines],
            "width_ft": [150.0] * count,
            "le_ident": ["09"] * count,
            "le_latitude_deg": [THRESHOLD_LATITUDE_DEG] * count,
            "le_longitude_deg": [THRESHOLD_LONGITUDE_DEG] * count,
            "le_heading_degT": [90.0] * count,
            "le_displaced_threshold_ft": [0.0] * count,
            "he_ident": ["27"] * count,
        }
    )


def write_all(folder: Path, timelines: Sequence[Timeline], seed: int = 1) -> Path:
    """Write every timeline as a recording, with maps, flights.csv and runways.csv."""
    return write(folder, [flight(t) for t in timelines], seed, runways(timelines))
