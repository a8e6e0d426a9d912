"""One landing, told step by step: the finding, the runway, the steps, the traces, and what each rule said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import polars as pl
from dash import Dash, Input, Output, dcc, html
from markupsafe import Markup

from dashboard import marks, names, rollouts, runway, steptable, stopping, words
from dashboard.access import open_to
from dashboard.elements import Block
from dashboard.pages.frame import message, paint, traces
from dashboard.query import parse
from dashboard.rule_card import RuleCard
from dashboard.scale import places
from dashboard.steps import StepRow, reasons, step_rows
from dashboard.store import Store
from fdm.people.roles import ANALYST, OFFICER


def layout(store: Store, landing_id: str, search: str) -> html.Div:
    """The page of one landing; its traces follow."""
    landing = store.landing(landing_id)
    if landing is None:
        return message(store.why_not(landing_id), "/landings", "All landings")
    events = list(store.events_of(landing_id).iter_rows(named=True))
    measures = store.measures_of(landing_id)
    rows = step_rows(store.instants_of(landing_id), events, reasons(measures), landing["bounces"])
    week = landing["week"] or ""
    return html.Div(
        [
            dcc.Store(id="landing-asked", data={"landing": landing_id, "search": search}),
            Block("landing-head", head(store, landing, events, week, parse(search).event), "landing-head"),
            Block(
                "landing-runway",
                runway.drawing(rows, landing["runway_length_m"], landing["touchdown_distance_m"]),
                "runway-frame",
            ),
            html.Div(
                [
                    Block("landing-steps", steps_table(landing, rows), "column"),
                    html.Section(
                        [Block("rollout-head", _rollout_head()), *traces("rollout-traces", "Traces of the rollout")],
                        className="column",
                    ),
                    Block(
                        "landing-rules",
                        rules_said(store, landing, events, measures) + margin(landing, measures) + recording(landing),
                        "column",
                    ),
                ],
                className="columns",
            ),
        ],
        className="landing-page",
    )


def register(app: Dash, store: Store) -> None:
    """Callbacks of the page."""

    @app.callback(Output("rollout-traces-figure", "data"), Input("landing-asked", "data"))
    @open_to(OFFICER, ANALYST)
    def show_traces(asked: Mapping[str, str] | None) -> dict[str, Any] | None:
        return figure(store, asked["landing"], parse(asked["search"]).event) if asked else None

    paint(app, "rollout-traces")


def figure(store: Store, landing_id: str, event_id: str = "") -> dict[str, Any] | None:
    """The rollout's traces with its findings; the cursor is at the event asked for, else the worst, else touchdown."""
    landing = store.landing(landing_id)
    if landing is None:
        return None
    events = list(store.events_of(landing_id).iter_rows(named=True))
    events.sort(key=lambda event: event["event_id"] != event_id)
    return rollouts.figure(
        landing, events, store.instants_of(landing_id), store.held().rules, store.traces_of(landing_id)
    )


def _rollout_head() -> Markup:
    return Markup(
        '<h2><b>Rollout</b> <span class="soft">dots are samples; what is hatched is not known</span></h2>'
        '<p class="soft no-print">Arrow keys move the cursor, digits go to a step, dragging looks closer.</p>'
    )


def head(
    store: Store, landing: Mapping[str, Any], events: Sequence[Mapping[str, Any]], week: str, event_id: str
) -> Markup:
    """Title, what is known of the flight, and the finding in one sentence."""
    back, to = f"/?week={week}" + (f"&event={event_id}" if event_id else ""), "Back to the week"
    if week:
        to = f"Back to {words.week_name(week).lower()}"
    if store.held().least:
        back, to = "/landings", "All landings"
    return Markup(
        '<p class="crumb no-print"><a href="{}">{}</a><span class="spring"></span>{}'
        '<button type="button" data-print>Print</button></p><h1>{}</h1><p class="subject">{}</p>'
        '<p class="finding">{}</p>'
    ).format(
        back,
        to,
        _to_debrief(store, landing["landing_id"]),
        f"Landing at {landing['place'] or 'an unknown runway'}",
        subject(landing),
        marks.unbroken(finding(store, landing, events)),
    )


def _to_debrief(store: Store, landing_id: str) -> Markup:
    """The way to the same landing as the captain reads it, where it was released and the viewer may go there."""
    if landing_id not in store.released()["landing_id"]:
        return Markup("")
    return Markup('<a href="/debrief/{}">Debrief</a>').format(landing_id)


def subject(landing: Mapping[str, Any]) -> str:
    """What is known of the flight from outside its recording, and of the landing as a whole."""
    wind, weight, speed = landing["headwind_kt"], landing["gross_weight_kg"], landing["touchdown_ground_speed_kt"]
    length, condition = landing["runway_length_m"], landing["runway_condition_code"]
    return ", ".join(
        part
        for part in (
            landing["tail"],
            landing["fleet"],
            _flight(landing["flight"]),
            f"from {landing['departure']}" if landing["departure"] else "",
            _when(landing),
            runway.length_in_words(length, landing["runway_displaced_m"]),
            f"condition code {condition}" if condition is not None else "",
            f"{weight / 1000:.1f} t" if weight else "",
            words.headwind(wind),
            f"{words.quantity(speed, 'kt')} ground speed at touchdown" if speed is not None else "",
        )
        if part
    )


def _flight(flight: str | None) -> str:
    return f"{'' if (flight or '').startswith('Flight ') else 'flight '}{flight}" if flight else ""


def _when(landing: Mapping[str, Any]) -> str:
    month = None if landing["touchdown_utc"] else words.touched_down(landing)
    return month or words.moment(landing["touchdown_utc"])


def finding(store: Store, landing: Mapping[str, Any], events: Sequence[Mapping[str, Any]]) -> str:
    """What this landing comes to."""
    if not events:
        if landing["kind"] == "go_around":
            return "The aeroplane flew again, so this was not judged as a rollout."
        missing = landing["judged"] - landing["assessed"]
        tail = f"; {words.count(missing, 'rule')} could not be assessed" if missing else ""
        assessed = f"{landing['assessed']} of {words.count(landing['judged'], 'rule')}"
        return f"No event: {assessed} assessed and within limits{tail}."
    worst = events[0]
    card = store.held().rules.get(worst["rule"])
    said = words.finding(
        worst,
        card.title if card else worst["rule"],
        card.direction if card else "above",
        yes_or_no=bool(card and card.yes_or_no),
    )
    others = [event["title"] for event in events[1:]]
    if not others:
        return said
    return f"{said} Also: {'; '.join(title[0].lower() + title[1:] for title in others)}."


# --- steps -------------------------------------------------------------------------------------------------------


def steps_table(landing: Mapping[str, Any], rows: Sequence[StepRow]) -> Markup:
    """Each step with its time, bounds, speed and place, and what was found there."""
    body = marks.joined(
        Markup('<tr{}><td class="number">{}</td><td>{}</td><td>{}</td><td>{}</td></tr>').format(
            Markup(' class="milestone-row"') if row.number is None else "",
            steptable.badge(row),
            row.title,
            steptable.fact(landing, row),
            steptable.found(row),
        )
        for row in rows
    )
    return Markup(
        '<h2><b>Steps</b> <span class="soft">numbered in procedure order; times after touchdown, metres past the '
        "threshold</span></h2>"
        '<table class="steps"><thead><tr>'
        '<th><span class="spoken">Number</span></th><th>Step</th><th>Fact (bounds)</th><th>Finding</th></tr>'
        "</thead><tbody>{}</tbody></table>"
    ).format(body)


# --- rules ---------------------------------------------------------------------------------------------------------


def rules_said(
    store: Store, landing: Mapping[str, Any], events: Sequence[Mapping[str, Any]], measures: pl.DataFrame
) -> Markup:
    """What each rule said: events first, then not assessed with reasons, then within limits."""
    rules = store.held().rules
    outcomes = {row["rule"]: row for row in store.outcomes_of(landing["landing_id"]).iter_rows(named=True)}
    silent = sorted((rules[name] for name in outcomes if name in rules), key=lambda card: card.title)
    missing = [card for card in silent if outcomes[card.name]["outcome"] == "not_assessed"]
    within = [card for card in silent if outcomes[card.name]["outcome"] == "within"]
    return Markup(
        '<h2><b>What each rule said</b> <span class="soft">{} of {} assessed</span></h2>'
        '<div class="said"><span class="limit-heads" aria-hidden="true"><i>low</i><i>med</i><i>high</i>'
        "</span>{}{}{}</div>"
    ).format(
        landing["assessed"],
        words.count(landing["judged"], "rule"),
        marks.joined(_said_event(store, event, rules.get(event["rule"])) for event in events),
        marks.joined(_said_missing(cards, reason) for reason, cards in _by_reason(missing, outcomes).items()),
        marks.joined(_said_within(card, landing, measures) for card in within),
    )


def _by_reason(
    cards: Sequence[RuleCard], outcomes: Mapping[str, Mapping[str, str | None]]
) -> dict[str, list[RuleCard]]:
    found: dict[str, list[RuleCard]] = {}
    for card in cards:
        found.setdefault(outcomes[card.name]["reason"] or "reason not known", []).append(card)
    return found


def _said_event(store: Store, event: Mapping[str, Any], card: RuleCard | None) -> Markup:
    levels = [] if card is None or card.yes_or_no else marks.drawn_levels(card.limits_for(event["fleet"]))
    return _said(
        event["rule"],
        Markup("{} <b>{}</b>").format(marks.severity(event["severity"], certain=event["certain"]), event["title"]),
        Markup("yes") if card and card.yes_or_no else _value(event, event["unit"]),
        marks.limit_column(event["at"], event["at_lower"], event["at_upper"], levels) if levels else Markup(""),
        f"{names.SEVERITY[event['severity']]}, {words.standing(event)}",
        words.cost(store.cost_of(event["event_id"])),
    )


def _said_missing(cards: Sequence[RuleCard], reason: str) -> Markup:
    """Rules that could not be assessed for one reason: the reason once, and each rule's title."""
    titles = Markup("; ").join(
        Markup('<a id="rule-{0}" class="said-title" href="/rules/{0}">{1}</a>').format(card.name, card.title)
        for card in cards
    )
    return Markup('<div class="said-missing"><p>{} <b>Not assessed.</b> {}</p><p class="soft">{}</p></div>').format(
        marks.HATCH, words.sentence(words.plain(reason)), titles
    )


def _said_within(card: RuleCard, landing: Mapping[str, Any], measures: pl.DataFrame) -> Markup:
    worst = worst_of(measures, card)
    if worst is None or card.yes_or_no:
        return _said(
            card.name, Markup("{}").format(card.title), Markup("no") if card.yes_or_no else Markup(""), Markup(""), ""
        )
    limits = card.limits_for(landing["fleet"])
    bounds = pl.Series([worst["value"], worst["lower"], worst["upper"]], dtype=pl.Float64).to_numpy()
    at, lower, upper = places(bounds, limits, card.direction).tolist()
    column = marks.limit_column(at, lower, upper, marks.drawn_levels(limits))
    return _said(card.name, Markup("{}").format(card.title), _value(worst, worst["unit"]), column, "")


def worst_of(measures: pl.DataFrame, card: RuleCard) -> dict[str, Any] | None:
    """The engine's value that comes nearest to the rule's limits."""
    found = measures.filter(pl.col("measure") == card.measure, pl.col("value").is_finite())
    ordered = found.sort("value", descending=card.direction == "above")
    return ordered.row(0, named=True) if ordered.height else None


def _value(row: Mapping[str, Any], unit: str) -> Markup:
    return Markup('<b>{}</b> <span class="soft">{}</span>').format(
        words.quantity(row["value"], unit), words.bounds(row["value"], row["lower"], row["upper"], unit)
    )


def _said(rule: str, title: Markup, value: Markup, column: Markup, *notes: str) -> Markup:
    more = marks.joined(Markup('<p class="soft">{}</p>').format(note) for note in notes if note)
    return Markup(
        '<div class="said-row" id="rule-{0}"><a class="said-title" href="/rules/{0}">{1}</a>'
        '<span class="said-value">{2}</span>'
        '<span class="said-limits">{3}</span>{4}</div>'
    ).format(rule, title, value, column, more)


def margin(landing: Mapping[str, Any], measures: pl.DataFrame) -> Markup:
    """The runway that was left, and what would have become of it."""
    return Markup('<h2 class="later"><b>Stopping margin</b></h2>{}<p class="soft small">{}</p>').format(
        stopping.block(landing, measures), stopping.SOURCES
    )


def recording(landing: Mapping[str, Any]) -> Markup:
    """How well the landing was recorded."""
    faults = [words.sentence(words.plain(fault)) for fault in landing["quality"] or []] or ["No fault was noticed."]
    return Markup(
        '<h2 class="later"><b>Recording</b> <span class="soft">{}</span></h2><ul class="plain">{}</ul>'
    ).format(landing["recorder"] or "", marks.joined(Markup("<li>{}</li>").format(fault) for fault in faults))
