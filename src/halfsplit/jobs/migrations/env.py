"""Run by alembic for an upgrade that ``migrations.steps`` began, inside that connection's transaction."""

from __future__ import annotations

from alembic import context

from halfsplit.jobs.migrations.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    # SQLite changes a table by making a new one and moving the rows over; batch mode does that.
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
