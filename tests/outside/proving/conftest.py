"""Reference numbers by id."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture(scope="session")
def oracle(repository: Path) -> Callable[[str], tuple[Any, Any]]:
    """Input and expected result of one entry of the reference numbers."""
    entries = json.loads((repository / "tests/data/oracles.json").read_text("utf-8"))["oracles"]
    by_id = {entry["id"]: entry for entry in entries}
    return lambda entry_id: (by_id[entry_id]["input"], by_id[entry_id]["expected"])
