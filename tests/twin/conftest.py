"""The phone's own code, run by the Node that builds the app."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
CLIENT = ROOT / "src" / "halfsplit" / "web" / "client"


@pytest.fixture(scope="session")
def node() -> str:
    """The Node that builds the app; it is there wherever the app was built from its sources."""
    sys.path.insert(0, str(ROOT / "scripts"))
    from client_build import ready

    npm = ready()
    return npm[0] if len(npm) > 1 else str(shutil.which("node"))


@pytest.fixture(scope="session")
def bundled(node: str, tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Makes a source of the app with all it is made of one file that node runs."""

    def bundle(source: str) -> Path:
        file = tmp_path_factory.mktemp("twin") / "code.mjs"
        program = CLIENT / "node_modules/rolldown/bin/cli.mjs"
        built = [node, str(program), source, "--file", str(file), "--format", "esm"]
        subprocess.run(built, cwd=CLIENT, check=True, stdout=subprocess.DEVNULL)
        return file

    return bundle
