"""What stands on every event, as a frame to join onto the events table, and events that fire no longer."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import polars as pl
from sqlalchemy import Connection, func, select

from fdm.people.acts import MANY, among, standing
from fdm.people.rows import as_frame
from fdm.people.tables import acts, audit
from fdm.schemas import UTC

# One row per event that anything was done about. The judged_* columns say what the decision was about.
CURRENT: dict[str, Any] = {
    "event_id": pl.String,
    "decision_id": pl.Int64,  # what decide wants as `seen`
    "verdict": pl.String,  # valid, nuisance, false; null when undecided or reopened
    "reason": pl.String,
    "note": pl.String,
    "decided_by": pl.String,
    "decided_utc": UTC,
    "judged_rule_hash": pl.String,
    "judged_rule_book": pl.String,
    "judged_severity": pl.String,
    "judged_value": pl.Float64,
    "judged_limit": pl.Float64,
    "judged_unit": pl.String,
    "assigned_to": pl.String,
    "maintenance": pl.String,  # open, closed
    "training": pl.String,
    "released_by": pl.String,
    "released_utc": UTC,
    "released_context": pl.String,  # what goes with it: month, airfield
    "debriefed_by": pl.String,
    "debriefed_utc": UTC,
    "snoozed_until_utc": UTC,
    "comments": pl.Int64,
}
_READ: dict[str, Any] = {
    "event_id": pl.String,
    "topic": pl.String,
    "decision_id": pl.Int64,
    "state": pl.String,
    "reason": pl.String,
    "note": pl.String,
    "snoozed_until_utc": UTC,
    "judged_rule_hash": pl.String,
    "judged_rule_book": pl.String,
    "judged_severity": pl.String,
    "judged_value": pl.Float64,
    "judged_limit": pl.Float64,
    "judged_unit": pl.String,
    "by": pl.String,
    "at_utc": UTC,
}
_STANDING = standing(
    select(
        acts.c.event_id,
        acts.c.topic,
        acts.c.act_id,
        acts.c.state,
        acts.c.reason,
        acts.c.note,
        acts.c.until_utc,
        acts.c.rule_hash,
        acts.c.rule_book,
        acts.c.severity,
        acts.c.value,
        acts.c.limit_passed,
        acts.c.unit,
        audit.c.who,
        audit.c.at_utc,
    )
    .join(audit, acts.c.entry_id == audit.c.entry_id)
    .where(acts.c.topic != "comment")
)
_COMMENTS = select(acts.c.event_id, func.count()).where(acts.c.topic == "comment").group_by(acts.c.event_id)


def read_current(connection: Connection, event_ids: Sequence[str] | None = None, since: int = 0) -> pl.DataFrame:
    """CURRENT, of some events or of all, of those touched after an act or of all."""
    queries = [among(query, event_ids) for query in (_STANDING, _COMMENTS)]
    if since:
        touched = select(acts.c.event_id).where(acts.c.act_id > since)
        queries = [query.where(acts.c.event_id.in_(touched)) for query in queries]
    read, comments = (connection.execute(query).all() for query in queries)
    counted = as_frame(comments, {"event_id": pl.String, "comments": pl.Int64})
    frame = _wide(as_frame(read, _READ), counted)
    return frame if event_ids is None or len(event_ids) <= MANY else _only(frame, event_ids)


def _only(frame: pl.DataFrame, event_ids: Sequence[str]) -> pl.DataFrame:
    return frame.join(pl.DataFrame({"event_id": event_ids}, schema={"event_id": pl.String}), on="event_id", how="semi")


def _wide(read: pl.DataFrame, comments: pl.DataFrame) -> pl.DataFrame:
    """One row per event from one row per event and topic."""

    def of(topic: str, *columns: str, **renamed: str) -> pl.DataFrame:
        named = (pl.col(column).alias(name) for name, column in renamed.items())
        return read.filter(pl.col("topic") == topic).select("event_id", *columns, *named)

    judged = [name for name in _READ if name.startswith("judged_")]
    decided = of(
        "decision", "decision_id", "reason", "note", *judged, verdict="state", decided_by="by", decided_utc="at_utc"
    )
    released = of("release", "state", released_by="by", released_utc="at_utc", released_context="reason").filter(
        pl.col("state").is_not_null()
    )
    debriefed = of("debrief", "state", debriefed_by="by", debriefed_utc="at_utc").filter(pl.col("state") == "done")
    topics = [
        decided,
        of("assignment", assigned_to="state"),
        of("maintenance", maintenance="state"),
        of("training", training="state"),
        released.drop("state"),
        debriefed.drop("state"),
        of("snooze", "snoozed_until_utc"),
        comments,
    ]
    frame = pl.concat([topic.select("event_id") for topic in topics]).unique(maintain_order=True)
    for topic in topics:
        frame = frame.join(topic, on="event_id", how="left", maintain_order="left")
    return frame.with_columns(pl.col("comments").fill_null(0)).select(*CURRENT)


def released_again(connection: Connection, entry_id: int) -> int:
    """How many events an entry made valid again on which a release still stands, so that captains see them again."""
    now, before = acts.alias("now"), acts.alias("before")
    released = standing(select(acts.c.event_id)).where(acts.c.topic == "release", acts.c.state.is_not(None))
    query = select(func.count()).select_from(now.join(before, now.c.supersedes == before.c.act_id))
    query = query.where(now.c.entry_id == entry_id, now.c.topic == "decision", now.c.state == "valid")
    query = query.where(before.c.state.is_distinct_from("valid"), now.c.event_id.in_(released))
    return int(connection.scalar(query) or 0)


def with_reviews(events: pl.DataFrame, current: pl.DataFrame, at: datetime) -> pl.DataFrame:
    """The events with what stands on them: the columns of CURRENT, and

    rule_changed     the decision judged this event under another rule (other limits, other settings)
    snoozed          set aside for now
    in_debriefing    released, and still decided valid
    """
    rule_differs = pl.col("judged_rule_hash").ne_missing(pl.col("rule_hash"))
    return events.join(current, on="event_id", how="left", maintain_order="left").with_columns(
        pl.col("comments").fill_null(0),
        rule_changed=pl.col("verdict").is_not_null() & rule_differs,
        snoozed=(pl.col("snoozed_until_utc") > at).fill_null(False),
        in_debriefing=pl.col("released_utc").is_not_null() & (pl.col("verdict") == "valid").fill_null(False),
    )


def fires_no_longer(current: pl.DataFrame, events: pl.DataFrame, outcomes: pl.DataFrame) -> pl.DataFrame:
    """Reviewed events that the archive holds no more: the columns of CURRENT, landing_id, rule, and `says` why.

    events, outcomes    the archive's tables now
    """
    gone = current.join(events.select("event_id"), on="event_id", how="anti").with_columns(
        landing_id=pl.col("event_id").str.replace(r"-[a-z][a-z0-9_]*$", ""),
        rule=pl.col("event_id").str.extract(r"-([a-z][a-z0-9_]*)$"),
    )
    now = outcomes.select("landing_id", pl.col("rule", "outcome").cast(pl.String), why=pl.col("reason").cast(pl.String))
    known = now.select("landing_id").unique().with_columns(landing_known=pl.lit(True))
    joined = gone.join(now, on=["landing_id", "rule"], how="left", maintain_order="left").join(
        known, on="landing_id", how="left", maintain_order="left"
    )
    says = (
        pl.when(pl.col("outcome") == "within")
        .then(pl.lit("fires no longer: within limits now"))
        .when(pl.col("outcome") == "not_assessed")
        .then(pl.format("fires no longer: not assessed now ({})", pl.col("why").fill_null("no reason given")))
        .when(pl.col("landing_known"))
        .then(pl.lit("fires no longer: the rule is not in the rule book now"))
        .otherwise(pl.lit("fires no longer: the landing is not in the archive now"))
    )
    return joined.with_columns(says=says).drop("outcome", "why", "landing_known")
