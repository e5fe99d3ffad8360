"""The commands for units, as a person or a script runs them."""

from __future__ import annotations

import json
from pathlib import Path

from tests.unit.cli.command_line import run


def test_a_unit_is_noted_worked_on_and_its_job_shown_at_the_next_opening(tmp_path: Path) -> None:
    run(tmp_path, "unit", "note", "HC-0107", "--machine", "hand-cart-generator", "--owner", "Pellwick (invented)",
        "--hours", "1240 h", "--on", "2025-03-03")  # fmt: skip
    told = ("job", "open", "hand-cart-generator", "--complaint", "starter dead in start", "--unit", "HC-0107")
    assert "earlier jobs" not in run(tmp_path, *told, "--comes-and-goes", "--id", "first")
    run(tmp_path, "job", "found", "12.4 V, showing", "--check", "volts K1.1 in start")
    run(tmp_path, "job", "found", "mended", "--repair", "replace-part:K1")
    run(tmp_path, "job", "close", "replace-part:K1")
    text = run(tmp_path, *told, "--id", "second")
    assert text.index("earlier jobs") < text.index("Worked on lately") < text.index("Back again?") < text.index("NEXT")
    assert "halfsplit job reopen first" in " ".join(text.split())
    found = json.loads(run(tmp_path, *told, "--id", "third", "--json"))
    assert found["history"]["unit"] == "HC-0107"
    assert [one["job"] for one in found["history"]["earlier"]] == ["second", "first"]
    shown = json.loads(run(tmp_path, "unit", "show", "HC-0107", "--json"))
    assert (shown["hours"], shown["owner"]) == (1240.0, "Pellwick (invented)")
    assert [one["job"] for one in shown["jobs"]] == ["third", "second", "first"]
    assert "replace K1" in run(tmp_path, "unit", "show", "HC-0107")
    assert "HC-0107  hand-cart-generator, Pellwick (invented), 1240 h" in run(tmp_path, "unit", "list")
    again = run(tmp_path, "job", "reopen", "first", "--reported")
    assert "Seen again: starter [start]: dead" in again
    run(tmp_path, "job", "reopen", "first", "--by-mistake", status=2)


def test_a_working_sitting_shows_the_units_jobs_too(tmp_path: Path) -> None:
    told = ("--complaint", "starter dead in start", "--unit", "7")
    run(tmp_path, "job", "open", "hand-cart-generator", *told)
    assert "Unit 7, earlier jobs" in run(tmp_path, "work", "hand-cart-generator", *told)


def test_mistakes_in_units_are_said_at_once_with_status_2(tmp_path: Path) -> None:
    run(tmp_path, "unit", "note", "HC-0107", "--hours", "1240 h")
    said = run(tmp_path, "unit", "note", "HC-0107", "--hours", "1200", "--on", "2031-02-30", "--machine", "hand-cart",
               status=2)  # fmt: skip
    assert "3 problems" in said
    assert "unit-hours" in said
    assert "unit-date" in said
    assert "--meter-changed" in run(tmp_path, "unit", "note", "HC-0107", "--hours", "12 h", status=2)
    assert "Did you mean HC-0107?" in run(tmp_path, "unit", "show", "HC-0170", status=2)
    assert "12 h, new meter" in run(tmp_path, "unit", "note", "HC-0107", "--hours", "12 h", "--meter-changed")
    assert "(taken back)" in run(tmp_path, "unit", "undo", "HC-0107")
    assert "No units" in run(tmp_path, "unit", "list", "--home", str(tmp_path / "other"))


def test_notes_of_units_are_carried_to_another_store_whole_or_not_at_all(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    here.mkdir()
    there.mkdir()
    file = tmp_path / "fleet.halfsplit-units"
    assert "Nothing was noted" in run(here, "unit", "out", str(file), status=2)
    for serial in ("HC-1", "HC-2"):
        run(here, "unit", "note", serial, "--machine", "hand-cart-generator", "--hours", "12 h", "--on", "2025-03-03")
    assert "2 units with 2 entries" in run(here, "unit", "out", str(file))
    assert "unit-file-there" in run(here, "unit", "out", str(file), status=2)
    assert "did you mean" in run(here, "unit", "out", str(tmp_path / "x"), "HC-11", status=2).casefold()
    taken = json.loads(run(there, "unit", "in", str(file), "--json"))
    assert [(one["unit"], one["added"]) for one in taken["units"]] == [("HC-1", 1), ("HC-2", 1)]
    assert "12 h on 2025-03-03" in run(there, "unit", "show", "HC-2")
    run(here, "unit", "note", "HC-1", "--owner", "A")
    run(there, "unit", "note", "HC-1", "--owner", "B")
    run(here, "unit", "note", "HC-3", "--owner", "A")
    more = tmp_path / "more.halfsplit-units"
    run(here, "unit", "out", str(more))
    said = run(there, "unit", "in", str(more), status=2)
    assert "HC-1 agrees up to entry 1" in " ".join(said.split())
    assert "HC-3" not in run(there, "unit", "list")
    one = tmp_path / "one.halfsplit-units"
    assert "unit HC-3 with 1 entry" in run(here, "unit", "out", str(one), "HC-3")
    assert "Unit HC-3: 1 entry is new." in run(there, "unit", "in", str(one))
    (tmp_path / "torn").write_bytes(more.read_bytes()[:-20])
    assert "unit-file-tampered" in run(there, "unit", "in", str(tmp_path / "torn"), status=2)
