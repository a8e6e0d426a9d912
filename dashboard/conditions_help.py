"""The names that a condition may hold, for who writes one."""

from __future__ import annotations

from markupsafe import Markup

from dashboard import marks
from fdm.measures import CATALOGUE
from fdm.schemas import LANDINGS

USUAL = (
    "fleet", "arrival", "runway", "kind", "bounces", "touchdown_ground_speed_kt", "touchdown_airspeed_kt",
    "touchdown_distance_m", "gross_weight_kg", "headwind_kt", "runway_condition_code", "runway_length_m",
    "airport_elevation_ft", "reversers_out",
)  # fmt: skip


def columns_help() -> Markup:
    """The columns of a landing and the measures that a condition may name."""
    others = [name for name in LANDINGS if name not in USUAL]
    single = sorted(name for name, measure in CATALOGUE.items() if not measure.per_engine)
    parts = (("Of the landing", USUAL), ("Measures", single), ("Further columns", others))
    return Markup('<details class="tune-names"><summary>Names that may stand in it</summary>{}</details>').format(
        marks.joined(
            Markup("<p><b>{}</b> {}</p>").format(
                title, Markup(", ").join(Markup("<code>{}</code>").format(n) for n in names)
            )
            for title, names in parts
        )
    )
