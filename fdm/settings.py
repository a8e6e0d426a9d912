"""The few definition constants that measures depend on; they live in the rule book's settings.toml."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Settings:
    """Definition constants of a rule book; changing one re-measures, and changes the rule book's hash.

    extended            fraction of full spoiler travel that counts as extended
    taxi_speed_kt       ground speed below which the aeroplane is taxiing
    reduce_speed_kt     ground speed at which the procedure starts to reduce reverse
    idle_margin_pct     N1 points above idle reverse that still count as idle
    idle_reverse_pct    N1 at idle reverse by fleet, % ; a fleet not named here has it learned from the landing
    """

    extended: float = 0.70
    taxi_speed_kt: float = 30.0
    reduce_speed_kt: float = 60.0
    idle_margin_pct: float = 5.0
    idle_reverse_pct: Mapping[str, float] = field(default_factory=dict)
