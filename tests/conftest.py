"""What holds for every test: hypothesis profiles, a data folder of its own, and complete outside markers.

Also the database server that some tests ask for.
"""

from __future__ import annotations

import os
import pwd
import secrets
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
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
        patch.delenv("HALFSPLIT_STORE", raising=False)
        yield


def server_program(name: str) -> str:
    """One of PostgreSQL's server programs, which Debian keeps off PATH."""
    found = shutil.which(name)
    if found is None:
        versions = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), key=lambda path: int(path.parts[-3]))
        assert versions, f"PostgreSQL's {name} is missing; type: scripts/system-packages postgresql"
        found = str(versions[-1])
    return found


@pytest.fixture(scope="session")
def _postgres() -> Iterator[Path]:
    """The folder of a private PostgreSQL server with a socket in that folder and no port, gone with the session.

    PostgreSQL refuses to run as root, so root starts it as the user its package made, or as nobody. It does not wait
    for the disk: nothing here pulls the plug, and killed clients lose nothing by it.
    """
    user = None
    if os.geteuid() == 0:
        names = {entry.pw_name: entry for entry in pwd.getpwall()}
        user = names.get("postgres") or names["nobody"]
    # Not under pytest's own folder, which no other user may enter.
    folder = Path(tempfile.mkdtemp(prefix="halfsplit-postgres-"))
    if user is not None:
        os.chown(folder, user.pw_uid, user.pw_gid)

    def run(program: str, *arguments: str) -> None:
        # pg_ctl's server keeps the pipes it is given open, so what is said goes to a file.
        with (folder.parent / f"{folder.name}.log").open("a+", encoding="utf-8") as log:
            done = subprocess.run(
                [server_program(program), *arguments], cwd=folder, stdout=log, stderr=log, check=False,
                user=user and user.pw_uid, group=user and user.pw_gid, extra_groups=user and [],
            )  # fmt: skip
            log.seek(0)
            assert done.returncode == 0, f"{program} failed:\n{log.read()}"

    data = str(folder / "data")
    settings = f"-c listen_addresses= -c unix_socket_directories={folder} -c fsync=off -c max_connections=60"
    try:
        run("initdb", "-D", data, "-U", "halfsplit", "-A", "trust", "-E", "UTF8", "--locale=C", "--no-sync")
        run("pg_ctl", "-D", data, "-w", "-t", "60", "-o", settings, "-l", str(folder / "log"), "start")
        try:
            yield folder
        finally:
            run("pg_ctl", "-D", data, "-w", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        (folder.parent / f"{folder.name}.log").unlink(missing_ok=True)


@pytest.fixture(scope="session")
def _databases() -> list[str]:
    """Databases that no test uses now. Making one anew takes longer than most tests."""
    return []


@pytest.fixture
def new_database(_postgres: Path, _databases: list[str]) -> Iterator[Callable[[], str]]:
    """Gives the address of an empty PostgreSQL database, another one each time."""
    import psycopg

    server = f"host={_postgres} user=halfsplit"
    taken: list[str] = []

    def new() -> str:
        if _databases:
            name = _databases.pop()
        else:
            name = f"jobs_{secrets.token_hex(8)}"
            with psycopg.connect(f"{server} dbname=postgres", autocommit=True) as connection:
                connection.execute(f"CREATE DATABASE {name}")
        taken.append(name)
        return f"postgresql+psycopg://halfsplit@/{name}?host={_postgres}"

    yield new
    for name in taken:
        with psycopg.connect(f"{server} dbname={name}") as connection:
            # Whoever still holds a table here would make this wait: a store left open is a mistake of the test.
            connection.execute("SET lock_timeout = '10s'")
            connection.execute("DROP SCHEMA public CASCADE")
            connection.execute("CREATE SCHEMA public")
    _databases.extend(taken)


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
