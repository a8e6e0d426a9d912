"""What the operator's procedure expects at each step, as the rule book words it, beside what the rules said of it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import polars as pl
from markupsafe import Markup

from dashboard import marks, words
from dashboard.rule_card import RuleCard
from dashboard.steps import StepRow

# The measure whose rule words what is expected at a step; the rules of events found there are added.
MAIN = {
    "spoilers_extended": "spoiler_delay_s",
    "brakes_on": "brake_delay_s",
    "reverse_selected": "reverse_select_delay_s",
    "deployed": "one_side_deployed_s",
    "speed_60kt": "runway_left_60_m",
    "reverse_idle": "high_reverse_below_taxi_s",
    "stow_start": "n1_above_idle_at_stow_pct",
    "stowed": "reverser_out_below_taxi_s",
    "spoilers_retracted": "spoiler_retract_speed_kt",
}


def procedures(row: StepRow, rules: Mapping[str, RuleCard]) -> list[str]:
    """Each procedure that speaks of a step, once: of the events found there, else of the step's own rule."""
    titles = {name: card.title for name, card in rules.items()}
    found = [rules[event["rule"]] for event in row.events if event["rule"] in rules]
    cards = found or [card for card in rules.values() if card.measure == MAIN.get(row.step)]
    return list(dict.fromkeys(words.plain(card.procedure, titles) for card in cards if card.procedure))


def said(row: StepRow, rules: Mapping[str, RuleCard], outcomes: pl.DataFrame) -> Markup:
    """What was found at a step: its events, else whether its own rule is within limits or could not be assessed.

    outcomes    schemas.OUTCOMES of the landing
    """
    if row.events:
        return events(row.events, rules)
    own = next((name for name, card in rules.items() if card.measure == MAIN.get(row.step)), None)
    found = outcomes.filter(pl.col("rule") == own).rows(named=True) if own else []
    if found and found[0]["outcome"] == "within":
        return Markup("Within limits")
    if found and found[0]["outcome"] == "not_assessed":
        why = words.sentence(words.plain(found[0]["reason"] or "reason not known"))
        return Markup('{} Not assessed <span class="line soft">{}</span>').format(marks.HATCH, why)
    return Markup("")


def events(found: Sequence[Mapping[str, Any]], rules: Mapping[str, RuleCard]) -> Markup:
    """Severity with its rule and value, a line for each event."""
    return marks.joined(
        Markup('<p>{}<span class="line soft">{}</span></p>').format(
            marks.severity_words(event["severity"], certain=event["certain"]), _value(event, rules)
        )
        for event in found
    )


def _value(event: Mapping[str, Any], rules: Mapping[str, RuleCard]) -> str:
    card = rules.get(event["rule"])
    title = event["title"]
    if card is None or card.yes_or_no:
        return title
    return f"{title}, {words.bounded(event['value'], event['lower'], event['upper'], event['unit'])}"


def books(found: Iterable[Mapping[str, Any]]) -> str:
    """The rule books that judged some events."""
    return ", ".join(dict.fromkeys(str(event["rule_book"]) for event in found if event["rule_book"]))
