"""Stores of older versions are opened, brought up to date, used and written to; newer ones are refused."""

from __future__ import annotations

import contextlib
import re
import shutil
import sqlite3
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine

from halfsplit.errors import UserError
from halfsplit.jobs import migrations
from halfsplit.jobs.events import NoteAdded, to_json
from halfsplit.jobs.migrations.steps import HEAD
from halfsplit.jobs.migrations.tables import metadata
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.recording import load_job, record
from halfsplit.jobs.sql import SqlStore
from halfsplit.jobs.store import Document, JobStore, fingerprint_of
from halfsplit.jobs.units import UnitNoted, fold_unit, unit_to_json

HERE = Path(__file__).parent
OLD_STORES = sorted((HERE / "stores").glob("jobs-*.sqlite3"))
#: The van's lists that stores have held since form 0002.
VAN = ('{"lines":[]}', '{"lines":["größer als Ω"]}')
LATER, FAILING = [HERE / "later_steps"], [HERE / "failing_steps"]


def copy_before_the_first_step(path: Path) -> Path:
    """Where the copy of an older store goes: it is named after the first step that changes the store."""
    steps = sorted(one.name[:4] for one in Path(migrations.__file__).parent.glob("versions/0*.py"))
    with contextlib.closing(sqlite3.connect(path)) as connection:
        ((form,),) = connection.execute("SELECT version_num FROM alembic_version").fetchall()
    first = min(step for step in (*steps, "9001") if step > form)
    return path.with_name(f"jobs.before-{first}.sqlite3")


def events_in(store: JobStore) -> list[str]:
    return [to_json(event) for line in store.jobs() for event in store.events(line.id)]


@pytest.fixture(params=OLD_STORES, ids=lambda path: path.stem)
def old_store(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, list[str]]:
    """A copy of a store saved by an older version, and the events it must give."""
    saved: Path = request.param
    copy = tmp_path / "jobs.sqlite3"
    shutil.copyfile(saved, copy)
    return copy, saved.with_suffix(".events.jsonl").read_text(encoding="utf-8").splitlines()


def test_there_is_a_saved_store_of_every_form() -> None:
    steps = sorted(path.name[:4] for path in Path(migrations.__file__).parent.glob("versions/0*.py"))
    assert steps[-1] == HEAD
    assert [path.stem for path in OLD_STORES] == [f"jobs-{step}" for step in steps]
    assert ScriptDirectory(str(Path(migrations.__file__).parent)).get_current_head() == HEAD


def test_an_old_store_gives_its_events_and_takes_new_ones(old_store: tuple[Path, list[str]]) -> None:
    path, expected = old_store
    with open_store(path) as store:
        assert events_in(store) == expected
        assert [(line.id, line.state) for line in store.jobs()] == [("old-1", "open"), ("old-2", "closed")]
        files = store.get_machine(store.jobs()[0].fingerprint)
        assert fingerprint_of(files) == store.jobs()[0].fingerprint
        job = record(store, load_job(store, "old-1"), NoteAdded("and on"), when="2031-06-01T00:00:00Z")
        kept = store.documents("van")
        number = len(kept) + 1
        store.put_document(Document("van", number, "2031-06-01T00:00:00Z", "third fitter", '{"lines":[]}'))
        assert store.documents("van")[:-1] == kept
    with open_store(path) as store:
        assert load_job(store, "old-1") == job
        assert [one.number for one in store.documents("van")] == list(range(1, number + 1))


@pytest.mark.parametrize("saved", OLD_STORES, ids=lambda path: path.stem)
def test_an_old_store_gives_its_documents_and_what_was_noted_of_units_and_takes_more(
    saved: Path, tmp_path: Path
) -> None:
    path = tmp_path / "jobs.sqlite3"
    shutil.copyfile(saved, path)
    notes = saved.with_suffix(".units.jsonl")
    expected = notes.read_text(encoding="utf-8").splitlines() if saved.stem >= "jobs-0003" else []
    with open_store(path) as store:
        assert [one.body for one in store.documents("van")] == (list(VAN) if saved.stem >= "jobs-0002" else [])
        assert [unit_to_json(one) for serial in store.units() for one in store.unit_events(serial)] == expected
        unit = fold_unit("no. 3", store.unit_events("no. 3"))
        noted = unit.next_event(UnitNoted(text="sold"), when="2031-06-01T00:00:00Z")
        store.append_unit(unit.last_number, noted)
    with open_store(path) as store:
        assert store.unit_events("no. 3")[-1] == noted


def test_an_upgrade_keeps_every_event_and_a_copy_of_the_store_before_it(
    old_store: tuple[Path, list[str]],
) -> None:
    path, expected = old_store
    copy = copy_before_the_first_step(path)
    with SqlStore.at_path(path, head="9001", extra_steps=LATER) as store:
        assert events_in(store) == expected
        record(store, load_job(store, "old-1"), NoteAdded("after"), when="2031-06-01T00:00:00Z")
        with pytest.raises(UserError), store._writing() as connection:
            # References are watched again after the upgrade, during which they were not.
            connection.exec_driver_sql("INSERT INTO events VALUES ('no-such-job', 1, '{}')")
    with contextlib.closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT DISTINCT weather FROM jobs").fetchall() == [("not asked",)]
    assert sorted(file.name for file in path.parent.iterdir()) == [copy.name, path.name]
    with open_store(copy) as store:
        assert events_in(store) == expected


def test_a_store_of_a_newer_version_is_refused_in_a_sentence_of_its_own_and_left_alone(
    tmp_path: Path,
) -> None:
    path = tmp_path / "jobs.sqlite3"
    SqlStore.at_path(path, head="9001", extra_steps=LATER).close()
    before = path.read_bytes()
    with pytest.raises(UserError) as caught:
        open_store(path)
    assert caught.value.code == "store-newer"
    assert "9001" in str(caught.value)
    assert "newer halfsplit" in str(caught.value)
    assert path.read_bytes() == before


def test_an_upgrade_that_fails_half_way_leaves_the_store_as_it_was(old_store: tuple[Path, list[str]]) -> None:
    path, expected = old_store
    with pytest.raises(ArithmeticError):
        SqlStore.at_path(path, head="9001", extra_steps=FAILING)
    with open_store(path) as store:
        assert events_in(store) == expected
    with contextlib.closing(sqlite3.connect(path)) as connection:
        assert "weather" not in [row[1] for row in connection.execute("PRAGMA table_info(jobs)")]


def test_a_copy_that_is_there_is_not_written_over(old_store: tuple[Path, list[str]]) -> None:
    path, _ = old_store
    copy = copy_before_the_first_step(path)
    copy.write_bytes(b"from an upgrade that was broken off")
    SqlStore.at_path(path, head="9001", extra_steps=LATER).close()
    assert copy.read_bytes() == b"from an upgrade that was broken off"


def test_the_steps_lead_to_the_tables_the_store_uses(tmp_path: Path) -> None:
    path = tmp_path / "jobs.sqlite3"
    open_store(path).close()
    engine = create_engine(f"sqlite:///{path}")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, metadata) == []
        found = "\n".join(
            row[0]
            for row in connection.exec_driver_sql("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL")
        )
    engine.dispose()
    # What alembic does not compare: the names and texts of the checks.
    for table in metadata.tables.values():
        for constraint in table.constraints:
            assert f"CONSTRAINT {constraint.name}" in re.sub(r'"', "", found)


def test_a_database_of_another_program_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "stamps.sqlite3"
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE stamps (name TEXT)")
        connection.commit()
    before = path.read_bytes()
    with pytest.raises(UserError) as caught:
        open_store(path)
    assert caught.value.code == "store-foreign"
    assert path.read_bytes() == before


def test_a_form_that_no_version_ever_wrote_is_refused(old_store: tuple[Path, list[str]]) -> None:
    path, _ = old_store
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '0000'")
        connection.commit()
    with pytest.raises(UserError) as caught:
        open_store(path)
    assert caught.value.code == "store-foreign"
