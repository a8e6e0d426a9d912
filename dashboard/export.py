"""Tables out of the dashboard: the list under its filters as CSV or Parquet, each written into the log first."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl
from flask import Flask, Response, abort, request

from dashboard import recorder
from dashboard.access import open_to
from dashboard.landing_list import landings
from dashboard.query import ALL_WEEKS, Query, parse
from dashboard.queue import listed_events, week_of
from dashboard.store import Store
from fdm import schemas
from fdm.exporting import encoded
from fdm.people.errors import PeopleError
from fdm.people.roles import OFFICER

KINDS = {"csv": "text/csv; charset=utf-8", "parquet": "application/vnd.apache.parquet"}
_SAID = ("verdict", "rule_changed", "assigned_to", "maintenance", "training", "in_debriefing", "snoozed_until_utc")
_DECIDED = ("reason", "note", "decided_by", "decided_utc")
_LANDINGS = ("week", "place", "judged", "assessed", "silent", "high", "medium", "low")


def register(server: Flask, store: Store) -> None:
    """The address of exports: /export/<what>.<kind>?<filters of the page>."""

    @server.get("/export/<what>.<kind>")
    @open_to(OFFICER)
    def export(what: str, kind: str) -> Response:
        if what not in TABLES or kind not in KINDS:
            abort(404)
        query = parse(request.query_string.decode("utf-8", "replace"))
        frame = TABLES[what](store, query)
        why = _logged(store, f"{what}.{kind}", frame.height, query)
        if why:
            return Response(f"Nothing was exported: {why}\n", 503, mimetype="text/plain")
        period = week_of(store.held(), query) if what == "events" else query.week or ALL_WEEKS
        name = f"{what}-{'all-weeks' if period == ALL_WEEKS else period}.{kind}"
        head = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
        return Response(encoded(frame, kind), headers=head, content_type=KINDS[kind])


def _logged(store: Store, subject: str, rows: int, query: Query) -> str:
    """Writes the export into the log; why it could not be."""
    if store.desk is None:
        return "no log is kept here."
    try:
        store.desk.ask(lambda people, by: people.audit.record(by, "export", subject, rows=rows, chosen_by=query.told))
    except PeopleError as error:
        return str(error)
    return ""


def events(store: Store, query: Query) -> pl.DataFrame:
    """Every event of the list on all its pages, in its order: schemas.EVENTS, and what was done about it."""
    held = store.reviewed()
    found = listed_events(held, query)
    own = found.select(*schemas.EVENTS, "title", "week", "place", *_SAID)
    if store.desk is None:
        return own
    decided = store.desk.verdicts().current.select("event_id", *_DECIDED)
    return own.join(decided.rename({"reason": "decision_reason", "note": "decision_note"}), on="event_id", how="left")


def not_assessed(store: Store, query: Query) -> pl.DataFrame:
    """What could not be assessed on account of the recording, by aircraft and parameter: recorder.SILENT."""
    return recorder.silent(store.held(), query)


def landing_table(store: Store, query: Query) -> pl.DataFrame:
    """Every landing of the list: schemas.LANDINGS, and how many rules were assessed and events found."""
    held = store.held()
    order = landings(held, query).select("landing_id")
    return order.join(held.landings, on="landing_id", how="left", maintain_order="left").select(
        *schemas.LANDINGS, *_LANDINGS
    )


TABLES: dict[str, Callable[[Store, Query], pl.DataFrame]] = {
    "events": events,
    "not-assessed": not_assessed,
    "landings": landing_table,
}
