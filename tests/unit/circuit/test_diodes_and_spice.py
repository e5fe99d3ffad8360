"""The junction's law, and the circuit written as a SPICE netlist."""

from __future__ import annotations

import math

import numpy as np
import pytest

from halfsplit.circuit import diodes, spice
from halfsplit.circuit.changes import Series, Shunt
from halfsplit.circuit.netlist import NetlistBuilder
from halfsplit.circuit.settle import settle
from halfsplit.errors import InternalError


def test_the_thermal_voltage_at_27_degrees_is_25_85_millivolts() -> None:
    assert diodes.thermal_v(1.0, 27.0) == pytest.approx(0.025865, abs=1e-6)


def test_the_tangent_touches_the_law_and_has_its_slope() -> None:
    saturation, slope = np.array([2.5e-9]), np.array([0.045])
    at = np.array([0.6])
    conductance, offset = diodes.tangent(at, saturation, slope)
    here = diodes.current_a(at, saturation, slope)
    assert conductance * at + offset == pytest.approx(here)
    step = 1e-6
    ahead = diodes.current_a(at + step, saturation, slope)
    assert (ahead - here) / step == pytest.approx(conductance, rel=1e-4)


@pytest.mark.parametrize("supply_v", [-24.0, -0.3, 0.2, 0.7, 3.0, 24.0, 400.0])
@pytest.mark.parametrize("ohm", [1e-3, 1.0, 1e3, 1e6])
def test_a_diode_in_series_with_a_resistance_obeys_both_laws(supply_v: float, ohm: float) -> None:
    b = NetlistBuilder("-")
    b.branch("source", "-", "a", ohm, supply_v)
    b.diode("D", "a", "-", series_ohm=0.0)
    outcome = settle(b.build())
    volts, amps = outcome.volts("a"), outcome.amps("D")
    law = 2.52e-9 * math.expm1(volts / diodes.thermal_v(1.752, 27.0))
    assert amps == pytest.approx(law, rel=1e-6, abs=1e-15)
    assert supply_v - ohm * (amps + 1e-9 * volts) == pytest.approx(volts, rel=1e-6, abs=1e-9)


def test_a_bridge_of_diodes_rectifies_both_ways() -> None:
    for volts in (12.0, -12.0):
        b = NetlistBuilder("-")
        b.branch("source", "x", "y", 0.1, volts)
        for name, a, c in (("1", "x", "+"), ("2", "y", "+"), ("3", "-", "x"), ("4", "-", "y")):
            b.diode(name, a, c, series_ohm=0.01)
        b.branch("load", "+", "-", 10.0)
        assert 9.5 < settle(b.build()).volts("+") < 11.0


def test_the_deck_holds_every_element_as_it_rests() -> None:
    b = NetlistBuilder("-")
    b.branch("battery", "-", "+", 0.01, 12.0)
    b.switch("S", "+", "x", 0.02, closed=True)
    b.switch("O", "+", "y", 0.02)
    b.diode("D", "x", "y", series_ohm=0.0)
    b.branch("load", "y", "-", 10.0)
    outcome = settle(b.build(), (Series("load", 5.0), Shunt("x", "-", 0.5)))
    text = spice.deck(outcome, "a title\nover two lines", meter=("y", "-", 10e6))
    assert text.startswith("* a title over two lines\n")
    for line in ("Rb1 n3 0 15.0", "Rb2 n1 n2 0.02", "* O is open", "Rmeter n3 0 10000000.0", ".end"):
        assert line in text, text
    assert "Dd0 n2 n3 dm0" in text
    assert "Rs0" in text
    assert " 2.0\n" in text


def test_a_run_that_printed_nothing_is_our_mistake_and_says_what_came() -> None:
    b = NetlistBuilder("-")
    b.branch("R", "-", "a", 1.0)
    netlist = b.build()
    assert spice.voltages(netlist, "v(n1) = 1.25e+00\n") == {"-": 0.0, "a": 1.25}
    with pytest.raises(InternalError, match="no convergence"):
        spice.voltages(netlist, "no convergence")
