"""A netlist as arrays, and the matrix made of them.

Every branch, switch and diode is an *element* with its own current as an unknown, whether it conducts or not.
An element's law is three numbers (rho, sigma, tau)::

    rho * (v_a - v_b) - sigma * i + tau = 0

    branch or closed switch   1, resistance, EMF
    open                      0, 1, 0
    diode on its tangent      i = g v + c, written as (1, 1/g, c/g) or (g, 1, c), whichever is well scaled

The unknowns are ``x = (v of every node, i of every element)``; the reference node has the row ``v = 0``.
Rows of other nodes are Kirchhoff's current law with the leak, ``leak * v + sum of i leaving = injected``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import splu

from halfsplit.circuit import diodes
from halfsplit.circuit.netlist import (
    BusLink,
    Closes,
    EmfStep,
    Expression,
    Logic,
    Netlist,
    OverCurrent,
    ResistanceStep,
    Threshold,
    variables_of,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
LogicFunction = Callable[[Bools], Bools]

# A diode that conducts better than this is written as a resistance, otherwise as a conductance.
CONDUCTING_SIEMENS = 1e-3


@dataclass(frozen=True)
class Targets:
    """Laws of elements: three arrays of one shape, the last axis being elements."""

    rho: Floats
    sigma: Floats
    tau: Floats


@dataclass(frozen=True, eq=False)
class Compiled:
    """A netlist as index arrays. ``n`` nodes, ``m`` elements (branches, switches, diodes in that order)."""

    netlist: Netlist
    n: int
    m: int
    reference: int
    a: Ints
    b: Ints
    resistance_ohm: Floats
    emf_v: Floats
    first_switch: int
    first_diode: int
    switch_device: Ints
    switch_when: Bools
    step_element: Ints
    step_device: Ints
    step_v: Floats
    swap_element: Ints
    swap_device: Ints
    swap_ohm: Floats
    saturation_a: Floats
    slope_v: Floats
    threshold_at: Ints
    threshold_plus: Ints
    threshold_minus: Ints
    pull_in_v: Floats
    drop_out_v: Floats
    absolute: Bools
    over_at: Ints
    over_element: Ints
    limit_a: Floats
    logic: tuple[tuple[int, LogicFunction], ...]
    sender_high: Ints
    sender_low: Ints
    sender_average_v: Floats
    sender_device: Ints
    link_at: Ints
    link_sender: Ints
    link_high: Ints
    link_low: Ints
    link_ground: Ints
    link_limits: Floats
    link_reference: Floats

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return self.n + self.m

    @property
    def device_count(self) -> int:
        """Number of devices."""
        return len(self.netlist.devices)

    @property
    def diode_count(self) -> int:
        """Number of diodes."""
        return self.m - self.first_diode

    @cached_property
    def all_values(self) -> ElementValues:
        """Resistances and EMFs of all elements."""
        return ElementValues(self, np.arange(self.m))

    def resistances(self, booleans: Bools) -> tuple[Floats, Floats]:
        """Resistance (inf: open) and EMF of every element, diodes excepted, shape ``[..., m]``.

        ``booleans`` has shape ``[..., devices]``.
        """
        return self.all_values(booleans)

    def reactive_elements(self) -> Ints:
        """Elements whose law depends on a device or that are diodes, in rising order."""
        moved = [
            *self.swap_element,
            *self.step_element,
            *(self.first_switch + k for k, device in enumerate(self.switch_device) if device >= 0),
            *range(self.first_diode, self.m),
        ]
        return np.unique(np.array(moved, dtype=np.int64))


class ElementValues:
    """Resistance (inf: open) and EMF of some elements as the devices set them."""

    def __init__(self, c: Compiled, elements: Ints) -> None:
        at = np.full(c.m, -1, dtype=np.int64)
        at[elements] = np.arange(len(elements))
        switches = c.first_switch + np.arange(len(c.switch_device))
        moved = (c.switch_device >= 0) & (at[switches] >= 0)
        resistance = c.resistance_ohm.copy()
        resistance[switches[(c.switch_device < 0) & ~c.switch_when]] = np.inf
        emf = c.emf_v.copy()
        always = c.step_device < 0
        np.add.at(emf, c.step_element[always], c.step_v[always])
        self.resistance, self.emf = resistance[elements], emf[elements]
        self.switch_at, self.switch_device = at[switches[moved]], c.switch_device[moved]
        self.switch_when = c.switch_when[moved]
        swapped = at[c.swap_element] >= 0
        self.swap_at, self.swap_device = at[c.swap_element[swapped]], c.swap_device[swapped]
        self.swap_ohm = c.swap_ohm[swapped]
        stepped = ~always & (at[c.step_element] >= 0)
        self.step_device = c.step_device[stepped]
        self.step_at, self.step_size_v = at[c.step_element[stepped]], c.step_v[stepped]

    def __call__(self, booleans: Bools) -> tuple[Floats, Floats]:
        """Both for device values ``[..., devices]``, each ``[..., elements]``."""
        shape = (*booleans.shape[:-1], len(self.resistance))
        resistance = np.broadcast_to(self.resistance, shape).copy()
        closed = booleans[..., self.switch_device] == self.switch_when
        resistance[..., self.switch_at] = np.where(closed, resistance[..., self.switch_at], np.inf)
        swapped = booleans[..., self.swap_device]
        resistance[..., self.swap_at] = np.where(swapped, self.swap_ohm, resistance[..., self.swap_at])
        emf: Floats = np.broadcast_to(self.emf, shape).copy()
        # By the last axis, where an element may have several steps.
        np.add.at(emf.T, self.step_at, np.where(booleans[..., self.step_device], self.step_size_v, 0.0).T)
        return resistance, emf


def targets_of(resistance: Floats, emf: Floats) -> Targets:
    """Laws of branches and switches from their resistance (inf: open) and EMF."""
    opened = np.isinf(resistance)
    return Targets(
        rho=np.where(opened, 0.0, 1.0),
        sigma=np.where(opened, 1.0, resistance),
        tau=np.where(opened, 0.0, emf),
    )


def diode_targets(conductance: Floats, offset: Floats, series_ohm: Floats | float = 0.0) -> Targets:
    """Laws of diodes on their tangent, with a resistance added in series (inf: open)."""
    series = np.broadcast_to(np.asarray(series_ohm, dtype=np.float64), conductance.shape)
    opened = np.isinf(series)
    finite = np.where(opened, 0.0, series)
    conducting = (conductance >= CONDUCTING_SIEMENS) & ~opened
    divisor = np.where(conducting, conductance, 1.0)
    rho = np.where(conducting, 1.0, conductance)
    sigma = np.where(conducting, 1.0 / divisor + finite, 1.0 + conductance * finite)
    tau = offset / divisor
    return Targets(
        rho=np.where(opened, 0.0, rho),
        sigma=np.where(opened, 1.0, sigma),
        tau=np.where(opened, 0.0, tau),
    )


def compiled(netlist: Netlist) -> Compiled:
    """The arrays of a netlist; worked out once and kept with it."""
    kept = netlist.__dict__.get("_compiled")
    if isinstance(kept, Compiled):
        return kept
    made = _compile(netlist)
    netlist.__dict__["_compiled"] = made  # a cache only: the netlist's fields stay as they are
    return made


def _ints(values: list[int]) -> Ints:
    return np.array(values, dtype=np.int64)


def _floats(values: list[float]) -> Floats:
    return np.array(values, dtype=np.float64)


def _compile(netlist: Netlist) -> Compiled:
    node, element, device = netlist.node_index, netlist.branch_index, netlist.device_index
    n, m = len(netlist.nodes), netlist.current_count
    closes = {e.switch: e for e in netlist.effects if isinstance(e, Closes)}
    emf_steps = [e for e in netlist.effects if isinstance(e, EmfStep)]
    steps = [(element[e.branch], device[e.device], e.added_v) for e in emf_steps]
    for sender in netlist.senders:
        at = -1 if sender.active is None else device[sender.active]
        if sender.average_v:
            steps.append((element[sender.high_branch], at, sender.average_v))
            steps.append((element[sender.low_branch], at, -sender.average_v))
    swaps = [e for e in netlist.effects if isinstance(e, ResistanceStep)]
    thresholds = [d for d in netlist.devices if isinstance(d, Threshold)]
    overs = [d for d in netlist.devices if isinstance(d, OverCurrent)]
    links = [d for d in netlist.devices if isinstance(d, BusLink)]
    sender_at = {sender.name: index for index, sender in enumerate(netlist.senders)}
    limits = [(k.level_low, k.level_high, k.idle_limit_v, k.common_low_v, k.common_high_v) for k in links]
    given = [np.nan if k.reference_response is None else k.reference_response for k in links]
    result = Compiled(
        netlist=netlist,
        n=n,
        m=m,
        reference=node[netlist.reference],
        a=_ints(
            [node[x.a] for x in netlist.branches]
            + [node[x.a] for x in netlist.switches]
            + [node[x.anode] for x in netlist.diodes]
        ),
        b=_ints(
            [node[x.b] for x in netlist.branches]
            + [node[x.b] for x in netlist.switches]
            + [node[x.cathode] for x in netlist.diodes]
        ),
        resistance_ohm=_floats(
            [x.resistance_ohm for x in netlist.branches]
            + [x.on_resistance_ohm for x in netlist.switches]
            + [np.inf] * len(netlist.diodes)
        ),
        emf_v=_floats([x.emf_v for x in netlist.branches] + [0.0] * (m - len(netlist.branches))),
        first_switch=len(netlist.branches),
        first_diode=m - len(netlist.diodes),
        switch_device=_ints([device[closes[s.name].device] if s.name in closes else -1 for s in
        netlist.switches]), switch_when=np.array(
            [closes[s.name].when if s.name in closes else s.closed for s in netlist.switches], dtype=np.bool_
        ),
        step_element=_ints([s[0] for s in steps]),
        step_device=_ints([s[1] for s in steps]),
        step_v=_floats([s[2] for s in steps]),
        swap_element=_ints([element[e.branch] for e in swaps]),
        swap_device=_ints([device[e.device] for e in swaps]),
        swap_ohm=_floats([e.true_ohm for e in swaps]),
        saturation_a=_floats([d.saturation_a for d in netlist.diodes]),
        slope_v=_floats([diodes.thermal_v(d.emission, d.temperature_c) for d in netlist.diodes]),
        threshold_at=_ints([device[d.name] for d in thresholds]),
        threshold_plus=_ints([node[d.plus_node] for d in thresholds]),
        threshold_minus=_ints([node[d.minus_node] for d in thresholds]),
        pull_in_v=_floats([d.pull_in_v for d in thresholds]),
        drop_out_v=_floats([d.drop_out_v for d in thresholds]),
        absolute=np.array([d.absolute for d in thresholds], dtype=np.bool_),
        over_at=_ints([device[d.name] for d in overs]),
        over_element=_ints([element[d.branch] for d in overs]),
        limit_a=_floats([d.limit_a for d in overs]),
        logic=_ordered_logic(netlist),
        sender_high=_ints([element[s.high_branch] for s in netlist.senders]),
        sender_low=_ints([element[s.low_branch] for s in netlist.senders]),
        sender_average_v=_floats([s.average_v for s in netlist.senders]),
        sender_device=_ints([-1 if s.active is None else device[s.active] for s in netlist.senders]),
        link_at=_ints([device[d.name] for d in links]),
        link_sender=_ints([sender_at[d.sender] for d in links]),
        link_high=_ints([node[d.high_node] for d in links]),
        link_low=_ints([node[d.low_node] for d in links]),
        link_ground=_ints([node[d.ground_node] for d in links]),
        link_limits=np.array(limits, dtype=np.float64).reshape(len(links), 5),
        link_reference=_floats(given),
    )
    if np.isnan(result.link_reference).any():
        _fill_references(result)
    return result


def _fill_references(compiled_netlist: Compiled) -> None:
    """Reference responses of the links that give none: the netlist as drawn, every sender active."""
    c = compiled_netlist
    idle = np.zeros(c.device_count, dtype=np.bool_)
    idle[c.sender_device[c.sender_device >= 0]] = True
    conductance, offset = diodes.tangent(np.zeros(c.diode_count), c.saturation_a, c.slope_v)
    factor = Factor(c, element_targets(c, idle, conductance, offset))
    response = sender_responses(c, factor)
    link = np.arange(len(c.link_at))
    at_pair = response[c.link_high] - response[c.link_low]
    drawn = at_pair[link, c.link_sender]
    missing = np.isnan(c.link_reference)
    c.link_reference[missing] = drawn[missing]


def element_targets(c: Compiled, booleans: Bools, conductance: Floats, offset: Floats) -> Targets:
    """Laws of all elements for one set of device values ``[devices]`` and diode tangents ``[diodes]``."""
    resistance, emf = c.resistances(booleans)
    plain = targets_of(resistance, emf)
    junction = diode_targets(conductance, offset)
    plain.rho[c.first_diode :] = junction.rho
    plain.sigma[c.first_diode :] = junction.sigma
    plain.tau[c.first_diode :] = junction.tau
    return plain


def sender_responses(c: Compiled, factor: Factor) -> Floats:
    """What a unit step of each sender does to every unknown, ``[factor.size, senders]``, V/V or A/V."""
    sides = np.zeros((factor.size, len(c.sender_high)))
    column = np.arange(len(c.sender_high))
    sides[c.n + c.sender_high, column] -= factor.laws.rho[c.sender_high]
    sides[c.n + c.sender_low, column] += factor.laws.rho[c.sender_low]
    return factor.solve(sides)


class Factor:
    """The factorised matrix of one set of element laws (extra shunts are elements after the first m).

    ``shunt_a``, ``shunt_b``, ``shunt_ohm`` add resistances between nodes with currents of their own.
    """

    def __init__(
        self,
        c: Compiled,
        laws: Targets,
        shunt_a: Ints | None = None,
        shunt_b: Ints | None = None,
        shunt_ohm: Floats | None = None,
    ) -> None:
        none = np.zeros(0, dtype=np.int64)
        more_a = none if shunt_a is None else shunt_a
        more_b = none if shunt_b is None else shunt_b
        more_ohm = np.zeros(0) if shunt_ohm is None else shunt_ohm
        self.c = c
        self.laws = Targets(
            np.concatenate([laws.rho, np.ones(len(more_a))]),
            np.concatenate([laws.sigma, more_ohm]),
            np.concatenate([laws.tau, np.zeros(len(more_a))]),
        )
        self.a = np.concatenate([c.a, more_a])
        self.b = np.concatenate([c.b, more_b])
        self.elements = len(self.a)
        self.size = c.n + self.elements
        self._lu = splu(self.matrix(), permc_spec="COLAMD")

    def matrix(self) -> csc_matrix:
        """The matrix M of ``M x = s``."""
        c, n = self.c, self.c.n
        leak = np.full(n, c.netlist.leak_siemens)
        leak[c.reference] = 1.0
        element = n + np.arange(self.elements)
        on_a, on_b = self.a != c.reference, self.b != c.reference
        rho_a, rho_b = on_a & (self.laws.rho != 0.0), on_b & (self.laws.rho != 0.0)
        rows = [np.arange(n), self.a[on_a], self.b[on_b], element[rho_a], element[rho_b], element]
        columns = [np.arange(n), element[on_a], element[on_b], self.a[rho_a], self.b[rho_b], element]
        values = [
            leak,
            np.ones(int(on_a.sum())),
            -np.ones(int(on_b.sum())),
            self.laws.rho[rho_a],
            -self.laws.rho[rho_b],
            -self.laws.sigma,
        ]
        where = (np.concatenate(rows), np.concatenate(columns))
        return csc_matrix((np.concatenate(values), where), shape=(self.size, self.size))

    def solve(self, sides: Floats) -> Floats:
        """``M^-1 sides``; in blocks of 32 columns, which the sparse solver likes best."""
        if sides.ndim == 1:
            one: Floats = self._lu.solve(sides)
            return one
        result = np.empty_like(sides)
        for start in range(0, sides.shape[1], 32):
            result[:, start : start + 32] = self._lu.solve(sides[:, start : start + 32])
        return result

    def rows(self, plus: Ints, minus: Ints) -> Floats:
        """Rows of ``M^-1``: what ``x[plus] - x[minus]`` answers to every right side, ``[pairs, size]``."""
        reference = self.c.reference
        result = np.empty((len(plus), self.size))
        for start in range(0, len(plus), 32):
            part = slice(start, start + 32)
            sides = np.zeros((self.size, len(plus[part])), order="F")
            column = np.arange(sides.shape[1])
            sides[plus[part], column] += plus[part] != reference
            sides[minus[part], column] -= minus[part] != reference
            # The type stubs of scipy leave out the argument ``trans``, which its documentation has.
            result[part] = self._lu.solve(sides, trans="T").T  # type: ignore[call-overload]
        return result

    def operating_point(self, *, refined: bool = True) -> Floats:
        """Every unknown under the circuit's own sources, shape ``[size]``."""
        side = np.zeros((self.size, 1))
        side[self.c.n :, 0] = -self.laws.tau
        return (self.solve_refined(side) if refined else self.solve(side))[:, 0]

    def solve_refined(self, sides: Floats, refinements: int = 2) -> Floats:
        """``M^-1 sides`` ``[size, columns]``, refined with residuals in extended precision.

        Residuals are formed element by element, so nodes that float keep their digits.
        """
        x = self.solve(sides).astype(np.longdouble)
        for _ in range(refinements):
            x += self.solve(self._residual(x, sides).astype(np.float64))
        return x.astype(np.float64)

    @cached_property
    def _ends(self) -> tuple[tuple[Ints, Ints, Ints], ...]:
        """For both ends of the elements: elements in the order of their nodes, where each node begins, the nodes."""
        found = []
        for ends in (self.a, self.b):
            order = np.argsort(ends, kind="stable")
            nodes, starts = np.unique(ends[order], return_index=True)
            found.append((order, starts, nodes))
        return tuple(found)

    def _residual(self, x: NDArray[np.longdouble], sides: Floats) -> NDArray[np.longdouble]:
        c, n = self.c, self.c.n
        volts, amps = x[:n], x[n:]
        left = sides.astype(np.longdouble)
        left[:n] -= np.longdouble(c.netlist.leak_siemens) * volts
        # Sums over the elements at each node, by runs of equal nodes: many times quicker than np.add.at.
        (order, starts, nodes), (order_b, starts_b, nodes_b) = self._ends
        left[nodes] -= np.add.reduceat(amps[order], starts, axis=0)
        left[nodes_b] += np.add.reduceat(amps[order_b], starts_b, axis=0)
        left[c.reference] = sides[c.reference] - volts[c.reference]
        rho, sigma = self.laws.rho[:, None], self.laws.sigma[:, None]
        left[n:] -= rho * (volts[self.a] - volts[self.b]) - sigma * amps
        return left


def logic_order(netlist: Netlist) -> tuple[Logic, ...]:
    """Logic devices so that each comes after those it depends on; members of a loop keep their own order."""
    waiting = {d.name: d for d in netlist.devices if isinstance(d, Logic)}
    needs = {name: {v for v in variables_of(d.expression) if v in waiting} for name, d in waiting.items()}
    ordered: list[Logic] = []
    while waiting:
        free = [name for name in waiting if not (needs[name] & waiting.keys())] or [next(iter(waiting))]
        ordered.extend(waiting.pop(name) for name in free)
    return tuple(ordered)


def _ordered_logic(netlist: Netlist) -> tuple[tuple[int, LogicFunction], ...]:
    at = dict(netlist.device_index)
    return tuple((at[logic.name], _function(logic.expression, at)) for logic in logic_order(netlist))


def _function(expression: Expression, at: dict[str, int]) -> LogicFunction:
    kind = expression[0]
    if kind == "var":
        index = at[expression[1]]
        return lambda booleans: booleans[:, index]
    if kind in {"true", "false"}:
        value = kind == "true"
        return lambda booleans: np.full(len(booleans), value)
    parts = [_function(part, at) for part in expression[1:]]
    if kind == "not":
        return lambda booleans: ~parts[0](booleans)
    every = kind == "and"
    join = np.logical_and if every else np.logical_or

    def joined(booleans: Bools) -> Bools:
        if not parts:
            return np.full(len(booleans), every)
        value = parts[0](booleans)
        for part in parts[1:]:
            value = join(value, part(booleans))
        return value

    return joined
