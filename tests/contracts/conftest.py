"""Every kind of store, each behind one maker; a contract test runs once for each.

To add PostgreSQL: a Maker whose ``address`` is a database of its own for each test, and its name in MAKERS.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from halfsplit.jobs.opening import MEMORY, open_store
from halfsplit.jobs.store import JobStore


@dataclass(frozen=True)
class Maker:
    """Makes the address of an empty store; ``lasting`` if what is kept there outlives the process."""

    address: Callable[[Path], str]
    lasting: bool


MAKERS: dict[str, Maker] = {
    "memory": Maker(lambda _folder: MEMORY, lasting=False),
    "sqlite": Maker(lambda folder: f"sqlite:///{folder / 'jobs.sqlite3'}", lasting=True),
}


@pytest.fixture(params=sorted(MAKERS))
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[JobStore]:
    """An empty store of each kind."""
    with open_store(MAKERS[request.param].address(tmp_path)) as opened:
        yield opened


@pytest.fixture(params=sorted(name for name, maker in MAKERS.items() if maker.lasting))
def lasting_address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty store of each kind that outlives the process."""
    return MAKERS[request.param].address(tmp_path)
