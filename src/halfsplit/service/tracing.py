"""The way of the current through a suspect, from the supply to ground, with the volts along it.

The way is that of the sound machine in one state: through the suspect's own element, then at every junction where the
current goes on to what the complaint is about, else where most of it goes.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from halfsplit.circuit.netlist import Netlist
from halfsplit.diagnosis.naming import (
    HALVES,
    group_short,
    named,
    place_words,
    point_words,
    state_name,
    volts_words,
    wire_words,
)
from halfsplit.faults.catalogue import Effect
from halfsplit.faults.signatures import StateTable
from halfsplit.machine.model import Machine
from halfsplit.observations import Reading
from halfsplit.service.desk import Desk
from halfsplit.service.results import JobHead
from halfsplit.service.working import find_group, head

#: Less than this is no current that a way could be followed by, A; a tenth of what a controller's input draws, from
#: memory.
LEAST_A = 1e-5
#: Elements that join two points which a lead cannot tell apart on a sound machine, by the beginning of their name.
JOINTS = ("contact", "terminal", "joint", "post", "stud")
#: An element that lifts the current by more than this gives it: a battery, a generator, a controller's driver; V.
LIFTS_V = 1e-3


@dataclass(frozen=True, slots=True)
class FoundVolts:
    """A reading at a point in this state; ``against`` says where its black lead was, "" for a ground."""

    volts: float
    words: str
    against: str


@dataclass(frozen=True, slots=True)
class PathPoint:
    """A point where a lead can go, with the volts of the sound machine and those with the suspect there.

    Volts are against the battery's negative post. ``next_words`` is what lies between it and the next point, "" after
    the last; ``next_suspect`` says that the suspect is there, ``suspect`` that it is at the point itself.
    """

    node: str
    words: str
    zone: str
    sound_v: float
    suspect_v: float
    found: tuple[FoundVolts, ...]
    suspect: bool
    next_words: str
    next_suspect: bool


@dataclass(frozen=True, slots=True)
class CircuitPath:
    """The points of a way from supply to ground; none where the suspect carries no current in any state looked at."""

    head: JobHead
    group: str
    repair: str
    text: str
    state: str
    state_name: str
    points: tuple[PathPoint, ...]


@dataclass(frozen=True, slots=True)
class Flow:
    """An element and the way its current goes; A. A ``source`` lifts it: ways begin behind one."""

    name: str
    tail: str
    head: str
    amps: float
    source: bool


def circuit_path(desk: Desk, suspect: str = "", job_id: str | None = None) -> CircuitPath:
    """The way through a suspect (number, place or repair), the likeliest by default. Raises UserError."""
    job = desk.job(job_id)
    standing = desk.standing(job)
    hunt = standing.hunt
    group = find_group(hunt, suspect)
    space = hunt.bench.space
    row = space.foremost_row(space.groups.index(group), hunt.belief.row_odds())
    effects = hunt.bench.signatures.effects[row]
    watched = [hunt.bench.machine.functions[one.function].watch for one in job.complaint.symptoms]
    readings = [one for one in standing.observations if isinstance(one, Reading) and not one.unplugged]
    volts = [one for one in readings if one.quantity == "volts"]
    state = hunt.states[0]
    flows: tuple[Flow, ...] = ()
    # The state that most readings were taken in says most; of equal ones the complaint's comes first.
    for one in sorted(hunt.states, key=lambda each: -sum(reading.state == each for reading in volts)):
        found = way(hunt.bench.signatures.state(one), effects, [name.partition("@")[2] or name for name in watched])
        if found:
            state, flows = one, found
            break
    table = hunt.bench.signatures.state(state)
    there = [one for one in volts if one.state == state]
    return CircuitPath(
        head=head(standing, job),
        group=group.id,
        repair=group_short(group),
        text=space.fault_of_row(row).text,
        state=state,
        state_name=state_name(hunt.bench.machine, state),
        points=_points(table, flows, effects, row, there, group.owner),
    )


def way(table: StateTable, effects: Sequence[Effect], watched: Collection[str]) -> tuple[Flow, ...]:
    """The elements from supply to ground through where ``effects`` act; () where no current flows there."""
    flows = _flows(table)
    start = _start(flows, effects, table.netlist)
    if start is None:
        return ()
    leaving: dict[str, list[Flow]] = {}
    coming: dict[str, list[Flow]] = {}
    for one in sorted(flows.values(), key=lambda each: (-each.amps, each.name)):
        leaving.setdefault(one.tail, []).append(one)
        coming.setdefault(one.head, []).append(one)
    aims = {name for name in flows if _owner(name) in watched and not name.startswith(JOINTS)}
    down = up = [start]
    if start.name not in aims:
        down = _toward(start, leaving, aims, forward=True) or [start]
        if len(down) == 1 and not start.source:
            up = _toward(start, coming, aims, forward=False) or [start]
    ground = table.netlist.reference
    down = _on(down, leaving, ground, forward=True)
    if start.source:
        return tuple(down[1:])
    up = _on(up, coming, ground, forward=False)
    return (*reversed(up[1:]), *down)


def _flows(table: StateTable) -> dict[str, Flow]:
    """Every element that carries current in the sound machine."""
    net, solution = table.netlist, table.system.solution
    ends = {one.name: (one.a, one.b) for one in net.branches}
    ends |= {one.name: (one.a, one.b) for one in net.switches}
    ends |= {one.name: (one.anode, one.cathode) for one in net.diodes}
    found = {}
    for name, (a, b) in ends.items():
        amps = float(solution[len(net.nodes) + net.branch_index[name]])
        if abs(amps) < LEAST_A:
            continue
        tail, head_node = (a, b) if amps > 0 else (b, a)
        lifted_v = float(solution[table.nodes[head_node]] - solution[table.nodes[tail]])
        found[name] = Flow(name, tail, head_node, abs(amps), lifted_v > LIFTS_V)
    return found


def _start(flows: Mapping[str, Flow], effects: Sequence[Effect], net: Netlist) -> Flow | None:
    for effect in effects:
        if effect.kind != "shunt":
            if effect.a in flows:
                return flows[effect.a]
            continue
        for node in (effect.a, effect.b):
            if node == net.reference or node.startswith("body:"):
                continue
            touching = [one for one in flows.values() if node in (one.tail, one.head)]
            if touching:
                return max(touching, key=lambda one: (one.amps, one.name))
    return None


def _owner(element: str) -> str:
    return element.partition(":")[2].partition(".")[0]


def _toward(
    start: Flow, at: Mapping[str, Sequence[Flow]], aims: Collection[str], *, forward: bool
) -> list[Flow] | None:
    """The shortest way with the current (against it with not ``forward``) from ``start`` to one of ``aims``."""
    before: dict[str, Flow | None] = {start.name: None}
    waiting = deque([start])
    known = {start.name: start}
    while waiting:
        one = waiting.popleft()
        if one.name in aims:
            found = [one]
            while (last := before[found[-1].name]) is not None:
                found.append(last)
            return found[::-1]
        if one.source and one is not start:
            continue
        for other in at.get(one.head if forward else one.tail, ()):
            if other.name not in known:
                known[other.name] = other
                before[other.name] = one
                waiting.append(other)
    return None


def _on(way_there: Sequence[Flow], at: Mapping[str, Sequence[Flow]], ground: str, *, forward: bool) -> list[Flow]:
    """Goes on where most of the current goes (comes from), until ground or a source."""
    found = list(way_there)
    used = {one.name for one in found}
    while True:
        last = found[-1]
        node = last.head if forward else last.tail
        going = [one for one in at.get(node, ()) if one.name not in used and not one.source]
        if node == ground or not going:
            return found
        used.add(going[0].name)
        found.append(going[0])


def _points(
    table: StateTable, flows: Sequence[Flow], effects: Sequence[Effect], row: int, readings: Sequence[Reading],
    owner: str,
) -> tuple[PathPoint, ...]:  # fmt: skip
    machine = table.machine
    bad_elements = {one.a for one in effects if one.kind != "shunt"}
    if bad_elements.isdisjoint(one.name for one in flows):  # a part that fails as a whole, such as a controller
        bad_elements |= {one.name for one in flows if _owner(one.name) == owner and not one.name.startswith(JOINTS)}
    bad_nodes = {node for one in effects if one.kind == "shunt" for node in (one.a, one.b)}
    # A source that is suspected is not on the way itself: the way begins behind it.
    behind_source = not bad_nodes and bad_elements.isdisjoint(one.name for one in flows)
    # Points that a lead cannot tell apart are one, unless the suspect is between them.
    clusters: list[list[str]] = [[flows[0].tail]] if flows else []
    between: list[Flow] = []
    for one in flows:
        if (one.name.startswith(JOINTS) and one.name not in bad_elements) or "#" in one.head:
            clusters[-1].append(one.head)
        else:
            clusters.append([one.head])
            between.append(one)
    found = []
    for at, cluster in enumerate(clusters):
        node = _shown(machine, cluster)
        column = table.nodes[node]
        after = between[at] if at < len(between) else None
        found.append(
            PathPoint(
                node=node,
                words=_words(machine, node, bad_elements),
                zone=_zone(machine, node),
                sound_v=float(table.lines.volts[-1, column]),
                suspect_v=float(table.lines.volts[row, column]),
                found=tuple(
                    FoundVolts(one.value, volts_words(one.value), _against(machine, one.minus))
                    for one in readings if one.plus in cluster
                ),
                suspect=(at == 0 and behind_source)
                or (not bad_nodes.isdisjoint(cluster) and not all(one.startswith("body:") for one in cluster)),
                next_words=_element_words(machine, after.name) if after is not None else "",
                next_suspect=after is not None and after.name in bad_elements,
            )
        )  # fmt: skip
    return tuple(found)


def _shown(machine: Machine, cluster: Sequence[str]) -> str:
    """The point of a cluster that a person would put a lead to: a cavity before a pin, a pin before a wire's end."""
    def rank(node: str) -> tuple[bool, ...]:
        owner = node.partition(":")[0].partition(".")[0]
        return "#" in node, node.startswith("body:"), "@" in node, owner not in machine.connectors

    return min(cluster, key=rank)


def _words(machine: Machine, node: str, bad_elements: Collection[str]) -> str:
    if node.startswith("body:") or "@" in node:
        return point_words(machine, node)
    point, _, half = node.partition(":")
    # The two sides of a suspected contact are two points; elsewhere they are one.
    side = f", {HALVES[half]}" if half in HALVES and f"contact:{point}" in bad_elements else ""
    return f"{place_words(machine, point)}{side}"


def _zone(machine: Machine, node: str) -> str:
    owner = node.partition("@")[2] or node
    owner = owner.partition(":")[0].partition(".")[0]
    thing = machine.connectors.get(owner) or machine.parts.get(owner)
    if thing is None:
        return ""
    return machine.zones[thing.zone].name or thing.zone


def _against(machine: Machine, minus: str) -> str:
    part = machine.parts.get(minus.partition("@")[2].partition(".")[0] or minus.partition(".")[0])
    if minus.startswith("body:") or (part is not None and part.kind in ("stud", "battery")):
        return ""
    return place_words(machine, minus)


def _element_words(machine: Machine, name: str) -> str:
    kind, _, rest = name.partition(":")
    if kind == "wire" and rest in machine.wires:
        return wire_words(machine.wires[rest])
    if kind in ("contact", "post"):
        return f"the contact of {rest}"
    if kind in ("terminal", "joint"):
        return f"the terminal of wire {rest.partition('@')[0]}"
    return named(machine, _owner(name))
