"""The netlists that are handed out, run by ngspice on the spot: a sound machine's voltages at every node."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from halfsplit.circuit import spice
from halfsplit.circuit.expansion import expand
from halfsplit.circuit.settle import settle
from halfsplit.errors import NotFound, UserError
from halfsplit.machine.reading import load_machine
from halfsplit.service.netlists import spice_deck, write_spice_deck

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
MACHINES = ("hand-cart-generator", "orchard-platform", "saltmarsh-sweeper")


@pytest.mark.outside(
    what="node voltages of the shipped machines, sound, in every state, from the netlist handed out",
    against="ngspice on the spot, reltol 1e-9",
    source="halfsplit machine spice MACHINE --state STATE writes the netlists",
    status="computed",
    tolerance="1e-5 V",
)
@pytest.mark.parametrize("name", MACHINES)
def test_the_netlist_handed_out_has_the_same_sound_voltages(
    tmp_path: Path, name: str, record_property: Callable[..., None]
) -> None:
    program = shutil.which("ngspice")
    assert program, "ngspice is missing; install it with: apt-get install ngspice"
    machine = load_machine(EXAMPLES / name)
    worst = 0.0
    for number, state in enumerate(machine.states):
        file = tmp_path / f"{number}.cir"
        written = write_spice_deck(EXAMPLES / name, state, file)
        done = subprocess.run(
            [program, "-b", str(file)], capture_output=True, text=True, timeout=60, check=False, cwd=tmp_path
        )
        netlist = expand(machine, machine.states[state])
        outcome = settle(netlist)
        theirs = spice.voltages(netlist, done.stdout)
        assert written.nodes == len(theirs) == len(netlist.nodes)
        ours = np.array([outcome.volts(node) for node in netlist.nodes])
        worst = max(worst, float(np.abs(ours - np.array([theirs[node] for node in netlist.nodes])).max()))
    record_property("largest_deviation", f"{worst:.1e} V")
    assert worst < 1e-5


def test_the_text_names_every_node_and_the_same_machine_gives_the_same_text() -> None:
    deck = spice_deck(EXAMPLES / "hand-cart-generator", "start")
    assert deck == spice_deck(EXAMPLES / "hand-cart-generator", "start")
    assert deck.text.endswith(".end\n")
    machine = load_machine(EXAMPLES / "hand-cart-generator")
    netlist = expand(machine, machine.states["start"])
    assert all(f" is {node}\n" in deck.text for node in netlist.nodes if node != netlist.reference)


def test_an_unknown_state_gets_the_nearest_and_no_file_is_written_over(tmp_path: Path) -> None:
    with pytest.raises(NotFound) as missing:
        spice_deck(EXAMPLES / "hand-cart-generator", "strat")
    assert missing.value.suggestion == "start"
    file = tmp_path / "deck.cir"
    file.write_text("mine")
    with pytest.raises(UserError) as caught:
        write_spice_deck(EXAMPLES / "hand-cart-generator", "start", file)
    assert caught.value.code == "spice-there"
    assert file.read_text() == "mine"
