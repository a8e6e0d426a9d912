"""Reviews, saved rule books and the audit log."""

import sqlalchemy as sa
from alembic import op

from fdm.people.migrations.append_only import append_only, make_refusal

revision = "0001"
down_revision = None

UTC_TEXT = sa.String(27)


def upgrade() -> None:
    """The history tables."""
    op.create_table(
        "audit",
        sa.Column("entry_id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("token", sa.String(64), nullable=False, unique=True),
        sa.Column("at_utc", UTC_TEXT, nullable=False),
        sa.Column("who", sa.String(100), nullable=False),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("act", sa.String(40), nullable=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("detail", sa.Text, nullable=False),
        sa.Column("came_from", sa.Text, nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
    )
    _acts()
    op.create_table(
        "book_versions",
        sa.Column("version_id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("entry_id", sa.Integer, sa.ForeignKey("audit.entry_id"), nullable=False),
        sa.Column("hash", sa.String(64), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("version", sa.String(100), nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("files", sa.Text, nullable=False),
    )
    make_refusal()
    append_only("audit", "entry_id")
    append_only("acts", "act_id")
    append_only("book_versions", "version_id")


def _acts() -> None:
    op.create_table(
        "acts",
        sa.Column("act_id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("entry_id", sa.Integer, sa.ForeignKey("audit.entry_id"), nullable=False),
        sa.Column("event_id", sa.String(200), nullable=False),
        sa.Column("topic", sa.String(20), nullable=False),
        sa.Column("state", sa.String(100)),
        sa.Column("reason", sa.String(200)),
        sa.Column("note", sa.Text),
        sa.Column("until_utc", UTC_TEXT),
        sa.Column("rule_hash", sa.String(64)),
        sa.Column("rule_book", sa.Text),
        sa.Column("severity", sa.String(10)),
        sa.Column("value", sa.Float(53)),
        sa.Column("limit_passed", sa.Float(53)),
        sa.Column("unit", sa.String(20)),
        sa.Column("supersedes", sa.Integer, unique=True),
        sa.Column("undoes", sa.Integer, sa.ForeignKey("acts.act_id")),
        sa.UniqueConstraint("event_id", "topic", "act_id", name="acts_by_event"),
        sa.ForeignKeyConstraint(
            ["event_id", "topic", "supersedes"],
            ["acts.event_id", "acts.topic", "acts.act_id"],
            name="supersedes_same_topic",
        ),
        sa.CheckConstraint(
            "topic IN ('decision', 'assignment', 'maintenance', 'training', 'release', 'snooze', 'comment')",
            name="known_topic",
        ),
        sa.CheckConstraint("topic <> 'decision' OR state IN ('valid', 'nuisance', 'false')", name="known_verdict"),
    )
    first = sa.text("supersedes IS NULL AND topic <> 'comment'")
    op.create_index(
        "one_first_act", "acts", ["event_id", "topic"], unique=True, sqlite_where=first, postgresql_where=first
    )
    op.create_index("ix_acts_entry_id", "acts", ["entry_id"])
