"""A settled circuit solved again with 50 digits: nodes eliminated one by one, the sparsest first.

Nothing here reads the matrices of the program: conductances are taken from the netlist, the changes and the
device values alone. A harness is nearly a tree, so that elimination in this order fills in next to nothing.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Sequence
from typing import Any

from mpmath import mp

from halfsplit.circuit.changes import LARGEST_SIEMENS, Change, Emf, Series, Shunt
from halfsplit.circuit.diodes import thermal_v
from halfsplit.circuit.netlist import Closes, EmfStep, Netlist, ResistanceStep
from halfsplit.circuit.stamps import Bools

DIGITS = 50
Number = Any  # mpmath's numbers carry no types


def voltages(
    netlist: Netlist,
    changes: Sequence[Change],
    booleans: Bools,
    junction_v: Sequence[float],
    newton_steps: int = 1,
) -> list[float]:
    """Node voltages in V, in the netlist's order, devices held at ``booleans``.

    Diodes are put on the tangent at ``junction_v`` and that is moved ``newton_steps`` times; with 0 they stay
    on the tangents given, and the circuit is linear. From a junction that is right to a nanovolt one step
    leaves less than 1e-16 V; from one that is not, it shows that.
    """
    with mp.workdps(DIGITS):
        at = [mp.mpf(float(v)) for v in junction_v]
        volts: list[Number] = []
        for step in range(newton_steps + 1):
            volts = _linear(netlist, changes, booleans, at)
            if not netlist.diodes or step == newton_steps:
                break
            index = netlist.node_index
            at = [volts[index[d.anode]] - volts[index[d.cathode]] for d in netlist.diodes]
        return [float(v) for v in volts]


def _linear(netlist: Netlist, changes: Sequence[Change], booleans: Bools, at: Sequence[Number]) -> list[Number]:
    index = netlist.node_index
    reference = index[netlist.reference]
    row: list[dict[int, Number]] = [{} for _ in netlist.nodes]
    own = [mp.mpf(netlist.leak_siemens) for _ in netlist.nodes]
    driven = [mp.mpf(0) for _ in netlist.nodes]

    def join(a: int, b: int, siemens: Number, emf: Number) -> None:
        """A current of ``siemens * (v_a - v_b + emf)`` from a to b."""
        if a == b:
            return
        own[a] += siemens
        own[b] += siemens
        row[a][b] = row[a].get(b, mp.mpf(0)) - siemens
        row[b][a] = row[b].get(a, mp.mpf(0)) - siemens
        driven[a] -= siemens * emf
        driven[b] += siemens * emf

    for a, b, ohm, emf in _carriers(netlist, changes, booleans):
        if not math.isinf(ohm):
            join(index[a], index[b], 1 / mp.mpf(ohm), emf)
    for diode, junction in zip(netlist.diodes, at, strict=True):
        slope = mp.mpf(thermal_v(diode.emission, diode.temperature_c))
        saturation = mp.mpf(diode.saturation_a)
        siemens = saturation / slope * mp.exp(junction / slope)
        offset = saturation * mp.expm1(junction / slope) - siemens * junction
        join(index[diode.anode], index[diode.cathode], siemens, offset / siemens)
    for change in changes:
        if isinstance(change, Shunt):
            join(index[change.a], index[change.b], mp.mpf(min(change.siemens, LARGEST_SIEMENS)), mp.mpf(0))
    for other in row[reference]:
        row[other].pop(reference)  # 0 V: what hangs on the reference stays on the diagonal alone
    row[reference] = {}
    return _eliminated(row, own, driven, reference)


def _carriers(netlist: Netlist, changes: Sequence[Change], booleans: Bools) -> list[tuple[str, str, float, Number]]:
    """Every branch and switch with its ohms (inf: open) and EMF as devices and changes make them."""
    value = {device.name: bool(on) for device, on in zip(netlist.devices, booleans, strict=True)}
    ohm = {branch.name: branch.resistance_ohm for branch in netlist.branches}
    emf = {branch.name: mp.mpf(branch.emf_v) for branch in netlist.branches}
    ends = {branch.name: (branch.a, branch.b) for branch in netlist.branches}
    for switch in netlist.switches:
        ohm[switch.name] = switch.on_resistance_ohm if switch.closed else math.inf
        emf[switch.name] = mp.mpf(0)
        ends[switch.name] = (switch.a, switch.b)
    closed_ohm = {switch.name: switch.on_resistance_ohm for switch in netlist.switches}
    for effect in netlist.effects:
        if isinstance(effect, Closes):
            conducts = value[effect.device] == effect.when
            ohm[effect.switch] = closed_ohm[effect.switch] if conducts else math.inf
        elif isinstance(effect, ResistanceStep) and value[effect.device]:
            ohm[effect.branch] = effect.true_ohm
        elif isinstance(effect, EmfStep) and value[effect.device]:
            emf[effect.branch] += mp.mpf(effect.added_v)
    for sender in netlist.senders:
        if sender.active is None or value[sender.active]:
            emf[sender.high_branch] += mp.mpf(sender.average_v)
            emf[sender.low_branch] -= mp.mpf(sender.average_v)
    for change in changes:
        if isinstance(change, Series):
            ohm[change.branch] += change.added_ohm
        elif isinstance(change, Emf):
            emf[change.branch] += mp.mpf(change.added_v)
    return [(*ends[name], ohm[name], emf[name]) for name in ohm]


def _eliminated(row: list[dict[int, Number]], own: list[Number], driven: list[Number], reference: int) -> list[Number]:
    queue = [(len(row[k]), k) for k in range(len(row)) if k != reference]
    heapq.heapify(queue)
    done = [False] * len(row)
    order: list[tuple[int, dict[int, Number]]] = []
    while queue:
        degree, k = heapq.heappop(queue)
        if done[k] or degree != len(row[k]):
            continue
        done[k] = True
        others = list(row[k].items())
        order.append((k, row[k]))
        for a, g_a in others:
            share = g_a / own[k]
            del row[a][k]
            driven[a] -= share * driven[k]
            own[a] -= share * g_a
            for b, g_b in others:
                if b != a:
                    row[a][b] = row[a].get(b, mp.mpf(0)) - share * g_b
        for a, _ in others:
            heapq.heappush(queue, (len(row[a]), a))
    volts = [mp.mpf(0)] * len(row)
    for k, links in reversed(order):
        volts[k] = (driven[k] - sum(g * volts[b] for b, g in links.items())) / own[k]
    return volts
