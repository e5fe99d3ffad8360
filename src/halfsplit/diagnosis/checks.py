"""What a person can do next on a machine: every check with its minutes, its place and what must be opened.

Minutes are the "usual" column of trade_practice.md part 12 (from memory there) unless a line says otherwise.
Sealed splices and wires along their length are never probed: nobody is sent to pierce insulation.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from halfsplit.circuit.expansion import end_node, point_of, relay_contacts, switch_contacts, used_cavities
from halfsplit.machine.model import Machine

MINUTES = {
    "volts": 4.0,
    "volts-open": 2.0,
    "drop": 5.0,
    "ohms": 6.0,
    "closed": 1.5,
    "thorough": 8.0,
    "by-eye": 2.0,
    "along": 8.0,
    "move": 6.0,
    "code": 1.5,
    "unplug": 3.0,
}
CHASSIS = "chassis"


@dataclass(frozen=True, slots=True)
class Check:
    """One thing a person can do.

    ``kind`` is "operate", "volts", "drop", "ohms", "look", "move" or "code"; only the fields of that kind are
    filled. ``minutes`` are its own, without access; ``steps`` are the access steps it needs, prerequisites
    first, ``unplugged`` connectors to hold apart and fuses to pull. ``place`` is the connector,
    part or run a person stands at.
    """

    id: str
    kind: str
    place: str
    zone: str
    steps: tuple[str, ...]
    minutes: float
    state: str = ""
    function: str = ""
    plus: str = ""
    minus: str = ""
    look: str = ""
    controller: str = ""
    code: str = ""
    unplugged: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Point:
    """A place for a probe: the node, the thing it belongs to, where that is, and whether it lies open."""

    node: str
    owner: str
    zone: str
    steps: tuple[str, ...]
    open: bool


def chassis_node(machine: Machine) -> str:
    """Bare metal of the frame, where the black lead goes unless a check says otherwise."""
    return f"body:{machine.bodies[0]}"


def points(machine: Machine) -> dict[str, Point]:
    """Every node a probe can reach without harming insulation, by node name."""
    found: dict[str, Point] = {}

    def add(node: str, owner: str, zone: str, steps: Sequence[str], is_open: bool) -> None:
        found[node] = Point(node, owner, zone, tuple(steps), is_open)

    for connector in machine.connectors.values():
        steps = machine.steps_for_zone(connector.zone, connector.access)
        for cavity in used_cavities(machine, connector):
            add(point_of(connector, cavity), connector.id, connector.zone, steps, False)
            if connector.inline:
                add(f"{connector.id}.{cavity}:s", connector.id, connector.zone, steps, False)
    for wire in machine.wires.values():
        for end in (wire.a, wire.b):
            part = machine.parts.get(end.owner)
            if part is None or part.kind == "splice":
                continue
            steps = machine.steps_for_zone(part.zone, part.access)
            add(end_node(machine, wire, end), part.id, part.zone, steps, True)
            add(str(end), part.id, part.zone, steps, True)
    for part in machine.parts.values():
        if part.kind == "battery":
            steps = machine.steps_for_zone(part.zone, part.access)
            for pole in "+-":
                add(f"{part.id}.{pole}post", part.id, part.zone, steps, True)
    return found


def all_checks(machine: Machine, states: Sequence[str] | None = None) -> tuple[Check, ...]:
    """Every check of ``machine`` in the given states (all states when None), in a fixed order."""
    chosen = tuple(machine.states) if states is None else tuple(states)
    return tuple(_all(machine, chosen))


def _all(machine: Machine, states: Sequence[str]) -> Iterator[Check]:
    at = points(machine)
    for state in states:
        for function in machine.functions.values():
            if state in function.expected:
                yield Check(
                    f"operate {function.id} in {state}", "operate", function.id, "", (), function.minutes,
                    state=state, function=function.id,
                )  # fmt: skip
        for part in machine.parts.values():
            if part.controller is None:
                continue
            for code in part.controller.codes.values():
                yield Check(
                    f"code {part.id} {code.id} in {state}", "code", part.id, "", (), MINUTES["code"],
                    state=state, controller=part.id, code=code.id,
                )  # fmt: skip
        yield from _electrical(machine, at, state)
    yield from _looks(machine)
    yield from _bus(machine, at, states)


def _electrical(machine: Machine, at: dict[str, Point], state: str) -> Iterator[Check]:
    ground = chassis_node(machine)
    for point in at.values():
        minutes = MINUTES["volts-open" if point.open else "volts"]
        yield Check(
            f"volts {point.node} in {state}", "volts", point.owner, point.zone, point.steps, minutes,
            state=state, plus=point.node, minus=ground,
        )  # fmt: skip
    for plus, minus in _stretches(machine):
        one, other = at.get(plus), at.get(minus)
        known = [point for point in (one, other) if point is not None]
        if not known or (other is None and not minus.startswith("body:")) or one is None:
            continue
        steps = tuple(dict.fromkeys(step for point in known for step in point.steps))
        yield Check(
            f"drop {plus} to {minus} in {state}", "drop", one.owner, one.zone, steps, MINUTES["drop"],
            state=state, plus=plus, minus=minus,
        )  # fmt: skip


def _stretches(machine: Machine) -> Iterator[tuple[str, str]]:  # noqa: C901 - one case for each kind of part
    """Pairs of points with one thing between them whose loss under load tells about that thing."""
    for connector in machine.connectors.values():
        if connector.inline:
            for cavity in used_cavities(machine, connector):
                yield f"{connector.id}.{cavity}:p", f"{connector.id}.{cavity}:s"
    for wire in machine.wires.values():
        ends = []
        for end in (wire.a, wire.b):
            part = machine.parts.get(end.owner)
            ends.append(end_node(machine, wire, end))
            if part is not None and part.kind != "splice":
                yield ends[-1], str(end)
        yield ends[0], ends[1]
    for part in machine.parts.values():
        match part.kind:
            case "stud":
                yield part.id, f"body:{part.text('body')}"
            case "battery":
                for pole in "+-":
                    yield f"{part.id}.{pole}post", f"{part.id}.{pole}"
            case "fuse" | "breaker":
                yield f"{part.id}.1", f"{part.id}.2"
            case "relay":
                for pin in relay_contacts(machine, part):
                    yield f"{part.id}.30", f"{part.id}.{pin}"
            case "switch":
                for one, other, _ in switch_contacts(part):
                    yield f"{part.id}.{one}", f"{part.id}.{other}"
            case _:
                continue


def _looks(machine: Machine) -> Iterator[Check]:
    for connector in machine.connectors.values():
        steps = machine.steps_for_zone(connector.zone, connector.access)
        for look in ("closed", "thorough"):
            yield Check(
                f"look {look} {connector.id}", "look", connector.id, connector.zone, steps, MINUTES[look],
                look=look,
            )  # fmt: skip
        yield Check(f"move {connector.id}", "move", connector.id, connector.zone, steps, MINUTES["move"])
    for part in machine.parts.values():
        if part.kind == "splice":
            continue
        steps = machine.steps_for_zone(part.zone, part.access)
        yield Check(
            f"look by-eye {part.id}", "look", part.id, part.zone, steps, MINUTES["by-eye"], look="by-eye"
        )
    for run in machine.runs.values():
        zone = run.zones[0]
        steps = tuple(dict.fromkeys(step for name in run.zones for step in machine.steps_for_zone(name)))
        yield Check(f"look along {run.id}", "look", run.id, zone, steps, MINUTES["along"], look="along")
        yield Check(f"move {run.id}", "move", run.id, zone, steps, MINUTES["move"])


def _bus(machine: Machine, at: dict[str, Point], states: Sequence[str]) -> Iterator[Check]:
    """The pair's resistance with the battery off, at the controller that is quickest to reach."""
    if not states:
        return
    for bus in machine.buses:
        best: tuple[float, Check] | None = None
        for part in machine.parts.values():
            for member in part.controller.buses if part.controller is not None else ():
                if member.bus != bus or member.high not in part.plugs or member.low not in part.plugs:
                    continue
                high, low = (
                    point_of(machine.connectors[plug], cavity)
                    for plug, cavity in (part.plugs[member.high], part.plugs[member.low])
                )
                if high not in at or low not in at:
                    continue
                point = at[high]
                cost = sum(machine.access[step].open_min for step in point.steps)
                check = Check(
                    f"ohms {high} to {low}", "ohms", point.owner, point.zone, point.steps, MINUTES["ohms"],
                    state=states[0], plus=high, minus=low,
                )  # fmt: skip
                if best is None or cost < best[0]:
                    best = (cost, check)
        if best is not None:
            yield best[1]


def short_origin(machine: Machine, name: str) -> tuple[str, str, tuple[str, ...]] | None:
    """Where a short that opened a fuse (``name`` "F5") or tripped an output ("ECU1.PUMP") is hunted from.

    The node to measure at, the part, and what to take out first: the fuse, or the module's own plug.
    """
    owner, _, pin = name.partition(".")
    part = machine.parts[owner]
    if not pin:
        return f"{owner}.2", owner, (owner,)
    if pin not in part.plugs:
        return None
    connector, cavity = part.plugs[pin]
    return point_of(machine.connectors[connector], cavity), owner, (connector,)


def short_checks(machine: Machine, name: str, state: str, connectors: Sequence[str]) -> tuple[Check, ...]:
    """Ohms to the chassis from where a short is fed, first with all plugged, then one connector apart at a time."""
    origin = short_origin(machine, name)
    if origin is None:
        return ()
    node, owner, out = origin
    made = []
    for apart in ((), *((one,) for one in connectors if one not in out)):
        taken = (*out, *apart)
        zones = [machine.parts[owner]] + [
            machine.connectors[one] for one in taken if one in machine.connectors
        ]
        steps = tuple(
            dict.fromkeys(
                step for thing in zones for step in machine.steps_for_zone(thing.zone, thing.access)
            )
        )
        made.append(
            Check(
                f"ohms {node} to chassis, {' and '.join(taken)} out", "ohms", owner, machine.parts[owner].zone,
                steps, MINUTES["ohms"] + MINUTES["unplug"] * len(apart), state=state, plus=node,
                minus=chassis_node(machine), unplugged=taken,
            )
        )  # fmt: skip
    return tuple(made)
