"""Second round, second half: wires end on points, cavities hold one thing, what must be fed is wired."""

from __future__ import annotations

from halfsplit.machine.fields import Report, near
from halfsplit.machine.kinds import kinds
from halfsplit.machine.model import Connector, Endpoint, Machine, Part, Place, Wire
from halfsplit.machine.points import ONE_POINT, pin_behind, pins_of, wires_at

#: Pins of these kinds that may stay unwired; everything else of a kind's fixed pins must be wired.
OPTIONAL_PINS = {"relay": ("87", "87a")}


def check_wiring(machine: Machine, report: Report) -> None:
    """Note every wire end that is no point, every cavity used twice, and every needed pin without a wire."""
    _plugs(machine, report)
    for wire in machine.wires.values():
        sound = [_end(machine, report, wire, end) for end in (wire.a, wire.b)]
        if all(sound) and wire.a == wire.b:
            report.add(
                "wire-to-itself",
                wire.place,
                f"wire {wire.id} goes from {wire.a} to {wire.b}, the same point.",
            )
    if report.problems:
        return
    _cavities_once(machine, report)
    _nowhere(machine, report)
    _needed_pins(machine, report)


def _plugs(machine: Machine, report: Report) -> None:
    holder: dict[tuple[str, str], str] = {}
    for part in machine.parts.values():
        for pin, (connector_id, cavity) in part.plugs.items():
            place = report.places.get(("plug", part.id, pin), part.place)
            connector = machine.connectors[connector_id]
            point = f"{connector_id}.{cavity}"
            if connector.inline:
                said = f"part {part.id} plugs into {connector_id}, which is inline (harness to harness)."
                report.add("inline-with-part", place, said, key="plugs")
            elif cavity not in connector.cavities:
                _no_cavity(report, connector, cavity, f"part {part.id}, pin {pin}", place)
            elif (connector_id, cavity) in holder:
                said = f"{point} would hold pins of {holder[connector_id, cavity]} and of {part.id}."
                report.add("cavity-two-pins", place, said, key="plugs")
            else:
                holder[connector_id, cavity] = part.id


def _no_cavity(report: Report, connector: Connector, cavity: str, what: str, place: Place | None) -> None:
    shown = (
        ", ".join(connector.cavities)
        if len(connector.cavities) <= 12
        else f"{len(connector.cavities)} cavities"
    )
    close = near(cavity, connector.cavities)
    said = f'{what}: {connector.id} has no cavity "{cavity}"; it has {shown or "none"}.'
    report.add("no-such-cavity", place, said, f"{connector.id}.{close}" if close else None)


def _end(machine: Machine, report: Report, wire: Wire, end: Endpoint) -> bool:
    """Whether ``end`` is a point of the machine; notes what is wrong otherwise."""
    what = f"wire {wire.id}"
    if end.owner in machine.connectors:
        return _connector_end(report, wire, end, machine.connectors[end.owner])
    part = machine.parts.get(end.owner)
    if part is None:
        close = near(end.owner, [*machine.parts, *machine.connectors])
        meant = str(Endpoint(close, end.pin, end.half)) if close else None
        report.add(
            "no-such-point", wire.place, f'{what}: there is no part or connector "{end.owner}".', meant
        )
        return False
    pins = pins_of(part)
    if end.pin not in pins:
        _no_pin(report, wire, end, part, pins)
        return False
    if end.half:
        report.add(
            "half-on-part",
            wire.place,
            f"{what}: {end.owner} is a part and has no halves.",
            f"{end.owner}.{end.pin}",
        )
        return False
    if end.pin in part.plugs:
        at = ".".join(part.plugs[end.pin])
        said = f"{what}: pin {end.pin} of {part.id} is reached through {at}, so the wire ends there."
        report.add("pin-is-plugged", wire.place, said, at)
        return False
    return True


def _no_pin(report: Report, wire: Wire, end: Endpoint, part: Part, pins: tuple[str, ...]) -> None:
    if part.kind in ONE_POINT:
        said = f"wire {wire.id}: {part.id} is one point and has no pins."
        report.add("no-such-pin", wire.place, said, part.id)
    elif not end.pin:
        said = f"wire {wire.id}: {part.id} has several pins ({', '.join(pins)}); say which."
        report.add("no-such-pin", wire.place, said, f"{part.id}.{pins[0]}")
    else:
        close = near(end.pin, pins)
        said = f'wire {wire.id}: {part.id} has no pin "{end.pin}"; it has {", ".join(pins)}.'
        report.add("no-such-pin", wire.place, said, f"{part.id}.{close}" if close else None)


def _connector_end(report: Report, wire: Wire, end: Endpoint, connector: Connector) -> bool:
    if end.pin not in connector.cavities:
        _no_cavity(report, connector, end.pin, f"wire {wire.id}", wire.place)
        return False
    if connector.inline and end.half not in ("p", "s"):
        said = f"wire {wire.id}: {connector.id} is inline; say which half, p (pins) or s (sockets)."
        report.add("half-missing", wire.place, said, f"{end.owner}.{end.pin}:p")
        return False
    if not connector.inline and end.half:
        said = f"wire {wire.id}: {connector.id} sits on a part, so {end} has no halves."
        report.add("half-on-device", wire.place, said, f"{end.owner}.{end.pin}")
        return False
    return True


def _cavities_once(machine: Machine, report: Report) -> None:
    """One wire per cavity and side; studs, splices, posts and bare pins take as many as are put there."""
    for point, wires in wires_at(machine).items():
        if point.owner in machine.connectors and len(wires) > 1:
            for extra in wires[1:]:
                said = (
                    f"wire {extra}: {point} holds wire {wires[0]} already; a cavity takes one (use a splice)."
                )
                report.add("cavity-two-wires", machine.wires[extra].place, said)


def _nowhere(machine: Machine, report: Report) -> None:
    """A wire in a cavity needs something on the other side: a pin behind it, or a wire in the other half."""
    behind = pin_behind(machine.parts)
    at = wires_at(machine)
    for point, wires in at.items():
        connector = machine.connectors.get(point.owner)
        if connector is None:
            continue
        if connector.inline:
            other = Endpoint(point.owner, point.pin, "s" if point.half == "p" else "p")
            sound, lacks = other in at, f"{other} has no wire"
        else:
            sound, lacks = (point.owner, point.pin) in behind, f"no pin of a part is in cavity {point}"
        if not sound:
            said = f"wire {wires[0]} ends in {point} and goes nowhere from there: {lacks}."
            report.add("wire-to-nowhere", machine.wires[wires[0]].place, said)


def _needed_pins(machine: Machine, report: Report) -> None:
    at = wires_at(machine)
    for part in machine.parts.values():
        for pin in _needed(part):
            point = Endpoint(*part.plugs[pin]) if pin in part.plugs else Endpoint(part.id, pin)
            if point not in at:
                said = (
                    f"part {part.id}: no wire comes to pin {pin}"
                    if pin
                    else f"part {part.id}: no wire comes to it"
                )
                more = f" (cavity {point})" if pin in part.plugs else ""
                report.add("pin-unwired", part.place, f"{said}{more}.")


def _needed(part: Part) -> tuple[str, ...]:
    if part.kind in ONE_POINT:
        return ("",)
    if part.controller is not None:
        return part.controller.supply.pin, part.controller.supply.ground
    return tuple(pin for pin in kinds()[part.kind].pins if pin not in OPTIONAL_PINS.get(part.kind, ()))
