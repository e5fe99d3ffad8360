"""The first tables: jobs, events, machines and their files."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Makes the tables in an empty database."""
    op.create_table(
        "jobs",
        sa.Column("id", sa.String(64), nullable=False),
        sa.Column("machine", sa.Text, nullable=False),
        sa.Column("fingerprint", sa.Text, nullable=False),
        sa.Column("unit", sa.Text, nullable=False),
        sa.Column("opened", sa.String(27), nullable=False),
        sa.Column("state", sa.String(6), nullable=False),
        sa.Column("last_number", sa.Integer, nullable=False),
        sa.Column("changed", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
        sa.CheckConstraint("state IN ('open', 'closed')", name=op.f("ck_jobs_state")),
        sa.CheckConstraint("last_number >= 1", name=op.f("ck_jobs_last_number")),
    )
    op.create_index(op.f("ix_jobs_machine"), "jobs", ["machine"])
    op.create_table(
        "events",
        sa.Column("job", sa.String(64), nullable=False),
        sa.Column("number", sa.Integer, nullable=False, autoincrement=False),
        sa.Column("body", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("job", "number", name=op.f("pk_events")),
        sa.ForeignKeyConstraint(["job"], ["jobs.id"], name=op.f("fk_events_job")),
        sa.CheckConstraint("number >= 1", name=op.f("ck_events_number")),
    )
    op.create_table(
        "machines",
        sa.Column("fingerprint", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("fingerprint", name=op.f("pk_machines")),
    )
    op.create_table(
        "machine_files",
        sa.Column("fingerprint", sa.String(64), nullable=False),
        sa.Column("name", sa.String(200), nullable=False),
        sa.Column("content", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("fingerprint", "name", name=op.f("pk_machine_files")),
        sa.ForeignKeyConstraint(
            ["fingerprint"], ["machines.fingerprint"], name=op.f("fk_machine_files_fingerprint")
        ),
    )
