"""A parameter map tried on a recording: what is found, how it was sampled, and what does not look as it should.

Remarks are doubts for a person, never corrections: nothing is turned into another unit or polarity by guess. Their
thresholds are common practice, no source; what they rest on stands beside each.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from fdm.errors import RecordingError
from fdm.parameter_map import ParameterMap, load_map
from fdm.parameters import NOT_RECORDED, STATES
from fdm.readers import RawFlight, read_flights
from fdm.recording import Samples
from fdm.sampling import sample_flight

CHECKED: dict[str, pl.DataType | type[pl.DataType]] = {
    "parameter": pl.String,
    "column": pl.String,
    "found": pl.Boolean,
    "rate_hz": pl.Float64,
    "lag_s": pl.Float64,  # a sample may be this much older than its stamp
    "samples": pl.Int64,
    "missing": pl.Int64,  # samples without a valid value
    "lowest": pl.Float64,
    "highest": pl.Float64,
    "unit": pl.String,
    "states": pl.List(pl.String),  # values seen of a discrete or state
    "longest_gap_s": pl.Float64,  # between two valid samples, where longer than two steps
    "remarks": pl.List(pl.String),
}

MOVING_KT = 60.0  # both speeds mean something above this
SLOWEST_LANDING_KT = 95.0  # no transport aeroplane with reversers is airborne more slowly
FASTEST_ON_GROUND_KT = 200.0
WELL_AIRBORNE_FT = 200.0
_HALF = 0.53  # a knot is 0.514 m/s, a km/h is 0.540 kt: which of two speeds is wrong, their size must tell
# Families that may well keep one value through a landing.
_MAY_STAND = (
    "gross_weight",
    "flap",
    "static_air_temperature",
    "wind_speed",
    "wind_from",
    "spoilers_armed",
    "autobrake_active",
    "autothrottle_engaged",
    "reverser_fault",
    "hydraulic_pressure",
)
_FILE_UNITS = {
    "kt": ("KNOTS", "KNOT", "KTS", "KT", "KN"),
    "ft": ("FEET", "FT"),
    "g": ("G", "G'S", "GS"),
    "deg": ("DEG", "DEGREE", "DEGREES"),
    "%": ("%", "% RPM", "%RPM", "PCT", "PERCENT"),
    "psi": ("PSI",),
    "lb": ("LB", "LBS"),
    "degC": ("DEG C", "DEGC", "C"),
}


@dataclass(frozen=True)
class MapCheck:
    """What a map makes of one flight.

    source   the flight
    rows     frame of CHECKED, a row per mapped parameter, in the map's order
    notes    what reading noticed
    unused   columns of the file that the map does not name
    """

    source: str
    rows: pl.DataFrame
    notes: tuple[str, ...]
    unused: tuple[str, ...]

    @property
    def found(self) -> list[str]:
        """Parameters whose column is there."""
        return self.rows.filter("found")["parameter"].to_list()

    @property
    def usable(self) -> list[str]:
        """Those of them with a valid value; rules need one."""
        return self.rows.filter(pl.col("found") & (pl.col("missing") < pl.col("samples")))["parameter"].to_list()


def check_map(map_file: Path, recording_file: Path) -> list[MapCheck]:
    """Try a map on every flight of a recording file. Raises MapError and RecordingError."""
    parameter_map = load_map(map_file)
    return [_check(parameter_map, raw) for raw in read_flights(recording_file)]


def _check(parameter_map: ParameterMap, raw: RawFlight | RecordingError) -> MapCheck:
    if isinstance(raw, RecordingError):
        raise raw
    try:
        samples, notes = sample_flight(raw, parameter_map)
    except RecordingError as error:
        error.source = error.source or raw.source
        raise
    remarks = remarks_on(samples)
    rows = [_row(parameter_map, raw, name, samples.get(name), remarks) for name in parameter_map.entries]
    used = {entry.column for entry in parameter_map.entries.values()}
    unused = tuple(name for name in raw.columns if name not in used)
    return MapCheck(raw.source, pl.DataFrame(rows, schema=CHECKED), (*raw.notes, *notes), unused)


def _row(
    parameter_map: ParameterMap,
    raw: RawFlight,
    name: str,
    samples: Samples | None,
    remarks: Mapping[str, list[str]],
) -> dict[str, object]:
    entry = parameter_map.entries[name]
    row: dict[str, object] = dict.fromkeys(CHECKED) | {"parameter": name, "column": entry.column, "found": False}
    if samples is None:
        return row | {"remarks": [f"column '{entry.column}' {raw.unusable.get(entry.column, 'is not in this file')}"]}
    analogue = entry.parameter.kind == "analogue"
    valid = np.isfinite(samples.values) if analogue else samples.values != NOT_RECORDED
    values, time_s = samples.values[valid], samples.time_s[valid]
    gap_s = float(np.diff(time_s).max()) if len(time_s) > 1 else None
    row |= {
        "found": True,
        "rate_hz": 1 / samples.step_s,
        "lag_s": samples.lag_s,
        "samples": len(valid),
        "missing": int((~valid).sum()),
        "unit": entry.parameter.unit,
        "longest_gap_s": gap_s if gap_s and gap_s > 2.5 * samples.step_s else None,
        "remarks": [*_on_column(name, entry.unit, raw.columns[entry.column].unit, values), *remarks.get(name, ())],
    }
    if analogue and len(values):
        row |= {"lowest": float(values.min()), "highest": float(values.max())}
    elif not analogue:
        row["states"] = _seen(entry.parameter.kind, values)
    return row


def _seen(kind: str, values: np.ndarray) -> list[str]:
    names = {code: state for state, code in STATES.items()} if kind == "state" else {0: "false", 1: "true"}
    return [names[int(code)] for code in np.unique(values)]


def _on_column(name: str, map_unit: str, file_unit: str, values: np.ndarray) -> Iterator[str]:
    if not len(values):
        yield "no valid value"
    elif name.partition(".")[0] not in _MAY_STAND and values.min() == values.max():
        yield "never changes"
    said = next((unit for unit, names in _FILE_UNITS.items() if file_unit.strip().upper() in names), None)
    if said and map_unit and said != map_unit:
        yield f"the file says its unit is {file_unit.strip()}, the map says {map_unit}"


# ── plausibility ─────────────────────────────────────────────────────────────────────────────────────────────


def remarks_on(samples: Mapping[str, Samples]) -> dict[str, list[str]]:
    """What does not look as it should, by canonical name; sentences without a full stop."""
    found: dict[str, list[str]] = {}
    for look in _LOOKS:
        for name, remark in look(samples):
            found.setdefault(name, []).append(remark)
    return found


def at(samples: Samples, time_s: np.ndarray) -> np.ndarray:
    """The latest value at each time, as float with NaN where there is none."""
    index = np.searchsorted(samples.time_s, time_s, side="right") - 1
    values = samples.values[np.maximum(index, 0)].astype(float)
    missing = NOT_RECORDED if samples.values.dtype == np.int8 else np.nan
    return np.where((index < 0) | (values == missing), np.nan, values)


def _speeds(samples: Mapping[str, Samples]) -> Iterator[tuple[str, str]]:
    """Ground speed against airspeed, which differ by wind and density only; else against what a landing needs."""
    speed = samples.get("ground_speed")
    if speed is None or not np.isfinite(speed.values).any():
        return
    highest = float(np.nanmax(speed.values))
    if "airspeed" in samples:
        airspeed = at(samples["airspeed"], speed.time_s)
        both = (airspeed > MOVING_KT / 2) & (speed.values > MOVING_KT / 2)
        ratio = float(np.median(speed.values[both] / airspeed[both])) if both.sum() >= 10 else 1.0
        slow, fast = ("ground_speed", "airspeed") if ratio < 1 else ("airspeed", "ground_speed")
        if abs(min(ratio, 1 / ratio) - _HALF) < 0.07:
            too_slow = float(np.nanmax(samples[slow].values)) < SLOWEST_LANDING_KT
            name, unit = (slow, "m/s") if too_slow else (fast, "km/h")
            yield name, f"ground speed is {ratio:.2f} of airspeed: the column looks like {unit}"
    elif MOVING_KT / 2 < highest < SLOWEST_LANDING_KT and _flies(samples):
        yield "ground_speed", f"is never above {highest:.0f} kt although airborne: the column looks like m/s"


def _flies(samples: Mapping[str, Samples]) -> bool:
    height = samples.get("radio_height")
    return height is not None and bool(np.nanmax(height.values, initial=0) > WELL_AIRBORNE_FT)


def _air_ground(samples: Mapping[str, Samples]) -> Iterator[tuple[str, str]]:
    """On the ground nothing is this fast, nor this high; nor in the air at walking pace."""
    speed, height = samples.get("ground_speed"), samples.get("radio_height")
    for name in ("main_gear_ground", "main_gear_ground.left", "main_gear_ground.right", "nose_gear_ground"):
        if name not in samples:
            continue
        gear = samples[name]
        ground, air = gear.values == 1, gear.values == 0
        if speed is not None:
            kt = at(speed, gear.time_s)
            if (kt[ground] > FASTEST_ON_GROUND_KT).sum() >= 2:
                yield name, f"says ground at {np.nanmax(kt[ground]):.0f} kt: true_when looks inverted"
                continue
            slow = kt < 30
            if slow.sum() >= 10 and air[slow].mean() > 0.9:
                yield name, "says air below 30 kt: true_when looks inverted"
                continue
        if height is not None:
            high = at(height, gear.time_s) > WELL_AIRBORNE_FT
            if high.sum() >= 5 and ground[high].mean() > 0.9:
                yield name, f"says ground above {WELL_AIRBORNE_FT:.0f} ft: true_when looks inverted"


def _accelerations(samples: Mapping[str, Samples]) -> Iterator[tuple[str, str]]:
    """Normal acceleration rests at 1 g; longitudinal follows the change of ground speed, forward positive."""
    normal = samples.get("normal_acceleration")
    if normal is not None and np.isfinite(normal.values).any():
        rest = float(np.nanmedian(normal.values))
        if abs(rest) < 0.2:
            yield "normal_acceleration", "rests at 0 g: it must be 1 g at rest"
        elif abs(rest + 1) < 0.2:
            yield "normal_acceleration", "rests at -1 g: its sign looks inverted"
        elif not 0.8 < rest < 1.2:
            yield "normal_acceleration", f"rests at {rest:.2f} g, not 1 g: its unit looks wrong"
    forward, speed = samples.get("longitudinal_acceleration"), samples.get("ground_speed")
    if forward is None or speed is None or len(speed.time_s) < 20:
        return
    slope = _slope(_per_step_g(speed), at(forward, speed.time_s[1:] - speed.step_s / 2))
    if slope is not None and slope < -0.5:
        yield "longitudinal_acceleration", "opposes the change of ground speed: forward must be positive"
    elif slope is not None and not 0.4 < slope < 2.5:
        yield "longitudinal_acceleration", f"is {slope:.2g} of the change of ground speed: its unit looks wrong"


def _per_step_g(speed: Samples) -> np.ndarray:
    """Change of ground speed from sample to sample, g."""
    return np.diff(speed.values) / np.diff(speed.time_s) * (1852 / 3600 / 9.80665)


def _slope(x: np.ndarray, y: np.ndarray, spread: float = 0.03) -> float | None:
    """Least-squares slope of y on x; None where they hang together too little, or x varies too little, to tell."""
    both = np.isfinite(x) & np.isfinite(y)
    if both.sum() < 20 or x[both].std() < spread or y[both].std() == 0:
        return None
    x, y = x[both] - x[both].mean(), y[both] - y[both].mean()
    if abs(x @ y) < 0.5 * np.sqrt((x @ x) * (y @ y)):
        return None
    return float((x @ y) / (x @ x))


def _scales(samples: Mapping[str, Samples]) -> Iterator[tuple[str, str]]:
    """Ranges that give a unit away."""
    for name, one in samples.items():
        if one.values.dtype != np.float64 or not np.isfinite(one.values).any():
            continue
        family, highest = name.partition(".")[0], float(np.nanmax(np.abs(one.values)))
        if family == "n1" and 0 < highest < 1.5:
            yield name, "is never above 1.5 %: the column looks like a fraction"
        if family in ("heading", "wind_from") and 0 < highest < 2 * np.pi + 0.01 and len(one.values) > 20:
            yield name, "is never above 6.3 deg: the column looks like radians"
        if family in ("spoiler_handle", "spoiler_panel") and 0 < highest < 0.02:
            yield name, "is never above 2 % of full travel: full_travel or unit looks wrong"
        outside = float(np.mean(~np.isfinite(one.values)))
        if outside > 0.2:
            yield name, f"{outside:.0%} of the values are missing or not plausible: look at unit and column"


def _swapped(samples: Mapping[str, Samples]) -> Iterator[tuple[str, str]]:
    """Where levers are split, forward power must follow its own lever, and a reverser its own."""
    pairs = (("thrust_lever", "n1", 2.0), ("thrust_lever", "epr", 2.0), ("reverse_lever", "reverser_deployed", 0.05))
    for cause, effect, spread in pairs:
        for one, other in ((1, 2), (1, 4), (2, 3)):
            names = [f"{family}.{n}" for family in (cause, effect) for n in (one, other)]
            if not all(name in samples for name in names):
                continue
            time_s = samples[names[0]].time_s
            lever, lever_other, power, power_other = (at(samples[name], time_s) for name in names)
            split = lever - lever_other
            if cause == "thrust_lever":
                split[_reversing(samples, time_s)] = np.nan
            slope = _slope(split, power - power_other, spread)
            if slope is not None and slope < 0:
                yield names[2], f"follows {names[1]}, and {names[3]} follows {names[0]}: engines look swapped"


def _reversing(samples: Mapping[str, Samples], time_s: np.ndarray) -> np.ndarray:
    """When any reverser is, or may be, out: power then follows the reverse levers."""
    out = np.zeros(len(time_s), bool)
    for name, one in samples.items():
        if name.startswith(("reverser_state", "reverser_unlocked", "reverser_deployed")):
            out |= at(one, time_s) > 0
        elif name.startswith("reverse_lever"):
            out |= at(one, time_s) > 0.05
    return out


_LOOKS: tuple[Callable[[Mapping[str, Samples]], Iterator[tuple[str, str]]], ...] = (
    _speeds,
    _air_ground,
    _accelerations,
    _scales,
    _swapped,
)
