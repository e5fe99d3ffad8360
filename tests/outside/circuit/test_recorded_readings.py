"""Against 191 operating points recorded from another simulator, and published or derived oracles."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tests.outside.conftest import Near

from halfsplit.circuit import meters
from halfsplit.circuit.batch import amps_row, settle_batch, volts_row
from halfsplit.circuit.changes import Change, Series, Shunt
from halfsplit.circuit.netlist import Netlist, NetlistBuilder
from halfsplit.circuit.settle import settle
from halfsplit.circuit.system import System, solve_changes

pytestmark = pytest.mark.usefixtures("computed")

# The recorded sources are ideal and the recorded circuits have no leak: ours are as good as that.
IDEAL_OHM = 1e-9
NO_LEAK = 1e-18

Recorded = dict[str, Any]
Oracle = Callable[[str], tuple[Any, Any]]


@pytest.fixture(scope="module")
def recorded() -> Recorded:
    folder = Path(__file__).resolve().parents[2] / "data" / "ngspice-dc"
    data: Recorded = json.loads((folder / "readings.json").read_text(encoding="utf-8"))
    return data


def drawn(circuit: Recorded, case: Recorded, *, leak: float = NO_LEAK) -> Netlist:
    """The circuit of a case with its changed values and added elements written in."""
    b = NetlistBuilder("0", leak_siemens=leak)
    for element in [*circuit["elements"], *case["added"]]:
        value = case["changes"].get(element["name"], element.get("value"))
        if value is None and element["name"] in case["changes"]:
            continue
        name, one, two = element["name"], element["n1"], element["n2"]
        if element["type"] == "R":
            b.branch(name, one, two, value)
        elif element["type"] == "V":
            b.branch(name, two, one, IDEAL_OHM, value)
        else:
            b.diode(name, one, two)
    return b.build()


def has_diode(circuit: Recorded) -> bool:
    return any(element["type"] == "D" for element in circuit["elements"])


@pytest.mark.outside(
    what="node voltages of linear circuits, healthy and faulty",
    against="operating points of ngspice 39 on 9 circuits, 183 cases",
    source="tests/data/ngspice-dc/readings.json",
    status="computed",
    tolerance="1e-6 V",
)
def test_linear_circuits_read_as_recorded(recorded: Recorded, record_property: Callable[..., None]) -> None:
    worst, count = 0.0, 0
    for circuit in recorded["circuits"]:
        if has_diode(circuit):
            continue
        for case in circuit["cases"]:
            outcome = settle(drawn(circuit, case))
            for node, volts in case["node_volts"].items():
                difference = abs(outcome.volts(node) - volts)
                assert difference <= 1e-6, (circuit["name"], case["name"], node)
                worst = max(worst, difference)
            for name, current in case["source_amps"].items():
                # The recorded current runs into the + terminal, ours from the first node to the second.
                ours = outcome.amps(name.upper())
                assert ours == pytest.approx(-current, rel=1e-6, abs=1e-9), (circuit["name"], case["name"])
            count += 1
    record_property("largest_deviation", f"{worst:.1e} V")
    assert count == 183


@pytest.mark.outside(
    what="node voltages of a relay coil with its diode",
    against="operating points of ngspice 39, 8 cases",
    source="tests/data/ngspice-dc/readings.json",
    status="computed",
    tolerance="1e-4 V",
)
def test_diode_circuits_read_as_recorded(recorded: Recorded, record_property: Callable[..., None]) -> None:
    worst, count = 0.0, 0
    for circuit in recorded["circuits"]:
        if not has_diode(circuit):
            continue
        for case in circuit["cases"]:
            outcome = settle(drawn(circuit, case))
            for node, volts in case["node_volts"].items():
                difference = abs(outcome.volts(node) - volts)
                assert difference <= 1e-4, (circuit["name"], case["name"], node)
                worst = max(worst, difference)
            count += 1
    record_property("largest_deviation", f"{worst:.1e} V")
    assert count == 8


def as_changes(circuit: Recorded, case: Recorded) -> tuple[Change, ...] | None:
    """The case as changes that only add, or None when it takes resistance away or a part out."""
    values = {element["name"]: element for element in circuit["elements"]}
    changes: list[Change] = []
    for name, value in case["changes"].items():
        element = values[name]
        if value is None or element["type"] != "R":
            return None
        if value >= element["value"]:
            changes.append(Series(name, value - element["value"]))
        else:
            changes.append(Shunt(element["n1"], element["n2"], 1.0 / value - 1.0 / element["value"]))
    for element in case["added"]:
        if element["type"] != "R":
            return None
        changes.append(Shunt(element["n1"], element["n2"], 1.0 / element["value"]))
    return tuple(changes)


@pytest.mark.outside(
    what="node voltages from low-rank changes of the healthy circuit",
    against="operating points of ngspice 39 on 9 linear circuits, every case made by adding",
    source="tests/data/ngspice-dc/readings.json",
    status="computed",
    tolerance="1e-6 V",
)
def test_low_rank_changes_read_as_recorded(recorded: Recorded, record_property: Callable[..., None]) -> None:
    worst, count = 0.0, 0
    for circuit in recorded["circuits"]:
        if has_diode(circuit):
            continue
        healthy = next(case for case in circuit["cases"] if case["name"] == "healthy")
        netlist = drawn(circuit, healthy)
        system = System(netlist)
        wanted = [(case, as_changes(circuit, case)) for case in circuit["cases"]]
        cases = [(case, changes) for case, changes in wanted if changes is not None]
        rows = [volts_row(netlist, node) for node in netlist.nodes]
        batch = settle_batch(system, [changes for _, changes in cases], rows)
        for k, (case, changes) in enumerate(cases):
            low_rank = solve_changes(system, changes)
            for node, volts in case["node_volts"].items():
                if node not in netlist.node_index:
                    continue
                at = netlist.node_index[node]
                for ours in (low_rank.voltages[at], batch.readings[k, at]):
                    difference = abs(float(ours) - volts)
                    assert difference <= 1e-6, (circuit["name"], case["name"], node, ours, volts)
                    worst = max(worst, difference)
            count += 1
    record_property("largest_deviation", f"{worst:.1e} V")
    assert count >= 175


def divider(supply_v: float, ohms: list[float]) -> Netlist:
    b = NetlistBuilder("0", leak_siemens=NO_LEAK)
    b.branch("supply", "0", "TP1", IDEAL_OHM, supply_v)
    for k, ohm in enumerate(ohms, start=1):
        b.branch(f"R{k}", f"TP{k}", "0" if k == len(ohms) else f"TP{k + 1}", ohm)
    return b.build()


@pytest.mark.outside(
    what="voltmeter loading of a divider",
    against="cir-1: 30 V over two 400 kohm read with 400 kohm",
    source="tests/data/oracles.json, cir-1 (public tutorial on meter sensitivity)",
    status="published",
    tolerance="1e-9 of the reading",
)
def test_cir_1_a_coarse_meter_reads_ten_volts_instead_of_fifteen(oracle: Oracle, near: Near) -> None:
    given, expected = oracle("cir-1")
    outcome = settle(divider(given["V"], given["R"]))
    reading = meters.volts(outcome, "TP2", meter_ohm=given["R_meter"])
    near.relative(reading.unloaded_v, expected["unloaded"], 1e-9, "of the reading")
    near.relative(reading.volts, expected["reading"], 1e-9, "of the reading")


@pytest.mark.outside(
    what="loading by a 10 Mohm and a 50 kohm meter",
    against="cir-2: 24 V over two 250 kohm",
    source="tests/data/oracles.json, cir-2 (derived)",
    status="computed",
    tolerance="1e-9 of the reading",
)
def test_cir_2_two_meters_read_the_same_point_differently(oracle: Oracle, near: Near) -> None:
    given, expected = oracle("cir-2")
    outcome = settle(divider(given["V"], given["R"]))
    for meter_ohm, reading in zip(given["R_meter"], expected["readings"], strict=True):
        near.relative(meters.volts(outcome, "TP2", meter_ohm=meter_ohm).volts, reading, 1e-9, "of the reading")


def bridge() -> Netlist:
    b = NetlistBuilder("0", leak_siemens=NO_LEAK)
    b.branch("V1", "0", "1", IDEAL_OHM, 10.0)
    for name, one, two, ohm in (
        ("R1", "1", "2", 100.0),
        ("R2", "2", "0", 200.0),
        ("R3", "1", "3", 150.0),
        ("R4", "3", "0", 300.0),
        ("RG", "2", "3", 1000.0),
    ):
        b.branch(name, one, two, ohm)
    return b.build()


@pytest.mark.outside(
    what="a balanced bridge, healthy and with one fault, by low rank",
    against="cir-3 (Sherman-Morrison against a full solution; ngspice 39 agrees)",
    source="tests/data/oracles.json, cir-3 (derived)",
    status="computed",
    tolerance="1e-6 V, 1e-6 ohm",
)
def test_cir_3_the_bridge_and_its_port_resistances(oracle: Oracle, near: Near) -> None:
    _, expected = oracle("cir-3")
    netlist = bridge()
    system = System(netlist)

    def both(*changes: Change) -> list[float]:
        solution = solve_changes(system, changes)
        return [float(solution.voltages[netlist.node_index[node]]) for node in ("2", "3")]

    near(both(), expected["v2_v3_healthy"], 1e-6, "V")
    near(system.solution[amps_row(netlist, "V1")[0]], expected["i_source"], 1e-6, "A")
    near(both(Series("R1", math.inf)), expected["R1_open"], 1e-6, "V")
    near(both(Series("R1", 50.0)), expected["R1_plus50"], 1e-6, "V")
    near(both(Shunt("3", "0", math.inf)), expected["R4_short"], 1e-6, "V")
    healthy = settle(netlist)
    for name, one, two in (("R1", "1", "2"), ("R3", "1", "3"), ("RG", "2", "3")):
        seen = meters.source_impedance_ohm(healthy, one, two)
        near(seen, expected[f"{name}_port_resistance"], 1e-6, "ohm")
    for fault in (Series("RG", math.inf), Series("RG", 500.0), Shunt("2", "3", math.inf)):
        near(both(fault), both(), 1e-9, "V")


@pytest.mark.outside(
    what="two faults at once by a change of rank two",
    against="cir-4: bridge with R1 open and R4 350 ohm",
    source="tests/data/oracles.json, cir-4 (derived)",
    status="computed",
    tolerance="1e-7 V, 1e-7 A",
)
def test_cir_4_two_faults_at_once(oracle: Oracle, near: Near) -> None:
    _, expected = oracle("cir-4")
    netlist = bridge()
    rows = [volts_row(netlist, "2"), volts_row(netlist, "3"), amps_row(netlist, "V1")]
    faults = (Series("R1", math.inf), Series("R4", 50.0))
    read = settle_batch(System(netlist), [faults], rows).readings[0]
    near(read[:2], [expected["v2"], expected["v3"]], 1e-7, "V")
    near(read[2], expected["i_source"], 1e-7, "A")


def lamp_feed(recorded: Recorded) -> Netlist:
    circuit = next(circuit for circuit in recorded["circuits"] if circuit["name"] == "lamp_feed")
    return drawn(circuit, {"changes": {}, "added": []}, leak=1e-12)


@pytest.mark.outside(
    what="a lamp feed with bad stud, bad connector, open ground; meter against test lamp",
    against="cir-5, and the recorded ngspice cases of the same circuit",
    source="tests/data/oracles.json, cir-5 (derived)",
    status="computed",
    tolerance="1e-4 V, 1e-4 A",
)
def test_cir_5_the_lamp_feed(oracle: Oracle, recorded: Recorded, near: Near) -> None:
    _, expected = oracle("cir-5")
    circuit = next(circuit for circuit in recorded["circuits"] if circuit["name"] == "lamp_feed")
    ends = {element["name"]: (element["n1"], element["n2"]) for element in circuit["elements"]}
    netlist = lamp_feed(recorded)
    plus, minus = ends["RLAMP"]
    near(settle(netlist).amps("RLAMP"), expected["healthy_current"], 1e-4, "A")
    names = list(ends)
    stud = names[-1]
    studded = settle(netlist, (Series(stud, 0.5 - 0.002),))
    near(studded.amps("RLAMP"), expected["stud_half_ohm"]["current"], 1e-4, "A")
    near(studded.volts(minus), expected["stud_half_ohm"]["lamp_minus_to_chassis"], 1e-4, "V")
    bad = settle(netlist, (Series("RCON", 1.0 - 0.005),))
    over = abs(bad.volts(ends["RCON"][0]) - bad.volts(ends["RCON"][1]))
    near(bad.amps("RLAMP"), expected["connector_1ohm"]["current"], 1e-4, "A")
    near(over, expected["connector_1ohm"]["drop_over_connector"], 1e-4, "V")
    ground = settle(netlist, (Series(names[-2], math.inf),))
    near(meters.volts(ground, minus).volts, expected["ground_wire_open_10M_meter"], 1e-4, "V")
    near(meters.lamp(ground, minus).volts, expected["ground_wire_open_24ohm_lamp"], 1e-4, "V")
    film = settle(netlist, (Series("RCON", 2000.0 - 0.005), Series("RLAMP", math.inf)))
    near(meters.volts(film, plus).volts, expected["connector_2k_load_out_10M_meter"], 1e-4, "V")
    near(meters.lamp(film, plus).volts, expected["connector_2k_load_out_24ohm_lamp"], 1e-4, "V")


@pytest.mark.outside(
    what="three resistors in series, opens and a short",
    against="cir-6: test point readings",
    source="tests/data/oracles.json, cir-6 (pattern of the Socratic Electronics worksheets, CC BY 1.0)",
    status="published",
    tolerance="1e-3 V",
)
def test_cir_6_three_in_series(oracle: Oracle, near: Near) -> None:
    given, expected = oracle("cir-6")
    netlist = divider(given["V"], given["R"])
    faults: dict[str, tuple[Change, ...]] = {
        "healthy": (),
        "R1_open": (Series("R1", math.inf),),
        "R2_open": (Series("R2", math.inf),),
        "R3_open": (Series("R3", math.inf),),
        "R2_short": (Shunt("TP2", "TP3", math.inf),),
    }
    for name, changes in faults.items():
        outcome = settle(netlist, changes)
        read = [outcome.volts(point) for point in ("TP1", "TP2", "TP3")]
        near(read, expected[name], 1e-3, "V")


@pytest.mark.outside(
    what="resistance of a terminated pair, unpowered, by ohmmeter",
    against="cir-7: 60, 120, 40 ohm, and 57.9 ohm with six modules",
    source="tests/data/oracles.json, cir-7 (derived)",
    status="computed",
    tolerance="1e-9 of the reading",
)
def test_cir_7_the_pair_resistance(oracle: Oracle, near: Near) -> None:
    given, expected = oracle("cir-7")

    def pair(ends: list[float]) -> float:
        b = NetlistBuilder("0", leak_siemens=NO_LEAK)
        b.branch("battery", "0", "+", 0.01, 24.0)
        b.branch("bias", "+", "H", 1e12)
        for k, ohm in enumerate(ends):
            b.branch(f"end{k}", "H", "L", ohm)
        return meters.ohms(b.build(), "H", "L", ["battery"]).resistance_ohm

    ends = given["terminators"]
    near.relative(pair(ends), expected["ohms"], 1e-9, "of the reading")
    near.relative(pair(ends[:1]), expected["one_missing"], 1e-9, "of the reading")
    near.relative(pair([*ends, 120.0]), expected["one_extra"], 1e-9, "of the reading")
    near.relative(pair([*ends, *[10e3] * 6]), expected["with_six_10k_nodes"], 1e-9, "of the reading")
