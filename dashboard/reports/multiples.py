"""Rates week by week as small multiples on one scale, for paper."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from markupsafe import Markup

from dashboard import words
from dashboard.marks import joined
from dashboard.reports.weekly import Kind

WIDE_PX, HIGH_PX, TITLE_PX, FOOT_PX = 164, 74, 15, 13
LEFT_PX, RIGHT_PX = 24, 34
MOST = 8


def drawing(kinds: Sequence[Kind]) -> Markup:
    """The kinds with the most events, each with its weekly rates and 95 % intervals; a ring marks a signal."""
    shown = kinds[:MOST]
    top = scale_top([found.upper or 0.0 for kind in shown for _, found in kind.weeks])
    return Markup('<div class="multiples">{}</div>').format(joined(_one(kind, top) for kind in shown))


def scale_top(uppers: Sequence[float]) -> float:
    """The highest rate of all drawings: a round number above most intervals; the longest few run out at the top."""
    if not uppers:
        return 1.0
    wanted = sorted(uppers)[math.ceil(0.97 * (len(uppers) - 1))]
    step = next(s for s in (5, 10, 20, 50, 100, 200, 500, 1000, 10**6) if wanted / s <= 4)
    return float(step * -(-wanted // step))


def _one(kind: Kind, top: float) -> Markup:
    span = WIDE_PX - LEFT_PX - RIGHT_PX

    def x(i: int) -> float:
        return round(LEFT_PX + span * (i + 0.5) / len(kind.weeks), 1)

    def y(per_1000: float) -> float:
        return round(TITLE_PX + HIGH_PX * (1 - min(per_1000, top) / top), 1)

    base, last = TITLE_PX + HIGH_PX, len(kind.weeks) - 1
    parts = []
    for i, (_, found) in enumerate(kind.weeks):
        if found.per_1000 is None or found.lower is None or found.upper is None:
            continue
        now = " now" if i == last else ""
        parts.append(
            Markup(
                '<line class="interval{}" x1="{}" x2="{}" y1="{}" y2="{}"/><circle class="dot" cx="{}" cy="{}" r="{}"/>'
            ).format(now, x(i), x(i), y(found.upper), y(found.lower), x(i), y(found.per_1000), 2.6 if now else 1.3)
        )
    now_rate = kind.weeks[-1][1].per_1000
    if kind.usual is not None:
        parts.append(
            Markup('<line class="median" x1="{}" x2="{}" y1="{}" y2="{}"/>').format(
                LEFT_PX, WIDE_PX - RIGHT_PX + 2, y(kind.usual), y(kind.usual)
            )
        )
    if kind.signal and now_rate is not None:
        parts.append(Markup('<circle class="signal" cx="{}" cy="{}" r="6"/>').format(x(last), y(now_rate)))
    return Markup(
        '<svg width="{}" height="{}" role="img" aria-label="{}"><text class="strong" x="0" y="9">{}</text>'
        '<line class="axis" x1="{}" x2="{}" y1="{}" y2="{}"/><text x="{}" y="{}" text-anchor="end">{:g}</text>{}{}'
        '<text x="{}" y="{}">{}</text><text x="{}" y="{}" text-anchor="end">{}</text></svg>'
    ).format(
        WIDE_PX, TITLE_PX + HIGH_PX + FOOT_PX, f"{kind.title}: {words.rate(kind.weeks[-1][1])}", kind.title,
        LEFT_PX, WIDE_PX - RIGHT_PX, base, base, LEFT_PX - 4, TITLE_PX + 6, top, joined(parts), _now(now_rate, y),
        LEFT_PX, base + 11, words.week_name(kind.weeks[0][0]).lower(), WIDE_PX - RIGHT_PX, base + 11,
        kind.weeks[-1][0][-2:] if last else "",
    )  # fmt: skip


def _now(per_1000: float | None, y: Callable[[float], float]) -> Markup:
    if per_1000 is None:
        return Markup("")
    return Markup('<text class="strong" x="{}" y="{}">{}</text>').format(
        WIDE_PX - RIGHT_PX + 4, y(per_1000) + 3, f"{per_1000:.0f}" if per_1000 >= 30 else f"{per_1000:.1f}"
    )
