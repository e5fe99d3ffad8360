"""Faults of the shipped machines, drawn over all modes and states with a fixed seed, and settled."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from halfsplit.circuit.changes import Change
from halfsplit.circuit.expansion import expand
from halfsplit.circuit.netlist import Netlist
from halfsplit.circuit.system import System
from halfsplit.faults.applying import changes
from halfsplit.faults.catalogue import Fault, generate
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
SWEEPER, PLATFORM, CART = "saltmarsh-sweeper", "orchard-platform", "hand-cart-generator"


@dataclass(frozen=True, eq=False)
class Drawn:
    """One fault at one severity in one state, as changes of that state's circuit."""

    state: str
    fault: Fault
    grade: int
    netlist: Netlist
    changes: tuple[Change, ...]

    def __str__(self) -> str:
        return f"{self.fault.id} ({self.fault.severities[self.grade].label}) in {self.state}"


@cache
def machine(name: str) -> Machine:
    return load_machine(EXAMPLES / name)


@cache
def faults(name: str) -> tuple[Fault, ...]:
    return generate(machine(name))


@cache
def circuit(name: str, state: str) -> Netlist:
    return expand(machine(name), machine(name).states[state])


@cache
def system(name: str, state: str) -> System:
    """The healthy machine in a state, settled and factorised."""
    return System(circuit(name, state))


def at(name: str, state: str, fault: Fault, grade: int) -> Drawn:
    netlist = circuit(name, state)
    return Drawn(state, fault, grade, netlist, changes(netlist, fault.severities[grade].effects))


def mode_by_mode(name: str, rng: np.random.Generator) -> Iterator[Drawn]:
    """One fault of every mode after the other, round and round, each at a random place, severity and state."""
    by_mode: dict[str, list[Fault]] = {}
    for fault in faults(name):
        by_mode.setdefault(fault.mode.id, []).append(fault)
    states = tuple(machine(name).states)
    while True:
        for chosen in by_mode.values():
            fault = chosen[int(rng.integers(len(chosen)))]
            grade = int(rng.integers(len(fault.severities)))
            yield at(name, states[int(rng.integers(len(states)))], fault, grade)
