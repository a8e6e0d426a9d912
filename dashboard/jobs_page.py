"""Loading and judging asked for from the browser: the queue, how far it is, and what was done."""

from __future__ import annotations

from textwrap import shorten
from typing import Any
from uuid import uuid4

from flask import Flask, redirect, request
from markupsafe import Markup

from dashboard import plain, versions
from dashboard.access import open_to, viewer
from dashboard.audit_page import kept_by
from dashboard.door import Door
from dashboard.pages import frame
from dashboard.pages.versions import edited_since
from dashboard.store import Store
from dashboard.workshop import EVERYTHING, IN_FORCE, Workshop
from fdm.errors import RuleError
from fdm.people.errors import JobError, PeopleError
from fdm.people.jobs import ENDED
from fdm.people.roles import OFFICER
from fdm.people.store import People
from fdm.people.times import in_words

HEADS = ("No.", "Work", "Asked", "State", "Result", "Cancel")
WORK = {"load": "Load recordings", "detect": "Measure and judge every landing"}
READ_AGAIN_S = 3
REASON = 80  # characters of a reason beside a version's name


def register(server: Flask, store: Store, door: Door, workshop: Workshop | None) -> None:
    """The route of the page."""

    @server.route("/jobs", methods=["GET", "POST"], endpoint="jobs")
    @open_to(*frame.WHOLE["/jobs"])
    def jobs() -> Any:
        try:
            people = kept_by(store, door)
            if request.method == "GET":
                return page(store, people, workshop, chosen=request.args.get("rules", "")[:40])
            _done(store, people, workshop)
        except (JobError, RuleError) as error:
            return page(store, people, workshop, problem=f"{error}"), 400
        except PeopleError as error:
            return plain.page("Jobs", plain.told("", str(error)), frame.places()), 503
        return redirect("/jobs", 303)


def _done(store: Store, people: People, workshop: Workshop | None) -> None:
    form, by = request.form, viewer()
    act, token = form.get("act", ""), form.get("token", "")[:64] or None
    if workshop is None:
        raise JobError("no work can be asked for here")
    if act == "load":
        source = form.get("source", EVERYTHING) if by.role == OFFICER else EVERYTHING
        workshop.load(source, form.get("map", ""), by=by, token=token)
    elif act == "detect":
        rules = form.get("rules", IN_FORCE)
        if rules in (versions.SHIPPED, versions.BEFORE):
            people.jobs.ask("detect", {"rules": str(versions.folder(store, rules))}, by=by, token=token)
            workshop.wake()
        else:
            workshop.detect(rules, by=by, token=token)
    elif act == "cancel" and form.get("job", "").isdecimal():
        people.jobs.cancel(int(form["job"]), by=by)
    else:
        raise JobError("this page asked for something unknown", cure="Load it anew.")


def page(store: Store, people: People, workshop: Workshop | None, problem: str = "", *, chosen: str = "") -> str:
    """What may be asked for, and the newest jobs; `chosen` is the version of the rule book to begin with."""
    found = people.jobs.list()
    busy = not found.filter(~found["state"].is_in(ENDED)).is_empty()
    inside = Markup("{}{}{}<h2><b>Queue and history</b></h2>{}").format(
        plain.told("", problem),
        edited_since(store),
        _asking(store, people, workshop, chosen) if workshop else "",
        plain.table(HEADS, [_row(row) for row in found.iter_rows(named=True)])
        if found.height
        else Markup('<p class="soft">Nothing was asked for yet.</p>'),
    )
    return plain.page("Jobs", inside, frame.places(), refresh_s=READ_AGAIN_S if busy and not problem else 0)


def _asking(store: Store, people: People, workshop: Workshop, chosen: str) -> Markup:
    """The forms. A name of a recording may be a flight's, so only the officer chooses among names."""
    token = Markup('<input type="hidden" name="token" value="{}">').format(uuid4().hex)
    books = plain.choice("rules", "Rule book", _books(store, people, workshop), chosen)
    button = plain.button(WORK["detect"], name="act", value="detect")
    judge = plain.form("/jobs", Markup("{}{}{}").format(token, books, button), css="inline-form")
    if workshop.folder is None:
        none = "No folder is set from which recordings are loaded: FDM_DROP_FOLDER. On the command line: fdm load."
        return Markup('<p class="soft">{}</p><div class="asking">{}</div>').format(none, judge)
    sources = [EVERYTHING, *workshop.sources()] if viewer().role == OFFICER else [EVERYTHING]
    maps = workshop.maps()
    load = Markup("{}{}{}{}").format(
        Markup('<input type="hidden" name="token" value="{}">').format(uuid4().hex),
        plain.choice("source", "Recordings", sources),
        plain.choice("map", "Parameter map", ["", *maps]) if maps else "",
        plain.button(WORK["load"], name="act", value="load", css="primary"),
    )
    return Markup('<div class="asking">{}{}</div>').format(plain.form("/jobs", load, css="inline-form"), judge)


def _books(store: Store, people: People, workshop: Workshop) -> list[tuple[str, str]]:
    """The rule books to judge by: the one in force, those to go back to, and saved ones with who, when and why."""
    saved = {f"{row['version_id']:06d}": row for row in people.books.versions().iter_rows(named=True)}
    back = ((book.key, book.title) for book in versions.ways_back(store))
    return [(IN_FORCE, IN_FORCE), *back, *((key, _called(int(key), saved.get(key))) for key in workshop.versions())]


def _called(number: int, row: dict[str, Any] | None) -> str:
    if row is None:
        return f"{number}, of which nothing is known here"
    reason = shorten(row["reason"], REASON, placeholder=" …")
    return f"{number}: {row['name']} {row['version']}, {row['saved_by']}, {in_words(row['saved_utc'])}: {reason}"


def _row(row: dict[str, Any]) -> list[Markup | str]:
    percent = round(100 * row["progress"])
    bar = Markup('<span class="progress" role="img" aria-label="{0} %"><i style="width:{0}%"></i></span>').format(
        percent
    )
    cancel = Markup('<input type="hidden" name="job" value="{}">{}').format(
        row["job_id"], plain.button("Cancel", name="act", value="cancel")
    )
    ended = row["state"] in ENDED
    stopping = "stopping" if row["cancelled_by"] and not ended else row["state"]
    says = row["says"].removeprefix(f"{row['state']}: ")
    return [
        str(row["job_id"]),
        WORK.get(row["kind"], row["kind"]),
        Markup('{} <span class="soft">{}</span>').format(row["asked_by"], in_words(row["asked_utc"])),
        stopping,
        Markup('{} <span class="soft">{}</span>').format(bar if row["state"] == "running" else "", says),
        Markup("") if ended or row["cancelled_by"] else plain.form("/jobs", cancel),
    ]
