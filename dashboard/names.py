"""What recorded parameters, steps, measures and levels are called in front of a pilot."""

from __future__ import annotations

SEVERITY = {"high": "High", "medium": "Medium", "low": "Low", "within": "within limits"}
ORIGIN = {
    "crew": "Crew action",
    "aircraft": "Aircraft system",
    "recording": "Recording",
    "undetermined": "Undetermined",
}
ORIGIN_SHORT = {
    "crew": "Crew",
    "aircraft": "Aircraft",
    "recording": "Recording",
    "undetermined": "Undetermined",
}

# In the order in which a procedure expects them; the number a step carries everywhere is its place in this order.
STEPS = {
    "touchdown": "Main gear touches down",
    "settled": "Main gear stays down",
    "nose_gear": "Nose gear down",
    "spoilers_moving": "Spoilers begin to move",
    "spoilers_extended": "Spoilers up",
    "brakes_on": "Brakes on",
    "reverse_selected": "Reverse selected",
    "unlocked": "Reverser unlocked",
    "deployed": "Reverser deployed",
    "speed_60kt": "60 kt",
    "reverse_idle": "Reverse back to idle",
    "stow_start": "Reverser begins to stow",
    "stowed": "Reverser stowed",
    "taxi_speed": "Taxi speed",
    "spoilers_retracted": "Spoilers down",
    "runway_exit": "Leaves the runway",
    "thrust_forward": "Thrust levers forward",
    "airborne_again": "Airborne again",
}

# The step that a measure is of, for the findings beside each step.
MEASURE_STEP = {
    "spoiler_delay_s": "spoilers_extended",
    "spoiler_delay_first_s": "spoilers_extended",
    "spoiler_start_delay_s": "spoilers_moving",
    "spoiler_extension_max": "spoilers_extended",
    "spoiler_retract_speed_kt": "spoilers_retracted",
    "spoilers_not_armed": "touchdown",
    "reverse_select_delay_s": "reverse_selected",
    "reverse_not_used": "reverse_selected",
    "go_around_after_reverse": "thrust_forward",
    "deploy_delay_s": "deployed",
    "deploy_transit_s": "deployed",
    "deploy_split_s": "deployed",
    "reverse_wait_s": "deployed",
    "one_side_deployed_s": "deployed",
    "reverse_power_split_pct": "deployed",
    "reverse_idle_speed_kt": "reverse_idle",
    "n1_above_idle_below_60kt_pct": "reverse_idle",
    "n1_above_idle_below_taxi_pct": "reverse_idle",
    "high_reverse_below_taxi_s": "reverse_idle",
    "stow_start_speed_kt": "stow_start",
    "n1_above_idle_at_stow_pct": "stow_start",
    "stowed_speed_kt": "stowed",
    "stow_transit_s": "stowed",
    "reverser_out_below_taxi_s": "stowed",
    "unstowed_in_air_s": "touchdown",
    "brake_delay_s": "brakes_on",
    "mean_deceleration_g": "speed_60kt",
    "runway_left_60_m": "speed_60kt",
    "rollout_60_m": "speed_60kt",
    "bounce_airborne_s": "settled",
    "bounces": "settled",
    "heading_excursion_deg": "nose_gear",
}
# Of no step: what lasted, and is told at the step last reached when it began.
LASTING = ("autothrottle_in_reverse_s", "forward_power_with_reverser_out_s")

MEASURES = {
    "spoiler_delay_s": "main gear down for good to spoilers up",
    "reverse_select_delay_s": "touchdown to reverse selected",
    "deploy_transit_s": "reverser unlocked to deployed",
    "reverse_wait_s": "reverse selected to reverser deployed",
    "one_side_deployed_s": "time one reverser of a pair was out and the other not",
    "high_reverse_below_taxi_s": "time above idle reverse below taxi speed",
    "reverser_out_below_taxi_s": "time a reverser was not stowed below taxi speed",
    "n1_above_idle_at_stow_pct": "N1 above idle reverse when the stow began",
    "forward_power_with_reverser_out_s": "time of forward power with a reverser out",
    "reverse_not_used": "landings without reverse",
    "go_around_after_reverse": "going around after reverse was selected",
    "unstowed_in_air_s": "time a reverser was not stowed in the air",
    "reverse_power_split_pct": "mean N1 difference of a pair while both were in reverse",
    "autothrottle_in_reverse_s": "time the autothrottle stayed engaged in reverse",
    "spoilers_not_armed": "spoilers not armed at touchdown",
    "spoiler_extension_max": "highest spoiler extension after touchdown",
    "spoiler_retract_speed_kt": "ground speed when the spoilers were no longer up",
    "brake_delay_s": "touchdown to brakes on",
    "mean_deceleration_g": "mean deceleration, 3 s after touchdown to 60 kt",
    "heading_excursion_deg": "largest heading change on the rollout",
    "bounce_airborne_s": "time airborne again after first contact",
    "runway_left_60_m": "runway ahead at 60 kt",
}

PARAMETERS = {
    "ground_speed": "Ground speed",
    "airspeed": "Airspeed",
    "radio_height": "Radio height",
    "normal_acceleration": "Vertical acceleration",
    "longitudinal_acceleration": "Deceleration",
    "lateral_acceleration": "Sideways acceleration",
    "heading": "Heading",
    "heading_change": "Heading change",
    "main_gear_ground": "Main gear",
    "nose_gear_ground": "Nose gear",
    "spoiler_handle": "Spoiler lever",
    "spoiler_panel": "Spoilers",
    "spoilers_armed": "Spoilers armed",
    "thrust_lever": "Thrust lever",
    "reverse_lever": "Reverse lever",
    "n1": "N1",
    "epr": "EPR",
    "reverser_state": "Reverser",
    "reverser_unlocked": "Reverser unlocked",
    "reverser_deployed": "Reverser deployed",
    "reverser_fault": "Reverser fault",
    "brake_pressure": "Brake pressure",
    "autobrake_active": "Autobrake",
    "autothrottle_engaged": "Autothrottle",
    "rudder": "Rudder",
}

# What the two states of a discrete are called in a ribbon: (off, on).
DISCRETES = {
    "main_gear_ground": ("air", "on ground"),
    "nose_gear_ground": ("air", "on ground"),
    "spoilers_armed": ("not armed", "armed"),
    "reverser_unlocked": ("locked", "unlocked"),
    "reverser_deployed": ("not deployed", "deployed"),
    "reverser_fault": ("none", "fault"),
    "autobrake_active": ("off", "active"),
    "autothrottle_engaged": ("off", "engaged"),
}
STATES = {0: "stowed", 1: "moving", 2: "deployed"}


def parameter(name: str) -> str:
    """ "Reverser 2" for "reverser_state.2"; an unknown name loses its underscores."""
    family, _, suffix = name.partition(".")
    return " ".join(part for part in (PARAMETERS.get(family, family.replace("_", " ").capitalize()), suffix) if part)


def step(name: str, engine: int | None = None) -> str:
    """The step in words, with its engine when it has one."""
    words = STEPS.get(name, name.replace("_", " ").capitalize())
    return f"{words}, engine {engine}" if engine else words


def measure(name: str) -> str:
    """What a measure measures, in words."""
    stem, _, _unit = name.rpartition("_")
    return MEASURES.get(name, (stem or name).replace("_", " "))


VERDICT = {"valid": "Valid", "nuisance": "Nuisance", "false": "False"}
# Reasons offered for a verdict; any other can be written. Common practice, no source.
REASONS = {
    "nuisance": (
        "Limit too tight for this runway or procedure",
        "Brief, and of no consequence",
        "Intended: training, check or test flight",
        "Known defect, already with maintenance",
    ),
    "false": (
        "Sensor, wiring or recorder fault",
        "Sampled too coarsely to tell",
        "Parameter map is wrong",
        "Touchdown or a step was found wrongly",
    ),
}
