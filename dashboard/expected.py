"""What the operator's procedure expects at each step, as the rule book words it, beside what the rules said of it."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal

import polars as pl
from markupsafe import Markup

from dashboard import marks, names, words
from dashboard.rule_card import RuleCard
from dashboard.steps import StepRow

Told = Literal["folded", "whole", "short"]
MOST_TITLES = 3  # of the rules that one reason silences, before they are folded
SAME_S = 0.05  # times that read alike
OF_ENGINE = re.compile(r"engine (\d): ")
WHY_WIDER = "Bounds include the doubt of touchdown."

# The measure whose rule words what is expected at a step; the rules of events found there are added.
MAIN = {
    "settled": "bounce_airborne_s",
    "nose_gear": "heading_excursion_deg",
    "spoilers_extended": "spoiler_delay_s",
    "brakes_on": "brake_delay_s",
    "reverse_selected": "reverse_select_delay_s",
    "unlocked": "deploy_transit_s",
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
    """What was found at a step: its events, else whether its own rule is within limits or could not be assessed. Within
    limits is not said of what never happened; an event that is not among the row's is left to another day.

    outcomes    schemas.OUTCOMES of the landing
    """
    if row.events:
        return events(row, rules)
    own = next((name for name, card in rules.items() if card.measure == MAIN.get(row.step)), None)
    found = outcomes.filter(pl.col("rule") == own).rows(named=True) if own else []
    if found and found[0]["outcome"] == "within":
        return Markup("Within limits") if row.times else Markup("")
    if found and found[0]["outcome"] == "event" and names.MEASURE_STEP.get(MAIN[row.step]) == row.step:
        return Markup('<span class="soft">Not part of this debrief</span>')
    if found and found[0]["outcome"] == "not_assessed" and not _of_most(found[0]["reason"], outcomes):
        why = words.sentence(words.plain(found[0]["reason"] or "reason not known"))
        return Markup('{} Not assessed <span class="line soft">{}</span>').format(marks.HATCH, why)
    return Markup("")


def _of_most(reason: str | None, outcomes: pl.DataFrame) -> bool:
    """Whether the same reason silences most rules of a landing: it is told once, below the steps."""
    same = outcomes.filter(pl.col("outcome") == "not_assessed", pl.col("reason").eq_missing(pl.lit(reason, pl.String)))
    return 2 * same.height > outcomes.height


def silent(outcomes: pl.DataFrame, rules: Mapping[str, RuleCard], told: Told = "folded") -> list[Markup]:
    """Why rules could not be assessed on a landing, and which, a block for each reason, the commonest first.

    outcomes    schemas.OUTCOMES of the landing
    told        how many rules of one reason are told: folded, and open where the screen is printed; the whole list; or
                in short, with how many there are more
    """
    titles: dict[str, list[str]] = defaultdict(list)
    engines: dict[str, set[str]] = defaultdict(set)  # "" where the reason names none
    for row in outcomes.filter(pl.col("outcome") == "not_assessed").iter_rows(named=True):
        if row["rule"] in rules:
            reason = row["reason"] or "reason not known"
            named = OF_ENGINE.match(reason)
            alike = reason[named.end() :] if named else reason
            titles[alike].append(rules[row["rule"]].title)
            engines[alike].add(named[1] if named else "")
    return [
        _silenced(_of_engines(reason, sorted(engines[reason])), found, told)
        for reason, found in sorted(titles.items(), key=lambda item: -len(item[1]))
    ]


def _of_engines(reason: str, engines: Sequence[str]) -> str:
    """ "Engines 1 and 2: …"; the reason alone where some rule gives it for the whole landing."""
    if "" in engines:
        return reason
    *others, last = engines
    return f"engines {', '.join(others)} and {last}: {reason}" if others else f"engine {last}: {reason}"


def _silenced(reason: str, titles: Sequence[str], told: Told) -> Markup:
    most = {"whole": len(titles), "short": MOST_TITLES, "folded": MOST_TITLES + 1}[told]
    first = len(titles) if len(titles) <= most else MOST_TITLES
    rest, left = titles[first:], f"and {len(titles) - first} more"
    said = "; ".join([*titles[:first], left] if rest and told == "short" else titles[:first])
    paragraph = Markup('<p>{} {} <span class="soft">{}.</span></p>').format(
        marks.HATCH, words.sentence(words.plain(reason)), said
    )
    if not rest or told == "short":
        return paragraph
    return paragraph + Markup(
        '<details class="asking on-paper"><summary>{}</summary><p class="soft">{}.</p></details>'
    ).format(left, "; ".join(rest))


def events(row: StepRow, rules: Mapping[str, RuleCard]) -> Markup:
    """Severity with its rule and value, a line for each event of a step; and when it was, where the step was not."""
    return marks.joined(
        Markup("<p>{}{}</p>").format(
            marks.severity_words(event["severity"], certain=event["certain"]),
            marks.joined(
                Markup('<span class="line soft">{}</span>').format(line)
                for line in (_value(event, rules), _elsewhen(event, row), _why_wider(event, row))
                if line
            ),
        )
        for event in row.events
    )


def _why_wider(event: Mapping[str, Any], row: StepRow) -> str:
    """Why a time counted from touchdown has other bounds than the step that ended it, where both are told."""
    said = words.bounds(event["value"], event["lower"], event["upper"], event["unit"])
    same = [at for at in row.times if event["unit"] == "s" and abs(at.at_s - event["value"]) < SAME_S]
    wider = [at for at in same if event["lower"] < at.earliest_s or event["upper"] > at.latest_s]
    return WHY_WIDER if any(said != words.bounds(at.at_s, at.earliest_s, at.latest_s, "s") for at in wider) else ""


def _elsewhen(event: Mapping[str, Any], row: StepRow) -> str:
    """ "at 8.0 s, 103 kt": when something was found, unless that is when the step was done, or only the time from which
    it was looked for.
    """
    at_s = event["at_s"]
    if not at_s or not math.isfinite(at_s) or any(at.earliest_s <= at_s <= at.latest_s for at in row.times):
        return ""
    speed = event["ground_speed_kt"]
    kt = f", {words.quantity(speed, 'kt')}" if speed is not None and math.isfinite(speed) else ""
    return f"at {words.quantity(at_s, 's')}{kt}"


def _value(event: Mapping[str, Any], rules: Mapping[str, RuleCard]) -> str:
    card = rules.get(event["rule"])
    title = event["title"]
    if card is None or card.yes_or_no:
        return title
    return f"{title}, {words.of_event(event)}"


def books(found: Iterable[Mapping[str, Any]]) -> str:
    """The rule books that judged some events."""
    return ", ".join(dict.fromkeys(str(event["rule_book"]) for event in found if event["rule_book"]))
