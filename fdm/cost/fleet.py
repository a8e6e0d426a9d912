"""What the normal landings of a type teach: the coefficients of its point mass, and its usual times. Kept as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np

from fdm.cost.automatic import with_inferred
from fdm.cost.fitting import Scale, fit_jointly
from fdm.cost.forces import KAPPA, NAMES, PRIOR_MEAN, PRIOR_SD
from fdm.cost.rolls import Rolls, join
from fdm.cost.usual import Spread, Usual, usual_of

METHOD = "point mass 1"
LEAST_LANDINGS = 5
MOST_LANDINGS = 60
FIRST_NOISE_G, LEAST_NOISE_G = 0.010, 0.004
CORRELATION = 2.0  # neighbouring cells err alike: their misfit counts as so many times itself
BOUNCED_S = 0.6
LEADS_S = tuple(np.arange(0.0, 3.1, 0.25).tolist())


@dataclass(frozen=True)
class FleetModel:
    """A type's point mass and usual times.

    landings     how many normal landings it was learned from
    mean, covariance   of the coefficients, in the order of forces.NAMES
    noise_g      standard deviation given to one cell's deceleration
    misfit_g     rms of what the model leaves unexplained in the normal landings
    """

    fleet: str
    landings: int
    scale: Scale
    mean: np.ndarray
    covariance: np.ndarray
    noise_g: float
    misfit_g: float
    usual: Usual

    def to_json(self) -> str:
        """The model as JSON text."""
        return json.dumps(
            {
                "method": METHOD,
                "fleet": self.fleet,
                "landings": self.landings,
                "scale": asdict(self.scale),
                "coefficients": dict(zip(NAMES, self.mean.tolist(), strict=True)),
                "covariance": self.covariance.tolist(),
                "noise_g": self.noise_g,
                "misfit_g": self.misfit_g,
                "usual": {f.name: _plain(getattr(self.usual, f.name)) for f in fields(Usual)},
            }
        )


def _plain(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray) else asdict(value)


def from_json(text: str) -> FleetModel:
    """A model from its JSON text. ValueError when it was made by another version of the method."""
    d = json.loads(text)
    if d.get("method") != METHOD or list(d["coefficients"]) != list(NAMES):
        raise ValueError(f"made by method {d.get('method')!r}, this is {METHOD!r}: learn the fleet again")
    usual: dict[str, Any] = {k: np.array(v) if isinstance(v, list) else Spread(**v) for k, v in d["usual"].items()}
    return FleetModel(
        d["fleet"],
        d["landings"],
        Scale(**d["scale"]),
        np.array(list(d["coefficients"].values())),
        np.array(d["covariance"]),
        d["noise_g"],
        d["misfit_g"],
        Usual(**usual),
    )


def fit_fleet(parts: Sequence[Rolls]) -> FleetModel | None:
    """Learn a type from its normal landings, of one or several recorder layouts; None from fewer than five.

    The landings are taken to be without lapses; those that bounced or cannot be laid out are left aside.
    """
    if not parts:
        return None
    rolls = join(list(parts))
    rolls = replace(with_inferred(rolls), refused=rolls.refused)
    good = np.flatnonzero((rolls.refused == "") & (rolls.airborne_s < BOUNCED_S))
    if len(good) < LEAST_LANDINGS:
        return None
    good = good[np.linspace(0, len(good) - 1, min(len(good), MOST_LANDINGS)).astype(int)]
    rolls = rolls.take(good).trimmed()
    scale = _leading(rolls, _scale(rolls))
    _, _, misfit = fit_jointly(rolls, scale, PRIOR_MEAN, PRIOR_SD, FIRST_NOISE_G)
    noise = max(LEAST_NOISE_G, CORRELATION * misfit)
    mean, covariance, misfit = fit_jointly(rolls, scale, PRIOR_MEAN, PRIOR_SD, noise)
    usual = usual_of(rolls, scale, float(mean[KAPPA]))
    return FleetModel(str(rolls.fleet[0]), rolls.n, scale, mean, covariance, noise, misfit, usual)


def _scale(rolls: Rolls) -> Scale:
    """Usual mass and flap (NaN where not recorded), and idle N1: the lowest twentieth in the rollouts."""
    idle = np.percentile(rolls.n1[rolls.used], 5)
    return Scale(_median(rolls.mass_kg), _median(rolls.flap_deg[:, 0]), float(idle))


def _leading(rolls: Rolls, scale: Scale) -> Scale:
    """By how much thrust leads N1: of LEADS_S, what leaves the least unexplained."""
    tried = [replace(scale, lead_s=lead) for lead in LEADS_S]
    return min(tried, key=lambda s: fit_jointly(rolls, s, PRIOR_MEAN, PRIOR_SD, FIRST_NOISE_G)[2])


def _median(values: np.ndarray) -> float:
    known = values[~np.isnan(values)]
    return float(np.median(known)) if len(known) else float("nan")
