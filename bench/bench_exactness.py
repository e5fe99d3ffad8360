"""Every fault of the generated harness of about 400 nodes against elimination with 50 digits, floating opens included.

    python bench/bench_exactness.py [--nodes 400] [--state work0] [--count 0]

``--count`` takes so many faults, drawn, instead of all of them. The voltages of all nodes are compared, devices held
where halfsplit found them, diodes on their own law. What chatters has no resting voltages and is counted instead, as
is what could rest in two ways.

* diodes still: halfsplit's voltages with every junction worked out until it moves by less than 1e-10 V;
* as the dictionary is made: a diode stays on its tangent where that is right within 2 mV.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
from harness import write_harness
from rows import ROOT, Row, finish, parser, say

sys.path.insert(0, str(ROOT))  # the elimination is one of the tests' own
from tests.outside.machines.elimination import voltages

from halfsplit.circuit.batch import CHATTERS, LATCHES, settle_batch, volts_row
from halfsplit.circuit.expansion import expand
from halfsplit.circuit.resting import switched_on
from halfsplit.faults.applying import changes, table_of_effects
from halfsplit.faults.catalogue import generate
from halfsplit.machine.reading import load_machine

GOAL_V = 1e-6
STILL_V = 1e-10
FLOATING_OHM = 1e6
NEWTON_STEPS = 2  # from junctions right to 1e-10 V one step would do


def main() -> int:
    arguments = parser(__doc__)
    arguments.add_argument("--nodes", type=int, default=400, help="size of the harness (%(default)s)")
    arguments.add_argument("--state", default="work0", help="the state it is set to (%(default)s)")
    arguments.add_argument("--count", type=int, default=0, help="faults, 0 for all (%(default)s)")
    given = arguments.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        machine = load_machine(write_harness(Path(folder), given.nodes))
    every = [severity.effects for fault in generate(machine) for severity in fault.severities]
    order = np.random.default_rng(1).permutation(len(every))[: given.count or None]
    effects = [every[at] for at in sorted(order.tolist())]
    netlist = expand(machine, machine.states[given.state])
    system = switched_on(netlist)
    table = table_of_effects(netlist, effects)
    rows = [volts_row(netlist, node) for node in netlist.nodes]
    still = settle_batch(system, table, rows, STILL_V, source_impedance=True)
    made = settle_batch(system, table, rows, second_start=False)
    assert still.source_impedance_ohm is not None  # asked for
    floating = np.asarray((np.abs(still.source_impedance_ohm) > FLOATING_OHM).any(axis=1))
    index = netlist.node_index
    ends = [(index[diode.anode], index[diode.cathode]) for diode in netlist.diodes]
    apart, apart_made, compared, afloat = 0.0, 0.0, 0, 0
    for number, own in enumerate(effects):
        if still.kind[number] == CHATTERS:
            continue
        ours = still.readings[number]
        junction = [float(ours[a] - ours[b]) for a, b in ends]
        exact = np.array(voltages(netlist, changes(netlist, own), still.booleans[number], junction, NEWTON_STEPS))
        apart = max(apart, float(np.abs(ours - exact).max()))
        if np.array_equal(made.booleans[number], still.booleans[number]):
            apart_made = max(apart_made, float(np.abs(made.readings[number] - exact).max()))
        compared += 1
        afloat += int(floating[number])
        if compared % 500 == 0:
            say(f"{compared} of {len(effects)}")
    names = f"{len(netlist.nodes)} nodes, {compared:,} of {len(every):,} faults in {given.state}"
    found = [
        Row("largest distance from 50 digits, diodes still", apart, "V", GOAL_V,
            note=f"{names}; {afloat:,} of them leave a node floating"),
        Row("largest distance from 50 digits, as the dictionary is made", apart_made, "V"),
        Row("faults named as chattering", int((still.kind == CHATTERS).sum()), "faults"),
        Row("faults named as latching", int((still.kind == LATCHES).sum()), "faults"),
    ]  # fmt: skip
    return finish("exactness", given, found, packages=["mpmath"])


if __name__ == "__main__":
    sys.exit(main())
