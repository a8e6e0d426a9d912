"""How a column's values read as the parameter that its name suggests: unit, full travel, polarity, state codes."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from fdm.column_names import UNITS, Meant
from fdm.column_values import Seen
from fdm.parameters import PARAMETERS
from fdm.units import CONVERSIONS

LANDING_KT = (85.0, 200.0)  # any transport aeroplane touches down between these
GLIDE = (0.02, 0.09)  # height lost over distance flown: about 0.05 on a three-degree path
LARGEST = {"psi": (500.0, 6000.0), "kg": (4_000.0, 650_000.0), "degC": (-60.0, 55.0), "%": (15.0, 125.0)}
HYDRAULIC_PSI = (1800.0, 5600.0)  # systems of 3000 and of 5000 psi
STATE_WORDS = {
    "stow": "stowed",
    "trans": "in_transit",
    "moving": "in_transit",
    "unlock": "in_transit",
    "depl": "deployed",
}
TRUE_WORDS = ("true", "on", "yes", "active", "armed", "engaged", "ground", "gnd", "unlocked", "deployed", "fault")


@dataclass(frozen=True)
class Reading:
    """keys        for the map
    keys_known  whether they could be told
    confirmed   whether the values bear the name out
    against     whether they speak against it
    why         in words
    """

    keys: Mapping[str, object]
    keys_known: bool = True
    confirmed: bool = False
    against: bool = False
    why: list[str] = field(default_factory=list)


def read_as(meant: Meant, seen: Seen, others: Mapping[str, Seen]) -> Reading:
    """A column's values read as a parameter; `others`: the other named columns by canonical name."""
    parameter = PARAMETERS.get(meant.name)
    if parameter is None:
        return Reading({}, keys_known=False, why=["there is no such parameter"])
    if parameter.kind == "state":
        return _states(seen)
    if parameter.kind == "discrete":
        return _discrete(meant, seen)
    if seen.text or not len(seen.numbers):
        return Reading({"unit": parameter.unit}, against=True, why=["its values are no numbers"])
    if parameter.unit == "fraction":
        return _travel(meant, seen)
    return _analogue(meant, seen, others)


# analogue values ------------------------------------------------------------------------------------------------------


def _analogue(meant: Meant, seen: Seen, others: Mapping[str, Seen]) -> Reading:
    """The one unit in which the values are what a landing shows; the file's or the name's own where it fits."""
    canonical = PARAMETERS[meant.name].unit
    able = [unit for unit in CONVERSIONS[canonical] if _plausible(meant, seen, others, unit)]
    said = _said_unit(meant, seen, canonical)
    if said and (said in able or not _tellable(meant)):
        return Reading({"unit": said}, confirmed=_tellable(meant), why=[f"its unit is said: {said}"])
    if not able:
        lowest, highest = float(seen.numbers.min()), float(seen.numbers.max())
        why = f"{lowest:.4g} to {highest:.4g} is {meant.family.replace('_', ' ')} in no known unit"
        return Reading({"unit": canonical}, against=True, why=[why])
    if len(able) == 1:
        return Reading(
            {"unit": able[0]}, confirmed=_tellable(meant), why=[f"its values are plausible in {able[0]} only"]
        )
    why = f"its values are plausible in {' and in '.join(able)}"
    return Reading({"unit": able[0]}, keys_known=not _matters(able, canonical), why=[why])


def _said_unit(meant: Meant, seen: Seen, canonical: str) -> str:
    """The unit that the file or the name gives, where it is one of this parameter's."""
    written = seen.unit.strip().lower().replace("/", "").rstrip("'s")
    for unit in (seen.unit.strip(), UNITS.get(written, UNITS.get(seen.unit.strip().lower(), "")), meant.unit):
        if unit in CONVERSIONS[canonical]:
            return unit
    return ""


def _tellable(meant: Meant) -> bool:
    """Whether the values of a family give its unit away."""
    return meant.family in (
        "ground_speed", "airspeed", "radio_height", "normal_acceleration", "heading", "n1", "brake_pressure",
        "hydraulic_pressure", "latitude", "longitude", "epr",
    )  # fmt: skip


def _matters(able: list[str], canonical: str) -> bool:
    """Whether it matters which of some units it is: not where the canonical one is the only usual one of them."""
    return canonical not in able or canonical in ("kg", "psi")


def _plausible(meant: Meant, seen: Seen, others: Mapping[str, Seen], unit: str) -> bool:
    """Whether the values, taken to be in a unit, are what a landing shows of the parameter."""
    canonical = PARAMETERS[meant.name].unit
    factor, offset = CONVERSIONS[canonical][unit]
    values = seen.numbers * factor + offset
    low, high = float(np.percentile(values, 1)), float(np.percentile(values, 99))
    parameter = PARAMETERS[meant.name]
    if low < parameter.low - 10 * parameter.tolerance or high > parameter.high + 10 * parameter.tolerance:
        return False
    if meant.family in ("ground_speed", "airspeed"):
        at = np.median(np.array(seen.at_touchdown) * factor) if seen.at_touchdown else high
        return bool(LANDING_KT[0] < at < LANDING_KT[1])
    if meant.family in ("radio_height", "pressure_altitude"):
        return _glides(seen, factor, others)
    if meant.family == "normal_acceleration":
        return bool(0.7 < np.median(values) < 1.3)
    if meant.family == "heading":
        return high > 2 * np.pi or unit == "rad"
    if meant.family == "hydraulic_pressure":
        return bool(HYDRAULIC_PSI[0] < high < HYDRAULIC_PSI[1])
    if canonical in LARGEST:
        least, most = LARGEST[canonical]
        return bool(least < high < most) if canonical != "degC" else bool(least < low and high < most)
    return True


def _glides(seen: Seen, factor: float, others: Mapping[str, Seen]) -> bool:
    """Whether height, taken in a unit, is lost as on an approach at the speed flown."""
    speed = others.get("ground_speed") or others.get("airspeed")
    if speed is None or not speed.at_touchdown or not seen.slope_per_s:
        return True
    kt = [unit for unit in CONVERSIONS["kt"] if LANDING_KT[0] < _at(speed) * CONVERSIONS["kt"][unit][0] < LANDING_KT[1]]
    if len(kt) != 1:
        return True
    feet_per_s = _at(speed) * CONVERSIONS["kt"][kt[0]][0] * 1852 / 3600 / 0.3048
    return bool(GLIDE[0] < -float(np.median(seen.slope_per_s)) * factor / feet_per_s < GLIDE[1])


def _at(speed: Seen) -> float:
    return float(np.median(speed.at_touchdown))


def _travel(meant: Meant, seen: Seen) -> Reading:
    """A fraction of travel: as such, in per cent, or by the highest reading."""
    values = seen.numbers
    highest, resting = float(np.percentile(values, 99.5)), float(np.median(seen.approach or values))
    moved = highest - resting > 0.3 * max(highest, 1e-9)
    if not moved or abs(resting) > 0.15 * highest:
        return Reading({"unit": "fraction"}, keys_known=False, why=["it never moved far: its full travel is not known"])
    said = _said_unit(meant, seen, "fraction")
    if said == "%" or (not said and 85 < highest <= 101):
        return Reading({"unit": "%"}, confirmed=True, why=[f"it goes up to {highest:.0f} per cent after touchdown"])
    if highest <= 1.05:
        why = [f"it goes up to {highest:.2f} after touchdown"]
        return Reading({"unit": "fraction"}, keys_known=highest > 0.2, confirmed=highest > 0.85, why=why)
    why = [f"full travel is the highest reading seen, {highest:.4g}: confirm it"]
    unit = meant.unit if meant.unit in ("deg", "rad", "mm", "cm", "in") else "deg"
    return Reading({"unit": unit, "full_travel": round(highest, 3)}, why=why)


# discretes and states -------------------------------------------------------------------------------------------------


def _usual(values: list) -> object | None:
    known = [v for v in values if isinstance(v, str) or np.isfinite(v)]
    return Counter(known).most_common(1)[0][0] if known else None


def _as_code(value: object) -> object:
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _discrete(meant: Meant, seen: Seen) -> Reading:
    """Which value means true, by what it is in the air and rolling, else as usual: 1, or a word that says so."""
    values = seen.distinct
    if not values or len(values) > 2:
        return Reading({"true_when": [1]}, against=True, why=["it has more than two values"])
    before, after = _usual(seen.approach), _usual(seen.rolling)
    if meant.family in ("main_gear_ground", "nose_gear_ground"):
        if before is None or after is None or before == after:
            return Reading({"true_when": [1]}, keys_known=False, why=["it does not change at touchdown"])
        why = [f"{_as_code(before)} on approach, {_as_code(after)} after touchdown"]
        return Reading({"true_when": [_as_code(after)]}, confirmed=True, why=why)
    if meant.family.startswith("reverser_") and before is not None:
        other = [value for value in values if value != before]
        if other:
            why = [f"{_as_code(before)} on approach, {_as_code(other[0])} only after touchdown"]
            return Reading({"true_when": [_as_code(other[0])]}, confirmed=True, why=why)
        if before in (0.0, 1.0):
            why = [f"always {_as_code(before)}, which must mean stowed"]
            return Reading({"true_when": [1 - int(before)]}, why=why)
        return Reading({"true_when": [1]}, keys_known=False, why=["it never changes"])
    worded = [value for value in values if isinstance(value, str) and value.strip().lower() in TRUE_WORDS]
    if worded:
        return Reading({"true_when": worded[:1]}, why=[f"'{worded[0]}' says so"])
    numeric = not seen.text and set(values) <= {0.0, 1.0}
    return Reading({"true_when": [1]}, keys_known=numeric, why=["1 is taken to mean true, as usual"])


def _states(seen: Seen) -> Reading:
    """The codes of a reverser's state: by their words, else by where they come in the landing."""
    values = seen.distinct
    if not values or len(values) > 4:
        return Reading({"states": {}}, against=True, why=["it has too many values for a state"])
    if seen.text:
        named = {v: meaning for v in values for word, meaning in STATE_WORDS.items() if word in str(v).lower()}
        known = {"stowed", "deployed"} <= set(named.values())
        return Reading({"states": named}, keys_known=known, confirmed=known, why=["its words say so"])
    stowed = _usual(seen.approach)
    lasted: dict[object, float] = defaultdict(float)
    for value, seconds in seen.runs:
        if value != stowed:
            lasted[value] += seconds
    if stowed is None or len(lasted) < 2:
        return Reading(
            {"states": {}}, keys_known=False, why=["it shows fewer than three states: its codes are not known"]
        )
    deployed = max(lasted, key=lambda value: lasted[value])
    codes = {str(_as_code(stowed)): "stowed", str(_as_code(deployed)): "deployed"}
    codes |= {str(_as_code(v)): "in_transit" for v in values if v not in (stowed, deployed)}
    why = [f"{_as_code(stowed)} on approach, {_as_code(deployed)} longest after touchdown, the others between"]
    return Reading({"states": codes}, confirmed=True, why=why)
