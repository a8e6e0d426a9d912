"""The drawing of the page of limits: landings by value, nuisance among what was decided, and the sweep of one limit.

Everything stands in per cent of one width, so that it fits any window; the limits over it are moved by the browser.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator

import numpy as np
from markupsafe import Markup

from dashboard import marks, names, words
from dashboard.limits_sweep import FEWEST_DECIDED, Share, Swept, sent, used
from fdm.statistics import PER

WIDE = 1000.0  # of a drawing, stretched to the page
TALL = 200.0
MIDDLE = 50.0  # per cent: what is further right is written to the left of its place
OUTLINE = 260  # points that a curve is drawn by


def chart(found: Swept) -> Markup:
    """The whole drawing, with the numbers that the browser computes with."""
    scale = _log_scale(found)
    data = sent(found) | {"floor": scale[0], "ceiling": scale[1]}
    return Markup(
        '<div class="tune" data-sweep="{}"><div class="tune-heads">{}</div>{}{}{}{}'
        '<div class="tune-over">{}</div></div>'
    ).format(
        json.dumps(data, separators=(",", ":")),
        marks.joined(_handle(found, level) for level in used(found.card, found.fleet)),
        _histogram(found),
        _nuisance(found),
        _curve(found, *scale),
        _axis(found),
        marks.joined(_line(level) for level in used(found.card, found.fleet)),
    )


def _handle(found: Swept, level: str) -> Markup:
    """What a limit is moved by; the browser says where it stands."""
    return Markup(
        '<span class="tune-was {0}" data-was="{0}" hidden></span>'
        '<span class="tune-handle {0}" data-level="{0}" role="slider" tabindex="0" aria-label="{1} limit, {2}">{3}'
        "<b></b></span>"
    ).format(level, names.SEVERITY[level], names.measure(found.card.measure), marks.severity(level))


def _line(level: str) -> Markup:
    return Markup(
        '<i class="tune-zone" data-zone="{0}"></i><i class="tune-old {0}" data-old="{0}" hidden></i>'
        '<i class="tune-line {0}" data-line="{0}"></i>'
    ).format(level)


def _panel(kind: str, title: str, note: str, ticks: Markup, inside: Markup, label: str) -> Markup:
    return Markup(
        '<div class="tune-panel {}" role="img" aria-label="{}"><header><b>{}</b><span>{}</span></header>'
        '<div class="tune-ticks">{}</div><div class="tune-plot">{}</div></div>'
    ).format(kind, label, title, note, ticks, inside)


def _x(found: Swept, value: float) -> float:
    low, high = found.sweep.limits[0], found.sweep.limits[-1]
    return round(float(min(max((value - low) / (high - low), 0.0), 1.0)) * 100, 3)


def _histogram(found: Swept) -> Markup:
    bars = found.bars
    top = max(float(bars.counts.max(initial=0)), 10.0)
    logs = np.where(bars.counts > 0, 0.35 + np.log10(np.maximum(bars.counts, 1)), 0.0)
    height = math.log10(top) + 0.45
    parts = [f"M0 {TALL}"]
    for left, right, log in zip(bars.edges[:-1], bars.edges[1:], logs, strict=True):
        y = round(TALL * (1 - log / height), 1)
        parts.append(f"L{_x(found, left) * 10} {y}L{_x(found, right) * 10} {y}")
    parts.append(f"L{WIDE} {TALL}")
    ticks = marks.joined(
        _tick(100 * (1 - (0.35 + power) / height), f"{10**power:,}") for power in range(int(math.log10(top)) + 1)
    )
    beyond = f"{bars.over:,} beyond" if bars.over else ""
    width = _plain(bars.edges[1] - bars.edges[0], found)
    return _panel(
        "hist",
        f"Landings per {width}",
        f"log scale{'; ' + beyond if beyond else ''}",
        ticks,
        _svg(Markup('<path class="tune-bars" d="{}"/>').format("".join(parts))) + _median(found),
        f"{found.assessed:,} landings by {names.measure(found.card.measure)}",
    )


def _median(found: Swept) -> Markup:
    if found.bars.median is None:
        return Markup("")
    at = _x(found, found.bars.median)
    return Markup('<span class="tune-median{}" style="left:{}%">median {}</span>').format(
        " before" if at > MIDDLE else "", at, words.quantity(found.bars.median, found.card.unit)
    )


def _plain(value: float, found: Swept) -> str:
    scale = 100 if found.card.unit == "fraction" else 1
    return f"{value * scale:.6g}{words.sign(found.card.unit)}"


def _svg(inside: Markup) -> Markup:
    return Markup('<svg viewBox="0 0 {} {}" preserveAspectRatio="none" aria-hidden="true">{}</svg>').format(
        WIDE, TALL, inside
    )


def _tick(y: float, text: str) -> Markup:
    return Markup('<span style="top:{}%">{}</span>').format(round(y, 2), text)


def _nuisance(found: Swept) -> Markup:
    """Nuisance among decided events, by value; with fewer than ten decided, in numbers alone."""
    ticks = marks.joined(_tick(100 - y, f"{y} %") for y in (0, 50, 100))
    decided = sum(share.decided for share in found.shares)
    if not decided:
        note = Markup('<p class="tune-none">{} No event of these landings was decided.</p>').format(marks.HATCH)
        return _panel("shares empty", "Nuisance among decided events", "", Markup(""), note, "No event was decided")
    if decided < FEWEST_DECIDED:
        nuisance = sum(share.nuisance for share in found.shares)
        told = f"{nuisance} of {decided} decided events were nuisance; too few for a share."
        note = Markup('<p class="tune-none">{} {}</p>').format(marks.HATCH, told)
        return _panel("shares empty", "Nuisance among decided events", "", Markup(""), note, told)
    label = "; ".join(f"{share.nuisance} of {share.decided}" for share in found.shares)
    dots = marks.joined(_share_dot(found, share) for share in found.shares)
    return _panel(
        "shares", "Nuisance among decided events", "bars: 95 % interval; below: number decided", ticks, dots, label
    )


def _share_dot(found: Swept, share: Share) -> Markup:
    low, high = share.interval
    at = 100 * (1 - share.nuisance / share.decided)
    return Markup(
        '<i class="tune-interval" style="left:{0}%;top:{1}%;bottom:{2}%"></i>'
        '<i class="tune-dot" style="left:{0}%;top:{3}%"></i><span class="tune-n" style="left:{0}%">{4:,}</span>'
    ).format(
        _x(found, share.middle),
        round(100 * (1 - high), 2),
        round(100 * low, 2),
        round(at, 2),
        share.decided,
    )


def _rates(found: Swept) -> tuple[np.ndarray, ...]:
    """Per 1,000 landings assessed, at each limit: certain, events, certain or possible."""
    counts = found.sweep
    with np.errstate(divide="ignore", invalid="ignore"):
        rates = [n * PER / counts.assessed for n in (counts.certain, counts.events, counts.possible)]
    return tuple(np.nan_to_num(one) for one in rates)


def _log_scale(found: Swept) -> tuple[float, float]:
    """Least and greatest rate drawn, as powers of ten."""
    rates = np.concatenate(_rates(found))
    positive = rates[rates > 0]
    if not len(positive):
        return -1.0, 1.0
    low, high = float(np.log10(positive.min())) - 0.15, float(np.log10(positive.max())) + 0.1
    return round(min(low, high - 1), 4), round(high, 4)


def _curve(found: Swept, floor: float, ceiling: float) -> Markup:
    """The rate of events, which the table tells too, in the band from those certain to all that are possible."""
    limits = found.sweep.limits
    chosen = np.unique(np.linspace(0, len(limits) - 1, OUTLINE).astype(int))
    x = [_x(found, value) for value in limits[chosen]]

    def y(rates: np.ndarray) -> list[float]:
        logs = np.log10(np.maximum(rates[chosen], 10**floor))
        return [round(float(v), 2) for v in 100 * (1 - (logs - floor) / (ceiling - floor))]

    lower, events, upper = map(y, _rates(found))
    outline = [*zip(x, upper, strict=True), *reversed(list(zip(x, lower, strict=True)))]
    polygon = ",".join(f"{a}% {b}%" for a, b in outline)
    lines = marks.joined(
        Markup('<path class="{}" d="M{}"/>').format(kind, _path(x, ys))
        for kind, ys in (("tune-certain", lower), ("tune-possible", upper), ("tune-events", events))
    )
    ticks = marks.joined(
        _tick(100 * (1 - (math.log10(v) - floor) / (ceiling - floor)), f"{v:,g}") for v in _thirds(floor, ceiling)
    )
    dots = marks.joined(
        Markup('<i class="tune-point" data-events="{0}"></i>'
               '<span class="tune-rate {0}{1}" data-events-rate="{0}"></span>')
        .format(level, "" if found.card.direction == "above" else " rising")
        for level in used(found.card, found.fleet)
    )  # fmt: skip
    inside = Markup('<div class="tune-between" style="clip-path:polygon({})"></div>{}{}').format(
        polygon, _svg(lines), dots
    )
    return _panel(
        "curve",
        "Events per 1,000 landings if the limit stood here",
        "line: events; hatched: from certain to possible",
        ticks,
        inside,
        "Events per 1,000 landings by where a single limit stands; the table beside tells them at the limits",
    )


def _path(x: list[float], y: list[float]) -> str:
    return "L".join(f"{round(a * 10, 1)} {round(b * TALL / 100, 1)}" for a, b in zip(x, y, strict=True))


def _thirds(floor: float, ceiling: float) -> Iterator[float]:
    """1, 3, 10, 30 and so on between two powers of ten."""
    for power in range(math.floor(floor), math.ceil(ceiling) + 1):
        for times in (1, 3):
            if floor <= math.log10(times * 10.0**power) <= ceiling:
                yield times * 10.0**power


def _axis(found: Swept) -> Markup:
    low, high = float(found.sweep.limits[0]), float(found.sweep.limits[-1])
    raw = (high - low) / 7
    power = 10 ** math.floor(math.log10(raw))
    step = next(nice * power for nice in (1, 2, 5, 10) if nice * power >= raw)
    first = math.ceil(low / step - 1e-9)
    ticks = [round(i * step, 9) for i in range(first, int(high / step + 1e-9) + 1)]
    scale = 100 if found.card.unit == "fraction" else 1
    return Markup('<div class="tune-axis">{}</div><p class="tune-unit soft">{}, {}</p>').format(
        marks.joined(
            Markup('<span style="left:{}%">{}</span>').format(_x(found, tick), f"{tick * scale:.6g}".replace("-", "−"))
            for tick in ticks
        ),
        names.measure(found.card.measure).capitalize(),
        (words.sign(found.card.unit).strip() or "number").replace("°", "degrees"),
    )
