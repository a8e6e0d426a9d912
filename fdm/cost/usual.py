"""What is usual on a type: when spoilers, reversers and brakes come, how far and how fast, from its normal landings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fdm.cost.automatic import automatic_of
from fdm.cost.fitting import Scale
from fdm.cost.reverse import NEVER_CELL, Use, use_of
from fdm.cost.rolls import STEP_S, Rolls

PROFILE_S = 12.0
LEVERS = 10  # engines with steady reverse from which N1 is learned by lever travel
FINE_S = 0.25
TIMES_S = np.arange(0.0, PROFILE_S + FINE_S, FINE_S)
LEAST_SD = {"s": 0.15, "top": 0.02, "mps": 1.0}


@dataclass(frozen=True)
class Spread:
    """A middle value, and how it scatters between n landings: half the distance of the 16th and 84th percentiles."""

    middle: float
    sd: float
    n: int

    @property
    def known(self) -> bool:
        """Whether any landing showed it."""
        return self.n > 0


@dataclass(frozen=True)
class Usual:
    """Times in s after first contact unless said otherwise; profiles every FINE_S from 0 on.

    spoilers       position by time after settled contact
    spoilers_s     time after settled contact at half of their travel
    selected_s     reverse selected;  wait_s: from there to deployed;  transit_s: unlocked to deployed
    rise, fall     N1 above idle as a share of its highest: after deployment, after its reduction
    top            highest N1 above idle in reverse;  reduce_mps: ground speed at its reduction
    top_by_lever   slope, offset and scatter of that by lever travel; NaN where levers are not recorded
    pedals_s, automatic_s   brakes on; automatic brake at work
    """

    spoilers: np.ndarray
    spoilers_s: Spread
    selected_s: Spread
    wait_s: Spread
    transit_s: Spread
    rise: np.ndarray
    fall: np.ndarray
    top: Spread
    reduce_mps: Spread
    top_by_lever: np.ndarray
    pedals_s: Spread
    automatic_s: Spread


def spread(values: np.ndarray, least_sd: float) -> Spread:
    """Middle and scatter of what is known among some values."""
    values = values[np.isfinite(values)]
    if not len(values):
        return Spread(np.nan, np.nan, 0)
    middle = float(np.median(values))
    low, high = np.percentile(values, [16, 84])
    sd = float(high - low) / 2
    return Spread(middle, max(sd, least_sd), len(values))


def usual_of(rolls: Rolls, scale: Scale, per_pressure: float) -> Usual:
    """What is usual among normal landings."""
    settled = np.nan_to_num(rolls.settled_s)
    profile = _profiles(rolls.spoiler, settled)
    use, u = use_of(rolls, scale.idle_n1), scale.power(rolls)
    rise, fall = [], []
    for i, e in zip(*np.nonzero(use.powered), strict=True):
        share = u[i, :, e] / use.top[i, e]
        rise.append(_profiles(share[None], rolls.deployed_s[i : i + 1, e])[0])
        fall.append(_profiles(share[None], use.reduce[i : i + 1, e] * STEP_S)[0])
    automatic = automatic_of(rolls, per_pressure)
    by_foot = ~automatic.active.any(axis=1)
    return Usual(
        spoilers=np.maximum.accumulate(np.median(profile, axis=0)),
        spoilers_s=spread(_half_s(profile), LEAST_SD["s"]),
        selected_s=spread(rolls.selected_s.ravel(), LEAST_SD["s"]),
        wait_s=spread((rolls.deployed_s - rolls.selected_s).ravel(), LEAST_SD["s"]),
        transit_s=spread((rolls.deployed_s - rolls.unlocked_s).ravel(), LEAST_SD["s"]),
        rise=np.median(rise, axis=0) if rise else np.zeros(len(TIMES_S)),
        fall=np.median(fall, axis=0) if fall else np.zeros(len(TIMES_S)),
        top=spread(use.top[use.deployed < NEVER_CELL], LEAST_SD["top"]),
        reduce_mps=spread(use.reduce_mps[use.powered & (use.reduce_mps > 0)], LEAST_SD["mps"]),
        top_by_lever=_by_lever(use),
        pedals_s=spread(rolls.brakes_s[by_foot], LEAST_SD["s"]),
        automatic_s=spread(automatic.onset_s, LEAST_SD["s"]),
    )


def _profiles(values: np.ndarray, start_s: np.ndarray) -> np.ndarray:
    """(n, times) of values (n, m) on cells, from a time of each row's own."""
    middles = (np.arange(values.shape[1]) + 0.5) * STEP_S
    rows = [np.interp(start + TIMES_S, middles, row) for start, row in zip(start_s, values, strict=True)]
    return np.array(rows)


def _half_s(profile: np.ndarray) -> np.ndarray:
    """When each row passes half of its own highest value."""
    high = profile >= 0.5 * np.maximum(profile.max(axis=1, keepdims=True), 0.1)
    return np.where(high.any(axis=1), TIMES_S[np.argmax(high, axis=1)], np.nan)


def _by_lever(use: Use) -> np.ndarray:
    """Slope, offset and scatter of the highest N1 against the lever, where N1 was steady; NaN without ten of them."""
    known = use.steady & ~np.isnan(use.lever)
    lever, top = use.lever[known], use.top[known]
    if len(lever) < LEVERS or np.ptp(lever) < 0.02:
        return np.full(3, np.nan)
    slope, offset = np.polyfit(lever, top, 1)
    return np.array([slope, offset, max(float(np.std(top - slope * lever - offset)), LEAST_SD["top"])])
