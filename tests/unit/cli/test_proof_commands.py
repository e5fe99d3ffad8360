"""The commands for proving and correcting, as a person or a script runs them."""

from __future__ import annotations

import json
from pathlib import Path

from tests.unit.cli.command_line import run


def test_a_repair_is_corrected_proven_and_comes_back(tmp_path: Path) -> None:
    run(tmp_path, "job", "open", "hand-cart-generator", "--complaint", "starter dead in start", "--comes-and-goes")
    run(tmp_path, "job", "found", "12.4 V, showing", "--check", "volts K1.1 in start")
    sheet = run(tmp_path, "job", "correction", "replace-part:K1")
    assert sheet.index("! ") < sheet.index("1. ")
    assert "Parts:" in sheet
    run(tmp_path, "job", "found", "mended", "--repair", "replace-part:K1")
    text = run(tmp_path, "job", "proving", "--events", "4", "--over", "40 h", "--ran", "8 h")
    assert "History: failed 4 times in 40 h since first seen" in text
    assert "Run: ran 8 h: quiet" in text
    assert "90 % sure" in text.replace("\u00a0", " ")
    found = json.loads(run(tmp_path, "job", "proving", "--hit", "80 %", "--hidden", "0 %", "--json"))
    assert found["hit"] == 0.8
    assert {"confidence", "ceiling", "goals", "read_again", "try_again", "provoke", "advice"} <= set(found)
    back = run(tmp_path, "job", "proving", "--ran", "2 h", "--came-back")
    assert "It came back" in back
    half = run(tmp_path, "job", "correction", "repair-wire:W4", "--went", "partly", "--why", "no splice left")
    assert "no splice left" in half


def test_half_of_what_is_needed_is_refused_with_all_that_is_wrong(tmp_path: Path) -> None:
    said = run(tmp_path, "job", "proving", "--events", "3", "--came-back", status=2)
    assert "--events and --over belong together" in said
    assert "--ran" in said
    assert "correction-went" in run(tmp_path, "job", "correction", "--why", "rain", status=2)
