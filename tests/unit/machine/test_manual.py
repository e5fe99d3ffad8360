"""docs/machine-file.md: its tables are fresh."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from halfsplit.machine.problems import CODES

ROOT = Path(__file__).resolve().parents[3]
PAGE = (ROOT / "docs" / "machine-file.md").read_text("utf-8")


def test_the_tables_are_what_the_script_would_write() -> None:
    script = ROOT / "scripts" / "machine_file_page.py"
    done = subprocess.run([sys.executable, script, "--check"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_code_stands_in_the_table() -> None:
    assert set(re.findall(r"^\| `([a-z0-9-]+)` \|", PAGE, re.MULTILINE)) >= set(CODES)
