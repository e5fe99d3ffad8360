"""Pins, switch contacts and the spelling of points (X12.3, X5.3:p, K1.30, G3)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from halfsplit.errors import UserError
from halfsplit.machine.kinds import kinds
from halfsplit.machine.model import Controller, Endpoint, Machine, Part

#: An identifier: what may stand on a drawing without clashing with the dot, colon and @ of points.
IDENTIFIER = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
PIN = re.compile(r"[A-Za-z0-9+\-_/#]+")
_POINT = re.compile(r"([A-Za-z0-9][A-Za-z0-9_-]*)(?:\.([A-Za-z0-9+\-_/#]+))?(?::([A-Za-z]+))?")
_CONTACT = re.compile(r"\s*([A-Za-z0-9+_/#]+)\s*-\s*([A-Za-z0-9+_/#]+)\s*:\s*([A-Za-z0-9_ ,\t-]*?)\s*")

#: Parts that are one point, named without a pin.
ONE_POINT = ("splice", "stud")


@dataclass(frozen=True, slots=True)
class SwitchContact:
    """Pins ``a`` and ``b`` are joined in ``positions``."""

    a: str
    b: str
    positions: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.a}-{self.b}: {' '.join(self.positions)}"


class PointError(UserError):
    """A point or switch contact that is not spelled as one."""


def switch_contacts(text: str) -> tuple[SwitchContact, ...]:
    """Text such as "30-15: run start; 30-50: start" as contacts. Raises PointError naming the bad piece."""
    found = []
    for piece in text.split(";"):
        if not piece.strip():
            continue
        match = _CONTACT.fullmatch(piece)
        positions = tuple(match.group(3).replace(",", " ").split()) if match else ()
        if match is None or not positions:
            raise PointError("switch-contacts", f'"{piece.strip()}" is not written like "30-15: run start".')
        if match.group(1) == match.group(2):
            raise PointError("switch-contacts", f'"{piece.strip()}" joins a pin to itself.')
        found.append(SwitchContact(match.group(1), match.group(2), positions))
    if not found:
        raise PointError("switch-contacts", "The switch has no contacts.")
    return tuple(found)


def parse_point(text: str) -> Endpoint:
    """``text`` as an endpoint, spelling only. Raises PointError."""
    match = _POINT.fullmatch(text.strip())
    if match is None:
        raise PointError("point-syntax", f'"{text}" is not written like X12.3, X5.3:p, K1.30 or G3.')
    return Endpoint(match.group(1), match.group(2) or "", match.group(3) or "")


def controller_pins(controller: Controller) -> tuple[str, ...]:
    """Every pin a controller's description names, each once."""
    pins = [controller.supply.pin, controller.supply.ground, *controller.inputs, *controller.outputs]
    pins += controller.references
    for member in controller.buses:
        pins += [member.high, member.low]
    return tuple(dict.fromkeys(pins))


def pins_of(part: Part) -> tuple[str, ...]:
    """The pins of ``part``; ("",) for a part that is one point.

    Raises PointError when a switch's contacts cannot be read, which a checked machine never has.
    """
    if part.kind in ONE_POINT:
        return ("",)
    if part.kind == "switch":
        contacts = switch_contacts(part.text("contacts"))
        return tuple(dict.fromkeys(pin for contact in contacts for pin in (contact.a, contact.b)))
    if part.controller is not None:
        return controller_pins(part.controller)
    return kinds()[part.kind].pins


def pin_behind(parts: Mapping[str, Part]) -> dict[tuple[str, str], tuple[str, str]]:
    """(connector, cavity) -> (part, pin) for every pin that is reached through a connector."""
    return {where: (part.id, pin) for part in parts.values() for pin, where in part.plugs.items()}


def wires_at(machine: Machine) -> dict[Endpoint, tuple[str, ...]]:
    """Ids of the wires that end at each point."""
    found: dict[Endpoint, list[str]] = {}
    for wire in machine.wires.values():
        found.setdefault(wire.a, []).append(wire.id)
        found.setdefault(wire.b, []).append(wire.id)
    return {point: tuple(ids) for point, ids in found.items()}
