"""The load list and the van's list as a person types them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from halfsplit.cli import main


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Path:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("HALFSPLIT_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    assert main(["job", "open", "hand-cart-generator", "--complaint", "starter dead in start", "--id", "monday"]) == 0
    capsys.readouterr()
    return tmp_path


def test_the_list_is_printed_by_sort_with_chance_cost_and_what_it_is_for(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["job", "load", "--most", "6"]) == 0
    said = capsys.readouterr().out
    assert "LOAD LIST" in said
    assert "What the van holds is not known" in said
    assert said.index("\nParts") < said.index("\nConsumables") < said.index("\nTools")
    assert "- Starter solenoid (K1), 1: " in said
    assert "replace K1" in said
    assert "NOT IN THE VAN" not in said
    (home / "van.csv").write_text("item,count,unit,note\nglue-lined sleeve,2,m,\n", encoding="utf-8")
    assert main(["van", "in", "van.csv", "--by", "Rosa"]) == 0
    assert main(["job", "load", "--most", "6"]) == 0
    said = capsys.readouterr().out
    assert "With what the van holds now" in said
    assert "NOT IN THE VAN" in said
    assert "(van: 2 m)" in said
    assert max(map(len, said.splitlines())) <= 80


def test_the_json_of_the_list_has_every_line(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["job", "load", "--json", "--most", "2"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert list(found) == ["head", "first_visit", "lines", "every_job", "instruments", "van_number", "question"]
    assert found["first_visit"]["first"] == 2
    assert len(found["lines"]) > 20
    assert list(found["lines"][0]) == [
        "sort", "item", "amount", "chance", "cost", "reasons", "more_reasons", "source", "in_van", "van",
    ]  # fmt: skip


def test_the_van_is_shown_brought_in_and_taken_out(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["van"]) == 0
    assert "Nothing is known of the van yet" in capsys.readouterr().out
    (home / "van.csv").write_text("item,count,unit,note\nseal,3,pcs,bin 4\n", encoding="utf-8")
    assert main(["van", "in", "van.csv", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"number": 1, "items": 1, "new": 1, "changed": 0, "gone": 0}
    (home / "empty.csv").write_text("item,count,unit,note\n", encoding="utf-8")
    assert main(["van", "in", "empty.csv"]) == 0
    assert main(["van"]) == 0
    assert "The van is empty." in capsys.readouterr().out
    assert main(["van", "--number", "1"]) == 0
    said = capsys.readouterr().out
    assert "not the latest (2)" in said
    assert "- seal: 3 pcs (bin 4)" in said
    assert main(["van", "out", "out.csv", "--number", "1"]) == 0
    assert (home / "out.csv").read_bytes() == (home / "van.csv").read_bytes()


@pytest.mark.parametrize(
    ("typed", "code"),
    [
        (["van", "in"], "van-what"),
        (["van", "out"], "van-what"),
        (["van", "in", "van.csv", "--number", "1"], "van-what"),
        (["van", "out", "bad.csv"], "van-file-there"),
        (["van", "in", "bad.csv"], "problems"),
        (["van", "--number", "0"], "not-found"),
    ],
)
def test_mistakes_end_with_status_2_and_their_code(
    home: Path, capsys: pytest.CaptureFixture[str], typed: list[str], code: str
) -> None:
    (home / "bad.csv").write_text("item,count,unit,note\nseal,three,pcs,\n", encoding="utf-8")
    assert main([*typed, "--json"]) == 2
    assert json.loads(capsys.readouterr().out)["error"]["code"] == code
