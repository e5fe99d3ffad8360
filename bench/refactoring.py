"""The same operating points by plain nodal analysis with SciPy: every fault factorised anew.

Diodes start from where they rest on the sound machine. Nothing of halfsplit's solving is used but the diode's law.
Devices are held where halfsplit found them, see ``held_circuits``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from held_circuits import Setting
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import splu

from halfsplit.circuit import diodes
from halfsplit.circuit.netlist import Netlist
from halfsplit.circuit.stamps import Floats, compiled

MOST_STEPS = 100


class Nodal:
    """One netlist's pattern; ``solve`` fills it for a setting. Diodes start where the last ``keep`` left them."""

    def __init__(self, netlist: Netlist, tolerance_v: float = 1e-9) -> None:
        self.c = compiled(netlist)
        self.leak = netlist.leak_siemens
        self.tolerance_v = tolerance_v
        self.junction_v: Floats = np.zeros(self.c.diode_count)
        keep = np.arange(self.c.n) != self.c.reference
        self._at = np.where(keep, np.cumsum(keep) - 1, -1)

    def solve(self, setting: Setting) -> tuple[Floats, Floats]:
        """Volts of all nodes ``[nodes]`` and where the junctions came to rest ``[diodes]``."""
        c, junction = self.c, self.junction_v.copy()
        with np.errstate(divide="ignore"):
            siemens = np.where(np.isinf(setting.resistance_ohm), 0.0, 1.0 / setting.resistance_ohm)
        shunt_a = np.array([a for a, _, _ in setting.shunts], dtype=np.int64)
        shunt_b = np.array([b for _, b, _ in setting.shunts], dtype=np.int64)
        shunt = np.array([g for _, _, g in setting.shunts])
        a, b = np.concatenate([c.a, shunt_a]), np.concatenate([c.b, shunt_b])
        for _ in range(MOST_STEPS):
            slope, offset = diodes.tangent(junction, c.saturation_a, c.slope_v)
            own = np.concatenate([siemens, slope, shunt])
            # A current from a to b beside the conductance: i = g (v_a - v_b) + source.
            source = np.concatenate([siemens * setting.emf_v, offset, np.zeros(len(shunt))])
            volts = self._linear(a, b, own, source)
            across = volts[c.a[c.first_diode :]] - volts[c.b[c.first_diode :]]
            moved = np.abs(across - junction)
            junction = diodes.limited(across, junction, c.saturation_a, c.slope_v)
            if (moved <= self.tolerance_v + 1e-9 * np.abs(across)).all():
                return volts, junction
        raise ArithmeticError(f"the diodes found no working point in {MOST_STEPS} steps")

    def volts(self, setting: Setting, at: Sequence[int]) -> Floats:
        """Volts of the nodes ``at``; not a number where the diodes find no working point, as ngspice's."""
        try:
            return self.solve(setting)[0][list(at)]
        except ArithmeticError:
            return np.full(len(at), np.nan)

    def keep(self, junction_v: Floats) -> None:
        """Makes this the place the diodes of the next settings start from."""
        self.junction_v = junction_v

    def _linear(self, a: Any, b: Any, siemens: Floats, source: Floats) -> Floats:
        c, at = self.c, self._at
        row, column = at[a], at[b]
        both, on_a, on_b = (row >= 0) & (column >= 0), row >= 0, column >= 0
        size = c.n - 1
        every = np.arange(size)
        rows = np.concatenate([every, row[on_a], column[on_b], row[both], column[both]])
        columns = np.concatenate([every, row[on_a], column[on_b], column[both], row[both]])
        values = np.concatenate(
            [np.full(size, self.leak), siemens[on_a], siemens[on_b], -siemens[both], -siemens[both]]
        )
        matrix = csc_matrix((values, (rows, columns)), shape=(size, size))
        side = np.zeros(size)
        np.subtract.at(side, row[on_a], source[on_a])
        np.add.at(side, column[on_b], source[on_b])
        # Symmetric and with a heavy diagonal: minimum degree and no pivoting off the diagonal is its quickest way.
        factor = splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
        volts = np.zeros(c.n)
        volts[np.arange(c.n) != c.reference] = factor.solve(side)
        return volts
