"""What people did about an event, in words."""

from __future__ import annotations

from dashboard import names
from fdm.people.acts import Act
from fdm.people.times import in_words

TOPIC = {
    "decision": "the decision",
    "assignment": "giving it to somebody",
    "maintenance": "the referral to maintenance",
    "training": "the referral to training",
    "release": "the release to debriefing",
    "debrief": "the debrief",
    "snooze": "setting it aside",
}


def verdict(state: str | None) -> str:
    """A verdict as it stands on a button; "undecided" when there is none."""
    return names.VERDICT.get(state, state) if state else "undecided"


def stands(act: Act) -> str:
    """What an act left standing: "With maintenance", "Set aside until Mon 30 Nov 2026"."""
    if act.topic == "assignment":
        return f"Given to {act.state}"
    if act.topic in ("maintenance", "training"):
        return f"With {act.topic}" if act.state == "open" else f"Answered by {act.topic}"
    if act.topic == "release":
        return "Released to debriefing" + (f" with the {act.reason.replace(' ', ' and the ')}" if act.reason else "")
    if act.topic == "debrief":
        return "Debriefed"
    if act.topic == "snooze" and act.until_utc is not None:
        return f"Set aside until {act.until_utc:%a %-d %b %Y}"
    return verdict(act.state)


def line(act: Act) -> str:
    """One line of an event's history: what was done, why, by whom and when."""
    why = (
        ""
        if act.undoes is not None
        else ": ".join(["", *(text for text in ("" if act.topic == "release" else act.reason, act.note) if text)])
    )
    return f"{_did(act)}{why} ({act.by}, {in_words(act.at_utc)})"


def _did(act: Act) -> str:
    if act.topic == "comment":
        return "Comment"
    if act.undoes is not None:
        again = f", so {verdict(act.state)} again" if act.topic == "decision" else ""
        return f"Taken back{again}" if act.topic == "decision" else f"Taken back: {TOPIC[act.topic]}"
    if act.state is not None:
        return _referred(act) if act.topic in ("maintenance", "training") else stands(act)
    return {"decision": "Reopened", "assignment": "Given to nobody", "snooze": "Brought back"}.get(act.topic, "Ended")


def _referred(act: Act) -> str:
    return f"Referred to {act.topic}" if act.state == "open" else stands(act)
