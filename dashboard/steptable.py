"""The steps of a landing in words: what was done at each, when and where, and what was found."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from dashboard import marks, words
from dashboard.steps import At, StepRow


def badge(row: StepRow) -> Markup:
    """The step's number, filled when something was found there; nothing for a milestone."""
    if row.number is None:
        return Markup("")
    return Markup('<span class="{}">{}</span>').format("number found" if row.events else "number", row.number)


def fact(landing: Mapping[str, Any], row: StepRow, *, place: bool = True) -> Markup:
    """When and where a step was done, with bounds, or why that is not known; `place` adds metres past the threshold."""
    at = row.last
    if at is None:
        return Markup('{} <span class="soft">{}</span>').format(marks.HATCH, words.sentence(words.plain(row.missing)))
    if row.step == "touchdown":
        return _touchdown(landing, at, place=place)
    bounds = words.bounds(at.at_s, at.earliest_s, at.latest_s, "s")
    when = Markup('<b>{}</b> <span class="soft">{}</span>').format(words.quantity(at.at_s, "s"), bounds)
    return _told(when, _each_engine(row), _where(at, landing.get("touchdown_distance_m"), place=place))


def _told(first: Markup, *more: str) -> Markup:
    """A fact, then what is known beside it; each on its own line where there is room for lines."""
    return first + marks.joined(Markup('<span class="line soft">{}</span>').format(text) for text in more if text)


def _each_engine(row: StepRow) -> str:
    """When each engine did it; which one, when it was one alone, and which was not seen to."""
    ordered = sorted((at for at in row.times if at.engine), key=lambda at: at.engine or 0)
    if len(ordered) == 1:
        unseen = "".join(f"; engine {engine}: {words.plain(row.missing)}" for engine in row.unseen)
        return f"engine {ordered[0].engine}{unseen or ' alone'}"
    engines = ", ".join(str(at.engine) for at in ordered)
    return f"engines {engines}: {', '.join(words.number(at.at_s, 's') for at in ordered)} s" if ordered else ""


def _where(at: At, touchdown_m: float | None, *, place: bool) -> str:
    """Speed, metres past the threshold, or from touchdown where that is not placed, and runway left."""
    far = ""
    if place and at.distance_m is not None and at.at_s:
        metres = words.quantity(at.distance_m + (touchdown_m or 0.0), "m")
        far = f"{metres} from touchdown" if touchdown_m is None else f"at {metres}"
    parts = (_speed(at.ground_speed_kt), far, _left(at))
    return ", ".join(part for part in parts if part)


def _speed(speed: float | None) -> str:
    return f"at {words.quantity(speed, 'kt')}" if speed is not None else ""


def _left(at: At) -> str:
    left = at.runway_left_m
    return f"{words.quantity(left, 'm')} left" if left is not None and math.isfinite(left) else ""


def _touchdown(landing: Mapping[str, Any], at: At, *, place: bool) -> Markup:
    distance, speed = landing["touchdown_distance_m"], landing["touchdown_ground_speed_kt"]
    doubt = max(abs(landing[f"touchdown_{side}_s"] - landing["touchdown_s"]) for side in ("earliest", "latest"))
    where = f"{words.quantity(distance, 'm')} past the threshold" if distance is not None else "distance not known"
    how = f"known within {words.quantity(doubt, 's')}, by {landing['touchdown_by'] or 'unknown means'}"
    then = ", ".join(part for part in (_speed(speed), _left(at) if place else "") if part)
    return _told(Markup("<b>{}</b>").format(where), then, how)


def found(row: StepRow) -> Markup:
    """What the rules found at a step."""
    return Markup("<br>").join(
        Markup('<a href="#rule-{}" title="{}">{}</a>').format(
            event["rule"], event["title"], marks.severity_words(event["severity"], certain=event["certain"])
        )
        for event in row.events
    )
