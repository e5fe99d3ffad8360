"""Resistance between two points with the battery disconnected, connectors held apart if wanted.

The meter is its own small source; each pair of points is one more solve of the dead machine, made when asked
and only for the rows asked for. In a dead machine only the meter drives anything: what adds resistance where none
of its current runs, or joins points between which it puts no voltage, changes nothing and need not be solved.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit.batch import settle_batch, volts_row
from halfsplit.circuit.changes import ChangeSet
from halfsplit.circuit.netlist import Branch, Netlist
from halfsplit.circuit.resting import switched_on
from halfsplit.circuit.stamps import sender_responses
from halfsplit.circuit.system import System, solve_changes
from halfsplit.diagnosis.held import Held
from halfsplit.diagnosis.likelihood import GRADE_SHARE, OHMS_DECADES, gaussian
from halfsplit.diagnosis.load_ohms import at_rest, decades
from halfsplit.diagnosis.space import Bools, Space
from halfsplit.faults.applying import changes
from halfsplit.faults.catalogue import Effect
from halfsplit.faults.signatures import Signatures
from halfsplit.machine.model import Machine
from halfsplit.observations import Reading

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: The meter's own source on ohms: open voltage and inner resistance; common instrument property, from memory.
METER_OPEN_V = 0.5
METER_OHM = 10_000.0
#: Beyond this a hand meter shows over-range; from memory.
OVER_RANGE_OHM = 20e6
APART_OHM = 1e12
#: What leads and tips leave after zeroing, with the last digit of a hand meter: one standard deviation, ohm; from
#: memory. can-short of electrical_limits.csv allows more for leads that are not zeroed.
LEADS_OHM = 0.1
#: Below this the leads decide, and only "low" is to be told; three of their deviations (derived).
LOW_OHM = 3.0 * LEADS_OHM
#: Above this a load is broken, and cold or warm makes no difference; from memory.
OPEN_OHM = 1e5
#: Shares of the meter's own current and voltage below this are none: rounding leaves some 1e-15 (derived). A change
#: moves the reading by no more than that share, for what is not part of the meter's circuit takes nothing from it.
UNFELT = 1e-12
#: Pairs of points held for a machine, each with its dead circuit: one to two megabytes; no source.
COLUMNS_HELD = 32


def dead_netlist(netlist: Netlist, a: str, b: str, unplugged: Sequence[str] = ()) -> Netlist:
    """The circuit without batteries and generators and with an ohmmeter between ``a`` and ``b``.

    The contacts of ``unplugged`` connectors are apart.
    """
    apart = tuple(f"contact:{name}." for name in unplugged)

    def dead(branch: Branch) -> Branch:
        if branch.name.startswith("cell:"):
            return replace(branch, resistance_ohm=APART_OHM, emf_v=0.0)
        return (
            replace(branch, resistance_ohm=APART_OHM) if apart and branch.name.startswith(apart) else branch
        )

    meter = Branch("meter", b, a, METER_OHM, METER_OPEN_V)
    return replace(netlist, branches=(*(dead(branch) for branch in netlist.branches), meter))


def pulled_fuses(machine: Machine, unplugged: Sequence[str]) -> tuple[Effect, ...]:
    """What pulling the fuses among ``unplugged`` does."""
    return tuple(
        Effect("series", f"fuse:{name}", "", float("inf"))
        for name in unplugged
        if name in machine.parts and machine.parts[name].kind in ("fuse", "breaker")
    )


def ohms_from_volts(volts: Floats) -> Floats:
    """Resistance the meter shows for the voltage it finds across its leads."""
    shown = METER_OHM * np.abs(volts) / np.maximum(METER_OPEN_V - np.abs(volts), 1e-9)
    return np.clip(shown, 1e-3, OVER_RANGE_OHM)


def scale_of(ohm: Floats) -> Floats:
    """Where resistances in ohm stand on the scale they are compared on: decades, all below the leads' share alike."""
    return np.asarray(np.log10(ohm + LEADS_OHM), dtype=np.float64)


def ohm_at(place: float) -> float:
    """The resistance in ohm at a place of the scale."""
    return max(float(10.0**place) - LEADS_OHM, 0.0)


def connectors_along(netlist: Netlist, machine: Machine, node: str) -> tuple[str, ...]:
    """Connectors met when following the conductors from ``node``, nearest first; loads and switches stop."""
    reach: dict[str, list[tuple[str, str]]] = {}
    for branch in netlist.branches:
        if branch.name.startswith(("wire:", "contact:", "terminal:", "joint:")):
            reach.setdefault(branch.a, []).append((branch.b, branch.name))
            reach.setdefault(branch.b, []).append((branch.a, branch.name))
    seen, queue, found = {node}, [node], []
    while queue:
        here = queue.pop(0)
        for there, name in reach.get(here, ()):
            if there in seen or there.startswith("body:"):
                continue
            seen.add(there)
            queue.append(there)
            if name.startswith("contact:"):
                connector = name.partition(":")[2].rpartition(".")[0]
                if connector not in found and connector in machine.connectors:
                    found.append(connector)
    return tuple(found)


@dataclass(eq=False)
class _Column:
    """One pair of points: the dead machine factorised, and the ohms known so far (nan: not asked).

    ``carries`` ``[elements]`` and ``volts`` ``[drives, nodes]`` say where current runs and what voltages stand, as
    shares of the most: of the meter, and of what controllers send on a bus (on which something may switch).
    """

    system: System
    pulled: ChangeSet
    ohms: Floats
    carries: Bools = field(init=False)
    volts: Floats = field(init=False)

    def __post_init__(self) -> None:
        system = self.system
        metered = solve_changes(system, self.pulled)
        sent = sender_responses(system.c, system.factor)[: system.c.size]
        amps = np.abs(np.column_stack([metered.currents, sent[system.c.n :]]))
        self.carries = (amps > UNFELT * amps.max(axis=0)).any(axis=1)
        self.volts = np.column_stack([metered.voltages / METER_OPEN_V, sent[: system.c.n]]).T

    def felt(self, known: _Known) -> Bools:
        """Which rows' effects the meter can feel, ``[rows]``."""
        node, element = known.places(self.system.netlist)
        found = np.zeros(known.rows, dtype=np.bool_)
        row, a, b = known.shunt
        a, b = node[a], node[b]
        there = np.flatnonzero((a >= 0) & (b >= 0))
        across = np.abs(self.volts[:, a[there]] - self.volts[:, b[there]]).max(axis=0, initial=0.0)
        found[row[there[across > UNFELT]]] = True
        row, a = known.series
        a = element[a]
        found[row[(a >= 0) & self.carries[a]]] = True
        row, a = known.other
        found[row[element[a] >= 0]] = True
        return found


class _Known:
    """Where the effects of all rows act, as numbers of ``names``: shunts (row, a, b), series and others (row, a)."""

    def __init__(self, signatures: Signatures) -> None:
        number: dict[str, int] = {}
        shunt: list[tuple[int, int, int]] = []
        series: list[tuple[int, int]] = []
        other: list[tuple[int, int]] = []
        for row, effects in enumerate(signatures.effects):
            for one in effects:
                a = number.setdefault(one.a, len(number))
                if one.kind == "shunt":
                    shunt.append((row, a, number.setdefault(one.b, len(number))))
                else:
                    (series if one.kind == "series" else other).append((row, a))
        self.rows, self.names = len(signatures.effects), tuple(number)
        self.shunt = np.array(shunt, dtype=np.int64).reshape(-1, 3).T
        self.series, self.other = (np.array(one, dtype=np.int64).reshape(-1, 2).T for one in (series, other))
        self._placed: tuple[Mapping[str, int], Mapping[str, int], Ints, Ints] | None = None

    def places(self, netlist: Netlist) -> tuple[Ints, Ints]:
        """The numbers of ``names`` among a netlist's nodes and among its branches, -1 for none, ``[names]`` each.

        Dead circuits of one machine differ in where the meter hangs, and seldom in these numbers.
        """
        nodes, branches = netlist.node_index, netlist.branch_index
        if self._placed is None or (nodes, branches) != self._placed[:2]:
            node, branch = (
                np.array([index.get(name, -1) for name in self.names], dtype=np.int64) for index in (nodes, branches)
            )
            self._placed = nodes, branches, node, branch
        return self._placed[2:]


class OhmsTables:
    """Predicted resistances by pair of points, kept once computed."""

    def __init__(self, signatures: Signatures) -> None:
        self._signatures = signatures
        self._columns: Held[tuple[str, ...], _Column] = Held(COLUMNS_HELD)

    def predicted(
        self, state: str, a: str, b: str, unplugged: tuple[str, ...] = (), rows: Ints | None = None
    ) -> Floats:
        """Ohms for every row and the healthy machine, ``[rows + 1]``; only ``rows`` are filled when given."""
        effects = self._signatures.effects
        key = (state, *sorted((a, b)), *unplugged)

        def dead() -> _Column:
            machine = self._signatures.machine
            netlist = dead_netlist(self._signatures.state(state).netlist, a, b, unplugged)
            pulled = changes(netlist, pulled_fuses(machine, unplugged))
            return _Column(switched_on(netlist), pulled, np.full(len(effects) + 1, np.nan))

        column = self._columns.get(key, dead)
        if rows is not None and not np.isnan(column.ohms[rows]).any() and not np.isnan(column.ohms[-1]):
            return column.ohms
        wanted = np.arange(len(effects) + 1) if rows is None else np.unique(np.append(rows, len(effects)))
        missing = wanted[np.isnan(column.ohms[wanted])]
        if len(missing):
            netlist = column.system.netlist
            felt = np.append(column.felt(self._signatures.shared(_Known)), True)  # and the sound machine
            solved = missing[felt[missing]].tolist()
            sets = [
                (*changes(netlist, effects[row] if row < len(effects) else ()), *column.pulled) for row in solved
            ]
            outcome = settle_batch(column.system, sets, [volts_row(netlist, a, b)], second_start=False)
            shown = ohms_from_volts(outcome.readings[:, 0])
            share, _ = at_rest(self._signatures.machine, a, b)
            column.ohms[solved] = np.where(shown < OPEN_OHM, shown * share, shown)
            unfelt = missing[np.isnan(column.ohms[missing])]
            column.ohms[unfelt] = column.ohms[-1]
        return column.ohms

    def sigma(self, a: str, b: str, ohm: Floats) -> Floats:
        """Standard deviation on the scale of readings between two points, their severity left out, ``[n]``.

        ``ohm`` ``[n]`` are the resistances expected.
        """
        whole = ohm + LEADS_OHM
        own = decades(self._signatures.machine, a, b, OHMS_DECADES) * ohm / whole
        return np.asarray(np.hypot(own, LEADS_OHM / whole / math.log(10.0)), dtype=np.float64)

    def weigh(self, observed: Reading, space: Space, span: float) -> Floats:
        """Likelihood of an ohms reading on the scale for every row and the healthy machine, ``[rows + 1]``."""
        minus = observed.minus or self._signatures.state(observed.state).netlist.reference
        ohm = self.predicted(observed.state, observed.plus, minus, observed.unplugged)
        expected = scale_of(ohm)
        value = scale_of(np.clip([observed.value], 0.0, OVER_RANGE_OHM))[0]
        grade = np.zeros(len(expected))
        grade[:-1] = np.abs(expected[space.row_after] - expected[space.row_before])
        sigma = np.hypot(self.sigma(observed.plus, minus, ohm), 0.5 * GRADE_SHARE * grade)
        return gaussian(float(value), expected, sigma, span)
