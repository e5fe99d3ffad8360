"""What a fault, a meter or a repair does to a circuit, each written as something added.

A change set is a tuple of changes that hold together. Names are those of the netlist.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfsplit.circuit.devices import Forced
from halfsplit.circuit.netlist import Netlist, NetlistError
from halfsplit.circuit.stamps import Floats, Ints


@dataclass(frozen=True, slots=True)
class Series:
    """Adds ``added_ohm`` (0 to inf, inf is an open) in the current path of a branch, switch or diode."""

    branch: str
    added_ohm: float


@dataclass(frozen=True, slots=True)
class Shunt:
    """Adds ``siemens`` (0 to inf, inf is a short) between two nodes."""

    a: str
    b: str
    siemens: float


@dataclass(frozen=True, slots=True)
class Emf:
    """Adds ``added_v`` to the EMF of a branch; on a switch that is open, or a diode, it does nothing."""

    branch: str
    added_v: float


@dataclass(frozen=True, slots=True)
class Force:
    """Holds a device at ``value`` whatever the circuit does (stuck relay, dead controller)."""

    device: str
    value: bool


Change = Series | Shunt | Emf | Force
ChangeSet = tuple[Change, ...]

#: A short is a nano-ohm: below anything a person can make or measure, and it keeps loops of shorts solvable.
LARGEST_SIEMENS = 1e9


@dataclass(frozen=True, eq=False)
class ChangeTable:
    """Many change sets as arrays; ``count`` sets.

    ``element_*``: what happens in current paths (set, element, added ohm, added EMF), one row per set and
    element. ``shunt_*``: conductances between node pairs (set, node, node, siemens), one row per set and
    pair. ``forced``: shape ``[sets, devices]``.
    """

    netlist: Netlist
    count: int
    element_set: Ints
    element: Ints
    element_ohm: Floats
    element_v: Floats
    shunt_set: Ints
    shunt_a: Ints
    shunt_b: Ints
    shunt_siemens: Floats
    forced: Forced

    def part(self, sets: Ints) -> ChangeTable:
        """Some sets in the given order, none of them twice."""
        if len(sets) == self.count and (sets == np.arange(self.count)).all():
            return self
        number = np.full(self.count, -1, dtype=np.int64)
        number[sets] = np.arange(len(sets))
        element, shunt = number[self.element_set] >= 0, number[self.shunt_set] >= 0
        return ChangeTable(
            self.netlist, len(sets), number[self.element_set[element]], self.element[element],
            self.element_ohm[element], self.element_v[element], number[self.shunt_set[shunt]], self.shunt_a[shunt],
            self.shunt_b[shunt], self.shunt_siemens[shunt], self.forced[sets] if self.forced.strides[0] else
            np.broadcast_to(self.forced[:1], (len(sets), self.forced.shape[1])),
        )  # fmt: skip


def table_of(netlist: Netlist, change_sets: Sequence[Sequence[Change]]) -> ChangeTable:
    """Looks up every name and adds up changes that meet in one place.

    Raises :class:`NetlistError` for a name that is not there or a negative value.
    """
    nodes, elements, devices = netlist.node_index, netlist.branch_index, netlist.device_index
    series: dict[tuple[int, int], list[float]] = {}
    shunts: dict[tuple[int, int, int], float] = {}
    forced = np.full((len(change_sets), len(devices)), -1, dtype=np.int8)
    try:
        for number, changes in enumerate(change_sets):
            for change in changes:
                if isinstance(change, Series):
                    if not change.added_ohm >= 0.0:
                        raise NetlistError(f"{change} takes resistance away; changes only add")
                    entry = series.setdefault((number, elements[change.branch]), [0.0, 0.0])
                    entry[0] += change.added_ohm
                elif isinstance(change, Shunt):
                    if not change.siemens >= 0.0:
                        raise NetlistError(f"{change} takes conductance away; changes only add")
                    a, b = nodes[change.a], nodes[change.b]
                    if a != b:
                        key = (number, min(a, b), max(a, b))
                        shunts[key] = min(shunts.get(key, 0.0) + change.siemens, LARGEST_SIEMENS)
                elif isinstance(change, Emf):
                    series.setdefault((number, elements[change.branch]), [0.0, 0.0])[1] += change.added_v
                else:
                    forced[number, devices[change.device]] = 1 if change.value else 0
    except KeyError as missing:
        raise NetlistError(f"{change} names {missing.args[0]}, which the netlist does not have") from missing
    series_keys = np.array(list(series), dtype=np.int64).reshape(-1, 2)
    series_values = np.array(list(series.values()), dtype=np.float64).reshape(-1, 2)
    shunt_keys = np.array(list(shunts), dtype=np.int64).reshape(-1, 3)
    return ChangeTable(
        netlist=netlist,
        count=len(change_sets),
        element_set=series_keys[:, 0],
        element=series_keys[:, 1],
        element_ohm=series_values[:, 0],
        element_v=series_values[:, 1],
        shunt_set=shunt_keys[:, 0],
        shunt_a=shunt_keys[:, 1],
        shunt_b=shunt_keys[:, 2],
        shunt_siemens=np.array(list(shunts.values()), dtype=np.float64),
        forced=forced,
    )


def changes_of(table: ChangeTable, number: int) -> ChangeSet:
    """One set of a table as changes again."""
    netlist = table.netlist
    carriers, devices = list(netlist.branch_index), list(netlist.device_index)
    result: list[Change] = []
    for at in np.flatnonzero(table.element_set == number):
        name = carriers[table.element[at]]
        result.append(Series(name, float(table.element_ohm[at])))
        if table.element_v[at] != 0.0:
            result.append(Emf(name, float(table.element_v[at])))
    for at in np.flatnonzero(table.shunt_set == number):
        a, b = netlist.nodes[table.shunt_a[at]], netlist.nodes[table.shunt_b[at]]
        result.append(Shunt(a, b, float(table.shunt_siemens[at])))
    held = np.flatnonzero(table.forced[number] >= 0)
    return (*result, *(Force(devices[at], bool(table.forced[number, at])) for at in held))
