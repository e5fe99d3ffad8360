"""What a person can do next on a machine: every check with its minutes, its place and what must be opened.

Minutes are the "usual" column of trade_practice.md part 12 (from memory there) unless a line says otherwise.
Sealed splices and wires along their length are never probed: nobody is sent to pierce insulation.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from halfsplit.circuit.expansion import (
    end_node,
    point_of,
    reference_node,
    relay_contacts,
    switch_contacts,
    used_cavities,
)
from halfsplit.diagnosis.probing import LAMP_KINDS, electronic
from halfsplit.errors import UserError
from halfsplit.machine.model import Machine

MINUTES = {
    "volts": 4.0,
    "volts-open": 2.0,
    "drop": 5.0,
    "lamp": 2.0,  # as volts at an open point; from memory
    "amps": 3.0,  # find the one wire, clamp around it; from memory
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
#: To go where a function can be seen or heard, look, and note it; on top of the function's own minutes; from memory.
NOTE_MIN = 0.7
#: To set out on a walk round the machine, and for each function looked at on the way; from memory.
ROUND_MIN = 1.5
ROUND_EACH_MIN = 0.25
#: How the id of a walk round begins; its state follows.
ROUND = "walk round in "

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "kept-out": "The machine file keeps people out of the place of this check in this state.",
}
#: Checks made with an instrument on the live machine: what the complaint's function does meanwhile is seen too, and
#: a person waits for a fault that sleeps to show.
METERED = ("volts", "drop", "lamp", "amps")


@dataclass(frozen=True, slots=True)
class Check:
    """One thing a person can do.

    ``kind`` is "operate", "round" (every function of a state), "volts", "drop", "lamp", "amps" (``plus`` is the
    wire, fuse, load or battery clamped), "ohms", "watch" (a function, with ``unplugged`` apart), "look", "move" or
    "code"; only the fields of that kind are filled. ``minutes`` are its own, without access; ``steps`` are the
    access steps it needs, prerequisites first, ``unplugged`` connectors to hold apart and fuses to pull. ``place``
    is the connector, part or run a person stands at.
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


def operate(machine: Machine, function: str, state: str) -> Check:
    """The check that operates a function in a state, whether anything is expected of it there or not."""
    return Check(
        f"operate {function} in {state}", "operate", function, "", (), machine.functions[function].minutes + NOTE_MIN,
        state=state, function=function,
    )  # fmt: skip


def round_functions(machine: Machine, state: str) -> tuple[str, ...]:
    """The functions looked at on a walk round the machine in a state: all that the file expects something of."""
    return tuple(function.id for function in machine.functions.values() if state in function.expected)


def round_check(machine: Machine, state: str) -> Check | None:
    """The walk round the machine in a state; None where nothing is expected of any function."""
    count = len(round_functions(machine, state))
    if not count:
        return None
    return Check(ROUND + state, "round", "", "", (), ROUND_MIN + ROUND_EACH_MIN * count, state=state)


def round_state(check_id: str) -> str:
    """The state of a walk round the machine by the check's id; "" for any other check."""
    return check_id.removeprefix(ROUND) if check_id.startswith(ROUND) else ""


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


def all_checks(
    machine: Machine, states: Sequence[str] | None = None, *, even_kept_out: bool = False
) -> tuple[Check, ...]:
    """Every check of ``machine`` in the given states (all states when None), in a fixed order.

    Left out is what would send a person into a zone, or behind an access step, that the machine file keeps
    people out of in the state of the check. ``even_kept_out`` gives those too, for saying why one is refused.
    """
    chosen = tuple(machine.states) if states is None else tuple(states)
    every = _all(machine, chosen)
    return tuple(every) if even_kept_out else permitted(machine, every)


#: Checks of a machine at rest: whatever state they name, the engine is off and nothing is operated meanwhile.
AT_REST = ("look", "move", "ohms")


def permitted(machine: Machine, checks: Iterable[Check]) -> tuple[Check, ...]:
    """Those of ``checks`` that keep people out of nowhere, in their order."""
    return tuple(check for check in checks if not kept_out(machine, check))


def kept_out(machine: Machine, check: Check) -> tuple[str, ...]:
    """The dangers of the check's state while which nobody may be where it is done; none for a check at rest."""
    if check.kind in AT_REST or not check.state or not machine.states[check.state].dangers:
        return ()
    marks = machine.kept_out_by(check_zones(machine, check), check.steps)
    return tuple(danger for danger in machine.states[check.state].dangers if danger in marks)


def allowed(machine: Machine, check: Check) -> Check:
    """``check`` itself; UserError with what to end first when the machine file keeps people out of its place."""
    dangers = kept_out(machine, check)
    if dangers:
        zones = " and ".join(machine.zones[zone].name for zone in check_zones(machine, check))
        raise UserError(
            "kept-out",
            f"nobody goes to {zones} in the state {machine.states[check.state].name}: {', '.join(dangers)}.",
            " ".join([*(machine.ends(danger) for danger in dangers), "Then name a state without that."]),
        )
    return check


def check_zones(machine: Machine, check: Check) -> tuple[str, ...]:
    """Every zone a check takes a person to: where he stands, both probes, what is unplugged, a whole run."""
    zones = [check.zone]
    if check.place in machine.runs:
        zones += machine.runs[check.place].zones
    zones += [zone_of(machine, name) for name in (check.plus, check.minus, *check.unplugged)]
    return tuple(dict.fromkeys(zone for zone in zones if zone))


def _all(machine: Machine, states: Sequence[str]) -> Iterator[Check]:
    at = points(machine)
    for state in states:
        for function in machine.functions.values():
            if state in function.expected:
                yield operate(machine, function.id, state)
        walk = round_check(machine, state)
        if walk is not None and len(round_functions(machine, state)) > 1:
            yield walk
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


def further_states(
    machine: Machine, complained: Sequence[str], functions: Sequence[str]
) -> tuple[str, ...]:
    """States to work in besides those ``complained`` of, best first.

    First those in which ``functions`` work without any danger. Where there is none, everything complained of has a
    danger and the machine file keeps people out of somewhere, the state without danger that is set most alike:
    feeds and grounds are measured there. Then the others in which the functions work.
    """
    working = list(dict.fromkeys(
        state
        for name in functions
        for state, level in machine.functions[name].expected.items()
        if level == "on" and state not in complained
    ))  # fmt: skip
    still = [state for state in working if not machine.states[state].dangers]
    if not still and _always_barred(machine, complained):
        still = _most_alike(machine, complained[0])
    return tuple(dict.fromkeys([*still, *working]))


def _always_barred(machine: Machine, states: Sequence[str]) -> bool:
    marks = machine.kept_out_by(machine.zones, machine.access)
    return bool(states) and all(any(one in marks for one in machine.states[state].dangers) for state in states)


def _most_alike(machine: Machine, state: str) -> list[str]:
    """The state without dangers that shares most settings with ``state``, and has fewest of its own."""
    wanted = machine.states[state].settings.items()
    still = [one for one in machine.states.values() if not one.dangers]
    shared = {one.id: sum(item in wanted for item in one.settings.items()) for one in still}
    still.sort(key=lambda one: (-shared[one.id], len(one.settings)))
    return [one.id for one in still[:1]]


def zone_of(machine: Machine, name: str) -> str:
    """The zone of a part, of a connector or of a point on one ("W3@K1.30", "X5.2:s"); "" for anything else."""
    owner = name.rpartition("@")[2].partition(":")[0].partition(".")[0]
    thing = machine.connectors.get(owner) or machine.parts.get(owner)
    return "" if thing is None else thing.zone


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
    yield from _loading(machine, at, state)


def _loading(machine: Machine, at: dict[str, Point], state: str) -> Iterator[Check]:
    """Test lamp against the chassis at bare terminals of the power side, and clamp around fuses' and parts' wires."""
    ground, signals = lamp_return(machine), electronic(machine)
    for point in at.values():
        part = machine.parts.get(point.owner)
        if part is None or part.kind not in LAMP_KINDS or "@" in point.node or point.node in signals:
            continue
        if part.kind == "stud":
            continue  # against the chassis beside it a lamp stays dark, whatever the stud is like
        yield Check(
            f"lamp {point.node} in {state}", "lamp", point.owner, point.zone, point.steps, MINUTES["lamp"],
            state=state, plus=point.node, minus=ground,
        )  # fmt: skip
    for thing, owner in clamped(machine).items():
        place = machine.parts.get(owner) or machine.connectors[owner]
        yield Check(
            f"amps {thing} in {state}", "amps", owner, place.zone, machine.steps_for_zone(place.zone, place.access),
            MINUTES["amps"], state=state, plus=thing,
        )  # fmt: skip


def lamp_return(machine: Machine) -> str:
    """Where a test lamp's clip goes: the frame where it is wired to the battery, else the battery's negative post."""
    grounded = any(part.kind == "stud" and part.text("body") == machine.bodies[0] for part in machine.parts.values())
    return chassis_node(machine) if grounded else reference_node(machine)


def clamped(machine: Machine) -> dict[str, str]:
    """What a clamp goes around: fuses, and every other wire by the end that is quicker to reach (thing: owner)."""
    found: dict[str, str] = {
        part.id: part.id for part in machine.parts.values() if part.kind in ("fuse", "breaker")
    }
    for wire in machine.wires.values():
        best: tuple[float, str] | None = None
        for end in (wire.a, wire.b):
            part = machine.parts.get(end.owner)
            place = part or machine.connectors.get(end.owner)
            if place is None or (part is not None and part.kind == "splice"):
                continue
            steps = machine.steps_for_zone(place.zone, place.access)
            cost = sum(machine.access[step].open_min + machine.access[step].close_min for step in steps)
            if best is None or cost < best[0]:
                best = (cost, end.owner)
        if best is not None and best[1] not in found:
            found[wire.id] = best[1]
    return found


def watch_check(machine: Machine, function: str, state: str, unplugged: Sequence[str]) -> Check:
    """Watching a function with connectors held apart (the first is where one stands) or fuses pulled."""
    things = [machine.connectors.get(name) or machine.parts[name] for name in unplugged]
    steps = dict.fromkeys(step for thing in things for step in machine.steps_for_zone(thing.zone, thing.access))
    return Check(
        f"watch {function} in {state}, {' and '.join(unplugged)} out", "watch", unplugged[0], things[0].zone,
        tuple(steps), MINUTES["unplug"] * len(unplugged) + machine.functions[function].minutes,
        state=state, function=function, unplugged=tuple(unplugged),
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
    """The pair's resistance, and each line's to the chassis, battery off, at the controller quickest to reach."""
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
            pair = best[1]
            yield pair
            for line in (pair.plus, pair.minus):
                yield replace(pair, id=f"ohms {line} to chassis", plus=line, minus=chassis_node(machine))


def one_apart(machine: Machine, whole: Check, connectors: Sequence[str]) -> tuple[Check, ...]:
    """A resistance check again with one connector apart at a time, but for the one it is read at."""
    made = []
    for name in connectors:
        if name == whole.place:
            continue
        place = machine.connectors[name]
        steps = dict.fromkeys((*whole.steps, *machine.steps_for_zone(place.zone, place.access)))
        made.append(
            replace(
                whole, id=f"{whole.id}, {name} out", steps=tuple(steps), minutes=whole.minutes + MINUTES["unplug"],
                unplugged=(name,),
            )
        )  # fmt: skip
    return tuple(made)


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
