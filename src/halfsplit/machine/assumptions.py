"""What was assumed about a machine, and which missing facts would sharpen the answers most.

A machine file may leave out almost anything. This module lists what defaults stood in, and ranks what to
look up first: by how many possible faults a missing fact concerns, counting only what hangs on something a
person observes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from halfsplit.machine.kinds import kinds
from halfsplit.machine.model import EXPOSURES, Connector, Endpoint, Machine, Part, Wire
from halfsplit.machine.points import pins_of
from halfsplit.quantities import QUANTITIES

#: Faults a wire's size and length enter: open, chafed to metal, strands broken, touching another wire.
FAULTS_PER_WIRE = 4
#: Faults a contact's family enters: open, and high resistance.
FAULTS_PER_CONTACT = 2
#: Kinds whose first attribute decides what a meter shows around them.
FIGURED = ("lamp", "led", "motor", "solenoid", "buzzer", "heater", "relay", "sender", "resistor")


@dataclass(frozen=True, slots=True)
class Assumption:
    """One fact that was left out: ``thing`` is a part, wire, connector, zone, function or machine.

    ``attribute`` is spelled as in the file, ``value`` is what stands in, as text.
    """

    thing: str
    id: str
    attribute: str
    value: str


@dataclass(frozen=True, slots=True)
class Sharpening:
    """A kind of fact worth looking up: written for ``ids``, it makes ``faults`` faults better known."""

    advice: str
    ids: tuple[str, ...]
    faults: int


def assumptions(machine: Machine) -> tuple[Assumption, ...]:
    """Everything that came from defaults, in the order of the file's sections."""
    found = [
        Assumption("machine", machine.id, key, _of_machine(machine, key)) for key in sorted(machine.assumed)
    ]
    for zone in machine.zones.values():
        if "zones" not in machine.assumed:
            words = [word for word in EXPOSURES if word in zone.assumed]
            found += [Assumption("zone", zone.id, f"exposure {word}", zone.exposure[word]) for word in words]
    for connector in machine.connectors.values():
        # Who has said which way a connector faces has looked at it: nothing said of a low point then means
        # none.
        left_out = connector.assumed if "faces" in connector.assumed else connector.assumed - {"low_point"}
        found += [
            Assumption("connector", connector.id, key, _of_connector(connector, key))
            for key in sorted(left_out)
        ]
    for part in machine.parts.values():
        found += _of_part(part)
    for wire in machine.wires.values():
        if "area_m2" in wire.assumed:
            found.append(Assumption("wire", wire.id, "size", QUANTITIES["area"].format(wire.area_m2)))
        if "length_m" in wire.assumed:
            found.append(Assumption("wire", wire.id, "length", QUANTITIES["length"].format(wire.length_m)))
    for function in machine.functions.values():
        if "expected" in function.assumed:
            found.append(Assumption("function", function.id, "expected", "what the sound machine does"))
        for key, share in (("full", function.full), ("weak", function.weak)):
            if key in function.assumed and function.measure in ("volts", "amps"):
                found.append(Assumption("function", function.id, key, QUANTITIES["share"].format(share)))
    return tuple(found)


def counts(found: Iterable[Assumption]) -> dict[tuple[str, str], int]:
    """How often each (thing, attribute) was assumed, most often first."""
    tally: dict[tuple[str, str], int] = {}
    for each in found:
        key = (each.thing, each.attribute)
        tally[key] = tally.get(key, 0) + 1
    return dict(sorted(tally.items(), key=lambda item: (-item[1], item[0])))


def _of_machine(machine: Machine, key: str) -> str:
    shown = {
        "system": QUANTITIES["voltage"].format(machine.system_v),
        "bodies": " ".join(machine.bodies),
        "zones": " ".join(machine.zones),
        "states": " ".join(machine.states),
    }
    return shown.get(key, "")


def _of_connector(connector: Connector, key: str) -> str:
    shown = {
        "family": connector.family.id,
        "zone": connector.zone,
        "faces": connector.faces,
        "low_point": "yes" if connector.low_point else "no",
        "grid": f"one row of {len(connector.cavities)}",
    }
    return shown[key]


def _of_part(part: Part) -> list[Assumption]:
    found = []
    for attribute in kinds()[part.kind].attributes.values():
        if attribute.name in part.assumed:
            value = part.values[attribute.name]
            text = QUANTITIES[attribute.type].format(value) if isinstance(value, float) else str(value)
            text = {"True": "yes", "False": "no"}.get(text, text)
            found.append(Assumption("part", part.id, attribute.key, text))
    if "zone" in part.assumed:
        found.append(Assumption("part", part.id, "zone", part.zone))
    named = {attribute.name for attribute in kinds()[part.kind].attributes.values()} | {"zone"}
    found += [Assumption("part", part.id, key.replace(".", " "), "") for key in sorted(part.assumed - named)]
    return found


def sharpening(machine: Machine) -> tuple[Sharpening, ...]:
    """What to look up first, the most faults concerned first; only kinds of fact that are missing appear."""
    reached = observed_points(machine)
    wires = [wire for wire in machine.wires.values() if wire.a in reached or wire.b in reached]
    used = _used(machine, wires)
    connectors = [connector for connector in machine.connectors.values() if used.get(connector.id)]
    found = [
        _of_wires("Measure or read off the lengths of these wires.", wires, "length_m"),
        _of_wires("Read the sizes of these wires.", wires, "area_m2"),
        _no_run(wires),
        _families(connectors, used),
        _grids(connectors, used),
        _facing(connectors),
        _zones(machine, connectors, used, wires),
        _loads(machine),
        _expected(machine),
    ]
    kept = [each for each in found if each.ids and each.faults]
    return tuple(sorted(kept, key=lambda each: (-each.faults, each.advice)))


def observed_points(machine: Machine) -> frozenset[Endpoint]:
    """Every point that hangs together with something a function watches, paths through a battery aside."""
    neighbours = _neighbours(machine)
    start = [function.watch.partition("@")[2] or function.watch for function in machine.functions.values()]
    waiting = [point for name in start for point in _points_of(machine.parts[name])]
    batteries = {part.id for part in machine.parts.values() if part.kind == "battery"}
    seen: set[Endpoint] = set()
    while waiting:
        point = waiting.pop()
        if point in seen:
            continue
        seen.add(point)
        if point.owner not in batteries:
            waiting.extend(neighbours.get(point, ()))
    return frozenset(seen)


def _points_of(part: Part) -> tuple[Endpoint, ...]:
    """The points at which wires reach ``part``."""
    return tuple(Endpoint(*part.plugs[p]) if p in part.plugs else Endpoint(part.id, p) for p in pins_of(part))


def _neighbours(machine: Machine) -> Mapping[Endpoint, list[Endpoint]]:
    joined: dict[Endpoint, list[Endpoint]] = {}

    def join(points: Iterable[Endpoint]) -> None:
        listed = list(points)
        for point in listed:
            joined.setdefault(point, []).extend(other for other in listed if other != point)

    for wire in machine.wires.values():
        join((wire.a, wire.b))
    for part in machine.parts.values():
        join(_points_of(part))
    for connector in machine.connectors.values():
        if connector.inline:
            for cavity in connector.cavities:
                join((Endpoint(connector.id, cavity, "p"), Endpoint(connector.id, cavity, "s")))
    for body in machine.bodies:
        studs = [p for p in machine.parts.values() if p.kind == "stud" and p.text("body") == body]
        join(Endpoint(stud.id) for stud in studs)
    return joined


def _used(machine: Machine, wires: Iterable[Wire]) -> dict[str, set[str]]:
    """The cavities of each connector that these wires end in."""
    used: dict[str, set[str]] = {}
    for wire in wires:
        for end in (wire.a, wire.b):
            if end.owner in machine.connectors:
                used.setdefault(end.owner, set()).add(end.pin)
    return used


def _of_wires(advice: str, wires: Iterable[Wire], key: str) -> Sharpening:
    ids = tuple(wire.id for wire in wires if key in wire.assumed)
    return Sharpening(advice, ids, FAULTS_PER_WIRE * len(ids))


def _no_run(wires: Iterable[Wire]) -> Sharpening:
    ids = tuple(wire.id for wire in wires if wire.run is None)
    advice = (
        "Say in which run of the harness these wires lie: without it no rubbing on neighbours is considered."
    )
    return Sharpening(advice, ids, len(ids))


def _pairs(connector: Connector, used: Mapping[str, set[str]]) -> int:
    here = used.get(connector.id, set())
    return sum(1 for a, b in connector.neighbours() if a in here and b in here)


def _families(connectors: Iterable[Connector], used: Mapping[str, set[str]]) -> Sharpening:
    missing = [connector for connector in connectors if "family" in connector.assumed]
    faults = sum(FAULTS_PER_CONTACT * len(used[c.id]) + _pairs(c, used) for c in missing)
    advice = "Say which connectors are sealed and how large their contacts are (family)."
    return Sharpening(advice, tuple(c.id for c in missing), faults)


def _grids(connectors: Iterable[Connector], used: Mapping[str, set[str]]) -> Sharpening:
    missing = [connector for connector in connectors if "grid" in connector.assumed]
    advice = "Count rows and columns of these connectors (grid): neighbours that get wet follow from them."
    return Sharpening(advice, tuple(c.id for c in missing), sum(_pairs(c, used) for c in missing))


def _facing(connectors: Iterable[Connector]) -> Sharpening:
    ids = tuple(c.id for c in connectors if {"faces", "low_point"} <= c.assumed)
    return Sharpening("Say which way these connectors face and whether water collects there.", ids, len(ids))


def _zones(
    machine: Machine, connectors: Iterable[Connector], used: Mapping[str, set[str]], wires: Iterable[Wire]
) -> Sharpening:
    if "zones" in machine.assumed:
        faults = FAULTS_PER_WIRE * len(list(wires)) + FAULTS_PER_CONTACT * sum(map(len, used.values()))
        advice = "Divide the machine into zones with their exposure and what must be opened to reach them."
        return Sharpening(advice, tuple(machine.zones), faults)
    vague = {zone.id for zone in machine.zones.values() if len(zone.assumed) > len(EXPOSURES) // 2}
    faults = sum(FAULTS_PER_CONTACT * len(used[c.id]) for c in connectors if c.zone in vague)
    faults += sum(1 for part in machine.parts.values() if part.zone in vague)
    return Sharpening(
        "Say how much splash, salt, mud, heat and vibration these zones get.",
        tuple(z for z in machine.zones if z in vague),
        faults,
    )


def _loads(machine: Machine) -> Sharpening:
    """Parts whose main figure, the first of their table, was assumed: expected readings hang on it."""
    ids = []
    for part in machine.parts.values():
        first = next(iter(kinds()[part.kind].attributes.values()), None)
        if part.kind in FIGURED and first is not None and first.name in part.assumed:
            ids.append(part.id)
    advice = (
        "Write the current, power or resistance that stands on these parts: expected readings follow from it."
    )
    return Sharpening(advice, tuple(ids), len(ids))


def _expected(machine: Machine) -> Sharpening:
    ids = tuple(f.id for f in machine.functions.values() if "expected" in f.assumed)
    advice = (
        "Say what is expected of these functions in each state; now it follows from the circuit as described."
    )
    return Sharpening(advice, ids, len(ids))
