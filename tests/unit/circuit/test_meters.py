"""What instruments show: loading, floating points, ohms with the battery off."""

from __future__ import annotations

import math

import pytest

from halfsplit.circuit import meters
from halfsplit.circuit.changes import Force, Series, Shunt
from halfsplit.circuit.netlist import Netlist, NetlistBuilder, NetlistError
from halfsplit.circuit.settle import settle


def lamp_circuit() -> Netlist:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.branch("contact", "+", "a", 0.005)
    b.branch("lamp", "a", "b", 2.4)
    b.branch("ground", "b", "-", 0.005)
    return b.build()


def test_a_ghost_voltage_shows_on_the_meter_and_not_on_the_lamp() -> None:
    """The contact is open and a damp film of 100 kohm lies over it; the load is out."""
    film = (Series("contact", math.inf), Shunt("+", "a", 1e-5), Series("lamp", math.inf))
    outcome = settle(lamp_circuit(), film)
    meter = meters.volts(outcome, "a")
    assert meter.volts == pytest.approx(12.0 * 10e6 / 10.1e6, rel=1e-3)
    assert not meter.floating
    assert meters.lamp(outcome, "a").volts == pytest.approx(12.0 * 24.0 / 100_024.0, rel=1e-3)


def test_a_point_cut_off_on_both_sides_floats() -> None:
    outcome = settle(lamp_circuit(), (Series("contact", math.inf), Series("lamp", math.inf)))
    reading = meters.volts(outcome, "a")
    assert reading.floating
    assert reading.source_impedance_ohm == pytest.approx(1e9, rel=1e-6)
    assert reading.volts == pytest.approx(0.0, abs=1e-6)


def test_a_healthy_point_is_read_as_it_is() -> None:
    reading = meters.volts(settle(lamp_circuit()), "a", "b")
    # The leaks of 1 nS take 12 nA past the lamp.
    assert reading.volts == pytest.approx(12.0 * 2.4 / 2.42, rel=1e-8)
    assert not reading.floating


def test_a_lamp_can_make_a_relay_drop_out() -> None:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.branch("feed", "+", "fed", 40.0)
    b.branch("coil", "fed", "-", 90.0)
    b.threshold("K1", "fed", "-", pull_in_v=7.5, drop_out_v=4.5)
    outcome = settle(b.build())
    lit = meters.lamp(outcome, "fed")
    assert outcome.is_on("K1")
    assert not lit.outcome.is_on("K1")
    assert lit.amps == pytest.approx(lit.volts / 24.0)


def test_a_clamp_shows_the_current_of_a_branch() -> None:
    assert meters.amps(settle(lamp_circuit()), "lamp") == pytest.approx(12.0 / 2.42, rel=1e-6)


def test_ohms_are_read_with_the_battery_off_and_everything_at_rest() -> None:
    reading = meters.ohms(lamp_circuit(), "a", "b", disconnected=["battery"])
    assert reading.resistance_ohm == pytest.approx(2.4, rel=1e-6)
    assert reading.amps == pytest.approx(0.5e-3, rel=1e-2)


def test_ohms_over_an_open_are_over_range() -> None:
    reading = meters.ohms(lamp_circuit(), "a", "b", ["battery"], (Series("lamp", math.inf),))
    assert math.isinf(reading.resistance_ohm)


def test_ohms_see_a_closed_rest_contact_and_an_open_working_contact() -> None:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.branch("coil", "+", "-", 90.0)
    b.threshold("K1", "+", "-", pull_in_v=7.5, drop_out_v=3.0)
    b.switch("nc", "x", "y", 0.02)
    b.switch("no", "x", "z", 0.02)
    b.closes("K1", "nc", when=False)
    b.closes("K1", "no")
    netlist = b.build()
    assert settle(netlist).is_on("K1")
    assert meters.ohms(netlist, "x", "y", ["battery"]).resistance_ohm == pytest.approx(0.02, rel=1e-4)
    assert math.isinf(meters.ohms(netlist, "x", "z", ["battery"]).resistance_ohm)
    welded = (Force("K1", value=True),)
    assert meters.ohms(netlist, "x", "z", ["battery"], welded).resistance_ohm == pytest.approx(0.02, rel=1e-4)


def test_an_ohmmeter_tells_the_two_ways_of_a_diode() -> None:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.diode("D", "a", "-")
    netlist = b.build()
    forward = meters.ohms(netlist, "a", "-", ["battery"])
    assert 500.0 < forward.resistance_ohm < 2000.0  # 0.5 V or so at a third of a milliampere
    assert math.isinf(meters.ohms(netlist, "-", "a", ["battery"]).resistance_ohm)


def test_taking_apart_what_is_not_a_branch_is_refused() -> None:
    with pytest.raises(NetlistError, match="no branch X9"):
        meters.unplugged(lamp_circuit(), ["X9"])


def test_a_point_behind_an_unloaded_diode_is_fed_through_it() -> None:
    """The meter's own microampere makes the diode conduct: the point does not float and reads the supply."""
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.diode("D", "+", "out")
    b.branch("load", "out", "-", 10.0)
    reading = meters.volts(settle(b.build(), (Series("load", math.inf),)), "out")
    assert 11.5 < reading.volts < 12.0
    assert not reading.floating
