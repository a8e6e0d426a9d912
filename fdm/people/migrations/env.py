"""Run by Alembic for each upgrade, on the connection and in the transaction that fdm.people.upgrading opened."""

from alembic import context

context.configure(connection=context.config.attributes["connection"], transactional_ddl=True)
context.run_migrations()
