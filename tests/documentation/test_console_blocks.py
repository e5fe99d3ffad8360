"""Runs each `console` block in the pages and compares what it prints (CONTRIBUTING.md says how)."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAGES = [*sorted(ROOT.glob("*.md")), *sorted((ROOT / "docs").rglob("*.md"))]
STATUS = re.compile(r"# exit status ([0-9]+)")


@dataclass
class Step:
    """One command of a block and the output written below it."""

    command: str
    expected: list[str]
    status: int = 0


def blocks(page: Path) -> list[list[Step]]:
    """The console blocks of a page, each as its steps."""
    found = []
    for block in re.findall(r"^```console\n(.*?)^```", page.read_text("utf-8"), re.DOTALL | re.MULTILINE):
        steps: list[Step] = []
        for line in block.splitlines():
            status = STATUS.fullmatch(line)
            if line.startswith("$ "):
                steps.append(Step(line[2:], []))
            elif status:
                steps[-1].status = int(status[1])
            else:
                steps[-1].expected.append(line.rstrip())
        found.append(steps)
    return found


def pattern(expected: list[str]) -> re.Pattern[str]:
    """What the output must match as a whole; `...` alone is any lines, within a line any text."""
    parts = []
    for line in expected:
        if line.strip() == "...":
            parts.append(r"(?:[^\n]*\n)*?")
        else:
            parts.append(r"[^\n]*?".join(re.escape(piece) for piece in line.split("...")) + r"[ ]*\n")
    return re.compile("".join(parts))


def matches(expected: list[str], printed: str) -> bool:
    """Whether the output is the expected one; nothing written below a command asks for nothing printed."""
    return (
        pattern(expected).fullmatch(printed if not printed or printed.endswith("\n") else printed + "\n")
        is not None
    )


@pytest.mark.parametrize(
    "page", [p for p in PAGES if blocks(p)], ids=lambda page: page.relative_to(ROOT).as_posix()
)
def test_console_blocks_print_what_the_page_says(page: Path, tmp_path: Path) -> None:
    environment = dict(
        os.environ, HALFSPLIT_HOME=str(tmp_path / "home"), COLUMNS="100", NO_COLOR="1", TERM="dumb"
    )
    environment["PATH"] = os.pathsep.join([str(Path(sys.executable).parent), environment.get("PATH", "")])
    folder = tmp_path / "here"
    folder.mkdir()
    if (ROOT / "examples").is_dir():
        shutil.copytree(ROOT / "examples", folder / "examples")
    for steps in blocks(page):
        for step in steps:
            done = subprocess.run(
                ["/bin/sh", "-c", step.command], cwd=folder, env=environment, text=True, check=False,
                stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
            )  # fmt: skip
            assert done.returncode == step.status, f"$ {step.command}\n{done.stdout}"
            assert matches(step.expected, done.stdout), (
                f"$ {step.command}\nprinted:\n{done.stdout}\nthe page says:\n" + "\n".join(step.expected)
            )


def test_the_readme_has_a_block_that_is_run() -> None:
    assert any(
        step.command.startswith("halfsplit ") for steps in blocks(ROOT / "README.md") for step in steps
    )


def test_no_block_claims_to_be_shell_and_hides_a_halfsplit_command_from_being_run() -> None:
    for page in PAGES:
        for block in re.findall(r"^```sh\n(.*?)^```", page.read_text("utf-8"), re.DOTALL | re.MULTILINE):
            assert not re.search(r"^\s*(\$ )?halfsplit ", block, re.MULTILINE), f"{page.name}: {block}"


@pytest.mark.parametrize(
    ("expected", "printed", "same"),
    [
        (["a", "...", "c"], "a\nb\nb\nc\n", True),
        (["a", "...", "c"], "a\nc\n", True),
        (["took ... s"], "took 0.31 s\n", True),
        (["took ... s"], "took 0.31 s\nmore\n", False),
        (["a"], "b\n", False),
        ([], "", True),
        ([], "something\n", False),
    ],
)
def test_dots_stand_for_any_text_and_nothing_else_does(expected: list[str], printed: str, same: bool) -> None:
    assert matches(expected, printed) is same
