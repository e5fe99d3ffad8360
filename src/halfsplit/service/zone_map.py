"""A map of the machine by zone: which zones hang together, where the suspects are, what is open, where water stays.

A machine file has no drawing, so the map is laid out from its wires: zones joined by many of them come to lie side by
side, the battery's at the top.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import log2

import numpy as np

from halfsplit.circuit.expansion import reference_battery
from halfsplit.diagnosis.naming import group_short
from halfsplit.machine.model import Machine
from halfsplit.service.desk import Desk, Standing
from halfsplit.service.results import JobHead
from halfsplit.service.working import head

#: Columns of the map: what a phone held upright has room for.
COLUMNS = 2
#: Suspects named in one zone, and the odds below which they are not worth a line; no source.
MOST_NAMED = 5
WORTH_NAMING = 0.003


@dataclass(frozen=True, slots=True)
class ZoneSuspect:
    """A suspect in a zone, with its odds 0..1."""

    group: str
    repair: str
    odds: float


@dataclass(frozen=True, slots=True)
class ZoneSpot:
    """A zone on the map, at a row and a column from 0, with the odds 0..1 that the cause is there.

    ``open_min`` are the minutes until it can be reached, 0 when it is open; ``to_open`` names the steps. ``low_points``
    are its connectors that water runs down to; ``pooling`` says how much stands there.
    """

    zone: str
    name: str
    row: int
    column: int
    odds: float
    suspects: tuple[ZoneSuspect, ...]
    open_min: float
    to_open: tuple[str, ...]
    low_points: tuple[str, ...]
    pooling: str


@dataclass(frozen=True, slots=True)
class ZoneLink:
    """Two zones joined by so many wires."""

    a: str
    b: str
    wires: int


@dataclass(frozen=True, slots=True)
class ZoneMap:
    """All zones and the strongest links that hold them together."""

    head: JobHead
    zones: tuple[ZoneSpot, ...]
    links: tuple[ZoneLink, ...]


def zone_map(desk: Desk, job_id: str | None = None) -> ZoneMap:
    """The map with the odds as they stand. Raises NotFound, UserError."""
    job = desk.job(job_id)
    standing = desk.standing(job)
    machine = standing.machine
    links = strongest(machine)
    places = laid_out(machine, links)
    named: dict[str, list[ZoneSuspect]] = {}
    odds = dict.fromkeys(machine.zones, 0.0)
    groups = standing.hunt.bench.space.groups
    belief = np.asarray(standing.hunt.belief.group_odds())
    for at in np.argsort(-belief, kind="stable"):
        group = groups[int(at)]
        odds[group.zone] = odds.get(group.zone, 0.0) + float(belief[at])
        if belief[at] >= WORTH_NAMING:
            named.setdefault(group.zone, []).append(ZoneSuspect(group.id, group_short(group), float(belief[at])))
    return ZoneMap(
        head(standing, job),
        tuple(
            _spot(standing, name, places[name], min(1.0, odds[name]), named.get(name, [])[:MOST_NAMED])
            for name in machine.zones
        ),
        links,
    )


def _spot(
    standing: Standing, name: str, place: tuple[int, int], odds: float, suspects: Sequence[ZoneSuspect]
) -> ZoneSpot:
    machine = standing.machine
    zone = machine.zones[name]
    steps = [machine.access[one] for one in machine.steps_for_zone(name) if one not in standing.open_now]
    low = tuple(one.id for one in machine.connectors.values() if one.zone == name and one.low_point)
    return ZoneSpot(
        name, zone.name or name, *place, odds, tuple(suspects), sum(one.open_min for one in steps),
        tuple(one.name or one.id for one in steps), low, zone.exposure.get("pooling", "none"),
    )  # fmt: skip


def strongest(machine: Machine) -> tuple[ZoneLink, ...]:
    """The links with most wires that hold all zones together: a maximum spanning forest (Kruskal)."""
    where = {one.id: one.zone for one in machine.connectors.values()}
    where |= {one.id: one.zone for one in machine.parts.values()}
    count: Counter[tuple[str, str]] = Counter()
    order = {name: at for at, name in enumerate(machine.zones)}
    for wire in machine.wires.values():
        a, b = (where.get(end.owner) for end in (wire.a, wire.b))
        if a is not None and b is not None and a != b:
            first, second = sorted((a, b), key=order.__getitem__)
            count[first, second] += 1
    together = {name: name for name in machine.zones}

    def root(name: str) -> str:
        while together[name] != name:
            name = together[name]
        return name

    found = []
    for (a, b), wires in sorted(count.items(), key=lambda one: (-one[1], order[one[0][0]], order[one[0][1]])):
        if root(a) != root(b):
            together[root(a)] = root(b)
            found.append(ZoneLink(a, b, wires))
    return tuple(found)


def laid_out(machine: Machine, links: Sequence[ZoneLink]) -> dict[str, tuple[int, int]]:
    """Row and column of each zone: the battery's first, then swapped until no swap makes the links shorter."""
    weights = {(one.a, one.b): 1.0 + log2(one.wires) for one in links}
    first = reference_battery(machine).zone
    order = [first]
    for name in order:  # grows: zone after zone, each followed by those that hang on it
        near = [(other, weight) for pair, weight in weights.items() if name in pair for other in pair if other != name]
        order += [other for other, _ in sorted(near, key=lambda one: -one[1]) if other not in order]
    order += [name for name in machine.zones if name not in order]
    places = {name: divmod(at, COLUMNS) for at, name in enumerate(order)}
    best = _length(places, weights)
    better = True
    while better:
        better = False
        for one, other in combinations(order[1:], 2):
            places[one], places[other] = places[other], places[one]
            length = _length(places, weights)
            if length < best - 1e-9:
                best, better = length, True
            else:
                places[one], places[other] = places[other], places[one]
    return places


def _length(places: Mapping[str, tuple[int, int]], weights: Mapping[tuple[str, str], float]) -> float:
    """How long all links are, long ones more than in proportion; a step across counts as one down."""
    total = 0.0
    for (a, b), weight in weights.items():
        down, across = (abs(one - other) for one, other in zip(places[a], places[b], strict=True))
        total += weight * (down + across) ** 2
    return total
