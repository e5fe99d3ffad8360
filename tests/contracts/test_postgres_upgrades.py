"""The forms of a store on PostgreSQL: older ones are brought up to date, newer and foreign ones refused.

A store of an older form is made by running the steps up to it and putting the rows of the store in there that an older
version saved in SQLite.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Callable
from pathlib import Path

import psycopg
import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import create_engine

from halfsplit.errors import UserError
from halfsplit.jobs.events import NoteAdded, to_json
from halfsplit.jobs.migrations.tables import metadata
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.recording import load_job, record
from halfsplit.jobs.sql import SqlStore
from halfsplit.jobs.store import JobStore
from halfsplit.jobs.units import unit_to_json

HERE = Path(__file__).parent
OLD_STORES = sorted((HERE / "stores").glob("jobs-*.sqlite3"))
LATER, FAILING = [HERE / "later_steps"], [HERE / "failing_steps"]


def ask(address: str, statement: str, *values: object) -> list[tuple[object, ...]]:
    """Runs one statement beside the store and gives its rows."""
    with psycopg.connect(address.replace("postgresql+psycopg", "postgresql"), autocommit=True) as connection:
        cursor = connection.execute(statement.encode(), values)
        return cursor.fetchall() if cursor.description else []


def events_in(store: JobStore) -> list[str]:
    return [to_json(event) for line in store.jobs() for event in store.events(line.id)]


@pytest.fixture(params=OLD_STORES, ids=lambda path: path.stem)
def old_store(request: pytest.FixtureRequest, new_database: Callable[[], str]) -> tuple[str, Path]:
    """The address of a store of an older form, and the saved store its rows came from."""
    saved: Path = request.param
    address = new_database()
    SqlStore(address, head=saved.stem.removeprefix("jobs-")).close()
    with contextlib.closing(sqlite3.connect(saved)) as source:
        present = {name for (name,) in source.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        for table in metadata.sorted_tables:
            if table.name not in present:
                continue
            rows = source.execute(f"SELECT * FROM {table.name}")  # noqa: S608 - the names are our own tables'
            names = ", ".join(f'"{column[0]}"' for column in rows.description)
            for row in rows:
                places = ", ".join(["%s"] * len(row))
                # The names are our own tables' and columns'.
                ask(address, f"INSERT INTO {table.name} ({names}) VALUES ({places})", *row)  # noqa: S608 - as above
    return address, saved


def test_an_old_store_gives_what_it_holds_and_takes_more(old_store: tuple[str, Path]) -> None:
    address, saved = old_store
    notes = saved.with_suffix(".units.jsonl")
    units = notes.read_text(encoding="utf-8").splitlines() if notes.exists() else []
    with open_store(address) as store:
        assert events_in(store) == saved.with_suffix(".events.jsonl").read_text(encoding="utf-8").splitlines()
        assert [unit_to_json(one) for serial in store.units() for one in store.unit_events(serial)] == units
        job = record(store, load_job(store, "old-1"), NoteAdded("and on"), when="2031-06-01T00:00:00Z")
    with open_store(address) as store:
        assert load_job(store, "old-1") == job


def test_an_upgrade_keeps_every_event_and_one_that_fails_half_way_changes_nothing(
    old_store: tuple[str, Path],
) -> None:
    address, saved = old_store
    expected = saved.with_suffix(".events.jsonl").read_text(encoding="utf-8").splitlines()
    columns = "SELECT column_name FROM information_schema.columns WHERE table_name = 'jobs'"
    with pytest.raises(ArithmeticError):
        SqlStore(address, head="9001", extra_steps=FAILING)
    assert ("weather",) not in ask(address, columns)
    assert ask(address, "SELECT version_num FROM alembic_version") == [(saved.stem.removeprefix("jobs-"),)]
    with SqlStore(address, head="9001", extra_steps=LATER) as store:
        assert events_in(store) == expected
    assert ask(address, "SELECT DISTINCT weather FROM jobs") == [("not asked",)]


def test_a_store_of_a_newer_version_is_refused_and_left_alone(new_database: Callable[[], str]) -> None:
    address = new_database()
    SqlStore(address, head="9001", extra_steps=LATER).close()
    with pytest.raises(UserError, match="9001") as caught:
        open_store(address)
    assert caught.value.code == "store-newer"
    assert ask(address, "SELECT version_num FROM alembic_version") == [("9001",)]


def test_the_steps_lead_to_the_tables_the_store_uses(new_database: Callable[[], str]) -> None:
    address = new_database()
    open_store(address).close()
    engine = create_engine(address)
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
    engine.dispose()


@pytest.mark.parametrize(
    "statements",
    [
        ["CREATE TABLE stamps (name TEXT)"],
        ["CREATE TABLE alembic_version (version_num TEXT)", "CREATE TABLE jobs (id TEXT)",
         "INSERT INTO alembic_version VALUES ('0000')"],
    ],
    ids=["another program", "a form nobody wrote"],
)  # fmt: skip
def test_a_database_that_is_no_store_of_ours_is_refused_and_left_alone(
    new_database: Callable[[], str], statements: list[str]
) -> None:
    address = new_database()
    for statement in statements:
        ask(address, statement)
    tables = "SELECT table_name FROM information_schema.tables WHERE table_schema = 'public' ORDER BY 1"
    before = ask(address, tables)
    with pytest.raises(UserError) as caught:
        open_store(address)
    assert caught.value.code == "store-foreign"
    assert ask(address, tables) == before
