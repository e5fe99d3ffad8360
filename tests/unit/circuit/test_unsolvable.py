"""Circuits without an answer are explained before anybody tries to solve them."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from halfsplit.circuit.netlist import NetlistBuilder
from halfsplit.circuit.settle import settle
from halfsplit.circuit.unsolvable import findings, require_solvable
from halfsplit.errors import UnsolvableCircuit


def battery_and_lamp() -> NetlistBuilder:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.branch("lamp", "+", "-", 2.0)
    return b


def test_a_sound_circuit_has_no_findings() -> None:
    found = require_solvable(battery_and_lamp().build())
    assert (found.reasons, found.remarks, found.islands) == ((), (), ())


@pytest.mark.parametrize(
    ("ohm", "words"), [(0.0, "a resistance of 0 ohm"), (-3.0, "-3 ohm"), (math.nan, "is not a number")]
)
def test_a_resistance_that_cannot_be_is_named(ohm: float, words: str) -> None:
    netlist = battery_and_lamp().build()
    branches = (netlist.branches[0], replace(netlist.branches[1], resistance_ohm=ohm))
    with pytest.raises(UnsolvableCircuit, match=words) as caught:
        require_solvable(replace(netlist, branches=branches), {"lamp": "work lamp E1"})
    assert any("work lamp E1" in reason for reason in caught.value.reasons)


def test_two_sources_head_to_head_without_resistance_are_named_with_the_path() -> None:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 1e-7, 12.0)
    b.branch("link", "+", "bus", 1e-7)
    b.branch("charger", "-", "bus", 1e-7, 14.0)
    with pytest.raises(UnsolvableCircuit) as caught:
        require_solvable(b.build())
    (reason,) = caught.value.reasons
    assert "2 V are left over" in reason
    for name in ("battery", "link", "charger"):
        assert name in reason


def test_equal_sources_side_by_side_are_allowed() -> None:
    b = NetlistBuilder("-")
    b.branch("one", "-", "+", 1e-7, 12.0)
    b.branch("two", "-", "+", 1e-7, 12.0)
    assert require_solvable(b.build()).reasons == ()


def test_a_part_without_a_path_is_remarked_and_still_solved() -> None:
    b = battery_and_lamp()
    b.branch("loose", "x", "y", 1.0)
    netlist = b.build()
    found = require_solvable(netlist)
    assert found.islands == (("x", "y"),)
    assert "x and y have no path to -" in found.remarks[0]
    assert settle(netlist).volts("x") == 0.0


def test_a_switch_or_a_diode_counts_as_a_path() -> None:
    b = battery_and_lamp()
    b.switch("S", "+", "x", 0.01)
    b.diode("D", "x", "y", series_ohm=0.0)
    assert findings(b.build()).islands == ()


def test_a_circuit_without_a_source_is_remarked() -> None:
    b = NetlistBuilder("-")
    b.branch("lamp", "+", "-", 2.0)
    assert any("Nothing is powered" in remark for remark in findings(b.build()).remarks)


def test_a_source_whose_current_cannot_return_is_remarked() -> None:
    b = battery_and_lamp()
    b.branch("stray", "+", "end", 1.0, 5.0)
    assert any("stray drives nothing" in remark for remark in findings(b.build()).remarks)


def test_every_reason_comes_at_once() -> None:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.0, math.inf)
    b.switch("S", "+", "-", 0.0)
    b.diode("D", "+", "-", saturation_a=0.0)
    assert len(findings(b.build()).reasons) == 4
