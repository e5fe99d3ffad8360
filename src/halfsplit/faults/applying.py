"""From a fault's effects, written by name, to changes of one state's circuit."""

from __future__ import annotations

from collections.abc import Iterable

from halfsplit.circuit.changes import Change, ChangeSet, Emf, Series, Shunt
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
