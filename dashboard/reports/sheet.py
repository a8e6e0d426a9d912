"""The sheet of one landing, for the debrief: two pages of A4."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from dashboard import expected as expected_words
from dashboard import figures, marks, names, runway, steptable, stopping, words
from dashboard.chart_marks import Finding, Step
from dashboard.panels import panels
from dashboard.reports import costbars, standing, strips
from dashboard.reports.paper import CAUTION, WIDTH_PX, Sheet, document, heading
from dashboard.reports.procedure import expected
from dashboard.reports.room import (
    BODY_PX,
    FINDING,
    HEADING_PX,
    LINE_PX,
    ROW_LINE_PX,
    ROW_SPARE_PX,
    SMALL,
    TITLE,
    drawing_px,
    fitting,
    row_px,
    text_px,
)
from dashboard.reports.subject import Subject
from dashboard.rollouts import end_s, start_s
from dashboard.steps import StepRow, step_rows
from dashboard.store import SIGNS
from dashboard.timeaxis import TimeAxis

PANELS = ("ground_speed", "deceleration", "spoilers", "reverser", "power", "brakes")
MOST_FINDINGS, MOST_EVIDENCE, MOST_COSTS, FEWEST_NOTES, MOST_FAULTS = 4, 3, 3, 3, 2
COLUMN_PX, NOTE_PX = 322, 30.5  # a line to write on is 8 mm
SHORTEST_S, LONGEST_S = 12.0, 90.0


def sheet(of: Subject) -> str:
    """The sheet as one HTML file."""
    rows = step_rows(of.instants, of.events, _reasons(of), of.landing["bounces"])
    left = Markup("<b>Rollout Watch</b> sheet of one landing")
    right = f"Landing {of.name if of.named else of.name[:SIGNS]}"  # as the page calls it; the whole is in the foot
    hidden = "" if of.named else "Crew, aircraft, airfield and date hidden. "
    part = "Findings released to debriefing alone. " if of.partly else ""
    foot = f"Landing {of.name}. {hidden}{part}Limits: {of.rule_book}."
    bodies = [_first(of, rows), _second(of, rows)]
    return document(f"Landing {of.name}", [Sheet(left, right, body, foot) for body in bodies])


# first page ------------------------------------------------------------------------------------------------------

NAME_PX, EXPECTED_PX, FACT_PX = 118, 160, 248  # what is left for text
WORTH_TELLING_M = 25.0  # below it a cost is ordinary scatter between crews
LEGEND = (
    "Bounds are the earliest and latest time, or lowest and highest value, that the samples allow; those of findings "
    "include the doubt of touchdown. “Possible”: the bounds touch the limit. " + CAUTION
)


def _first(of: Subject, rows: Sequence[StepRow]) -> Markup:
    landing, said = of.landing, lead(of)
    strip = runway.on_paper(rows, landing["runway_length_m"], landing["touchdown_distance_m"])
    table, table_px = steps_table(of, rows)
    used = text_px(title(of), WIDTH_PX, TITLE) + text_px(said, WIDTH_PX, FINDING) + text_px(LEGEND, WIDTH_PX, SMALL)
    used += drawing_px(strip) + table_px + 2 * HEADING_PX + 2 * LINE_PX
    told = origins(of)
    kept = fitting(told, BODY_PX - used, WIDTH_PX)
    more = f"{len(told) - len(kept)} more on the screen" if len(kept) < len(told) else ""
    return Markup(
        '<h1>{}</h1><p class="finding">{}</p><p class="subject">{}</p>{}{}{}{}{}<p class="small">{}</p>'
    ).format(
        title(of),
        unbroken(said),
        conditions(of),
        strip,
        heading("Procedure beside fact", "numbered in procedure order; times after touchdown"),
        table,
        heading("Likely origin", more) if told else "",
        marks.joined(kept),
        LEGEND,
    )


def unbroken(text: str) -> str:
    """The same sentence, in which a line never ends between a number and its unit, or within bounds."""
    return re.sub(r"(?<=\d)–(?=\d)", "\u2060–\u2060", marks.unbroken(text))


def title(of: Subject) -> str:
    """What the landing comes to, in a few words."""
    if not of.events:
        return "Flew again" if of.landing["kind"] == "go_around" else "Nothing past its limits"
    titles = list(dict.fromkeys(event["title"] for event in of.events))
    said = [titles[0], *(t[0].lower() + t[1:] for t in titles[1:2])]
    more = f", and {words.count(len(titles) - 2, 'other finding')}" if len(titles) > 2 else ""
    return "; ".join(said) + more


def lead(of: Subject) -> str:
    """The finding, what it cost, and the runway that remained."""
    sentences = [_finding(of, event) for event in of.events[:2]]
    if not of.events:
        assessed = f"{of.landing['assessed']} of {words.count(of.landing['judged'], 'rule')}"
        sentences = [f"{assessed} could be assessed, and found nothing past its limit."]
    told = [(event, of.costs[event["event_id"]]) for event in of.events if event["event_id"] in of.costs]
    if told and (told[0][1]["extra_m"] or 0) >= WORTH_TELLING_M:
        sentences.append(f"{told[0][0]['title']}: {_lowered(words.cost(told[0][1]))}")
    left = _measure(of, "runway_left_60_m")
    if left and all(event["measure"] != "runway_left_60_m" for event in of.events[:2]):
        said = words.bounded(left["value"], left["lower"], left["upper"], "m")
        sentences.append(f"{said} of runway remained at 60 kt.")
    return " ".join(sentences)


def _lowered(text: str) -> str:
    return text[:1].lower() + text[1:]


def _finding(of: Subject, event: Mapping[str, Any]) -> str:
    card = of.rules.get(event["rule"])
    direction = card.direction if card else "above"
    return words.finding(event, event["title"], direction, yes_or_no=bool(card and card.yes_or_no))


def conditions(of: Subject) -> str:
    """Type, runway, wind and weight; aircraft, flight, place and time where they may stand here."""
    landing = of.landing
    weight, code = landing["gross_weight_kg"], landing["runway_condition_code"]
    length, flight = landing["runway_length_m"], landing["flight"]
    named = [
        landing["tail"],
        f"flight {flight}" if flight else "",
        landing["place"],
        words.moment(landing["touchdown_utc"]),
    ]
    parts = [
        landing["fleet"],
        *(named if of.named else []),
        f"{words.quantity(length, 'm')} runway" if length else "",
        f"condition code {code}" if code is not None else "",
        words.headwind(landing["headwind_kt"]),
        f"{weight / 1000:.1f} t" if weight else "",
    ]
    return ", ".join(part for part in parts if part)


def steps_table(of: Subject, rows: Sequence[StepRow]) -> tuple[Markup, float]:
    """Each step: what is expected, what was done with its bounds, and what was found; and the height of it all."""
    body, height = [], LINE_PX
    for row in rows:
        wanted, found = expected(row, of.rules, of.landing["fleet"]), _found(row)
        fact = steptable.fact(of.landing, row, place=False)
        name = Markup("<b>{}</b>").format(row.title) if row.number else row.title
        body.append(
            Markup('<tr><td>{}</td><td>{}</td><td class="soft">{}</td><td>{}</td><td>{}</td></tr>').format(
                steptable.badge(row), name, wanted, fact, found
            )
        )
        marks_px = ROW_LINE_PX * (found.count("<br>") + 1) + ROW_SPARE_PX
        height += max(row_px([(row.title, NAME_PX), (wanted, EXPECTED_PX), (fact, FACT_PX)]), marks_px)
    widths = marks.joined(Markup('<col style="width:{}">').format(w) for w in ("7mm", "35mm", "45mm", "70mm", "23mm"))
    return Markup(
        "<table><colgroup>{}</colgroup><thead><tr><th></th><th>Step</th><th>Expected</th><th>Fact (bounds)</th>"
        "<th>Finding</th></tr></thead><tbody>{}</tbody></table>"
    ).format(widths, marks.joined(body)), height


def _found(row: StepRow) -> Markup:
    worst = {event["rule"]: event for event in reversed(row.events)}
    return Markup("<br>").join(
        marks.severity_words(event["severity"], certain=event["certain"]) for event in reversed(worst.values())
    )


def origins(of: Subject) -> list[Markup]:
    """Where each finding most likely comes from, with the evidence; findings with the same evidence stand together."""
    alike: dict[tuple[object, ...], list[str]] = {}
    for event in of.events:
        key = (event["origin"], event["origin_confidence"], *(event["evidence"] or [])[:MOST_EVIDENCE])
        alike.setdefault(key, []).append(event["title"])
    said = []
    for (where, confidence, *evidence), titles in alike.items():
        said.append(
            Markup("<p>{} <b>{}:</b> {}{}. {}</p>").format(
                marks.origin(str(where), str(confidence)),
                "; ".join(dict.fromkeys(titles)),
                names.ORIGIN.get(str(where), str(where)).lower(),
                ", possibly" if confidence == "possible" else "",
                words.evidence(evidence),
            )
        )
    return said


# second page -----------------------------------------------------------------------------------------------------


def _second(of: Subject, rows: Sequence[StepRow]) -> Markup:
    limits = {card.measure: card.limits_for(of.landing["fleet"]) for card in of.rules.values() if not card.yes_or_no}
    places = standing.places(of.measures, of.fleet, limits)
    drawn = traces(of, rows)
    above = [heading("Rollout", "dots are samples; hatching is the time between two samples"), drawn]
    used = HEADING_PX + drawing_px(drawn)
    if places:
        half = -(-len(places) // 2)
        among = f"among {_numbers(places)} landings of the type; right: percentile (bounds)"
        columns = Markup('<div class="two"><div>{}</div><div>{}</div></div>').format(
            standing.drawing(places[:half]), standing.drawing(places[half:])
        )
        above += [heading("Where it stands", among), columns]
        used += HEADING_PX + half * standing.ROW_PX
    sources = Markup('<p class="small sources">{}</p>').format(stopping.SOURCES)
    used += text_px(stopping.SOURCES, WIDTH_PX, SMALL) + LINE_PX
    return marks.joined([*above, _two_columns(of, BODY_PX - used), sources])


def _numbers(places: Sequence[standing.Place]) -> str:
    """1,187 to 1,201: of how many landings the distributions are."""
    fewest, most = (f"{pick(len(place.values) for place in places):,}" for pick in (min, max))
    return fewest if fewest == most else f"{fewest} to {most}"


def _two_columns(of: Subject, room_px: float) -> Markup:
    """Stopping margin on the left; costs, faults and what was not assessed on the right, and room to write below."""
    right, right_px = _costs(of)
    noticed, noticed_px = _noticed(of)
    room_px -= HEADING_PX + FEWEST_NOTES * NOTE_PX
    if right_px + noticed_px <= room_px:
        right, right_px = right + noticed, right_px + noticed_px
    if right_px + HEADING_PX <= room_px:
        right += _not_assessed(of, room_px - right_px - HEADING_PX)
    return Markup('<div class="two rest"><div>{}{}</div><div>{}{}<div class="notes"></div></div></div>').format(
        heading("Stopping margin"),
        stopping.block(of.landing, of.measures),
        right,
        heading("Notes from the debrief"),
    )


def _not_assessed(of: Subject, room_px: float) -> Markup:
    """Every rule that was not assessed, and why; where there is no room for all of it, in short."""
    whole, short = (expected_words.silent(of.outcomes, of.rules, told) for told in ("whole", "short"))
    if not whole:
        return Markup("")
    complete = len(fitting(whole, room_px, COLUMN_PX)) == len(whole)
    kept = whole if complete else fitting(short, room_px, COLUMN_PX)
    more = "" if complete else "; more on the screen" if kept else "; which, on the screen"
    silent = sum(outcome == "not_assessed" for outcome in of.outcomes["outcome"])
    note = f"{silent} of {words.count(of.landing['judged'], 'rule')}{more}"
    return heading("Not assessed", note) + marks.joined(kept)


def traces(of: Subject, rows: Sequence[StepRow]) -> Markup:
    """The panels that were recorded, with steps and findings."""
    found: dict[str, Finding] = {}
    for event in of.events[:MOST_FINDINGS]:
        one = figures.finding_of(event, of.rules.get(event["rule"]), of.instants)
        if one and one.key not in found:
            found[one.key] = one
    chosen = panels(of.traces, [*PANELS, *found])
    if any(panel.label == "N1" for panel in chosen):
        chosen = [panel for panel in chosen if panel.label != "EPR"]  # it tells the same power again
    if not chosen:
        return Markup('<p class="soft">Nothing was recorded that could be drawn.</p>')
    axis = TimeAxis(start_s(of.events), min(max(end_s(of.landing, rows), SHORTEST_S), LONGEST_S))
    steps = [Step(row.number, row.last.at_s, bool(row.events)) for row in rows if row.number and row.last]
    return strips.drawing(chosen, of.traces, axis, steps, list(found.values()))


def _costs(of: Subject) -> tuple[Markup, float]:
    """What the lapses cost, and the height of it; nothing where no event is of a kind that costs runway."""
    each = [(event["title"], of.costs[event["event_id"]]) for event in of.events if event["event_id"] in of.costs]
    told = costbars.grouped(each)[:MOST_COSTS]
    if not told:
        return Markup(""), 0.0
    note = "each alone, to 30 kt; they do not add up" if len(told) > 1 else "to 30 kt; 80 % bounds"
    height = sum(text_px(f"{title}. {words.cost(row)}", COLUMN_PX) + 24 for title, row in told)
    return heading("What it cost", note) + costbars.drawing(told), HEADING_PX + height


def _noticed(of: Subject) -> tuple[Markup, float]:
    """What was noticed about the recording, and the height of it; nothing where nothing was."""
    faults = [words.sentence(words.plain(fault)) for fault in of.landing["quality"] or []]
    if not faults:
        return Markup(""), 0.0
    kept = [Markup("<p>{}</p>").format(fault) for fault in faults[:MOST_FAULTS]]
    more = f"{len(faults) - MOST_FAULTS} more on the screen" if len(faults) > MOST_FAULTS else ""
    return heading("Recording", more) + marks.joined(kept), HEADING_PX + sum(text_px(k, COLUMN_PX) + 6 for k in kept)


def _measure(of: Subject, name: str) -> dict[str, Any] | None:
    rows = of.measures.filter(measure=name)
    found = rows.row(0, named=True) if rows.height else None
    return found if found and found["value"] is not None and math.isfinite(found["value"]) else None


def _reasons(of: Subject) -> dict[str, str]:
    found = of.measures.drop_nulls("reason").unique("measure", keep="first", maintain_order=True)
    return dict(found.select("measure", "reason").iter_rows())
