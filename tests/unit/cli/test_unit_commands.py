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
