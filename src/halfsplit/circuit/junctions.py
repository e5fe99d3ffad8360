"""Newton's method for the diodes of many change sets, devices held: only the diodes' own laws move.

Everything else about a set is linear and worked out once: what each port answers to each other one, and what
each does to the diodes. A step then costs one small stacked solve.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit import diodes
from halfsplit.circuit.changed import ChangedSets
from halfsplit.circuit.ports import Ports, groups, impedance, scaled_solve, system_matrix
from halfsplit.circuit.stamps import Bools, Floats, Ints, diode_targets

NEWTON_TOLERANCE_V = 1e-6  # before a device decides; looser settings end in other states (measured)
MOST_NEWTON_STEPS = 150


def moved_on(volts: Floats, junction_v: Floats, active: Bools) -> Bools:
    """Which active diodes are not yet where their solution has them, ``[sets, diodes]``."""
    result: Bools = active & (np.abs(volts - junction_v) > NEWTON_TOLERANCE_V + 1e-9 * np.abs(volts))
    return result


def settle_junctions(
    batch: ChangedSets, at: Ints, booleans: Bools, junction_v: Floats, active: Bools
) -> tuple[Floats, Bools]:
    """Junction voltages ``[sets, diodes]`` at which the active diodes of sets ``at`` rest, and which sets found them.

    ``junction_v`` is where to start; diodes that are not ``active`` stay on the tangent of the state.
    """
    result = junction_v.copy()
    solved = np.ones(len(at), dtype=np.bool_)
    ports = batch.ports(at, booleans, *batch.tangents(junction_v, active))
    for rows, width in groups(ports):
        one = _Group(batch, at[rows], ports.take(rows, width), junction_v[rows], active[rows])
        result[rows], solved[rows] = one.settled()
    return result, solved


class _Group:
    """Port systems of about one size; first axis of every array: the sets."""

    def __init__(self, batch: ChangedSets, at: Ints, ports: Ports, junction_v: Floats, active: Bools) -> None:
        c, system, spans = batch.c, batch.system, batch.system.senses
        self.batch, self.junction_v, self.active = batch, junction_v, active
        place = ports.place
        self.before = system.solution[place.out_plus] - system.solution[place.out_minus]
        self.z = impedance(ports, batch.columns)
        self.matrix = system_matrix(ports, self.z)
        self.side = np.where(ports.used, ports.beta * self.before + ports.gamma, 0.0)
        # What each port does to the diodes' voltages and currents, [sets, ports, diodes].
        acting = batch.acting_at(place)
        self.to_volts = batch.sense_columns[acting, spans.diode_v]
        self.to_amps = batch.sense_columns[acting, spans.diode_a]
        diode = ports.element - c.first_diode
        moving = ports.used & (diode >= 0)
        moving[moving] = active[np.nonzero(moving)[0], diode[moving]]
        self.set, self.slot = np.nonzero(moving)
        self.diode: NDArray[np.int64] = diode[self.set, self.slot]
        self.ohm = batch.added_ohm[at][:, len(batch.plain_reactive) :]
        self.element = np.arange(c.first_diode, c.m)

    def _kept(self, rows: Ints) -> None:
        """Goes on with some of the sets."""
        new = np.full(len(self.junction_v), -1, dtype=np.int64)
        new[rows] = np.arange(len(rows))
        mine = new[self.set] >= 0
        self.set, self.slot, self.diode = new[self.set[mine]], self.slot[mine], self.diode[mine]
        for name in ("junction_v", "active", "before", "z", "matrix", "side", "to_volts", "to_amps", "ohm"):
            setattr(self, name, getattr(self, name)[rows])

    def settled(self) -> tuple[Floats, Bools]:
        """Where the junctions rest ``[sets, diodes]``, and which sets came to rest."""
        result = self.junction_v.copy()
        going = np.arange(len(result))
        for step in range(MOST_NEWTON_STEPS):
            volts = self._solved()
            c = self.batch.c
            moved: Bools = np.asarray(moved_on(volts, self.junction_v, self.active).any(axis=1))
            new = diodes.limited(volts, self.junction_v, c.saturation_a, c.slope_v)
            if step > MOST_NEWTON_STEPS // 2:
                new = 0.5 * (new + self.junction_v)
            self.junction_v = np.where(self.active, new, self.junction_v)
            result[going] = self.junction_v
            left = np.flatnonzero(moved)
            going = going[left]
            if not len(going):
                break
            if len(left) < len(moved):
                self._kept(left)
        solved = np.ones(len(result), dtype=np.bool_)
        solved[going] = False
        return result, solved

    def _solved(self) -> Floats:
        """Junction voltages with the diodes on their present tangents, ``[sets, diodes]``."""
        batch, spans = self.batch, self.batch.system.senses
        wanted = diode_targets(*batch.tangents(self.junction_v, self.active), self.ohm)
        alpha, beta, gamma = (
            part[self.set, self.diode] for part in batch.system.element_coefficients(self.element, wanted)
        )
        self.matrix[self.set, self.slot] = beta[:, None] * self.z[self.set, self.slot]
        self.matrix[self.set, self.slot, self.slot] += alpha
        self.side[self.set, self.slot] = beta * self.before[self.set, self.slot] + gamma
        force = scaled_solve(self.matrix, self.side[:, :, None])[:, None, :, 0]
        volts = batch.sense_0[spans.diode_v] - (force @ self.to_volts)[:, 0]
        amps = batch.sense_0[spans.diode_a] - (force @ self.to_amps)[:, 0]
        return batch.across_junction(volts, amps, self.ohm)
