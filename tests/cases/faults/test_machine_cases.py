"""Runs every small machine of the folders relays and faults: each step of expected.yaml settled and compared."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import yaml

from halfsplit.circuit import meters
from halfsplit.circuit.batch import CHATTERS, settle_batch, volts_row
from halfsplit.circuit.changes import Change
from halfsplit.circuit.expansion import expand
from halfsplit.circuit.netlist import Netlist, OverCurrent
from halfsplit.circuit.observing import readout
from halfsplit.circuit.settle import Outcome, settle
from halfsplit.circuit.system import System
from halfsplit.faults.applying import changes
from halfsplit.faults.catalogue import Effect, generate
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine

HERE = Path(__file__).parent
FOLDERS = sorted(path.parent for kind in ("relays", "faults") for path in (HERE.parent / kind).glob("*/machine.yaml"))
ENTRIES = {
    "state", "goes_on", "faults", "apart", "kind", "moving", "functions", "blown", "devices", "volts", "tolerance_v",
    "floating",
}  # fmt: skip
YES = {"yes": True, "no": False, True: True, False: False}


def effects_of(machine: Machine, step: dict[str, Any]) -> tuple[Effect, ...]:
    by_id = {fault.id: fault for fault in generate(machine)}
    found: list[Effect] = []
    for name, label in step.get("faults", {}).items():
        severities = {one.label: one for one in by_id[name].severities}
        found.extend(severities[label].effects)
    return tuple(found)


def circuit_of(machine: Machine, step: dict[str, Any]) -> Netlist:
    netlist = expand(machine, machine.states[step["state"]])
    apart = [
        branch.name
        for connector in step.get("apart", [])
        for branch in netlist.branches
        if branch.name.startswith(f"contact:{connector}.")
    ]
    return meters.unplugged(netlist, apart) if apart else netlist


def levels(machine: Machine, outcome: Outcome) -> dict[str, int]:
    read = readout(machine, outcome.netlist)
    amps = np.array([[outcome.amps(name) for name in read.carriers]])
    values = read.levels(amps, outcome.booleans[None])[0]
    return {
        name: int(value >= function.full) + int(value >= function.weak)
        for (name, function), value in zip(machine.functions.items(), values, strict=True)
    }


def compared(machine: Machine, outcome: Outcome, step: dict[str, Any]) -> None:
    assert outcome.kind == step["kind"], step
    assert sorted(outcome.moving) == sorted(step.get("moving", [])), step
    found = levels(machine, outcome)
    assert {name: found[name] for name in step.get("functions", {})} == step.get("functions", {}), step
    if "blown" in step:
        blown = [
            device.name.partition(":")[2]
            for device in outcome.netlist.devices
            if isinstance(device, OverCurrent) and outcome.is_on(device.name)
        ]
        assert sorted(blown) == sorted(step["blown"]), step
    for name, value in step.get("devices", {}).items():
        assert outcome.is_on(name) is YES[value], (name, step)
    for node, volts in step.get("volts", {}).items():
        assert meters.volts(outcome, node).volts == pytest.approx(volts, abs=step["tolerance_v"]), (node, step)
    for node, floating in step.get("floating", {}).items():
        assert meters.volts(outcome, node).floating is YES[floating], (node, step)


def compare_batch(netlist: Netlist, made: tuple[Change, ...], step: dict[str, Any]) -> None:
    """Thousands at once must tell the same story, from the resting state of the circuit without the faults."""
    healthy = System(netlist)
    alone = settle(netlist, made, start=healthy.booleans, second_start=False)
    batch = settle_batch(healthy, [made], [volts_row(netlist, node) for node in netlist.nodes], second_start=False)
    assert bool(batch.kind[0] == CHATTERS) == (alone.kind == "chatters"), step
    if alone.kind != "chatters":
        assert (batch.booleans[0] == alone.booleans).all(), step
        # A diode may stay on the state's tangent while that is right within 2 mV.
        assert np.abs(batch.readings[0] - alone.voltages).max() <= 5e-3, step


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: f"{folder.parent.name}/{folder.name}")
def test_case(folder: Path) -> None:
    assert (folder / "README.md").read_text(encoding="utf-8").startswith("# ")
    machine = load_machine(folder)
    expected = yaml.safe_load((folder / "expected.yaml").read_text(encoding="utf-8"))
    before: Outcome | None = None
    for step in expected["steps"]:
        assert step.keys() <= ENTRIES, "expected.yaml holds an entry that nothing compares"
        netlist = circuit_of(machine, step)
        made = changes(netlist, effects_of(machine, step))
        goes_on = YES[step.get("goes_on", "no")]
        assert not goes_on or before is not None
        outcome = settle(netlist, made, start=before.booleans if goes_on and before is not None else None)
        compared(machine, outcome, step)
        compare_batch(netlist, made, step)
        before = outcome


def test_there_are_cases_of_both_kinds() -> None:
    kinds = [folder.parent.name for folder in FOLDERS]
    assert kinds.count("relays") >= 2
    assert kinds.count("faults") >= 4
