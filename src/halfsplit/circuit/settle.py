"""One circuit, settled exactly: Newton's method for the diodes inside, switching devices outside.

Everything is factorised anew for each set of device values, so this is the slow and careful way; thousands of
faults of one state go through :mod:`halfsplit.circuit.batch`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from halfsplit.circuit import diodes
from halfsplit.circuit.changes import Change, ChangeTable, table_of
from halfsplit.circuit.devices import (
    Forced,
    Senses,
    next_values,
    one_at_a_time,
    senses_of,
    start_values,
    trip,
)
from halfsplit.circuit.netlist import Netlist
from halfsplit.circuit.stamps import (
    Bools,
    Compiled,
    Factor,
    Floats,
    Targets,
    compiled,
    diode_targets,
    sender_responses,
    targets_of,
)
from halfsplit.errors import InternalError

Kind = Literal["steady", "chatters", "latches"]

_MOST_NEWTON_STEPS = 200
#: One at a time every device may need a round, so their number comes on top.
_MOST_ROUNDS = 500
_NEAR_V = 1e-3  # junctions that still move further than this need no refined solution, measured


@dataclass(frozen=True, eq=False)
class Outcome:
    """What a circuit does with one change set.

    ``voltages`` has one value per node of the netlist (V, against the reference); ``currents`` one per
    branch, switch and diode (A, from the first node to the second); ``booleans`` one per device.

    ``kind`` is ``steady``, ``latches`` (more than one resting state, history decides: ``alternatives``
    holds the others, ``moving`` the devices that differ) or ``chatters`` (no resting state: ``cycle`` holds
    the device values it runs through, ``moving`` the devices that keep switching, and voltages and currents
    are the mean over the cycle, which is about what a meter shows of a rapid change).
    """

    netlist: Netlist
    changes: tuple[Change, ...]
    kind: Kind
    voltages: Floats
    currents: Floats
    booleans: Bools
    junction_v: Floats
    moving: tuple[str, ...] = ()
    cycle: tuple[Bools, ...] = ()
    alternatives: tuple[Bools, ...] = ()
    factor: Factor | None = field(default=None, repr=False)

    def volts(self, node: str) -> float:
        """Voltage of a node against the reference, nothing connected."""
        return float(self.voltages[self.netlist.node_index[node]])

    def amps(self, branch: str) -> float:
        """Current of a branch, switch or diode."""
        return float(self.currents[self.netlist.branch_index[branch]])

    def is_on(self, device: str) -> bool:
        """Value of a device."""
        return bool(self.booleans[self.netlist.device_index[device]])


@dataclass
class ExactSolver:
    """The circuit with its changes; remembers the last junction voltages as the next starting point.

    ``near`` where these are thought right already, so that the first solution is worth being refined.
    """

    c: Compiled
    table: ChangeTable
    tolerance_v: float
    junction_v: Floats
    near: bool = False
    senses: Senses = field(init=False)
    added_ohm: Floats = field(init=False)
    added_v: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.senses = senses_of(self.c)
        self.added_ohm, self.added_v = np.zeros(self.c.m), np.zeros(self.c.m)
        self.added_ohm[self.table.element] = self.table.element_ohm
        self.added_v[self.table.element] = self.table.element_v

    def laws(self, booleans: Bools) -> Targets:
        """Element laws at the present junction voltages."""
        c = self.c
        resistance, emf = c.resistances(booleans)
        plain = targets_of(resistance + self.added_ohm, emf + self.added_v)
        line = diodes.tangent(self.junction_v, c.saturation_a, c.slope_v)
        junction = diode_targets(*line, self.added_ohm[c.first_diode :])
        plain.rho[c.first_diode :] = junction.rho
        plain.sigma[c.first_diode :] = junction.sigma
        plain.tau[c.first_diode :] = junction.tau
        return plain

    def factor(self, booleans: Bools) -> Factor:
        """The factorised circuit at the present junction voltages, shunts as elements of their own."""
        table = self.table
        used = table.shunt_siemens > 0.0
        return Factor(
            self.c,
            self.laws(booleans),
            table.shunt_a[used],
            table.shunt_b[used],
            1.0 / table.shunt_siemens[used],
        )

    def solve(self, booleans: Bools) -> tuple[Floats, Factor]:
        """All unknowns with the diodes on their own law (Newton until no junction moves by the tolerance)."""
        c, near = self.c, self.near
        for step in range(_MOST_NEWTON_STEPS):
            factor = self.factor(booleans)
            if not c.diode_count:
                return factor.operating_point(), factor
            x = factor.operating_point(refined=near)
            first = c.first_diode
            series = np.where(np.isinf(self.added_ohm[first:]), 0.0, self.added_ohm[first : c.m])
            amps = x[c.n + first : c.n + c.m]
            volts = x[c.a[first:]] - x[c.b[first:]] - series * amps
            volts = np.where(np.isinf(self.added_ohm[first:]), 0.0, volts)
            new = diodes.limited(volts, self.junction_v, c.saturation_a, c.slope_v)
            if step > _MOST_NEWTON_STEPS // 2:
                new = 0.5 * (new + self.junction_v)
            moved = np.abs(volts - self.junction_v)
            # Far below zero the current no longer depends on the voltage, and digits are lost in its size.
            small = moved <= self.tolerance_v + 1e-12 * np.abs(volts)
            self.junction_v = new
            if near and small.all():
                return x, factor
            # On the way the plain solution will do.
            near = bool((moved <= _NEAR_V + 1e-6 * np.abs(volts)).all())
        raise InternalError(f"The diodes found no working point in {_MOST_NEWTON_STEPS} steps.")

    def view(self, x: Floats, factor: Factor) -> tuple[Floats, Floats]:
        """What the devices see (``[1, senses]``) and the bus responses (``[1, senders, links]``)."""
        c = self.c
        sense = (x[self.senses.plus] - x[self.senses.minus])[None, :]
        if not len(c.link_at):
            return sense, np.zeros((1, len(c.sender_high), 0))
        reply = sender_responses(c, factor)
        return sense, (reply[c.link_high] - reply[c.link_low]).T[None, :, :]


@dataclass(frozen=True, eq=False)
class _Rest:
    """Where one run ended: resting values, or the cycle it never leaves.

    ``raced`` holds the circle that moving all at once went round before one at a time came to rest.
    """

    booleans: Bools
    cycle: tuple[Bools, ...] = ()
    raced: tuple[Bools, ...] = ()


def _run(solver: ExactSolver, start: Bools, forced: Forced) -> _Rest:
    """Follows the devices from ``start`` (``[devices]``) until nothing moves or a cycle closes.

    Devices that only take milliseconds move first; an over-current device trips when all else rests, the
    worst overload first. When moving all devices at once goes in circles, they are tried one at a time,
    since two that race each other do not chatter: one of them is quicker.
    """
    c, now = solver.c, start[None, :].copy()
    seen: dict[bytes, int] = {}
    trail: list[Bools] = []
    loop: tuple[Bools, ...] = ()
    most = _MOST_ROUNDS + c.device_count
    for _ in range(most):
        if now.tobytes() in seen:
            cycle = tuple(trail[seen[now.tobytes()] :])
            if loop:
                return _Rest(now[0], cycle=loop)
            loop, seen, trail = cycle, {}, []
        seen[now.tobytes()] = len(trail)
        trail.append(now[0].copy())
        x, factor = solver.solve(now[0])
        sense, response = solver.view(x, factor)
        new = next_values(c, solver.senses, sense, response, now, forced=forced)
        if (new == now).all():
            new = trip(c, solver.senses, sense, now, forced)
            if (new == now).all():
                return _Rest(now[0], raced=loop)
            loop, seen, trail = (), {}, []
        elif loop:
            new = one_at_a_time(c, now, new, forced)
        now = new
    raise InternalError(f"The devices did not come to rest or to a cycle in {most} rounds.")


def settle(
    netlist: Netlist,
    changes: Sequence[Change] = (),
    start: Bools | Mapping[str, bool] | None = None,
    tolerance_v: float = 1e-9,
    *,
    second_start: bool = True,
    start_v: Floats | None = None,
) -> Outcome:
    """Settles a circuit with one change set.

    ``start`` holds the device values before (an array in the netlist's order, or some by name, the rest off);
    without it the circuit is switched on from rest. With ``second_start`` it is tried again from everything
    on, and a different resting state makes the outcome ``latches``; the values given are those reached from
    ``start``. ``tolerance_v`` is how still the junction voltages must be; ``start_v`` ``[diodes]`` are those to begin
    with, from which they are found sooner: where they stood before, zero where left out.

    Raises :class:`InternalError` when the diodes find no working point; :mod:`halfsplit.circuit.unsolvable`
    says beforehand, in plain words, whether a circuit can be solved.
    """
    c = compiled(netlist)
    table = table_of(netlist, [tuple(changes)])
    forced = table.forced
    first = start_values(c, 1, forced, everything_on=False)
    if start is not None:
        first = first.copy()
        if isinstance(start, Mapping):
            for name, value in start.items():
                first[0, netlist.device_index[name]] = value
        else:
            first[0] = start
        first = np.where(forced >= 0, forced == 1, first)
    solver = ExactSolver(c, table, tolerance_v, np.zeros(c.diode_count) if start_v is None else start_v.copy())
    rest = _run(solver, first[0], forced)
    kind: Kind = "steady"
    moving = np.zeros(c.device_count, dtype=np.bool_)
    alternatives: list[Bools] = []
    for state in rest.cycle or rest.raced:
        moving |= state != (rest.cycle or rest.raced)[0]
    if rest.cycle:
        kind = "chatters"
    else:
        others: list[Bools] = []
        if rest.raced:
            kind = "latches"
        if second_start and c.device_count:
            everything = start_values(c, 1, forced, everything_on=True)[0]
            if not (everything == first[0]).all():
                other = _run(ExactSolver(c, table, tolerance_v, np.zeros(c.diode_count)), everything, forced)
                others = list(other.cycle) if other.cycle else [other.booleans]
        for state in others:
            if (state != rest.booleans).any():
                kind = "latches"
                alternatives.append(state)
                moving |= state != rest.booleans
    states = rest.cycle if kind == "chatters" else (rest.booleans,)
    solutions = [solver.solve(state) for state in states]
    x = np.mean([solution[0][: c.size] for solution in solutions], axis=0)
    names = tuple(device.name for device, moves in zip(netlist.devices, moving, strict=True) if moves)
    return Outcome(
        netlist=netlist,
        changes=tuple(changes),
        kind=kind,
        voltages=x[: c.n],
        currents=x[c.n :],
        booleans=states[0],
        junction_v=solver.junction_v,
        moving=names,
        cycle=tuple(states) if kind == "chatters" else (),
        alternatives=tuple(alternatives),
        factor=solutions[0][1],
    )
