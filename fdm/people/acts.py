"""Acts on events: what each says, and finding them. An act is never changed; a later one of its topic supersedes it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, select

from fdm.people.tables import acts, audit
from fdm.people.times import to_time

MANY = 500  # ids that are still asked for by name


@dataclass(frozen=True)
class Judged:
    """An event as a person saw it when deciding: which rule, by its hash, said what."""

    event_id: str
    rule_hash: str | None = None
    rule_book: str | None = None
    severity: str | None = None
    value: float | None = None
    limit: float | None = None
    unit: str | None = None

    @classmethod
    def of(cls, event: Mapping[str, Any]) -> Judged:
        """From a row of the events table."""
        said: dict[str, Any] = {each.name: event.get(each.name) for each in fields(cls)}
        return cls(**said)

    def columns(self) -> dict[str, Any]:
        """As columns of acts."""
        return {
            "event_id": self.event_id,
            "rule_hash": self.rule_hash,
            "rule_book": self.rule_book,
            "severity": self.severity,
            "value": _number(self.value),
            "limit_passed": _number(self.limit),
            "unit": self.unit,
        }


def _number(value: float | None) -> float | None:
    return None if value is None or math.isnan(value) else float(value)


@dataclass(frozen=True)
class Act:
    """One thing somebody did about one event.

    topic     decision, assignment, maintenance, training, release, debrief, snooze, comment
    state     what holds from now on: the verdict, the assignee, open or closed, released, done, snoozed; None is none
    """

    act_id: int
    entry_id: int
    event_id: str
    topic: str
    state: str | None
    reason: str | None
    note: str | None
    until_utc: datetime | None
    rule_hash: str | None
    rule_book: str | None
    severity: str | None
    value: float | None
    limit_passed: float | None
    unit: str | None
    supersedes: int | None
    undoes: int | None
    by: str
    at_utc: datetime


def acts_query() -> Select[Any]:
    """Acts with who and when."""
    return select(acts, audit.c.who.label("by"), audit.c.at_utc).join(audit, acts.c.entry_id == audit.c.entry_id)


def found(connection: Connection, query: Select[Any]) -> list[Act]:
    """The acts that a query finds."""
    return [_act(row._asdict()) for row in connection.execute(query)]


def _act(row: Mapping[str, Any]) -> Act:
    until = row["until_utc"]
    return Act(**{**row, "until_utc": to_time(until) if until else None, "at_utc": to_time(row["at_utc"])})


def newest(connection: Connection, event_id: str, topic: str) -> Act | None:
    """What stands on a topic of an event."""
    query = acts_query().where(acts.c.event_id == event_id, acts.c.topic == topic)
    return next(iter(found(connection, query.order_by(acts.c.act_id.desc()).limit(1))), None)


def newest_ids(connection: Connection, event_ids: Sequence[str], topic: str) -> dict[str, int]:
    """The number of what stands on a topic, of each of many events that has any."""
    query = standing(select(acts.c.event_id, acts.c.act_id)).where(acts.c.topic == topic)
    rows = connection.execute(among(query, event_ids)).all()
    return {row.event_id: row.act_id for row in rows}


def standing(query: Select[Any]) -> Select[Any]:
    """Only acts that no other supersedes."""
    later = acts.alias("later")
    return query.where(~select(later.c.act_id).where(later.c.supersedes == acts.c.act_id).exists())


def among(query: Select[Any], event_ids: Iterable[str] | None) -> Select[Any]:
    """Only these events when they are few; every event otherwise, for the caller to choose from."""
    few = None if event_ids is None else list(event_ids)
    return query if few is None or len(few) > MANY else query.where(acts.c.event_id.in_(few))
