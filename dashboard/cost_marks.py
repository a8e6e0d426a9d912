"""What delays cost, as bars of metres with bounds, and in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from dashboard import marks, words


def rows(costs: Sequence[tuple[str, Mapping[str, Any]]]) -> Markup:
    """One row for each event, by its title: the bar on one scale for all, and the cost in words."""
    low = min((found["extra_m_lower"] for _, found in costs if _known(found)), default=0.0)
    high = max((found["extra_m_upper"] for _, found in costs if _known(found)), default=0.0)
    span = (min(low, 0.0), max(high, 1.0))
    return marks.joined(_row(title, found, span) for title, found in costs)


def _known(found: Mapping[str, Any]) -> bool:
    return found["extra_m_lower"] is not None


def _row(title: str, found: Mapping[str, Any], span: tuple[float, float]) -> Markup:
    drawing = _bar(found, span) if _known(found) else Markup("")
    hatch = marks.HATCH if found["extra_m"] is None else ""
    return Markup(
        '<div class="standing-row"><p class="standing-head"><span>{}</span><b>{}</b></p>{}'
        '<p class="soft standing-said">{} {}</p></div>'
    ).format(title, words.cost_short(found), drawing, hatch, marks.unbroken(words.cost(found)))


def _bar(found: Mapping[str, Any], span: tuple[float, float]) -> Markup:
    """From nothing to the estimate, with bounds; where only a range is known, the range alone, hatched."""

    def x(metres: float) -> float:
        return round(2 + 96 * (metres - span[0]) / (span[1] - span[0]), 2)

    zero, low, high = x(0.0), x(found["extra_m_lower"]), x(found["extra_m_upper"])
    axis = Markup('<line class="axis" x1="{0}%" x2="{0}%" y1="1" y2="21"/>').format(zero)
    if found["extra_m"] is None:
        inside = Markup('<rect class="range" x="{}%" width="{}%" y="6" height="10"/>').format(low, high - low)
    else:
        best = x(found["extra_m"])
        inside = Markup('<rect class="band" x="{}%" width="{}%" y="6" height="10"/>').format(
            min(zero, best), abs(best - zero)
        ) + marks.capped(low, best, high, 11)
    return Markup('<svg class="standing-line" height="22" aria-hidden="true">{}{}</svg>').format(axis, inside)
