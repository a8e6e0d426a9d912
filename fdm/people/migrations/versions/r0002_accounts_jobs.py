"""Accounts, their sessions, and work asked for from the browser."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

UTC_TEXT = sa.String(27)


def upgrade() -> None:
    """Tables whose rows change: what changed in them is in the audit log."""
    op.create_table(
        "users",
        sa.Column("name", sa.String(64), primary_key=True),
        sa.Column("role", sa.String(20), nullable=False),
        sa.Column("password_hash", sa.Text, nullable=False),
        sa.Column("epoch", sa.Integer, nullable=False),
        sa.Column("created_utc", UTC_TEXT, nullable=False),
        sa.Column("changed_utc", UTC_TEXT, nullable=False),
        sa.Column("disabled_utc", UTC_TEXT),
        sa.CheckConstraint("role IN ('officer', 'captain', 'analyst', 'administrator')", name="known_role"),
    )
    op.create_table(
        "sessions",
        sa.Column("key", sa.String(64), primary_key=True),
        sa.Column("name", sa.String(64), sa.ForeignKey("users.name"), nullable=False),
        sa.Column("epoch", sa.Integer, nullable=False),
        sa.Column("created_utc", UTC_TEXT, nullable=False),
        sa.Column("seen_utc", UTC_TEXT, nullable=False),
        sa.Column("came_from", sa.Text, nullable=False),
    )
    op.create_index("ix_sessions_name", "sessions", ["name"])
    op.create_table(
        "jobs",
        sa.Column("job_id", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("arguments", sa.Text, nullable=False),
        sa.Column("state", sa.String(20), nullable=False),
        sa.Column("progress", sa.Float(53), nullable=False),
        sa.Column("says", sa.Text, nullable=False),
        sa.Column("asked_by", sa.String(100), nullable=False),
        sa.Column("asked_utc", UTC_TEXT, nullable=False),
        sa.Column("started_utc", UTC_TEXT),
        sa.Column("beat_utc", UTC_TEXT),
        sa.Column("ended_utc", UTC_TEXT),
        sa.Column("worker", sa.String(300)),
        sa.Column("cancelled_by", sa.String(100)),
        sa.CheckConstraint(
            "state IN ('queued', 'running', 'done', 'failed', 'cancelled', 'interrupted')", name="known_state"
        ),
    )
    op.create_index("ix_jobs_state", "jobs", ["state"])
