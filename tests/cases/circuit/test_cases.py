"""Runs every circuit case of this folder: circuit.yaml settled, expected.yaml compared."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
import yaml

from halfsplit.circuit import meters
from halfsplit.circuit.batch import CHATTERS, LATCHES, STEADY, settle_batch, volts_row
from halfsplit.circuit.changes import Change, Series, Shunt
from halfsplit.circuit.netlist import Netlist, NetlistBuilder
from halfsplit.circuit.settle import settle
from halfsplit.circuit.system import System

FOLDERS = sorted(path.parent for path in Path(__file__).parent.glob("*/circuit.yaml"))
KINDS = {"steady": STEADY, "chatters": CHATTERS, "latches": LATCHES}
ENTRIES = {
    "kind", "tolerance_v", "volts", "amps", "meter", "lamp", "floating", "devices", "moving", "cycle_length",
}  # fmt: skip


def read(file: Path) -> dict[str, Any]:
    data: dict[str, Any] = yaml.safe_load(file.read_text(encoding="utf-8"))
    return data


def netlist_of(data: dict[str, Any]) -> Netlist:
    b = NetlistBuilder(data["reference"])
    for item in data["branches"]:
        b.branch(item["name"], item["a"], item["b"], item["ohm"], item.get("emf", 0.0))
    for item in data.get("switches", []):
        b.switch(item["name"], item["a"], item["b"], item["ohm"], closed=item.get("closed", False))
        if "closed_by" in item:
            b.closes(item["closed_by"], item["name"])
        if "opened_by" in item:
            b.closes(item["opened_by"], item["name"], when=False)
    for item in data.get("diodes", []):
        b.diode(item["name"], item["anode"], item["cathode"])
    for item in data.get("thresholds", []):
        b.threshold(
            item["name"], item["plus"], item["minus"], pull_in_v=item["pull_in"], drop_out_v=item["drop_out"]
        )
    for item in data.get("over_currents", []):
        b.over_current(item["name"], item["branch"], item["limit"])
    return b.build()


def change_of(item: dict[str, Any]) -> Change:
    if "open" in item:
        return Series(item["open"], math.inf)
    if "series" in item:
        return Series(item["series"], item["ohm"])
    if "short" in item:
        a, b = item["short"]
        return Shunt(a, b, math.inf)
    a, b = item["shunt"]
    return Shunt(a, b, 1.0 / item["ohm"])


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_case(folder: Path) -> None:
    data, expected = read(folder / "circuit.yaml"), read(folder / "expected.yaml")
    assert expected.keys() <= ENTRIES, "expected.yaml holds an entry that nothing compares"
    assert (folder / "README.md").read_text(encoding="utf-8").startswith("# ")
    netlist = netlist_of(data)
    changes = tuple(change_of(item) for item in data["changes"])
    outcome = settle(netlist, changes)
    tolerance = expected.get("tolerance_v", 0.0)
    assert outcome.kind == expected["kind"]
    assert sorted(outcome.moving) == sorted(expected.get("moving", []))
    assert len(outcome.cycle) == expected.get("cycle_length", 0)
    for node, volts in expected.get("volts", {}).items():
        assert outcome.volts(node) == pytest.approx(volts, abs=tolerance), node
    for branch, amps in expected.get("amps", {}).items():
        assert outcome.amps(branch) == pytest.approx(amps, abs=tolerance), branch
    for node, volts in expected.get("meter", {}).items():
        assert meters.volts(outcome, node).volts == pytest.approx(volts, abs=tolerance), node
    for node, volts in expected.get("lamp", {}).items():
        assert meters.lamp(outcome, node).volts == pytest.approx(volts, abs=tolerance), node
    for node, floating in expected.get("floating", {}).items():
        assert meters.volts(outcome, node).floating is floating, node
    for device, value in expected.get("devices", {}).items():
        assert outcome.is_on(device) is value, device
    # The fast way must tell the same story, from the healthy circuit's resting state.
    healthy = System(netlist)
    points = list(expected.get("volts", {}))
    batch = settle_batch(healthy, [changes], [volts_row(netlist, node) for node in points])
    assert batch.kind[0] == KINDS[settle(netlist, changes, start=healthy.booleans).kind]
    if batch.kind[0] != CHATTERS:
        for k, node in enumerate(points):
            assert batch.readings[0, k] == pytest.approx(expected["volts"][node], abs=max(tolerance, 2e-3))


def test_there_are_cases() -> None:
    assert len(FOLDERS) >= 8
