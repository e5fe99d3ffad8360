"""The tables as they are today. The steps in ``versions`` lead here; a test holds the two together."""

from __future__ import annotations

from sqlalchemy import (
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)

#: Constraints carry names, because a step that changes one must be able to name it on every database.
metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "ix": "ix_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
    }
)

#: One row a job, kept in step with its events inside the same transaction, so that a list need not read them
#: all.
jobs = Table(
    "jobs",
    metadata,
    Column("id", String(64), primary_key=True),
    Column("machine", Text, nullable=False),
    Column("fingerprint", Text, nullable=False),
    Column("unit", Text, nullable=False),
    Column("opened", String(27), nullable=False),
    Column("state", String(6), nullable=False),
    Column("last_number", Integer, nullable=False),
    Column("changed", String(27), nullable=False),
    CheckConstraint("state IN ('open', 'closed')", name="state"),
    CheckConstraint("last_number >= 1", name="last_number"),
    Index(None, "machine"),
)

#: The events, each as the canonical JSON of ``events.to_json``.
events = Table(
    "events",
    metadata,
    Column("job", String(64), ForeignKey("jobs.id"), primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("body", Text, nullable=False),
    CheckConstraint("number >= 1", name="number"),
)

#: What was noted of units, each as the canonical JSON of ``units.unit_to_json``.
unit_events = Table(
    "unit_events",
    metadata,
    Column("unit", String(64), primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("body", Text, nullable=False),
    CheckConstraint("number >= 1", name="number"),
)

machines = Table("machines", metadata, Column("fingerprint", String(64), primary_key=True))

machine_files = Table(
    "machine_files",
    metadata,
    Column("fingerprint", String(64), ForeignKey("machines.fingerprint"), primary_key=True),
    Column("name", String(200), primary_key=True),
    Column("content", LargeBinary, nullable=False),
)

#: What belongs to the shop and to no job, such as what the van holds: every state of it that was ever kept.
documents = Table(
    "documents",
    metadata,
    Column("kind", String(32), primary_key=True),
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("written", String(27), nullable=False),
    Column("by", Text, nullable=False),
    Column("body", Text, nullable=False),
    CheckConstraint("number >= 1", name="number"),
)
