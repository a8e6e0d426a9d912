"""Passing an event on: to a person, to maintenance or training, to debriefing, to another day; and comments."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, date, datetime, time
from typing import Any

from markupsafe import Markup, escape

from dashboard import marks, officers, told
from dashboard.desk import Past
from dashboard.query import LONGEST_NOTE
from dashboard.store import Store
from fdm.people.acts import Act
from fdm.people.errors import PeopleError, ReviewError
from fdm.people.reviews import REFERRED
from fdm.people.roles import Actor
from fdm.people.store import People
from fdm.people.times import in_words
from fdm.people.views import LEAST

Ask = Mapping[str, str]
LONGEST_NAME = 100
UNFOLDED = 200  # characters: about three lines of the bar at its narrowest
AS_FLOWN = (
    "fleet",
    "runway_length_m",
    "runway_displaced_m",
    "runway_condition_code",
)  # what a captain may know a landing by
ON_REQUEST = {"month": ("Month", "month"), "airfield": ("Airfield and runway", "place")}  # name, column
STANDING = ("assignment", "maintenance", "training", "release", "debrief", "snooze")


def _assign(people: People, by: Actor, ask: Ask) -> str:
    to = ask.get("to", "").strip()
    if not to:
        raise ReviewError("the name of the person to give this to is missing", cure="Write a name.")
    people.assign(ask["event"], to, by=by, note=ask.get("note", ""), token=ask.get("token"))
    return f"Given to {to}."


def _refer(people: People, by: Actor, ask: Ask) -> str:
    to = ask.get("to", "")
    people.refer(ask["event"], to, by=by, note=ask.get("note", ""), token=ask.get("token"))
    return f"Referred to {to}."


def _answered(people: People, by: Actor, ask: Ask) -> str:
    to = ask.get("to", "")
    people.refer(ask["event"], to, by=by, note=ask.get("note", ""), closed=True, token=ask.get("token"))
    return f"Answered by {to}."


def _release(people: People, by: Actor, ask: Ask) -> str:
    shows = ask.get("shows", "").split()
    people.release(ask["event"], by=by, note=ask.get("note", ""), shows=shows, token=ask.get("token"))
    return f"Released to debriefing{', with the ' + ' and the '.join(shows) if shows else ''}."


def _snooze(people: People, by: Actor, ask: Ask) -> str:
    try:
        day = date.fromisoformat(ask.get("until", ""))
    except ValueError:
        raise ReviewError("the day until which to set this aside is missing", cure="Choose a day.") from None
    decision = people.decision(ask["event"])
    if decision is not None and decision.state is not None:
        raise ReviewError("this event is decided: setting it aside changes nothing", cure="Reopen it first.")
    until = datetime.combine(day, time(), UTC)
    people.snooze(ask["event"], until, by=by, note=ask.get("note", ""), token=ask.get("token"))
    return f"Set aside until {day:%a %-d %b %Y}."


def _comment(people: People, by: Actor, ask: Ask) -> str:
    people.comment(ask["event"], ask.get("note", ""), by=by, token=ask.get("token"))
    return "Comment saved."


def _reopen(people: People, by: Actor, ask: Ask) -> str:
    seen = int(ask["seen"]) if ask.get("seen", "").isdecimal() else None
    people.reopen(ask["event"], by=by, seen=seen, reason=ask.get("note", ""), token=ask.get("token"))
    return "Reopened."


ACTS: dict[str, Callable[[People, Actor, Ask], str]] = {
    "assign": _assign,
    "refer": _refer,
    "answered": _answered,
    "release": _release,
    "snooze": _snooze,
    "comment": _comment,
    "reopen": _reopen,
}


def done(store: Store, ask: Ask) -> str:
    """Does one of ACTS, and says what was done. Raises PeopleError."""
    if store.desk is None:
        raise ReviewError("decisions are not kept here")
    if store.event(ask.get("event", "")) is None:
        raise ReviewError("this event is not in the archive now", cure="Load the page anew.")
    return store.desk.ask(lambda people, by: ACTS[ask["act"]](people, by, ask))


def stands(past: Past) -> Markup:
    """Where the event was passed on to, each with its way back."""
    decided = past.last is not None and past.last.state is not None
    topics = [topic for topic in STANDING if not (decided and topic == "snooze")]  # a decision ends it
    found = [act for act in (past.stands(topic) for topic in topics) if act is not None]
    lines = marks.joined(
        Markup(
            '<li><div><b>{}</b> <span class="soft">{}, {}</span> {}</div><span class="spring"></span>{}{}</li>'
        ).format(
            _where(act, past),
            act.by,
            in_words(act.at_utc),
            written(act.note or ""),
            _answer_button(act.topic) if act.state == "open" else "",
            take_back(act, told.stands(act)),
        )
        for act in found
    )
    return Markup('<ul class="passed-on">{}</ul>').format(lines) if lines else Markup("")


def written(text: str) -> Markup:
    """What somebody wrote; folded after a few lines when it is long, to be opened."""
    if len(text) <= UNFOLDED:
        return escape(text)
    return Markup('<details class="written"><summary><span class="lines">{}</span></summary></details>').format(text)


def _where(act: Act, past: Past) -> str:
    """What an act left standing; of a release, whether it holds."""
    if act.topic == "release" and not past.shown[-1]:
        return "Was released; captains do not see it while it is not valid"
    return told.stands(act)


def take_back(act: Act, what: str) -> Markup:
    """The button that takes an act back; `what` says to those who hear the page which."""
    return Markup(
        '<button type="button" class="quiet no-print" data-undo="{}" data-event="{}" aria-label="Take back: {}">'
        "Take back</button>"
    ).format(act.entry_id, act.event_id, what)


def _answer_button(topic: str) -> Markup:
    return Markup(
        '<button type="button" class="quiet no-print" data-pass="answered" data-to="{}">Answered</button>'
    ).format(topic)


def form(store: Store, event: Mapping[str, Any], past: Past, failed: Ask) -> Markup:
    """Where to pass the event on to. `failed`: an ask that was not done, whose words are kept."""
    mine = failed if failed.get("act") in ACTS else {}
    return Markup(
        '<details class="pass-on no-print"{}><summary>Pass on <kbd>P</kbd></summary>'
        '<form class="passing" data-event="{}" data-seen="{}" autocomplete="off">{}{}{}{}{}</form></details>'
    ).format(
        Markup(" open") if mine else "",
        event["event_id"],
        past.seen or "",
        _to(store, mine),
        _until(mine),
        _note(mine, decided=past.last is not None and past.last.state is not None),
        Markup('<p class="which" role="status" hidden></p>'),
        _debriefing(store, event, past),
    )


def _to(store: Store, mine: Ask) -> Markup:
    known = marks.joined(Markup('<option value="{}"></option>').format(name) for name in _names(store))
    refer = marks.joined(
        Markup('<button type="button" data-pass="refer" data-to="{}">{}</button>').format(to, to.capitalize())
        for to in REFERRED
    )
    return Markup(
        '<p><span class="label">To</span><input name="pass-to" list="names" maxlength="{}" value="{}" '
        'placeholder="Name" aria-label="Person" data-enter="assign"><datalist id="names">{}</datalist>'
        '<button type="button" data-pass="assign">Give</button><span class="refer">'
        '<span class="label">or refer to</span>{}</span></p>'
    ).format(LONGEST_NAME, mine.get("to", "") if mine.get("act") == "assign" else "", known, refer)


def _names(store: Store) -> list[str]:
    try:
        return store.desk.known_names() if store.desk else []
    except PeopleError:
        return []


def _until(mine: Ask) -> Markup:
    return Markup(
        '<p><span class="label">Until</span><input type="date" name="pass-until" value="{}" aria-label="Day until '
        'which it is set aside" data-enter="snooze"><button type="button" data-pass="snooze">Set aside</button></p>'
    ).format(mine.get("until", ""))


def _note(mine: Ask, *, decided: bool) -> Markup:
    reopen = Markup('<button type="button" data-pass="reopen">Reopen</button>') if decided else Markup("")
    return Markup(
        '<p><span class="label">Note</span><input name="pass-note" maxlength="{}" value="{}" aria-label="Note that '
        'goes with it" placeholder="Goes with it, or stands alone" data-enter="comment">'
        '<button type="button" data-pass="comment">Comment</button>{}</p>'
    ).format(LONGEST_NOTE, mine.get("note", ""), reopen)


def _debriefing(store: Store, event: Mapping[str, Any], past: Past) -> Markup:
    if past.stands("release"):
        return Markup("")
    if past.last is None or past.last.state != "valid":
        return Markup('<p><span class="label"></span><span class="soft">{}</span></p>').format(
            "Decided valid, it can be released to debriefing."
        )
    few, said = shown_to_captains(store, event)
    return Markup(
        '<p><span class="label"></span><button type="button" data-pass="release">Release to debriefing</button>'
        '<span class="{}">{}</span></p><p class="with-it"><span class="label">With it</span>{}</p>'
    ).format("changed" if few else "soft", said, _on_request(store, event))


def _on_request(store: Store, event: Mapping[str, Any]) -> Markup:
    """What more may go with a release, each with how many landings are then the same."""
    both = officers.alike(store, event["landing_id"], (*AS_FLOWN, *(column for _, column in ON_REQUEST.values())))
    return marks.joined(
        Markup(
            '<label class="shows"><input type="checkbox" name="pass-shows" value="{}"> {}</label>'
            '<span class="{}">{}</span>'
        ).format(one, name, "changed" if n < LEAST else "soft", _such(n))
        for one, (name, column) in ON_REQUEST.items()
        for n in [officers.alike(store, event["landing_id"], (*AS_FLOWN, column))]
    ) + Markup('<span class="{}">with both {}</span>').format("changed" if both < LEAST else "soft", _such(both))


def _such(n: int) -> str:
    if n < LEAST:
        return f"{n} such here: the crew may be known"
    return f"{n:,} such"


def shown_to_captains(store: Store, event: Mapping[str, Any]) -> tuple[bool, str]:
    """Whether few landings share what a captain will see of this one, and what that is."""
    n = officers.alike(store, event["landing_id"], AS_FLOWN)
    alone = officers.airfields_with(store, event["runway_length_m"]) == 1
    shown = "Captains see the landing as flown; no aircraft, flight, airfield or date."
    where = " Only one airfield has a runway of this length: the airfield can be worked out." if alone else ""
    if n < LEAST:
        share = "landing shares" if n == 1 else "landings share"
        return True, f"{shown} Only {n} {share} fleet, runway length and condition: the crew may be known.{where}"
    share = f"{n:,} landings share fleet, runway length and condition"
    return alone, f"{shown} {share}; who flew it knows it by its weight, wind and speeds.{where}"
