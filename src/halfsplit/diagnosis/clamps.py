"""What a current clamp shows around a wire, a fuse, a load's lead or a battery's.

Currents follow from the node voltages of the state's table by Ohm's law of the branch itself, with what each
hypothesis adds to that branch, so no circuit is solved again. Sizes count: few people note which way a clamp
points.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from halfsplit.circuit.expansion import LOAD_PINS
from halfsplit.circuit.spread import pair_spread
from halfsplit.diagnosis.likelihood import GRADE_SHARE
from halfsplit.diagnosis.space import Floats, Space
from halfsplit.faults.catalogue import Effect
from halfsplit.faults.signatures import Lines, Signatures, Singles, StateTable, tolerances
from halfsplit.machine.model import Machine

#: Clamp meter for direct current: share of the reading and floor in A (it drifts and feels magnets nearby); common
#: instrument property, from memory.
CLAMP_SHARE = 0.02
CLAMP_A = 0.05
#: Unknown severity of a set's members, one deviation as a share of what they change; from memory.
SET_GRADE = 0.15
#: The table holds voltages to about this (single precision at 24 V), which a thick cable makes amperes of.
TABLE_V = 1e-6
#: Least and most width over which an unexplained current is spread evenly, A; the upper is a clamp's usual range,
#: from memory.
SPAN_A = (5.0, 100.0)


def branch_of(machine: Machine, thing: str) -> str | None:
    """The branch whose current a clamp around ``thing`` shows; None when it is no wire, fuse, load or battery."""
    if thing in machine.wires:
        return f"wire:{thing}"
    part = machine.parts.get(thing)
    if part is None:
        return None
    if part.kind in ("fuse", "breaker"):
        return f"fuse:{thing}"
    if part.kind == "battery":
        return f"cell:{thing}"
    return f"load:{thing}" if part.kind in LOAD_PINS or part.kind == "resistor" else None


@dataclass(frozen=True, eq=False)
class Amps:
    """Currents in A through one thing.

    ``value`` ``[rows + 1]``, ``spread_a`` what good machines scatter, ``span_a`` the width of an unexplained one.
    """

    value: Floats
    spread_a: float
    span_a: float


@dataclass(frozen=True, eq=False)
class Currents:
    """Currents in A through everything a clamp goes around in one state.

    ``things`` gives the column, ``value`` ``[rows + 1, things]``, ``spread_a`` and ``span_a`` ``[things]``.
    """

    things: dict[str, int]
    value: Singles
    spread_a: Floats
    span_a: Floats

    def of(self, thing: str) -> Amps:
        """One thing's currents."""
        at = self.things[thing]
        return Amps(self.value[:, at].astype(np.float64), float(self.spread_a[at]), float(self.span_a[at]))


class ClampTables:
    """Predicted currents by state, kept once computed."""

    def __init__(self, signatures: Signatures) -> None:
        self._signatures = signatures
        self._touching: dict[str, dict[int, tuple[Effect, ...]]] | None = None
        self._states: dict[str, Currents] = {}

    def currents(self, state: str) -> Currents:
        """Currents for every row and the healthy machine, through everything a clamp goes around."""
        if state not in self._states:
            table = self._signatures.state(state)
            machine = table.machine
            names = {one: branch_of(machine, one) for one in (*machine.wires, *machine.parts)}
            elements = {one: _element(table, name) for one, name in names.items() if name is not None}
            value = np.empty((len(table.lines.chatters), len(elements)), dtype=np.float32)
            for at, one in enumerate(elements.values()):
                value[:, at] = _currents(table, one, table.lines, self._rows_at(one.name))
            index = table.netlist.branch_index
            where = np.array([len(table.nodes) + index[one.name] for one in elements.values()], dtype=np.int64)
            sigma = pair_spread(
                table.system, where, np.full(len(where), table.system.c.reference), *tolerances(machine, table.netlist)
            )
            digits = TABLE_V / np.array([one.ohm for one in elements.values()])
            span = np.clip(1.3 * value.max(axis=0), *SPAN_A).astype(np.float64)
            self._states[state] = Currents(
                {thing: at for at, thing in enumerate(elements)}, value, np.hypot(sigma, digits), span
            )
        return self._states[state]

    def of_lines(self, state: str, thing: str, lines: Lines) -> Floats | None:
        """Currents for given lines; None when they do not know any more what they were made from."""
        name = branch_of(self._signatures.machine, thing)
        if lines.effects is None or name is None:
            return None
        table = self._signatures.state(state)
        return _currents(table, _element(table, name), lines, dict(enumerate(lines.effects)))

    def _rows_at(self, name: str) -> dict[int, tuple[Effect, ...]]:
        """Rows with an effect on a branch, with their effects."""
        if self._touching is None:
            self._touching = {}
            for row, effects in enumerate(self._signatures.effects):
                for one in effects:
                    if one.kind != "shunt":
                        self._touching.setdefault(one.a, {})[row] = effects
        return self._touching.get(name, {})


def row_sigma(amps: Amps, space: Space) -> Floats:
    """Standard deviation in A for each row and the healthy machine, ``[rows + 1]``, unknown severity included."""
    value = amps.value
    grade = np.zeros_like(value)
    gap = np.abs(value[space.row_before] - value[:-1]) + np.abs(value[space.row_after] - value[:-1])
    grade[:-1] = GRADE_SHARE * 0.5 * gap
    result: Floats = np.sqrt((CLAMP_A + CLAMP_SHARE * value) ** 2 + amps.spread_a**2 + grade**2)
    return result


def set_sigma(amps: Amps, value: Floats) -> Floats:
    """The same for currents ``[n]`` of sets of faults."""
    change = SET_GRADE * np.abs(value - amps.value[-1])
    result: Floats = np.sqrt((CLAMP_A + CLAMP_SHARE * value) ** 2 + amps.spread_a**2 + change**2)
    return result


@dataclass(frozen=True, slots=True)
class _Element:
    name: str
    a: str
    b: str
    ohm: float
    emf_v: float


def _element(table: StateTable, name: str) -> _Element:
    netlist = table.netlist
    at = netlist.branch_index[name]
    if at < len(netlist.branches):
        branch = netlist.branches[at]
        return _Element(name, branch.a, branch.b, branch.resistance_ohm, branch.emf_v)
    switch = netlist.switches[at - len(netlist.branches)]
    return _Element(name, switch.a, switch.b, switch.on_resistance_ohm, 0.0)


def _currents(table: StateTable, one: _Element, lines: Lines, touching: dict[int, tuple[Effect, ...]]) -> Floats:
    """Size of a branch's current in A for each line, with what the line's own effects add to the branch."""
    across = lines.volts[:, table.nodes[one.a]].astype(np.float64) - lines.volts[:, table.nodes[one.b]]
    ohm, emf = np.full(len(across), one.ohm), np.full(len(across), one.emf_v)
    for line, effects in touching.items():
        for effect in effects:
            if effect.a == one.name and effect.kind == "series":
                ohm[line] += effect.value
            elif effect.a == one.name and effect.kind == "emf":
                emf[line] += effect.value
    amps: Floats = np.abs(across + emf) / ohm
    kind, _, thing = one.name.partition(":")
    if kind == "fuse":
        amps[lines.blown[:, table.fuses.index(thing)]] = 0.0
    return amps
