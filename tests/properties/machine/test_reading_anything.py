"""Whatever stands in the files, reading ends with a machine or with problems, never with a traceback."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfsplit.errors import InternalError
from halfsplit.machine.conditions import ConditionError, parse
from halfsplit.machine.fields import Report
from halfsplit.machine.problems import CODES
from halfsplit.machine.reading import machine_of_text
from halfsplit.machine.reading_wires import rows_of_csv
from halfsplit.machine.source import parse_yaml

ROOT = Path(__file__).resolve().parents[3]
FOLDERS = [ROOT / "tests" / "cases" / "machine_files" / "good", *sorted(
    path.parent for path in (ROOT / "examples").glob("*/machine.yaml")
)]  # fmt: skip
#: Characters that mean something to YAML, csv, quantities or points.
PIECES = [
    "{", "}", "[", "]", ":", ",", "'", '"', "#", "&a", "*a", "!!int", "-", "- ", "\t", "|", ">", "%", "@",
    "~", "null", "\n", "  ", "0", "-1", "1e999", "99999999999999999999", "nan", " mohm", " kV", "é", "\x00",
    "\x85", "\ufeff", "\u2028", "X1.1:p", "like", "kind: ", "zone: ", "---\n", "...", "? ",
]  # fmt: skip


@cache
def text_of(folder: Path) -> str:
    return (folder / "machine.yaml").read_text("utf-8")


@st.composite
def damaged(draw: st.DrawFn, text: str) -> str:
    """``text`` with up to four lines deleted, doubled, swapped or cut, or characters put in or taken out."""
    lines = text.splitlines(keepends=True)
    for _ in range(draw(st.integers(1, 4))):
        if not lines:
            break
        at = draw(st.integers(0, len(lines) - 1))
        column = draw(st.integers(0, len(lines[at])))
        match draw(st.sampled_from(["delete", "double", "swap", "cut", "put", "take", "indent"])):
            case "delete":
                del lines[at]
            case "double":
                lines.insert(at, lines[at])
            case "swap":
                other = draw(st.integers(0, len(lines) - 1))
                lines[at], lines[other] = lines[other], lines[at]
            case "cut":
                lines[at] = lines[at][:column]
            case "put":
                piece = draw(st.sampled_from(PIECES) | st.text(max_size=3))
                lines[at] = lines[at][:column] + piece + lines[at][column:]
            case "take":
                lines[at] = lines[at][:column] + lines[at][column + draw(st.integers(1, 5)) :]
            case "indent":
                lines[at] = " " * draw(st.integers(0, 6)) + lines[at].lstrip(" ")
    return "".join(lines)


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda path: path.name)
@given(data=st.data())
def test_a_damaged_machine_file_gives_problems_or_a_machine(folder: Path, data: st.DataObject) -> None:
    text = data.draw(damaged(text_of(folder)))
    machine, problems = machine_of_text(text, str(folder / "machine.yaml"))
    assert (machine is None) == bool(problems)
    last = text.count("\n") + 1
    for problem in problems:
        assert problem.code in CODES
        assert problem.what
        if problem.file and problem.file.endswith("machine.yaml") and problem.line is not None:
            assert 1 <= problem.line <= last + 1  # the end of the file may count as a line of its own


@given(text=st.text(max_size=200) | st.lists(st.sampled_from(PIECES), max_size=40).map("".join))
def test_any_text_is_yaml_or_a_problem(text: str) -> None:
    problems: list = []
    written = parse_yaml(text, "machine.yaml", problems)
    assert written is not None or problems


@given(
    text=st.text(max_size=300)
    | st.lists(st.sampled_from([*PIECES, "wire,from,to\n", ";"]), max_size=40).map("".join)
)
def test_any_text_is_a_wire_list_or_a_problem(text: str) -> None:
    report = Report()
    rows = rows_of_csv(text, "wires.csv", report)
    assert rows or report.problems or "wire" in text


@given(
    text=st.text(max_size=60)
    | st.lists(st.sampled_from(["and", "or", "not", "(", ")", "in.A", "alive", " "]), max_size=30).map(
        " ".join
    )
)
def test_any_text_is_a_condition_or_a_placed_slip(text: str) -> None:
    try:
        parse(text)
    except ConditionError as slip:
        assert 1 <= slip.column <= max(len(text), 1) + 1


def test_an_unregistered_code_is_our_mistake() -> None:
    with pytest.raises(InternalError):
        Report().add("no-such-code", None, "x")
