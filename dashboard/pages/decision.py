"""The decision on an event: what stands, who decided it and when, and the bar that decides, passes on or takes back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from dashboard import marks, names, told, words
from dashboard.desk import Desk, Past
from dashboard.pages import passing
from dashboard.query import LONGEST_NOTE, Query, parse
from dashboard.queue import left_to_decide
from dashboard.store import Store
from fdm.people.acts import Act
from fdm.people.errors import AlreadyDecided, PeopleError, ReviewError
from fdm.people.reviews import Bulk
from fdm.people.texts import LINE
from fdm.people.times import in_words

KEYS = (("valid", "V"), ("nuisance", "N"), ("false", "F"))


def done(store: Store, ask: Mapping[str, Any]) -> dict[str, Any]:
    """Does what the page asks, and says how it ended.

    event, ask    what it was about, and the ask itself, for text not to be lost
    problem       why it was not done
    said          what was done, where the page does not show it
    entry, of     of decisions and undo: the log's entry, and how many events it changed
    again         how many of them captains see again, as they were released before
    """
    asked = {str(name): str(value) for name, value in ask.items()}
    answer: dict[str, Any] = {"event": asked.get("event", ""), "ask": asked, "problem": "", "said": ""}
    try:
        answer |= _do(store, asked)
    except PeopleError as error:
        answer["problem"] = _in_words(error)
    return answer


def _do(store: Store, ask: Mapping[str, str]) -> dict[str, Any]:
    if store.desk is None:
        raise ReviewError("decisions are not kept here")
    if ask.get("act") == "undo":
        undone = store.desk.undo(_number(ask.get("entry")) or 0, ask.get("token", ""))
        return {"said": _taken_back(undone)} | _changed(store.desk, undone)
    if ask.get("act") == "bulk":
        return _changed(store.desk, _decide_all(store, ask))
    if ask.get("act") in passing.ACTS:
        return {"said": passing.done(store, ask)}
    if ask.get("act") == "decide":
        event = store.event(ask.get("event", ""))
        if event is None:
            raise ReviewError("this event is not in the archive now", cure="Load the page anew.")
        said = {name: ask.get(name, "") for name in ("reason", "note", "token")}
        entry = store.desk.decide(event, ask.get("verdict", ""), seen=_number(ask.get("seen")), **said)
        return _changed(store.desk, Bulk(entry, 1, ()))
    raise ReviewError("this page asked for something unknown", cure="Load the page anew.")


def _taken_back(undone: Bulk) -> str:
    said = f"Taken back for {words.count(undone.done, 'event')}"
    kept = len(undone.kept)
    return (
        f"{said}; {kept:,} decided since {'stays as it is' if kept == 1 else 'stay as they are'}."
        if kept
        else f"{said}."
    )


def _changed(desk: Desk, bulk: Bulk) -> dict[str, int]:
    return {"entry": bulk.entry_id, "of": bulk.done, "again": desk.seen_again(bulk.entry_id)}


def _decide_all(store: Store, ask: Mapping[str, str]) -> Bulk:
    """Decides what is left to decide of the list, when it is as many as the reader was told."""
    if store.desk is None:
        raise ReviewError("decisions are not kept here")
    query = parse(ask.get("filters"))
    said = {name: ask.get(name, "") for name in ("reason", "note", "token")}
    events = left_to_decide(store.reviewed(), query)
    return store.desk.decide_all(events, ask.get("verdict", ""), _number(ask.get("count")) or 0, query.told, **said)


def bulk_bar(store: Store, query: Query, answer: Mapping[str, Any] | None = None) -> Markup:
    """Decides all that is left of the list alike, in one entry that one undo takes back; and how that ended.

    What was written and came too late stays to be read and copied, however few events are left.
    """
    if store.desk is None:
        return Markup("")
    mine = answer if answer and answer.get("ask", {}).get("act") == "bulk" else {}
    failed = mine.get("ask", {}) if mine.get("problem") else {}
    n = left_to_decide(store.reviewed(), query).height
    ended = _problem(mine["problem"]) if failed else _decided_all(mine)
    if n < 2 and not failed:
        return ended
    named = f"Decide all {n:,} alike" if n > 1 else "Decide the one that is left" if n else "What you wrote"
    label = f"All {n:,}" if n > 1 else "Decision"
    buttons = Markup('<p><span class="label">{}</span>{}</p>').format(label, verdict_buttons(keys=False))
    return ended + Markup(
        '<details class="bulk no-print"{}><summary>{}</summary>'
        '<form class="deciding" data-count="{}" autocomplete="off">{}{}</form></details>'
    ).format(Markup(" open") if failed else "", named, n, buttons if n else "", fields(failed))


def _decided_all(mine: Mapping[str, Any]) -> Markup:
    if not mine:
        return Markup("")
    return Markup(
        '<p role="status" class="problem">{} decided {}. {}<button type="button" class="quiet" data-undo="{}">Undo'
        "</button></p>"
    ).format(
        words.count(mine["of"], "event"), names.VERDICT.get(mine["ask"].get("verdict", "")), _again(mine), mine["entry"]
    )


def _again(mine: Mapping[str, Any]) -> str:
    """Says that captains see again what was released before: a decision alone has put it before them."""
    if not mine.get("again"):
        return ""
    return "Captains see it again. " if mine["of"] == 1 else f"Captains see {mine['again']:,} of them again. "


def _in_words(error: PeopleError) -> str:
    """What is wrong, without the event's id, which the reader has before them. A name at its start stays as it is."""
    if error.source and not isinstance(error, ReviewError):
        return str(error)
    said = _since(error) if isinstance(error, AlreadyDecided) else f"{error.problem[:1].upper()}{error.problem[1:]}"
    return f"{said}. {error.cure or ''}".strip()


def _since(error: AlreadyDecided) -> str:
    """What somebody did since the reader looked, with the verdict as its button calls it."""
    state = error.decision.state or ""
    return error.problem.replace(f"'{state}'", names.VERDICT.get(state, state)) if state else error.problem


def _number(text: str | None) -> int | None:
    return int(text) if text and text.isascii() and text.isdigit() else None


def bar(store: Store, event: Mapping[str, Any] | None, answer: Mapping[str, Any] | None = None) -> Markup:
    """The bar under an event: the decision that stands, or the choice; and how the last ask ended."""
    if store.desk is None or event is None:
        return Markup("")
    past = store.desk.past(event["event_id"])
    if past.problem:
        return _problem(f"Decisions cannot be read or saved now. {past.problem}")
    mine = answer if answer and answer.get("event") == event["event_id"] else {}
    failed = mine.get("ask", {}) if mine.get("problem") else {}
    form = choice(event["event_id"], past, failed)
    pass_on = passing.form(store, event, past, failed)
    below = passing.stands(past) + pass_on + history(past)
    told_now = _problem(mine["problem"]) if mine.get("problem") else _said(mine, past)
    if past.last is None or past.last.state is None:
        return told_now + form + below
    again = Markup("<details{}><summary>Decide again</summary>{}</details>").format(
        Markup(" open") if failed.get("act") == "decide" else "", form
    )
    return told_now + stands(past, event) + again + below


def about(event_id: str, answer: Mapping[str, Any] | None) -> Markup:
    """Which event the bar is about, and which answer it was made after: keys wait until it is the one they are for."""
    token = answer.get("ask", {}).get("token", "") if answer else ""
    return Markup('<i data-about="{}" data-answer="{}" hidden></i>').format(event_id, token)


def of_gone(store: Store, event_id: str) -> Markup:
    """What was done about an event that is none any more: to be read, not to be changed."""
    past = store.desk.past(event_id) if store.desk else Past()
    if past.problem:
        return _problem(f"Decisions cannot be read now. {past.problem}")
    lines = _lines(past)
    return Markup('<div class="history"><h2>History</h2><ol>{}</ol></div>').format(lines) if lines else Markup("")


def _said(mine: Mapping[str, Any], past: Past) -> Markup:
    """How the last ask ended, for those who hear the page; what stands says it to those who see it, but for undo and
    for what captains see again, which can be taken from them at once."""
    again, release = _again(mine), past.stands("release")
    css = "problem" if again or (mine.get("said") and mine["ask"].get("act") == "undo") else "heard"
    back = passing.take_back(release, "the release to debriefing") if again and mine["of"] == 1 and release else ""
    return Markup('<p role="status" class="{}">{} {}{}</p>').format(css, mine.get("said", ""), again, back)


def _problem(sentence: str) -> Markup:
    return Markup('<p role="alert" class="problem">{}</p>').format(sentence)


def stands(past: Past, event: Mapping[str, Any]) -> Markup:
    """The verdict, who gave it and when, why, and under which limits; and undo."""
    act = past.last
    if act is None:
        return Markup("")
    undo = Markup(
        '<button type="button" class="quiet no-print" data-undo="{}" data-event="{}">{} <kbd>U</kbd></button>'
    ).format(act.entry_id, event["event_id"], _undo(past))
    said = [part for part in (act.reason, act.note) if part]
    return Markup(
        '<div class="decided" role="status"><p><b class="verdict">{}</b> <span class="soft">{}, {}</span>'
        '<span class="spring"></span>{}{}</p>{}{}</div>'
    ).format(
        names.VERDICT.get(act.state or "", act.state),
        act.by,
        in_words(act.at_utc),
        Markup('<button type="button" class="quiet no-print" data-skip>Next to decide <kbd>S</kbd></button>'),
        undo if act.undoes is None else "",
        marks.joined(Markup('<div class="why">{}</div>').format(passing.written(part)) for part in said),
        _other_rule(act, event),
    )


def _undo(past: Past) -> str:
    """What undo takes back: the decision, or all that its entry decided, but for what was decided otherwise since."""
    if past.left <= 1:
        return "Undo"
    return f"Undo all {past.left:,}" if past.left == past.together else f"Undo the {past.left:,} that still stand"


def history(past: Past) -> Markup:
    """Everything done about the event and taken back, oldest first; nothing while a first decision stands alone."""
    if len(past.acts) < 2 and past.acts == past.decisions:
        return Markup("")
    return Markup('<details class="history"><summary>{}</summary><ol>{}</ol></details>').format(
        f"History: {words.count(len(past.acts), 'entry', 'entries')}", _lines(past)
    )


def _lines(past: Past) -> Markup:
    """A line for each act; a decision also says when captains lost or got back what was released."""
    before = (False, *past.shown)
    return marks.joined(
        Markup("<li>{}{}</li>").format(told.line(act), _to_captains(act, was, now))
        for act, was, now in zip(past.acts, before, past.shown, strict=False)
    )


def _to_captains(act: Act, was: bool, now: bool) -> str:
    if act.topic != "decision" or was == now:
        return ""
    return ". Captains see it again." if now else ". Captains do not see it any more."


def _other_rule(act: Act, event: Mapping[str, Any]) -> Markup:
    """Says that the rule has changed since the decision, and what it had said then."""
    if act.rule_hash == event["rule_hash"]:
        return Markup("")
    then = ""
    if act.severity and act.value is not None and act.unit:
        then = f" Then: {words.quantity(act.value, act.unit)}, {names.SEVERITY[act.severity]}."
    return Markup('<p class="changed">Decided under another version of this rule.{}</p>').format(then)


def choice(event_id: str, past: Past, failed: Mapping[str, str]) -> Markup:
    """Valid, nuisance, false, alike; a reason, and a note."""
    return Markup(
        '<form class="deciding no-print" data-event="{}" data-seen="{}" autocomplete="off">'
        '<p><span class="label">Decision</span>{}<span class="spring"></span>{}</p>{}</form>'
    ).format(
        event_id,
        past.seen or "",
        verdict_buttons(keys=True),
        Markup('<button type="button" class="quiet" data-skip>Skip <kbd>S</kbd></button>'),
        fields(failed),
    )


def verdict_buttons(*, keys: bool) -> Markup:
    """The three verdicts, with their keys where keys press them."""
    return marks.joined(
        Markup('<button type="button" data-decide="{}">{}{}</button>').format(
            verdict, names.VERDICT[verdict], Markup(" <kbd>{}</kbd>").format(key) if keys else ""
        )
        for verdict, key in KEYS
    )


def fields(failed: Mapping[str, str]) -> Markup:
    """The reason, from a short list or in words, and a note; filled with what was not saved."""
    given = failed.get("reason", "")
    listed = given in {reason for reasons in names.REASONS.values() for reason in reasons}
    groups = marks.joined(
        Markup('<optgroup label="{}">{}</optgroup>').format(
            names.VERDICT[verdict],
            marks.joined(
                Markup("<option{}>{}</option>").format(Markup(" selected") if reason == given else "", reason)
                for reason in reasons
            ),
        )
        for verdict, reasons in names.REASONS.items()
    )
    return Markup(
        '<p><span class="label">Reason</span><select name="reason" aria-label="Reason">'
        '<option value="">For nuisance and false</option>{}</select>'
        '<input name="words" maxlength="{}" value="{}" placeholder="or in your words" aria-label="Reason in words"></p>'
        '<p><span class="label">Note</span><input name="note" maxlength="{}" value="{}" aria-label="Note"></p>'
        '<p class="hint" role="status" hidden></p>'
    ).format(groups, LINE, "" if listed else given, LONGEST_NOTE, failed.get("note", ""))
