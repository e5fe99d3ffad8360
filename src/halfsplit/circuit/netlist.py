"""The circuit as data: nodes, branches, switches, diodes and the devices that switch them.

A :class:`Netlist` is a frozen description in SI units. It knows nothing of machines. Make one with
:class:`NetlistBuilder`, which adds nodes as they are mentioned and gives every mistake a plain sentence.

Conventions, stated once:

* ``reference`` is 0 V (the battery's negative post). Every other node leaks ``leak_siemens`` to it, so a part
  that floats still has a defined voltage (1e-9 S is 1 Gohm: a guess at clean, dry insulation, small beside a
  10 Mohm meter; common practice in circuit simulation, no source).
* A branch obeys ``v_a - v_b + emf_v = resistance_ohm * i``; ``i`` is positive from ``a`` to ``b`` through it.
* A switch is a branch of ``on_resistance_ohm`` while it conducts, and carries no current otherwise.
* A diode obeys ``i = saturation_a * (exp(v / (emission * kT/q)) - 1)``, ``v`` from anode to cathode.
* A device is a named true/false value. Effects say what a device does to the circuit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from halfsplit.errors import InternalError

Expression = tuple[Any, ...]
"""``("var", name)``, ``("not", e)``, ``("and", e, ...)``, ``("or", e, ...)`` or a constant ``("true",)``"""


class NetlistError(InternalError):
    """A netlist that contradicts itself: our mistake, since users never write netlists by hand."""


@dataclass(frozen=True, slots=True)
class Branch:
    """A resistance with an optional EMF in series: ``v_a - v_b + emf_v = resistance_ohm * i``."""

    name: str
    a: str
    b: str
    resistance_ohm: float
    emf_v: float = 0.0


@dataclass(frozen=True, slots=True)
class Switch:
    """A contact that a device opens and closes; without a :class:`Closes` effect it stays as ``closed``."""

    name: str
    a: str
    b: str
    on_resistance_ohm: float
    closed: bool = False


@dataclass(frozen=True, slots=True)
class Diode:
    """An exponential junction. Its bulk resistance, if any, is a branch of its own."""

    name: str
    anode: str
    cathode: str
    saturation_a: float
    emission: float
    temperature_c: float = 27.0


@dataclass(frozen=True, slots=True)
class Threshold:
    """True once ``v_plus - v_minus`` reaches ``pull_in_v``, false again at or below ``drop_out_v``.

    With ``absolute`` the size of the voltage counts, whatever its sign (a relay coil without polarity).
    """

    name: str
    plus_node: str
    minus_node: str
    pull_in_v: float
    drop_out_v: float
    absolute: bool = False


@dataclass(frozen=True, slots=True)
class OverCurrent:
    """True once the current of ``branch`` (branch or switch) passes ``limit_a``; stays true (fuse)."""

    name: str
    branch: str
    limit_a: float


@dataclass(frozen=True, slots=True)
class Logic:
    """A true/false function of other devices, worked out at once (no delay of its own)."""

    name: str
    expression: Expression


@dataclass(frozen=True, slots=True)
class BusSender:
    """A transceiver that drives a two-wire bus through two branches.

    While ``active`` (a device name; ``None`` means always) it adds on average ``+average_v`` to the EMF of
    ``high_branch`` and ``-average_v`` to that of ``low_branch``: what a meter sees of a bus that is busy.
    """

    name: str
    high_branch: str
    low_branch: str
    average_v: float = 0.0
    active: str | None = None


@dataclass(frozen=True, slots=True)
class BusLink:
    """True while the receiver can make out what the sender sends.

    A step of +1 V on the sender's high branch and -1 V on its low branch moves ``v_high - v_low`` at the
    receiver by the response; the response over ``reference_response`` is the relative signal level. The link
    holds when the level is within ``level_low..level_high``, the idle offset (``v_high - v_low`` less what
    the senders' averages add) is below ``idle_limit_v`` and the mean of the two nodes above ``ground_node``
    is within ``common_low_v..common_high_v``. Whether sender and receiver are alive is for a :class:`Logic`
    to add.

    Sources: ISO 11898-2 receivers read dominant from 0.9 V of a nominal 2.0 V (level 0.45) and recessive up
    to 0.5 V, and work from -2 V to +7 V common mode; the upper level 2.2 (both terminators lost) is from
    memory.

    ``reference_response`` in volts per volt; ``None`` means: that of the netlist as drawn, with every
    sender active and nothing else switched on.
    """

    name: str
    sender: str
    high_node: str
    low_node: str
    ground_node: str
    reference_response: float | None = None
    level_low: float = 0.45
    level_high: float = 2.2
    idle_limit_v: float = 0.5
    common_low_v: float = -2.0
    common_high_v: float = 7.0


Device = Threshold | OverCurrent | Logic | BusLink


@dataclass(frozen=True, slots=True)
class Closes:
    """``switch`` conducts while ``device`` equals ``when`` (False: a normally closed contact, a fuse)."""

    device: str
    switch: str
    when: bool = True


@dataclass(frozen=True, slots=True)
class EmfStep:
    """While ``device`` is true, ``added_v`` is added to the EMF of ``branch``; several steps add up."""

    device: str
    branch: str
    added_v: float


@dataclass(frozen=True, slots=True)
class ResistanceStep:
    """While ``device`` is true, ``branch`` has ``true_ohm`` instead of its own resistance (inf: open)."""

    device: str
    branch: str
    true_ohm: float


Effect = Closes | EmfStep | ResistanceStep


@dataclass(frozen=True)
class Netlist:
    """A whole circuit. Names of branches and switches are one family; so are names of devices.

    Raises :class:`NetlistError` when a name is used twice or not known, or a value makes no sense.
    """

    nodes: tuple[str, ...]
    reference: str
    branches: tuple[Branch, ...] = ()
    switches: tuple[Switch, ...] = ()
    diodes: tuple[Diode, ...] = ()
    devices: tuple[Device, ...] = ()
    effects: tuple[Effect, ...] = ()
    senders: tuple[BusSender, ...] = ()
    leak_siemens: float = 1e-9

    def __post_init__(self) -> None:
        faults = list(_faults_of(self))
        if faults:
            raise NetlistError("; ".join(faults))

    @cached_property
    def node_index(self) -> Mapping[str, int]:
        """Position of each node in ``nodes``, and in every array of node voltages."""
        return {name: index for index, name in enumerate(self.nodes)}

    @cached_property
    def branch_index(self) -> Mapping[str, int]:
        """Position of each current: branches first, then switches, then diodes, each in its own order."""
        carriers: tuple[Branch | Switch | Diode, ...] = (*self.branches, *self.switches, *self.diodes)
        return {carrier.name: index for index, carrier in enumerate(carriers)}

    @cached_property
    def device_index(self) -> Mapping[str, int]:
        """Position of each device in ``devices``, and in every array of device values."""
        return {device.name: index for index, device in enumerate(self.devices)}

    @property
    def current_count(self) -> int:
        """How many currents there are: one per branch, switch and diode."""
        return len(self.branches) + len(self.switches) + len(self.diodes)


def variables_of(expression: Expression) -> tuple[str, ...]:
    """The device names an expression mentions, in order of appearance, repeats kept."""
    kind = expression[0]
    if kind == "var":
        return (str(expression[1]),)
    names: list[str] = []
    for part in expression[1:]:
        names.extend(variables_of(part))
    return tuple(names)


def _expression_faults(name: str, expression: Expression) -> Iterable[str]:
    if not expression or expression[0] not in {"var", "not", "and", "or", "true", "false"}:
        yield f"logic {name}: {expression!r} is not an expression"
        return
    kind, parts = expression[0], expression[1:]
    if kind == "var":
        if len(parts) != 1 or not isinstance(parts[0], str):
            yield f"logic {name}: ('var', name) needs one name, not {parts!r}"
        return
    if kind == "not" and len(parts) != 1:
        yield f"logic {name}: 'not' takes one part, not {len(parts)}"
    if kind in {"true", "false"} and parts:
        yield f"logic {name}: {kind!r} takes no parts"
    for part in parts:
        if not isinstance(part, tuple):
            yield f"logic {name}: {part!r} is not an expression"
        else:
            yield from _expression_faults(name, part)


def _repeats(kind: str, names: Iterable[str]) -> Iterable[str]:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            yield f"{kind} {name} is there twice"
        seen.add(name)


class _Names:
    """The names of a netlist, to look mentions of them up in."""

    def __init__(self, netlist: Netlist) -> None:
        self.node = set(netlist.nodes)
        self.branch = {branch.name for branch in netlist.branches}
        self.switch = {switch.name for switch in netlist.switches}
        self.device = {device.name for device in netlist.devices}
        self.sender = {sender.name for sender in netlist.senders}

    def check(self, what: str, kind: str, *names: str) -> Iterable[str]:
        """A sentence for each name that is not one of its kind."""
        family: set[str] = self.branch | self.switch if kind == "carrier" else getattr(self, kind)
        for name in names:
            if name not in family:
                yield f"{what} names {kind} {name}, which is not there"


def _faults_of(netlist: Netlist) -> Iterable[str]:
    names = _Names(netlist)
    carriers: tuple[Branch | Switch | Diode, ...] = (*netlist.branches, *netlist.switches, *netlist.diodes)
    yield from _repeats("node", netlist.nodes)
    yield from _repeats("branch", (carrier.name for carrier in carriers))
    yield from _repeats("device", (device.name for device in netlist.devices))
    yield from _repeats("sender", (sender.name for sender in netlist.senders))
    yield from names.check("the reference", "node", netlist.reference)
    if not (netlist.leak_siemens > 0 and math.isfinite(netlist.leak_siemens)):
        yield f"leak {netlist.leak_siemens} S is not above zero"
    for carrier in carriers:
        ends = (carrier.anode, carrier.cathode) if isinstance(carrier, Diode) else (carrier.a, carrier.b)
        if not names.node.issuperset(ends):
            yield from names.check(f"branch {carrier.name}", "node", *ends)
    for sender in netlist.senders:
        what = f"sender {sender.name}"
        yield from names.check(what, "branch", sender.high_branch, sender.low_branch)
        if sender.active is not None:
            yield from names.check(what, "device", sender.active)
    for device in netlist.devices:
        yield from _device_faults(device, names)
    for effect in netlist.effects:
        yield from _effect_faults(effect, names)
    yield from _repeats("an effect that closes", (e.switch for e in netlist.effects if isinstance(e, Closes)))
    steps = (e.branch for e in netlist.effects if isinstance(e, ResistanceStep))
    yield from _repeats("a resistance step of", steps)


def _device_faults(device: Device, names: _Names) -> Iterable[str]:
    what = f"device {device.name}"
    match device:
        case Threshold():
            yield from names.check(what, "node", device.plus_node, device.minus_node)
            if not device.drop_out_v <= device.pull_in_v:
                yield f"{what} drops out at {device.drop_out_v} V, above its pull-in {device.pull_in_v} V"
        case OverCurrent():
            yield from names.check(what, "carrier", device.branch)
            if not device.limit_a > 0:
                yield f"{what} has a limit of {device.limit_a} A"
        case Logic():
            mistakes = list(_expression_faults(device.name, device.expression))
            yield from mistakes
            if not mistakes:
                yield from names.check(what, "device", *variables_of(device.expression))
        case BusLink():
            yield from names.check(what, "sender", device.sender)
            yield from names.check(what, "node", device.high_node, device.low_node, device.ground_node)


def _effect_faults(effect: Effect, names: _Names) -> Iterable[str]:
    what = f"an effect of {effect.device}"
    yield from names.check(what, "device", effect.device)
    if isinstance(effect, Closes):
        yield from names.check(what, "switch", effect.switch)
        return
    yield from names.check(what, "branch", effect.branch)
    if isinstance(effect, ResistanceStep) and not effect.true_ohm > 0:
        yield f"the effect of {effect.device} on {effect.branch} is {effect.true_ohm} ohm"


@dataclass
class NetlistBuilder:
    """Collects a circuit piece by piece; every method gives back the name it added.

    ``node`` may be called as often as wanted for one name. ``build`` checks everything at once.
    """

    reference: str = "0"
    leak_siemens: float = 1e-9
    _nodes: dict[str, None] = field(default_factory=dict)
    _branches: list[Branch] = field(default_factory=list)
    _switches: list[Switch] = field(default_factory=list)
    _diodes: list[Diode] = field(default_factory=list)
    _devices: list[Device] = field(default_factory=list)
    _effects: list[Effect] = field(default_factory=list)
    _senders: list[BusSender] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.node(self.reference)

    def copy(self) -> NetlistBuilder:
        """Another one with what was collected so far."""
        return replace(
            self, _nodes=dict(self._nodes), _branches=list(self._branches), _switches=list(self._switches),
            _diodes=list(self._diodes), _devices=list(self._devices), _effects=list(self._effects),
            _senders=list(self._senders),
        )  # fmt: skip

    def node(self, name: str) -> str:
        """Makes sure the node is there."""
        self._nodes.setdefault(name)
        return name

    def branch(self, name: str, a: str, b: str, resistance_ohm: float, emf_v: float = 0.0) -> str:
        """Adds a resistance, or a source with its inner resistance, from ``a`` to ``b``."""
        self._branches.append(Branch(name, self.node(a), self.node(b), resistance_ohm, emf_v))
        return name

    def switch(self, name: str, a: str, b: str, on_resistance_ohm: float, *, closed: bool = False) -> str:
        """Adds a contact; ``closed`` counts only while no :meth:`closes` names it."""
        self._switches.append(Switch(name, self.node(a), self.node(b), on_resistance_ohm, closed))
        return name

    def diode(
        self,
        name: str,
        anode: str,
        cathode: str,
        *,
        saturation_a: float = 2.52e-9,
        emission: float = 1.752,
        series_ohm: float = 0.568,
        temperature_c: float = 27.0,
    ) -> str:
        """Adds a junction and, when ``series_ohm`` is not zero, the branch ``<name>.bulk`` before its anode.

        The defaults are the small-signal diode of the recorded simulator readings (tests/data/ngspice-dc).
        """
        if series_ohm > 0:
            self.branch(f"{name}.bulk", anode, f"{name}.junction", series_ohm)
            anode = f"{name}.junction"
        self._diodes.append(
            Diode(name, self.node(anode), self.node(cathode), saturation_a, emission, temperature_c)
        )
        return name

    def threshold(
        self,
        name: str,
        plus_node: str,
        minus_node: str,
        *,
        pull_in_v: float,
        drop_out_v: float,
        absolute: bool = False,
    ) -> str:
        """Adds a :class:`Threshold`."""
        plus, minus = self.node(plus_node), self.node(minus_node)
        self._devices.append(Threshold(name, plus, minus, pull_in_v, drop_out_v, absolute))
        return name

    def over_current(self, name: str, branch: str, limit_a: float) -> str:
        """Adds an :class:`OverCurrent`."""
        self._devices.append(OverCurrent(name, branch, limit_a))
        return name

    def logic(self, name: str, expression: Expression) -> str:
        """Adds a :class:`Logic`."""
        self._devices.append(Logic(name, expression))
        return name

    def sender(
        self,
        name: str,
        high_branch: str,
        low_branch: str,
        *,
        average_v: float = 0.0,
        active: str | None = None,
    ) -> str:
        """Adds a :class:`BusSender`."""
        self._senders.append(BusSender(name, high_branch, low_branch, average_v, active))
        return name

    def bus_link(
        self, name: str, sender: str, high_node: str, low_node: str, ground_node: str, *,
        level_high: float | None = None,
    ) -> str:  # fmt: skip
        """Adds a :class:`BusLink` with the limits of the standard, or another upper level."""
        high, low, ground = self.node(high_node), self.node(low_node), self.node(ground_node)
        link = BusLink(name, sender, high, low, ground)
        self._devices.append(link if level_high is None else replace(link, level_high=level_high))
        return name

    def closes(self, device: str, switch: str, *, when: bool = True) -> None:
        """``switch`` conducts while ``device`` equals ``when``."""
        self._effects.append(Closes(device, switch, when))

    def emf_step(self, device: str, branch: str, added_v: float) -> None:
        """Adds ``added_v`` to the EMF of ``branch`` while ``device`` is true."""
        self._effects.append(EmfStep(device, branch, added_v))

    def resistance_step(self, device: str, branch: str, true_ohm: float) -> None:
        """Gives ``branch`` the resistance ``true_ohm`` while ``device`` is true (inf: open)."""
        self._effects.append(ResistanceStep(device, branch, true_ohm))

    def build(self) -> Netlist:
        """The finished netlist; raises :class:`NetlistError` with everything that is wrong with it."""
        return Netlist(
            nodes=tuple(self._nodes),
            reference=self.reference,
            branches=tuple(self._branches),
            switches=tuple(self._switches),
            diodes=tuple(self._diodes),
            devices=tuple(self._devices),
            effects=tuple(self._effects),
            senders=tuple(self._senders),
            leak_siemens=self.leak_siemens,
        )


def with_devices(netlist: Netlist, devices: Iterable[Device]) -> Netlist:
    """The same circuit with other devices of the same names and order."""
    return replace(netlist, devices=tuple(devices))
