"""Lines of evidence on runway left and deceleration, and what other events of the same landing explain."""

from __future__ import annotations

import polars as pl

from fdm.evidence_line import Line, c, metres, say
from fdm.rolling import POSITION_DOUBT_M
from fdm.units import M_PER_FT

# The touchdown zone is the first 3,000 ft from the threshold (FAA, Pilot/Controller Glossary).
TOUCHDOWN_ZONE_M = 3000 * M_PER_FT
LATE_DEVICES = {
    "late_spoilers": "The ground spoilers were late on this landing.",
    "late_reverse": "Reverse was selected late on this landing.",
    "no_reverse": "Reverse was not used on this landing.",
    "late_braking": "The brakes came on late on this landing.",
}
UNEVEN = {
    "asymmetric_deployment": "The reversers did not deploy together on this landing.",
    "unequal_reverse_power": "Reverse power was unequal on this landing.",
}
SLOW = {"low_deceleration": "Deceleration was low on this landing."}
TOLD_ELSEWHERE = LATE_DEVICES | UNEVEN | SLOW  # what an event of the same landing says of another one


def stopping() -> tuple[Line, ...]:
    """Little runway left: a touchdown far along it. Little deceleration: the brakes' and reverse's part in it."""
    low = ("low_deceleration",)
    return (
        Line(
            ("short_runway_left",),
            c("touchdown_m") > TOUCHDOWN_ZONE_M + POSITION_DOUBT_M,
            pl.format("Touchdown was {} m past the threshold, beyond the touchdown zone.", metres("touchdown_m")),
            "crew",
            1.0,
        ),
        Line(low, c("all_kept_at_idle") == 1, say("Reverse was kept at idle."), None),
        Line(low, c("autobrake") == 0, say("The autobrake was not active: the brakes are the crew's."), "crew", 1.0),
        Line(low, c("autobrake") == 1, say("The autobrake was active; its setting is not recorded."), None),
        Line(low, c("autobrake").is_null(), say("Whether the autobrake was active is not recorded."), None),
    )


def told_elsewhere() -> tuple[Line, ...]:
    """What other events of the same landing explain, without saying again whose doing they were."""
    explained = {
        "short_runway_left": LATE_DEVICES | SLOW,
        "low_deceleration": LATE_DEVICES,
        "heading_excursion": UNEVEN,
        "unequal_reverse_power": {"asymmetric_deployment": UNEVEN["asymmetric_deployment"]},
    }
    return tuple(
        Line((rule,), c(cause), say(says), None) for rule, causes in explained.items() for cause, says in causes.items()
    )
