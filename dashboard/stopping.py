"""The stopping margin of a landing: the runway that was left, and where it would have ended, beside the factors."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl
from markupsafe import Markup

from dashboard import marks, words
from fdm.stopping import FACTORS

LABELS = {
    "runway_left_60_m": "Runway left at 60 kt",
    "runway_left_taxi_m": "Runway left at taxi speed",
    "deceleration_first_10s_g": "Deceleration, first 10 s",
    "overrun_speed_first_10s_kt": "At that rate to the end",
    "landing_distance_factor": "Runway available over used",
    "room_by_condition_code_m": "By condition code",
}
SOURCES = (
    "Factors: "
    + "; ".join(
        f"{factor.value:.2f} {factor.applies.partition(',')[0]} ({factor.source})" for factor in FACTORS.values()
    )
    + ". They are of the manual's distances to a full stop. Wheel braking by condition code: AC 25-32 table 2, wet "
    "friction 14 CFR 25.109(c)."
)


def block(landing: Mapping[str, Any], measures: pl.DataFrame) -> Markup:
    """The margin as a table, which SOURCES goes with; one sentence when none of it is known."""
    found = {row["measure"]: row for row in measures.iter_rows(named=True) if row["measure"] in LABELS}
    known = [name for name in LABELS if name in found and found[name]["value"] is not None]
    if not any(name.startswith("runway_left") or name == "landing_distance_factor" for name in known):
        why = next(
            (row["reason"] for name, row in found.items() if name.startswith("runway_left") and row["reason"]), ""
        )
        return Markup('<p class="soft">{}</p>').format(
            words.sentence("The runway that was left is not known" + (f": {words.plain(why)}" if why else ""))
        )
    rows = marks.joined(_row(found[name], landing) for name in known)
    return Markup('<table class="stopping">{}</table>').format(rows)


def _row(row: Mapping[str, Any], landing: Mapping[str, Any]) -> Markup:
    name, unit = row["measure"], row["unit"]
    value = Markup('<b>{}</b> <span class="soft">{}</span>').format(
        words.quantity(row["value"], unit), words.bounds(row["value"], row["lower"], row["upper"], unit)
    )
    if name == "overrun_speed_first_10s_kt":
        value = _overrun(row)
    if name == "room_by_condition_code_m":
        label = f"{LABELS[name]} {landing['runway_condition_code']}"
        return Markup("<tr><td>{}</td><td>{}</td></tr>").format(label, _by_condition(row))
    note = f"held against {FACTORS['arrival'].value:.2f} at arrival, {FACTORS['dry'].value:.2f} in planning"
    more = Markup(' <span class="soft">{}</span>').format(note) if name == "landing_distance_factor" else Markup("")
    return Markup("<tr><td>{}</td><td>{}{}</td></tr>").format(LABELS[name], value, more)


def _overrun(row: Mapping[str, Any]) -> Markup:
    """What would have become of it, with the deceleration of the first ten seconds to the end."""
    if row["upper"] <= 0:
        return Markup("<b>stopped on the runway</b>")
    if row["value"] <= 0:
        return Markup(
            '<b>stopped on the runway</b> <span class="soft">(at the upper bound {} at its end)</span>'
        ).format(words.quantity(row["upper"], "kt"))
    return Markup('<b>{}</b> <span class="soft">{} at the runway\'s end</span>').format(
        words.quantity(row["value"], "kt"), words.bounds(row["value"], row["lower"], row["upper"], "kt")
    )


def _by_condition(row: Mapping[str, Any]) -> Markup:
    bounds = words.bounds(row["value"], row["lower"], row["upper"], "m")
    short = row["value"] < 0
    return Markup('<b>{}</b> <span class="soft">{} {}, braking alone from 60 kt</span>').format(
        words.quantity(abs(row["value"]), "m"), "" if short else bounds, "too short" if short else "to spare"
    )
