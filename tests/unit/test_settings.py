from __future__ import annotations

import stat
from pathlib import Path

import pytest

from halfsplit.errors import UserError
from halfsplit.settings import SETTINGS, data_dir, make_data_dir, store_path


def test_the_data_folder_is_the_one_that_halfsplit_home_names(tmp_path: Path) -> None:
    assert data_dir({"HALFSPLIT_HOME": str(tmp_path / "jobs")}) == tmp_path / "jobs"
    assert store_path({"HALFSPLIT_HOME": str(tmp_path)}) == tmp_path / "jobs.sqlite3"


@pytest.mark.parametrize("environ", [{}, {"HALFSPLIT_HOME": ""}, {"HALFSPLIT_HOME": "  "}])
def test_without_it_the_data_folder_is_the_platforms(environ: dict[str, str]) -> None:
    folder = data_dir(environ)
    assert folder.is_absolute()
    assert "halfsplit" in folder.parts


def test_a_tilde_means_the_home_folder() -> None:
    assert data_dir({"HALFSPLIT_HOME": "~/jobs"}) == Path.home() / "jobs"


def test_naming_the_folder_does_not_make_it_and_making_it_does(tmp_path: Path) -> None:
    environ = {"HALFSPLIT_HOME": str(tmp_path / "a" / "b")}
    assert not data_dir(environ).exists()
    folder = make_data_dir(environ)
    assert folder.is_dir()
    assert stat.S_IMODE(folder.stat().st_mode) & 0o077 == 0
    assert make_data_dir(environ) == folder


def test_a_folder_that_cannot_be_made_is_the_persons_to_mend(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for name in ("file", "file/below"):
        with pytest.raises(UserError) as caught:
            make_data_dir({"HALFSPLIT_HOME": str(tmp_path / name)})
        assert caught.value.code == "home-unusable"
        assert "HALFSPLIT_HOME" in str(caught.value)


def test_every_setting_has_a_name_a_default_and_one_sentence() -> None:
    for setting in SETTINGS:
        assert setting.name.startswith("HALFSPLIT_")
        assert setting.default
        assert setting.meaning.endswith(".")
