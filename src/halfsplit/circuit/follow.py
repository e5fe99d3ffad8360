"""Follows change sets in which something switches, all together, until each rests or goes in a circle."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from halfsplit.circuit import diodes
from halfsplit.circuit.changed import ChangedSets
from halfsplit.circuit.devices import apply_logic, next_values, one_at_a_time, trip
from halfsplit.circuit.junctions import moved_on, settle_junctions
from halfsplit.circuit.stamps import Bools, Floats, Ints
from halfsplit.errors import InternalError

#: One at a time every device may need a round, so their number comes on top.
MOST_ROUNDS = 300


@dataclass
class Run:
    """Where the moved change sets of one start ended; arrays over those sets.

    ``stuck`` are those whose diodes found no working point from here; they need the slow way.
    """

    booleans: Bools
    junction_v: Floats
    active: Bools
    sense: Floats
    cycles: dict[int, tuple[Bools, ...]] = field(default_factory=dict)
    raced: set[int] = field(default_factory=set)
    stuck: set[int] = field(default_factory=set)


def follow_from_state(batch: ChangedSets, at: Ints) -> Run:
    """Follows change sets ``at`` from how the devices of the state stand, forced ones as they are forced."""
    forced = batch.forced[at]
    start = np.where(forced >= 0, forced == 1, batch.system.booleans)
    apply_logic(batch.c, start, forced)
    return follow(batch, at, start)


def follow(batch: ChangedSets, at: Ints, start: Bools) -> Run:
    """Follows change sets ``at`` from values ``start`` ``[len(at), devices]`` until each rests or circles."""
    c = batch.c
    run = Run(
        start.copy(),
        np.tile(batch.system.junction_v, (len(at), 1)),
        np.zeros((len(at), c.diode_count), dtype=np.bool_),
        np.zeros((len(at), len(batch.system.senses.plus))),
    )
    seen: list[dict[bytes, int]] = [{} for _ in at]
    trail: list[list[Bools]] = [[] for _ in at]
    loops: list[tuple[Bools, ...]] = [() for _ in at]
    going = np.arange(len(at))
    most = MOST_ROUNDS + c.device_count
    for _ in range(most):
        going = _note_circles(run, going, seen, trail, loops)
        if not len(going):
            return run
        sense, response, solved = newton(batch, at, run, going)
        run.sense[going] = sense
        run.stuck.update(going[~solved].tolist())
        going, sense, response = going[solved], sense[solved], response[solved]
        now, forced = run.booleans[going], batch.forced[at[going]]
        new = next_values(c, batch.system.senses, sense, response, now, forced=forced)
        still = (new == now).all(axis=1)
        tripped = trip(c, batch.system.senses, sense, now, forced)
        trips = still & (tripped != now).any(axis=1)
        single = np.array([bool(loops[k]) for k in going]) & ~still
        if single.any():
            new[single] = one_at_a_time(c, now[single], new[single], forced[single])
        new[trips] = tripped[trips]
        for k in going[trips]:
            loops[k], seen[k], trail[k] = (), {}, []
        rest = still & ~trips
        run.raced.update(int(k) for k in going[rest] if loops[k])
        run.booleans[going] = new
        going = going[~rest]
    raise InternalError(f"The devices did not come to rest or to a cycle in {most} rounds.")


def _note_circles(
    run: Run,
    going: Ints,
    seen: list[dict[bytes, int]],
    trail: list[list[Bools]],
    loops: list[tuple[Bools, ...]],
) -> Ints:
    """Notes the present values; gives back the sets that do not circle one at a time either."""
    on: list[int] = []
    for k in going.tolist():
        key = run.booleans[k].tobytes()
        if key in seen[k]:
            if loops[k]:
                run.cycles[k] = loops[k]
                continue
            loops[k] = tuple(trail[k][seen[k][key] :])
            seen[k], trail[k] = {}, []
        seen[k][key] = len(trail[k])
        trail[k].append(run.booleans[k].copy())
        on.append(k)
    return np.array(on, dtype=np.int64)


def newton(batch: ChangedSets, at: Ints, run: Run, going: Ints) -> tuple[Floats, Floats, Bools]:
    """Solves the sets ``going`` with their device values until no diode moves.

    Gives what the devices see, the bus responses, and which sets found their working point; first axis as
    ``going``.
    """
    c = batch.c
    sense = np.zeros((len(going), len(batch.system.senses.plus)))
    response = np.zeros((len(going), len(c.sender_high), len(c.link_at)))
    todo = np.arange(len(going))
    solved = np.ones(len(going), dtype=np.bool_)
    base_v = batch.system.junction_v
    while len(todo):
        rows = going[todo]
        line = batch.tangents(run.junction_v[rows], run.active[rows])
        ports = batch.ports(at[rows], run.booleans[rows], *line)
        sense[todo], response[todo] = batch.view(ports, *batch.forces(ports))
        if not c.diode_count:
            break
        volts, active = batch.junctions(at[rows], sense[todo]), run.active[rows]
        settled: Bools = np.asarray(~moved_on(volts, run.junction_v[rows], active).any(axis=1))
        left: Bools = batch.off_tangent(volts, active) & settled[:, None]
        entering = diodes.limited(volts, np.broadcast_to(base_v, volts.shape), c.saturation_a, c.slope_v)
        run.junction_v[rows] = np.where(left, entering, run.junction_v[rows])
        run.active[rows] = active | left
        todo = todo[~settled | left.any(axis=1)]
        if not len(todo):
            break
        rows = going[todo]
        run.junction_v[rows], found = settle_junctions(
            batch, at[rows], run.booleans[rows], run.junction_v[rows], run.active[rows]
        )
        solved[todo[~found]] = False
        todo = todo[found]
    return sense, response, solved
