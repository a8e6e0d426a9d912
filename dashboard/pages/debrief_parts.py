"""What stands on the page of one debrief: head, steps, player, standing, notes. Markup made from a case."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from markupsafe import Markup

from dashboard import cost_marks, debriefing, exemplars, expected, marks, runway, standing_marks, steptable, words
from dashboard.debriefing import Case
from dashboard.pages import evidence, landing
from dashboard.reports.procedure import expected as limits_in_words
from dashboard.rule_card import RuleCard
from dashboard.standings import standings
from dashboard.steps import StepRow
from dashboard.store import Store
from fdm.people.acts import Act
from fdm.people.errors import PeopleError
from fdm.people.texts import NOTE
from fdm.people.times import in_words

SPEEDS = (1, 2, 5)
NOT_ADDED = "Events that come from one lapse tell the same metres twice: they are not to be added up."
RULED = 6  # lines to write on, on paper


def subject(case: Case, rows: Sequence[StepRow] = ()) -> str:
    """The landing as flown, without what it could be known by.

    rows    its steps; what they leave of the runway tells a displaced threshold, as the drawing does
    """
    told = case.landing
    length, condition, weight = told["runway_length_m"], told["runway_condition_code"], told["gross_weight_kg"]
    speed, span = told["touchdown_ground_speed_kt"], runway.strip(rows, length, told["touchdown_distance_m"])
    parts = (
        told["fleet"],
        *case.context,
        runway.length_in_words(length, span.displaced_m if span else None),
        f"condition code {condition}" if condition is not None else "",
        words.headwind(told["headwind_kt"]),
        f"{weight / 1000:.1f} t" if weight else "",
        f"{words.quantity(speed, 'kt')} ground speed at touchdown" if speed is not None else "",
    )
    return ", ".join(part for part in parts if part)


def head(store: Store, case: Case, rows: Sequence[StepRow]) -> Markup:
    """Name, what is told of the landing, and the finding in one sentence."""
    return Markup(
        '<p class="crumb no-print"><a href="/debrief">All debriefs</a><span class="spring"></span>'
        '<button type="button" data-print>Print sheet</button></p>'
        '<h1>{}</h1><p class="subject">{}</p><p class="finding">{}</p>'
    ).format(case.name, subject(case, rows), marks.unbroken(landing.finding(store, case.landing, case.events)))


# steps ---------------------------------------------------------------------------------------------------------------


def steps(store: Store, case: Case, rows: Sequence[StepRow]) -> Markup:
    """What is expected at each step beside what was done and found; and where it most likely comes from."""
    rules, outcomes = store.held().rules, store.outcomes_of(case.key)
    body = marks.joined(
        Markup('<tr{}><td class="number">{}</td><td><b>{}</b>{}</td><td>{}</td><td>{}</td></tr>').format(
            Markup(' class="milestone-row"') if row.number is None else "",
            _number(row),
            row.title,
            _procedure(row, rules, case.landing["fleet"]),
            steptable.fact(case.landing, row),
            expected.said(row, rules, outcomes),
        )
        for row in rows
    )
    return Markup(
        '<h2><b>Steps</b> <span class="soft">what the procedure expects beside what was done; numbered in its order, '
        "times after touchdown, metres past the threshold</span></h2>"
        '<table class="steps debrief-table"><thead><tr>'
        '<th><span class="spoken">Number</span></th><th>Step, procedure</th><th>Done (bounds)</th>'
        "<th>Finding</th></tr></thead><tbody>{}</tbody></table>"
        '<p class="soft small">Procedures and limits: {}. The operator’s manual decides.</p>'
        '<h2 class="later"><b>Likely origin</b></h2>{}{}{}'
    ).format(
        body,
        expected.books(case.events) or "the rule book",
        _origins(case),
        _silent(expected.silent(outcomes, rules), case.landing["judged"]),
        landing.recording(case.landing),
    )


def _silent(told: Sequence[Markup], judged: int) -> Markup:
    """Which rules could not be assessed, and why; nothing when all were."""
    if not told:
        return Markup("")
    return Markup(
        '<h2 class="later"><b>Not assessed</b> <span class="soft">of {}</span></h2><div class="silent">{}</div>'
    ).format(words.count(judged, "rule"), marks.joined(told))


def _procedure(row: StepRow, rules: Mapping[str, RuleCard], fleet: str | None) -> Markup:
    """What is expected by the limits, and the procedure in full: at once where something was found, else on asking."""
    short = words.sentence(limits_in_words(row, rules, fleet))
    told = marks.joined(Markup('<span class="line soft">{}</span>').format(t) for t in expected.procedures(row, rules))
    if told and not row.events:
        told = Markup('<details class="no-print"><summary>Procedure</summary>{}</details>').format(told)
    return (Markup('<span class="line">{}</span>').format(short) if short else Markup("")) + told


def _number(row: StepRow) -> Markup:
    """The step's number, which takes the cursor there; nothing for a milestone."""
    if row.number is None or row.last is None:
        return steptable.badge(row)
    return Markup('<button type="button" class="step-go" data-at="{}" aria-label="{}">{}</button>').format(
        round(row.last.at_s, 3), f"Go to step {row.number}, {row.title}", steptable.badge(row)
    )


def _origins(case: Case) -> Markup:
    return marks.joined(
        Markup('<div class="origin-told"><p>{} <b>{}</b></p><p>{}</p></div>').format(
            marks.severity(event["severity"], certain=event["certain"]), event["title"], evidence.origin_words(event)
        )
        for event in case.events
    )


# rollout -------------------------------------------------------------------------------------------------------------


def player() -> Markup:
    """Play and pause, a slider over the rollout, how fast, and steps by sample; what is shown, in words."""
    speeds = marks.joined(
        Markup('<label><input type="radio" name="pace" value="{0}"{1}><span>{0}×</span></label>').format(
            pace, Markup(" checked") if pace == 1 else ""
        )
        for pace in SPEEDS
    )
    return Markup(
        '<p class="told-now" id="debrief-now" aria-live="off">&nbsp;</p>'
        '<div class="player">'
        '<button type="button" id="debrief-play" aria-pressed="false">Play <kbd>Space</kbd></button>'
        '<button type="button" class="square" data-sample="-1" aria-label="Previous sample">‹</button>'
        '<input type="range" id="debrief-time" min="0" max="1" step="any" value="0" aria-label="Time after touchdown">'
        '<button type="button" class="square" data-sample="1" aria-label="Next sample">›</button>'
        '<fieldset class="choice"><legend>Pace</legend>{}</fieldset></div>'
        '<p class="soft">Dots are samples, what is hatched is not known. Space plays, arrows move by one sample, '
        "1 to 9 go to a step.</p>"
    ).format(speeds)


def more_below() -> Markup:
    """Where the traces do not fit into the window: that there are more of them, and the way there."""
    return Markup('<button type="button" id="debrief-down">More traces below ↓</button>')


def beside(alike: Sequence[Mapping[str, Any]]) -> Markup:
    """Which landing to lay over this one."""
    if not alike:
        return Markup('<p class="soft">{}</p>').format(
            "No landing of this type without events and fully assessed is in the archive to lay beside this one."
        )
    choices = [("", "None"), *((str(i), exemplars.in_words(row)) for i, row in enumerate(alike))]
    options = marks.joined(Markup('<option value="{}">{}</option>').format(value, text) for value, text in choices)
    return Markup(
        '<p class="beside-choice"><label for="debrief-beside-select">A landing without events, laid over in grey'
        '</label> <select id="debrief-beside-select" name="beside" data-query>{}</select></p>'
    ).format(options)


def laid_over(called: str) -> Markup:
    """On paper, where no choice stands: which landing is laid over this one."""
    return Markup('<p class="print-only small">In grey: a landing without events. {}.</p>').format(called)


def not_laid_over() -> Markup:
    """Why the landing chosen was not laid over: the release was taken back meanwhile."""
    return _problem(f"Not laid over: {debriefing.TAKEN_BACK}. {debriefing.CURE}")


# standing ------------------------------------------------------------------------------------------------------------


def standing(store: Store, case: Case) -> Markup:
    """Where the landing stands in its fleet, for its events and the four main rules."""
    rows = marks.joined(standing_marks.row(found) for found in standings(store, case.key, case.events))
    if not rows:
        return Markup("")
    return Markup(
        '<h2><b>Where it stands</b> <span class="soft">among the landings of {}</span></h2>'
        '<p class="soft">Box: middle half. Line: 5–95 %. Dots: the rest. Bounds with caps: this landing.</p>{}'
    ).format(case.landing["fleet"] or "this type", rows)


def cost(store: Store, case: Case) -> Markup:
    """What each event's delay cost, where its kind has a cost and it was estimated."""
    found = [(event["title"], store.cost_of(event["event_id"])) for event in case.events]
    known = [(title, told) for title, told in found if told is not None]
    if not known:
        return Markup("")
    return Markup(
        '<h2 class="later"><b>What it cost</b> <span class="soft">rollout to 30 kt, estimated from this landing’s own '
        "deceleration, with 80 % bounds</span></h2>{}{}"
    ).format(cost_marks.rows(known), Markup('<p class="soft small">{}</p>').format(NOT_ADDED) if len(known) > 1 else "")


# notes ---------------------------------------------------------------------------------------------------------------


def notes(
    store: Store, case: Case, problem: str = "", failed: Mapping[str, Any] | None = None, *, saved: bool = False
) -> Markup:
    """What was noted, by whom; a note to add; and whether the debrief is done. On paper: lines to write on.

    problem, failed   why it was not done, and what was asked
    saved             it was done: what was being written is no draft any more
    """
    lines = marks.joined(Markup('<p class="ruled"></p>') for _ in range(RULED))
    on_paper = '<div class="paper-notes"><h2><b>Notes</b></h2>{}{}</div>'
    try:
        acts = debriefing.notes(store, case)
    except PeopleError as error:
        return _problem(f"Notes cannot be read or saved now. {error}") + Markup(on_paper).format("", lines)
    told = marks.joined(_noted(act) for act in acts) or Markup('<p class="soft">No note yet.</p>')
    without_names = marks.joined(Markup('<p class="noted">{}</p>').format(act.note) for act in acts if act.note)
    paper = Markup(on_paper).format(without_names, lines)
    if case.done:
        state = Markup(
            '<p role="status"><b>Debriefed</b> <span class="soft">{}, {}</span></p>'
            '<p><button type="button" id="debrief-state" data-debrief="open">Open again</button></p>'
        ).format(case.done_by, in_words(case.done_utc) if case.done_utc else "")
    else:
        state = Markup('<p><button type="button" id="debrief-state" data-debrief="done">Debriefed</button></p>')
    written = (failed or {}).get("note", "")
    return _section(_problem(problem) if problem else "", told, _form(case.key, written, saved=saved), state) + paper


def notes_taken_back(key: str, problem: str, asked: Mapping[str, Any]) -> Markup:
    """In the place of the notes once the release was taken back: why nothing was done, and what was being written."""
    if not problem:  # it was done, and the release taken back just after
        return _section(_form(key, "", saved=True))
    return _section(_problem(problem), _form(key, asked.get("note", "")))


def _section(*inside: Markup | str) -> Markup:
    head = '<h2 class="later"><b>Notes</b> <span class="soft">read by the safety officer; name nobody</span></h2>'
    return Markup('<section class="debrief-notes no-print" aria-label="Notes">{}{}</section>').format(
        Markup(head), marks.joined(Markup("{}").format(part) for part in inside)
    )


def _form(key: str, written: str, *, saved: bool = False) -> Markup:
    return Markup(
        '<form class="noting" autocomplete="off" data-event="{}"{}>'
        '<textarea name="note" rows="3" maxlength="{}" aria-label="Note">{}</textarea>'
        '<p><button type="button" id="debrief-save" data-debrief="note">Save note</button></p></form>'
    ).format(key, Markup(" data-saved") if saved else "", NOTE, written)


def _problem(sentence: str) -> Markup:
    return Markup('<p role="alert" class="warning">{}</p>').format(sentence)


def _noted(act: Act) -> Markup:
    did = "" if act.topic == "comment" else "Debriefed. " if act.state else "Opened again. "
    return Markup('<p class="noted">{}<span class="line soft">{}, {}</span></p>').format(
        did + (act.note or ""), act.by, in_words(act.at_utc)
    )
