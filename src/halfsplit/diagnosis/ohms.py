"""Resistance between two points with the battery disconnected, for every row of the catalogue.

The meter is its own small source; each pair of points is one more solve of the dead machine, made when asked.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit.batch import settle_batch, volts_row
from halfsplit.circuit.expansion import expand
from halfsplit.circuit.netlist import Branch, Netlist
from halfsplit.circuit.system import System
from halfsplit.diagnosis.likelihood import GRADE_SHARE, OHMS_DECADES, gaussian
from halfsplit.faults.applying import changes
from halfsplit.faults.signatures import Signatures
from halfsplit.observations import Reading

Floats = NDArray[np.float64]

#: The meter's own source on ohms: open voltage and inner resistance; common instrument property, from memory.
METER_OPEN_V = 0.5
METER_OHM = 10_000.0
#: Beyond this a hand meter shows over-range; from memory.
OVER_RANGE_OHM = 20e6


def dead_netlist(netlist: Netlist, a: str, b: str) -> Netlist:
    """The circuit with every battery and generator taken off and an ohmmeter between ``a`` and ``b``."""
    branches = tuple(
        replace(branch, resistance_ohm=1e12, emf_v=0.0) if branch.name.startswith("cell:") else branch
        for branch in netlist.branches
    )
    meter = Branch("meter", b, a, METER_OHM, METER_OPEN_V)
    return replace(netlist, branches=(*branches, meter))


def ohms_from_volts(volts: Floats) -> Floats:
    """Resistance the meter shows for the voltage it finds across its leads."""
    shown = METER_OHM * np.abs(volts) / np.maximum(METER_OPEN_V - np.abs(volts), 1e-9)
    return np.clip(shown, 1e-3, OVER_RANGE_OHM)


class OhmsTables:
    """Predicted resistances by pair of points, kept once computed."""

    def __init__(self, signatures: Signatures) -> None:
        self._signatures = signatures
        self._tables: dict[tuple[str, str, str], Floats] = {}

    def predicted(self, state: str, a: str, b: str) -> Floats:
        """Ohms for every row and the healthy machine, ``[rows + 1]``."""
        key = (state, *sorted((a, b)))
        if key not in self._tables:
            machine = self._signatures.machine
            netlist = dead_netlist(expand(machine, machine.states[state]), a, b)
            sets = [changes(netlist, one) for one in [*self._signatures.effects, ()]]
            outcome = settle_batch(
                System(netlist), sets, [volts_row(netlist, a, b)], second_start=False
            )
            self._tables[key] = ohms_from_volts(outcome.readings[:, 0])
        return self._tables[key]

    def weigh(self, observed: Reading, catalogue: bool, span: float, lines: int) -> Floats:
        """Likelihood of an ohms reading on a scale of decades; sets of faults count as unknown."""
        if not catalogue:
            return np.full(lines, 1.0 / span)
        minus = observed.minus or self._signatures.state(observed.state).netlist.reference
        predicted = np.log10(self.predicted(observed.state, observed.plus, minus))
        value = np.log10(np.clip(observed.value, 1e-3, OVER_RANGE_OHM))
        sigma = np.full(len(predicted), np.hypot(OHMS_DECADES, GRADE_SHARE * 0.2))
        return gaussian(float(value), predicted, sigma, span)
