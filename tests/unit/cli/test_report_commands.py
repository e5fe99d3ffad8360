"""The commands that write a job up, as a person runs them, from opening to the report."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

COMMAND = str(Path(sys.executable).parent / "halfsplit")


def run(home: Path, *arguments: str, status: int = 0, tax: str = "") -> str:
    done = subprocess.run(
        [COMMAND, *arguments],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "HALFSPLIT_HOME": str(home), "COLUMNS": "80", "NO_COLOR": "1", "HALFSPLIT_TAX": tax},
        cwd=home,
    )
    assert done.returncode == status, f"{done.returncode}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stderr
    return done.stdout if status == 0 else done.stdout + done.stderr


@pytest.fixture
def home(tmp_path: Path) -> Path:
    run(tmp_path, "job", "open", "hand-cart-generator", "--complaint", "starter dead in start", "--id", "monday")
    return tmp_path


def read(home: Path, *arguments: str, tax: str = "") -> Any:
    return json.loads(run(home, *arguments, "--json", tax=tax))


def test_signs_that_the_report_cannot_print_are_said(home: Path) -> None:
    run(home, "job", "note", "Юрий 山田", "--by", "山田")
    said = " ".join(run(home, "job", "report", "monday", "--for", "technician", "--out", "a.pdf").split())
    assert "No font at hand prints 山 田." in said
    assert "HALFSPLIT_FONTS" in said


def test_a_job_is_written_up_and_carried_elsewhere_with_its_attachment(home: Path) -> None:
    (home / "trace.csv").write_text("0.0,12.4\n")
    attached = read(home, "job", "attach", "trace.csv", "--caption", "cranking", "--by", "Rosa")
    assert (attached["media"], attached["role"], attached["entry"]) == ("text", "log", 2)
    assert read(home, "job", "used", "solenoid", "--price", "38.50 EUR")["entry"] == 3
    assert read(home, "job", "travel", "1.5 h")["words"] == "travel: 1 h 30 min"
    assert read(home, "job", "advise", "keep it dry", "--inspect-by", "50 h")["entry"] == 5
    assert "attached as log: trace.csv" in run(home, "job", "log")
    run(home, "job", "close", "not found")
    content = read(home, "job", "report", "monday", "--for", "technician", tax="20 %")
    assert content["attachments"][0]["by"] == "Rosa"
    assert content["prices"]["total"] == "46.20 EUR"
    assert content["advice"] == [{"text": "keep it dry", "next_inspection": "50 h"}]
    run(home, "job", "report", "monday", "--out", "a.pdf")
    assert "No font" not in run(home, "job", "report", "monday", "--for", "technician", "--out", "b.pdf")
    run(home, "job", "report", "monday", "--out", "a.html")
    assert (home / "a.pdf").read_bytes().startswith(b"%PDF-")
    assert "<!doctype html>" in (home / "a.html").read_text(encoding="utf-8")
    assert read(home, "job", "topic", "monday", "--out", "a.dita")["size_bytes"] > 500
    run(home, "job", "out", "--job", "monday", "with.halfsplit-job")
    run(home, "job", "out", "--job", "monday", "without.halfsplit-job", "--without-attachments")
    other = home / "other"
    other.mkdir()
    run(home, "job", "in", "with.halfsplit-job", "--home", str(other))
    there = read(home, "job", "report", "monday", "--for", "technician", "--home", str(other))
    assert there["attachments"][0]["here"]


def test_mistakes_are_said_with_their_codes(home: Path) -> None:
    (home / "torn.jpg").write_bytes(b"\xff\xd8\xff\xe0\0\x10JFIF")
    for arguments, code in (
        (("job", "attach", "torn.jpg"), "attachment-torn"),
        (("job", "used", "solenoid", "--price", "38.50"), "price-currency"),
        (("job", "travel", "35"), "travel-time"),
        (("job", "report", "monday"), "report-out"),
        (("job", "report", "monday", "--out", "a.odt"), "report-ending"),
        (("job", "report", "monday", "--for", "boss", "--out", "a.pdf"), "report-face"),
        (("job", "topic", "monday", "--out", "a.dita"), "topic-job-open"),
        (("machine", "spice", "hand-cart-generator", "--state", "strat"), "not-found"),
    ):
        assert f"({code})" in run(home, *arguments, status=2)
    assert sorted(path.name for path in home.iterdir() if path.suffix in (".pdf", ".odt", ".dita")) == []
    assert read(home, "job", "list")["jobs"][0]["entries"] == 1


def test_a_netlist_is_printed_or_written(home: Path) -> None:
    printed = run(home, "machine", "spice", "hand-cart-generator", "--state", "start")
    run(home, "machine", "spice", "hand-cart-generator", "--state", "start", "--out", "start.cir")
    assert (home / "start.cir").read_text(encoding="utf-8") == printed
    assert read(home, "machine", "spice", "hand-cart-generator", "--state", "start")["text"] == printed
