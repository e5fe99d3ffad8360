"""Every kind of store, each behind one maker; a contract test runs once for each.

To add a kind: a Maker whose ``address`` is that of a new and empty store for each test, and its name in MAKERS.
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
    """Makes the address of an empty store from the test's folder or another fixture's value, named by ``needs``.

    ``lasting`` if what is kept there outlives the process.
    """

    address: Callable[..., str]
    lasting: bool
    needs: str = "tmp_path"

    def new(self, request: pytest.FixtureRequest) -> str:
        """The address of an empty store."""
        return self.address(request.getfixturevalue(self.needs))


def in_folder(folder: Path) -> str:
    return f"sqlite:///{folder / 'jobs.sqlite3'}"


def in_server(new_database: Callable[[], str]) -> str:
    return new_database()


MAKERS: dict[str, Maker] = {
    "memory": Maker(lambda _folder: MEMORY, lasting=False),
    "postgresql": Maker(in_server, lasting=True, needs="new_database"),
    "sqlite": Maker(in_folder, lasting=True),
}


@pytest.fixture(params=sorted(MAKERS))
def store(request: pytest.FixtureRequest) -> Iterator[JobStore]:
    """An empty store of each kind."""
    with open_store(MAKERS[request.param].new(request)) as opened:
        yield opened


@pytest.fixture(params=sorted(name for name, maker in MAKERS.items() if maker.lasting))
def lasting_address(request: pytest.FixtureRequest) -> str:
    """The address of an empty store of each kind that outlives the process."""
    return MAKERS[request.param].new(request)
