"""The table of a state must say of a fault what settling that fault alone says, on the sweeper."""

from __future__ import annotations

import numpy as np
import pytest
from tests.outside.machines.drawn import SWEEPER, machine

from halfsplit.circuit.batch import CHATTERS, settle_batch, volts_row
from halfsplit.circuit.changes import table_of
from halfsplit.circuit.netlist import OverCurrent
from halfsplit.circuit.settle import settle
from halfsplit.diagnosis.hunt import Bench
from halfsplit.faults.applying import changes, table_of_effects
from halfsplit.faults.catalogue import Effect

STATES = ("sweep", "night", "tip")
ROWS_EACH = 100


@pytest.fixture(scope="module")
def bench() -> Bench:
    return Bench(machine(SWEEPER))


@pytest.mark.parametrize("state", STATES)
def test_every_line_of_the_table_is_what_settling_that_fault_alone_gives(bench: Bench, state: str) -> None:
    table = bench.signatures.state(state)
    netlist, system = table.netlist, table.system
    rng = np.random.default_rng([300, STATES.index(state)])
    # Half of the rows at random, half among those in which something switches or a function changes.
    stirred = np.flatnonzero(
        table.lines.blown[:-1].any(axis=1)
        | (np.abs(table.lines.levels[:-1] - table.lines.levels[-1]) > 0.05).any(axis=1)
    )
    half = ROWS_EACH // 2
    rows = np.concatenate([rng.choice(bench.space.rows, half, replace=False), rng.choice(stirred, half, replace=False)])
    sets = [changes(netlist, bench.signatures.effects[row]) for row in rows.tolist()]
    batch = settle_batch(system, sets, [volts_row(netlist, node) for node in netlist.nodes], second_start=False)
    fuse_at = [k for k, device in enumerate(netlist.devices) if isinstance(device, OverCurrent)]
    functions = list(bench.machine.functions.values())
    chattering = 0
    for k, row in enumerate(rows.tolist()):
        fault = bench.faults[int(bench.space.row_fault[row])].id
        one = settle(netlist, sets[k], start=system.booleans, second_start=False)
        assert bool(table.lines.chatters[row]) == (one.kind == "chatters") == (batch.kind[k] == CHATTERS), fault
        if one.kind == "chatters":
            chattering += 1  # both name a cycle; where in it they start may differ
            continue
        assert (batch.booleans[k] == one.booleans).all(), fault
        assert (table.lines.blown[row] == one.booleans[fuse_at]).all(), fault
        # A diode may stay on the state's tangent while that is right within 2 mV; two in a row add up.
        assert np.abs(table.lines.volts[row] - one.voltages).max() <= 5e-3, fault
        amps = np.array([[one.amps(name) for name in table.readout.carriers]])
        levels = table.readout.levels(amps, one.booleans[None])[0]
        # The same 2 mV seen as a share of a load's rated current, and single precision.
        assert np.abs(table.lines.levels[row] - levels).max() <= 1e-3, fault
        active = table.readout.active(amps, one.booleans[None])[0]
        silent = table.readout.silent(amps, one.booleans[None])[0]
        assert table.lines.codes[row].tolist() == [*active, *silent], fault
        for function, ours, theirs in zip(functions, table.lines.levels[row], levels, strict=True):
            assert (ours >= function.full) == (theirs >= function.full), (fault, function.id)
            assert (ours >= function.weak) == (theirs >= function.weak), (fault, function.id)
    assert chattering <= ROWS_EACH // 10  # left out above, so few that the others judge


def test_the_last_line_is_the_healthy_machine(bench: Bench) -> None:
    table = bench.signatures.state("sweep")
    healthy = settle(table.netlist)
    assert np.abs(table.lines.volts[-1] - healthy.voltages).max() <= 1e-5  # single precision of 14 V
    assert not table.lines.blown[-1].any()
    assert not table.lines.chatters[-1]


def test_effects_looked_up_at_once_are_those_looked_up_one_by_one(bench: Bench) -> None:
    netlist = bench.signatures.state("sweep").netlist
    effects = bench.signatures.effects
    several = [(*effects[at], *effects[-at]) for at in range(1, 60)]  # some of them meet in one place
    strange = [(), (Effect("series", "wire:none", "", 1.0),), (Effect("shunt", "none", netlist.nodes[0], 1.0),)]
    sets = [*effects, *several, *strange]
    found, wanted = table_of_effects(netlist, sets), table_of(netlist, [changes(netlist, one) for one in sets])
    assert found.count == wanted.count == len(sets)
    assert (found.forced == wanted.forced).all()
    for own in ("element", "shunt"):
        names = [name for name in vars(found) if name.startswith(f"{own}_") or name == own]
        rows = [np.array([getattr(table, name) for name in names]) for table in (found, wanted)]
        ours, theirs = (table[:, np.lexsort(table)] for table in rows)
        assert ours.shape[1] > len(sets) // 4
        assert (ours == theirs).all(), own
