"""Runs the steps on the connection that the store hands over, inside its transaction."""

from alembic import context

from benchwarden.jobs.schema import VERSION_TABLE

context.configure(
    connection=context.config.attributes["connection"], version_table=VERSION_TABLE, transactional_ddl=True
)
with context.begin_transaction():
    context.run_migrations()
