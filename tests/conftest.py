"""What holds for every test: hypothesis profiles, a data folder of its own, and complete outside markers."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from halfsplit.circuit import native

# No deadline: it measures the machine's load, not the code. The same examples on every run, so that a clone
# which passed once passes again; "search" draws new ones.
settings.register_profile("steady", deadline=None, derandomize=True, print_blob=True)
settings.register_profile(
    "search",
    deadline=None,
    max_examples=1000,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],  # a long search is what was asked for
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "steady"))

OUTSIDE_ARGUMENTS = frozenset({"what", "against", "source", "status", "tolerance"})


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Stops the run when an outside marker lacks one of its arguments."""
    for item in items:
        for mark in item.iter_markers("outside"):
            if mark.args or set(mark.kwargs) != OUTSIDE_ARGUMENTS:
                message = f"{item.nodeid}: outside() takes exactly {', '.join(sorted(OUTSIDE_ARGUMENTS))}"
                raise pytest.UsageError(message)


@pytest.fixture(scope="session", autouse=True)
def _own_data_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test touches the jobs or the cache of the person who runs it."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("HALFSPLIT_HOME", str(tmp_path_factory.mktemp("home")))
        patch.setenv("HALFSPLIT_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="session")
def repository() -> Path:
    """The folder that holds pyproject.toml."""
    return Path(__file__).resolve().parent.parent


@pytest.fixture(params=["compiled", "in arrays"])
def computed(request: pytest.FixtureRequest) -> Iterator[str]:
    """The test runs twice: with the compiled pieces of the circuit computation and without."""
    if request.param == "compiled":
        assert native.available(), "the compiled pieces are missing or older than their sources: scripts/build-kernel"
        yield request.param
    else:
        with native.left_aside():
            yield request.param
