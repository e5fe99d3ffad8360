"""Stands in for a step with a mistake: it changes the tables and then fails."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "9001"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("jobs", recreate="always") as jobs:
        jobs.add_column(sa.Column("weather", sa.Text))
    op.execute("DELETE FROM events")
    raise ArithmeticError("a mistake in the step")
