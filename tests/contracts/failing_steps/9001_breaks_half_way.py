"""Stands in for a step with a mistake: it changes the tables and then fails."""

from __future__ import annotations

from typing import Literal

import sqlalchemy as sa
from alembic import op

revision = "9001"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    # PostgreSQL changes a table in place; SQLite is made to move the rows.
    anew: Literal["always", "never"] = "always" if op.get_bind().dialect.name == "sqlite" else "never"
    with op.batch_alter_table("jobs", recreate=anew) as jobs:
        jobs.add_column(sa.Column("weather", sa.Text))
    op.execute("DELETE FROM events")
    raise ArithmeticError("a mistake in the step")
