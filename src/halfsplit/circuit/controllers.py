"""How a controller looks to the circuit: feed, inputs with their pulls, outputs, references, bus, messages.

A controller's line drivers are drawn as what a meter sees of a busy bus: the pair sits at 2.5 V and is
pulled apart on average. The average of 0.6 V behind 100 ohm gives two nodes on 60 ohm about 2.73 V and
2.27 V, inside the window of electrical_limits.csv can-avg-h-lo to can-avg-l-hi (published); the two numbers
themselves are invented to fit it. Each drives one line against the other and holds the pair to its own ground
only behind a resistance that both lines share: what it puts on one line comes back by the other, since the
others let go of the bus while they are quiet. With one line of its stub open next to nothing comes back.
"""

from __future__ import annotations

import math

from halfsplit.circuit.netlist import Expression, NetlistBuilder
from halfsplit.machine.conditions import parse
from halfsplit.machine.model import Controller, Machine, Part

FEED_OHM = 1e-3  # inside the module, pin to board; from memory
DRIVER_OHM = 100.0  # invented, see above
DRIVER_AVERAGE_V = 0.6  # invented, see above
#: Invented to fit: a line shorted to ground still pulls the idle pair apart by more than can-rx-rec, so that the bus is
#: down, and a sender with one line open drives under a quarter of what it should, where can-rx-dom needs 0.45.
COMMON_OHM = 100.0
BUS_IDLE_V = 2.5  # electrical_limits.csv can-rec (published)
SILENT_OHM = (
    12_500.0  # half of a node's 25 kohm each; electrical_limits.csv can-node-rdiff is at least 20 kohm
)
REFERENCE_OFF_OHM = 10_000.0  # a regulator without supply; from memory
RESTART_MARGIN = 0.05  # a module that stopped starts again 5 % higher; from memory
RANGE_HYSTERESIS = 0.01  # of the limit; from memory


def add_controller(machine: Machine, part: Part, builder: NetlistBuilder) -> None:
    """Adds ``part``, a controller, with all its devices."""
    controller = part.controller
    if controller is None:
        return
    name = part.id
    supply = controller.supply
    ground, inside, alive = f"{name}.{supply.ground}", f"{name}#", f"alive:{name}"
    builder.branch(f"feed:{name}", f"{name}.{supply.pin}", inside, FEED_OHM)
    builder.branch(f"draw:{name}", inside, ground, part.number("standby_ohm"))
    builder.threshold(
        alive, inside, ground,
        pull_in_v=supply.stops_below_v * (1 + RESTART_MARGIN), drop_out_v=supply.stops_below_v,
    )  # fmt: skip
    builder.resistance_step(alive, f"draw:{name}", machine.system_v / max(supply.current_a, 1e-4))
    for pin, reference in controller.references.items():
        builder.branch(f"ref:{name}.{pin}", ground, f"{name}.{pin}", REFERENCE_OFF_OHM)
        builder.resistance_step(alive, f"ref:{name}.{pin}", reference.resistance_ohm)
        builder.emf_step(alive, f"ref:{name}.{pin}", reference.volts)
    _inputs(name, controller, builder)
    _outputs(machine, name, controller, builder)
    _bus(name, controller, builder)
    _messages(machine, name, controller, builder)


def _inputs(name: str, controller: Controller, builder: NetlistBuilder) -> None:
    ground = f"{name}.{controller.supply.ground}"
    for pin, port in controller.inputs.items():
        node = f"{name}.{pin}"
        if port.pull == "down":
            builder.branch(f"pull:{name}.{pin}", node, ground, port.pull_ohm)
        elif port.pull == "up" and port.pull_to_v > 0:
            builder.branch(f"pull:{name}.{pin}", ground, node, port.pull_ohm)
            builder.emf_step(f"alive:{name}", f"pull:{name}.{pin}", port.pull_to_v)
        elif port.pull == "up":
            builder.branch(f"pull:{name}.{pin}", f"{name}#", node, port.pull_ohm)
        else:
            builder.node(node)
        builder.threshold(
            f"in:{name}.{pin}", node, ground, pull_in_v=port.high_above_v, drop_out_v=port.low_below_v
        )
        if port.range_high_v is not None:
            builder.threshold(
                f"above:{name}.{pin}", node, ground,
                pull_in_v=port.range_high_v, drop_out_v=port.range_high_v * (1 - RANGE_HYSTERESIS),
            )  # fmt: skip
        if port.range_low_v is not None:
            builder.threshold(
                f"within:{name}.{pin}", node, ground,
                pull_in_v=port.range_low_v, drop_out_v=port.range_low_v * (1 - RANGE_HYSTERESIS),
            )  # fmt: skip
            builder.logic(
                f"below:{name}.{pin}",
                ("and", ("var", f"alive:{name}"), ("not", ("var", f"within:{name}.{pin}"))),
            )


def _outputs(machine: Machine, name: str, controller: Controller, builder: NetlistBuilder) -> None:
    ground = f"{name}.{controller.supply.ground}"
    for pin, output in controller.outputs.items():
        switch, trip, on = f"out:{name}.{pin}", f"trip:{name}.{pin}", f"on:{name}.{pin}"
        ends = (f"{name}#", f"{name}.{pin}") if output.side == "high" else (f"{name}.{pin}", ground)
        builder.switch(switch, *ends, output.on_resistance_ohm)
        builder.over_current(trip, switch, output.limit_a)
        wanted = device_expression(machine, name, parse(output.when))
        builder.logic(f"wanted:{name}.{pin}", ("and", ("var", f"alive:{name}"), wanted))
        builder.logic(on, ("and", ("var", f"wanted:{name}.{pin}"), ("not", ("var", trip))))
        builder.closes(on, switch)


def _bus(name: str, controller: Controller, builder: NetlistBuilder) -> None:
    ground, alive = f"{name}.{controller.supply.ground}", f"alive:{name}"
    for member in controller.buses:
        lines = {"h": member.high, "l": member.low}
        middle, common = f"{name}.{member.bus}#", f"bus-c:{name}.{member.bus}"
        builder.branch(common, ground, middle, COMMON_OHM)
        builder.emf_step(alive, common, BUS_IDLE_V)
        for line, pin in lines.items():
            branch = f"bus-{line}:{name}.{member.bus}"
            builder.branch(branch, middle, f"{name}.{pin}", SILENT_OHM)
            builder.resistance_step(alive, branch, DRIVER_OHM)
        builder.sender(
            f"sender:{name}.{member.bus}", f"bus-h:{name}.{member.bus}", f"bus-l:{name}.{member.bus}",
            average_v=DRIVER_AVERAGE_V, active=alive,
        )  # fmt: skip
        # On its own pins it can be made out, terminators or none, as long as nothing holds the lines there.
        builder.bus_link(
            f"link:{name}<{name}.{member.bus}", f"sender:{name}.{member.bus}",
            f"{name}.{member.high}", f"{name}.{member.low}", ground, level_high=math.inf,
        )  # fmt: skip


def _messages(machine: Machine, name: str, controller: Controller, builder: NetlistBuilder) -> None:
    """Links to every partner on a shared bus, and a device for each message that one sends."""
    done = {name}
    for member in controller.buses:
        for other in machine.parts.values():
            partner = other.controller
            if partner is None or other.id in done:
                continue
            if not any(theirs.bus == member.bus for theirs in partner.buses):
                continue
            done.add(other.id)
            link = f"link:{name}<{other.id}.{member.bus}"
            builder.bus_link(
                link, f"sender:{other.id}.{member.bus}",
                f"{name}.{member.high}", f"{name}.{member.low}", f"{name}.{controller.supply.ground}",
            )  # fmt: skip
            heard: Expression = (
                "and", ("var", link), ("var", f"alive:{name}"), ("var", f"alive:{other.id}"),
            )  # fmt: skip
            builder.logic(f"heard:{name}.{other.id}", heard)
            for message, condition in partner.sends.items():
                wanted = device_expression(machine, other.id, parse(condition))
                builder.logic(f"msg:{name}.{message}", ("and", ("var", f"heard:{name}.{other.id}"), wanted))


def device_expression(machine: Machine, name: str, expression: Expression) -> Expression:
    """A condition of controller ``name`` with its names turned into device names.

    ``open.OUT`` is left out of circuits (a controller reports it, nothing switches on it); it counts as false.
    """
    if expression[0] == "var":
        return ("var", device_name(name, str(expression[1]))) if _switches(expression[1]) else ("false",)
    return (expression[0], *(device_expression(machine, name, item) for item in expression[1:]))


def _switches(word: str) -> bool:
    return not str(word).startswith("open.")


def device_name(name: str, word: str) -> str:
    """The device that stands for ``word`` in a condition of controller ``name``."""
    if word == "alive":
        return f"alive:{name}"
    kind, _, rest = word.partition(".")
    return f"{kind}:{name}.{rest}"
