"""Every fault a machine can have, generated from its description and never listed by hand.

A fault is one mode at one place over its severities. What it does to the circuit is written by name
(branches and nodes as ``circuit.expansion`` calls them), so that the same fault serves every state; a
branch that does not exist in a state simply makes the fault do nothing there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from halfsplit.circuit.expansion import PartPlace, part_places, point_of, used_cavities, wire_ends
from halfsplit.faults.modes import Grade, Mode, corrections, modes_for, replace_minutes
from halfsplit.faults.wetness import leak_ohm
from halfsplit.machine.model import Connector, Machine, Part, Wire

LOADS = ("lamp", "led", "motor", "solenoid", "buzzer", "heater")

#: Wires compared for rubbing are neighbours in the run's list; a bundle has few touching neighbours (from memory).
BUNDLE_NEIGHBOURS = 2


#: With so few ways whoever opens the connector renews all its contacts: one repair; common practice, no source.
FEW_WAYS = 2
EXTRA_WAY_MIN = 5.0
#: Inner resistance a weak battery gains; it also keeps it from swallowing the generator's whole output; from memory.
WEAK_BATTERY_OHM = 0.08


@dataclass(frozen=True, slots=True)
class Effect:
    """One thing added to the circuit.

    ``kind`` "series": ``value`` ohm (inf for an open) joins branch ``a``;
    "shunt": ``value`` ohm joins nodes ``a`` and ``b``; "emf": ``value`` V joins the source of branch ``a``.
    """

    kind: str
    a: str
    b: str
    value: float


@dataclass(frozen=True, slots=True)
class Severity:
    """One severity of a fault: its label, its share within the fault and its effects."""

    label: str
    weight: float
    effects: tuple[Effect, ...]


@dataclass(frozen=True, slots=True)
class Fault:
    """A mode at a place.

    ``place`` is the id a person would point at ("X12.3", "W101", "G3"), ``owner`` the thing to look at or
    open (the connector, the part, the run), ``group`` the repair group (correction and place): suspects in
    one group need the same repair.
    """

    id: str
    mode: Mode
    place: str
    owner: str
    zone: str
    access: tuple[str, ...]
    severities: tuple[Severity, ...]
    group: str
    repair_min: float
    success: float
    text: str


def generate(machine: Machine) -> tuple[Fault, ...]:
    """All faults of ``machine``, in a fixed order."""
    return tuple(_all(machine))


def _all(machine: Machine) -> Iterator[Fault]:
    for connector in machine.connectors.values():
        yield from _connector(machine, connector)
    for wire in machine.wires.values():
        yield from _wire(machine, wire)
    yield from _touching(machine)
    for wire in machine.wires.values():
        yield from _ends(machine, wire)
    for part in machine.parts.values():
        yield from _part(machine, part)


def _fault(
    mode: Mode,
    place: str,
    owner: str,
    zone: str,
    access: tuple[str, ...],
    severities: list[Severity],
    text: str,
    repair_at: str,
    minutes: float | None = None,
) -> Fault:
    correction = corrections()[mode.correction]
    return Fault(
        id=f"{place}/{mode.id}",
        mode=mode,
        place=place,
        owner=owner,
        zone=zone,
        access=access,
        severities=tuple(severities),
        group=f"{mode.correction}:{repair_at}",
        repair_min=correction.minutes if minutes is None else minutes,
        success=correction.success,
        text=text,
    )


def _series(mode: Mode, branches: tuple[str, ...], own_ohm: float = 0.0) -> list[Severity]:
    """Severities that add resistance to every one of ``branches``."""
    made = []
    for grade in mode.grades:
        added = own_ohm * (grade.value - 1.0) if grade.kind == "factor" else grade.value
        made.append(
            Severity(grade.label, grade.weight, tuple(Effect("series", name, "", added) for name in branches))
        )
    return made


def _shunt(mode: Mode, a: str, b: str, own_ohm: float = 0.0) -> list[Severity]:
    """Severities that join two nodes; a factor below one brings the part's resistance down to that share."""
    made = []
    for grade in mode.grades:
        ohm = grade.value
        if grade.kind == "factor":
            ohm = own_ohm * grade.value / (1.0 - grade.value)
        made.append(Severity(grade.label, grade.weight, (Effect("shunt", a, b, ohm),)))
    return made


def _leak(connector: Connector, grade: Grade, pairs: tuple[tuple[str, str], ...]) -> Severity:
    ohm = leak_ohm(connector.family, grade.label)
    effects = tuple(
        Effect("shunt", point_of(connector, one), point_of(connector, other), ohm) for one, other in pairs
    )
    return Severity(grade.label, grade.weight, effects)


def _connector(machine: Machine, connector: Connector) -> Iterator[Fault]:
    used = used_cavities(machine, connector)
    for cavity in used:
        place = f"{connector.id}.{cavity}"
        for mode in modes_for("contact"):
            yield _fault(
                mode, place, connector.id, connector.zone, connector.access,
                _series(mode, (f"contact:{place}",)),
                f"{connector.id} cavity {cavity}: {mode.text}", connector.id if len(used) <= FEW_WAYS else place,
                corrections()[mode.correction].minutes + (EXTRA_WAY_MIN if len(used) == FEW_WAYS else 0.0),
            )  # fmt: skip
    pairs = tuple(pair for pair in connector.neighbours() if pair[0] in used and pair[1] in used)
    for one, other in pairs:
        for mode in modes_for("neighbours"):
            yield _fault(
                mode, f"{connector.id}.{one}+{other}", connector.id, connector.zone, connector.access,
                [_leak(connector, grade, ((one, other),)) for grade in mode.grades],
                f"{connector.id} cavities {one} and {other}: {mode.text}", connector.id,
            )  # fmt: skip
    if len(pairs) > 1:
        for mode in modes_for("connector"):
            yield _fault(
                mode, connector.id, connector.id, connector.zone, connector.access,
                [_leak(connector, grade, pairs) for grade in mode.grades],
                f"{connector.id}: {mode.text}", connector.id,
            )  # fmt: skip


def _wire(machine: Machine, wire: Wire) -> Iterator[Fault]:
    zone, _ = _where(machine, wire)
    owner = wire.run or wire.id
    frame = f"body:{machine.bodies[0]}"
    for mode in modes_for("wire"):
        if mode.id == "wire-chafed":
            if wire.a.owner == wire.b.owner:
                continue
            severities = _shunt(mode, wire_ends(machine, wire)[1], frame)
        else:
            severities = _series(mode, (f"wire:{wire.id}",))
        yield _fault(mode, wire.id, owner, zone, (), severities, f"{_wire_name(wire)}: {mode.text}", wire.id)


def _wire_name(wire: Wire) -> str:
    colour = f"{wire.colour} " if wire.colour else ""
    return f"{colour}wire {wire.id} from {wire.a} to {wire.b}"


def _touching(machine: Machine) -> Iterator[Fault]:
    bundles: dict[str, list[Wire]] = {}
    for wire in machine.wires.values():
        if wire.run is not None:
            bundles.setdefault(wire.run, []).append(wire)
    for run, wires in bundles.items():
        for step in range(1, BUNDLE_NEIGHBOURS + 1):
            for one, other in zip(wires, wires[step:], strict=False):
                a, b = wire_ends(machine, one)[1], wire_ends(machine, other)[1]
                if one.circuit == other.circuit or a == b:
                    continue
                zone, _ = _where(machine, one)
                for mode in modes_for("bundle"):
                    yield _fault(
                        mode, f"{one.id}+{other.id}", run, zone, (), _shunt(mode, a, b),
                        f"wires {one.id} and {other.id} in {run}: {mode.text}", one.id,
                    )  # fmt: skip


def _where(machine: Machine, wire: Wire) -> tuple[str, tuple[str, ...]]:
    if wire.run is not None:
        return machine.runs[wire.run].zones[0], ()
    owner = wire.a.owner
    if owner in machine.connectors:
        return machine.connectors[owner].zone, ()
    return machine.parts[owner].zone, ()


def _ends(machine: Machine, wire: Wire) -> Iterator[Fault]:
    for end in (wire.a, wire.b):
        part = machine.parts.get(end.owner)
        if part is None:
            continue
        name = f"{wire.id}@{end}"
        if part.kind == "splice":
            for mode in modes_for("joint"):
                yield _fault(
                    mode, name, wire.run or part.id, part.zone, part.access, _series(mode, (f"joint:{name}",)),
                    f"splice {part.id} at wire {wire.id}: {mode.text}", part.id,
                )  # fmt: skip
            continue
        for mode in modes_for("terminal"):
            yield _fault(
                mode, name, part.id, part.zone, part.access, _series(mode, (f"terminal:{name}",)),
                f"terminal of wire {wire.id} on {end}: {mode.text}", name,
            )  # fmt: skip


#: Which catalogue places a kind of part has, and the branches an added resistance goes into.
PART_PLACES: Mapping[str, tuple[str, ...]] = {
    "battery": ("post", "battery"),
    "alternator": ("alternator",),
    "fuse": ("fuse",),
    "breaker": ("breaker",),
    "switch": ("switch",),
    "contact_sensor": ("contact_sensor",),
    "relay": ("relay-coil", "relay-contact"),
    "sender": ("sender",),
    "sensor3": ("sensor3",),
    "controller": ("module-feed", "module-output", "module-bus"),
    "stud": ("stud",),
    "diode": ("diode",),
    "resistor": ("resistor",),
    "terminator": ("resistor",),
    "splice": (),
    **dict.fromkeys(LOADS, ("load",)),
}


def _part(machine: Machine, part: Part) -> Iterator[Fault]:
    for kind_of_place in PART_PLACES[part.kind]:
        for inner in part_places(machine, part, kind_of_place):
            for mode in modes_for(kind_of_place):
                yield _part_fault(part, mode, inner)


def _part_fault(part: Part, mode: Mode, inner: PartPlace) -> Fault:
    if mode.id.endswith(("-stuck", "-welded", "-short")) or mode.id == "sensor3-drift":
        severities = _shunt(mode, inner.a, inner.b, inner.ohm)
    elif mode.grades[0].kind == "volt":
        severities = [
            Severity(
                grade.label,
                grade.weight,
                (
                    Effect("emf", inner.names[0], "", grade.value),
                    Effect("series", inner.names[0], "", WEAK_BATTERY_OHM),
                ),
            )
            for grade in mode.grades
        ]
    else:
        severities = _series(mode, inner.names, inner.ohm)
    minutes = replace_minutes().get(part.kind) if mode.correction == "replace-part" else None
    place = f"{part.id}.{inner.label}" if inner.label else part.id
    return _fault(
        mode, place, part.id, part.zone, part.access, severities,
        f"{part.name} ({place}): {mode.text}", place if mode.correction == "clean-post" else part.id, minutes,
    )  # fmt: skip
