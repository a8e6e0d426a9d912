"""The three recorder layouts: which parameters, under which column, how often, when in the frame, how finely.

A layout's rows come eight to the second. A channel of rate r is sampled in every (8/r)-th row from row `phase` on,
`offset_s` after the row's stamp (sparse and long forms) or that long before it (held form, where the row repeats the
last value). Resolution and noise stay within half the resolutions of 14 CFR 121 appendix M where it names one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from sample_flights.airline import FLEETS, Fleet

ROWS_HZ = 8


@dataclass(frozen=True)
class Channel:
    """One recorded parameter. per_unit: recorded = canonical * per_unit, resolution and noise in recorded units."""

    name: str
    column: str
    rate_hz: float
    phase: int
    offset_s: float
    unit: str = ""
    resolution: float = 0.0
    noise: float = 0.0
    per_unit: float = 1.0
    full_travel: float | None = None
    true_when: int | None = None
    states: tuple[str | int, str | int, str | int] | None = None
    rate_in_map: bool = True

    @property
    def every(self) -> int:
        """Rows from one sample to the next."""
        return round(ROWS_HZ / self.rate_hz)


@dataclass(frozen=True)
class Layout:
    """form: sparse, held or long."""

    fleet: Fleet
    form: str
    channels: tuple[Channel, ...]


def _analogue(
    name: str, column: str, rate: float, unit: str, resolution: float, noise: float, **more: float
) -> Channel:
    return Channel(name, column, rate, 0, 0.0, unit, resolution, noise, **more)  # type: ignore[arg-type]


def _discrete(name: str, column: str, rate: float, true_when: int = 1) -> Channel:
    return Channel(name, column, rate, 0, 0.0, true_when=true_when)


def _state(name: str, column: str, rate: float, states: tuple[str | int, str | int, str | int]) -> Channel:
    return Channel(name, column, rate, 0, 0.0, states=states)


def _common(gs: float, n1: float, engines: int, n1_name: str) -> list[Channel]:
    """What all three record alike but for names and rates."""
    return [
        _analogue("normal_acceleration", "NZ", 8, "g", 1 / 256, 0.0006),
        _analogue("longitudinal_acceleration", "NX", 4, "g", 1 / 512, 0.0006),
        _analogue("lateral_acceleration", "NY", 4, "g", 1 / 512, 0.0006),
        *(_analogue(f"n1.{e}", n1_name.format(e), n1, "%", 0.125, 0.05) for e in range(1, engines + 1)),
        _analogue("airspeed", "CAS", gs, "kt", 0.25, 0.1),
        _analogue("pitch", "PITCH", 4, "deg", 0.088, 0.03),
        _analogue("roll", "ROLL", 2, "deg", 0.088, 0.03),
        _analogue("flap", "FLAP", 0.5, "deg", 0.25, 0.05),
        _analogue("wind_speed", "WSPD", 0.5, "kt", 0.5, 0.2),
        _analogue("wind_from", "WDIR", 0.5, "deg", 0.5, 0.2),
        _analogue("static_air_temperature", "SAT", 0.25, "degC", 0.25, 0.05),
    ]


def _tern() -> list[Channel]:
    both = (1, 2)
    return [
        _analogue("ground_speed", "GS", 2, "kt", 0.25, 0.08),
        _analogue("radio_height", "RALT", 2, "ft", 1, 0.3),
        _analogue("pressure_altitude", "ALT", 1, "ft", 4, 1),
        _analogue("heading", "HDGT", 1, "deg", 0.176, 0.04),
        _analogue("latitude", "LAT", 1, "deg", 0.00002, 0.00001),
        _analogue("longitude", "LON", 1, "deg", 0.00002, 0.00001),
        _discrete("main_gear_ground.left", "LH MLG AIR", 4, 0),
        _discrete("main_gear_ground.right", "RH MLG AIR", 4, 0),
        _discrete("nose_gear_ground", "NLG GND", 1),
        _analogue("spoiler_handle", "SPLR HDL", 2, "deg", 0.25, 0.08, per_unit=46, full_travel=46),
        _discrete("spoilers_armed", "SPLR ARM", 1),
        *(_analogue(f"thrust_lever.{e}", f"TLA {e}", 1, "deg", 0.5, 0.1) for e in both),
        *(_analogue(f"reverse_lever.{e}", f"RLA {e}", 2, "deg", 0.5, 0.1, per_unit=88, full_travel=88) for e in both),
        *(_discrete(f"reverser_unlocked.{e}", f"T/R {e} UNLK", 2) for e in both),
        *(_discrete(f"reverser_deployed.{e}", f"T/R {e} DPLY", 2) for e in both),
        *(_analogue(f"brake_pressure.{s}", f"BRK P {s[0].upper()}", 2, "psi", 8, 2) for s in ("left", "right")),
        _discrete("autobrake_active", "A/BRK", 1),
        _discrete("autothrottle_engaged", "A/T ENGD", 1),
        _analogue("gross_weight", "GW", 0.25, "kg", 40, 0),
        *(_analogue(f"hydraulic_pressure.{s}", f"HYD {s[0].upper()}", 1, "psi", 8, 2) for s in ("left", "right")),
        _analogue("rudder", "RUDD", 2, "deg", 0.1, 0.05),
        *_common(1, 2, 2, "N1 ENG{}"),
    ]


def _curlew() -> list[Channel]:
    both = (1, 2)
    words = ("STOWED", "TRANSIT", "DEPLOYED")
    return [
        _analogue("ground_speed", "GroundSpeed_mps", 1, "m/s", 0.1, 0.04, per_unit=1852 / 3600),
        _analogue("radio_height", "RadioHeight_ft", 2, "ft", 0.5, 0.3),
        _analogue("pressure_altitude", "PressAlt_ft", 1, "ft", 4, 1),
        _analogue("heading", "HeadingTrue", 1, "deg", 0.088, 0.04),
        _analogue("latitude", "Latitude", 1, "deg", 0.00001, 0.00001),
        _analogue("longitude", "Longitude", 1, "deg", 0.00001, 0.00001),
        _discrete("main_gear_ground", "MainGearOnGround", 2),
        _discrete("nose_gear_ground", "NoseGearOnGround", 1),
        _analogue("spoiler_panel", "GroundSpoilers_pct", 1, "%", 0.5, 0.15, per_unit=100),
        _discrete("spoilers_armed", "SpoilersArmed", 1),
        *(_analogue(f"thrust_lever.{e}", f"ThrustLever{e}_deg", 1, "deg", 0.35, 0.1) for e in both),
        *(_state(f"reverser_state.{e}", f"Reverser{e}", 1, words) for e in both),
        *(_analogue(f"epr.{e}", f"EPR{e}", 1, "ratio", 0.004, 0.0008) for e in both),
        *(_analogue(f"brake_pressure.{s}", f"BrakePress{s.title()}", 1, "psi", 12, 2) for s in ("left", "right")),
        _discrete("autobrake_active", "AutobrakeActive", 1),
        _discrete("autothrottle_engaged", "AutothrottleEngaged", 1),
        _analogue("gross_weight", "GrossWeight_t", 0.25, "t", 0.1, 0, per_unit=0.001),
        *(
            _analogue(f"hydraulic_pressure.{s}", f"Hyd{s.title()}", 1, "psi", 12, 2)
            for s in ("left", "right", "centre")
        ),
        *_common(1, 1, 2, "N1_{}"),
    ]


def _dunlin() -> list[Channel]:
    four = (1, 2, 3, 4)
    return [
        _analogue("ground_speed", "GSPD", 1, "kt", 0.5, 0.06),
        _analogue("radio_height", "RADALT", 1, "ft", 1, 0.3),
        _analogue("pressure_altitude", "PALT", 1, "ft", 8, 1),
        _analogue("heading", "THDG", 1, "deg", 0.352, 0.04),
        _analogue("latitude", "POSLAT", 0.5, "deg", 0.0001, 0.00001),
        _analogue("longitude", "POSLON", 0.5, "deg", 0.0001, 0.00001),
        _discrete("main_gear_ground", "WOW", 1),
        _discrete("nose_gear_ground", "NWOW", 1),
        _analogue("spoiler_handle", "SPBRK", 1, "fraction", 0.005, 0.001),
        *(_analogue(f"thrust_lever.{e}", f"TL{e}", 1, "deg", 0.5, 0.1) for e in four),
        *(_analogue(f"reverse_lever.{e}", f"RL{e}", 1, "%", 0.5, 0.2, per_unit=100) for e in four),
        *(_state(f"reverser_state.{e}", f"TREV{e}", 0.5, (0, 1, 2)) for e in four),
        *(
            _analogue(f"brake_pressure.{s}", f"BP{s[0].upper()}", 1, "bar", 0.5, 0.1, per_unit=0.0689476)
            for s in ("left", "right")
        ),
        _discrete("autothrottle_engaged", "ATHR", 1),
        _analogue("gross_weight", "GWT", 0.25, "lb", 100, 0, per_unit=1 / 0.45359237),
        *_common(1, 1, 4, "N1E{}"),
    ]


def _placed(channels: list[Channel], form: str) -> tuple[Channel, ...]:
    """Spreads the channels over their frame, each at its own place, and leaves some rates of a held table unsaid."""
    made = []
    for i, channel in enumerate(channels):
        phase = (3 * i + 1) % channel.every
        offset = 0.0 if form == "long" else ((7 * i) % 16) / 128
        said = form == "held" and i % 3 != 2
        made.append(replace(channel, phase=phase, offset_s=offset, rate_in_map=said))
    return tuple(made)


def layouts() -> tuple[Layout, ...]:
    """One per fleet, in the order of FLEETS."""
    forms = ("sparse", "held", "long")
    channels = (_tern(), _curlew(), _dunlin())
    return tuple(Layout(f, form, _placed(c, form)) for f, form, c in zip(FLEETS, forms, channels, strict=True))


def map_text(layout: Layout) -> str:
    """The parameter map of a layout, TOML."""
    fleet = layout.fleet
    lines = [
        "[map]",
        f'name = "{fleet.name} recorder"',
        f'fleet = "{fleet.name}"',
        f"engines = {fleet.engines}",
    ]
    lines += [f"reversers = {list(fleet.reversers)}"]
    for channel in layout.channels:
        lines += ["", f'[parameter."{channel.name}"]', f'column = "{channel.column}"']
        if channel.true_when is not None:
            lines.append(f"true_when = [{channel.true_when}]")
        elif channel.states is not None:
            meanings = zip(channel.states, ("stowed", "in_transit", "deployed"), strict=True)
            lines.append("states = { " + ", ".join(f'"{code}" = "{meaning}"' for code, meaning in meanings) + " }")
        else:
            lines.append(f'unit = "{channel.unit}"')
        if channel.full_travel is not None:
            lines.append(f"full_travel = {channel.full_travel:.1f}")
        if layout.form == "sparse":
            lines += [f"rate_hz = {channel.rate_hz}", f"offset_s = {channel.offset_s}"]
        elif channel.rate_in_map:
            lines.append(f"rate_hz = {channel.rate_hz}")
    return "\n".join(lines) + "\n"
