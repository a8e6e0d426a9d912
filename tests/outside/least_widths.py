"""How narrow the bounds of a measure can be with a recorder: nothing else, however clever, can know it better.

Derivation. A discrete first seen changed at a sample changed anywhere in the interval before it, so an instant taken
from it is known to one sampling interval T, and a duration between two such instants to T1 + T2. A crossing of an
analogue value lies between the samples beside it: T again (a straight line between them would be an assumption). A
speed at such an instant is known to what the aeroplane slows down within T, and twice what the recorder's own rounding
and noise leave open. A distance to a speed is known to what is travelled in the interval at its beginning and in that
at its end. N1 beside a change of state is known to what it may run down within T: 88 to 23 % in about 12 s on a 737
Classic (forum, common practice), 10 %/s at its steepest. First contact counts with the interval of the air/ground
discrete; the jolt in normal acceleration may narrow it, so bounds can be narrower than this where it stands out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

MPS_PER_KT, G_MPS2 = 1852 / 3600, 9.80665
N1_PCT_PER_S = 10.0
YAW_DEG_PER_S = 0.5  # a heading's swing between samples (common practice, no source)


@dataclass(frozen=True)
class Recorder:
    """What a layout samples how often. interval_s: parameter -> seconds; lag_s: stamps may be late by so much;
    slack: parameter -> half-width that rounding and noise leave open, in canonical units.
    """

    interval_s: Mapping[str, float]
    lag_s: float
    slack: Mapping[str, float]

    def step(self, *names: str) -> float:
        """How far an instant taken from the first of some parameters that is recorded is left open, s."""
        for name in names:
            found = [s for p, s in self.interval_s.items() if p.partition(".")[0] == name]
            if found:
                return min(found) + self.lag_s
        return float("nan")

    def doubt(self, *names: str) -> float:
        """Twice the slack of a parameter."""
        found = [s for p, s in self.slack.items() if p.partition(".")[0] in names]
        return 2 * max(found, default=float("nan"))


@dataclass(frozen=True)
class Sampling:
    """The steps that measures are made of, for one recorder and one landing.

    speed_kt  ground speed at touchdown; slowing_kt_s  its mean deceleration
    """

    recorder: Recorder
    speed_kt: float
    slowing_kt_s: float

    def __getattr__(self, name: str) -> float:
        return self.recorder.step(*STEPS[name])

    @property
    def kt(self) -> float:
        """What rounding and noise leave open of ground speed."""
        return self.recorder.doubt("ground_speed")

    @property
    def n1_pct(self) -> float:
        """... and of N1."""
        return self.recorder.doubt("n1")

    def slowed(self, seconds: float) -> float:
        """A ground speed at an instant that is known to so many seconds."""
        return self.slowing_kt_s * seconds + self.kt


STEPS = {
    "gear": ("main_gear_ground",),
    "reverser": ("reverser_state", "reverser_deployed"),
    "select": ("reverse_lever", "reverser_state", "reverser_unlocked"),
    "spoiler": ("spoiler_panel", "spoiler_handle"),
    "speed": ("ground_speed",),
    "n1": ("n1",),
    "brake": ("brake_pressure",),
    "autothrottle": ("autothrottle_engaged",),
    "heading": ("heading",),
}
LEAST: dict[str, Callable[[Sampling], float]] = {
    "touchdown_s": lambda s: s.gear,
    "spoiler_delay_s": lambda s: s.gear + s.spoiler,
    "spoiler_delay_first_s": lambda s: s.gear + s.spoiler,
    "spoiler_start_delay_s": lambda s: s.gear + s.spoiler,
    "spoiler_extension_max": lambda s: s.recorder.doubt("spoiler_panel", "spoiler_handle"),
    "spoiler_retract_speed_kt": lambda s: s.slowed(s.spoiler),
    "spoilers_not_armed": lambda s: 0.0,
    "reverse_select_delay_s": lambda s: s.gear + s.select,
    "deploy_delay_s": lambda s: s.gear + s.reverser,
    "deploy_transit_s": lambda s: 2 * s.reverser,
    "stow_transit_s": lambda s: 2 * s.reverser,
    "reverse_wait_s": lambda s: s.select + s.reverser,
    "deploy_split_s": lambda s: 2 * s.reverser,
    "one_side_deployed_s": lambda s: 2 * s.reverser,
    "reverse_idle_speed_kt": lambda s: s.slowed(s.n1),
    "stow_start_speed_kt": lambda s: s.slowed(s.reverser),
    "stowed_speed_kt": lambda s: s.slowed(s.reverser),
    "touchdown_ground_speed_kt": lambda s: s.slowed(s.gear),
    "n1_above_idle_below_60kt_pct": lambda s: N1_PCT_PER_S * s.speed + s.n1_pct,
    "n1_above_idle_below_taxi_pct": lambda s: N1_PCT_PER_S * s.speed + s.n1_pct,
    "n1_above_idle_at_stow_pct": lambda s: N1_PCT_PER_S * s.reverser + s.n1_pct,
    "high_reverse_below_taxi_s": lambda s: s.speed + max(s.n1, s.reverser),
    "reverser_out_below_taxi_s": lambda s: s.speed + s.reverser,
    "forward_power_with_reverser_out_s": lambda s: s.n1 + max(s.n1, s.reverser),
    "reverse_power_split_pct": lambda s: 2 * s.n1_pct + 0.5 * N1_PCT_PER_S * (s.reverser + s.n1) / 10,
    "autothrottle_in_reverse_s": lambda s: s.autothrottle + s.select,
    "reverse_not_used": lambda s: 0.0,
    "go_around_after_reverse": lambda s: 0.0,
    "unstowed_in_air_s": lambda s: s.gear + s.reverser,
    "brake_delay_s": lambda s: s.gear + s.brake,
    "mean_deceleration_g": lambda s: _deceleration(s),
    "heading_excursion_deg": lambda s: 2 * s.recorder.doubt("heading") + YAW_DEG_PER_S * s.heading,
    "bounce_airborne_s": lambda s: 2 * s.gear,
    "bounces": lambda s: 0.0,
    "rollout_60_m": lambda s: MPS_PER_KT * (s.speed_kt * s.gear + 60 * s.speed),
    "rollout_30_m": lambda s: MPS_PER_KT * (s.speed_kt * s.gear + 30 * s.speed),
    "runway_left_60_m": lambda s: MPS_PER_KT * 60 * s.speed,
}


def _deceleration(s: Sampling) -> float:
    """The mean over the seconds from touchdown + 3 s to 60 kt: its end to one interval, its speeds to their slack."""
    lasts_s = max((s.speed_kt - 60) / s.slowing_kt_s - 3, 2.0)
    return (s.slowing_kt_s * s.speed + s.kt) / lasts_s * MPS_PER_KT / G_MPS2


def least_width(measure: str, recorder: Recorder, speed_kt: float, deceleration_g: float) -> float:
    """Narrowest upper less lower bound of a measure, in its unit; NaN where it is not derived.

    speed_kt, deceleration_g   true ground speed at touchdown and mean deceleration of the landing
    """
    slowing_kt_s = max(deceleration_g, 0.02) * G_MPS2 / MPS_PER_KT
    derived = LEAST.get(measure)
    return float("nan") if derived is None else derived(Sampling(recorder, speed_kt, slowing_kt_s))
