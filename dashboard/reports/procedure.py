"""What is expected at each step of a rollout: the operator's own low limits, in the words of a briefing."""

from __future__ import annotations

from collections.abc import Mapping

from dashboard import names, words
from dashboard.rule_card import RuleCard
from dashboard.steps import StepRow

# step -> the measures whose rules always speak of it, each with its words; {} is the lowest limit of the rule
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
# measure -> the same of a rule that found something at a step that does not always speak of it
OF_FINDING = {
    "deploy_transit_s": "within {} of unlocking",
    "spoiler_extension_max": "at least {} of full travel",
    "spoilers_not_armed": "spoilers armed",
    "reverse_not_used": "reverse used",
    "go_around_after_reverse": "a full stop once reverse is selected",
    "unstowed_in_air_s": "no reverser unstowed for more than {} in the air",
    "reverse_power_split_pct": "N1 of a pair within {} in reverse",
    "autothrottle_in_reverse_s": "autothrottle engaged {} at most",
    "forward_power_with_reverser_out_s": "forward power {} at most",
}


def expected(row: StepRow, rules: Mapping[str, RuleCard], fleet: str | None) -> str:
    """What the rule book always expects at a step, and by the rules of what was found there; nothing where no rule
    speaks of it.
    """
    found = {card.measure: card for event in row.events if (card := rules.get(event["rule"]))}
    by_measure = {card.measure: card for card in rules.values()} | found
    always = EXPECTED.get(row.step, ())
    own = [_limit(by_measure[measure], text, fleet) for measure, text in always if measure in by_measure]
    spoken_of = {measure for measure, _ in always}
    more = [_limit(card, _of_finding(card), fleet) for measure, card in found.items() if measure not in spoken_of]
    said = "; ".join(part for part in (", ".join(part for part in own if part), *more) if part)
    return said[:1].upper() + said[1:]


def _limit(card: RuleCard, text: str, fleet: str | None) -> str:
    """The text with the lowest limit of a rule in it; nothing where the rule has no limit."""
    limits = card.limits_for(fleet)
    lowest = limits.get("low", next(iter(limits.values()), None))
    return "" if lowest is None else text.format(words.quantity(lowest, card.unit))


def _of_finding(card: RuleCard) -> str:
    sense = "at least" if card.direction == "below" else "at most"
    return OF_FINDING.get(card.measure, f"{names.measure(card.measure)} {sense} {{}}")
