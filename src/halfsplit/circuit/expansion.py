"""From a machine and a state to a netlist: how each kind of part looks to the circuit.

Names are made once here and used everywhere else:

=====================  ==============================================================================
``X12.3``              harness side of a cavity; ``X5.3:p`` and ``X5.3:s`` the halves of an inline one
``K1.30``              a part's pin; ``BAT.+post`` the battery's post under its clamp ``BAT.+``
``W7@K1.30``           the wire's end in the terminal on a bare pin
``body:frame``         a metal body
``contact:X12.3``      the contact in a cavity; ``wire:W7``, ``terminal:W7@K1.30``, ``joint:W7@SP1``
``alive:ECU1``         a device: ``in:``, ``on:``, ``trip:``, ``msg:``, ``heard:``, ``pulled:``, ``blown:``
=====================  ==============================================================================

0 V is the negative post of the battery that stands nearest to the frame.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from halfsplit.circuit.controllers import add_controller
from halfsplit.circuit.netlist import Netlist, NetlistBuilder
from halfsplit.machine import points
from halfsplit.machine.model import Connector, Endpoint, Machine, Part, State, Wire
from halfsplit.quantities import wire_resistance_ohm_per_m

#: A good ring, blade or crimp terminal; from memory (below connector contacts in electrical_limits.csv).
TERMINAL_OHM = 1e-3
#: A blade or cartridge fuse opens within ten minutes at this share of its rating: electrical_limits.csv
#: fuse-cf-135-hi (from memory).
FUSE_OPENS_AT = 1.35
#: kT/q at 27 C in V.
THERMAL_V = 0.025865
#: Voltage of one light-emitting junction, for the number in a string; from memory.
LED_JUNCTION_V = 1.8

#: Share of a relay coil's resistance drawn before the winding; invented, see where it is used.
LEAD_SHARE = 1e-3

LOAD_PINS: Mapping[str, tuple[str, str]] = {
    "lamp": ("+", "-"),
    "led": ("+", "-"),
    "motor": ("+", "-"),
    "solenoid": ("1", "2"),
    "buzzer": ("+", "-"),
    "heater": ("1", "2"),
}


@dataclass(frozen=True, slots=True)
class PartPlace:
    """A place inside a part: the branches an added resistance joins, the nodes a bypass joins, own ohms."""

    label: str
    names: tuple[str, ...]
    a: str
    b: str
    ohm: float = 0.0


def point_of(connector: Connector, cavity: str) -> str:
    """The node a back-probe on ``cavity`` touches (the pin half of an inline connector)."""
    return f"{connector.id}.{cavity}:p" if connector.inline else f"{connector.id}.{cavity}"


#: The machine asked about last, whose states are expanded one after the other, and what is the same in all of them.
_last: list[tuple[Machine, Mapping[str, frozenset[str]], NetlistBuilder]] = []


def _fixed(machine: Machine) -> tuple[Mapping[str, frozenset[str]], NetlistBuilder]:
    """The pins and cavities of each part and connector that a wire ends in, and contacts, wires and bodies built."""
    for last, wired, builder in _last:
        if last is machine:
            return wired, builder
    found: dict[str, set[str]] = {}
    for wire in machine.wires.values():
        for end in (wire.a, wire.b):
            found.setdefault(end.owner, set()).add(end.pin)
    wired = {owner: frozenset(pins) for owner, pins in found.items()}
    mated: dict[str, dict[str, str]] = {}
    for part in machine.parts.values():
        for pin, (plugged, cavity) in part.plugs.items():
            mated.setdefault(plugged, {})[cavity] = f"{part.id}.{pin}"
    builder = NetlistBuilder(reference=reference_node(machine))
    for connector in machine.connectors.values():
        cavities = _used(connector, wired)
        _contacts(connector, cavities, mated.get(connector.id, {}), builder)
    for wire in machine.wires.values():
        _wire(machine, wire, builder)
    for body in machine.bodies:
        builder.node(f"body:{body}")
    _last[:] = [(machine, wired, builder)]
    return wired, builder


def _used(connector: Connector, wired: Mapping[str, frozenset[str]]) -> tuple[str, ...]:
    here = wired.get(connector.id, frozenset())
    return tuple(cavity for cavity in connector.cavities if cavity in here)


def used_cavities(machine: Machine, connector: Connector) -> tuple[str, ...]:
    """The cavities of ``connector`` that a wire ends in, in grid order."""
    return _used(connector, _fixed(machine)[0])


def end_node(machine: Machine, wire: Wire, end: Endpoint) -> str:
    """The node at one end of the wire itself (inside its terminal when the pin is bare)."""
    return str(end) if end.owner in machine.connectors else f"{wire.id}@{end}"


def wire_ends(machine: Machine, wire: Wire) -> tuple[str, str]:
    """The nodes at both ends of the wire itself."""
    return end_node(machine, wire, wire.a), end_node(machine, wire, wire.b)


def reference_battery(machine: Machine) -> Part:
    """The battery whose negative post is 0 V: the first one whose minus does not go to another's plus."""
    batteries = [part for part in machine.parts.values() if part.kind == "battery"]
    stacked = set()
    for wire in machine.wires.values():
        for one, other in ((wire.a, wire.b), (wire.b, wire.a)):
            owners = machine.parts.get(one.owner), machine.parts.get(other.owner)
            if all(part is not None and part.kind == "battery" for part in owners) and one.pin == "-":
                stacked.add(one.owner)
    return next(part for part in batteries if part.id not in stacked)


def reference_node(machine: Machine) -> str:
    """The node that is 0 V."""
    return f"{reference_battery(machine).id}.-post"


def expand(machine: Machine, state: State) -> Netlist:
    """The circuit of ``machine`` set as ``state`` says, healthy."""
    builder = _fixed(machine)[1].copy()
    for part in machine.parts.values():
        _part(machine, part, state, builder)
    return builder.build()


def _contacts(
    connector: Connector, cavities: tuple[str, ...], mated: Mapping[str, str], builder: NetlistBuilder
) -> None:
    for cavity in cavities:
        near = point_of(connector, cavity)
        far = f"{connector.id}.{cavity}:s" if connector.inline else mated.get(cavity)
        if far is None:
            builder.node(near)
        else:
            builder.branch(
                f"contact:{connector.id}.{cavity}", near, far, connector.family.contact_resistance_ohm
            )


def _wire(machine: Machine, wire: Wire, builder: NetlistBuilder) -> None:
    a, b = wire_ends(machine, wire)
    builder.branch(f"wire:{wire.id}", a, b, wire_resistance_ohm_per_m(wire.area_m2) * wire.length_m)
    for end in (wire.a, wire.b):
        part = machine.parts.get(end.owner)
        if part is None:
            continue
        if part.kind == "splice":
            builder.branch(f"joint:{wire.id}@{end}", f"{wire.id}@{end}", part.id, part.number("joint_ohm"))
        elif part.kind == "stud":
            builder.branch(f"terminal:{wire.id}@{end}", f"{wire.id}@{end}", part.id, TERMINAL_OHM)
        else:
            builder.branch(f"terminal:{wire.id}@{end}", f"{wire.id}@{end}", str(end), TERMINAL_OHM)


def switch_contacts(part: Part) -> tuple[tuple[str, str, frozenset[str]], ...]:
    """The contacts of a switch as (pin, pin, positions in which it is closed)."""
    return tuple((one.a, one.b, frozenset(one.positions)) for one in points.switch_contacts(part.text("contacts")))


def _number(state: State, part: Part, attribute: str) -> float:
    value = state.settings.get(part.id)
    return float(value) if isinstance(value, int | float) else part.number(attribute)


def _part(  # noqa: C901, PLR0912 - one case for each kind of part, none of them nested
    machine: Machine, part: Part, state: State, builder: NetlistBuilder
) -> None:
    name, setting = part.id, state.settings.get(part.id)
    match part.kind:
        case "battery":
            builder.branch(
                f"cell:{name}", f"{name}.-post", f"{name}.+post",
                part.number("internal_resistance_ohm"), part.number("voltage_v"),
            )  # fmt: skip
            for pole in "+-":
                builder.branch(
                    f"post:{name}.{pole}", f"{name}.{pole}post", f"{name}.{pole}",
                    part.number("post_resistance_ohm"),
                )  # fmt: skip
        case "alternator":
            builder.branch(
                f"cell:{name}", f"{name}.-", f"{name}#",
                part.number("internal_resistance_ohm"), part.number("voltage_v"),
            )  # fmt: skip
            builder.switch(f"output:{name}", f"{name}#", f"{name}.B+", 1e-3, closed=setting == "running")
        case "fuse" | "breaker":
            builder.switch(f"fuse:{name}", f"{name}.1", f"{name}.2", part.number("resistance_ohm"))
            builder.over_current(f"blown:{name}", f"fuse:{name}", FUSE_OPENS_AT * part.number("rating_a"))
            builder.closes(f"blown:{name}", f"fuse:{name}", when=False)
        case "switch":
            position = setting if isinstance(setting, str) else part.text("positions").split()[0]
            for one, other, positions in switch_contacts(part):
                builder.switch(
                    f"switch:{name}.{one}-{other}", f"{name}.{one}", f"{name}.{other}",
                    part.number("resistance_ohm"), closed=position in positions,
                )  # fmt: skip
        case "contact_sensor":
            position = setting if isinstance(setting, str) else part.text("normally")
            builder.switch(
                f"switch:{name}", f"{name}.1", f"{name}.2",
                part.number("resistance_ohm"), closed=position == "closed",
            )  # fmt: skip
        case "relay":
            _relay(machine, part, builder)
        case "led":
            _led(machine, part, builder)
        case "lamp" | "motor" | "solenoid" | "buzzer" | "heater":
            plus, minus = LOAD_PINS[part.kind]
            builder.branch(f"load:{name}", f"{name}.{plus}", f"{name}.{minus}", load_ohm(machine, part))
        case "sender":
            builder.branch(f"load:{name}", f"{name}.1", f"{name}.2", _number(state, part, "resistance_ohm"))
        case "sensor3":
            share, track = _number(state, part, "share"), part.number("track_ohm")
            builder.branch(f"top:{name}", f"{name}.feed", f"{name}#", track * (1 - share))
            builder.branch(f"bottom:{name}", f"{name}#", f"{name}.gnd", track * share)
            builder.branch(f"signal:{name}", f"{name}#", f"{name}.sig", part.number("output_ohm"))
        case "controller":
            add_controller(machine, part, builder)
        case "stud":
            builder.branch(f"stud:{name}", name, f"body:{part.text('body')}", part.number("resistance_ohm"))
        case "splice":
            builder.node(name)
        case "diode":
            _junction(builder, f"diode:{name}", f"{name}.A", f"{name}.K", part.number("forward_v"), 1.0, 1.5)
        case "resistor" | "terminator":
            one, other = ("1", "2") if part.kind == "resistor" else ("H", "L")
            builder.branch(f"load:{name}", f"{name}.{one}", f"{name}.{other}", part.number("resistance_ohm"))


def load_ohm(machine: Machine, part: Part) -> float:
    """Resistance in ohm of a load at rated voltage, from its power or its current."""
    if "power_w" in part.values:
        return machine.system_v**2 / part.number("power_w")
    return machine.system_v / part.number("current_a")


def _junction(
    builder: NetlistBuilder,
    name: str,
    anode: str,
    cathode: str,
    volts: float,
    at_a: float,
    emission: float,
    series_ohm: float = 0.02,
) -> None:
    """A junction that drops ``volts`` at ``at_a``, behind a small bulk resistance."""
    saturation = at_a * math.exp(-volts / (emission * THERMAL_V))
    builder.diode(name, anode, cathode, saturation_a=saturation, emission=emission, series_ohm=series_ohm)


def _led(machine: Machine, part: Part, builder: NetlistBuilder) -> None:
    threshold = part.number("threshold_v")
    string = max(1, round(threshold / LED_JUNCTION_V))
    emission = 2.0 * string
    current = part.number("power_w") / machine.system_v
    drop = threshold + emission * THERMAL_V * math.log(max(current, 1e-3) / 1e-3)
    series = max((machine.system_v - drop) / current, 1.0)
    builder.branch(f"load:{part.id}", f"{part.id}.+", f"{part.id}#", series)
    _junction(builder, f"junction:{part.id}", f"{part.id}#", f"{part.id}.-", threshold, 1e-3, emission, 0.1)


def _relay(machine: Machine, part: Part, builder: NetlistBuilder) -> None:
    name = part.id
    # The armature feels the winding, which an open coil leaves without current: the lead into it is a place of
    # its own, a thousandth of the whole so that it does not move the pull-in voltage.
    coil = part.number("coil_ohm")
    builder.branch(f"coil:{name}", f"{name}.86", f"{name}#", LEAD_SHARE * coil)
    builder.branch(f"winding:{name}", f"{name}#", f"{name}.85", (1.0 - LEAD_SHARE) * coil)
    suppression = part.text("suppression")
    if suppression == "resistor":
        builder.branch(f"quench:{name}", f"{name}.86", f"{name}.85", part.number("suppression_ohm"))
    elif suppression == "diode":
        _junction(builder, f"quench:{name}", f"{name}.85", f"{name}.86", 0.7, 1.0, 1.5)
    builder.threshold(
        f"pulled:{name}", f"{name}#", f"{name}.85",
        pull_in_v=part.number("pull_in_v"), drop_out_v=part.number("drop_out_v"), absolute=True,
    )  # fmt: skip
    for pin in relay_contacts(machine, part):
        builder.switch(f"relay:{name}.{pin}", f"{name}.30", f"{name}.{pin}", part.number("contact_ohm"))
        builder.closes(f"pulled:{name}", f"relay:{name}.{pin}", when=pin == "87")


def relay_contacts(machine: Machine, part: Part) -> tuple[str, ...]:
    """Which of 87 and 87a are wired."""
    wired = _fixed(machine)[0].get(part.id, frozenset())
    return tuple(pin for pin in ("87", "87a") if pin in wired or pin in part.plugs)


def part_places(  # noqa: C901 - one case for each kind of place
    machine: Machine, part: Part, kind: str
) -> tuple[PartPlace, ...]:
    """The places of one catalogue kind ("load", "relay-contact", "module-output" ...) inside ``part``."""
    name = part.id
    match kind:
        case "post":
            return tuple(
                PartPlace(pole, (f"post:{name}.{pole}",), f"{name}.{pole}post", f"{name}.{pole}")
                for pole in "+-"
            )
        case "battery":
            return (PartPlace("", (f"cell:{name}",), f"{name}.-post", f"{name}.+post"),)
        case "alternator":
            return (PartPlace("", (f"output:{name}",), f"{name}.-", f"{name}.B+"),)
        case "fuse" | "breaker":
            return (PartPlace("", (f"fuse:{name}",), f"{name}.1", f"{name}.2"),)
        case "switch":
            return tuple(
                PartPlace(
                    f"{one}-{other}", (f"switch:{name}.{one}-{other}",), f"{name}.{one}", f"{name}.{other}"
                )
                for one, other, _ in switch_contacts(part)
            )
        case "contact_sensor":
            return (PartPlace("", (f"switch:{name}",), f"{name}.1", f"{name}.2"),)
        case "relay-coil":
            return (
                PartPlace("coil", (f"coil:{name}",), f"{name}.86", f"{name}.85", part.number("coil_ohm")),
            )
        case "relay-contact":
            return tuple(
                PartPlace(pin, (f"relay:{name}.{pin}",), f"{name}.30", f"{name}.{pin}")
                for pin in relay_contacts(machine, part)
            )
        case "load":
            plus, minus = LOAD_PINS[part.kind]
            ohm = load_ohm(machine, part)
            return (PartPlace("", (f"load:{name}",), f"{name}.{plus}", f"{name}.{minus}", ohm),)
        case "sender":
            return (
                PartPlace("", (f"load:{name}",), f"{name}.1", f"{name}.2", part.number("resistance_ohm")),
            )
        case "sensor3":
            return (PartPlace("", (f"signal:{name}",), f"{name}#", f"{name}.gnd"),)
        case "stud":
            return (PartPlace("", (f"stud:{name}",), name, f"body:{part.text('body')}"),)
        case "diode":
            return (PartPlace("", (f"diode:{name}.bulk",), f"{name}.A", f"{name}.K"),)
        case "resistor":
            one, other = ("1", "2") if part.kind == "resistor" else ("H", "L")
            ohm = part.number("resistance_ohm")
            return (PartPlace("", (f"load:{name}",), f"{name}.{one}", f"{name}.{other}", ohm),)
        case _:
            return _module_places(part, kind)


def _module_places(part: Part, kind: str) -> tuple[PartPlace, ...]:
    controller, name = part.controller, part.id
    if controller is None:
        return ()
    ground = f"{name}.{controller.supply.ground}"
    match kind:
        case "module-feed":
            return (PartPlace("", (f"feed:{name}",), f"{name}.{controller.supply.pin}", ground),)
        case "module-output":
            return tuple(
                PartPlace(
                    pin, (f"out:{name}.{pin}",),
                    *((f"{name}#", f"{name}.{pin}") if output.side == "high" else (f"{name}.{pin}", ground)),
                )
                for pin, output in controller.outputs.items()
            )  # fmt: skip
        case "module-bus":
            return tuple(
                PartPlace(
                    member.bus, (f"bus-h:{name}.{member.bus}", f"bus-l:{name}.{member.bus}"),
                    f"{name}.{member.high}", f"{name}.{member.low}",
                )
                for member in controller.buses
            )  # fmt: skip
        case _:
            return ()
