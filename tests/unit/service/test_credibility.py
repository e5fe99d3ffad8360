"""Whether a machine could work as described: each doubt by a machine that has it, and none on sound ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from halfsplit.diagnosis.hunt import Bench
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine, machine_of_text
from halfsplit.service.credibility import credibility, wire_limit_a
from halfsplit.service.examples import examples_folder, find_machine, shipped
from halfsplit.service.machines import check_machine, show_machine
from halfsplit.service.unseen import unseen

TEXT = """
format: halfsplit-machine/1
machine: {{name: Bench lamp, maker: nobody (invented), invented: yes, system: 12 V}}
connectors: {{X1: {{family: {family}}}}}
parts:
  BAT: {{kind: battery}}
  F1: {{kind: fuse, rating: {fuse}}}
  S1: {{kind: switch}}
  H1: {{kind: lamp, power: {power}, plugs: {{X1: {{1: "+", 2: "-"}}}}}}
wires:
  - {{id: W1, from: BAT.+, to: F1.1, size: 6 mm2, length: 0.5 m}}
  - {{id: W2, from: F1.2, to: S1.1, size: 6 mm2, length: 0.5 m}}
  - {{id: W3, from: S1.2, to: X1.1, size: {size}, length: {length}}}
  - {{id: W4, from: X1.2, to: BAT.-, size: 6 mm2, length: 1 m}}
states: {{off: {{}}, on: {{set: {{S1: on}}}}}}
functions:
  lamp: {{watch: H1, expected: {{off: off, on: {expected}}}}}
"""


def bench_lamp(**changed: str) -> Machine:
    values = {
        "family": "sealed-2.8", "fuse": "10 A", "power": "60 W", "size": "1.5 mm2", "length": "1 m",
        "expected": "on",
    }  # fmt: skip
    machine, problems = machine_of_text(TEXT.format(**{**values, **changed}))
    assert machine is not None, problems
    return machine


def doubts(**changed: str) -> set[tuple[str, str]]:
    return {(one.kind, one.id) for one in credibility(bench_lamp(**changed)).doubts}


def test_a_sound_circuit_leaves_no_doubt() -> None:
    found = credibility(bench_lamp())
    assert found.doubts == ()
    assert (found.states, found.functions, found.fuses, found.wires, found.contacts) == (2, 2, 1, 4, 2)


@pytest.mark.parametrize(
    ("changed", "doubt"),
    [
        ({"fuse": "6 A"}, ("fuse", "F1")),  # 60 W at 12 V is 5 A, more than 80 % of 6 A
        ({"size": "0.5 mm2"}, ("wire", "W3")),  # 5 A, usual is 4 A
        ({"size": "1 mm2", "length": "40 m"}, ("load", "H1")),  # 0.7 ohm on the way
        ({"expected": "off"}, ("function", "lamp")),
        ({"power": "240 W", "fuse": "40 A", "size": "6 mm2", "family": "sealed-1.0"}, ("contact", "X1.1")),
    ],
)
def test_each_kind_of_doubt_is_found(changed: dict[str, str], doubt: tuple[str, str]) -> None:
    assert doubt in doubts(**changed)


def test_wires_carry_what_common_practice_says_and_something_between_between() -> None:
    assert wire_limit_a(1.5e-6) == 14
    assert wire_limit_a(50e-6) == 200
    assert 14 < wire_limit_a(2e-6) < 20
    assert wire_limit_a(0.25e-6) == 2


@pytest.mark.parametrize("name", shipped())
def test_shipped_machines_leave_no_doubt(name: str) -> None:
    found = credibility(load_machine(find_machine(name)))
    assert [(one.kind, one.id, one.state, one.what) for one in found.doubts] == []


def test_shipped_machines_are_found_by_name_and_by_path() -> None:
    assert "saltmarsh-sweeper" in shipped()
    assert find_machine("saltmarsh-sweeper") == examples_folder() / "saltmarsh-sweeper"
    assert find_machine(str(Path(examples_folder() / "hand-cart-generator"))).is_dir()


def test_a_fault_is_called_unseen_only_when_no_check_moves_and_a_visible_one_never() -> None:
    bench = Bench(load_machine(find_machine("hand-cart-generator")))
    hidden = {one.fault for one in unseen(bench).faults}
    assert "W4/wire-open" not in hidden
    assert "F1/fuse-open" not in hidden
    # A ground wire rubbing on the frame it is joined to changes nothing.
    assert "W5/wire-chafed" in hidden


def test_the_report_counts_what_the_machine_has() -> None:
    found = check_machine(find_machine("hand-cart-generator"))
    assert (found.counts.parts, found.counts.wires, found.counts.functions) == (5, 6, 2)
    assert found.unseen is not None
    assert any(line.attribute == "length" and line.count == 6 for line in found.assumed)
    assert found.sharpening[0].faults >= found.sharpening[-1].faults


def test_showing_a_machine_names_everything_in_it() -> None:
    machine = load_machine(find_machine("orchard-platform"))
    shown = {one.id for one in show_machine(find_machine("orchard-platform")).things}
    assert {
        *machine.parts,
        *machine.connectors,
        *machine.functions,
        *machine.states,
        *machine.access,
    } <= shown
