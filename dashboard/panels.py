"""Which recorded parameters are drawn together, in which order, and how they are labelled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from dashboard import names
from fdm.archive import Trace

LINE_PX, RIBBON_PX, BOUNDS_PX = 78, 18, 20
LINE_GAP_PX, RIBBON_GAP_PX = 20, 4


@dataclass(frozen=True)
class Panel:
    """One strip of the chart.

    key      what it is about; a finding is drawn at the panel of its key
    series   names of the traces in it; a ribbon has one
    scale    what the values are multiplied by for the reader (a fraction becomes per cent)
    always   values the range always holds; least_span: the range is never narrower
    """

    key: str
    label: str
    unit: str
    series: tuple[str, ...]
    kind: str  # line, ribbon, bounds
    scale: float = 1.0
    always: tuple[float, ...] = ()
    least_span: float = 0.0

    @property
    def height_px(self) -> int:
        """Height of the strip."""
        return {"line": LINE_PX, "ribbon": RIBBON_PX, "bounds": BOUNDS_PX}[self.kind]


# key, families in order of preference, label, unit, scale
_WANTED: tuple[tuple[str, tuple[str, ...], str, str, float], ...] = (
    ("gear", ("main_gear_ground",), "", "", 1),
    ("gear", ("nose_gear_ground",), "", "", 1),
    ("ground_speed", ("ground_speed",), "Ground speed", "kt", 1),
    ("deceleration", ("longitudinal_acceleration",), "Deceleration", "g", -1),
    ("armed", ("spoilers_armed",), "", "", 1),
    ("spoilers", ("spoiler_panel", "spoiler_handle"), "Spoilers", "% of full", 100),
    ("reverser", ("reverser_state", "reverser_deployed", "reverser_unlocked"), "", "", 1),
    ("lever", ("reverse_lever",), "Reverse levers", "% of travel", 100),
    ("power", ("n1",), "N1", "%", 1),
    ("power", ("epr",), "EPR", "", 1),
    ("brakes", ("brake_pressure",), "Brake pressure", "psi", 1),
    ("brakes", ("autobrake_active",), "", "", 1),
    ("autothrottle", ("autothrottle_engaged",), "", "", 1),
    ("heading", ("heading",), "Heading", "deg", 1),
    ("heading", ("heading_change",), "Heading change", "deg", 1),
    ("bounce", ("normal_acceleration",), "Vertical accel.", "g", 1),
)

# Values that a panel's range always holds, and the narrowest it gets: a flat line is not to look like a storm.
_RANGES: dict[str, tuple[tuple[float, ...], float]] = {
    "Ground speed": ((), 20.0),
    "Deceleration": ((0.0,), 0.2),
    "Spoilers": ((0.0, 100.0), 0.0),
    "Reverse levers": ((0.0, 100.0), 0.0),
    "N1": ((), 40.0),
    "EPR": ((), 0.4),
    "Brake pressure": ((0.0,), 1000.0),
    "Heading": ((), 8.0),
    "Heading change": ((0.0,), 8.0),
    "Vertical accel.": ((), 0.4),
}

_JUMPING = ("deceleration", "bounce")  # one sample of an acceleration may well stand alone: the jolt of touchdown
_ON_RUNWAY_DEG = 20.0  # of heading either side of the runway's; the turn off it runs out of the panel
_FEWEST = 5  # samples, to tell that one of them stands alone
_ALONE = 0.5  # of what the other samples span

# Where a measure is drawn, and the step from which its limits count when they are times.
DRAWN_AT: dict[str, tuple[str, str | None]] = {
    "spoiler_delay_s": ("spoilers", "settled"),
    "spoiler_delay_first_s": ("spoilers", "touchdown"),
    "spoiler_extension_max": ("spoilers", None),
    "spoiler_retract_speed_kt": ("ground_speed", None),
    "reverse_select_delay_s": ("reverser", "touchdown"),
    "deploy_delay_s": ("reverser", "touchdown"),
    "reverse_wait_s": ("reverser", "reverse_selected"),
    "deploy_transit_s": ("reverser", "unlocked"),
    "one_side_deployed_s": ("reverser", "deployed"),
    "reverser_out_below_taxi_s": ("reverser", "taxi_speed"),
    "unstowed_in_air_s": ("reverser", None),
    "high_reverse_below_taxi_s": ("power", "taxi_speed"),
    "n1_above_idle_at_stow_pct": ("power", None),
    "forward_power_with_reverser_out_s": ("power", None),
    "reverse_power_split_pct": ("power", None),
    "autothrottle_in_reverse_s": ("autothrottle", None),
    "spoilers_not_armed": ("armed", None),
    "brake_delay_s": ("brakes", "touchdown"),
    "mean_deceleration_g": ("deceleration", None),
    "heading_excursion_deg": ("heading", None),
    "bounce_airborne_s": ("gear", "touchdown"),
    "runway_left_60_m": ("ground_speed", None),
}


def panels(traces: Mapping[str, Trace], keys: Sequence[str] | None = None) -> list[Panel]:
    """The panels that these traces fill; with `keys`, only those."""
    found: list[Panel] = []
    for key, families, label, unit, scale in _WANTED:
        if keys is not None and key not in keys:
            continue
        members = next((m for family in families if (m := _members(traces, family))), [])
        if not members:
            continue
        if traces[members[0]].kind == "analogue":
            always, least_span = _RANGES.get(label, ((), 0.0))
            found.append(Panel(key, label, unit, tuple(members), "line", scale, always, least_span))
        else:
            found += [_ribbon(key, name, traces) for name in members]
    return found


def ranging(panel: Panel, values: np.ndarray) -> np.ndarray:
    """The values that a panel's range is to hold: all but lone samples far beyond both neighbours, which are spikes,
    and the turn off the runway.

    values    one trace in view, in the order of time; NaN where nothing was recorded
    """
    known = values[np.isfinite(values)]
    if panel.key == "heading" and len(known):
        known = known[np.abs(known - np.median(known)) <= _ON_RUNWAY_DEG]
    if panel.key in _JUMPING or len(known) < _FEWEST:
        return known
    between = np.median(np.stack([known[:-2], known[1:-1], known[2:]]), axis=0)
    low, high = (float(x) for x in np.quantile([*between, known[0], known[-1]], (0, 1)))  # the ends have one neighbour
    room = max(_ALONE * (high - low), panel.least_span)
    return known[(known >= low - room) & (known <= high + room)]


def _ribbon(key: str, name: str, traces: Mapping[str, Trace]) -> Panel:
    """A discrete or a state; unlocked and deployed of one reverser stand together as its state."""
    family, _, engine = name.partition(".")
    unlocked = f"reverser_unlocked.{engine}"
    if family == "reverser_deployed" and unlocked in traces and len(traces[unlocked].time_s):
        return Panel(key, f"Reverser {engine}", "", (unlocked, name), "ribbon")
    return Panel(key, names.parameter(name), "", (name,), "ribbon")


def _members(traces: Mapping[str, Trace], family: str) -> list[str]:
    return sorted(n for n in traces if n.partition(".")[0] == family and len(traces[n].time_s))


def keys_for(measure: str) -> list[str]:
    """The panels that show an event on this measure best, with the speed for orientation."""
    target = DRAWN_AT.get(measure, ("ground_speed", None))[0]
    company = {
        "spoilers": ["gear", "armed", "reverser"],
        "armed": ["gear", "spoilers", "reverser"],
        "reverser": ["power", "lever"],
        "power": ["reverser", "lever"],
        "lever": ["reverser", "power"],
        "brakes": ["gear", "deceleration"],
        "deceleration": ["brakes", "spoilers", "reverser"],
        "autothrottle": ["reverser", "power"],
        "heading": ["reverser", "power"],
        "gear": ["bounce", "spoilers"],
        "ground_speed": ["reverser", "spoilers", "brakes"],
    }
    return [target, *company.get(target, []), "ground_speed"]
