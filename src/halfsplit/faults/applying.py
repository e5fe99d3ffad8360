"""From a fault's effects, written by name, to changes of one state's circuit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from halfsplit.circuit.changes import LARGEST_SIEMENS, Change, ChangeSet, ChangeTable, Emf, Series, Shunt, table_of
from halfsplit.circuit.netlist import Netlist
from halfsplit.faults.catalogue import Effect


def changes(netlist: Netlist, effects: Iterable[Effect]) -> ChangeSet:
    """The changes that ``effects`` make in ``netlist``; effects on what is not there make none."""
    made: list[Change] = []
    for effect in effects:
        if effect.kind == "shunt":
            if effect.a in netlist.node_index and effect.b in netlist.node_index and effect.a != effect.b:
                made.append(Shunt(effect.a, effect.b, 1.0 / effect.value))
        elif effect.a in netlist.branch_index:
            made.append(
                Emf(effect.a, effect.value) if effect.kind == "emf" else Series(effect.a, effect.value)
            )
    return tuple(made)


def table_of_effects(netlist: Netlist, sets: Sequence[Sequence[Effect]]) -> ChangeTable:
    """The same for many sets as one table, without the way through a change for each where a set has one effect.

    Equal to ``table_of(netlist, [changes(netlist, one) for one in sets])`` but for the order within. Raises
    :class:`~halfsplit.circuit.netlist.NetlistError` as that does.
    """
    nodes, elements = netlist.node_index, netlist.branch_index
    series: list[tuple[int, int, float]] = []
    shunts: list[tuple[int, int, int, float]] = []
    several: list[int] = []
    for number, effects in enumerate(sets):
        if len(effects) != 1:
            several.append(number)
            continue
        (effect,) = effects
        if effect.kind == "shunt" and effect.value > 0.0:
            a, b = nodes.get(effect.a), nodes.get(effect.b)
            if a is not None and b is not None and a != b:
                shunts.append((number, min(a, b), max(a, b), min(1.0 / effect.value, LARGEST_SIEMENS)))
        elif effect.kind == "series" and effect.value >= 0.0:
            if effect.a in elements:
                series.append((number, elements[effect.a], effect.value))
        else:
            several.append(number)
    rest = table_of(netlist, [changes(netlist, sets[number]) for number in several])
    at = np.array(several, dtype=np.int64)
    forced = np.full((len(sets), len(netlist.device_index)), -1, dtype=np.int8)
    forced[at] = rest.forced
    one = np.array(series, dtype=np.float64).reshape(-1, 3)
    two = np.array(shunts, dtype=np.float64).reshape(-1, 4)
    return ChangeTable(
        netlist=netlist,
        count=len(sets),
        element_set=np.concatenate([one[:, 0].astype(np.int64), at[rest.element_set]]),
        element=np.concatenate([one[:, 1].astype(np.int64), rest.element]),
        element_ohm=np.concatenate([one[:, 2], rest.element_ohm]),
        element_v=np.concatenate([np.zeros(len(one)), rest.element_v]),
        shunt_set=np.concatenate([two[:, 0].astype(np.int64), at[rest.shunt_set]]),
        shunt_a=np.concatenate([two[:, 1].astype(np.int64), rest.shunt_a]),
        shunt_b=np.concatenate([two[:, 2].astype(np.int64), rest.shunt_b]),
        shunt_siemens=np.concatenate([two[:, 3], rest.shunt_siemens]),
        forced=forced,
    )
