"""A settled circuit as a SPICE netlist, and node voltages read back from a batch run.

The text holds plain SPICE elements (R, V, D), so any simulator of that family reads it; the control section
is ngspice's, and prints every node voltage with 15 digits. Start it as ``ngspice -b deck.cir``, without a
raw file.
"""

from __future__ import annotations

import re

import numpy as np

from halfsplit.circuit.changes import table_of
from halfsplit.circuit.netlist import Netlist
from halfsplit.circuit.settle import Outcome
from halfsplit.circuit.stamps import compiled
from halfsplit.errors import InternalError

_VOLTAGE = re.compile(r"^\s*v\(n(\d+)\)\s*=\s*([-+0-9.eE]+)\s*$", re.MULTILINE)


def deck(
    outcome: Outcome, title: str = "settled circuit", meter: tuple[str, str, float] | None = None
) -> str:
    """The circuit of an outcome with its changes in place and its devices where they rest, as text.

    ``meter``: plus node, minus node and resistance of an instrument to leave connected. Node ``n<k>`` is the
    netlist's node k; the reference is node 0. Comments give the netlist's names.
    """
    netlist = outcome.netlist
    c, table = compiled(netlist), table_of(netlist, [outcome.changes])
    resistance, emf = c.resistances(outcome.booleans)
    added, added_v = np.zeros(c.m), np.zeros(c.m)
    added[table.element], added_v[table.element] = table.element_ohm, table.element_v
    lines = [f"* {_comment(title)}"]
    names = list(netlist.branch_index)

    def node(index: int) -> str:
        return "0" if index == c.reference else f"n{index}"

    lines += [f"* n{k} is {_comment(name)}" for k, name in enumerate(netlist.nodes) if k != c.reference]
    for k in range(c.first_diode):
        ohm, volts = float(resistance[k] + added[k]), float(emf[k] + added_v[k])
        if not np.isfinite(ohm):
            lines.append(f"* {_comment(names[k])} is open")
            continue
        a, b = node(int(c.a[k])), node(int(c.b[k]))
        lines.append(f"* {_comment(names[k])}")
        if volts == 0.0:
            lines.append(f"Rb{k} {a} {b} {ohm!r}")
        else:
            # v_a - v_b + emf = R i: the source raises the voltage on the way from a to b.
            lines += [f"Vb{k} m{k} {a} {volts!r}", f"Rb{k} m{k} {b} {ohm!r}"]
    for d, diode in enumerate(netlist.diodes):
        k = c.first_diode + d
        anode, cathode = node(int(c.a[k])), node(int(c.b[k]))
        if not np.isfinite(added[k]):
            lines.append(f"* {_comment(diode.name)} is open")
            continue
        bulk = f" RS={float(added[k])!r}" if added[k] > 0 else ""
        law = f"IS={diode.saturation_a!r} N={diode.emission!r} TNOM={diode.temperature_c!r}"
        lines += [
            f"* {_comment(diode.name)}",
            f".model dm{d} D({law}{bulk})",
            f"Dd{d} {anode} {cathode} dm{d} TEMP={diode.temperature_c!r}",
        ]
    shunts = zip(table.shunt_a, table.shunt_b, table.shunt_siemens, strict=True)
    for s, (first, second, siemens) in enumerate(shunts):
        if siemens > 0.0:
            lines.append(f"Rs{s} {node(int(first))} {node(int(second))} {1.0 / float(siemens)!r}")
    if meter is not None:
        plus, minus = node(netlist.node_index[meter[0]]), node(netlist.node_index[meter[1]])
        lines.append(f"Rmeter {plus} {minus} {meter[2]!r}")
    leak = 1.0 / netlist.leak_siemens
    others = [k for k in range(c.n) if k != c.reference]
    lines += [f"Rl{k} n{k} 0 {leak!r}" for k in others]
    lines += [
        ".options reltol=1e-9 abstol=1e-13 vntol=1e-9 gmin=1e-15 itl1=500",
        ".control",
        "set numdgt=15",
        "op",
        *(f"print v(n{k})" for k in others),
        ".endc",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def voltages(netlist: Netlist, printed: str) -> dict[str, float]:
    """Node voltages by name from what a batch run of :func:`deck` printed.

    Raises :class:`InternalError` when a node is missing, which means the simulator gave up.
    """
    by_index = {int(index): float(value) for index, value in _VOLTAGE.findall(printed)}
    result = {netlist.reference: 0.0}
    for index, name in enumerate(netlist.nodes):
        if name != netlist.reference:
            if index not in by_index:
                raise InternalError(f"The simulator printed no voltage for node {name}: {printed[-400:]}")
            result[name] = by_index[index]
    return result


def _comment(text: str) -> str:
    return " ".join(text.split())
