"""How a circuit rests when it is switched on, found in few factorisations where the compiled code is there."""

from __future__ import annotations

import numpy as np

from halfsplit.circuit import native, quick
from halfsplit.circuit.changes import table_of
from halfsplit.circuit.devices import start_values
from halfsplit.circuit.netlist import Netlist
from halfsplit.circuit.stamps import compiled
from halfsplit.circuit.system import System

#: A diode whose tangent is right within this stays on it on the way, V: about as still as a settled circuit's.
_TOLERANCE_V = 1e-9


def switched_on(netlist: Netlist) -> System:
    """The circuit switched on from rest, as ``System(netlist)`` is.

    The compiled code follows its devices and diodes from everything off, by low rank from that one state; without it,
    or where a diode finds no working point on the way, every step is factorised anew.
    """
    if not native.available():
        return System(netlist)
    c, free = compiled(netlist), table_of(netlist, [()])
    begin = System(netlist, start_values(c, 1, free.forced, everything_on=False)[0], on_tangents=True)
    none = np.zeros(0, dtype=np.int64)
    state = quick.ready(begin, none, none, _TOLERANCE_V)
    if state is None:
        return System(netlist)
    found = quick.follow(state, begin, free, with_sense=True)
    if found.kind[0] == quick.STUCK:
        return System(netlist)
    if found.cycles:
        return System(netlist, found.cycles[0][0])
    return System(netlist, found.booleans[0], start_v=found.sense[0, begin.senses.diode_v])
