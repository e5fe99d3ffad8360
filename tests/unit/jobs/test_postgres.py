"""What only the store on PostgreSQL does: its settings, and the words for what goes wrong there."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import make_url

from halfsplit.errors import UserError
from halfsplit.jobs import postgres, sql
from halfsplit.jobs.events import Event, JobOpened
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.sql import SqlStore
from halfsplit.observations import Complaint

OPENING = Event("job-1", 1, "2031-04-02T07:15:00Z", "", JobOpened("m", "f", "u", Complaint(())))


def plain(address: str) -> str:
    return address.replace("postgresql+psycopg", "postgresql")


def shown(store: SqlStore, name: str) -> object:
    with store._writing() as connection:
        return connection.exec_driver_sql(f"SHOW {name}").scalar_one()


def test_every_connection_waits_for_the_disk_whatever_the_server_is_set_to(new_database: Callable[[], str]) -> None:
    address = new_database()
    name = make_url(address).database
    with psycopg.connect(plain(address), autocommit=True) as other:
        for setting in ("synchronous_commit = off", "default_transaction_isolation = 'serializable'"):
            other.execute(f"ALTER DATABASE {name} SET {setting}".encode())
    with SqlStore(address) as store:
        assert shown(store, "synchronous_commit") == "on"
        assert shown(store, "transaction_isolation") == "read committed"
        assert shown(store, "lock_timeout") == f"{sql.BUSY_SECONDS}s"
        with store._reading() as connection:
            assert connection.exec_driver_sql("SHOW transaction_isolation").scalar_one() == "repeatable read"


def test_a_stronger_promise_of_the_server_is_left_as_it_is(new_database: Callable[[], str]) -> None:
    address = new_database()
    with psycopg.connect(plain(address), autocommit=True) as other:
        other.execute(f"ALTER DATABASE {make_url(address).database} SET synchronous_commit = remote_apply".encode())
    with SqlStore(address) as store:
        assert shown(store, "synchronous_commit") == "remote_apply"


def test_options_that_the_address_gives_are_kept_beside_ours(new_database: Callable[[], str]) -> None:
    with SqlStore(f"{new_database()}&options=-c%20work_mem%3D8MB") as store:
        assert shown(store, "work_mem") == "8MB"
        assert shown(store, "lock_timeout") == f"{sql.BUSY_SECONDS}s"


def test_a_store_held_by_somebody_else_is_busy_after_the_wait(
    new_database: Callable[[], str], monkeypatch: pytest.MonkeyPatch
) -> None:
    address = new_database()
    open_store(address).close()
    monkeypatch.setattr(sql, "BUSY_SECONDS", 0)
    with open_store(address) as store, psycopg.connect(plain(address)) as other:
        other.execute("LOCK TABLE jobs IN EXCLUSIVE MODE")
        with pytest.raises(UserError) as caught:
            store.create_job(OPENING)
        assert caught.value.code == "store-busy"
        assert store.jobs() == ()  # readers do not wait for the writer
        other.rollback()
        store.create_job(OPENING)
        assert len(store.jobs()) == 1


def test_the_store_goes_on_after_the_server_has_cut_its_connections(new_database: Callable[[], str]) -> None:
    address = new_database()
    with open_store(address) as store:
        store.create_job(OPENING)
        with psycopg.connect(plain(address), autocommit=True) as other:
            cut = other.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE datname = current_database() AND pid <> pg_backend_pid()"
            ).fetchall()
        assert cut
        assert len(store.jobs()) == 1


def test_a_person_who_may_not_write_is_told_so(new_database: Callable[[], str]) -> None:
    address = new_database()
    name = make_url(address).database
    open_store(address).close()
    with psycopg.connect(plain(address), autocommit=True) as other:
        other.execute(f"ALTER DATABASE {name} SET default_transaction_read_only = on".encode())
    with open_store(address) as store:
        with pytest.raises(UserError) as caught:
            store.create_job(OPENING)
        assert caught.value.code == "store-write"
    with psycopg.connect(plain(address), autocommit=True) as other:
        other.execute("SET default_transaction_read_only = off")
        other.execute(f"ALTER DATABASE {name} RESET ALL".encode())


def test_a_database_that_cannot_keep_every_letter_is_refused(new_database: Callable[[], str]) -> None:
    address = make_url(new_database())
    # Removed with the server; its making needs the empty template.
    with psycopg.connect(plain(address.render_as_string()), autocommit=True) as other:
        other.execute("CREATE DATABASE western ENCODING 'LATIN1' LOCALE 'C' TEMPLATE template0")
    try:
        with pytest.raises(UserError, match="LATIN1") as caught:
            open_store(address.set(database="western").render_as_string())
        assert caught.value.code == "store-open"
    finally:
        with psycopg.connect(plain(address.render_as_string()), autocommit=True) as other:
            other.execute("DROP DATABASE western")


def test_a_server_that_is_not_there_is_named_without_the_password(tmp_path: Path) -> None:
    with pytest.raises(UserError) as caught:
        open_store(f"postgresql+psycopg://fitter:opensesame@/jobs?host={tmp_path}")
    assert caught.value.code == "store-open"
    assert str(tmp_path) in str(caught.value)
    assert "opensesame" not in str(caught.value)


def test_an_address_without_a_driver_takes_ours_and_another_driver_is_refused() -> None:
    assert postgres.with_driver(make_url("postgresql://h/d")).drivername == "postgresql+psycopg"
    with pytest.raises(UserError) as caught:
        open_store("postgresql+asyncpg://h/d")
    assert caught.value.code == "store-address"


def test_without_the_driver_the_person_is_told_what_to_install() -> None:
    script = (
        "import sys; sys.modules['psycopg'] = None\n"
        "from halfsplit.errors import UserError\n"
        "from halfsplit.jobs.opening import open_store\n"
        "try: open_store('postgresql://h/d')\n"
        "except UserError as error: print(error.code, error)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("store-address")
    assert "halfsplit[postgres]" in done.stdout + done.stderr


def test_the_setting_names_the_store_of_nobody_in_particular(
    new_database: Callable[[], str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("HALFSPLIT_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("HALFSPLIT_STORE", new_database())
    with open_store() as store:
        store.create_job(OPENING)
    with open_store() as store:
        assert [line.id for line in store.jobs()] == ["job-1"]
    assert not (tmp_path / "home").exists()
    monkeypatch.setenv("HALFSPLIT_STORE", str(tmp_path / "other.sqlite3"))
    with open_store() as store:
        assert store.jobs() == ()
    assert (tmp_path / "other.sqlite3").is_file()
