"""Who may import whom, and what the pure core and start-up may not import at all."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

SOURCE = Path(__file__).resolve().parents[2] / "src" / "halfsplit"

_BASE = frozenset({"errors", "quantities"})
_MACHINE = _BASE | {"observations"}
_CIRCUIT = _MACHINE | {"machine"}
_FAULTS = _CIRCUIT | {"circuit"}
_DIAGNOSIS = _FAULTS | {"faults"}
_SERVICE = _DIAGNOSIS | {"diagnosis", "proving", "settings", "jobs", "reports", "buslog"}

#: For each module or folder directly under halfsplit/: what it may import besides itself.
ALLOWED: dict[str, frozenset[str]] = {
    "errors": frozenset(),
    "quantities": frozenset({"errors"}),
    "settings": frozenset({"errors"}),
    "observations": _BASE,
    "machine": _MACHINE,
    "buslog": _MACHINE,
    "circuit": _CIRCUIT,
    "faults": _FAULTS,
    "diagnosis": _DIAGNOSIS,
    "proving": _DIAGNOSIS,
    "jobs": _MACHINE | {"machine", "settings"},
    "reports": _MACHINE | {"machine", "jobs"},
    "service": _SERVICE,
    "web": _SERVICE | {"service"},
    "cli": _SERVICE | {"service", "web"},
    # The package itself re-exports names, each loaded when first asked for (a test below sees to that).
    "__init__": _SERVICE | {"service"},
}

#: The circuit engine knows nothing of machines, except where a machine is turned into a circuit and read off
#: it.
MAY_KNOW_MACHINES = frozenset({"controllers", "expansion", "observing"})

PURE = ("circuit", "faults", "diagnosis", "proving")
IMPURE = frozenset({
    "time", "datetime", "random", "secrets", "uuid", "os", "socket", "sqlite3", "sqlalchemy", "alembic",
    "platformdirs", "subprocess", "tempfile",
})  # fmt: skip
HEAVY = ("numpy", "scipy", "sqlalchemy", "alembic", "yaml", "rich", "fastapi", "pydantic", "uvicorn", "can", "cantools")


class Import(NamedTuple):
    """One import statement: the module named in full, and where it stands."""

    module: str
    line: int
    at_start: bool


def modules() -> list[Path]:
    """Every Python file of the package."""
    return sorted(SOURCE.rglob("*.py"))


def unit_of(path: Path) -> str:
    """The module or folder directly under halfsplit/ that ``path`` belongs to."""
    parts = path.relative_to(SOURCE).parts
    return parts[0] if len(parts) > 1 else path.stem


def imports_of(path: Path) -> Iterator[Import]:
    """Every import, relative ones made absolute, those inside functions and for types only included."""
    tree = ast.parse(path.read_text("utf-8"), str(path))
    package = ["halfsplit", *path.relative_to(SOURCE).parts[:-1]]
    inside = {id(node) for f in ast.walk(tree) if isinstance(f, ast.FunctionDef) for node in ast.walk(f)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for name in node.names:
                yield Import(name.name, node.lineno, id(node) not in inside)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            start = ".".join([*base, *([node.module] if node.module else [])])
            for name in node.names:
                yield Import(f"{start}.{name.name}", node.lineno, id(node) not in inside)


def own_units(path: Path) -> Iterator[tuple[str, int]]:
    """The parts of halfsplit that ``path`` imports; the package itself counts as "__init__"."""
    names = {p.stem if p.is_file() else p.name for p in SOURCE.iterdir()}
    for found in imports_of(path):
        parts = found.module.split(".")
        if parts[0] == "halfsplit":
            # `from halfsplit import errors` names a part; `from halfsplit import __version__` names the
            # package.
            yield (parts[1] if len(parts) > 1 and parts[1] in names else "__init__"), found.line


def test_every_part_of_the_package_has_its_place_in_the_import_rule() -> None:
    units = {unit_of(path) for path in modules()}
    assert len(units) >= 5
    assert units <= set(ALLOWED), f"give these a place in ALLOWED: {sorted(units - set(ALLOWED))}"


def test_imports_go_in_the_one_allowed_direction() -> None:
    wrong = []
    for path in modules():
        unit = unit_of(path)
        for target, line in own_units(path):
            version_only = target == "__init__" and unit in {"cli", "service", "web"}
            if target != unit and target not in ALLOWED.get(unit, frozenset()) and not version_only:
                wrong.append(f"{path.relative_to(SOURCE)}:{line}: {unit} may not import {target}")
    assert not wrong, "\n".join(wrong)


def test_the_import_rule_itself_has_no_loops() -> None:
    for unit, targets in ALLOWED.items():
        for target in targets:
            assert unit not in ALLOWED[target], f"{unit} and {target} may import each other"


def test_the_circuit_engine_knows_nothing_of_machines() -> None:
    wrong = []
    for path in (SOURCE / "circuit").rglob("*.py"):
        if path.stem in MAY_KNOW_MACHINES or path.stem == "__init__":
            continue
        for found in imports_of(path):
            parts = found.module.split(".")
            aware = parts[:2] == ["halfsplit", "machine"] or (
                parts[:2] == ["halfsplit", "circuit"] and len(parts) > 2 and parts[2] in MAY_KNOW_MACHINES
            )
            if aware:
                wrong.append(f"{path.relative_to(SOURCE)}:{found.line}: {found.module}")
    assert not wrong, wrong


def test_the_pure_core_reads_no_clock_no_database_and_no_environment() -> None:
    wrong = [
        f"{path.relative_to(SOURCE)}:{found.line}: {found.module}"
        for path in modules()
        if unit_of(path) in PURE
        for found in imports_of(path)
        if found.module.split(".")[0] in IMPURE
    ]
    assert not wrong, wrong


def test_the_pure_core_makes_no_randomness_of_its_own() -> None:
    wrong = []
    for path in modules():
        if unit_of(path) not in PURE:
            continue
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            unseeded = node.func.attr == "default_rng" and not node.args and not node.keywords
            owner = ast.unparse(node.func.value)
            shared_state = owner.endswith((".random", "numpy.random")) and node.func.attr not in {
                "default_rng", "Generator", "SeedSequence", "PCG64",
            }  # fmt: skip
            if unseeded or shared_state:
                wrong.append(f"{path.relative_to(SOURCE)}:{node.lineno}: {ast.unparse(node.func)}")
    assert not wrong, wrong


def test_scipy_stats_is_never_imported_because_it_takes_seconds_to_load() -> None:
    wrong = [
        f"{path.relative_to(SOURCE)}:{found.line}"
        for path in modules()
        for found in imports_of(path)
        if found.module.startswith("scipy.stats")
    ]
    assert not wrong, wrong


def test_the_database_library_is_imported_by_the_sql_store_and_its_migrations_only() -> None:
    allowed = ("jobs/sql", "jobs/postgres", "jobs/migrations")
    wrong = [
        f"{path.relative_to(SOURCE)}:{found.line}"
        for path in modules()
        for found in imports_of(path)
        if found.module.split(".")[0] in {"sqlalchemy", "alembic"}
        and not path.relative_to(SOURCE).as_posix().startswith(allowed)
    ]
    assert not wrong, wrong


@pytest.mark.parametrize(
    "statement",
    [
        "import halfsplit",
        "import halfsplit.cli",
        "import halfsplit.errors, halfsplit.quantities, halfsplit.settings",
        "import halfsplit.cli; halfsplit.cli.build_parser()",
    ],
)
def test_starting_up_loads_nothing_heavy(statement: str) -> None:
    program = f"{statement}\nimport sys\nprint(*[name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == []


def test_asking_for_help_loads_the_command_line_and_nothing_else_of_the_program() -> None:
    program = """
import sys
from halfsplit.cli import main
try:
    main(["--help"])
except SystemExit as ended:
    assert ended.code == 0
loaded = [name for name in sys.modules if name.startswith("halfsplit.") and not name.startswith("halfsplit.cli")]
print(*loaded, *({"dataclasses", "difflib", "pathlib", "json"} & sys.modules.keys()), file=sys.stderr)
"""
    # Isolated from the site's own start-up files, which may load what they like.
    done = subprocess.run(
        [sys.executable, "-I", "-S", "-c", f"import sys; sys.path.insert(0, {str(SOURCE.parent)!r})\n{program}"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr.split() == []
    assert {"work", "job", "unit", "machine", "van", "practice", "demo"} <= set(done.stdout.split())
