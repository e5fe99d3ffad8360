"""Which store an address means."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from halfsplit.errors import UserError
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.sql import SqlStore


def test_the_store_of_nobody_in_particular_lies_in_the_data_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "not there yet"
    monkeypatch.setenv("HALFSPLIT_HOME", str(home))
    open_store().close()
    assert (home / "jobs.sqlite3").is_file()


def test_a_path_as_path_text_or_address_is_the_same_store(tmp_path: Path) -> None:
    path = tmp_path / "Ünit 7 %20?#.sqlite3"
    for where in (path, str(path)):
        with open_store(where) as store:
            assert isinstance(store, SqlStore)
    assert [each.name for each in tmp_path.iterdir()] == [path.name]
    with open_store(f"sqlite:///{tmp_path / 'plain.sqlite3'}") as store:
        assert isinstance(store, SqlStore)
    assert (tmp_path / "plain.sqlite3").is_file()


def test_a_store_in_memory() -> None:
    with open_store("memory:") as store:
        assert isinstance(store, MemoryStore)


@pytest.mark.parametrize(
    ("where", "code"),
    [
        ("mysql://host/jobs", "store-address"),
        ("https://example.org/jobs", "store-address"),
        ("sqlite://", "store-address"),
        ("sqlite:///:memory:", "store-address"),
        ("sqlite+nothing:///x", "store-address"),
        ("no-such-folder/jobs.sqlite3", "store-open"),
        (".", "store-open"),
    ],
)
def test_addresses_that_cannot_be_used_have_their_code(where: str, code: str) -> None:
    with pytest.raises(UserError) as caught:
        open_store(where)
    assert caught.value.code == code


def test_sqlalchemy_is_not_loaded_before_a_database_is_opened() -> None:
    script = (
        "import sys; import halfsplit.jobs.portable, halfsplit.jobs.recording; "
        "from halfsplit.jobs.opening import open_store; open_store('memory:'); "
        "sys.exit('sqlalchemy' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0


def test_alembic_is_not_loaded_for_a_store_that_is_up_to_date(tmp_path: Path) -> None:
    path = tmp_path / "jobs.sqlite3"
    open_store(path).close()
    script = (
        "import sys; from halfsplit.jobs.opening import open_store; open_store(sys.argv[1]); "
        "sys.exit('alembic' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", script, str(path)], check=False).returncode == 0
