"""What is noted of units: serial number, kind of machine, hours, owner."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Adds the table of units' events; nothing that is there changes."""
    op.create_table(
        "unit_events",
        sa.Column("unit", sa.String(64), nullable=False),
        sa.Column("number", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("unit", "number", name=op.f("pk_unit_events")),
        sa.CheckConstraint("number >= 1", name=op.f("ck_unit_events_number")),
    )
