"""Documents: what belongs to the shop and to no job, such as what the van holds."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Adds the table; what is there stays as it is."""
    op.create_table(
        "documents",
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("number", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("written", sa.String(27), nullable=False),
        sa.Column("by", sa.Text, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("kind", "number", name=op.f("pk_documents")),
        sa.CheckConstraint("number >= 1", name=op.f("ck_documents_number")),
    )
