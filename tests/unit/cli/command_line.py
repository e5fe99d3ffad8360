"""The command as a person or a script runs it, in a home of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

COMMAND = str(Path(sys.executable).parent / "halfsplit")


def run(home: Path, *arguments: str, status: int = 0) -> str:
    done = subprocess.run(
        [COMMAND, *arguments],
        input="",
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "HALFSPLIT_HOME": str(home), "COLUMNS": "80"},
        cwd=home,
    )
    assert done.returncode == status, f"{done.returncode}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stderr
    return done.stdout if status == 0 else done.stdout + done.stderr
