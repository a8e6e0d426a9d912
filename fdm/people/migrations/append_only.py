"""Rows that the database refuses to change, delete or replace, on SQLite and PostgreSQL."""

from __future__ import annotations

from alembic import op

SAYS = "is history: it is added to, never changed"
_FUNCTION = f"""
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS
$$ BEGIN RAISE EXCEPTION '% {SAYS}', TG_TABLE_NAME; END $$
"""


def make_refusal() -> None:
    """Once, before the first append_only."""
    if op.get_bind().dialect.name == "postgresql":
        op.execute(_FUNCTION)


def append_only(table: str, key: str) -> None:
    """Triggers that refuse UPDATE and DELETE; on SQLite REPLACE too, on PostgreSQL TRUNCATE."""
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            f"CREATE TRIGGER {table}_is_history BEFORE UPDATE OR DELETE OR TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION refuse_change()"
        )
        return
    for verb in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, '{table} {SAYS}'); END"
        )
    op.execute(
        f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
        f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {key} = NEW.{key}) "
        f"BEGIN SELECT RAISE(ABORT, '{table} {SAYS}'); END"
    )
