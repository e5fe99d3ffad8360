"""The other engines of the benches give halfsplit's voltages and odds on small cases, so that times are comparable."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import refactoring
import simulator
from bench_belief import network
from general_engines import WAYS, PyAgrum, information
from harness import write_harness
from held_circuits import settings, sound

from halfsplit.circuit.batch import settle_batch, volts_row
from halfsplit.circuit.expansion import expand
from halfsplit.circuit.system import System
from halfsplit.diagnosis.outcome_tables import OutcomeTables
from halfsplit.faults.applying import table_of_effects
from halfsplit.faults.catalogue import generate
from halfsplit.machine.reading import load_machine

FAULTS = 12
#: The simulator's volts of temperature come from the constants of CODATA 2014 (8.6173303e-5 V/K), ours from those of
#: 2018 (8.617333262e-5 V/K): what stands across a junction at the same current differs by this share.
OLDER_CONSTANTS = 3.5e-7


def test_the_simulator_and_plain_nodal_analysis_find_the_same_voltages(tmp_path: Path) -> None:
    """Points fed through less than 1 Mohm, halfsplit's diodes worked out as closely as theirs."""
    machine = load_machine(write_harness(tmp_path, 150, watched=False))
    netlist = expand(machine, machine.states["work0"])
    system = System(netlist)
    every = [severity.effects for fault in generate(machine) for severity in fault.severities]
    effects = [every[at] for at in np.random.default_rng(3).permutation(len(every))[:FAULTS]]
    table = table_of_effects(netlist, effects)
    points = [at for at in range(0, len(netlist.nodes), 7) if netlist.nodes[at] != netlist.reference]
    rows = [volts_row(netlist, netlist.nodes[at]) for at in points]
    ours = settle_batch(system, table, rows, 1e-10, second_start=False, source_impedance=True)
    assert ours.source_impedance_ohm is not None
    firm = (np.abs(ours.source_impedance_ohm) < 1e6) & (ours.kind == 0)[:, None]
    start, faults = sound(system.c, system.booleans), settings(system.c, table, range(FAULTS), ours.booleans)
    theirs = simulator.volts(netlist, start, faults, points)
    nodal = refactoring.Nodal(netlist)
    nodal.keep(nodal.solve(start)[1])
    plain = np.array([nodal.solve(one)[0][points] for one in faults])
    assert firm.sum() > FAULTS * len(points) / 2
    assert not np.isnan(theirs).any()
    junctions = np.array([netlist.nodes[at].startswith("junction:") for at in points])
    near = 1e-6 + OLDER_CONSTANTS * junctions * np.abs(ours.readings)
    assert np.all((np.abs(theirs - ours.readings) <= near)[firm])
    assert np.abs(plain - ours.readings)[firm].max() <= 1e-6
    assert np.ptp(ours.readings, axis=0).max() > 1.0  # the faults do move the voltages


def test_plain_nodal_analysis_without_a_working_point_gives_no_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    from halfsplit.circuit.changes import Series, table_of
    from halfsplit.circuit.netlist import NetlistBuilder

    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 1.0, 12.0)
    b.branch("lamp", "+", "k", 10.0)
    b.diode("d", "k", "-", series_ohm=0.0)
    system = System(b.build())
    table = table_of(system.netlist, [(Series("lamp", 5.0),)])
    [setting] = settings(system.c, table, [0], system.booleans[None])
    nodal = refactoring.Nodal(system.netlist)
    assert 0.0 < nodal.volts(setting, [system.netlist.node_index["k"]])[0] < 1.0
    monkeypatch.setattr(refactoring, "MOST_STEPS", 1)
    assert np.isnan(nodal.volts(setting, [0, 1])).all()


def test_a_fault_in_a_diode_itself_is_refused() -> None:
    from halfsplit.circuit.changes import Series, table_of
    from halfsplit.circuit.netlist import NetlistBuilder

    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 1.0, 12.0)
    b.diode("d", "+", "-", series_ohm=0.0)
    system = System(b.build())
    table = table_of(system.netlist, [(Series("d", 1.0),)])
    with pytest.raises(ValueError, match="diode"):
        settings(system.c, table, [0], system.booleans[None])


def test_the_information_of_a_joint_distribution_worked_by_hand() -> None:
    assert information(np.array([[0.5, 0.0], [0.0, 0.5]])) == pytest.approx(np.log(2.0))
    assert information(np.array([[0.25, 0.25], [0.25, 0.25]])) == pytest.approx(0.0, abs=1e-15)


def test_a_general_engine_has_the_same_odds_and_information() -> None:
    prior, outcome, seen = network(30, 13)
    assert outcome.sum(axis=1) == pytest.approx(np.ones((13, 30)))
    tables = OutcomeTables(outcome)
    odds = tables.odds_after(prior, seen)
    engine = PyAgrum(prior, outcome)
    left = [check for check in range(13) if check not in seen]
    assert engine.posterior(seen) == pytest.approx(odds, abs=1e-12)
    for way in WAYS:
        assert engine.told(left, seen, way) == pytest.approx(tables.information(odds)[left], abs=1e-12)
