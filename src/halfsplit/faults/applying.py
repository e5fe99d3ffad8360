"""From a fault's effects, written by name, to changes of one state's circuit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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
    looked_up = _looked_up(netlist, tuple(sets))
    at = np.array(looked_up.several, dtype=np.int64)
    rest = table_of(netlist, [changes(netlist, sets[number]) for number in looked_up.several])
    one, two = looked_up.series, looked_up.shunts
    forced = np.broadcast_to(np.int8(-1), (len(sets), len(netlist.device_index)))
    if (rest.forced >= 0).any():
        forced = forced.copy()
        forced[at] = rest.forced
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


@dataclass(frozen=True, eq=False)
class _LookedUp:
    """Sets of one effect as numbers, ``series`` ``[n, 3]`` and ``shunts`` ``[n, 4]``, and which sets have several."""

    nodes: tuple[str, ...]
    elements: tuple[str, ...]
    sets: tuple[Sequence[Effect], ...]
    series: NDArray[np.float64]
    shunts: NDArray[np.float64]
    several: list[int]


#: The states of a machine have the same places, and their tables are made one after the other: the last is kept.
_last: list[_LookedUp] = []


def _looked_up(netlist: Netlist, sets: tuple[Sequence[Effect], ...]) -> _LookedUp:
    nodes, elements = netlist.node_index, netlist.branch_index
    names = tuple(elements)
    for kept in _last:
        if kept.nodes == netlist.nodes and kept.elements == names and kept.sets == sets:
            return kept
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
    made = _LookedUp(
        netlist.nodes, names, sets, np.array(series, dtype=np.float64).reshape(-1, 3),
        np.array(shunts, dtype=np.float64).reshape(-1, 4), several,
    )  # fmt: skip
    _last[:] = [made]
    return made
