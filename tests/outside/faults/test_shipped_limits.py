"""Limits that the program states, assumes or computes against the table of electrical limits."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from pathlib import Path

import pytest
from tests.outside.machines.drawn import PLATFORM, SWEEPER, circuit, machine

from halfsplit.circuit.netlist import BusLink
from halfsplit.circuit.settle import settle
from halfsplit.diagnosis.ohms import dead_netlist, ohms_from_volts
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine

TABLE = Path(__file__).resolve().parents[2] / "data" / "electrical-limits" / "electrical_limits.csv"
CITED = re.compile(r"electrical_limits\.csv ([\w.-]+(?: and [\w.-]+)*)")
#: The only figure that stands beside a cited row without being its figure; its own source cell says so.
REMEMBERED = {"tm2-post": 0.02}


@cache
def limits() -> dict[str, dict[str, str]]:
    with TABLE.open(encoding="utf-8", newline="") as lines:
        return {row["id"]: row for row in csv.DictReader(lines)}


def value(name: str) -> float:
    return float(limits()[name]["value"])


def figures(names: list[str]) -> dict[str, float]:
    """Figures of cited rows with their unit; ``tq-ap`` cites ``tq-ap-lo`` and ``tq-ap-hi``."""
    found = {}
    for name in names:
        for each in (name, f"{name}-lo", f"{name}-hi"):
            if each in limits():
                found[each] = value(each)
    return found


@pytest.mark.outside(
    what="limits printed with a correction: torques, pulls, voltage drops, insulation, charging and load-test voltages",
    against="table of electrical limits, every row that a correction cites",
    source="tests/data/electrical-limits/electrical_limits.csv",
    status="as the table says of each: published, common practice or from memory",
    tolerance="none, the same figures; twice where the row says twice",
)
def test_limits_stated_with_corrections_are_those_of_the_table() -> None:
    with files("halfsplit.faults").joinpath("correction_values.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    checked = 0
    for row in rows:
        cited = CITED.match(row["source"])
        if cited is None:
            continue
        names = cited[1].split(" and ")
        known = figures(names)
        assert known, row
        twice = 2.0 if "twice the 12 V figure" in row["condition"] else 1.0
        allowed = {twice * one for one in known.values()} | {REMEMBERED.get(name) for name in names}
        if names == ["fuse-size"]:
            allowed = {100.0 * 100.0 / value("fuse-size")}
        for stated in (row["low"], row["high"]):
            if stated:
                assert any(one == pytest.approx(float(stated)) for one in allowed if one is not None), row
                checked += 1
        units = {limits()[name]["unit"] for name in known}
        assert row["unit"] in units or names == ["fuse-size"], row
    assert checked >= 40


@pytest.mark.outside(
    what="average voltage of both bus lines at every controller, and their resistance with the battery apart",
    against="windows of the table of electrical limits: can-avg-h, can-avg-l, can-pair; shipped machines, key on",
    source="tests/data/electrical-limits/electrical_limits.csv",
    status="published",
    tolerance="none, inside the windows",
)
@pytest.mark.parametrize("name", [SWEEPER, PLATFORM])
def test_a_sound_bus_shows_what_the_table_says(name: str, record_property: Callable[..., None]) -> None:
    netlist = circuit(name, "key-on")
    rest = settle(netlist, second_start=False)
    ohms = []
    for part in machine(name).parts.values():
        if part.controller is None:
            continue
        ground = rest.volts(f"{part.id}.{part.controller.supply.ground}")
        for member in part.controller.buses:
            high, low = f"{part.id}.{member.high}", f"{part.id}.{member.low}"
            assert value("can-avg-h-lo") <= rest.volts(high) - ground <= value("can-avg-h-hi"), part.id
            assert value("can-avg-l-lo") <= rest.volts(low) - ground <= value("can-avg-l-hi"), part.id
            dead = settle(dead_netlist(netlist, high, low), second_start=False)
            across = dead.voltages[[netlist.node_index[high]]] - dead.voltages[[netlist.node_index[low]]]
            ohms.append(float(ohms_from_volts(across)[0]))
    assert ohms
    assert value("can-pair-lo") <= min(ohms)
    assert max(ohms) <= value("can-pair-hi")
    record_property("largest_deviation", f"{min(ohms):.1f} to {max(ohms):.1f} ohm")


def sketch(folder: Path, system_v: int) -> Machine:
    """A machine of which next to nothing is written."""
    (folder / "machine.yaml").write_text(
        f"""format: halfsplit-machine/1
machine: {{name: Sketch, invented: yes, system: {system_v} V, buses: [CAN1]}}
parts:
  BAT: {{kind: battery}}
  G1: {{kind: alternator}}
  F1: {{kind: fuse, rating: 10 A}}
  F2: {{kind: fuse, rating: 15 A}}
  R1: {{kind: terminator}}
  H1: {{kind: lamp}}
  E1: {{kind: controller, plugs: {{X1: {{1: B+, 2: GND}}}}}}
connectors: {{X1: {{}}}}
wires:
  - {{from: BAT.+, to: G1.B+}}
  - {{from: BAT.-, to: G1.-}}
  - {{from: BAT.+, to: F1.1}}
  - {{from: F1.2, to: H1.+}}
  - {{from: H1.-, to: BAT.-}}
  - {{from: BAT.+, to: F2.1}}
  - {{from: F2.2, to: X1.1}}
  - {{from: X1.2, to: BAT.-}}
  - {{from: R1.H, to: R1.L}}
functions: {{lamp: {{watch: H1}}}}
""",
        "utf-8",
    )
    return load_machine(folder)


@pytest.mark.outside(
    what="what stands in for facts left out of a machine file: fuses, battery, charging, module supply, terminator",
    against="table of electrical limits: fuse-mv-10, fuse-r-15, ocv12-100, ocv24-100, chg12, chg24, supply-B, "
    "supply-F, can-term",
    source="tests/data/electrical-limits/electrical_limits.csv",
    status="published; charging voltages common practice",
    tolerance="5 % of a fuse's resistance, 0.5 % of the battery's voltage, 0.1 % of the module's supply, else none",
)
@pytest.mark.parametrize(("system_v", "supply"), [(12, "B"), (24, "F")])
def test_what_stands_in_for_missing_facts_is_what_the_table_says(
    tmp_path: Path, system_v: int, supply: str, record_property: Callable[..., None]
) -> None:
    parts = sketch(tmp_path, system_v).parts
    fuses = [
        parts["F1"].number("resistance_ohm") * value("fuse-mv-10"),
        parts["F2"].number("resistance_ohm") / (1e-3 * value("fuse-r-15")),
    ]
    battery = parts["BAT"].number("voltage_v") / value(f"ocv{system_v}-100")
    charging = parts["G1"].number("voltage_v")
    controller = parts["E1"].controller
    assert controller is not None
    stops = controller.supply.stops_below_v / value(f"supply-{supply}-lo")
    assert fuses == pytest.approx([1.0, 1.0], abs=0.05)
    assert battery == pytest.approx(1.0, abs=0.005)
    assert value(f"chg{system_v}-lo") <= charging <= value(f"chg{system_v}-hi")
    assert stops == pytest.approx(1.0, abs=1e-3)
    assert parts["R1"].number("resistance_ohm") == value("can-term")
    record_property("largest_deviation", f"{100 * max(abs(one - 1.0) for one in [*fuses, battery, stops]):.1f} %")


@pytest.mark.outside(
    what="level, idle voltage and common mode from which a bus receiver can make out what is sent",
    against="table of electrical limits: can-rx-dom, can-rx-rec, can-cm-old",
    source="tests/data/electrical-limits/electrical_limits.csv",
    status="published",
    tolerance="none, the same figures",
)
def test_a_receiver_reads_levels_as_the_table_says() -> None:
    links = [one for one in circuit(SWEEPER, "key-on").devices if isinstance(one, BusLink)]
    nominal = value("can-h-dom") - value("can-l-dom")
    assert links
    for link in links:
        assert link.level_low * nominal == pytest.approx(value("can-rx-dom"))
        assert link.idle_limit_v == value("can-rx-rec")
        assert (link.common_low_v, link.common_high_v) == (value("can-cm-old-lo"), value("can-cm-old-hi"))
