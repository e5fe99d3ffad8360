"""Writes docs/checked-against.md from the tests that carry the outside marker.

    scripts/checked_against.py            runs these tests and writes the page
    scripts/checked_against.py --check    runs nothing; stops with 1 when the page does not fit the tests

The page's rows come from the markers in the source; the figures in its last column come from the run.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as ET

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "checked-against.md"
ARGUMENTS = ("what", "against", "source", "status", "tolerance")
EXACT = "none: exact"
#: How the tolerance of a comparison begins that has no figures to be apart: sets, counts, the same text.
NO_TOLERANCE = "none"
FIGURE = re.compile(r"[-+]?[0-9.]+(?:e[-+]?[0-9]+)?(?P<unit> .*)?")

HEAD = """# Checked against

Results of halfsplit that were compared with results made elsewhere: standards, handbooks, data sets, other
programs. Each row is a test that runs with `make test`; this page is written by `make pages`. "Worst seen" is
the largest deviation of the last such run, in the unit of the tolerance where it names none; "none: exact" stands
where both sides are sets, counts or figures that must be the same. Status says how far the other side is to be
trusted: published, derived or computed (by whom or what stands under "against"), from memory, or common practice.

"""


@dataclass(frozen=True)
class Outside:
    """One marked test."""

    file: str
    function: str
    arguments: tuple[str, ...]

    @property
    def key(self) -> tuple[str, str]:
        return (self.file, self.function)

    @property
    def tolerance(self) -> str:
        return self.arguments[ARGUMENTS.index("tolerance")]


def is_outside(node: ast.expr) -> bool:
    return isinstance(node, ast.Call) and ast.unparse(node.func) == "pytest.mark.outside"


def marked_tests() -> list[Outside]:
    """Every test with the marker, read from the source. Stops when an argument is not a plain literal."""
    found = []
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        tree = ast.parse(path.read_text("utf-8"), str(path))
        calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call) and is_outside(node)]
        placed = set()
        for function in ast.walk(tree):
            if not isinstance(function, ast.FunctionDef):
                continue
            for call in function.decorator_list:
                if not isinstance(call, ast.Call) or not is_outside(call):
                    continue
                placed.add(id(call))
                try:
                    given = {
                        str(keyword.arg): str(ast.literal_eval(keyword.value)) for keyword in call.keywords
                    }
                    arguments = tuple(given[name] for name in ARGUMENTS)
                except (ValueError, KeyError):
                    sys.exit(
                        f"{path}:{call.lineno}: outside() takes {', '.join(ARGUMENTS)} as plain literals"
                    )
                found.append(Outside(path.relative_to(ROOT).as_posix(), function.name, arguments))
        for call in calls:
            if id(call) not in placed:
                sys.exit(f"{path}:{call.lineno}: outside() belongs right above a test function")
    return found


def figures() -> dict[tuple[str, str], list[str]]:
    """Runs the marked tests; for each, the largest deviations it recorded. Stops when one fails."""
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder) / "report.xml"
        command = [sys.executable, "-m", "pytest", "-q", "-m", "outside", f"--junitxml={report}"]
        if subprocess.run(command, cwd=ROOT, check=False).returncode != 0:
            sys.exit("A test against the outside fails; the page is left as it was.")
        tree = ET.parse(report)  # noqa: S314  -- reads only what pytest has just written here
    found: dict[tuple[str, str], list[str]] = {}
    for case in tree.iter("testcase"):
        file = case.get("classname", "").replace(".", "/") + ".py"
        function = case.get("name", "").split("[")[0]
        for each in case.iter("property"):
            if each.get("name") == "largest_deviation":
                found.setdefault((file, function), []).append(str(each.get("value")))
    return found


def worst(values: list[str]) -> str:
    """The largest of several figures in each unit; texts that are no figures each once."""
    largest: dict[str, str] = {}
    for value in values:
        match = FIGURE.fullmatch(value)
        unit = (match["unit"] or "") if match else value
        seen_before = largest.setdefault(unit, value)
        if match and abs(float(value.split()[0])) > abs(float(seen_before.split()[0])):
            largest[unit] = value
    return ", ".join(largest.values())


def cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def rows(tests: list[Outside], seen: dict[tuple[str, str], list[str]] | None) -> list[str]:
    lines = []
    for test in tests:
        place = f"[{test.function}](../{test.file})"
        figure = "" if seen is None else cell(worst(seen.get(test.key, [])) or EXACT)
        lines.append(f"| {' | '.join(cell(each) for each in test.arguments)} | {place} | {figure} |")
    return lines


def main() -> int:
    tests = marked_tests()
    if "--check" in sys.argv[1:]:
        page = PAGE.read_text("utf-8") if PAGE.exists() else ""
        on_page = {
            line.rsplit("|", 2)[0]
            for line in page.splitlines()
            if line.startswith("| ") and "](../tests/" in line
        }
        wanted = {line.rsplit("|", 2)[0] for line in rows(tests, None)}
        for line in sorted(wanted - on_page):
            print(f"missing from {PAGE.name}: {line}")
        for line in sorted(on_page - wanted):
            print(f"no longer a test, or changed: {line}")
        if wanted != on_page:
            print("Run `make pages`.")
        return int(wanted != on_page)
    seen = figures()
    silent = [test for test in tests if test.key not in seen and not test.tolerance.startswith(NO_TOLERANCE)]
    if silent:
        names = ", ".join(f"{test.file}::{test.function}" for test in silent)
        sys.exit(f"No largest deviation was recorded by {names}; the page is left as it was.")
    table = ["| what | against | source | status | tolerance | test | worst seen |", "| --- " * 7 + "|"]
    PAGE.write_text(HEAD + "\n".join([*table, *rows(tests, seen)]) + "\n", "utf-8")
    print(f"{PAGE.relative_to(ROOT)}: {len(tests)} comparisons")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
