"""Sizes and names of modules, and what no tracked file may contain."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = ("src", "tests", "scripts", "bench")
EMPTY_NAMES = frozenset({"utils", "util", "helpers", "helper", "common", "base", "manager", "misc"})
TEXT = frozenset({
    ".py", ".md", ".toml", ".yaml", ".yml", ".csv", ".json", ".sh", ".cfg", ".lock",
    ".txt", ".mako", ".ini", "",
})  # fmt: skip

#: A path of somebody's machine, or a package registry's address. Written so that no pattern matches this
#: file.
MACHINE_PATH = re.compile(r"(?<![\w.])/(?:home|root|Users|work)/[\w.]")
REGISTRY = re.compile(
    r"index[-]url|--[r]egistry|\"resolved\": *\"http|pypi[.]org/simple|files[.]pythonhosted"
)
#: Ways for a test to pass without having tested.
SOFT = re.compile(r"time[.]sleep|pytest[.]skip|mark[.]skip|mark[.]xfail|importor[s]kip|fla[k]y|reru[n]s")


def python_files() -> list[Path]:
    """Every Python file that is ours."""
    return sorted(
        p for folder in FOLDERS for p in (ROOT / folder).rglob("*.py") if "__pycache__" not in p.parts
    )


def own_files() -> list[Path]:
    """Every text file git tracks or would track; without git, everything in our folders."""
    listing = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if listing.returncode == 0:
        found = [ROOT / name for name in listing.stdout.split("\0") if name]
    else:
        found = [p for folder in (*FOLDERS, "docs", "examples") for p in (ROOT / folder).rglob("*")]
        found += [p for p in ROOT.iterdir() if p.suffix in TEXT]
    return sorted(p for p in found if p.is_file() and p.suffix in TEXT and "__pycache__" not in p.parts)


def lines_matching(pattern: re.Pattern[str], paths: list[Path]) -> list[str]:
    """Each matching line as file:line: text."""
    return [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()[:100]}"
        for path in paths
        for number, line in enumerate(path.read_text("utf-8", errors="replace").splitlines(), 1)
        if pattern.search(line)
    ]


def test_no_module_is_longer_than_800_lines_and_above_500_the_first_line_says_why() -> None:
    wrong = []
    for path in python_files():
        lines = path.read_text("utf-8").splitlines()
        if len(lines) > 800:
            wrong.append(f"{path.relative_to(ROOT)} has {len(lines)} lines")
        elif len(lines) > 500 and not re.match(r"# \S+ \S+ \S+", lines[0]):
            wrong.append(f"{path.relative_to(ROOT)} has {len(lines)} lines and no first comment saying why")
    assert not wrong, wrong


def test_no_module_or_folder_is_named_after_nothing() -> None:
    wrong = [p for p in python_files() if EMPTY_NAMES & {p.stem, *p.relative_to(ROOT).parts}]
    assert not wrong, wrong


def test_no_file_holds_a_path_of_somebodys_machine_or_a_registrys_address() -> None:
    files = own_files()
    assert len(files) > 20
    assert not lines_matching(MACHINE_PATH, files)
    assert not lines_matching(REGISTRY, files)


def test_no_test_sleeps_skips_or_retries_unless_the_line_above_says_why() -> None:
    wrong = []
    for path in python_files():
        if "tests" not in path.relative_to(ROOT).parts:
            continue
        above = ""
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1):
            if SOFT.search(line) and not above.strip().startswith(("# ", '"""')):
                wrong.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()[:100]}")
            above = line
    assert not wrong, "\n".join(wrong)


def test_every_lint_exception_in_the_code_carries_its_reason() -> None:
    exception = re.compile(
        r"#\s*(?:noqa|type:\s*ignore)(?P<codes>:\s*[A-Z]+\d+(?:,\s*[A-Z]+\d+)*|\[[\w, -]+\])?(?P<rest>.*)$"
    )
    wrong = []
    for path in python_files():
        if path == Path(__file__):
            continue
        above = ""
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1):
            match = exception.search(line)
            reasoned = match is not None and len(match["rest"].strip(" #-")) >= 8
            if match and (not match["codes"] or not (reasoned or above.strip().startswith("# "))):
                wrong.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()[:100]}")
            above = line
    assert not wrong, "\n".join(wrong)
