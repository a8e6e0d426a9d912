"""What is expected at each step of a rollout: the operator's own low limits, in the words of a briefing."""

from __future__ import annotations

from collections.abc import Mapping

from dashboard import words
from dashboard.rule_card import RuleCard
from dashboard.steps import StepRow

# step -> the measures whose rules speak of it, each with its words; {} is the lowest limit of the rule
EXPECTED: dict[str, tuple[tuple[str, str], ...]] = {
    "settled": (("bounce_airborne_s", "No bounce of {} or more"),),
    "nose_gear": (("heading_excursion_deg", "Heading held within {}"),),
    "spoilers_extended": (("spoiler_delay_s", "Within {} of settling"),),
    "brakes_on": (("brake_delay_s", "Within {} of touchdown"),),
    "reverse_selected": (("reverse_select_delay_s", "Within {} of touchdown"),),
    "unlocked": (("deploy_transit_s", "Then deployed within {}"),),
    "deployed": (
        ("reverse_wait_s", "Within {} of selection"),
        ("one_side_deployed_s", "a pair within {} of each other"),
    ),
    "speed_60kt": (
        ("mean_deceleration_g", "At {} mean or more"),
        ("runway_left_60_m", "with {} left"),
    ),
    "reverse_idle": (("high_reverse_below_taxi_s", "Not above idle for {} below taxi speed"),),
    "stow_start": (("n1_above_idle_at_stow_pct", "N1 within {} of idle reverse"),),
    "stowed": (("reverser_out_below_taxi_s", "Within {} of taxi speed"),),
    "spoilers_retracted": (("spoiler_retract_speed_kt", "Not above {}"),),
}


def expected(row: StepRow, rules: Mapping[str, RuleCard], fleet: str | None) -> str:
    """What the rule book expects at a step; nothing where no rule speaks of it."""
    by_measure = {card.measure: card for card in rules.values()}
    said = []
    for measure, text in EXPECTED.get(row.step, ()):
        card = by_measure.get(measure)
        limits = card.limits_for(fleet) if card else {}
        if card and limits:
            lowest = limits.get("low", next(iter(limits.values())))
            said.append(text.format(words.quantity(lowest, card.unit)))
    return ", ".join(said)
