"""Kirchhoff's current law at every node of the sweeper, healthy and with one fault."""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest
from tests.outside.machines.drawn import SWEEPER, machine, mode_by_mode, system

from halfsplit.circuit.changes import LARGEST_SIEMENS, Shunt
from halfsplit.circuit.settle import Outcome, settle


def imbalance(outcome: Outcome) -> float:
    """Largest sum of currents in A at any node but the reference, over the largest current about (1 A at least).

    Every cycle state of a chattering circuit balances, so their mean does too.
    """
    netlist = outcome.netlist
    index = netlist.node_index
    total = netlist.leak_siemens * outcome.voltages
    ends = [
        *((branch.a, branch.b) for branch in netlist.branches),
        *((switch.a, switch.b) for switch in netlist.switches),
        *((diode.anode, diode.cathode) for diode in netlist.diodes),
    ]
    for (a, b), amps in zip(ends, outcome.currents, strict=True):
        total[index[a]] += amps
        total[index[b]] -= amps
    for change in outcome.changes:
        if isinstance(change, Shunt):
            amps = min(change.siemens, LARGEST_SIEMENS) * (outcome.volts(change.a) - outcome.volts(change.b))
            total[index[change.a]] += amps
            total[index[change.b]] -= amps
    total[index[netlist.reference]] = 0.0
    return float(np.abs(total).max()) / max(1.0, float(np.abs(outcome.currents).max()))


@pytest.mark.parametrize("state", machine(SWEEPER).states)
def test_currents_balance_at_every_node_of_the_healthy_sweeper(state: str) -> None:
    # A shunt of 10 mohm multiplies the last digit of 14 V (1.8e-15) by 100.
    assert imbalance(settle(system(SWEEPER, state).netlist)) <= 1e-11


def test_currents_balance_at_every_node_with_one_fault() -> None:
    for drawn in islice(mode_by_mode(SWEEPER, np.random.default_rng(50)), 50):
        outcome = settle(drawn.netlist, drawn.changes, start=system(SWEEPER, drawn.state).booleans, second_start=False)
        assert imbalance(outcome) <= 1e-11, str(drawn)


def test_the_balance_notices_a_current_that_is_not_there() -> None:
    outcome = settle(system(SWEEPER, "idle").netlist)
    assert abs(outcome.amps("cell:BAT")) > 1e-3
    outcome.currents[outcome.netlist.branch_index["cell:BAT"]] *= 1.0 + 1e-6
    assert imbalance(outcome) > 1e-10
