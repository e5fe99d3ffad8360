"""Likelihoods of what a lamp, a clamp or a machine with connectors apart showed.

Each gives the likelihood for every row and the healthy machine ``[rows + 1]``, or for given lines ``[n]``. Lines
that do not know any more what they were made of count as unknown.
"""

from __future__ import annotations

import numpy as np

from halfsplit.diagnosis import clamps, lamps, likelihood
from halfsplit.diagnosis.space import Beside, Floats, Ints, Space
from halfsplit.faults.signatures import Lines, Signatures
from halfsplit.observations import Reading, Symptom

#: Unknown severity of a fault, as a share of what it changes, where its neighbours on the grid were not solved; as
#: for sets of faults, from memory.
CHANGE_GRADE = 0.15


def lamp(tables: lamps.LampTables, near: Beside, observed: Reading, lines: Lines | None) -> Floats:
    """Likelihood of a test lamp; ``near`` are the rows' neighbours in its state."""
    where, system_v = (observed.state, observed.plus, observed.minus), tables.system_v
    if lines is None:
        return lamps.lamp_likelihood(observed.value, lamps.row_chances(tables.volts(*where), system_v, near))
    volts = tables.of_lines(*where, lines)
    if volts is None:
        return np.full(len(lines.chatters), 1.0 / 3.0)
    return lamps.lamp_likelihood(observed.value, lamps.lamp_chances(volts, system_v))


def amps(tables: clamps.ClampTables, near: Beside, observed: Reading, lines: Lines | None) -> Floats:
    """Likelihood of a clamp's reading; ``near`` are the rows' neighbours in its state."""
    known = tables.currents(observed.state).of(observed.plus)
    seen = abs(observed.value)
    if lines is None:
        return likelihood.gaussian(seen, known.value, clamps.row_sigma(known, near), known.span_a)
    value = tables.of_lines(observed.state, observed.plus, lines)
    if value is None:
        return np.full(len(lines.chatters), 1.0 / known.span_a)
    return likelihood.gaussian(seen, value, clamps.set_sigma(known, value), known.span_a)


def apart(
    signatures: Signatures, space: Space, observed: Symptom | Reading, lines: Lines | None, rows: Ints
) -> Floats:
    """Likelihood of what was seen, or read in volts, with connectors apart, a circuit of its own.

    Without lines ``rows`` ``[n]`` are solved; the other rows are taken as healthy.
    """
    table = signatures.apart(observed.state, observed.unplugged)
    healthy = table.lines(np.array([space.rows]))
    solved = np.append(rows, space.rows)
    if lines is None:
        own = table.lines(solved)
    elif lines.effects is not None:
        own = table.predict(lines.effects, lines.blown)
    else:
        flat = 3.0 if isinstance(observed, Symptom) else likelihood.reading_span(table.plugged, observed)
        return np.full(len(lines.chatters), 1.0 / flat)
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
    if lines is not None:
        return likely
    result = np.full(space.rows + 1, likely[-1])
    result[solved] = likely
    return result
