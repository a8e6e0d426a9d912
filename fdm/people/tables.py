"""The store's tables, for queries. The migrations make them; a test holds that the two agree.

audit, acts and book_versions are history: the database itself refuses to change or delete a row of them.
"""

from __future__ import annotations

from sqlalchemy import (
    CheckConstraint,
    Column,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from fdm.people.roles import ROLES

UTC_TEXT = String(27)  # times.to_text
TOPICS = ("decision", "assignment", "maintenance", "training", "release", "debrief", "snooze", "comment")
CONTEXT = ("month", "airfield")
VERDICTS = ("valid", "nuisance", "false")
STATES = ("queued", "running", "done", "failed", "cancelled", "interrupted")

metadata = MetaData()

audit = Table(
    "audit",
    metadata,
    Column("entry_id", Integer, primary_key=True, autoincrement=False),  # 1, 2, 3 ... without a gap
    Column("token", String(64), nullable=False, unique=True),  # the same act sent twice is one entry
    Column("at_utc", UTC_TEXT, nullable=False),
    Column("who", String(100), nullable=False),
    Column("role", String(20), nullable=False),
    Column("act", String(40), nullable=False),  # one of roles.MAY
    Column("subject", Text, nullable=False),  # event, user, table: what it was done to
    Column("detail", Text, nullable=False),  # JSON
    Column("came_from", Text, nullable=False),
    Column("hash", String(64), nullable=False),  # over the hash before it and this entry
)

acts = Table(
    "acts",
    metadata,
    Column("act_id", Integer, primary_key=True, autoincrement=False),
    Column("entry_id", ForeignKey("audit.entry_id"), nullable=False, index=True),
    Column("event_id", String(200), nullable=False),
    Column("topic", String(20), nullable=False),
    Column("state", String(100)),  # the verdict, the assignee, open or closed, released, done, snoozed; none is none
    Column("reason", String(200)),  # of a release: what of the landing goes with it, of CONTEXT
    Column("note", Text),
    Column("until_utc", UTC_TEXT),
    Column("rule_hash", String(64)),  # of the rule that a decision judged, with what it said of the event
    Column("rule_book", Text),
    Column("severity", String(10)),
    Column("value", Float(53)),
    Column("limit_passed", Float(53)),
    Column("unit", String(20)),
    Column("supersedes", Integer, unique=True),  # a line of acts on one topic cannot fork
    Column("undoes", ForeignKey("acts.act_id")),
    UniqueConstraint("event_id", "topic", "act_id", name="acts_by_event"),
    ForeignKeyConstraint(
        ["event_id", "topic", "supersedes"],
        ["acts.event_id", "acts.topic", "acts.act_id"],
        name="supersedes_same_topic",
    ),
    CheckConstraint(f"topic IN {TOPICS!r}", name="known_topic"),
    CheckConstraint(f"topic <> 'decision' OR state IN {VERDICTS!r}", name="known_verdict"),
)
_FIRST = text("supersedes IS NULL AND topic <> 'comment'")
Index(
    "one_first_act",
    acts.c.event_id,
    acts.c.topic,
    unique=True,
    sqlite_where=_FIRST,
    postgresql_where=_FIRST,
)

book_versions = Table(
    "book_versions",
    metadata,
    Column("version_id", Integer, primary_key=True, autoincrement=False),
    Column("entry_id", ForeignKey("audit.entry_id"), nullable=False),
    Column("hash", String(64), nullable=False),
    Column("name", String(200), nullable=False),
    Column("version", String(100), nullable=False),
    Column("reason", Text, nullable=False),
    Column("files", Text, nullable=False),  # JSON: file name to its text
)

users = Table(
    "users",
    metadata,
    Column("name", String(64), primary_key=True),
    Column("role", String(20), nullable=False),
    Column("password_hash", Text, nullable=False),  # argon2id
    Column("epoch", Integer, nullable=False),  # one more ends every session
    Column("created_utc", UTC_TEXT, nullable=False),
    Column("changed_utc", UTC_TEXT, nullable=False),
    Column("disabled_utc", UTC_TEXT),
    CheckConstraint(f"role IN {ROLES!r}", name="known_role"),
)

sessions = Table(
    "sessions",
    metadata,
    Column("key", String(64), primary_key=True),  # SHA-256 of the token, which only the browser has
    Column("name", ForeignKey("users.name"), nullable=False, index=True),
    Column("epoch", Integer, nullable=False),
    Column("created_utc", UTC_TEXT, nullable=False),
    Column("seen_utc", UTC_TEXT, nullable=False),
    Column("came_from", Text, nullable=False),
)

jobs = Table(
    "jobs",
    metadata,
    Column("job_id", Integer, primary_key=True, autoincrement=False),
    Column("kind", String(20), nullable=False),
    Column("arguments", Text, nullable=False),  # JSON
    Column("state", String(20), nullable=False, index=True),
    Column("progress", Float(53), nullable=False),  # 0 to 1
    Column("says", Text, nullable=False),
    Column("asked_by", String(100), nullable=False),
    Column("asked_utc", UTC_TEXT, nullable=False),
    Column("started_utc", UTC_TEXT),
    Column("beat_utc", UTC_TEXT),  # the worker's last sign of life
    Column("ended_utc", UTC_TEXT),
    Column("worker", String(300)),  # host and process
    Column("cancelled_by", String(100)),
    CheckConstraint(f"state IN {STATES!r}", name="known_state"),
)

HISTORY = {"audit": audit, "acts": acts, "book_versions": book_versions}
