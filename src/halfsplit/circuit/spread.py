"""How far healthy readings scatter because parts are not all alike.

With X the inverse of the state's matrix and i the currents, one more ohm in element k moves unknown t by
``X[t, k] i_k``, one more volt of its EMF by ``-X[t, k]`` (k the element's own row). Parts vary
independently, so variances add up. Devices and diode tangents are held: a spread that makes things switch
is a fault, not a spread.
"""

from __future__ import annotations

import numpy as np

from halfsplit.circuit import native
from halfsplit.circuit.stamps import Floats, Ints
from halfsplit.circuit.system import System


def spread(system: System, sigma_resistance_ohm: Floats, sigma_emf_v: Floats) -> Floats:
    """Standard deviation of every node voltage against the reference, V, ``[nodes]``.

    ``sigma_resistance_ohm`` and ``sigma_emf_v`` hold one standard deviation per element: branches, switches,
    diodes, in the netlist's order (``[elements]``).
    """
    nodes = np.arange(system.c.n)
    reference = np.full(system.c.n, system.c.reference)
    return pair_spread(system, nodes, reference, sigma_resistance_ohm, sigma_emf_v)


def pair_spread(
    system: System, plus: Ints, minus: Ints, sigma_resistance_ohm: Floats, sigma_emf_v: Floats
) -> Floats:
    """Standard deviation of each ``x[plus] - x[minus]``, ``[pairs]``; pairs as in ``read_rows``."""
    c = system.c
    rows = system.factor.rows(plus, minus)[:, c.n : c.n + c.m]
    conducts = system.laws.rho != 0.0  # the law of an open element holds no resistance and no EMF
    amps = system.solution[c.n :]
    variance = (amps * sigma_resistance_ohm) ** 2 + sigma_emf_v**2
    result: Floats = np.sqrt((rows**2) @ np.where(conducts, variance, 0.0))
    return result


def spread_rows(system: System, sigma_resistance_ohm: Floats, sigma_emf_v: Floats) -> Floats:
    """What one deviation of each element does to each node, V, ``[nodes, elements]``.

    The spread of a pair of nodes is the length of the difference of their rows: one table serves every pair.
    """
    c = system.c
    nodes, reference = np.arange(c.n), np.full(c.n, c.reference)
    columns = native.looks(c, system.laws, np.arange(c.m), nodes, reference) if native.available() else None
    rows = system.factor.rows(nodes, reference)[:, c.n : c.n + c.m] if columns is None else columns.T
    conducts = system.laws.rho != 0.0
    amps = system.solution[c.n :]
    result = np.empty((c.n, c.m))
    np.multiply(rows, np.where(conducts, deviations(amps, sigma_resistance_ohm, sigma_emf_v), 0.0), out=result)
    return result


def deviations(amps: Floats, sigma_resistance_ohm: Floats, sigma_emf_v: Floats) -> Floats:
    """What one deviation of each element adds to the voltage in its own path, V, shaped like ``amps``.

    The sign is that of the current, so that an element whose current turns round from one state to another moves
    their readings apart; where the EMF scatters it is the EMF's.
    """
    ohmic = amps * sigma_resistance_ohm
    both = np.hypot(ohmic, sigma_emf_v)
    result: Floats = np.where(sigma_emf_v > 0.0, both, ohmic)
    return result
