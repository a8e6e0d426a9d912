"""What a column's name suggests: a canonical parameter, its engine or side, and its unit. No data is looked at.

Abbreviations are the trade's, from memory; a name that fits none suggests nothing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

WORDS: dict[str, str] = {
    "ground_speed": "ground speed, groundspeed, gs, gspd, gnd spd, gnd speed",
    "airspeed": "airspeed, air speed, cas, ias, computed airspeed, indicated airspeed, calibrated airspeed",
    "radio_height": "radio height, radio altitude, radar altitude, radio alt, rad alt, radalt, ralt, ra",
    "pressure_altitude": "pressure altitude, press alt, palt, alt, altitude, baro alt, pressure alt",
    "normal_acceleration": (
        "normal acceleration, vertical acceleration, norm accel, vert accel, normal accel, nz, vrtg, vert g"
    ),
    "longitudinal_acceleration": "longitudinal acceleration, long accel, long g, longitudinal accel, nx, long",
    "lateral_acceleration": "lateral acceleration, lat accel, lat g, lateral accel, ny, latg",
    "heading": (
        "heading, true heading, heading true, magnetic heading, heading magnetic, hdg magnetic, hdg, hdgt, thdg, "
        "mhdg, hdg true, th"
    ),
    "pitch": "pitch, ptch, pitch attitude, pitch angle",
    "roll": "roll, bank, roll attitude, roll angle, bank angle",
    "latitude": "latitude, lat, latp, poslat, pos lat",
    "longitude": "longitude, lon, lonp, poslon, pos lon, lng",
    "main_gear_ground": (
        "wow, weight on wheels, main gear, main gear on ground, main gear ground, mlg, mlg air, mlg gnd, mlg "
        "ground, air gnd, air ground, main wow, mlg wow, squat switch, main gear wow, main gear air"
    ),
    "nose_gear_ground": (
        "nwow, nose gear, nose gear on ground, nose gear ground, nlg, nlg gnd, nlg air, nose wow, nlg wow"
    ),
    "spoiler_handle": (
        "splr hdl, spoiler handle, spoiler lever, speed brake handle, speedbrake handle, speed brake lever, "
        "speedbrake lever, spbrk, spdbrk, spd brk, speedbrake, speed brake, spd brk hdl"
    ),
    "spoiler_panel": (
        "ground spoilers, ground spoiler, spoiler panel, spoiler, spoilers, gnd splr, gnd spoilers, splr, splg, "
        "spoiler position, ground spoiler position"
    ),
    "spoilers_armed": (
        "splr arm, spoilers armed, spoiler armed, spoiler arm, ground spoilers armed, speedbrake armed, spd brk "
        "armed, speed brake armed, splr armed"
    ),
    "thrust_lever": (
        "thrust lever, thrust lever angle, throttle, throttle lever, throttle lever angle, power lever, power "
        "lever angle, tla, tl, pla"
    ),
    "reverse_lever": "reverse lever, reverser lever, reverse lever angle, rev lever, rla, rl, reverse thrust lever",
    "n1": "n1, n1 speed, fan speed, n1 rotor",
    "epr": "epr, engine pressure ratio",
    "reverser_state": (
        "reverser, thrust reverser, reverser state, reverser position, trev, tr, rev, tr position, thrust "
        "reverser position, thrust reverser state"
    ),
    "reverser_unlocked": (
        "tr unlk, tr unlocked, reverser unlocked, thrust reverser unlocked, rev unlk, rev unlocked, trev unlk, tr "
        "unlock, reverser unlock"
    ),
    "reverser_deployed": (
        "tr dply, tr deployed, reverser deployed, thrust reverser deployed, rev dep, rev deployed, trev dply, tr "
        "dep, tr deploy, reverser deploy"
    ),
    "reverser_fault": "tr fault, reverser fault, thrust reverser fault, rev fault, trev fault",
    "brake_pressure": "brake pressure, brake press, brk press, brk p, bp, bpgr, brk pressure",
    "autobrake_active": "autobrake, autobrake active, auto brake, abrk, autobrake on, auto brake active",
    "autothrottle_engaged": (
        "autothrottle, autothrottle engaged, auto throttle, auto throttle engaged, athr, at engd, at engaged, at "
        "eng, athr engaged, autothrust, autothrust engaged"
    ),
    "flap": "flap, flaps, flap position, flap angle",
    "gross_weight": "gross weight, gw, gwt, weight",
    "wind_speed": "wind speed, wspd, wind spd",
    "wind_from": "wind direction, wind dir, wind from, wdir",
    "static_air_temperature": "static air temperature, static air temp, sat, outside air temperature, oat",
    "hydraulic_pressure": "hydraulic pressure, hydraulic press, hyd press, hyd, hyd p, hydraulic",
    "rudder": "rudder, rudd, rudder position, rudder angle",
}  # separated by commas
PER_ENGINE = (
    "thrust_lever", "reverse_lever", "n1", "epr", "reverser_state", "reverser_unlocked", "reverser_deployed",
    "reverser_fault",
)  # fmt: skip
PER_SIDE = ("brake_pressure", "hydraulic_pressure", "main_gear_ground")
SIDES = {"l": "left", "lh": "left", "left": "left", "r": "right", "rh": "right", "right": "right", "c": "centre",
         "ctr": "centre", "centre": "centre", "center": "centre"}  # fmt: skip
UNITS = {
    "mps": "m/s", "ms": "m/s", "kt": "kt", "kts": "kt", "knots": "kt", "kmh": "km/h", "kph": "km/h", "ft": "ft",
    "feet": "ft", "m": "m", "metres": "m", "meters": "m", "g": "g", "deg": "deg", "degrees": "deg", "rad": "rad",
    "pct": "%", "percent": "%", "psi": "psi", "bar": "bar", "kpa": "kPa", "mpa": "MPa", "t": "t", "tonnes": "t",
    "kg": "kg", "lb": "lb", "lbs": "lb", "degc": "degC", "degf": "degF", "k": "K",
}  # fmt: skip
FILLERS = {"eng", "engine", "e", "no", "nr", "pos", "sys", "system", "act", "actual", "ind", "indicated", "rpm"}
SHORT = {
    "lvr": "lever", "thr": "thrust", "dpl": "deployed", "depl": "deployed", "depld": "deployed", "prs": "press",
    "acc": "accel", "spdbrk": "speedbrake", "autobrk": "autobrake", "wt": "weight", "head": "heading",
    "mag": "magnetic",
}  # fmt: skip
ASKED_FOR = {"cmd", "command", "commanded", "target", "tgt", "limit", "lim", "max", "ref", "vib", "vibration"}


@dataclass(frozen=True)
class Meant:
    """What a name suggests. exact: every token of it is explained; suffix: engine number or side, "" for none."""

    family: str
    suffix: str
    unit: str
    exact: bool

    @property
    def name(self) -> str:
        """The canonical name."""
        return f"{self.family}.{self.suffix}" if self.suffix else self.family


def tokens_of(column: str) -> list[str]:
    """A column's name in lower-case tokens: "LH MLG AIR", "GroundSpeed_mps", "N1E2", "T/R 1 UNLK"."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", column)
    joined = re.sub(r"(?<=[A-Za-z])/(?=[A-Za-z])", "", spaced).lower().replace("%", " pct ").replace("m/s", "mps")
    return [SHORT.get(token, token) for token in re.findall(r"n1(?=[1-4]?(?!\d))|[a-z]+|\d+", joined)]


def meant_by(column: str) -> Meant | None:
    """The canonical parameter that a column's name suggests, None where it suggests none."""
    tokens = tokens_of(column)
    found = [meant for family in WORDS if (meant := _as(family, tokens))]
    return max(found, key=lambda meant: (meant.exact, len(_longest(meant.family, tokens))), default=None)


def _longest(family: str, tokens: list[str]) -> list[str]:
    """The longest of a family's words whose tokens stand in the name, in their order and side by side."""
    best: list[str] = []
    for words in WORDS[family].split(", "):
        wanted = words.split()
        starts = range(len(tokens) - len(wanted) + 1)
        apart = [t for t in tokens if not t.isdigit() and t not in SIDES]
        inside = any(tokens[i : i + len(wanted)] == wanted for i in starts)
        inside = inside or any(apart[i : i + len(wanted)] == wanted for i in range(len(apart)))
        if inside and len(wanted) > len(best):
            best = wanted
    return best


def _as(family: str, tokens: list[str]) -> Meant | None:
    """A name read as one of a family."""
    words = _longest(family, tokens) or _glued(family, tokens)
    if not words:
        return None
    rest = [token for token in tokens if token not in words]
    if family in PER_ENGINE and ASKED_FOR & set(rest):  # what an engine was asked for, or shook by, is not what it did
        return None
    suffix, unit, unknown = "", "", 0
    for token in rest:
        if token.isdigit() and family in PER_ENGINE and token in "1234" and not suffix:
            suffix = token
        elif token in SIDES and family in PER_ENGINE and not suffix:
            suffix = {"left": "1", "right": "2"}.get(SIDES[token], "")
        elif token in SIDES and family in PER_SIDE and not suffix:
            suffix = SIDES[token]
        elif token in ("1", "2") and family == "brake_pressure" and not suffix:
            suffix = ("left", "right")[int(token) - 1]
        elif token in UNITS and not unit:
            unit = UNITS[token]
        elif token not in FILLERS:
            unknown += 1
    needs_suffix = family in (*PER_ENGINE, "brake_pressure", "hydraulic_pressure")
    return Meant(family, suffix, unit, exact=not unknown) if bool(suffix) or not needs_suffix else None


def _glued(family: str, tokens: list[str]) -> list[str]:
    """A single word with its side written on, before or after: "BPL", "RWOW"."""
    if family not in (*PER_ENGINE, *PER_SIDE) or len(tokens) != 1:
        return []
    (token,) = tokens
    for word, side in ((token[:-1], token[-1]), (token[1:], token[0])):
        if word in WORDS[family].split(", ") and side in "lr":
            tokens[:] = [word, side]
            return [word]
    return []
