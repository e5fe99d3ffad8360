"""What a phone needs to weigh voltage readings of one state together: predictions, and how all of them scatter.

One deviation of element e moves the volts between points p and m by ``(raw[p, e] - raw[m, e]) deviation[e]`` in the
sound machine. A row that parts a battery or a body from the rest (``StateTable.parted``) has deviations of its own and
takes from that what its places of change pass on: ``raw - sum over k of weight[k] place[k]`` (the Woodbury identity, as
in ``circuit.changed_spread``).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from halfsplit.circuit.changed_spread import ChangedSpread
from halfsplit.circuit.ports import groups, impedance, system_matrix
from halfsplit.circuit.spread import deviations
from halfsplit.diagnosis.space import Floats, Ints
from halfsplit.faults.signatures import STRAIGHT_SHARE, StateTable, tolerances
from halfsplit.service.phone_arrays import Data, alike, doubles, whole


def volts_of_state(table: StateTable, points: Sequence[str]) -> dict[str, Any]:
    """The predictions at some points of a state and how they scatter; the reference is added to the points."""
    names = list(dict.fromkeys([*points, table.netlist.reference]))
    at = np.array([table.nodes[one] for one in names], dtype=np.int64)
    return {
        "points": names,
        "reference": table.netlist.reference,
        "volts": alike(np.ascontiguousarray(table.lines.volts[:, at].T)),
        "sound": doubles(table.lines.volts[-1].astype(np.float64)),
        "spread": _spread(table, at),
    }


def _spread(table: StateTable, nodes: Ints) -> dict[str, Data | float]:
    system = table.system
    c = system.c
    elements = slice(c.n, c.n + c.m)
    amps = system.solution[elements]
    deviation = deviations(amps, *tolerances(table.machine, system)) * (system.laws.rho != 0.0)
    raw = system.factor.rows(nodes, np.full(len(nodes), c.reference))[:, elements]
    parted = table.parted.spread
    pairs, place, weight = _passed(parted, nodes, c.reference)
    # Elements that move none of the points say nothing.
    kept = np.flatnonzero((raw != 0.0).any(axis=0) | (pairs != 0.0).any(axis=0))
    known = np.flatnonzero(parted.known)
    return {
        "raw": doubles(raw[:, kept]),
        "deviation": doubles(deviation[kept]),
        "elements": whole(kept),
        "rows": whole(table.parted.rows[known]),
        "row_deviation": doubles(parted.deviation[known][:, kept]),
        "places": doubles(pairs[:, kept]),
        "place": whole(place[known]),
        "weight": doubles(weight[known]),
        "most": STRAIGHT_SHARE * table.machine.system_v,
    }


def _passed(parted: ChangedSpread, nodes: Ints, reference: int) -> tuple[Floats, Ints, Floats]:
    """What each place of change sees ``[places, elements]``, which of these each row has ``[S, K]`` (-1 for none), and

    how much of it reaches each node ``[S, K, nodes]``.
    """
    ports, columns = parted.ports, parted.columns
    out = np.stack([ports.place.out_plus.ravel(), ports.place.out_minus.ravel()], axis=1)
    pairs, seen = np.unique(out, axis=0, return_inverse=True)
    rows_of = parted.system.factor.rows(pairs[:, 0], pairs[:, 1])[:, parted.elements]
    place = np.where(ports.used, seen.reshape(ports.used.shape), -1)
    weight = np.zeros((*ports.used.shape, len(nodes)))
    for rows, width in groups(ports):
        group = ports.take(rows, width)
        into, out_of = group.place.in_plus[:, :, None], group.place.in_minus[:, :, None]
        driven = columns[into, nodes] - columns[into, reference]
        driven -= columns[out_of, nodes] - columns[out_of, reference]
        matrix = system_matrix(group, impedance(group, columns))
        scale = np.maximum(np.abs(matrix).max(axis=2), 1e-300)
        turned = (matrix / scale[:, :, None]).transpose(0, 2, 1)
        share = np.linalg.solve(turned, driven * group.used[:, :, None]) / scale[:, :, None]
        weight[rows[:, None], np.arange(width)] = share * (group.beta * group.used)[:, :, None]
    return rows_of, place.astype(np.int64), weight
