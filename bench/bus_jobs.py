"""Jobs with a log of the bus: a hidden bus, feed or ground fault, the log it leaves, and what is made of it.

The log is written to a file, read by the program's own readers and taken into a job by the use case that
``halfsplit job buslog`` calls. What the job's entries then hold is all that is ranked by.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from bus_minutes import LOG_MIN
from bus_recordings import Recording

from halfsplit.circuit.observing import SILENT_BESIDE, silence_code
from halfsplit.diagnosis.belief import Belief, believe
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.pairs import Pairs
from halfsplit.diagnosis.world import World, draw
from halfsplit.errors import UserError
from halfsplit.faults.catalogue import Fault
from halfsplit.faults.priors import fault_weights
from halfsplit.jobs.events import ObservationRecorded
from halfsplit.jobs.memory import MemoryStore
from halfsplit.machine.model import Machine
from halfsplit.observations import CodeSeen, Complaint, Observation, Reading
from halfsplit.service import working
from halfsplit.service.bus_alike import kinds_on_the_bus
from halfsplit.service.bus_evidence import take_log
from halfsplit.service.desk import Desk

#: Parts whose own faults are none of bus, feed or ground.
NOT_MEANT = ("controller", "battery")


@dataclass(frozen=True, slots=True)
class Log:
    """What one log came to. Ranks count from 1.

    ``alone`` is the rank of the right repair by log and codes alone, ``with_complaint`` by them and what was reported,
    ``before`` by what was reported alone; ``owner`` that of its connector, part or wire by the log alone. ``place`` is
    the rank of the right one among the sets of repairs that the bus cannot tell apart, ``alike`` how many repairs are
    in the right one.
    """

    fault: str
    group: str
    sleeps: bool
    silent: tuple[str, ...]
    alone: int
    with_complaint: int
    before: int
    owner: int
    place: int
    alike: int


def meant(machine: Machine, fault: Fault) -> bool:
    """Whether a fault may be one of bus, feed or ground: not one inside a controller or a battery."""
    part = machine.parts.get(fault.owner)
    return part is None or part.kind not in NOT_MEANT


def shows_on_bus(world: World, beside: str, state: str) -> bool:
    """Whether some controller stops, or is no longer made out somewhere, in a state."""
    there = world.settled(state, frozenset(world.present))
    sound = world.settled(state, frozenset())
    names = there.netlist.device_index
    at = [number for name, number in names.items() if name.startswith((f"link:{beside}<", "alive:"))]
    return bool((there.booleans[at] != sound.booleans[at]).any()) or there.kind == "chatters"


def hide_on_bus(bench: Bench, rng: np.random.Generator, beside: str, state: str) -> tuple[World, Complaint]:
    """A machine with one hidden bus, feed or ground fault that the bus notices, drawn by how often each comes."""
    weights = fault_weights(bench.machine, bench.faults)
    weights = np.where([meant(bench.machine, fault) for fault in bench.faults], weights, 0.0)
    weights = weights / weights.sum()
    while True:
        world = World(bench.machine, bench.faults, [draw(bench.faults, weights, rng)], rng, bench.drawings)
        if not shows_on_bus(world.fresh(rng), beside, state):
            continue
        complaint = world.complaint()
        if complaint is not None:
            return world, complaint


def taken(
    bench: Bench, folder: Path, fingerprint: str, world: World, complaint: Complaint, file: Path,
    rng: np.random.Generator, beside: str, state: str,
) -> tuple[Desk, list[Observation]]:  # fmt: skip
    """Writes the log, opens a job with the complaint and takes the log into it; what the job then holds of it."""
    Recording(world.fresh(rng), beside, state, rng).write(file)
    moments = (datetime(2031, 4, 2, 7, tzinfo=UTC) + timedelta(minutes=n) for n in itertools.count())
    desk = Desk(MemoryStore(), lambda: next(moments), "Rosa", {fingerprint: bench})
    working.open_job(desk, folder, complaint, job_id="bus")
    try:
        take_log(desk, file, beside=beside, state=state, minutes=LOG_MIN, nobody=True)
    except UserError as error:
        if error.code != "log-tells-nothing":
            raise
    found = [entry.what.observation for entry in desk.job().entries if isinstance(entry.what, ObservationRecorded)]
    return desk, found


def by_log_alone(bench: Bench, found: Sequence[Observation]) -> Belief:
    """The odds by what a log told and nothing else: no complaint, and how often each fault comes."""
    evidence = Evidence(bench.space, bench.signatures, Complaint(()))
    for one in found:
        evidence.add(one)
    prior = bench.space.log_prior(fault_weights(bench.machine, bench.faults))
    return believe(evidence, prior, Pairs(evidence, prior))


def rank_of(odds: np.typing.NDArray[np.float64], at: int) -> int:
    """The place of one in the list by odds, 1 for the first; of equals the first in the machine file stands first."""
    return int(np.flatnonzero(np.argsort(-odds, kind="stable") == at)[0]) + 1


def judged(bench: Bench, world: World, complaint: Complaint, desk: Desk, found: Sequence[Observation]) -> Log:
    """How well a taken log points to what is hidden."""
    fault = bench.faults[world.hidden[0].fault]
    group = next(at for at, one in enumerate(bench.space.groups) if one.id == fault.group)
    hunt = desk.standing(desk.job()).hunt
    alone = by_log_alone(bench, found)
    seen = [one for one in found if isinstance(one, CodeSeen | Reading)]
    kind = kinds_on_the_bus(hunt, seen)
    rows = alone.row_odds()
    by_kind = np.bincount(kind, weights=rows).astype(np.float64)
    own = np.bincount(kind, weights=np.where(bench.space.row_group == group, rows, 0.0))
    mine = int(np.argmax(own))
    told = [one for one in seen if isinstance(one, CodeSeen) and one.code.startswith(SILENT_BESIDE) and one.active]
    owners = list(dict.fromkeys(one.owner for one in bench.space.groups))
    by_owner = np.zeros(len(owners))
    for one, odds in zip(bench.space.groups, alone.group_odds().tolist(), strict=True):
        by_owner[owners.index(one.owner)] += odds
    return Log(
        fault.id, fault.group, world.hidden[0].sleeps, tuple(sorted({one.controller for one in told})),
        rank_of(alone.group_odds(), group),
        rank_of(hunt.belief.group_odds(), group),
        rank_of(Hunt(bench, complaint).belief.group_odds(), group),
        rank_of(by_owner, owners.index(bench.space.groups[group].owner)),
        rank_of(by_kind, mine),
        len(np.unique(bench.space.row_group[(kind == mine) & (rows > 1e-3 * by_kind[mine])])),
    )  # fmt: skip


def best_possible(bench: Bench, beside: str, state: str, first: int = 2) -> float:
    """The most that anybody could reach by log and codes alone: chance that the right repair is among the ``first``.

    For one who reads every silence, error and code of the log's state without a mistake, and every supply to half a
    volt, who knows which faults are meant and how often each of them comes: of those that look the same he names the
    likeliest. Only faults that the bus notices count, each at its severities in the tables.
    """
    space, machine = bench.space, bench.machine
    table = bench.signatures.state(state)
    weights = fault_weights(machine, bench.faults)
    silent = [at for (_, code), at in table.codes.items() if code == silence_code(beside)]
    changed = (table.lines.codes[:-1][:, silent] != table.lines.codes[-1, silent]).any(axis=1)
    volts = []
    for part in machine.parts.values():
        if part.controller is not None:
            supply = part.controller.supply
            plus, minus = (table.nodes[f"{part.id}.{pin}"] for pin in (supply.pin, supply.ground))
            volts.append(np.round(2.0 * (table.lines.volts[:, plus] - table.lines.volts[:, minus])))
    heard = ~table.lines.codes[:, silent]
    names = [name for (name, code) in table.codes if code == silence_code(beside)]
    order = [part.id for part in machine.parts.values() if part.controller is not None]
    # Codes and volts of who is not heard are not in the log.
    shown = [np.where(heard[:, names.index(name)], volts[order.index(name)], -1.0) for name in order if name in names]
    for (name, code), at in table.codes.items():
        if not code.startswith(SILENT_BESIDE) and name in names:
            shown.append(np.where(heard[:, names.index(name)], table.lines.codes[:, at], False).astype(float))
    kinds = np.stack([*(table.lines.codes[:, at].astype(float) for at in silent), *shown], axis=1)[:-1]
    kind = np.unique(kinds, axis=0, return_inverse=True)[1].reshape(-1)
    mass: dict[tuple[int, int], float] = {}
    whole = 0.0
    for row in np.flatnonzero(changed).tolist():
        fault = bench.faults[int(space.row_fault[row])]
        if not meant(machine, fault):
            continue
        severities = fault.severities
        share = severities[int(space.row_grade[row])].weight / sum(one.weight for one in severities)
        weight = float(weights[int(space.row_fault[row])]) * share
        key = (int(kind[row]), int(space.row_group[row]))
        mass[key] = mass.get(key, 0.0) + weight
        whole += weight
    hit = 0.0
    for one in {key[0] for key in mass}:
        hit += sum(sorted((value for key, value in mass.items() if key[0] == one), reverse=True)[:first])
    return hit / whole


def seeds(first: int, count: int) -> Iterator[np.random.Generator]:
    """A generator for each job."""
    return (np.random.default_rng([first, number, 19]) for number in range(count))
