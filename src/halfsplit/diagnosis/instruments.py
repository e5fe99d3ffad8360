"""Likelihoods of what a clamp or a machine with connectors apart showed.

Each gives the likelihood for every row and the healthy machine ``[rows + 1]``.
"""

from __future__ import annotations

import numpy as np

from halfsplit.diagnosis import clamps, likelihood
from halfsplit.diagnosis.space import Beside, Floats, Ints, Space
from halfsplit.faults.signatures import Signatures
from halfsplit.observations import Reading, Symptom

#: Unknown severity of a fault, as a share of what it changes, where its neighbours on the grid were not solved; as
#: for sets of faults, from memory.
CHANGE_GRADE = 0.15


def amps(tables: clamps.ClampTables, near: Beside, observed: Reading) -> Floats:
    """Likelihood of a clamp's reading; ``near`` are the rows' neighbours in its state."""
    known = tables.currents(observed.state).of(observed.plus)
    return likelihood.gaussian(abs(observed.value), known.value, clamps.row_sigma(known, near), known.span_a)


def apart(signatures: Signatures, space: Space, observed: Symptom | Reading, rows: Ints) -> Floats:
    """Likelihood of what was seen, or read in volts, with connectors apart, a circuit of its own.

    ``rows`` ``[n]`` are solved; the other rows are taken as healthy.
    """
    table = signatures.apart(observed.state, observed.unplugged)
    healthy = table.lines(np.array([space.rows]))
    solved = np.append(rows, space.rows)
    own = table.lines(solved)
    if isinstance(observed, Symptom):
        sound = likelihood.symptom_levels(table.plugged, healthy, observed.function)[-1]
        levels = likelihood.symptom_levels(table.plugged, own, observed.function)
        likely = likelihood.symptom(observed, levels, sound)
    else:
        pair = observed.plus, observed.minus or table.plugged.netlist.reference
        value = likelihood.volts_of(table.plugged, own, *pair)
        change = np.abs(value - likelihood.volts_of(table.plugged, healthy, *pair))
        fixed = likelihood.meter_v(value)
        sigma = np.sqrt(fixed**2 + table.spread_v(*pair) ** 2 + (CHANGE_GRADE * change) ** 2)
        width = likelihood.stray_width(table.plugged, observed)
        likely = likelihood.gaussian(observed.value, value, sigma, width)
    result = np.full(space.rows + 1, likely[-1])
    result[solved] = likely
    return result
