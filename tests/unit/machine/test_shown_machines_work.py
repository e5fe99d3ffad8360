"""The sketch, the manual's machine and the cases' good machine do what they say, by our own circuit."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from halfsplit.circuit.expansion import expand
from halfsplit.circuit.observing import readout
from halfsplit.circuit.settle import settle
from halfsplit.errors import Problem
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine, machine_of_values
from halfsplit.machine.rules import nothing_powered
from halfsplit.machine.source import Entries, Written, parse_yaml

ROOT = Path(__file__).resolve().parents[3]
PAGE = (ROOT / "docs" / "machine-file.md").read_text("utf-8")


def laid_over(below: Written | None, above: Written) -> Written:
    """``above`` laid over ``below``: mappings are joined, everything else is replaced."""
    if not isinstance(below, Entries) or not isinstance(above, Entries):
        return above
    values = dict(below.values)
    for key, value in above.values.items():
        values[key] = laid_over(values.get(key), value)
    return Entries(values, {**below.keys, **above.keys}, below.place)


def machine_after(steps: int, folder: Path) -> Machine:
    """The example machine of the manual after so many of its steps."""
    sections = re.split(r"^## Step \d+: ", PAGE, flags=re.MULTILINE)[1 : steps + 1]
    assert len(sections) == steps
    written: Written | None = None
    for language, block in re.findall(r"```(yaml|csv)\n(.*?)```", "".join(sections), re.DOTALL):
        if language == "csv":
            (folder / "wires.csv").write_text(block, "utf-8")
            continue
        problems: list[Problem] = []
        more = parse_yaml(block, "machine.yaml", problems)
        assert more is not None, problems
        written = laid_over(written, more)
    machine, found = machine_of_values(written, folder / "machine.yaml")
    assert machine is not None, [str(problem) for problem in found]
    return machine


def levels(machine: Machine, state: str) -> dict[str, str]:
    """Each function as off, weak or on in ``state`` of the sound machine."""
    netlist = expand(machine, machine.states[state])
    outcome = settle(netlist)
    read = readout(machine, netlist)
    amps = np.array([[outcome.amps(branch) for branch in read.carriers]])
    values = read.levels(amps, outcome.booleans[None])[0]
    return {
        f.id: "on" if value >= f.full else "weak" if value >= f.weak else "off"
        for f, value in zip(machine.functions.values(), values, strict=True)
    }


def wrong(machine: Machine) -> list[tuple[str, str, str, str]]:
    """What a function shows against what the file expects of it."""
    shown = {state: levels(machine, state) for state in machine.states}
    return [
        (f.id, state, want, shown[state][f.id])
        for f in machine.functions.values()
        for state, want in f.expected.items()
        if shown[state][f.id] != want
    ]


@pytest.mark.parametrize(
    "folder",
    [ROOT / "examples" / "hand-cart-generator", ROOT / "tests" / "cases" / "machine_files" / "good"],
    ids=lambda path: path.name,
)  # fmt: skip
def test_a_small_machine_does_what_its_file_expects(folder: Path) -> None:
    machine = load_machine(folder)
    assert any(function.expected for function in machine.functions.values())
    assert wrong(machine) == []


@pytest.mark.parametrize("steps", range(1, 7))
def test_every_step_of_the_manual_loads(steps: int, tmp_path: Path) -> None:
    machine = machine_after(steps, tmp_path)
    assert machine.invented
    assert "deck-lamp" in machine.functions


def test_the_sketch_of_the_manual_works_from_defaults(tmp_path: Path) -> None:
    machine = machine_after(1, tmp_path)
    assert levels(machine, "on") == {"deck-lamp": "on", "cutter": "on"}
    assert levels(machine, "rest") == {"deck-lamp": "off", "cutter": "off"}


@pytest.mark.parametrize("steps", [5, 6])
def test_the_grown_machine_of_the_manual_does_what_it_says(steps: int, tmp_path: Path) -> None:
    machine = machine_after(steps, tmp_path)
    assert wrong(machine) == []
    if steps == 6:
        assert levels(machine, "work")["reeds"] == "on"


def test_the_last_step_holds_what_the_steps_added(tmp_path: Path) -> None:
    machine = machine_after(6, tmp_path)
    assert len(machine.wires) == 29
    assert machine.zones["bilge"].reach == ("floor-board",)
    assert machine.connectors["X5"].inline
    assert machine.connectors["X2"].zone == "bow"
    assert machine.functions["reeds"].measure == "message"
    controller = machine.parts["E1"].controller
    assert controller is not None
    assert controller.codes["cut-open"].spn == 520300


def test_a_state_that_feeds_nothing_is_reported_at_its_line() -> None:
    machine = load_machine(ROOT / "examples" / "hand-cart-generator")
    problem = nothing_powered(machine, "work")
    assert (problem.code, problem.line) == ("nothing-powered", 17)
