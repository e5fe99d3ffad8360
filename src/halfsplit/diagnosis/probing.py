"""Where a test lamp may be held and where a clamp goes around, by the wiring alone.

A lamp never goes on a module's inputs, outputs, references or bus, nor on sensor lines: it draws a quarter to
half an ampere through electronics that are not made for it (trade_practice.md part 4).
"""

from __future__ import annotations

from collections.abc import Iterator

from halfsplit.machine.model import Endpoint, Machine

#: Parts whose terminals a lamp may be held to.
LAMP_KINDS = (
    "fuse", "breaker", "battery", "stud", "switch", "relay", "lamp", "led", "motor", "solenoid", "buzzer", "heater",
    "alternator",
)  # fmt: skip
SENSOR_KINDS = ("sender", "sensor3", "contact_sensor", "terminator")


def electronic(machine: Machine) -> frozenset[str]:
    """Every "owner.pin" joined by wires, plugs and splices to a module's signals or to a sensor."""
    joined: dict[str, list[str]] = {}
    for one, other in _copper(machine):
        joined.setdefault(one, []).append(other)
        joined.setdefault(other, []).append(one)
    queue = list(_signals(machine))
    seen = set(queue)
    while queue:
        for other in joined.get(queue.pop(), ()):
            if other not in seen:
                seen.add(other)
                queue.append(other)
    return frozenset(seen)


def _copper(machine: Machine) -> Iterator[tuple[str, str]]:
    def name(end: Endpoint) -> str:
        part = machine.parts.get(end.owner)
        return end.owner if part is not None and part.kind == "splice" else f"{end.owner}.{end.pin}"

    for wire in machine.wires.values():
        kinds = [machine.parts[end.owner].kind for end in (wire.a, wire.b) if end.owner in machine.parts]
        if "stud" not in kinds:
            yield name(wire.a), name(wire.b)
    for part in machine.parts.values():
        for pin, (connector, cavity) in part.plugs.items():
            yield f"{part.id}.{pin}", f"{connector}.{cavity}"


def _signals(machine: Machine) -> Iterator[str]:
    for part in machine.parts.values():
        if part.controller is not None:
            pins = [*part.controller.inputs, *part.controller.outputs, *part.controller.references]
            pins += [pin for member in part.controller.buses for pin in (member.high, member.low)]
            yield from (f"{part.id}.{pin}" for pin in pins)
        elif part.kind in SENSOR_KINDS:
            pins = [end.pin for wire in machine.wires.values() for end in (wire.a, wire.b) if end.owner == part.id]
            yield from (f"{part.id}.{pin}" for pin in (*pins, *part.plugs))
