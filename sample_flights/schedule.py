"""Which aircraft lands where and when over the eight weeks, and the stories hidden in it for a safety officer to find.

Stories
- QQ-LAF (Tern 200): the reverser of engine 2 moves a little slower every week.
- Korsby 27: the only near exit is early and everybody rushes for it, reverse held below taxi speed.
- QQ-LCD (Curlew 300): from the third week the spoilers, though armed, often wait for the reverse levers.
- QQ-LAK (Tern 200): from week 44 its recorder no longer writes the spoilers-armed discrete.
- QQ-LDC (Dunlin 400): the reverser of engine 3 is out of use in weeks 42 and 43, and the flight list says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from sample_flights import anomalies
from sample_flights.airline import FIRST_DAY, FLEETS, STRIPS, WEEKS, Fleet, Runway, week_of
from sample_flights.plan import NEVER, Plan

SLOWING_TAIL, SLOWING_ENGINE = "QQ-LAF", 2
RUSHED_RUNWAY = ("QQKB", "27")
LAZY_SPOILER_TAIL, LAZY_FROM_WEEK = "QQ-LCD", 2
DEAF_TAIL, DEAF_PARAMETER, DEAF_FROM_WEEK = "QQ-LAK", "spoilers_armed", 4
LOCKED_TAIL, LOCKED_ENGINE, LOCKED_WEEKS = "QQ-LDC", 3, (2, 3)
GO_AROUNDS = ("reverse_then_go_around", "go_around_without_reverse")
HEAVY_STRIPS = ("QQGV", "QQIL")  # too short for the Dunlin 400


@dataclass(frozen=True)
class Flight:
    """One flight of the schedule; `week` counts from 0; start_utc is the recording's first stamp."""

    flight: str
    fleet: Fleet
    tail: str
    start_utc: datetime
    week: int
    departure: str
    runway: Runway
    reversers_out: tuple[int, ...] = ()
    deal: tuple[str, float] | None = None  # anomaly and its strength

    @property
    def iso_week(self) -> str:
        return week_of(self.start_utc)


def flights(landings: int, rng: np.random.Generator) -> list[Flight]:
    """The schedule in order of time."""
    moments = (np.arange(landings) + rng.random(landings)) / landings * WEEKS
    easterly = rng.random((len(STRIPS), WEEKS * 7)) < 0.5
    made = []
    daily: dict[str, int] = {}
    fleets = rng.choice(len(FLEETS), landings, p=[fleet.share for fleet in FLEETS])
    for moment, which in zip(moments, fleets, strict=True):
        fleet = FLEETS[which]
        day, week = int(moment * 7), int(moment)
        start = FIRST_DAY + timedelta(days=day, seconds=float(rng.integers(5 * 3600 * 8, 22 * 3600 * 8)) / 8)
        tail = fleet.tails[rng.integers(len(fleet.tails))]
        strips = [i for i, s in enumerate(STRIPS) if fleet.engines == 2 or s.airport not in HEAVY_STRIPS]
        i = strips[rng.integers(len(strips))]
        runway = STRIPS[i].ends()[0 if easterly[i, day] else 1]
        away = sorted({s.airport for s in STRIPS} - {runway.airport})
        date = f"{start:%Y%m%d}"
        daily[date] = daily.get(date, 0) + 1
        out = (LOCKED_ENGINE,) if tail == LOCKED_TAIL and week in LOCKED_WEEKS else ()
        made.append(
            Flight(
                f"VH{100 + daily[date]}-{date}",
                fleet,
                tail,
                start,
                week,
                away[rng.integers(len(away))],
                runway,
                out,
            )
        )
    free = np.array([not f.reversers_out for f in made])
    dealt = anomalies.allot([f.runway for f in made], free, rng)
    return [replace(f, deal=dealt.get(i)) for i, f in enumerate(made)]


def tell_stories(plan: Plan, listed: list[Flight], rng: np.random.Generator) -> list[list[str]]:
    """Works the stories into a plan of one fleet; returns what was done to each landing."""
    told: list[list[str]] = [[] for _ in listed]
    for i, flight in enumerate(listed):
        plain = flight.deal is None
        if flight.tail == SLOWING_TAIL and plain:
            share = (flight.start_utc - FIRST_DAY) / timedelta(weeks=WEEKS)
            plan.transit_s[SLOWING_ENGINE - 1, i] = 2.0 + 3.4 * share**1.3 + rng.normal(0, 0.12)
            plan.stow_transit_s[SLOWING_ENGINE - 1, i] += 1.2 * share
            told[i].append("slowing_reverser")
        if (flight.runway.airport, flight.runway.ident) == RUSHED_RUNWAY and plain and rng.random() < 0.45:
            _rush(plan, flight.fleet, i, rng)
            told[i].append("rushed_exit")
        if flight.tail == LAZY_SPOILER_TAIL and flight.week >= LAZY_FROM_WEEK and plain and rng.random() < 0.45:
            plan.auto_s[i] = NEVER
            plan.select_s[:, i] += rng.uniform(0.2, 1.6)
            told[i].append("spoilers_wait_for_levers")
        for engine in flight.reversers_out:
            plan.select_s[engine - 1, i] = NEVER
            told[i].append("reverser_out_of_use")
    return told


def _rush(plan: Plan, fleet: Fleet, i: int, rng: np.random.Generator) -> None:
    """Reverse held well above idle until taxi speed and below."""
    plan.target_pct[:, i] = rng.uniform(fleet.idle_pct + 26, fleet.idle_pct + 40)
    plan.reduce_kt[i] = rng.uniform(24, 38)
    plan.stow_kt[i] = rng.uniform(17, 24)
    plan.takeover_kt[i] = rng.uniform(60, 75)
    plan.exit_kt[i] = rng.uniform(10, 14)


def lose_discretes(samples: dict[str, np.ndarray], listed: list[Flight]) -> list[list[str]]:
    """Blank what a recorder no longer writes; returns the fault's name for each landing."""
    lost: list[list[str]] = []
    for i, flight in enumerate(listed):
        deaf = flight.tail == DEAF_TAIL and flight.week >= DEAF_FROM_WEEK
        if deaf:
            samples[DEAF_PARAMETER][i] = -1
        lost.append([f"lost:{DEAF_PARAMETER}"] if deaf else [])
    return lost
