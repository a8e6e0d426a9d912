"""Debriefs: that a released event was debriefed is an act of its own."""

import sqlalchemy as sa
from alembic import op

from fdm.people.migrations.append_only import append_only

revision = "0003"
down_revision = "0002"

TOPICS = "'decision', 'assignment', 'maintenance', 'training', 'release', 'debrief', 'snooze', 'comment'"
KNOWN_TOPIC = f"topic IN ({TOPICS})"


def upgrade() -> None:
    """The acts may be about one topic more; every act stays as it was."""
    if op.get_bind().dialect.name == "postgresql":
        op.drop_constraint("known_topic", "acts", type_="check")
        op.create_check_constraint("known_topic", "acts", KNOWN_TOPIC)
    else:
        _made_again()


def _made_again() -> None:
    """SQLite cannot change a check: the table is made again, filled, and gets its indexes and refusals.

    The old one is renamed first, so that what refers to its rows is itself alone, and dropping it breaks no reference.
    """
    op.execute("ALTER TABLE acts RENAME TO acts_before")
    op.drop_index("one_first_act", "acts_before")
    op.drop_index("ix_acts_entry_id", "acts_before")
    _acts()
    op.execute("INSERT INTO acts SELECT * FROM acts_before ORDER BY act_id")
    op.drop_table("acts_before")
    first = sa.text("supersedes IS NULL AND topic <> 'comment'")
    op.create_index("one_first_act", "acts", ["event_id", "topic"], unique=True, sqlite_where=first)
    op.create_index("ix_acts_entry_id", "acts", ["entry_id"])
    append_only("acts", "act_id")


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
        sa.Column("until_utc", sa.String(27)),
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
        sa.CheckConstraint(KNOWN_TOPIC, name="known_topic"),
        sa.CheckConstraint("topic <> 'decision' OR state IN ('valid', 'nuisance', 'false')", name="known_verdict"),
    )
