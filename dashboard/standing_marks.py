"""Where one landing stands in its fleet, drawn and in words."""

from __future__ import annotations

import math
from collections.abc import Callable

from markupsafe import Markup

from dashboard import marks, words
from dashboard.scale import limit_places
from dashboard.standings import NOT_FOR_THIS, Standing
from dashboard.store import FEWEST_FOR_SPREAD

ROUNDS_TO_ALL = 0.9995
MOSTLY_THE_SAME = 0.5
NO_PLACE = 0.5  # of the fleet lies within the bounds of one landing


def row(found: Standing) -> Markup:
    """One measure: what it is, the value, where it stands, and the drawing."""
    title = Markup('<p class="standing-head"><span>{}</span><b>{}</b></p>').format(found.card.title, _value(found))
    if found.value is None:
        said = words.sentence(words.plain(found.reason))
        nothing_missing = found.reason.startswith(NOT_FOR_THIS)
        return _boxed(title + (Markup('<p class="soft">{}</p>').format(said) if nothing_missing else _unknown(said)))
    if found.few:
        said = f"Only {words.count(found.n, 'landing')} of this type to stand among; {FEWEST_FOR_SPREAD} are needed."
        return _boxed(title + _unknown(said))
    return _boxed(
        title
        + _drawing(found)
        + Markup('<p class="soft standing-said">{}</p>').format(marks.unbroken(percentile(found)))
    )


def _boxed(inside: Markup) -> Markup:
    return Markup('<div class="standing-row">{}</div>').format(inside)


def _unknown(sentence: str) -> Markup:
    return Markup('<p class="soft">{} {}</p>').format(marks.HATCH, sentence)


def _value(found: Standing) -> Markup:
    if found.value is None:
        return Markup("")
    unit, more = found.card.unit, _more_decimals(found)
    bounds = words.bounds(found.value, found.lower, found.upper, unit, more)
    return Markup('{} <span class="soft">{}</span>').format(words.quantity(found.value, unit, more), bounds)


def _more_decimals(found: Standing) -> int:
    """So many that the value is not told as on a limit that it is beyond."""
    value, below = found.value or 0.0, found.card.direction == "below"
    beyond = [limit for limit in found.limits.values() if (value < limit if below else value > limit)]
    return max((words.decimals_apart(value, limit, found.card.unit) for limit in beyond), default=0)


def percentile(found: Standing) -> str:
    """ "More than 97 % (91–99) of 588 landings; half lie between 0.8 s and 1.2 s." """
    if found.below is None:
        return ""
    best, low, high = found.below
    unit = found.card.unit
    first, third = words.number(found.quantiles[1], unit), words.quantity(found.quantiles[3], unit)
    alike = first == words.number(found.quantiles[3], unit)
    half = f"most are {third}" if alike else f"half lie between {first} and {third}"
    if found.same >= MOSTLY_THE_SAME:
        return f"The same as {_percent(found.same)} % of {words.count(found.n, 'landing')}."
    if high - low > NO_PLACE:
        share = _percent(high - low)
        where = f"The bounds reach over {share} % of {words.count(found.n, 'landing')}: its place is not known"
    elif best >= ROUNDS_TO_ALL:
        where = f"More than all of {words.count(found.n, 'landing')}"
        where += f" (at least {_percent(low)} %)" if _percent(low) != "100" else ""
    elif best <= 1 - ROUNDS_TO_ALL:
        where = f"Less than all of {words.count(found.n, 'landing')}"
        where += f" (at least {_percent(1 - high)} %)" if _percent(1 - high) != "100" else ""
    elif _percent(best) == "0":
        where = f"Among the lowest 1 % of {words.count(found.n, 'landing')}"
    else:
        sides = sorted((low, high))
        bounds = "" if _percent(sides[0]) == _percent(sides[1]) else f" ({_percent(sides[0])}–{_percent(sides[1])})"
        where = f"More than {_percent(best)} %{bounds} of {words.count(found.n, 'landing')}"
    return f"{where}; {half}."


def _percent(share: float) -> str:
    per_cent = 100 * share
    return f"{per_cent:.1f}" if 99 < per_cent < 100 else f"{per_cent:.0f}"


def _drawing(found: Standing) -> Markup:
    """Line from 5 to 95 %, box of the middle half with the median, the rest as dots, limits, and this landing."""
    x = _scale(found)
    low, first, mid, third, high = (x(q) for q in found.quantiles)
    parts = [
        marks.joined(
            Markup('<circle class="tail" cx="{}%" cy="12" r="1.3"/>').format(x(v)) for v in found.tails if _inside(x(v))
        ),
        Markup('<line class="usual" x1="{}%" x2="{}%" y1="12" y2="12"/>').format(low, high),
        Markup('<rect class="band" x="{}%" width="{}%" y="6" height="12"/>').format(first, max(third - first, 0.4)),
        Markup('<line class="median" x1="{0}%" x2="{0}%" y1="6" y2="18"/>').format(mid),
    ]
    drawn = limit_places(found.limits)
    for level in drawn:
        at = x(found.limits[level])
        if _inside(at):
            parts.append(Markup('<line class="limit {0}" x1="{1}%" x2="{1}%" y1="1" y2="23"/>').format(level, at))
    parts.append(_this(found, x))
    value = words.bounded(found.value, found.lower, found.upper, found.card.unit, _more_decimals(found))
    label = f"{found.card.title}: {value}. {percentile(found)}"
    return Markup('<svg class="standing-line" height="24" role="img" aria-label="{}">{}</svg>').format(
        label, marks.joined(parts)
    )


def _this(found: Standing, x: Callable[[float], float]) -> Markup:
    value = found.value or 0.0
    low = value if found.lower is None or not math.isfinite(found.lower) else found.lower
    open_end = found.upper is not None and math.isinf(found.upper)
    high = value if found.upper is None or not math.isfinite(found.upper) else found.upper
    right = 99.0 if open_end else x(high)
    return marks.capped(x(low), x(value), right, 12, open_end=open_end)


def _scale(found: Standing) -> Callable[[float], float]:
    """Per cent across the drawing, of everything that is drawn; limits far off do not squeeze the rest."""
    own = [v for v in (found.value, found.lower, found.upper) if v is not None and math.isfinite(v)]
    low, high = min([*found.quantiles, *own]), max([*found.quantiles, *own])
    if low == high and found.limits:  # nothing but one value: what it is far from tells more than an empty scale
        nearest = min(found.limits.values(), key=lambda limit: abs(limit - low))
        low, high = min(low, nearest), max(high, nearest)
    for limit in found.limits.values():
        if low - (high - low) <= limit <= high + (high - low):
            low, high = min(low, limit), max(high, limit)
    pad = 0.05 * (high - low) or 1.0
    low, high = low - pad, high + pad

    def x(value: float) -> float:
        return round(100 * (value - low) / (high - low), 2)

    return x


def _inside(place: float) -> bool:
    return 0 <= place <= 100
