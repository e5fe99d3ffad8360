"""What one fault makes of a circuit's elements, as plain numbers that any other engine can be given.

Devices are held where halfsplit found them at rest: the other engines are spared the search for that, so their times
are the least they could need.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfsplit.circuit.changes import ChangeTable
from halfsplit.circuit.stamps import Bools, Compiled, Floats


@dataclass(frozen=True, eq=False)
class Setting:
    """One circuit: ``resistance_ohm`` (inf: open) and ``emf_v`` of every branch and switch; shunts as node, node, S."""

    resistance_ohm: Floats
    emf_v: Floats
    shunts: tuple[tuple[int, int, float], ...] = ()


def sound(c: Compiled, booleans: Bools) -> Setting:
    """The circuit without a fault, its devices at ``booleans`` ``[devices]``."""
    resistance, emf = c.resistances(booleans)
    return Setting(resistance[: c.first_diode], emf[: c.first_diode])


def settings(c: Compiled, table: ChangeTable, chosen: Sequence[int], booleans: Bools) -> list[Setting]:
    """The circuit with each of the ``chosen`` change sets, its devices at that row of ``booleans``."""
    found = []
    for number, values in zip(chosen, booleans, strict=True):
        start = sound(c, values)
        mine = table.element_set == number
        if (table.element[mine] >= c.first_diode).any():
            raise ValueError("a change in a diode's own current path is not known to the other engines")
        np.add.at(start.resistance_ohm, table.element[mine], table.element_ohm[mine])
        np.add.at(start.emf_v, table.element[mine], table.element_v[mine])
        own = table.shunt_set == number
        ends = zip(table.shunt_a[own], table.shunt_b[own], table.shunt_siemens[own], strict=True)
        shunts = tuple((int(a), int(b), float(siemens)) for a, b, siemens in ends if siemens > 0.0)
        found.append(Setting(start.resistance_ohm, start.emf_v, shunts))
    return found
