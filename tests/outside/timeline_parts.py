"""Building blocks of the timelines: device histories in the shapes that reports give them."""

from __future__ import annotations

from .timelines import M_PER_FT, Point

NO_SPOILERS: list[Point] = [(0.0, 0.0)]
ARMED: list[Point] = [(-100.0, 1.0)]
NOT_ARMED: list[Point] = [(-100.0, 0.0)]
NOT_USED: list[Point] = [(-100.0, 0.0)]
IDLE = 30.0


def ft(feet: float) -> float:
    return feet * M_PER_FT


def ramp(start_s: float, end_s: float, top: float = 1.0) -> list[Point]:
    return [(start_s, 0.0), (end_s, top)]


def both(name: str, points: list[Point], engines: int = 2) -> dict[str, list[Point]]:
    return {f"{name}.{n}": points for n in range(1, engines + 1)}


def brakes(on_s: float, psi: float = 1500.0) -> dict[str, list[Point]]:
    """Both brake pressures: a jump as the valves open, then rising for a second."""
    rise = [(on_s, 0.0), (on_s + 0.05, 0.2 * psi), (on_s + 1.0, psi)]
    return {"brake_pressure.left": rise, "brake_pressure.right": rise}


def lever(select_s: float, full_s: float, idle_s: float, down_s: float) -> list[Point]:
    """Reverse lever: to the detent, on to full after the interlock, back to the detent, down."""
    return [
        (select_s, 0.0),
        (select_s + 0.2, 0.2),
        (full_s, 0.2),
        (full_s + 0.6, 1.0),
        (idle_s, 1.0),
        (idle_s + 0.6, 0.2),
        (down_s, 0.2),
        (down_s + 0.2, 0.0),
    ]


def power(from_s: float, full_s: float, pct: float, cut_s: float, idle_s: float) -> list[Point]:
    return [(-5.0, 45.0), (0.0, IDLE), (from_s, IDLE), (full_s, pct), (cut_s, pct), (idle_s, IDLE)]
