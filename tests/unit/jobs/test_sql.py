"""What only the store in an SQLite file does: its settings, and the words for what goes wrong there."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest

from halfsplit.errors import UserError
from halfsplit.jobs import sql
from halfsplit.jobs.events import Event, JobOpened, NoteAdded
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.sql import SqlStore
from halfsplit.observations import Complaint

OPENING = Event("job-1", 1, "2031-04-02T07:15:00Z", "", JobOpened("m", "f", "u", Complaint(())))


def test_every_connection_waits_for_the_disk_and_watches_references(tmp_path: Path) -> None:
    path = tmp_path / "jobs.sqlite3"
    for _ in range(2):  # once when it is made, once when it is opened again
        with SqlStore.at_path(path) as store:
            for way in (store._reading, store._writing):
                with way() as connection:
                    found = {
                        name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
                        for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
                    }
                    # synchronous 2 is FULL: https://sqlite.org/pragma.html, checked against the library
                    # itself.
                    assert found == {
                        "journal_mode": "wal",
                        "synchronous": 2,
                        "foreign_keys": 1,
                        "busy_timeout": sql.BUSY_SECONDS * 1000,
                    }


def test_a_file_that_is_no_database_is_called_damaged_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "jobs.sqlite3"
    path.write_bytes(b"a shopping list, and not a short one\n" * 100)
    before = path.read_bytes()
    with pytest.raises(UserError) as caught:
        open_store(path)
    assert caught.value.code == "store-damaged"
    assert str(path) in str(caught.value)
    assert path.read_bytes() == before


def test_a_store_held_by_somebody_else_is_busy_after_the_wait(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "jobs.sqlite3"
    open_store(path).close()
    monkeypatch.setattr(sql, "BUSY_SECONDS", 0)
    with open_store(path) as store, contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(UserError) as caught:
            store.create_job(OPENING)
        assert caught.value.code == "store-busy"
        assert store.jobs() == ()  # readers do not wait for the writer
        other.execute("ROLLBACK")
        store.create_job(OPENING)
        assert len(store.jobs()) == 1


def test_a_full_disk_keeps_nothing_of_the_step_and_the_store_goes_on(tmp_path: Path) -> None:
    with SqlStore.at_path(tmp_path / "jobs.sqlite3") as store:
        engine = store._connected()
        with engine.connect() as connection:
            pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
            # SQLite's own limit on the file stands in for the disk's; it gives the same error as a full disk.
            connection.exec_driver_sql(f"PRAGMA max_page_count={pages}")
        long = Event("job-1", 2, OPENING.when, "", NoteAdded("x" * 100_000))
        with pytest.raises(UserError) as caught:
            store.create_job(OPENING, [long])
        assert caught.value.code == "store-write"
        assert store.jobs() == ()
        engine.dispose()
        store.create_job(OPENING, [long])
        assert store.events("job-1") == (OPENING, long)
