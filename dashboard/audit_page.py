"""The log of who did what, and what a pseudonym stands for. Made whole on the server; reading either is logged too."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from flask import Flask, request
from markupsafe import Markup

from dashboard import log_words, plain, reveal
from dashboard.access import open_to, viewer
from dashboard.door import Door
from dashboard.pages import frame
from dashboard.store import Store
from fdm.people.errors import PeopleError
from fdm.people.roles import MAY, OFFICER
from fdm.people.store import People
from fdm.people.times import in_words

NEWEST = 200
HEADS = ("No.", "When", "Who", "Role", "Act", "Of", "Detail", "From")
ON_EVENTS = {"decision", "reopening", "undo", "assignment", "referral", "release", "debriefing", "snooze", "comment"}


def register(server: Flask, store: Store, door: Door) -> None:
    """The routes of both pages."""

    @server.get("/audit", endpoint="audit")
    @open_to(*frame.WHOLE["/audit"])
    def audit() -> Any:
        act, who = request.args.get("act", "")[:40], request.args.get("who", "").strip()[:100]
        try:
            people = kept_by(store, door)
            people.audit.record(
                viewer(), "audit read", " ".join(part for part in (act, who) if part) or "the newest entries"
            )
            titles = store.held().titles
            return log_page(people, act if act in MAY else "", who, check="check" in request.args, titles=titles)
        except PeopleError as error:
            return plain.page("Log", plain.told("", str(error)), frame.places()), 503

    @server.route("/reveal", methods=["GET", "POST"], endpoint="reveal")
    @open_to(OFFICER)
    def revealed() -> Any:
        if request.method == "GET":
            return reveal_page()
        try:
            asked, reason = request.form.get("asked", ""), request.form.get("reason", "")
            return reveal_page(reveal.revealed(store, kept_by(store, door), asked, reason, viewer()))
        except PeopleError as error:
            return reveal_page(problem=f"Nothing was revealed: {error}"), 400


def kept_by(store: Store, door: Door) -> People:
    """The store of people's work. PeopleError when there is none."""
    return store.desk.ask(lambda people, _by: people) if store.desk else door.people


def log_page(people: People, act: str, who: str, *, check: bool, titles: Mapping[str, str]) -> str:
    """The newest entries of an act and a person; and what the check of the whole log found, when it was asked for.

    titles    rule name -> title
    """
    entries = people.audit.entries(newest=NEWEST, act=act or None, who=who or None)
    choices = Markup("").join(
        Markup('<option value="{}"{}>{}</option>').format(
            one, Markup(" selected") if one == act else "", log_words.act(one)
        )
        for one in sorted(MAY, key=log_words.act)
    )
    tools = Markup(
        '<div class="asking"><form method="get" action="/audit" class="inline-form"><label class="field">'
        '<span>Act</span><select name="act">'
        '<option value="">Every act</option>{}</select></label><label class="field"><span>Person</span>'
        '<input type="text" name="who" value="{}" maxlength="100"></label><button type="submit">Show</button>'
        '<button type="submit" name="check" value="1">Check the whole log</button></form>{}</div>'
    ).format(
        choices,
        who,
        Markup('<a class="button" href="/reveal">What a pseudonym stands for</a>') if viewer().role == OFFICER else "",
    )
    inside = Markup("{}{}{}").format(
        tools,
        _checked(people) if check else "",
        plain.table(HEADS, [_row(row, titles) for row in entries.iter_rows(named=True)]),
    )
    return plain.page("Log", inside, frame.places())


def _checked(people: People) -> Markup:
    found = people.audit.verify()
    if not found.faults:
        kept = f"{found.entries}:{found.head}"
        said = f"{found.entries:,} entries checked: none was changed or removed. Keep elsewhere: {kept}"
        return plain.told(said, "")
    return plain.told("", f"{len(found.faults)} faults in {found.entries:,} entries: {'; '.join(found.faults[:20])}")


def _row(row: dict[str, Any], titles: Mapping[str, str]) -> list[Markup | str]:
    hidden = viewer().role != OFFICER and row["act"] in ON_EVENTS
    return [
        str(row["entry_id"]),
        Markup('<span class="whole">{}</span>').format(in_words(row["at_utc"])),
        row["who"],
        row["role"],
        log_words.act(row["act"]),
        "an event" if hidden else log_words.subject(row["subject"], titles),
        Markup('<span class="soft">{}</span>').format(
            "" if hidden else log_words.detail(json.loads(row["detail"]), titles)
        ),
        row["came_from"],
    ]


def reveal_page(found: reveal.Revealed | None = None, problem: str = "") -> str:
    """Asks for a pseudonym and a reason; tells what it stands for."""
    fields = Markup("{}{}{}").format(
        plain.field(
            "asked", "Pseudonym, or the key of a landing", hint="As it was shown: Aircraft K7Q-4MX, Landing 7F3A"
        ),
        plain.field("reason", "Reason", hint="Written into the log with your name; what it stands for is not."),
        plain.button("Reveal", css="primary"),
    )
    told = Markup("")
    if found:
        link = (
            Markup(' <a href="/landing/{}">Whole landing</a>').format(found.landing_id)
            if found.landing_id
            else Markup("")
        )
        told = Markup('<p role="status" class="told">{} is <b>{}</b>.{}</p>').format(found.asked, found.identity, link)
    return plain.page(
        "What a pseudonym stands for", told + plain.told("", problem) + plain.form("/reveal", fields), frame.places()
    )
