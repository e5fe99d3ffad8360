"""Every folder under tests/cases/machine_files is a machine with a slip and the problems it must give."""

from __future__ import annotations

from pathlib import Path

import pytest

from halfsplit.machine.problems import CODES
from halfsplit.machine.reading import load_machine, read_machine
from halfsplit.machine.source import Entries, Items, Text, read_yaml

CASES = Path(__file__).resolve().parents[2] / "cases" / "machine_files"
FOLDERS = sorted(path for path in CASES.iterdir() if path.is_dir())

#: Codes that no folder can show: size limits and permissions are tested below, the circuit's rule where it is
#: solved.
NOT_FOLDERS = {"file-too-large", "file-unreadable", "nothing-powered"}


def expected_of(folder: Path) -> list[tuple[str, str, int | None, str | None]]:
    problems: list = []
    written = read_yaml(folder / "expected.yaml", problems)
    assert not problems
    assert isinstance(written, Entries)
    about, listed = written.values["about"], written.values["problems"]
    assert isinstance(about, Text)
    assert about.text.endswith("."), "each case says in a sentence what is wrong"
    assert isinstance(listed, Items)
    found = []
    for item in listed.items:
        assert isinstance(item, Entries)
        texts = {key: value.text for key, value in item.values.items() if isinstance(value, Text)}
        line = int(texts["line"]) if "line" in texts else None
        found.append((texts["code"], texts["file"], line, texts.get("suggestion")))
    return found


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda path: path.name)
def test_a_machine_file_with_a_slip_gives_exactly_its_problems(folder: Path) -> None:
    machine, problems = read_machine(folder)
    got = [(p.code, Path(p.file or "").name, p.line, p.suggestion) for p in problems]
    assert got == expected_of(folder)
    assert (machine is None) == bool(problems)


@pytest.mark.parametrize("folder", [f for f in FOLDERS if f.name != "good"], ids=lambda path: path.name)
def test_a_case_shows_the_code_it_is_named_after(folder: Path) -> None:
    codes = {code for code, *_ in expected_of(folder)}
    assert any(folder.name == code or folder.name.startswith(f"{code}-") for code in codes)


def test_every_code_has_a_case() -> None:
    shown = {code for folder in FOLDERS for code, *_ in expected_of(folder)}
    assert shown | NOT_FOLDERS == set(CODES)
    assert not shown & NOT_FOLDERS


def test_suggestions_cure_single_word_slips(tmp_path: Path) -> None:
    """Putting the suggestion where the slip is gives a machine again: it is a good spelling."""
    cured = 0
    for folder in FOLDERS:
        expected = expected_of(folder)
        if len(expected) != 1 or expected[0][3] is None or expected[0][1] != "machine.yaml":
            continue
        code, name, line, suggestion = expected[0]
        slips = {
            "unknown-key": "ratting",
            "unknown-unit": "10 kohn",
            "no-such-zone": "dek",
            "unknown-kind": "realy",
        }
        slip = slips.get(folder.name)
        if slip is None or suggestion is None:
            continue
        target = tmp_path / folder.name
        target.mkdir()
        for path in folder.iterdir():
            (target / path.name).write_bytes(path.read_bytes())
        text = (target / name).read_text("utf-8")
        (target / name).write_text(text.replace(slip, suggestion), "utf-8")
        assert load_machine(target).name == "Tarn pump cart", (code, line)
        cured += 1
    assert cured == 3  # no-such-zone has two problems in its folder


def test_a_folder_without_a_machine_file_is_said_so(tmp_path: Path) -> None:
    _, problems = read_machine(tmp_path)
    assert [p.code for p in problems] == ["file-missing"]


def test_a_folder_in_place_of_the_file_is_unreadable(tmp_path: Path) -> None:
    (tmp_path / "machine.yaml").mkdir()
    _, problems = read_machine(tmp_path)
    assert [p.code for p in problems] == ["file-unreadable"]


def test_a_huge_file_is_refused_before_it_is_taken_apart(tmp_path: Path) -> None:
    (tmp_path / "machine.yaml").write_bytes(b"a: [" + b"1, " * 2_000_000 + b"]")
    _, problems = read_machine(tmp_path)
    assert [p.code for p in problems] == ["file-too-large"]


def test_a_file_with_too_many_values_is_refused(tmp_path: Path) -> None:
    (tmp_path / "machine.yaml").write_bytes(b"a: [" + b"1," * 500_000 + b"]")
    _, problems = read_machine(tmp_path)
    assert [p.code for p in problems] == ["file-too-large"]


def test_deep_nesting_beyond_the_parsers_own_limit_is_a_problem(tmp_path: Path) -> None:
    (tmp_path / "machine.yaml").write_bytes(b"[" * 200_000)
    _, problems = read_machine(tmp_path)
    assert [p.code for p in problems] == ["too-deep"]
