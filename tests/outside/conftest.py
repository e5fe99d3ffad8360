"""Reference numbers by id, and comparing with them in a way that keeps the largest deviation."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray


@pytest.fixture(scope="session")
def oracle(repository: Path) -> Callable[[str], tuple[Any, Any]]:
    """Input and expected result of one entry of the reference numbers."""
    entries = json.loads((repository / "tests/data/oracles.json").read_text("utf-8"))["oracles"]
    by_id = {entry["id"]: entry for entry in entries}
    return lambda entry_id: (by_id[entry_id]["input"], by_id[entry_id]["expected"])


class Near:
    """Holds figures to what they should be, and keeps the largest deviation in each unit."""

    def __init__(self) -> None:
        self._largest: dict[str, float] = {}

    def __call__(self, found: Any, wanted: Any, within: float, unit: str = "") -> None:
        """Fails when a figure, or one of a list or mapping, is more than ``within`` away. Not-a-number fails."""
        ours, theirs = _figures(found, wanted)
        self._keep(np.abs(ours - theirs), within, unit, (found, wanted))

    def relative(self, found: Any, wanted: Any, within: float, unit: str) -> None:
        """The same with ``within`` as a share of what is wanted; ``unit`` says of what, such as "of the reading"."""
        ours, theirs = _figures(found, wanted)
        self._keep(np.abs(ours / theirs - 1.0), within, unit, (found, wanted))

    def _keep(self, apart: NDArray[np.float64], within: float, unit: str, both: Any) -> None:
        assert apart.size, "nothing was compared"
        assert bool((apart <= within).all()), (*both, f"apart by {apart.max()}, allowed {within}")
        self._largest[unit] = max(self._largest.get(unit, 0.0), float(apart.max()))

    def told(self) -> list[str]:
        """The largest deviations, as docs/checked-against.md has them."""
        return [f"{f'{worst:.1e}' if worst else '0'} {unit}".strip() for unit, worst in self._largest.items()]


def _figures(found: Any, wanted: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    if isinstance(wanted, Mapping):
        assert found.keys() == wanted.keys()
        found, wanted = [found[name] for name in wanted], list(wanted.values())
    ours, theirs = np.asarray(found, dtype=np.float64), np.asarray(wanted, dtype=np.float64)
    assert ours.shape == theirs.shape
    return ours, theirs


@pytest.fixture
def near(record_property: Callable[..., None]) -> Iterator[Near]:
    """Compares figures in one test; what was largest goes to the report of the run."""
    comparing = Near()
    yield comparing
    for each in comparing.told():
        record_property("largest_deviation", each)
