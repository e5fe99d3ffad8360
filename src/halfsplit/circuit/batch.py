"""Thousands of change sets of one state at once.

Every change set is first put on the state as it is, by low rank. Only where a device would then switch or a
diode leaves its tangent does the set join the *moved* ones, whose switched elements and diodes become
further ports; those are followed round by round, all together, until each rests or goes in a circle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit import native, quick
from halfsplit.circuit.changed import ChangedSets
from halfsplit.circuit.changes import Change, ChangeTable, changes_of, table_of
from halfsplit.circuit.devices import next_values, start_values, trip
from halfsplit.circuit.follow import Run, follow, follow_from_state, newton
from halfsplit.circuit.netlist import Netlist
from halfsplit.circuit.ports import Ports, groups, impedance, scaled_solve, system_matrix
from halfsplit.circuit.settle import Outcome, settle
from halfsplit.circuit.stamps import Bools, Floats, Ints
from halfsplit.circuit.system import System

STEADY, CHATTERS, LATCHES = 0, 1, 2
_KINDS = {"steady": STEADY, "chatters": CHATTERS, "latches": LATCHES}

#: A diode whose tangent is right within this stays on it, V; no source.
DIODE_TOLERANCE_V = 2e-3
_CHUNK = 4096  # change sets handled together, so that memory does not grow with their number

ReadRows = NDArray[np.int64]
"""Shape ``[rows, 2]``: what to read, as pairs of unknowns; see :func:`volts_row` and :func:`amps_row`."""


def volts_row(netlist: Netlist, plus: str, minus: str | None = None) -> tuple[int, int]:
    """The voltage of ``plus`` against ``minus`` (the reference when left out), for ``read_rows``."""
    index = netlist.node_index
    return index[plus], index[netlist.reference if minus is None else minus]


def amps_row(netlist: Netlist, branch: str) -> tuple[int, int]:
    """The current of a branch, switch or diode, for ``read_rows``."""
    return len(netlist.nodes) + netlist.branch_index[branch], netlist.node_index[netlist.reference]


@dataclass(frozen=True, eq=False)
class BatchOutcome:
    """What ``F`` change sets do in one state.

    ``readings`` ``[F, rows]`` in V or A, nothing loading the point (mean over the cycle where it chatters);
    ``booleans`` ``[F, devices]``; ``kind`` ``[F]``: STEADY, CHATTERS or LATCHES. ``source_impedance_ohm``
    ``[F, rows]`` when asked for: resistance seen from the two points of a voltage row (nan on current rows),
    diodes on their tangent: behind a diode without load it is far above what a meter finds, see
    :func:`halfsplit.circuit.meters.volts`.
    ``cycles`` maps a chattering set to the device values it runs through; ``alternatives`` a latching set to
    its other resting states. ``switched`` ``[F]``: did anything switch because of the changes?
    """

    readings: Floats
    booleans: Bools
    kind: NDArray[np.uint8]
    switched: Bools
    source_impedance_ohm: Floats | None
    cycles: dict[int, tuple[Bools, ...]]
    alternatives: dict[int, tuple[Bools, ...]]


def settle_batch(
    system: System,
    change_sets: Sequence[Sequence[Change]] | ChangeTable,
    read_rows: ReadRows | Sequence[tuple[int, int]],
    diode_tolerance_v: float = DIODE_TOLERANCE_V,
    *,
    source_impedance: bool = False,
    second_start: bool = True,
) -> BatchOutcome:
    """Settles many change sets from the state of ``system``; shapes in :class:`BatchOutcome`.

    ``diode_tolerance_v``: a diode whose tangent is right within this stays on it. A second start, from
    everything on, is tried for sets in which something switched or in which a device that is off sees more
    than its drop-out voltage: those that could rest elsewhere because of the changes.
    """
    table = change_sets if isinstance(change_sets, ChangeTable) else table_of(system.netlist, change_sets)
    rows = np.asarray(read_rows, dtype=np.int64).reshape(-1, 2)
    state = None
    if native.available() and not source_impedance:
        state = quick.ready(system, rows[:, 0], rows[:, 1], diode_tolerance_v)
    if state is not None:
        return _compiled(state, system, table, rows, diode_tolerance_v, second_start=second_start)
    batch = ChangedSets(system, table, np.arange(table.count), diode_tolerance_v)
    reader = _Reader(batch, rows, source_impedance)
    c = batch.c
    base = np.broadcast_to(system.booleans, (table.count, c.device_count))
    readings = np.empty((table.count, len(rows)))
    impedances = np.empty((table.count, len(rows) if source_impedance else 0))
    sense = np.empty((table.count, len(system.senses.plus)))
    moves = np.zeros(table.count, dtype=np.bool_)
    # First every set on the state as it is.
    for start in range(0, table.count, _CHUNK):
        sets = np.arange(start, min(start + _CHUNK, table.count))
        part = slice(start, start + _CHUNK)
        own = batch.own.take(sets, batch.own.used.shape[1])
        force, per_sender = batch.forces(own)
        sense[part], response = batch.view(own, force, per_sender)
        readings[part], impedances[part] = reader.read(own, force)
        new = next_values(c, system.senses, sense[part], response, base[part], forced=batch.forced[part])
        new |= trip(c, system.senses, sense[part], base[part], batch.forced[part]) & ~base[part]
        idle = np.zeros((len(sets), c.diode_count), dtype=np.bool_)
        off = batch.off_tangent(batch.junctions(sets, sense[part]), idle)
        moves[part] = (new != base[part]).any(axis=1) | off.any(axis=1) | batch.touched[part].any(axis=1)
    outcome = BatchOutcome(
        readings, base.copy(), np.full(table.count, STEADY, dtype=np.uint8), np.zeros(table.count, dtype=np.bool_),
        impedances if source_impedance else None, {}, {},
    )  # fmt: skip
    moved = np.flatnonzero(moves)
    for start in range(0, len(moved), _CHUNK):
        _follow_chunk(batch, reader, moved[start : start + _CHUNK], sense, outcome)
    outcome.switched[:] = (outcome.booleans != base).any(axis=1)
    outcome.switched[list(outcome.cycles)] = True
    if second_start and c.device_count:
        _start_again(batch, outcome, sense)
    return outcome


def _start_again(batch: ChangedSets, outcome: BatchOutcome, sense: Floats) -> None:
    """Tries the second start where it could end elsewhere, and writes what it finds into ``outcome``."""
    could = outcome.switched | _could_hold(batch, sense, outcome.booleans)
    again = np.flatnonzero(could & (outcome.kind != CHATTERS))
    for start in range(0, len(again), _CHUNK):
        others = _from_everything_on(batch, again[start : start + _CHUNK], outcome.booleans)
        outcome.alternatives.update(others)
        outcome.kind[list(others)] = LATCHES


def _compiled(
    state: quick.Ready, system: System, table: ChangeTable, rows: ReadRows, diode_tolerance_v: float, *,
    second_start: bool,
) -> BatchOutcome:  # fmt: skip
    """The same by the compiled code; some thousand sets at a time where a second start needs what devices see."""
    if not second_start or table.count <= _CHUNK:
        return _compiled_part(state, system, table, rows, diode_tolerance_v, second_start=second_start)
    devices, count = system.c.device_count, table.count
    outcome = BatchOutcome(
        np.empty((count, len(rows))), np.empty((count, devices), dtype=np.bool_), np.empty(count, dtype=np.uint8),
        np.zeros(count, dtype=np.bool_), None, {}, {},
    )  # fmt: skip
    for start in range(0, count, _CHUNK):
        sets = np.arange(start, min(start + _CHUNK, count))
        part = _compiled_part(state, system, table.part(sets), rows, diode_tolerance_v, second_start=True)
        outcome.readings[sets], outcome.booleans[sets] = part.readings, part.booleans
        outcome.kind[sets], outcome.switched[sets] = part.kind, part.switched
        outcome.cycles.update({start + k: cycle for k, cycle in part.cycles.items()})
        outcome.alternatives.update({start + k: others for k, others in part.alternatives.items()})
    return outcome


def _compiled_part(
    state: quick.Ready, system: System, table: ChangeTable, rows: ReadRows, diode_tolerance_v: float, *,
    second_start: bool,
) -> BatchOutcome:  # fmt: skip
    found = quick.follow(state, system, table, with_sense=second_start)
    outcome = BatchOutcome(
        found.readings, found.booleans, found.kind.astype(np.uint8), found.switched, None, found.cycles, {}
    )
    stuck = np.flatnonzero(found.kind == quick.STUCK).tolist()
    if stuck or second_start:
        batch = ChangedSets(system, table, np.arange(table.count), diode_tolerance_v)
        for k in stuck:
            _settle_stuck(batch, rows[:, 0], rows[:, 1], k, outcome, found.sense)
            outcome.switched[k] = k in outcome.cycles or (outcome.booleans[k] != system.booleans).any()
    if second_start and system.c.device_count:
        _start_again(batch, outcome, found.sense)
    return outcome


def _settle_stuck(
    batch: ChangedSets, plus: Ints, minus: Ints, number: int, outcome: BatchOutcome, sense: Floats
) -> None:
    """Settles one set whose diodes found no working point from the state, exactly, and writes it into ``outcome``."""
    system = batch.system
    one = _one_by_one(batch, number, system.booleans)
    x = np.concatenate([one.voltages, one.currents])
    outcome.booleans[number], outcome.kind[number] = one.booleans, _KINDS[one.kind]
    outcome.readings[number] = x[plus] - x[minus]
    if len(sense):
        sense[number] = x[system.senses.plus] - x[system.senses.minus]
    if one.kind == "chatters":
        outcome.cycles[number] = one.cycle


def _follow_chunk(batch: ChangedSets, reader: _Reader, at: Ints, sense: Floats, outcome: BatchOutcome) -> None:
    """Follows the moved sets ``at`` and writes where they end into ``sense`` and ``outcome``."""
    run = follow_from_state(batch, at)
    outcome.booleans[at] = run.booleans
    sense[at] = run.sense
    outcome.readings[at], impedances = reader.settled(batch, at, run)
    cycles = {int(at[k]): cycle for k, cycle in run.cycles.items()}
    outcome.kind[list(cycles)] = CHATTERS
    outcome.kind[[int(at[k]) for k in run.raced]] = LATCHES
    outcome.cycles.update(cycles)
    if outcome.source_impedance_ohm is not None:
        outcome.source_impedance_ohm[at] = impedances
    for k in sorted(run.stuck):
        number = int(at[k])
        _settle_stuck(batch, reader.plus, reader.minus, number, outcome, sense)
        if outcome.source_impedance_ohm is not None:
            outcome.source_impedance_ohm[number] = np.nan


def _one_by_one(batch: ChangedSets, number: int, start: Bools) -> Outcome:
    """One set settled exactly: the way out when its diodes find no working point from the state."""
    changes = changes_of(batch.table, int(batch.sets[number]))
    return settle(batch.table.netlist, changes, start=start, second_start=False)


def _could_hold(batch: ChangedSets, sense: Floats, booleans: Bools) -> Bools:
    """Sets in which a threshold that is off would hold if it were on, and would not without the changes."""
    c, spans = batch.c, batch.system.senses

    def holds(values: Floats) -> Bools:
        volts = values[..., spans.thresholds]
        return np.asarray(np.where(c.absolute, np.abs(volts), volts) > c.drop_out_v)

    without = holds(batch.sense_0) & ~batch.system.booleans[c.threshold_at]
    free = batch.forced[:, c.threshold_at] < 0
    would: Bools = np.any(holds(sense) & ~booleans[:, c.threshold_at] & ~without & free, axis=1)
    return would


def _from_everything_on(
    batch: ChangedSets, again: Ints, booleans: Bools
) -> dict[int, tuple[Bools, ...]]:
    """Other resting states (or cycles) of some sets, reached from everything on."""
    other = ChangedSets(batch.system.everything_on, batch.table, batch.sets[again], batch.diode_tolerance_v)
    c = batch.c
    at = np.arange(len(again))
    start = start_values(c, len(again), other.forced, everything_on=True)
    run = follow(other, at, start)
    found: dict[int, tuple[Bools, ...]] = {}
    for k, number in enumerate(again.tolist()):
        if k in run.stuck:
            one = _one_by_one(batch, number, start[k])
            states = one.cycle or (one.booleans,)
        else:
            states = run.cycles.get(k, (run.booleans[k],))
        different = tuple(state for state in states if (state != booleans[number]).any())
        if different:
            found[number] = different
    return found


class _Reader:
    """What is read from solved port systems: voltages, currents and source impedances."""

    def __init__(self, batch: ChangedSets, rows: ReadRows, source_impedance: bool) -> None:
        system, c = batch.system, batch.c
        self.batch, self.want_impedance = batch, source_impedance
        self.plus, self.minus = plus, minus = rows[:, 0], rows[:, 1]
        self.value_0 = system.solution[plus] - system.solution[minus]
        self.by_rows = batch.by_rows(plus, minus)
        self.count = len(rows)
        if source_impedance:
            voltage = plus < c.n
            at_plus, at_minus = (np.where(voltage, part, c.reference) for part in (plus, minus))
            columns = system.columns(np.unique(np.concatenate([at_plus, at_minus])))
            injected = columns[at_plus] - columns[at_minus]
            row = np.arange(len(rows))
            z = injected[row, at_plus] - injected[row, at_minus]
            self.impedance_0 = np.where(voltage, z, np.nan)
            self.injected = np.ascontiguousarray(injected.T)

    def read(self, ports: Ports, force: Floats) -> tuple[Floats, Floats]:
        """Values ``[F, rows]`` and source impedances ``[F, rows]`` (nothing in them unless wanted)."""
        moved = self.batch.moved(ports, [force], [self.by_rows])[0]
        values: Floats = np.subtract(self.value_0, moved, out=moved)
        if not self.want_impedance:
            return values, np.empty((len(values), 0))
        impedances = np.broadcast_to(self.impedance_0, values.shape).copy()
        acting = self.batch.acting_at(ports.place)
        for rows, width in groups(ports):
            group = ports.take(rows, width)
            there = group.place
            answers = self.injected[there.out_plus] - self.injected[there.out_minus]
            answers *= (group.beta * group.used)[:, :, None]
            z = impedance(group, self.batch.columns)
            if width == 1:
                answers /= np.where(group.used, group.alpha + group.beta * z[:, :, 0], 1.0)[:, :, None]
            else:
                answers = scaled_solve(system_matrix(group, z), answers)
            for k in range(width):
                impedances[rows] -= self.by_rows[acting[rows, k]] * answers[:, k]
        return values, impedances

    def settled(self, batch: ChangedSets, at: Ints, run: Run) -> tuple[Floats, Floats]:
        """Readings of followed sets; the mean over the cycle where there is one."""
        line = batch.tangents(run.junction_v, run.active)
        ports = batch.ports(at, run.booleans, *line)
        values, impedances = self.read(ports, batch.forces(ports)[0])
        if not run.cycles:
            return values, impedances
        # The states of all cycles together, each solved on the way here.
        repeat = np.array([k for k, cycle in run.cycles.items() for _ in cycle], dtype=np.int64)
        states = np.array([state for cycle in run.cycles.values() for state in cycle])
        loop = Run(states, run.junction_v[repeat], run.active[repeat], run.sense[repeat].copy())
        newton(batch, at[repeat], loop, np.arange(len(states)))
        line = batch.tangents(loop.junction_v, loop.active)
        ports = batch.ports(at[repeat], states, *line)
        several, several_ohm = self.read(ports, batch.forces(ports)[0])
        start = 0
        for k, cycle in run.cycles.items():
            mine = slice(start, start + len(cycle))
            values[k], impedances[k] = several[mine].mean(axis=0), several_ohm[mine].mean(axis=0)
            start += len(cycle)
        return values, impedances
