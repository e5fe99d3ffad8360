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

from halfsplit.circuit.spread import deviations
from halfsplit.diagnosis.space import Ints
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
    weight = parted.reaching(nodes, np.full(len(nodes), c.reference))
    # Elements that move none of the points say nothing.
    kept = np.flatnonzero((raw != 0.0).any(axis=0) | (parted.sees != 0.0).any(axis=0))
    known = np.flatnonzero(parted.known)
    return {
        "raw": doubles(raw[:, kept]),
        "deviation": doubles(deviation[kept]),
        "elements": whole(kept),
        "rows": whole(table.parted.rows[known]),
        "row_deviation": doubles(parted.deviation[known][:, kept]),
        "places": doubles(parted.sees[:, kept]),
        "place": whole(parted.place[known]),
        "weight": doubles(weight[known]),
        "most": STRAIGHT_SHARE * table.machine.system_v,
    }
