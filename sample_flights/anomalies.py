"""What goes wrong now and then. Each anomaly bears the name of the rule it is meant to trip and a strength of 0 to 1.

A weak one is a near miss, a strong one passes the high limit. Ranges: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sample_flights.airline import KT, Fleet, G, Runway
from sample_flights.plan import NEVER, Plan


@dataclass
class Case:
    """One landing to be spoilt: landing i of a plan, anomaly strength u, and one engine (row) to blame."""

    plan: Plan
    fleet: Fleet
    runway: Runway
    i: int
    u: float
    engine: int
    rng: np.random.Generator

    def chance(self, share: float) -> bool:
        return bool(self.rng.random() < share)

    def low_pressure(self) -> None:
        """The blamed engine's side has little hydraulic pressure."""
        self.plan.low_hydraulics[self.i] = 1 if self.engine < self.fleet.engines / 2 else 2

    def power(self, above_idle: float) -> None:
        """Same reverse power on all engines."""
        self.plan.target_pct[:, self.i] = self.fleet.idle_pct + above_idle + self.rng.normal(0, 0.5, self.fleet.engines)


Spoil = Callable[[Case], None]
ANOMALIES: dict[str, Spoil] = {}
LENGTHS_M = {  # runways on which some of them happen
    "low_deceleration": (2950, 9999),
    "late_braking": (2690, 9999),
    "late_reverse": (2690, 9999),
    "no_reverse": (2690, 9999),
    "short_runway_left": (0, 2520),
}


def anomaly(function: Spoil) -> Spoil:
    """Enter into the list under its own name."""
    ANOMALIES[function.__name__] = function
    return function


# -- spoilers -----------------------------------------------------------------------------------
@anomaly
def late_spoilers(c: Case) -> None:
    c.plan.auto_s[c.i], c.plan.by_reverse[c.i] = NEVER, False
    c.plan.by_hand_s[c.i] = 0.5 + 5.4 * c.u
    c.plan.armed[c.i] = not c.chance(0.4)


@anomaly
def spoilers_not_armed(c: Case) -> None:
    c.plan.armed[c.i] = False
    if c.chance(0.5) or not c.fleet.reverse_lifts:
        c.plan.by_hand_s[c.i] = c.rng.uniform(0.4, 2.4)


@anomaly
def spoilers_partial(c: Case) -> None:
    c.plan.spoiler_max[c.i] = 0.96 - 0.56 * c.u


@anomaly
def spoilers_retracted_early(c: Case) -> None:
    c.plan.retract_kt[c.i] = 40 + 66 * c.u


# -- reversers ----------------------------------------------------------------------------------
@anomaly
def late_reverser_stow(c: Case) -> None:
    c.plan.stow_hold_s[c.i] = 0.3 + 21 * c.u


@anomaly
def asymmetric_deployment(c: Case) -> None:
    more = 0.5 + 6 * c.u
    if c.chance(0.6):
        c.plan.select_s[c.engine, c.i] += more
    else:
        c.plan.transit_s[c.engine, c.i] += more
        c.low_pressure()


@anomaly
def slow_transit(c: Case) -> None:
    c.plan.transit_s[c.engine, c.i] = 2.5 + 4.6 * c.u
    if c.chance(0.5):
        c.low_pressure()


@anomaly
def reverser_not_deployed(c: Case) -> None:
    wait = 3.5 + 12 * c.u
    plan, e, i = c.plan, c.engine, c.i
    if c.fleet.levers_recorded and c.chance(0.35):
        plan.unlock_s[e, i], plan.cancel_s[i] = NEVER, wait
        return
    plan.stuck_at[e, i] = c.rng.uniform(0.1, c.fleet.interlock - 0.1)
    plan.stuck_s[e, i] = NEVER
    if c.chance(0.5):
        plan.cancel_s[i] = wait
    else:
        plan.stuck_s[e, i] = wait - (1 - plan.stuck_at[e, i]) * plan.transit_s[e, i]


@anomaly
def late_reverse(c: Case) -> None:
    c.plan.select_s[:, c.i] += 3.0 + 9.5 * c.u - c.plan.select_s[:, c.i].min()
    c.plan.autobrake_g[c.i] = min(c.plan.autobrake_g[c.i], 0.22)


@anomaly
def no_reverse(c: Case) -> None:
    c.plan.select_s[:, c.i] = NEVER


@anomaly
def reverser_unstowed_in_air(c: Case) -> None:
    lasting = 0.2 + 3 * c.u
    c.plan.air_unlock_for_s[c.engine, c.i] = lasting
    c.plan.air_unlock_s[c.engine, c.i] = -lasting - (c.rng.uniform(1, 5) if c.chance(0.5) else 0)


@anomaly
def reverse_then_go_around(c: Case) -> None:
    c.plan.go_around_s[c.i] = c.plan.select_s[:, c.i].max() + 1.0 + 6 * c.u


@anomaly
def go_around_without_reverse(c: Case) -> None:
    c.plan.select_s[:, c.i] = NEVER
    c.plan.go_around_s[c.i] = 1.5 + 4 * c.u


# -- power --------------------------------------------------------------------------------------
@anomaly
def slow_high_reverse(c: Case) -> None:
    c.power(c.rng.uniform(24, 34))
    c.plan.reduce_kt[c.i] = 38.5 - 10 * min(1.0, 1.5 * c.u)
    c.plan.reduce_hold_s[c.i] = max(0.0, 10 * (c.u - 0.67))
    c.plan.stow_kt[c.i] = 38


@anomaly
def stow_before_idle(c: Case) -> None:
    c.power(c.fleet.max_reverse_pct - c.fleet.idle_pct)
    c.plan.reduce_lever_s[c.i] = 0.5
    c.plan.stow_gate_pct[c.i] = 7 + 36 * c.u
    c.plan.stow_kt[c.i] = c.plan.reduce_kt[c.i] = c.rng.uniform(64, 76)


@anomaly
def unequal_reverse_power(c: Case) -> None:
    full = c.fleet.max_reverse_pct - c.fleet.idle_pct
    c.power(full)
    c.plan.autobrake_g[c.i], c.plan.power_s[:, c.i] = 0.18, 0.6
    c.plan.target_pct[c.engine, c.i] -= min(8 + 52 * c.u, full)


@anomaly
def forward_power_with_reverser_out(c: Case) -> None:
    plan, e, i = c.plan, c.engine, c.i
    out = plan.select_s[:, i].max() + c.fleet.transit_s + 0.4
    plan.select_s[e, i] = NEVER
    plan.forward_from_s[e, i] = out + c.rng.uniform(3.6, 5)
    plan.forward_for_s[e, i] = 1.3 + 3.4 * c.u
    plan.autobrake_g[i] = min(plan.autobrake_g[i], 0.22)


@anomaly
def autothrottle_in_reverse(c: Case) -> None:
    c.plan.autothrottle_off_s[c.i] = c.plan.select_s[:, c.i].min() + 0.4 + 5.4 * c.u


# -- brakes, runway, contact --------------------------------------------------------------------
@anomaly
def late_braking(c: Case) -> None:
    c.plan.autobrake_g[c.i] = 0
    c.plan.brake_s[c.i] = 6.0 + 11 * c.u
    c.power(30)


@anomaly
def low_deceleration(c: Case) -> None:
    c.plan.autobrake_g[c.i], c.plan.brake_s[c.i] = 0, min(c.plan.brake_s[c.i], 4)
    c.plan.pedal_g[c.i] = 0.125 - 0.09 * c.u
    c.plan.target_pct[:, c.i] = c.fleet.idle_pct
    c.plan.takeover_kt[c.i] = 55
    c.plan.touchdown_m[c.i] = min(c.plan.touchdown_m[c.i], 380)


@anomaly
def short_runway_left(c: Case) -> None:
    i, plan = c.i, c.plan
    plan.autobrake_g[i], plan.brake_s[i] = 0.30, 1.0
    fast, slow = plan.touchdown_mps[i] - plan.headwind[i], 60 * KT
    rolled = 2.2 * fast + (fast**2 - slow**2) / (2 * 0.30 * G)
    left = 635 - 500 * c.u
    plan.touchdown_m[i] = np.clip(c.runway.length_m - c.runway.displaced_m - rolled - left, 250, 1500)


@anomaly
def bounce(c: Case) -> None:
    i, plan = c.i, c.plan
    plan.first_contact_s[i] = c.rng.uniform(0.15, 0.45)
    plan.bounce_s[i] = 0.2 + 2.6 * c.u
    plan.sink_mps[i] = c.rng.uniform(1.2, 2.0)
    plan.select_s[:, i] += plan.first_contact_s[i] + plan.bounce_s[i]


@anomaly
def heading_excursion(c: Case) -> None:
    side = 1 if c.chance(0.5) else -1
    c.plan.yaw_kick[c.i] = side * (0.07 + 0.32 * c.u)
    c.plan.yaw_kick_s[c.i] = c.rng.uniform(5, 8)
    c.power(c.fleet.max_reverse_pct - c.fleet.idle_pct)
    c.plan.target_pct[c.engine, c.i] -= c.rng.uniform(4, 26)


def allot(
    runways: list[Runway], free: np.ndarray, rng: np.random.Generator, share: float = 0.0085
) -> dict[int, tuple[str, float]]:
    """Which landings get which anomaly, and how strong: each about `share` of all, weak ones a little more often.

    free: (n,) landings that may be spoilt. One that is dealt once only is made strong enough to be seen.
    """
    length_m, open_, dealt = np.array([r.length_m for r in runways]), free.copy(), {}
    for name in ANOMALIES:
        least, most = LENGTHS_M.get(name, (0, 9999))
        suited = open_ & (length_m >= least) & (length_m < most)
        pool = np.flatnonzero(suited if suited.any() else open_)
        count = min(max(1, round(share * len(runways))), len(pool))
        chosen = rng.choice(pool, count, replace=False)
        spread = ((rng.permutation(count) + rng.random(count)) / count) ** 1.25
        strengths = spread if count > 1 else rng.uniform(0.5, 0.95, count)
        for i, u in zip(chosen, strengths, strict=True):
            dealt[int(i)] = (name, float(u))
        open_[chosen] = False
    return dealt


def inject(
    plan: Plan,
    fleet: Fleet,
    runways: list[Runway],
    dealt: list[tuple[str, float] | None],
    rng: np.random.Generator,
) -> None:
    """Spoil the landings of a plan that were dealt an anomaly."""
    fitted = [e - 1 for e in fleet.reversers]
    for i, deal in enumerate(dealt):
        if deal is not None:
            name, u = deal
            ANOMALIES[name](Case(plan, fleet, runways[i], i, u, int(rng.choice(fitted)), rng))
