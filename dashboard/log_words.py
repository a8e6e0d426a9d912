"""Entries of the log in words: what was done, to what, and how. What only the log's own check needs is left out."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import PurePath
from typing import Any
from urllib.parse import urlencode

from markupsafe import Markup

from dashboard import names, words
from dashboard.query import ALL_WEEKS

ACTS = {
    "decision": "Decided",
    "reopening": "Reopened",
    "undo": "Taken back",
    "assignment": "Given to a person",
    "referral": "Referred",
    "release": "Released",
    "debriefing": "Debriefed",
    "snooze": "Set aside",
    "comment": "Commented",
    "reveal": "Pseudonym revealed",
    "export": "Exported",
    "rule book saved": "Rule book saved",
    "job asked": "Work asked for",
    "job cancelled": "Work cancelled",
    "login": "Logged in",
    "failed login": "Login refused",
    "logout": "Logged out",
    "audit read": "Log read",
}
WORK = {"load": "load recordings", "detect": "measure and judge every landing"}
STATES = {"snoozed": "", "released": "", "open": "asked for"}  # nothing where the act says it
TOPICS = {"maintenance": "maintenance", "training": "training", "debrief": "debriefing"}
_EVENT = re.compile(r"[0-9a-f]+-([a-z][a-z0-9_]*)")
_LANDING = re.compile(r"[0-9a-f]{12}")
_WEEK = re.compile(r"\d{4}-W\d{2}")
Titles = Mapping[str, str]


def act(name: str) -> str:
    """What was done."""
    return ACTS.get(name, name[:1].upper() + name[1:])


def subject(text: str, titles: Titles) -> Markup | str:
    """What it was done to; an event by its rule's title, with the way to it.

    titles    rule name -> title
    """
    event = _EVENT.fullmatch(text)
    if event:
        title = titles.get(event[1], event[1].replace("_", " "))
        there = urlencode({"week": ALL_WEEKS, "event": text})
        return Markup('<a href="/?{}" target="_self">{}</a>').format(there, title)
    if _LANDING.fullmatch(text):
        return Markup('<a href="/landing/{}" target="_self">a landing</a>').format(text)
    return words.period(text) if _WEEK.fullmatch(text) else text


def detail(told: Mapping[str, Any], titles: Titles) -> str:
    """How it was done: "Nuisance; under Week 41, 5–11 Oct 2026, Low; 2 left as they were"."""
    said = (HOW[name](told[name], titles) for name in HOW if told.get(name) not in (None, "", 0))
    other = (f"{name.replace('_', ' ')}: {value}" for name, value in told.items() if name not in {*HOW, *UNTOLD})
    rows = [f"{words.count(told['rows'], 'line')}"] if "rows" in told and "rows_hash" not in told else []
    return "; ".join(one for one in (*said, *rows, *other) if one)


def _chosen(filters: Any, titles: Titles) -> str:
    told = [_filter(name, str(value), titles) for name, value in filters.items()]
    return f"under {', '.join(told)}" if told else ""


def _filter(name: str, value: str, titles: Titles) -> str:
    """One filter of a list as its page calls it."""
    if name == "week":
        return "all weeks" if value == ALL_WEEKS else words.period(value)
    if name == "decided":
        return "decided" if value == "yes" else "to decide"
    if name == "new":
        return "new"
    known = {"severity": names.SEVERITY, "rule": titles, "origin": names.ORIGIN}.get(name, {})
    return known.get(value, value) if name in ("severity", "rule", "origin", "fleet", "runway") else f"{name}: {value}"


def _arguments(given: Any, _titles: Titles) -> str:
    """What work was asked for with: names of recordings, map and rule book, without their folders."""
    sources = ", ".join(PurePath(source).name for source in given.get("sources", ()))
    named = [("map", given.get("map_file")), ("rule book", given.get("rules"))]
    return ", ".join(
        [*([sources] if sources else []), *(f"{what} {PurePath(path).name}" for what, path in named if path)]
    )


HOW: dict[str, Callable[[Any, Titles], str]] = {
    "verdict": lambda value, _: names.VERDICT.get(value, str(value)),
    "topic": lambda value, _: TOPICS.get(value, ""),
    "state": lambda value, _: STATES.get(value, str(value).replace("_", " ")),
    "until_utc": lambda value, _: f"until {datetime.fromisoformat(value):%a %-d %b %Y}",
    "what": lambda value, _: str(value),
    "kind": lambda value, _: WORK.get(value, {"landing_id": "landing", "tail": "aircraft"}.get(value, str(value))),
    "arguments": _arguments,
    "reason": lambda value, _: f"“{value}”",
    "chosen_by": _chosen,
    "kept": lambda value, _: f"{value:,} left as they were",
    "undoes": lambda value, _: f"what No. {value} had done",
    "role": lambda value, _: f"as {value}",
    "file": lambda value, _: str(value),
    "days": lambda value, _: f"older than {words.count(value, 'day')}",
    "events": lambda value, _: words.count(value, "event"),
}
UNTOLD = {"rows", "rows_hash", "rule_hash", "hash", "count", "job", "built_on"}
