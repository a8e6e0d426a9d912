"""One time axis with two speeds: the first seconds after touchdown wide, the rest of the rollout faster."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

KNEE_S = 10.0
FASTER = 4.0


@dataclass(frozen=True)
class TimeAxis:
    """Maps seconds after touchdown to chart units. Without a knee, one unit is one second throughout."""

    start_s: float
    end_s: float
    knee_s: float | None = KNEE_S
    sparse: bool = False  # few ticks, for a narrow chart

    def units(self, time_s: np.ndarray | float) -> np.ndarray:
        """Chart units of times; strictly increasing, so order and bounds are kept."""
        t = np.asarray(time_s, dtype=float)
        if self.knee_s is None:
            return t
        return np.where(t <= self.knee_s, t, self.knee_s + (t - self.knee_s) / FASTER)

    def unit(self, time_s: float) -> float:
        """Chart units of one time, kept inside the axis."""
        return float(self.units(min(max(time_s, self.start_s), self.end_s)))

    @property
    def range(self) -> list[float]:
        """First and last chart unit."""
        return [float(self.units(self.start_s)), float(self.units(self.end_s))]

    def ticks(self) -> tuple[list[float], list[str]]:
        """Chart units and texts: every other second in the wide part, every ten in the fast one."""
        if self.knee_s is None:
            step = next(
                s for s in (1, 2, 5, 10, 20, 60) if (self.end_s - self.start_s) / s <= (6 if self.sparse else 9)
            )
            times = np.arange(np.ceil(self.start_s / step) * step, self.end_s + 1e-9, step)
        else:
            every = 5 if self.sparse else 2
            wide = np.arange(np.ceil(self.start_s / every) * every, min(self.knee_s, self.end_s) + 1e-9, every)
            step = 20 if self.sparse or self.end_s > 90 else 10
            times = np.concatenate([wide, np.arange(self.knee_s + step, self.end_s + 1e-9, step)])
        texts = [f"{t + 0.0:g}".replace("-", "−") for t in times]
        return self.units(times).tolist(), [*texts[:-1], f"{texts[-1]} s"] if texts else []
