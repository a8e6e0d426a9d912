"""What the lapses of a landing cost, as bars with their bounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from dashboard import words
from dashboard.marks import joined

SAME = ("extra_m", "extra_m_lower", "extra_m_upper")
BARS_PX, ROW_PX, WORDS_PX = 150, 14, 96


def drawing(costs: Sequence[tuple[str, Mapping[str, Any]]]) -> Markup:
    """A line for each: its title and what is said of it, and a bar where there is a number.

    costs   title of the event, row of schemas.COSTS
    """
    most = max((row["extra_m_upper"] for _, row in costs if row["extra_m_upper"] is not None), default=0.0)
    return joined(
        Markup('<div class="cost"><p><b>{}.</b> {}</p>{}</div>').format(title, words.cost_fact(row), _bar(row, most))
        for title, row in costs
    )


def grouped(costs: Sequence[tuple[str, Mapping[str, Any]]]) -> list[tuple[str, Mapping[str, Any]]]:
    """Events of one lapse, which cost the same, told once under all their titles."""
    found: dict[tuple[object, ...], tuple[list[str], Mapping[str, Any]]] = {}
    for title, row in costs:
        numbers = tuple(None if (x := row[name]) is None else round(x, -1) for name in SAME)
        same = (*numbers, row["reason"])
        if same in found:
            found[same][0].append(title[:1].lower() + title[1:])
        else:
            found[same] = ([title], row)
    return [("; ".join(dict.fromkeys(titles)), row) for titles, row in found.values()]


def _bar(row: Mapping[str, Any], most: float) -> Markup:
    low, high, best = row["extra_m_lower"], row["extra_m_upper"], row["extra_m"]
    if low is None or most <= 0:
        return Markup("")

    def x(metres: float) -> float:
        return round(3 + BARS_PX * max(metres, 0.0) / most, 1)

    y = ROW_PX / 2
    bar = (
        Markup('<rect class="bar" x="3" y="{}" width="{}" height="8"/>').format(y - 4, max(x(best) - 3, 0.5))
        if best is not None
        else Markup("")
    )
    caps = joined(
        Markup('<line class="bound" x1="{0}" x2="{0}" y1="{1}" y2="{2}"/>').format(x(v), y - 4, y + 4)
        for v in (low, high)
    )
    return Markup(
        '<svg width="{}" height="{}"><line class="axis" x1="3" x2="3" y1="0" y2="{}"/>{}'
        '<line class="bound" x1="{}" x2="{}" y1="{}" y2="{}"/>{}'
        '<text class="name" x="{}" y="{}">{}</text></svg>'
    ).format(
        BARS_PX + WORDS_PX + 10, ROW_PX, ROW_PX, bar, x(low), x(high), y, y, caps, x(high) + 6, y + 3,
        words.cost_short(row),
    )  # fmt: skip
