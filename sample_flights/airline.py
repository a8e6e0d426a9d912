"""The invented airline: fleets, aircraft, airfields and runways. No real place, type, tail or company is meant."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

AIRLINE = "Vesterhaven Air"
KT = 1852 / 3600  # m/s, exact
FT = 0.3048  # m, exact
G = 9.80665  # m/s², exact

FIRST_DAY = datetime(2026, 9, 28, tzinfo=UTC)  # Monday of ISO week 2026-W40
WEEKS = 8  # to 2026-W47


@dataclass(frozen=True)
class Fleet:
    """One aircraft type with its recorder layout; invented, but of the size and habits of its class.

    thrust_n        static take-off thrust per engine; reverse_n, full reverse per engine at 130 kt
    idle_pct        N1 at ground idle, forward and reverse alike; flight_idle_pct until about 4.5 s after contact
    interlock       sleeve position from which the reverse lever may go beyond the idle detent
    reverse_lifts   raising a reverse lever drives unarmed ground spoilers up
    levers_recorded reverse levers are in the recording
    """

    name: str
    key: str
    tails: tuple[str, ...]
    share: float
    engines: int
    reversers: tuple[int, ...]
    mass_kg: tuple[float, float]
    wing_m2: float
    landing_cl: float
    thrust_n: float
    reverse_n: float
    engine_arm_m: tuple[float, ...]
    yaw_inertia: float
    idle_pct: float
    flight_idle_pct: float
    approach_pct: float
    max_reverse_pct: float
    interlock: float
    transit_s: float
    stow_s: float
    spoiler_travel_s: float
    reverse_lifts: bool
    levers_recorded: bool
    brake_n_per_psi: float


def _tails(letter: str, count: int) -> tuple[str, ...]:
    return tuple(f"QQ-L{letter}{chr(ord('A') + i)}" for i in range(count))


FLEETS = (
    Fleet(
        "Tern 200",
        "tern200",
        _tails("A", 18),
        0.60,
        2,
        (1, 2),
        (52e3, 64e3),
        124.0,
        1.62,
        118e3,
        47e3,
        (-4.9, 4.9),
        3.6e6,
        24.0,
        31.0,
        54.0,
        82.0,
        0.60,
        1.9,
        2.4,
        0.9,
        True,
        True,
        110.0,
    ),
    Fleet(
        "Curlew 300",
        "curlew300",
        _tails("C", 10),
        0.27,
        2,
        (1, 2),
        (122e3, 140e3),
        283.0,
        1.55,
        245e3,
        96e3,
        (-7.9, 7.9),
        1.25e7,
        21.0,
        27.0,
        50.0,
        78.0,
        0.85,
        2.2,
        2.9,
        1.1,
        True,
        False,
        235.0,
    ),
    Fleet(
        "Dunlin 400",
        "dunlin400",
        _tails("D", 6),
        0.13,
        4,
        (1, 2, 3, 4),
        (215e3, 255e3),
        472.0,
        1.60,
        228e3,
        88e3,
        (-20.5, -11.2, 11.2, 20.5),
        3.4e7,
        26.0,
        33.0,
        56.0,
        84.0,
        0.75,
        2.0,
        2.7,
        1.0,
        False,
        True,
        430.0,
    ),
)


@dataclass(frozen=True)
class Runway:
    """One landing direction. Distances in metres from the physical end where it begins; heading true, degrees."""

    airport: str
    ident: str
    length_m: float
    width_m: float
    displaced_m: float
    heading_deg: float
    latitude_deg: float
    longitude_deg: float
    elevation_ft: float
    exits: tuple[tuple[float, float], ...]  # (distance from the physical end, turn angle)


@dataclass(frozen=True)
class Strip:
    """A runway with both ends, as runways.csv lists it."""

    airport: str
    airfield: str
    le_ident: str
    length_ft: int
    width_ft: int
    latitude_deg: float
    longitude_deg: float
    heading_deg: float
    elevation_ft: int
    displaced_ft: tuple[int, int] = (0, 0)
    exits_m: tuple[float, ...] = (1150, 1500, 1850, 2250)  # seen from either end

    @property
    def he_ident(self) -> str:
        number = (int(self.le_ident[:2]) + 18 - 1) % 36 + 1
        return f"{number:02d}" + {"L": "R", "R": "L"}.get(self.le_ident[2:], self.le_ident[2:])

    @property
    def far_end(self) -> tuple[float, float]:
        """Latitude and longitude of the high end."""
        return offset(self.latitude_deg, self.longitude_deg, self.heading_deg, self.length_ft * FT)

    def ends(self) -> tuple[Runway, Runway]:
        """Both landing directions."""
        length = self.length_ft * FT
        far = self.far_end
        made = []
        for i, ident in enumerate((self.le_ident, self.he_ident)):
            lat, lon = (self.latitude_deg, self.longitude_deg) if i == 0 else far
            exits = tuple((float(d), 90.0) for d in self.exits_m if d < length - 150)
            made.append(
                Runway(
                    self.airport,
                    ident,
                    length,
                    self.width_ft * FT,
                    self.displaced_ft[i] * FT,
                    (self.heading_deg + 180 * i) % 360,
                    lat,
                    lon,
                    self.elevation_ft,
                    (*exits, (length - 70, 90.0)),
                )
            )
        return made[0], made[1]


def offset(lat_deg: float, lon_deg: float, heading_deg: float, along_m: Any, right_m: Any = 0.0) -> tuple[Any, Any]:
    """Position `along_m` ahead and `right_m` to the right, numbers or arrays, on a locally flat earth.

    A minute of latitude is taken as 1852 m, which a spherical earth is within 0.3 % of (common practice, no source).
    """
    angle = math.radians(heading_deg)
    north = along_m * math.cos(angle) - right_m * math.sin(angle)
    east = along_m * math.sin(angle) + right_m * math.cos(angle)
    metres = 60 * 1852.0
    return lat_deg + north / metres, lon_deg + east / (metres * math.cos(math.radians(lat_deg)))


# An archipelago in mid-ocean where there is none.
STRIPS = (
    Strip("QQVH", "Vesterhaven", "09L", 9842, 148, 47.1203, -34.2210, 88.4, 62, (0, 492)),
    Strip("QQVH", "Vesterhaven", "09R", 8530, 148, 47.1069, -34.2155, 88.4, 58),
    Strip("QQKB", "Korsby", "09", 8530, 148, 46.3542, -33.1127, 92.0, 141, (0, 0), (1420, 2540)),
    Strip("QQSM", "Sandmark", "09", 9186, 148, 48.0418, -32.5006, 93.5, 23),
    Strip("QQPM", "Port Merrin", "04", 8858, 148, 45.6610, -35.0471, 41.2, 204, (394, 0)),
    Strip("QQIL", "Ilvesund", "04", 8202, 148, 48.5127, -35.6302, 37.6, 89),
    Strip("QQGV", "Grauvik", "13", 7054, 148, 46.9040, -31.4415, 128.1, 318, (0, 0), (1300, 1650, 1950)),
    Strip("QQTH", "Tarnholm", "18", 10499, 197, 45.2214, -32.0350, 178.8, 5217),
    Strip("QQEM", "Eastmere", "13", 8694, 148, 47.7781, -30.2126, 134.9, 12),
)


def week_of(moment: datetime) -> str:
    """ISO week, as 2026-W47."""
    year, week, _ = moment.isocalendar()
    return f"{year}-W{week:02d}"


def last_moment() -> datetime:
    """End of the last week."""
    return FIRST_DAY + timedelta(weeks=WEEKS)
