"""Rollouts on even half-second cells from first contact: what the fit and the replay are told of each landing."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

STEP_S = 0.5
CELLS = 180  # no rollout to 30 kt takes longer than 90 s
STOP_KT = 30.0
FULL_PSI = 3000.0


@dataclass(frozen=True)
class Rolls:
    """n rollouts on m cells; cell k runs from k to k + 1 times STEP_S after first contact.

    landing_id, fleet    (n,)
    speed_mps            (n, m + 1) at the cells' edges
    decel_g              (n, m)
    used                 (n, m) cells from contact to 30 kt or, where sooner, to the turn-off
    stop_mps             (n,) speed to which the cost is counted
    wind_mps             (n, m) calibrated airspeed less ground speed
    pitch_deg, flap_deg, spoiler   (n, m); flap NaN where not recorded
    n1                   (n, m, e) fractions, for every engine
    sleeve               (n, m, e) reverser position, 0 stowed to 1 deployed; 0 without a reverser
    lever                (n, m, e) reverse lever, share of reverse travel; NaN where not recorded
    pressure             (n, m) brake pressure, share of 3,000 psi
    automatic            (n, m) automatic brake at work
    automatic_known      (n,) whether that is recorded
    mass_kg              (n,) NaN where not recorded
    lift                 (n, 3) before contact: normal acceleration, airspeed (m/s), pitch
    settled_s, brakes_s  (n,) after first contact; NaN where not known or never
    selected_s, unlocked_s, deployed_s, stow_s, stowed_s   (n, e) after first contact
    airborne_s           (n,) between first and settled contact
    has_reverser         (n, e)
    refused              (n,) why nothing can be said, "" where it can
    notes                (n,) lists of what had to be assumed
    """

    landing_id: np.ndarray
    fleet: np.ndarray
    speed_mps: np.ndarray
    decel_g: np.ndarray
    used: np.ndarray
    stop_mps: np.ndarray
    wind_mps: np.ndarray
    pitch_deg: np.ndarray
    flap_deg: np.ndarray
    spoiler: np.ndarray
    n1: np.ndarray
    sleeve: np.ndarray
    lever: np.ndarray
    pressure: np.ndarray
    automatic: np.ndarray
    automatic_known: np.ndarray
    mass_kg: np.ndarray
    lift: np.ndarray
    settled_s: np.ndarray
    brakes_s: np.ndarray
    selected_s: np.ndarray
    unlocked_s: np.ndarray
    deployed_s: np.ndarray
    stow_s: np.ndarray
    stowed_s: np.ndarray
    airborne_s: np.ndarray
    has_reverser: np.ndarray
    refused: np.ndarray
    notes: np.ndarray

    @property
    def n(self) -> int:
        """How many."""
        return len(self.landing_id)

    def take(self, rows: np.ndarray) -> Rolls:
        """Some of them."""
        return replace(self, **{f.name: getattr(self, f.name)[rows] for f in fields(self)})

    def trimmed(self) -> Rolls:
        """The same without the cells that no rollout uses."""
        m = min(int(self.used.sum(axis=1).max(initial=1)) + 1, self.used.shape[1])
        return replace(self, speed_mps=self.speed_mps[:, : m + 1], **{f: getattr(self, f)[:, :m] for f in _ON_CELLS})


_ON_CELLS = (
    "decel_g",
    "used",
    "wind_mps",
    "pitch_deg",
    "flap_deg",
    "spoiler",
    "n1",
    "sleeve",
    "lever",
    "pressure",
    "automatic",
)


def join(parts: list[Rolls]) -> Rolls:
    """Rollouts of several recorder layouts of one type as one."""
    return Rolls(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Rolls)})
