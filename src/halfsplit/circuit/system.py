"""One state of a circuit, factorised once: its operating point and the columns that tell what changes do.

With M the matrix of :mod:`halfsplit.circuit.stamps` and X its inverse, a change adds a *force* f at one
place:

* a series change of element k acts on the element's own row, in = unit vector of that row;
* a shunt acts between two node rows, in = ``e_a - e_b``.

The unknowns become ``x = x0 - sum_j f_j X in_j``. Each place also has something it answers to, q = out . x,
and a law ``alpha f = beta q + gamma``. With ``Z = out . X in`` this is ``(diag(alpha) + diag(beta) Z) f =
beta q0 + gamma``, k equations for k changes. For an added resistance r, q is the element's current, Z = -y
with y > 0, and ``f = -r i / (1 + r y)``; for a conductance g, q is the voltage across it, Z = z > 0, and
``f = g v / (1 + g z)``. Nothing cancels. An open has alpha 0, beta -1: ``i + y f = 0``.

An element that is open in this state answers with its voltage instead of its current, so that closing it is
something added too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from halfsplit.circuit import native
from halfsplit.circuit.changes import Change, table_of
from halfsplit.circuit.devices import senses_of, start_values
from halfsplit.circuit.netlist import Netlist
from halfsplit.circuit.settle import ExactSolver, settle
from halfsplit.circuit.stamps import (
    Bools,
    Compiled,
    Floats,
    Ints,
    Targets,
    compiled,
    targets_of,
)

_FLOATING_OHM = 1e6  # a place fed through more than this hangs on leaks
_BLOCK = 32  # columns per sparse solve: more is slower, see the note on the solver in stamps


@dataclass(frozen=True, eq=False)
class Places:
    """Places of change, arrays of one shape: pairs of unknowns the force acts on and answers to."""

    in_plus: Ints
    in_minus: Ints
    out_plus: Ints
    out_minus: Ints


class System:
    """A netlist with its devices held at ``booleans`` (``[devices]``), solved and factorised.

    Without ``booleans`` the circuit is switched on from rest and kept where it settles (or at the first
    state of its cycle). ``start_v`` are junction voltages in V ``[diodes]`` to find the working point of
    ``booleans`` from, zero where left out: ``booleans`` and ``start_v`` of one system make the same one again.
    With ``on_tangents`` the diodes stay on their tangents at ``start_v`` instead, wherever that leads, which takes one
    factorisation.
    ``solution`` holds node voltages (V) then element currents (A), shape ``[nodes + elements]``.
    """

    def __init__(
        self,
        netlist: Netlist,
        booleans: Bools | None = None,
        *,
        start_v: Floats | None = None,
        tolerance_v: float = 1e-9,
        on_tangents: bool = False,
    ) -> None:
        self.netlist = netlist
        self.c: Compiled = compiled(netlist)
        if booleans is None:
            # Whether it could rest elsewhere too is not asked here.
            outcome = settle(netlist, tolerance_v=tolerance_v, second_start=False)
            booleans = outcome.booleans
            start_v = None if outcome.kind == "chatters" else outcome.junction_v
        self.booleans: Bools = np.array(booleans, dtype=np.bool_)
        self.start_v: Floats = np.zeros(self.c.diode_count) if start_v is None else np.array(start_v, dtype=np.float64)
        solver = ExactSolver(self.c, table_of(netlist, [()]), tolerance_v, self.start_v, near=start_v is not None)
        if on_tangents:
            self.factor = solver.factor(self.booleans)
            self.solution = self.factor.operating_point()
        else:
            self.solution, self.factor = solver.solve(self.booleans)
        self.junction_v: Floats = solver.junction_v
        self.senses = senses_of(self.c)
        size = self.c.size
        # Row j holds column j of the inverse; np.empty costs nothing until a row is written.
        self._columns: Floats = np.empty((size, size))
        self._have: Bools = np.zeros(size, dtype=np.bool_)
        self._have[self.c.reference] = True
        self._columns[self.c.reference] = 0.0

    @property
    def laws(self) -> Targets:
        """Laws of all elements in this state, ``[elements]``."""
        return self.factor.laws

    @cached_property
    def answers_with_current(self) -> Bools:
        """Per element: does it answer a change with its current (conducts) or its voltage (open)?"""
        conducts: Bools = self.laws.rho == 1.0
        return conducts

    def columns(self, unknowns: Ints) -> Floats:
        """The stored inverse with at least the columns of ``unknowns`` in it: row j is column j of X.

        Shape ``[nodes + elements, nodes + elements]``; rows not asked for so far hold rubbish. The
        reference's row and column are zero, so a pair (node, reference) stands for the node alone.
        """
        missing = np.unique(unknowns[~self._have[unknowns]])
        if not len(missing):
            return self._columns
        self._have[missing] = True
        if native.available():
            found = native.columns(self.c, self.laws, missing)
            if found is not None:
                self._columns[missing] = found
                return self._columns
        self._solve_columns(missing, refined=False)
        own = np.abs(self._columns[missing, missing])
        # Where only leaks carry the current the plain solution keeps some 7 digits; refined it keeps all.
        starved = np.where(missing < self.c.n, own > _FLOATING_OHM, own < 1.0 / _FLOATING_OHM)
        self._solve_columns(missing[starved], refined=True)
        return self._columns

    def some_columns(self, unknowns: Ints) -> Floats:
        """Columns of the inverse as rows, ``[unknowns, nodes + elements]``; the reference's entries are zero."""
        if native.available():
            found = native.columns(self.c, self.laws, unknowns)
            if found is not None:
                return found
        return self.columns(unknowns)[unknowns]

    def _solve_columns(self, unknowns: Ints, *, refined: bool) -> None:
        for start in range(0, len(unknowns), _BLOCK):
            block = unknowns[start : start + _BLOCK]
            sides = np.zeros((self.c.size, len(block)), order="F")
            sides[block, np.arange(len(block))] = 1.0
            solved = self.factor.solve_refined(sides) if refined else self.factor.solve(sides)
            solved[self.c.reference] = 0.0
            self._columns[block] = solved.T

    def element_places(self, elements: Ints) -> Places:
        """Places of change in the current paths of elements."""
        c = self.c
        current = self.answers_with_current[elements]
        return Places(
            in_plus=c.n + elements,
            in_minus=np.full(elements.shape, c.reference, dtype=np.int64),
            out_plus=np.where(current, c.n + elements, c.a[elements]),
            out_minus=np.where(current, c.reference, c.b[elements]),
        )

    def element_coefficients(self, elements: Ints, wanted: Targets) -> tuple[Floats, Floats, Floats]:
        """alpha, beta and gamma that turn the present law of each element into the wanted one.

        ``wanted`` may have leading axes before that of ``elements``.
        """
        rho, sigma, tau = (part[elements] for part in (self.laws.rho, self.laws.sigma, self.laws.tau))
        current = self.answers_with_current[elements]
        # With its current: rho is 1, so v = sigma i - f - tau, put into the wanted law.
        # With its voltage: sigma is 1, so i = rho v + f + tau, put into the wanted law.
        alpha = np.where(current, wanted.rho, wanted.sigma)
        beta = np.where(current, wanted.rho * sigma - wanted.sigma, wanted.rho - wanted.sigma * rho)
        gamma = np.where(current, wanted.tau - wanted.rho * tau, wanted.tau - wanted.sigma * tau)
        return alpha, beta, gamma

    @cached_property
    def everything_on(self) -> System:
        """The same circuit with every threshold and link on: the second place to start from."""
        free = np.full((1, self.c.device_count), -1, dtype=np.int8)
        return System(self.netlist, start_values(self.c, 1, free, everything_on=True)[0])


@dataclass(frozen=True, eq=False)
class Solution:
    """Node voltages (V) and element currents (A) with a change set in place, every device held."""

    voltages: Floats
    currents: Floats


def solve_changes(system: System, changes: Sequence[Change]) -> Solution:
    """One change set by low rank, exact for the linear circuit; devices and diode tangents stay.

    :class:`~halfsplit.circuit.changes.Force` has no effect here, since devices are not looked at.
    """
    c = system.c
    table = table_of(system.netlist, [tuple(changes)])
    elements = table.element
    resistance, emf = c.resistances(system.booleans)
    wanted = targets_of(resistance[elements] + table.element_ohm, emf[elements] + table.element_v)
    junction = elements >= c.first_diode
    if junction.any():
        laws, added = system.laws, table.element_ohm
        opened = np.isinf(added)
        finite = np.where(opened, 0.0, added)
        rho, sigma, tau = laws.rho[elements], laws.sigma[elements], laws.tau[elements]
        wanted = Targets(
            np.where(junction, np.where(opened, 0.0, rho), wanted.rho),
            np.where(junction, np.where(opened, 1.0, sigma + rho * finite), wanted.sigma),
            np.where(junction, np.where(opened, 0.0, tau), wanted.tau),
        )
    place = system.element_places(elements)
    alpha, beta, gamma = system.element_coefficients(elements, wanted)
    weight = np.maximum(table.shunt_siemens, 1.0)
    plus_in = np.concatenate([place.in_plus, table.shunt_a])
    minus_in = np.concatenate([place.in_minus, table.shunt_b])
    plus_out = np.concatenate([place.out_plus, table.shunt_a])
    minus_out = np.concatenate([place.out_minus, table.shunt_b])
    alpha = np.concatenate([alpha, 1.0 / weight])
    beta = np.concatenate([beta, table.shunt_siemens / weight])
    gamma = np.concatenate([gamma, np.zeros(len(weight))])
    # A pair is solved as one column, so that the difference of two floating nodes keeps its digits.
    sides = np.zeros((c.size, len(plus_in)))
    column = np.arange(len(plus_in))
    sides[plus_in, column] += np.where(plus_in == c.reference, 0.0, 1.0)
    sides[minus_in, column] -= np.where(minus_in == c.reference, 0.0, 1.0)
    response = system.factor.solve_refined(sides)
    across = response[plus_out] - response[minus_out]
    before = system.solution[plus_out] - system.solution[minus_out]
    matrix = np.diag(alpha) + beta[:, None] * across
    # Rows of leaks beside rows of shorts: scaled alike, so that pivoting sees which entry matters in each.
    scale = np.abs(matrix).max(axis=1, initial=1e-300)
    force = np.linalg.solve(matrix / scale[:, None], (beta * before + gamma) / scale)
    x = system.solution - response @ force
    return Solution(x[: c.n], x[c.n :])
