"""The pages against the program: codes, commands, settings, comparisons, links."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from halfsplit.settings import SETTINGS

ROOT = Path(__file__).resolve().parents[2]
PAGES = [*sorted(ROOT.glob("*.md")), *sorted((ROOT / "docs").rglob("*.md"))]
CODED = frozenset({"Problem", "UserError"})


@pytest.mark.parametrize(
    "script",
    ["problems_page.py", "commands_page.py", "unseen_page.py", "interface_description.py", "checked_against.py"],
)
def test_a_generated_page_is_what_its_script_would_write(script: str) -> None:
    done = subprocess.run(
        [sys.executable, ROOT / "scripts" / script, "--check"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def registered_codes() -> set[str]:
    """Codes of docs/problems.md, which the test above holds to the CODES dictionaries."""
    return set(
        re.findall(r"^\| `([a-z0-9-]+)` \|", (ROOT / "docs/problems.md").read_text("utf-8"), re.MULTILINE)
    )


def coded_classes() -> set[str]:
    """Problem, UserError and their descendants whose first argument is a code, read from the source."""
    bases: dict[str, list[str]] = {}
    takes_code: dict[str, bool] = {}
    for path in sorted((ROOT / "src").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.ClassDef):
                bases[node.name] = [ast.unparse(base).rsplit(".", 1)[-1] for base in node.bases]
                inits = [f for f in node.body if isinstance(f, ast.FunctionDef) and f.name == "__init__"]
                takes_code[node.name] = not inits or any(
                    [a.arg for a in f.args.args[1:2]] == ["code"] for f in inits
                )
    found: set[str] = set(CODED)
    while (
        more := {name for name, parents in bases.items() if found & set(parents) and takes_code[name]} - found
    ):
        found |= more
    return found


def used_codes() -> Iterator[tuple[str, str]]:
    """Every code written as a literal where a coded error is made, with its place."""
    classes = coded_classes()
    for path in sorted((ROOT / "src").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.Call) or ast.unparse(node.func).rsplit(".", 1)[-1] not in classes:
                continue
            codes = [keyword.value for keyword in node.keywords if keyword.arg == "code"] or node.args[:1]
            for code in codes:
                if isinstance(code, ast.Constant) and isinstance(code.value, str):
                    yield code.value, f"{path.relative_to(ROOT)}:{node.lineno}"


def test_every_code_an_error_is_made_with_is_explained() -> None:
    used = list(used_codes())
    assert len(used) >= 5
    known = registered_codes()
    wrong = [f"{place}: {code}" for code, place in used if code not in known]
    assert not wrong, "not in any CODES:\n" + "\n".join(wrong)


def test_codes_are_lower_case_words_with_dashes() -> None:
    page = (ROOT / "docs/problems.md").read_text("utf-8")
    rows = [line for line in page.splitlines() if line.startswith("| `")]
    assert len(rows) == len(registered_codes())


def test_every_setting_is_on_its_page_with_default_and_meaning_and_no_other() -> None:
    page = (ROOT / "docs/settings.md").read_text("utf-8")
    rows = re.findall(r"^\| `([A-Z_]+)` \| (.+?) \| (.+?) \|$", page, re.MULTILINE)
    assert rows == [(each.name, each.default, each.meaning) for each in SETTINGS]


def test_no_module_but_settings_reads_the_environment() -> None:
    wrong = []
    for path in sorted((ROOT / "src/halfsplit").rglob("*.py")):
        text = path.read_text("utf-8")
        if path.name != "settings.py" and re.search(r"\bos\.(environ|getenv)\b", text):
            wrong.append(path.relative_to(ROOT).as_posix())
    assert not wrong, wrong


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_between_files_lead_somewhere(page: Path) -> None:
    text = re.sub(r"```.*?```", "", page.read_text("utf-8"), flags=re.DOTALL)
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if "://" not in target and not target.startswith("#"):
            assert (page.parent / target.split("#")[0]).exists(), f"{page.name} links to {target}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_table_rows_have_as_many_cells_as_their_heading(page: Path) -> None:
    width = 0
    for line in re.sub(r"```.*?```", "", page.read_text("utf-8"), flags=re.DOTALL).splitlines():
        cells = len(re.findall(r"(?<!\\)\|", line)) - 1 if line.startswith("|") else 0
        assert not (cells and width) or cells == width, line
        width = cells
