"""The canonical parameters: name, unit, kind, plausible range and how finely a recorder resolves them.

Names that are recorded per engine end in `.N` (1-4 from the left), per side in `.left` / `.right` (/ `.centre`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["analogue", "discrete", "state"]

STOWED, IN_TRANSIT, DEPLOYED = 0, 1, 2
STATES = {"stowed": STOWED, "in_transit": IN_TRANSIT, "deployed": DEPLOYED}
NOT_RECORDED = -1  # a discrete or a state without a valid sample; analogue values use NaN


@dataclass(frozen=True)
class Parameter:
    """One canonical parameter.

    unit        canonical unit; "" for discretes and states
    low, high   plausible range in that unit, wide enough for any flight
    tolerance   half-width, in that unit, within which a healthy recorded value may differ from the true one
                through resolution and noise (half the resolution of 14 CFR 121 appendix M where it gives one,
                otherwise common practice, no source); bounds of values and crossings carry it
    """

    name: str
    unit: str
    kind: Kind
    low: float
    high: float
    tolerance: float
    suffixes: tuple[str, ...] = ()


ENGINES = ("1", "2", "3", "4")
SIDES = ("left", "right")


def _analogue(
    name: str, unit: str, low: float, high: float, tolerance: float, suffixes: tuple[str, ...] = ()
) -> Parameter:
    return Parameter(name, unit, "analogue", low, high, tolerance, suffixes)


def _discrete(name: str, suffixes: tuple[str, ...] = ()) -> Parameter:
    return Parameter(name, "", "discrete", 0, 1, 0, suffixes)


_FAMILIES = (
    _analogue("ground_speed", "kt", 0, 700, 0.5),
    _analogue("airspeed", "kt", -60, 500, 0.5),
    _analogue("radio_height", "ft", -30, 8200, 2.0),
    _analogue("pressure_altitude", "ft", -2000, 60000, 8.0),
    _analogue("normal_acceleration", "g", -3, 6, 0.004),
    _analogue("longitudinal_acceleration", "g", -1.2, 1.2, 0.004),
    _analogue("lateral_acceleration", "g", -1.2, 1.2, 0.004),
    _analogue("heading", "deg", -180, 360, 0.5),
    _analogue("pitch", "deg", -90, 90, 0.3),
    _analogue("roll", "deg", -180, 180, 0.3),
    _analogue("latitude", "deg", -90, 90, 0.001),
    _analogue("longitude", "deg", -180, 180, 0.001),
    _discrete("main_gear_ground"),
    Parameter("main_gear_ground", "", "discrete", 0, 1, 0, SIDES),
    _discrete("nose_gear_ground"),
    _analogue("spoiler_handle", "fraction", -0.2, 1.2, 0.01),
    _analogue("spoiler_panel", "fraction", -0.2, 1.2, 0.01),
    _discrete("spoilers_armed"),
    _analogue("thrust_lever", "deg", -60, 120, 1.0, ENGINES),
    _analogue("reverse_lever", "fraction", -0.2, 1.2, 0.02, ENGINES),
    _analogue("n1", "%", 0, 130, 0.3, ENGINES),
    _analogue("epr", "ratio", 0.5, 2.5, 0.005, ENGINES),
    Parameter("reverser_state", "", "state", 0, 2, 0, ENGINES),
    _discrete("reverser_unlocked", ENGINES),
    _discrete("reverser_deployed", ENGINES),
    _discrete("reverser_fault", ENGINES),
    _analogue("brake_pressure", "psi", -100, 5000, 15.0, SIDES),
    _discrete("autobrake_active"),
    _discrete("autothrottle_engaged"),
    _analogue("flap", "deg", -5, 60, 0.5),
    _analogue("gross_weight", "kg", 1000, 700000, 100.0),
    _analogue("wind_speed", "kt", 0, 250, 1.0),
    _analogue("wind_from", "deg", -180, 360, 1.0),
    _analogue("static_air_temperature", "degC", -90, 60, 0.5),
    _analogue("hydraulic_pressure", "psi", -100, 6000, 15.0, ("left", "right", "centre")),
    _analogue("rudder", "deg", -45, 45, 0.3),
)


def _expand() -> dict[str, Parameter]:
    table = {}
    for family in _FAMILIES:
        for suffix in family.suffixes or ("",):
            name = f"{family.name}.{suffix}" if suffix else family.name
            table[name] = Parameter(name, family.unit, family.kind, family.low, family.high, family.tolerance)
    return table


PARAMETERS: dict[str, Parameter] = _expand()
