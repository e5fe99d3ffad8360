"""What a current clamp shows around a wire, a fuse, a load's lead or a battery's.

Currents follow from the node voltages of the state's table by Ohm's law of the branch itself, with what each
hypothesis adds to that branch, so no circuit is solved again. Sizes count: few people note which way a clamp
points.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from halfsplit.circuit.expansion import LOAD_PINS
from halfsplit.circuit.spread import pair_spread
from halfsplit.diagnosis.held import Held
from halfsplit.diagnosis.likelihood import GRADE_SHARE
from halfsplit.diagnosis.space import Beside, Floats
from halfsplit.faults.catalogue import Effect
from halfsplit.faults.signatures import Lines, Signatures, Singles, StateTable, tolerances
from halfsplit.machine.model import Machine

#: Clamp meter for direct current: share of the reading and floor in A (it drifts and feels magnets nearby); common
#: instrument property, from memory.
CLAMP_SHARE = 0.02
CLAMP_A = 0.05
#: The table holds voltages to about this (single precision at 24 V), which a thick cable makes amperes of.
TABLE_V = 1e-6
#: Least and most width over which an unexplained current is spread evenly, A; the upper is a clamp's usual range,
#: from memory.
SPAN_A = (5.0, 100.0)
#: Lines worked through at a time, so that what is in hand stays in the processor's cache.
LINES = 64
#: Things whose currents are held in a state, a number for each row; no source.
THINGS_HELD = 96


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
class Several:
    """Currents in A through some things: ``value`` ``[rows + 1, things]``, the rest ``[things]``.

    ``least`` and ``most`` are those over all rows; ``spread_a`` and ``span_a`` as in :class:`Amps`.
    """

    value: Singles
    least: Singles
    most: Singles
    spread_a: Floats
    span_a: Floats


class Currents:
    """Currents in one state, for every row and the healthy machine; worked out when asked for.

    ``rows_at`` gives the rows with an effect on a branch, with their effects.
    """

    def __init__(self, table: StateTable, rows_at: Callable[[str], Mapping[int, tuple[Effect, ...]]]) -> None:
        self._table = table
        self._rows_at = rows_at
        self._known: Held[str, Amps] = Held(THINGS_HELD)

    def of(self, thing: str) -> Amps:
        """The currents through one thing that a clamp goes around; kept."""
        return self._known.get(thing, lambda: self._of(thing))

    def _of(self, thing: str) -> Amps:
        one = self.through([thing])
        return Amps(one.value[:, 0].astype(np.float64), float(one.spread_a[0]), float(one.span_a[0]))

    def through(self, things: Sequence[str]) -> Several:
        """The currents through some things that a clamp goes around."""
        table = self._table
        elements = [_element(table, branch_of(table.machine, thing) or "") for thing in things]
        value = np.empty((len(table.lines.chatters), len(elements)), dtype=np.float32)
        _write_currents(table, elements, table.lines, [self._rows_at(one.name) for one in elements], value)
        index = table.netlist.branch_index
        where = np.array([len(table.nodes) + index[one.name] for one in elements], dtype=np.int64)
        reference = np.full(len(where), table.system.c.reference)
        sigma = pair_spread(table.system, where, reference, *tolerances(table.machine, table.system))
        digits = TABLE_V / np.array([one.ohm for one in elements])
        least, most = value.min(axis=0), value.max(axis=0)
        span = np.clip(1.3 * most, *SPAN_A).astype(np.float64)
        return Several(value, least, most, np.hypot(sigma, digits), span)


class ClampTables:
    """Predicted currents by state, kept once computed."""

    def __init__(self, signatures: Signatures) -> None:
        self._signatures = signatures
        self._touching: dict[str, dict[int, tuple[Effect, ...]]] | None = None
        self._states: dict[str, Currents] = {}

    def currents(self, state: str) -> Currents:
        """The currents in a state."""
        if state not in self._states:
            self._states[state] = Currents(self._signatures.state(state), self._rows_at)
        return self._states[state]

    def _rows_at(self, name: str) -> dict[int, tuple[Effect, ...]]:
        """Rows with an effect on a branch, with their effects."""
        if self._touching is None:
            self._touching = {}
            for row, effects in enumerate(self._signatures.effects):
                for one in effects:
                    if one.kind != "shunt":
                        self._touching.setdefault(one.a, {})[row] = effects
        return self._touching.get(name, {})


def row_sigma(amps: Amps, near: Beside) -> Floats:
    """Standard deviation in A for each row and the healthy machine, ``[rows + 1]``, unknown severity included."""
    value = amps.value
    grade = np.zeros_like(value)
    gap = np.abs(value[near.before] - value[:-1]) + np.abs(value[near.after] - value[:-1])
    grade[:-1] = GRADE_SHARE * 0.5 * gap
    result: Floats = np.sqrt((CLAMP_A + CLAMP_SHARE * value) ** 2 + amps.spread_a**2 + grade**2)
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


def _write_currents(
    table: StateTable,
    several: Sequence[_Element],
    lines: Lines,
    touching: Sequence[Mapping[int, tuple[Effect, ...]]],
    amps: Singles | Floats,
) -> None:
    """Writes the size of the currents in A of some branches for each line into ``amps`` ``[lines, branches]``.

    ``touching`` holds for each branch the lines whose effects may add something to it, with their effects.
    """
    a = np.array([table.nodes[one.a] for one in several])
    b = np.array([table.nodes[one.b] for one in several])
    ohm, emf_v = np.array([one.ohm for one in several]), np.array([one.emf_v for one in several])
    for start in range(0, len(amps), LINES):
        volts = lines.volts[start : start + LINES]
        amps[start : start + LINES] = np.abs(volts[:, a].astype(np.float64) - volts[:, b] + emf_v) / ohm
    for at, one in enumerate(several):
        for line, effects in touching[at].items():
            added = [effect for effect in effects if effect.a == one.name and effect.kind in ("series", "emf")]
            if added:
                more_ohm = sum((effect.value for effect in added if effect.kind == "series"), start=one.ohm)
                more_v = sum((effect.value for effect in added if effect.kind == "emf"), start=one.emf_v)
                across = float(lines.volts[line, a[at]]) - float(lines.volts[line, b[at]])
                amps[line, at] = abs(across + more_v) / more_ohm
        kind, _, thing = one.name.partition(":")
        if kind == "fuse":
            amps[lines.blown[:, table.fuses.index(thing)], at] = 0.0
