"""Thousands at once must give what one at a time gives, on random circuits with everything that switches."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halfsplit.circuit.batch import CHATTERS, LATCHES, STEADY, settle_batch
from halfsplit.circuit.changes import Change, Emf, Force, Series, Shunt
from halfsplit.circuit.netlist import Netlist, NetlistBuilder
from halfsplit.circuit.settle import settle
from halfsplit.circuit.system import System

pytestmark = pytest.mark.usefixtures("computed")

KINDS = {"steady": STEADY, "chatters": CHATTERS, "latches": LATCHES}


def vehicle(rng: np.random.Generator, feeds: int) -> Netlist:
    """A battery, fused feeds with a relay, a controller, a diode or a changeover each, and a two-wire bus."""
    b = NetlistBuilder("GND")
    b.branch("BAT", "GND", "bp", 0.005, 12.6)
    b.branch("stud", "chassis", "GND", 0.001)
    for k in range(feeds):
        f = f"F{k}"
        b.branch(f"{f}.fuse", "bp", f"{f}.f", 0.01)
        b.over_current(f"{f}.blown", f"{f}.fuse", 15.0)
        b.switch(f"{f}.link", f"{f}.f", f"{f}.0", 0.001)
        b.closes(f"{f}.blown", f"{f}.link", when=False)
        for j in range(3):
            b.branch(f"{f}.w{j}", f"{f}.{j}", f"{f}.{j + 1}", float(rng.uniform(0.004, 0.05)))
        supply = f"{f}.3"
        match k % 4:
            case 0:
                _relay(b, f, supply)
            case 1:
                _controller(b, f, supply)
            case 2:
                b.diode(f"{f}.D", supply, f"{f}.out", series_ohm=0.02, saturation_a=1e-9)
            case _:
                _changeover(b, f, supply)
        b.branch(f"{f}.load", f"{f}.out", f"{f}.ground", float(10 ** rng.uniform(0.5, 2.0)))
        b.branch(f"{f}.gw", f"{f}.ground", "chassis", 0.02)
    _bus(b)
    return b.build()


def _relay(b: NetlistBuilder, f: str, supply: str) -> None:
    b.branch(f"{f}.coil", supply, f"{f}.cg", 90.0)
    b.branch(f"{f}.cgw", f"{f}.cg", "chassis", 0.02)
    b.threshold(f"{f}.K", supply, f"{f}.cg", pull_in_v=7.5, drop_out_v=2.5, absolute=True)
    b.switch(f"{f}.contact", supply, f"{f}.out", 0.005)
    b.closes(f"{f}.K", f"{f}.contact")
    b.diode(f"{f}.flyback", f"{f}.cg", supply)


def _controller(b: NetlistBuilder, f: str, supply: str) -> None:
    b.branch(f"{f}.pull", "chassis", f"{f}.signal", 2200.0)
    b.branch(f"{f}.sensor", f"{f}.signal", "chassis", 1500.0)
    b.threshold(f"{f}.in", f"{f}.signal", "chassis", pull_in_v=1.6, drop_out_v=1.2)
    b.threshold(f"{f}.alive", supply, "chassis", pull_in_v=9.0, drop_out_v=8.0)
    b.emf_step(f"{f}.alive", f"{f}.pull", 5.0)
    b.branch(f"{f}.own", supply, "chassis", 1e6)
    b.resistance_step(f"{f}.alive", f"{f}.own", 150.0)
    b.logic(f"{f}.on", ("and", ("var", f"{f}.in"), ("var", f"{f}.alive")))
    b.switch(f"{f}.driver", supply, f"{f}.out", 0.03)
    b.closes(f"{f}.on", f"{f}.driver")


def _changeover(b: NetlistBuilder, f: str, supply: str) -> None:
    b.branch(f"{f}.coilw", supply, f"{f}.coil", 0.03)
    b.branch(f"{f}.coilr", f"{f}.coil", "chassis", 90.0)
    b.threshold(f"{f}.K", f"{f}.coil", "chassis", pull_in_v=7.5, drop_out_v=2.5)
    b.switch(f"{f}.no", supply, f"{f}.out", 0.005)
    b.switch(f"{f}.nc", supply, f"{f}.rest", 0.005)
    b.closes(f"{f}.K", f"{f}.no")
    b.closes(f"{f}.K", f"{f}.nc", when=False)
    b.branch(f"{f}.lamp", f"{f}.rest", "chassis", 30.0)


def _bus(b: NetlistBuilder) -> None:
    previous_h, previous_l = "", ""
    for k in range(3):
        h, low = f"H{k}", f"L{k}"
        b.threshold(f"M{k}.alive", "F0.3", "chassis", pull_in_v=9.0, drop_out_v=8.0)
        b.branch(f"M{k}.h", "chassis", h, 15000.0, 2.5)
        b.branch(f"M{k}.l", "chassis", low, 15000.0, 2.5)
        b.sender(f"M{k}", f"M{k}.h", f"M{k}.l", average_v=20.0, active=f"M{k}.alive")
        if k:
            b.branch(f"H{k}.wire", previous_h, h, 0.1)
            b.branch(f"L{k}.wire", previous_l, low, 0.1)
        if k != 1:
            b.branch(f"T{k}", h, low, 120.0)
        previous_h, previous_l = h, low
    for sender in range(3):
        for receiver in range(3):
            if sender != receiver:
                b.bus_link(f"{sender}>{receiver}", f"M{sender}", f"H{receiver}", f"L{receiver}", "chassis")


def changes_for(rng: np.random.Generator, netlist: Netlist) -> tuple[Change, ...]:
    carriers = list(netlist.branch_index)
    result: list[Change] = []
    for _ in range(int(rng.choice([1, 1, 1, 2]))):
        match int(rng.integers(0, 7)):
            case 0 | 1:
                result.append(Series(carriers[rng.integers(len(carriers))], math.inf))
            case 2:
                ohm = float(rng.choice([0.5, 20.0, 1000.0]))
                result.append(Series(carriers[rng.integers(len(carriers))], ohm))
            case 3:
                siemens = float(rng.choice([math.inf, 1e3, 0.1, 1e-3]))
                result.append(Shunt(netlist.nodes[rng.integers(len(netlist.nodes))], "chassis", siemens))
            case 4:
                a, c = rng.integers(len(netlist.nodes), size=2)
                result.append(Shunt(netlist.nodes[a], netlist.nodes[c], float(10 ** rng.uniform(-5, 0))))
            case 5:
                device = netlist.devices[rng.integers(len(netlist.devices))].name
                result.append(Force(device, bool(rng.integers(2))))
            case _:
                branch = netlist.branches[rng.integers(len(netlist.branches))].name
                result.append(Emf(branch, float(rng.uniform(-2.0, 2.0))))
    return tuple(result)


@pytest.mark.parametrize("seed", range(4))
def test_a_batch_equals_settling_one_by_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    netlist = vehicle(rng, 8)
    system = System(netlist)
    sets = [changes_for(rng, netlist) for _ in range(150)]
    reference = netlist.node_index[netlist.reference]
    rows = [(k, reference) for k in range(len(netlist.nodes) + netlist.current_count)]
    batch = settle_batch(system, sets, rows)
    switched = 0
    for k, changes in enumerate(sets):
        one = settle(netlist, changes, start=system.booleans)
        assert batch.kind[k] == KINDS[one.kind], (changes, one.kind, one.moving)
        if one.kind == "chatters":
            continue  # both name a cycle; where in it they start may differ
        assert (batch.booleans[k] == one.booleans).all(), changes
        switched += bool(batch.switched[k])
        volts = batch.readings[k, : len(netlist.nodes)]
        # Diodes may stay on the state's tangent while that is right within 2 mV; two in a row add up.
        assert np.abs(volts - one.voltages).max() <= 5e-3, changes
        # 2 mV more or less on a junction of 0.5 ohm and what it feeds.
        amps = batch.readings[k, len(netlist.nodes) :]
        assert np.abs(amps - one.currents).max() <= 1e-2 + 1e-4 * np.abs(one.currents).max(), changes
    assert switched > 20


def test_with_a_tight_diode_tolerance_a_batch_is_exact_to_microvolts() -> None:
    rng = np.random.default_rng(11)
    netlist = vehicle(rng, 8)
    system = System(netlist)
    sets = [changes_for(rng, netlist)[:1] for _ in range(120)]
    rows = [(k, netlist.node_index[netlist.reference]) for k in range(len(netlist.nodes))]
    batch = settle_batch(system, sets, rows, diode_tolerance_v=1e-9)
    for k, changes in enumerate(sets):
        one = settle(netlist, changes, start=system.booleans)
        if one.kind != "chatters":
            # A junction rests when it moves by less than 1 uV; a floating point divides by the leak.
            assert np.abs(batch.readings[k] - one.voltages).max() <= 2e-5, changes


def test_the_healthy_vehicle_runs_and_its_bus_talks() -> None:
    netlist = vehicle(np.random.default_rng(0), 8)
    outcome = settle(netlist)
    assert outcome.kind == "steady"
    assert all(outcome.is_on(f"{a}>{b}") for a in range(3) for b in range(3) if a != b)
    assert outcome.is_on("F0.K")
    assert outcome.is_on("F1.on")
    assert not outcome.is_on("F0.blown")


def test_chunks_do_not_change_the_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    netlist = vehicle(rng, 5)
    system = System(netlist)
    sets = [changes_for(rng, netlist) for _ in range(60)]
    rows = [(k, netlist.node_index[netlist.reference]) for k in range(len(netlist.nodes))]
    whole = settle_batch(system, sets, rows, source_impedance=True)
    monkeypatch.setattr("halfsplit.circuit.batch._CHUNK", 7)
    pieces = settle_batch(system, sets, rows, source_impedance=True)
    assert (whole.booleans == pieces.booleans).all()
    assert (whole.kind == pieces.kind).all()
    assert whole.cycles.keys() == pieces.cycles.keys()
    # Stacks of another width are summed in another order; floating points amplify the last digit.
    assert np.allclose(whole.readings, pieces.readings, rtol=1e-6, atol=1e-5)


def test_sets_whose_diodes_get_stuck_are_settled_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    netlist = vehicle(rng, 8)
    system = System(netlist)
    sets = [changes_for(rng, netlist) for _ in range(60)]
    rows = [(k, netlist.node_index[netlist.reference]) for k in range(len(netlist.nodes))]
    usual = settle_batch(system, sets, rows)
    monkeypatch.setattr("halfsplit.circuit.junctions.MOST_NEWTON_STEPS", 1)
    slow = settle_batch(System(netlist), sets, rows)  # another one: a system keeps its limits with what it prepared
    assert (usual.kind == slow.kind).all()
    steady = usual.kind == STEADY
    assert (usual.booleans == slow.booleans)[steady].all()
    # As in the first test: a diode may stay on its tangent while that is right within 2 mV.
    assert np.abs(usual.readings - slow.readings)[steady].max() <= 5e-3
    assert np.abs(usual.readings - slow.readings)[steady].max() > 0.0


def test_sets_that_chatter_side_by_side_are_each_read_as_when_alone() -> None:
    netlist = vehicle(np.random.default_rng(2), 8)
    system = System(netlist)
    lamps = [f"F{k}" for k in (0, 4)]  # relays that drop out when their own lamp pulls the feed down
    feeds = [(Series(f"{f}.w0", ohm), Shunt(f"{f}.out", "chassis", 2.0)) for f in lamps for ohm in (1.0, 2.0, 4.0)]
    changeover = (Series("F3.w1", 8.0), Shunt("F3.out", "chassis", 1.0))
    controller = (Series("F1.w1", 2.0), Shunt("F1.out", "chassis", 2.0))
    sets = [*feeds, (), changeover, controller, (Series("F2.w0", math.inf),)]
    rows = [(k, netlist.node_index[netlist.reference]) for k in range(len(netlist.nodes))]
    together = settle_batch(system, sets, rows)
    compared = 0
    for k, changes in enumerate(sets):
        alone = settle_batch(system, [changes], rows)
        assert alone.kind[0] == together.kind[k]
        assert np.allclose(alone.readings[0], together.readings[k], rtol=1e-6, atol=1e-5)
        if together.kind[k] != CHATTERS:
            continue
        states = {state.tobytes() for state in together.cycles[k]}
        assert states == {state.tobytes() for state in alone.cycles[0]}
        one = settle(netlist, changes, start=system.booleans)
        if {state.tobytes() for state in one.cycle} == states:  # the mean over the same states
            assert np.abs(together.readings[k] - one.voltages).max() <= 5e-3
            compared += 1
    assert (together.kind == CHATTERS).sum() >= 4
    assert len({len(cycle) for cycle in together.cycles.values()}) >= 2  # of different lengths
    assert compared >= 4
