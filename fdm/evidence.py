"""The lines of evidence from which origins are argued: one table, by subject."""

from __future__ import annotations

import polars as pl

from fdm.evidence_line import LEVER, NO_LEVERS, RAISED, Line, c, say
from fdm.evidence_power import uneven_power
from fdm.evidence_stopping import stopping, told_elsewhere

ASYMMETRY = ("asymmetric_deployment",)
NOT_OUT = ("asymmetric_deployment", "reverser_not_deployed")
REVERSER = (*NOT_OUT, "slow_transit", "reverser_unstowed_in_air")
SPOILERS = ("late_spoilers", "spoilers_partial")
RETRACTED = ("spoilers_retracted_early",)
POWER = ("slow_high_reverse", "stow_before_idle", "late_reverser_stow")


def _asymmetry() -> tuple[Line, ...]:
    """A pair that did not deploy together, or a reverser that did not deploy at all."""
    together = (c("select_split") <= 1.0) & LEVER
    apart = (c("select_split") > 1.0) & LEVER
    return (
        Line(
            ASYMMETRY,
            apart & (c("select_split") > 0.6 * c("value")),
            say("Reverse lever {} was raised {} s after lever {}.", "engine", "select_split", "other"),
            "crew",
            2.0,
        ),
        Line(
            ASYMMETRY,
            together,
            say("Both reverse levers were raised within {} s of each other.", "select_split"),
            "aircraft",
            1.0,
        ),
        Line(
            NOT_OUT,
            c("transit") > c("other_transit") + 1.0,
            say("Reverser {} took {} s in transit, its mirror {} s.", "engine", "transit", "other_transit"),
            "aircraft",
            1.5,
        ),
        Line(
            ("asymmetric_deployment", "reverser_not_deployed"),
            c("unlocked").is_not_null() & c("deployed").is_null(),
            say("Reverser {} left stowed and never reached deployed: it stayed in transit.", "engine"),
            "aircraft",
            2.0,
        ),
        Line(
            NOT_OUT,
            c("selected").is_not_null() & LEVER & c("unlocked").is_null() & (c("n1_locked") < 5.0),
            say("Lever {} was raised, but the reverser never left stowed and N1 stayed at idle.", "engine"),
            "aircraft",
            2.0,
        ),
        Line(
            NOT_OUT,
            c("n1_locked") > 10.0,
            say(
                "N1 of engine {} rose {} points above idle in reverse while its discrete said not deployed; "
                "the interlock would not allow that.",
                "engine",
                "n1_locked",
            ),
            "recording",
            3.0,
        ),
        Line(
            NOT_OUT,
            LEVER & c("selected").is_null() & c("other_selected").is_not_null(),
            say("Lever {} was not raised; lever {} was.", "engine", "other"),
            "crew",
            2.0,
        ),
    )


def _reverser() -> tuple[Line, ...]:
    """A sleeve's own travel, and reversers out of place."""
    return (
        Line(
            REVERSER,
            c("fault") == 1,
            say("A control-system fault of reverser {} was flagged.", "engine"),
            "aircraft",
            2.0,
        ),
        Line(
            REVERSER,
            c("hydraulic") < 0.7,
            say("Hydraulic pressure on that side fell to {} of what it was before touchdown.", "hydraulic", digits=2),
            "aircraft",
            1.5,
        ),
        Line(
            ("slow_transit",),
            pl.lit(True),
            say("The sleeve's own travel took {} s, whatever the crew did.", "value"),
            "aircraft",
            1.5,
        ),
        Line(
            ("slow_transit",),
            (c("other_transit") + 0.5 < c("transit")),
            say("The other side took {} s.", "other_transit"),
            "aircraft",
            0.5,
        ),
        Line(
            ("reverser_unstowed_in_air",),
            LEVER & (c("selected") < 0),
            say("Reverse lever {} was raised {} s before touchdown.", "engine", "before"),
            "crew",
            2.0,
        ),
        Line(
            ("reverser_unstowed_in_air",),
            LEVER & ~(c("selected") < 0),
            say("Reverse lever {} was down while the reverser read as not stowed.", "engine"),
            "aircraft",
            1.5,
        ),
    )


def _crew() -> tuple[Line, ...]:
    """What the reverse levers did."""
    return (
        Line(("late_reverse",), LEVER, say("The lever itself was raised {} s after touchdown.", "value"), "crew", 2.0),
        Line(
            ("late_reverse",),
            ~LEVER,
            pl.format("{} are not recorded: the time is that of the reverser unlocking.", NO_LEVERS),
            None,
        ),
        Line(
            ("late_reverser_stow",),
            LEVER & (c("cancelled_to_stowed") > 6.0),
            say("Lever {} was back down {} s before the reverser read stowed.", "engine", "cancelled_to_stowed"),
            "aircraft",
            2.0,
        ),
        Line(
            ("late_reverser_stow",),
            RAISED & (c("cancelled").is_null() | (c("before_taxi") <= 0.0)),
            say("The lever stayed in reverse below taxi speed."),
            "crew",
            2.0,
        ),
        Line(
            ("late_reverser_stow",),
            LEVER & (c("before_taxi") > 0.0) & (c("cancelled_to_stowed") <= 6.0),
            say("Lever {} was put down only {} s before taxi speed.", "engine", "before_taxi"),
            "crew",
            1.0,
        ),
        Line(
            ("late_reverser_stow",),
            LEVER & c("cancelled").is_not_null() & c("stowed").is_null(),
            say("Lever {} was put down, but its reverser never read stowed again.", "engine"),
            None,
        ),
        Line(
            (*ASYMMETRY, *POWER, "unequal_reverse_power", "reverser_unstowed_in_air"),
            ~LEVER,
            pl.format("{} are not recorded, so what the crew did cannot be told.", NO_LEVERS),
            None,
        ),
        Line(
            ("slow_high_reverse",),
            RAISED & (c("cancelled").is_null() | (c("before_taxi") <= 0.0)),
            say("Lever {} was still in reverse below taxi speed.", "engine"),
            "crew",
            2.0,
        ),
        Line(("stow_before_idle",), LEVER, say("The lever was put down before the engine had run down."), "crew", 2.0),
        Line(
            ("reverse_then_go_around",),
            pl.lit(True),
            say("Reverse had been selected before the aeroplane was flown again."),
            "crew",
            2.0,
        ),
    )


def _power_and_brakes() -> tuple[Line, ...]:
    """Forward power, brakes, and what nothing speaks against."""
    return (
        Line(
            ("forward_power_with_reverser_out",),
            c("thrust_lever") > 10.0,
            say("A forward thrust lever stood {} deg above its lowest position.", "thrust_lever", digits=0),
            "crew",
            2.0,
        ),
        Line(
            ("late_braking",),
            c("autobrake") == 1,
            say("The autobrake was active, so the brakes are the system's."),
            "aircraft",
            1.0,
        ),
        Line(
            ("late_braking",),
            c("autobrake").is_null(),
            say("Whether the autobrake was active is not recorded."),
            None,
        ),
        Line(
            ("late_braking",),
            c("autobrake") == 0,
            say("The autobrake was not active: the brakes are the crew's."),
            "crew",
            1.5,
        ),
        Line(
            ("autothrottle_in_reverse",),
            pl.lit(True),
            say("Whether the crew or the system was to disengage it is not recorded."),
            None,
        ),
        Line(
            ("bounce", "no_reverse"),
            pl.lit(True),
            say("Seen in the recording; no system clue speaks against it."),
            "crew",
            1.0,
        ),
    )


def _spoiler_arming() -> tuple[Line, ...]:
    """Ground spoilers: armed or not, and whether their sensor is right."""
    return (
        Line(SPOILERS, c("not_armed") == 1, say("The spoilers were not armed at touchdown."), "crew", 2.0),
        Line(SPOILERS, c("not_armed") == 0, say("The spoilers were armed at touchdown."), "aircraft", 1.0),
        Line(
            SPOILERS,
            c("unproven") == 1,
            say("Nothing else recorded, and no other landing, shows that the spoilers' sensor is right."),
            "recording",
            1.0,
        ),
        Line(SPOILERS, c("not_armed").is_null(), say("Whether the spoilers were armed is not recorded."), None),
        Line(
            ("spoilers_not_armed",),
            pl.lit(True),
            say("The armed discrete was off at the last sample before touchdown."),
            "crew",
            2.0,
        ),
    )


_LATE = pl.col("rule") == "late_spoilers"
_SHORT = pl.col("spoilers_moving").is_not_null() & pl.col("spoilers_extended").is_null()  # up, and never extended


def _driven_up(when: str) -> pl.Expr:
    """Spoilers that moved with the first selection of reverse."""
    text = f"They began to move {{}} s {when} on engine {{}}, as when the reverse levers drive them up."
    return pl.format(text, c("reverse_to_spoilers").abs().round(1), c("first"))


def _spoiler_travel() -> tuple[Line, ...]:
    """Ground spoilers: how far they moved, and what moved or held them."""
    return (
        Line(SPOILERS, c("spoilers_moving").is_null(), say("They never moved."), "aircraft", 0.5),
        Line(
            ("late_spoilers",),
            c("spoilers_moving").is_not_null() & c("spoilers_extended").is_null(),
            say(
                "They came up to {} % of their travel only, which does not count as extended.",
                "spoiler_max",
                digits=0,
                scale=100,
            ),
            None,
        ),
        Line(
            SPOILERS,
            c("reverse_to_spoilers").is_between(-0.5, 1.5) & (_LATE | _SHORT),
            pl.when(c("reverse_to_spoilers") < 0)
            .then(_driven_up("before reverse is seen selected"))
            .otherwise(_driven_up("after reverse was selected")),
            "crew",
            0.5,
        ),
        Line(
            SPOILERS,
            c("thrust_lever") > 10.0,
            say(
                "A thrust lever stood {} deg above its idle position after touchdown, which holds spoilers down.",
                "thrust_lever",
                digits=0,
            ),
            "crew",
            2.0,
        ),
        Line(
            SPOILERS,
            (c("handle_max") > 0.9) & (c("spoiler_max") < 0.85) & (_SHORT | ~_LATE),
            say(
                "The handle reached {} % of its travel, the panels only {} %.",
                "handle_max",
                "spoiler_max",
                digits=0,
                scale=100,
            ),
            "aircraft",
            2.0,
        ),
        Line(
            SPOILERS,
            (c("handle_max") <= 0.9) & c("spoilers_moving").is_not_null() & (_SHORT | ~_LATE),
            say("The handle itself only reached {} % of its travel.", "handle_max", digits=0, scale=100),
            "crew",
            1.0,
        ),
    )


def _put_away() -> tuple[Line, ...]:
    """Ground spoilers that went down early: what put them away."""
    put_away = (c("handle_max") > 0.75) & (c("handle_retracted") <= 0.75)
    return (
        Line(
            RETRACTED,
            (c("thrust_lever") > 10.0),
            say("A thrust lever was advanced by {} deg, which stows the spoilers.", "thrust_lever", digits=0),
            "crew",
            2.0,
        ),
        Line(
            RETRACTED,
            put_away & (c("thrust_lever") <= 10.0),
            say("The spoiler handle went down with the thrust levers at idle."),
            "crew",
            1.5,
        ),
        Line(
            RETRACTED,
            put_away & c("thrust_lever").is_null(),
            say("The spoiler handle went down. Thrust levers, which can put it down, are not recorded."),
            None,
        ),
        Line(
            RETRACTED,
            c("handle_retracted") > 0.75,
            say("The spoiler handle was still at {} % of its travel.", "handle_retracted", digits=0, scale=100),
            "aircraft",
            2.0,
        ),
        Line(
            RETRACTED,
            c("handle_max").is_null(),
            say("The spoiler handle is not recorded, so who put the spoilers away cannot be told."),
            None,
        ),
    )


def lines() -> tuple[Line, ...]:
    """Every line of evidence."""
    return (
        *_asymmetry(),
        *_reverser(),
        *_crew(),
        *_power_and_brakes(),
        *_spoiler_arming(),
        *_spoiler_travel(),
        *_put_away(),
        *uneven_power(),
        *stopping(),
        *told_elsewhere(),
    )
