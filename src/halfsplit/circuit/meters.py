"""What a person would read with a voltmeter, test lamp, current clamp or ohmmeter, loading included.

A digital voltmeter has 10 Mohm (common practice, no source); a 12 V test lamp of 6 W has 24 ohm hot (from
the power law; the cold filament is lower). A point behind more than 1 Mohm is *floating*: a voltmeter's
answer there says little, since dirt or the meter itself makes it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from halfsplit.circuit.changes import Change, Force, Shunt, table_of
from halfsplit.circuit.devices import start_values
from halfsplit.circuit.netlist import Branch, BusLink, EmfStep, Netlist, NetlistError
from halfsplit.circuit.settle import Outcome, settle
from halfsplit.circuit.stamps import compiled

METER_OHM = 10e6
LAMP_OHM = 24.0
FLOATING_OHM = 1e6

#: Open-circuit voltage and short-circuit current of the ohmmeter (common practice for hand-held meters, no
#: source).
OHMMETER_OPEN_V = 3.0
OHMMETER_SHORT_A = 0.5e-3
#: Above this the ohmmeter shows over-range (common practice: hand-held meters end at 40 to 60 Mohm, no
#: source).
OHMMETER_RANGE_OHM = 50e6

#: A source this far below the meter's resistance cannot be moved by it so that anybody could read the
#: difference.
_WEIGHTLESS = 1e-5
#: Below this a reading is no measure of what feeds it (the last digit of a hand-held meter, common practice).
_VISIBLE_V = 1e-3


@dataclass(frozen=True, slots=True)
class VoltReading:
    """A voltage as the instrument shows it, the same without it, and how hard the point is fed."""

    volts: float
    unloaded_v: float
    source_impedance_ohm: float

    @property
    def floating(self) -> bool:
        """The reading says little: the point is behind more than 1 Mohm."""
        return self.source_impedance_ohm > FLOATING_OHM


@dataclass(frozen=True, slots=True)
class LampReading:
    """A test lamp between two points: its voltage and current, and the circuit with the lamp in place."""

    volts: float
    amps: float
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class OhmReading:
    """An ohmmeter between two points; ``resistance_ohm`` is inf when it shows over-range."""

    resistance_ohm: float
    volts: float
    amps: float


def source_impedance_ohm(outcome: Outcome, plus: str, minus: str | None = None) -> float:
    """Resistance seen from two points of the settled circuit, sources at rest, diodes on their tangent."""
    netlist, factor = outcome.netlist, outcome.factor
    if factor is None:
        raise NetlistError("An outcome without its factorised circuit cannot tell a source impedance.")
    a, b = _pair(netlist, plus, minus)
    reference = netlist.node_index[netlist.reference]
    side = np.zeros(factor.size)
    side[a] += a != reference
    side[b] -= b != reference
    response = factor.solve(side)
    return float(response[a] - response[b])


def volts(
    outcome: Outcome, plus: str, minus: str | None = None, meter_ohm: float = METER_OHM
) -> VoltReading:
    """A voltmeter from ``plus`` to ``minus`` (the reference when left out).

    The meter divides with the resistance it sees: ``v / (1 + z / meter_ohm)``, exact while the diodes stay on
    their tangent. A diode that carries next to nothing does not (behind an unloaded blocking diode even the
    meter's microampere counts), so where diodes are about and the meter weighs, the circuit is settled again
    with the meter in it, devices held; the impedance given is then what the meter's own pull shows.
    """
    netlist = outcome.netlist
    a, b = _pair(netlist, plus, minus)
    unloaded = float(outcome.voltages[a] - outcome.voltages[b])
    impedance = source_impedance_ohm(outcome, plus, minus)
    if not netlist.diodes or outcome.kind == "chatters" or impedance < _WEIGHTLESS * meter_ohm:
        return VoltReading(unloaded / (1.0 + impedance / meter_ohm), unloaded, impedance)
    other = netlist.reference if minus is None else minus
    held = tuple(Force(d.name, bool(v)) for d, v in zip(netlist.devices, outcome.booleans, strict=True))
    changes = (*outcome.changes, *held, Shunt(plus, other, 1.0 / meter_ohm))
    loaded = settle(netlist, changes, second_start=False)
    volts_read = loaded.volts(plus) - loaded.volts(other)
    if abs(volts_read) > _VISIBLE_V:
        impedance = (unloaded / volts_read - 1.0) * meter_ohm
    return VoltReading(volts_read, unloaded, impedance)


def lamp(
    outcome: Outcome, plus: str, minus: str | None = None, lamp_ohm: float = LAMP_OHM
) -> LampReading:
    """A test lamp from ``plus`` to ``minus``; the circuit is settled again, it may switch things."""
    netlist = outcome.netlist
    other = netlist.reference if minus is None else minus
    lit = settle(
        netlist,
        (*outcome.changes, Shunt(plus, other, 1.0 / lamp_ohm)),
        start=outcome.booleans,
        second_start=False,
    )
    across = lit.volts(plus) - lit.volts(other)
    return LampReading(across, across / lamp_ohm, lit)


def amps(outcome: Outcome, branch: str) -> float:
    """A current clamp on a branch, switch or diode: A, positive from its first node to its second."""
    return outcome.amps(branch)


def ohms(
    netlist: Netlist, a: str, b: str, disconnected: Sequence[str] = (), changes: Sequence[Change] = ()
) -> OhmReading:
    """An ohmmeter between ``a`` (its positive lead) and ``b``, the machine's battery disconnected.

    ``disconnected`` names the branches to open (the battery's). Every other source is dead, every device
    rests as without power (normally closed contacts closed) except those held by ``changes``.
    """
    dead = unplugged(unpowered(netlist), disconnected)
    rest = start_values(
        compiled(dead), 1, table_of(dead, [tuple(changes)]).forced, everything_on=False
    )[0]
    held = tuple(Force(device.name, bool(value)) for device, value in zip(dead.devices, rest, strict=True))
    inner = OHMMETER_OPEN_V / OHMMETER_SHORT_A
    name = "ohmmeter"
    while name in dead.branch_index:
        name += "'"
    measured = replace(dead, branches=(*dead.branches, Branch(name, b, a, inner, OHMMETER_OPEN_V)))
    outcome = settle(measured, (*changes, *held), second_start=False)
    across, through = outcome.volts(a) - outcome.volts(b), outcome.amps(name)
    if through * OHMMETER_RANGE_OHM <= across:
        return OhmReading(math.inf, across, through)
    return OhmReading(across / through, across, through)


def unpowered(netlist: Netlist) -> Netlist:
    """The same circuit, every EMF zero and every sender silent; bus links keep their healthy response."""
    known = with_references(netlist)
    return replace(
        known,
        branches=tuple(replace(branch, emf_v=0.0) for branch in known.branches),
        effects=tuple(effect for effect in known.effects if not isinstance(effect, EmfStep)),
        senders=tuple(replace(sender, average_v=0.0) for sender in known.senders),
    )


def unplugged(netlist: Netlist, branches: Sequence[str]) -> Netlist:
    """The same circuit with some branches (the contacts of a connector) open. Names and positions stay.

    The bus links keep the healthy response they are compared with. Raises :class:`NetlistError` for a name
    that is not a branch.
    """
    apart = set(branches)
    missing = apart - {branch.name for branch in netlist.branches}
    if missing:
        raise NetlistError(f"There is no branch {', '.join(sorted(missing))} to take apart.")
    known = with_references(netlist)
    return replace(
        known,
        branches=tuple(
            replace(branch, resistance_ohm=math.inf) if branch.name in apart else branch
            for branch in known.branches
        ),
    )


def with_references(netlist: Netlist) -> Netlist:
    """The same circuit with the healthy response of every bus link written down."""
    if not any(isinstance(d, BusLink) and d.reference_response is None for d in netlist.devices):
        return netlist
    response = iter(compiled(netlist).link_reference)
    devices = tuple(
        replace(device, reference_response=float(next(response))) if isinstance(device, BusLink) else device
        for device in netlist.devices
    )
    return replace(netlist, devices=devices)


def _pair(netlist: Netlist, plus: str, minus: str | None) -> tuple[int, int]:
    index = netlist.node_index
    return index[plus], index[netlist.reference if minus is None else minus]
