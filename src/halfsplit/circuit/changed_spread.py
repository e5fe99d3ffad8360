"""How far readings scatter after a change, because parts are not all alike.

A change may leave a part of the circuit hanging on little: with the battery's strap open the whole net floats, and
where it floats depends on every load and on the battery's rested voltage. The scatter of the sound machine
(:mod:`halfsplit.circuit.spread`) says nothing of that.

With U = X in the columns and V = out . X the rows of the places of change, the changed inverse is ``X' = X - U (diag
(alpha) + diag(beta) Z)^-1 diag(beta) V`` (the Woodbury identity), and what one deviation of element k does follows as
for the sound machine, with the currents as they are after the change. Devices and diode tangents are held where they
end; a set that circles, or whose diodes find no working point from here, has no spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from halfsplit.circuit import quick
from halfsplit.circuit.batch import DIODE_TOLERANCE_V
from halfsplit.circuit.changed import ChangedSets
from halfsplit.circuit.changes import ChangeTable
from halfsplit.circuit.ports import Ports, groups, impedance, system_matrix
from halfsplit.circuit.spread import deviations
from halfsplit.circuit.stamps import Bools, Floats, Ints
from halfsplit.circuit.system import Places, System


@dataclass(frozen=True, eq=False)
class HeldSpread:
    """What takes long to work out, ``S`` sets of up to ``K`` places of change; they may be read-only.

    ``known`` ``[S]`` tells the sets that have a spread, ``deviation`` ``[S, elements]`` what each element scatters by
    after each. ``sees`` ``[places, elements]`` is what each place of change sees of the elements, ``place`` ``[S, K]``
    which of these the places of each set are, -1 where it has none. ``columns`` ``[lines, unknowns]`` are those of the
    inverse that ``in_plus`` and ``in_minus`` ``[S, K]`` number; all else is as in ``ports.Ports``.
    """

    known: Bools
    deviation: Floats
    place: Ints
    sees: Floats
    columns: Floats
    in_plus: Ints
    in_minus: Ints
    out_plus: Ints
    out_minus: Ints
    alpha: Floats
    beta: Floats
    gamma: Floats
    element: Ints
    used: Bools

    def fits(self, system: System, sets: int) -> bool:
        """Whether the shapes are those of so many sets in a state."""
        c = system.c
        each = {getattr(self, name).shape for name in (
            "place", "in_plus", "in_minus", "out_plus", "out_minus", "alpha", "beta", "gamma", "element", "used",
        )}  # fmt: skip
        return (
            len(each) == 1
            and self.used.ndim == 2
            and self.known.shape == (sets,) == self.used.shape[:1]
            and self.deviation.shape == (sets, c.m)
            and self.sees.shape[1:] == (c.m,)
            and self.columns.shape[1:] == (c.size,)
            and self._numbers_are_within(c.size)
        )

    def _numbers_are_within(self, unknowns: int) -> bool:
        bounds = (
            (self.place, len(self.sees), -1), (self.in_plus, len(self.columns), 0),
            (self.in_minus, len(self.columns), 0), (self.out_plus, unknowns, 0), (self.out_minus, unknowns, 0),
        )  # fmt: skip
        return all(((least <= one) & (one < most)).all() for one, most, least in bounds)


class ChangedSpread:
    """What one deviation of each element does to voltages after each of ``S`` change sets.

    ``sigma_resistance_ohm`` and ``sigma_emf_v`` ``[elements]`` as in :func:`halfsplit.circuit.spread.spread`.
    """

    def __init__(self, system: System, held: HeldSpread) -> None:
        self.system, self.held = system, held
        self.elements = slice(system.c.n, system.c.n + system.c.m)
        self.known, self.deviation = held.known, held.deviation
        self.place, self.sees, self.columns = held.place, held.sees, held.columns
        places = Places(held.in_plus, held.in_minus, held.out_plus, held.out_minus)
        self.ports = Ports(places, held.alpha, held.beta, held.gamma, held.element, held.used)

    @staticmethod
    def made(
        system: System, table: ChangeTable, sigma_resistance_ohm: Floats, sigma_emf_v: Floats
    ) -> ChangedSpread:
        """The spread of the sets of a table, worked out."""
        c = system.c
        elements = slice(c.n, c.n + c.m)
        batch = ChangedSets(system, table, np.arange(table.count), DIODE_TOLERANCE_V)
        at = np.arange(table.count)
        run = quick.follow_from_state(batch)
        known: Bools = np.ones(table.count, dtype=np.bool_)
        known[[*run.cycles, *run.stuck]] = False
        ports = batch.ports(at, run.booleans, *batch.tangents(run.junction_v, run.active))
        force = batch.forces(ports)[0]
        amps_at = c.n + np.arange(c.m)
        moved = batch.moved(ports, [force], [batch.by_rows(amps_at, np.full(c.m, c.reference))])[0]
        amps = system.solution[elements] - moved
        held = system.laws.rho != 0.0  # the law of an open element holds no resistance and no EMF
        deviation: Floats = deviations(amps, sigma_resistance_ohm, sigma_emf_v) * held
        out = np.stack([ports.place.out_plus.ravel(), ports.place.out_minus.ravel()], axis=1)
        pairs, seen = np.unique(out, axis=0, return_inverse=True)
        place: Ints = np.where(ports.used, seen.reshape(ports.used.shape), -1)
        sees: Floats = system.factor.rows(pairs[:, 0], pairs[:, 1])[:, elements]
        # Only the columns of places of change are there to be looked at, and no others are kept.
        lines, at_line = np.unique([ports.place.in_plus, ports.place.in_minus], return_inverse=True)
        in_plus, in_minus = at_line.reshape(2, *ports.used.shape)
        return ChangedSpread(system, HeldSpread(
            known, deviation, place, sees, batch.columns[lines], in_plus, in_minus, ports.place.out_plus,
            ports.place.out_minus, ports.alpha, ports.beta, ports.gamma, ports.element, ports.used,
        ))  # fmt: skip

    @cached_property
    def _groups(self) -> list[tuple[Ints, Ports, Floats, Floats]]:
        """Sets with as many places of change: which, the places, the matrix to solve with, and what its rows were."""
        made = []
        for rows, width in groups(self.ports):
            group = self.ports.take(rows, width)
            matrix = system_matrix(group, impedance(group, self.columns))
            scale = np.maximum(np.abs(matrix).max(axis=2), 1e-300)
            made.append((rows, group, (matrix / scale[:, :, None]).transpose(0, 2, 1), scale))
        return made

    def pair(self, plus: int, minus: int) -> Floats:
        """For the voltage between two nodes, V, ``[S, elements]``; its length is the standard deviation."""
        own = self.system.factor.rows(np.array([plus]), np.array([minus]))[0, self.elements]
        passed = np.zeros((len(self.deviation), len(self.sees)))
        rows = np.arange(len(self.deviation))[:, None]
        np.add.at(passed, (rows, self.place), self.reaching(np.array([plus]), np.array([minus]))[:, :, 0])
        spread: Floats = own - passed @ self.sees
        spread *= self.deviation
        return spread

    def reaching(self, plus: Ints, minus: Ints) -> Floats:
        """How much of what each place of change sees reaches the voltage of each pair of nodes, ``[S, K, pairs]``.

        That is (diag(alpha) + diag(beta) Z)^-T U diag(beta); 0 where a set has no such place.
        """
        found = np.zeros((*self.ports.used.shape, len(plus)))
        for rows, group, turned, scale in self._groups:
            into, out_of = group.place.in_plus[:, :, None], group.place.in_minus[:, :, None]
            driven = self.columns[into, plus] - self.columns[into, minus]
            driven -= self.columns[out_of, plus] - self.columns[out_of, minus]
            share = np.linalg.solve(turned, driven * group.used[:, :, None]) / scale[:, :, None]
            found[rows[:, None], np.arange(share.shape[1])] = share * (group.beta * group.used)[:, :, None]
        return found
