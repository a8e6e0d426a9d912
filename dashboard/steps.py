"""The steps of one landing as a reader follows them: numbered in procedure order, with what was found at each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from dashboard import names

MILESTONES = ("speed_60kt", "taxi_speed")
LEFT_BY = {"runway_exit": "off the runway", "airborne_again": "in the air again"}
NOT_SEEN, NOT_DONE = "It did not happen, or was not recorded.", "It did not happen."
EXPECTED = (
    "touchdown",
    "nose_gear",
    "spoilers_extended",
    "brakes_on",
    "reverse_selected",
    "deployed",
    "reverse_idle",
    "stowed",
)


@dataclass(frozen=True)
class At:
    """When and where one engine, or the aeroplane, did a step."""

    engine: int | None
    at_s: float
    earliest_s: float
    latest_s: float
    ground_speed_kt: float | None
    distance_m: float | None
    runway_left_m: float | None


@dataclass(frozen=True)
class StepRow:
    """One step: `number` is None for a milestone; `times` holds one entry, or one per engine, the last of them last.

    unseen     engines that did an earlier step and are not seen to do this one
    missing    why there is no entry, or none of the engines unseen
    """

    step: str
    number: int | None
    times: tuple[At, ...]
    events: tuple[Mapping[str, Any], ...]
    missing: str = ""
    unseen: tuple[int, ...] = ()

    @property
    def title(self) -> str:
        """The step in words; "both reversers" when there are two."""
        engines = len(self.times)
        words = names.STEPS.get(self.step, names.step(self.step))
        if engines > 1 and words.startswith("Reverser "):
            done = words.removeprefix("Reverser ").replace("begins", "begin")
            return f"{'Both' if engines == 2 else 'All'} reversers {done}"
        return words

    @property
    def last(self) -> At | None:
        """The entry that counts: the step is done when its last engine has done it."""
        return self.times[-1] if self.times else None


def step_rows(
    instants: pl.DataFrame, events: Sequence[Mapping[str, Any]], reasons: Mapping[str, str], bounces: int | None
) -> list[StepRow]:
    """Steps in procedure order.

    instants    schemas.INSTANTS of one landing
    events      its events
    reasons     measure -> why it is missing, to say why a step was not found
    bounces     contacts lost; without one, settled contact is touchdown and not told twice
    """
    rows, off_s, engines = [], exit_s(instants), set[int]()
    told = [step for step in names.STEPS if bounces or step != "settled"]
    done = {step: _times(instants, step) for step in told}
    for step in told:
        times = tuple(_off_runway(at) if at.at_s > off_s else at for at in done[step])
        found = tuple(event for event in events if _step_of(event, done) == step)
        if times or found or step in EXPECTED:
            here = {at.engine for at in times if at.engine}
            unseen = tuple(sorted(engines - here)) if here else ()
            otherwise = "not seen" if times else NOT_DONE if found else NOT_SEEN
            missing = "" if times and not unseen else _why(step, reasons, otherwise)
            rows.append(StepRow(step, None, times, found, missing, unseen))
            engines |= here
    return _numbered(rows)


def reasons(measures: pl.DataFrame) -> dict[str, str]:
    """Measure -> why it has no value, of one landing's schemas.MEASURES."""
    found = measures.filter(pl.col("reason").is_not_null()).unique("measure", keep="first", maintain_order=True)
    return dict(found.select("measure", "reason").iter_rows())


def exit_s(instants: pl.DataFrame) -> float:
    """When the runway was left, by its exit or into the air, seconds after touchdown; infinite when not known."""
    return min((at.at_s for step in LEFT_BY for at in _times(instants, step)), default=math.inf)


def _off_runway(at: At) -> At:
    """What was done after the runway was left has no place on it."""
    return replace(at, distance_m=None, runway_left_m=None)


def _step_of(event: Mapping[str, Any], done: Mapping[str, Sequence[At]]) -> str:
    """The step that its measure is of; of what lasted, the one last reached when it began. Touchdown where none is."""
    if event["measure"] in names.LASTING:
        return _last_reached(event["at_s"], done)
    step = names.MEASURE_STEP.get(event["measure"], "touchdown")
    return step if step in done else "touchdown"


def _last_reached(at_s: float | None, done: Mapping[str, Sequence[At]]) -> str:
    """The numbered step that the first engine did last before a time; the earlier in procedure order of two at once."""
    if at_s is None or not at_s >= 0:
        return "touchdown"
    reached = {step: times[0].at_s for step, times in done.items() if times and step not in MILESTONES}
    before = [step for step, first_s in reached.items() if first_s <= at_s]
    return max(before, key=reached.__getitem__, default="touchdown")


def _times(instants: pl.DataFrame, step: str) -> tuple[At, ...]:
    found = instants.filter(pl.col("step") == step, pl.col("at_s").is_finite()).sort("at_s")
    columns = ("engine", "at_s", "earliest_s", "latest_s", "ground_speed_kt", "distance_m", "runway_left_m")
    return tuple(At(*row) for row in found.select(columns).iter_rows())


def _why(step: str, reasons: Mapping[str, str], otherwise: str) -> str:
    """The first reason given by a measure about this step."""
    about = (reasons[measure] for measure, at in names.MEASURE_STEP.items() if at == step and measure in reasons)
    return next(about, otherwise)


def _numbered(rows: Sequence[StepRow]) -> list[StepRow]:
    numbered, n = [], 0
    for row in rows:
        n += row.step not in MILESTONES
        numbered.append(row if row.step in MILESTONES else replace(row, number=n))
    return numbered
