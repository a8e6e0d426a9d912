"""What each event cost: metres, seconds and brake heat, with bounds, or why that cannot be told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import polars as pl

from fdm.cost.automatic import RESPONSE_S, RESPONSE_SPREAD, Automatic, automatic_of, with_inferred
from fdm.cost.fitting import cell_weights, fit_each
from fdm.cost.fleet import BOUNCED_S, LEAST_LANDINGS, METHOD, FleetModel
from fdm.cost.forces import HIGH, KAPPA, LOW, NAMES, PRIOR_SD, SIZE, forces
from fdm.cost.lapses import LAPSES, OnTime, Situation, join_on_time
from fdm.cost.replay import Extra, Replay
from fdm.cost.reverse import Use, use_of
from fdm.cost.rolls import Rolls
from fdm.schemas import COSTS

DRAWS = 200
TRIED = 1200  # draws of which the possible ones are used
SLACK = 0.1  # by how much of its prior's standard deviation a coefficient may be beyond its limit
SEED = 20261116
AT_ONCE = 24  # events replayed together
INTERVAL = (10.0, 50.0, 90.0)  # percentiles: bounds hold the cost in eight of ten
# added to each side of the interval: so much, and a share of the value
FLOORS = {"m": (3.0, 0.07), "s": (0.1, 0.07), "mj": (0.3, 0.07)}
TOO_WIDE_M, TOO_WIDE_SHARE = 30.0, 0.35
UNEXPLAINED_G = 0.03
# how far one landing may differ from its type, as a share of each coefficient, and at least
OWN_SHARE = {
    "D0": 0.05, "Ds": 0.15, "Dp": 0.2, "Dq": 0.2, "Df": 0.2, "L0": 0.10, "Ls": 0.15, "Lp": 0.2, "Lf": 0.2, "mu": 0.15,
    "f0": 0.3, "f1": 0.3, "r0": 0.3, "r1": 0.10, "r2": 0.10, "law": 0.0, "kappa": 0.3, "delta": 0.0,
}  # fmt: skip
OWN_LEAST = {"delta": 0.010, "law": 0.05, "kappa": 0.05}
FLEET_INFLATION = 4.0  # of the type's covariance: one type's landings do not err independently
# what normal landings hardly tell apart: drag with and without spoilers, lift and what spoilers take of it
SHIFTS = ({"D0": 0.010, "Ds": -0.010}, {"L0": 0.10, "Ls": 0.10})


@dataclass(frozen=True)
class Fitted:
    """Landings of one type, each fitted: draws of coefficients (n, DRAWS, SIZE), unexplained rms (n,) in g."""

    rolls: Rolls
    use: Use
    automatic: Automatic
    draws: np.ndarray
    unexplained_g: np.ndarray

    def take(self, index: np.ndarray) -> Fitted:
        """Some of them, in any order."""
        return Fitted(
            self.rolls.take(index),
            _rows(self.use, index),
            _rows(self.automatic, index),
            self.draws[index],
            self.unexplained_g[index],
        )


T = TypeVar("T", Use, Automatic)


def _rows(of: T, index: np.ndarray) -> T:
    return replace(of, **{name: value[index] for name, value in vars(of).items()})


def prior_of(model: FleetModel) -> np.ndarray:
    """Covariance given to one landing's coefficients before it is looked at."""
    own = np.array([max(OWN_SHARE[n] * abs(m), OWN_LEAST.get(n, 0.0)) for n, m in zip(NAMES, model.mean, strict=True)])
    covariance = FLEET_INFLATION * model.covariance + np.diag(own**2)
    for shift in SHIFTS:
        direction = np.array([shift.get(name, 0.0) for name in NAMES])
        covariance = covariance + np.outer(direction, direction)
    return covariance


def fit_landings(rolls: Rolls, model: FleetModel) -> Fitted:
    """Fit every landing and draw from what it leaves open; the same random numbers for each of them."""
    mean, covariance = fit_each(rolls, model.scale, model.mean, prior_of(model), model.noise_g)
    z = _paired(np.random.default_rng(SEED), TRIED, SIZE)
    root = np.linalg.cholesky(covariance)
    draws = mean[:, None, :] + np.einsum("nij,kj->nki", root, z)
    x, weights = model.scale.inputs(rolls), cell_weights(rolls, model.noise_g) > 0
    rest = np.where(weights, rolls.decel_g - forces(mean[:, None, :], x).decel_g, 0.0)
    rms = np.sqrt((rest**2).sum(axis=1) / np.maximum(weights.sum(axis=1), 1))
    automatic = automatic_of(rolls, float(model.mean[KAPPA]))
    return Fitted(rolls, use_of(rolls, model.scale.idle_n1), automatic, _possible(draws), rms)


def _paired(rng: np.random.Generator, draws: int, size: int) -> np.ndarray:
    """(draws, size) standard normal, in pairs of opposite sign."""
    half = rng.standard_normal((draws // 2, size))
    return np.concatenate([half[:, None], -half[:, None]], axis=1).reshape(draws, size)


def _possible(draws: np.ndarray) -> np.ndarray:
    """(n, DRAWS, SIZE) each row's first draws whose coefficients can be; the nearest others where there are few."""
    slack = 1e-9 + SLACK * PRIOR_SD
    off = np.maximum(np.maximum(LOW - slack - draws, draws - HIGH - slack), 0.0) / PRIOR_SD
    order = np.argsort(off.max(axis=2), axis=1, kind="stable")[:, :DRAWS]
    return np.take_along_axis(draws, order[:, :, None], axis=1)


def estimate(rolls: Rolls, events: pl.DataFrame, model: FleetModel | None) -> pl.DataFrame:
    """What events cost, a frame of COSTS; events of other rules than LAPSES are left out.

    rolls    rollouts of the events' landings, one type
    events   event_id, landing_id, rule, engine (number from the left, null where the rule has none)
    model    the type's; None where it could not be learned
    """
    events = events.filter(pl.col("rule").is_in(list(LAPSES)) & pl.col("landing_id").is_in(rolls.landing_id.tolist()))
    if not events.height:
        return pl.DataFrame(schema=COSTS)
    if model is None:
        return _refused(events, f"fewer than {LEAST_LANDINGS} normal landings of this type to learn from")
    rolls = with_inferred(rolls)
    row_of = {landing: i for i, landing in enumerate(rolls.landing_id)}
    events = events.with_columns(pl.Series("row", [row_of[x] for x in events["landing_id"]], dtype=pl.Int64))
    events = events.with_columns(pl.Series("refused", [rolls.refused[i] for i in events["row"]], dtype=pl.String))
    parts = [_refused(part, reason) for (reason,), part in events.group_by("refused") if reason]
    good = events.filter(pl.col("refused") == "")
    if good.height:
        rows = np.unique(good["row"].to_numpy())
        fitted = fit_landings(rolls.take(rows).trimmed(), model)
        for part in good.sort("rule", maintain_order=True).iter_slices(AT_ONCE):
            index = np.searchsorted(rows, part["row"].to_numpy())
            parts.append(_estimated(part, fitted.take(index), model))
    order = {event: i for i, event in enumerate(events["event_id"])}
    return pl.concat(parts).sort(pl.col("event_id").replace_strict(order, return_dtype=pl.Int64))


def _estimated(events: pl.DataFrame, fitted: Fitted, model: FleetModel) -> pl.DataFrame:
    """Events sorted by rule: how each would have gone on time, then all replayed together."""
    on_time = []
    for (rule,), group in events.with_row_index("at").group_by("rule", maintain_order=True):
        some = fitted.take(group["at"].to_numpy())
        on_time.append(LAPSES[str(rule)](_situation(group, some, model)))
    together = join_on_time(on_time)
    response = RESPONSE_S * np.exp(RESPONSE_SPREAD * _paired(np.random.default_rng([SEED, 2]), DRAWS, 1)[:, 0])
    extra = Replay(
        fitted.rolls,
        model.scale,
        model.usual,
        fitted.use,
        fitted.automatic,
        fitted.draws,
        np.broadcast_to(response, (fitted.rolls.n, DRAWS)),
        together.change,
    ).run()
    return _frame(events, fitted, together, extra)


def _situation(events: pl.DataFrame, fitted: Fitted, model: FleetModel) -> Situation:
    return Situation(
        fitted.rolls,
        fitted.use,
        fitted.automatic,
        model.usual,
        model.scale.idle_n1,
        tuple(np.flatnonzero(fitted.rolls.has_reverser.any(axis=0)).tolist()),
        np.random.default_rng([SEED, 1]),
        DRAWS,
    )


def _frame(events: pl.DataFrame, fitted: Fitted, on_time: OnTime, extra: Extra) -> pl.DataFrame:
    mass = fitted.rolls.mass_kg
    metres = _bounds(extra.distance_m, *FLOORS["m"])
    seconds = _bounds(extra.time_s, *FLOORS["s"])
    energy = _bounds(extra.brakes_j_per_kg * mass[:, None] / 1e6, *FLOORS["mj"])
    reason = _reason(fitted, on_time, metres)
    nothing = np.array([bool(r) and not r.startswith(RANGE) for r in reason])
    answered = reason == ""
    columns: dict[str, pl.Series] = {}
    for name, (low, best, high) in (("extra_m", metres), ("extra_s", seconds), ("brake_energy_mj", energy)):
        columns[name] = pl.Series(np.where(answered, best, np.nan)).fill_nan(None)
        columns[f"{name}_lower"] = pl.Series(np.where(nothing, np.nan, low)).fill_nan(None)
        columns[f"{name}_upper"] = pl.Series(np.where(nothing, np.nan, high)).fill_nan(None)
    notes = [list(n) for n in fitted.rolls.notes]
    for i in np.flatnonzero(np.isnan(mass)):
        notes[i].append("gross weight not recorded: taken as usual for the type; no brake energy")
    return (
        events.select("event_id", "landing_id", "rule")
        .with_columns(
            **columns,
            reason=pl.Series([r or None for r in reason], dtype=pl.String),
            notes=pl.Series(notes, dtype=pl.List(pl.String)),
            method=pl.lit(METHOD),
        )
        .select(pl.col(name).cast(kind) for name, kind in COSTS.items())
    )


def _bounds(draws: np.ndarray, least: float, share: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lower bound, best value, upper bound of draws (n, k)."""
    low, best, high = np.percentile(draws, INTERVAL, axis=1)
    floor = least + share * np.abs(best)
    return best - np.hypot(best - low, floor), best, best + np.hypot(high - best, floor)


RANGE = "only a range: "


def _reason(fitted: Fitted, on_time: OnTime, metres: Sequence[np.ndarray]) -> np.ndarray:
    low, best, high = metres
    half = (high - low) / 2
    reason = on_time.reason.copy()

    def say(where: np.ndarray, words: list[str]) -> None:
        for i in np.flatnonzero(where & (reason == "")):
            reason[i] = words[i]

    rms = fitted.unexplained_g
    say(
        rms > UNEXPLAINED_G,
        [f"contaminated data: the devices leave {x:.2f} g of the deceleration unexplained" for x in rms],
    )
    airborne = fitted.rolls.airborne_s
    say(airborne > BOUNCED_S, [RANGE + f"the main gear left the runway again for {x:.1f} s" for x in airborne])
    wide = half > np.maximum(TOO_WIDE_M, TOO_WIDE_SHARE * np.abs(best))
    say(wide, [RANGE + f"the recording leaves it open by {x:.0f} m to either side" for x in half])
    return reason


def _refused(events: pl.DataFrame, reason: str) -> pl.DataFrame:
    given = events.select("event_id", "landing_id", "rule").with_columns(
        reason=pl.lit(reason), method=pl.lit(METHOD), notes=pl.lit([], dtype=pl.List(pl.String))
    )
    missing = [pl.lit(None, dtype=kind).alias(name) for name, kind in COSTS.items() if name not in given.columns]
    return given.with_columns(missing).select(pl.col(name).cast(kind) for name, kind in COSTS.items())
