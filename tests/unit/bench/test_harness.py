"""The generator of harnesses: sound machines of the size asked for, the same for the same seed."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from harness import ARM_NODES, STATES, arms_for, write_harness

from halfsplit.circuit.expansion import expand
from halfsplit.circuit.settle import Outcome, settle
from halfsplit.faults.catalogue import generate
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine


@cache
def machine(nodes: int, seed: int = 1) -> Machine:
    with TemporaryDirectory() as folder:
        return load_machine(write_harness(Path(folder), nodes, seed, watched=nodes < 500))


@cache
def rest(nodes: int, state: str) -> Outcome:
    return settle(expand(machine(nodes), machine(nodes).states[state]))


@pytest.mark.parametrize("nodes", [400, 1500, 5000])
def test_the_circuit_has_about_so_many_nodes(nodes: int) -> None:
    found = machine(nodes)
    counted = len(expand(found, found.states["key-on"]).nodes)
    assert abs(counted - nodes) <= ARM_NODES / 2 + 0.03 * nodes  # whole arms only, and they differ by their loads


def test_the_same_seed_gives_the_same_files_and_another_seed_others(tmp_path: Path) -> None:
    folders = [
        write_harness(tmp_path / name, 300, seed, watched=False) for name, seed in (("a", 1), ("b", 1), ("c", 2))
    ]
    texts = [[(folder / file).read_text("utf-8") for file in ("machine.yaml", "wires.csv")] for folder in folders]
    assert texts[0] == texts[1]
    assert texts[0][1] != texts[2][1]


def test_it_has_eight_states_and_settles_in_each_with_nothing_blown() -> None:
    assert len(machine(400).states) == STATES
    for state in machine(400).states:
        outcome = rest(400, state)
        assert outcome.kind == "steady", (state, outcome.moving)
        over = [name for name in outcome.netlist.device_index if name.startswith(("blown:", "trip:"))]
        assert over
        assert not any(outcome.is_on(name) for name in over), state


def test_every_function_works_in_some_state_and_most_rest_with_the_key_on() -> None:
    functions = machine(400).functions.values()
    assert all("on" in function.expected.values() for function in functions)
    assert sum(function.expected.get("key-on") == "off" for function in functions) > len(functions) / 2


def test_it_holds_every_kind_of_place_of_the_orchard_platform_but_two() -> None:
    kinds = {fault.mode.applies for fault in generate(machine(1500))}
    examples = Path(__file__).resolve().parents[3] / "examples"
    shipped = {fault.mode.applies for fault in generate(load_machine(examples / "orchard-platform"))}
    assert shipped - kinds == {"contact_sensor", "sender"}


def test_more_nodes_are_more_arms() -> None:
    assert [arms_for(nodes) for nodes in (10, 400, 1500, 5000)] == [1, 3, 11, 36]
