"""What lamps, clamps and unplugged connectors would tell: predictions for whole sets of checks, made quickly.

These serve to choose a check. A lamp's prediction here puts the fault's own effect on the healthy circuit, one
change at a time; what an observation is weighed by is solved anew (``lamps``, ``clamps``, ``faults.signatures``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfsplit.diagnosis import clamps, lamps, likelihood
from halfsplit.diagnosis.checks import Check, permitted, watch_check
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.living import Floats, Ints, Live
from halfsplit.diagnosis.space import Bools, Space
from halfsplit.diagnosis.telling import CLASS_STEP, Sorted
from halfsplit.faults.signatures import Signatures, Singles, StateTable
from halfsplit.observations import Symptom

#: Shares of the lamp's current below this are none.
LEAST_SHARE = 1e-3
#: Connectors offered to be unplugged while a function is watched, at most; each is a circuit of its own to solve.
WATCH_CONNECTORS = 2
#: They are offered once so few rows hold this much of the odds: before that other checks tell more. No source.
WATCH_ROWS = 150
WATCH_MASS = 0.85
#: Least share of the odds on either side of a connector worth unplugging, no source.
WATCH_SHARE = 0.05


@dataclass(frozen=True, eq=False)
class _Lamps:
    """The lamp checks of a state: points ``[checks]`` and what the healthy circuit has there.

    ``healthy_ohm`` ``[checks]`` feeds each point. Each row adds its first series resistance ``ohm`` ``[rows + 1]`` in
    ``element`` ``[rows + 1]`` (-1 for none), which carries ``share`` ``[elements, checks]`` of the lamp's current;
    what that adds to what feeds the point is ``added_ohm`` ``[rows + 1, checks]``, worked out for rows in ``known``.
    ``chances`` holds one array ``[lines, checks * 3]`` of the rows looked at so far, ``line`` ``[rows + 1]`` which of
    its lines each row has (-1 for none).
    """

    checks: tuple[Check, ...]
    plus: Ints
    minus: Ints
    healthy_ohm: Floats
    element: Ints
    ohm: Floats
    share: Floats
    added_ohm: Singles
    known: Bools
    line: Ints
    chances: list[Floats]


class Loading:
    """Lamp, clamp and watch checks of one machine; holds only arrays derived from the machine."""

    def __init__(self, space: Space, signatures: Signatures, checks: Sequence[Check]) -> None:
        self._space = space
        self._signatures = signatures
        self._checks = checks
        self._lamp_checks: dict[str, list[int]] = {}
        self._clamp_checks: dict[str, list[int]] = {}
        for number, check in enumerate(checks):
            if check.kind in ("lamp", "amps"):
                kept = self._lamp_checks if check.kind == "lamp" else self._clamp_checks
                kept.setdefault(check.state, []).append(number)
        self._lamps: dict[str, _Lamps] = {}
        self._clamps: dict[str, tuple[list[int], Sorted]] = {}
        self._connectors: tuple[tuple[str, ...], ...] | None = None

    def clamped(self, state: str, evidence: Evidence) -> tuple[list[int], Sorted]:
        """Numbers of the clamp checks of a state, and in which class each row's current falls.

        Things whose current no fault changes noticeably are left out.
        """
        if state not in self._clamps:
            offered = self._clamp_checks.get(state, [])
            known = evidence.clamps.currents(state).through([self._checks[number].plus for number in offered])
            healthy = known.value[-1].astype(np.float64)
            sigma = np.hypot(clamps.CLAMP_A + clamps.CLAMP_SHARE * healthy, known.spread_a)
            # The current farthest from the healthy one is the least or the most.
            moves = np.maximum(known.most - healthy, healthy - known.least) > 3.0 * sigma
            chosen = [number for number, move in zip(offered, moves, strict=True) if move]
            value, steps = known.value[:, moves], sigma[moves]

            def away(rows: Ints) -> Singles:
                result: Singles = ((value[rows].astype(np.float64) - value[-1]) / steps / CLASS_STEP).astype(np.float32)
                return result

            self._clamps[state] = chosen, Sorted(len(value), len(chosen), away)
        return self._clamps[state]

    def lamps(self, state: str, now: Live, *, watched: bool) -> tuple[list[int], Floats]:
        """Numbers of the lamp checks of a state, and the masses of dark, dim, lit and asleep by group.

        Masses are ``[checks, 4, groups]``. Where a function of the complaint can be seen (``watched``), a person knows
        whether the fault sleeps.
        """
        table = self._signatures.state(state)
        if state not in self._lamps:
            if state not in self._lamp_checks:
                return [], np.zeros((0, 4, len(now.names)))
            self._lamps[state] = self._prepared(table, [self._checks[number] for number in self._lamp_checks[state]])
        own, sound = self._lamps[state], self._space.rows
        self._know(table, own, np.append(now.row, sound))
        count, asleep = len(own.checks), now.asleep_by_group
        joint = np.zeros((count, 4, len(now.names)))
        joint[:, :3] = now.awake_by_group(own.line[now.row], own.chances[0]).T.reshape(count, 3, -1)
        if watched:
            joint[:, 3] = asleep
        else:
            joint[:, :3] += own.chances[0][own.line[sound]].reshape(count, 3, 1) * asleep
        return self._lamp_checks[state], joint

    def _know(self, table: StateTable, own: _Lamps, rows: Ints) -> None:
        """Works out the chances of dark, dim and lit of ``rows`` that are not known yet."""
        new = np.unique(rows[own.line[rows] < 0])
        if len(new):
            volts = self._estimated(table, own, new)
            own.line[new] = len(own.chances[0]) + np.arange(len(new))
            made = lamps.lamp_chances(volts.ravel(), self._signatures.machine.system_v)
            own.chances[0] = np.concatenate([own.chances[0], made.reshape(len(new), -1)])

    def _prepared(self, table: StateTable, checks: Sequence[Check]) -> _Lamps:
        system, n = table.system, len(table.nodes)
        plus = np.array([table.nodes[check.plus] for check in checks], dtype=np.int64)
        minus = np.array([table.nodes[check.minus] for check in checks], dtype=np.int64)
        rows = self._space.rows
        element, ohm = np.full(rows + 1, -1, dtype=np.int64), np.zeros(rows + 1)
        index = table.netlist.branch_index
        for row, effects in enumerate(self._signatures.effects):
            for one in effects:
                if one.kind == "series" and one.a in index and element[row] < 0:
                    branch = index[one.a]
                    if system.answers_with_current[branch]:
                        element[row], ohm[row] = branch, one.value
        columns = system.columns(np.unique(np.concatenate([plus, minus])))
        reach = columns[plus] - columns[minus]  # what one ampere through the lamp does, [checks, unknowns]
        at = np.arange(len(checks))
        healthy = np.maximum(reach[at, plus] - reach[at, minus], 0.0)
        added = np.zeros((rows + 1, len(checks)), dtype=np.float32)
        line, chances = np.full(rows + 1, -1, dtype=np.int64), np.zeros((0, 3 * len(checks)))
        return _Lamps(
            tuple(checks), plus, minus, healthy, element, ohm, reach[:, n:].T, added, element < 0, line, [chances]
        )

    def _estimated(self, table: StateTable, own: _Lamps, rows: Ints) -> Floats:
        """V across the lamp for rows, ``[rows, checks]``, each fault put on the healthy circuit."""
        self._add(table, own, rows[~own.known[rows]])
        volts = table.lines.volts[rows]
        open_v = (volts[:, own.plus] - volts[:, own.minus]).astype(np.float64)
        ohm = lamps.lamp_ohm(self._signatures.machine)
        result: Floats = open_v * ohm / (ohm + own.healthy_ohm + own.added_ohm[rows])
        return result

    def _add(self, table: StateTable, own: _Lamps, rows: Ints) -> None:
        """Works out what ``rows`` add to what feeds the points."""
        if not len(rows):
            return
        own.known[rows] = True
        near = rows[(np.abs(own.share[own.element[rows]]) > LEAST_SHARE).any(axis=1)]
        where = len(table.nodes) + own.element[near]
        columns = table.system.columns(np.unique(where))
        admits = np.maximum(-columns[where, where], 1e-12)[:, None]
        # What r adds to what feeds the point: c^2 r / (1 + r y), with 1 / y seen by the element itself.
        own.added_ohm[near] = own.share[own.element[near]] ** 2 / (1.0 / own.ohm[near][:, None] + admits)

    def watching(self, now: Live, evidence: Evidence) -> list[tuple[Check, Floats]]:
        """Watch checks at the few connectors that split what is left best, with masses of off, weak and on by group.

        Offered where taking something away can change what is seen: a function that does something it should not,
        and a bus or module that may be held down. Masses ``[3, groups]``.
        """
        symptom, groups = self._symptom(evidence), len(now.names)
        if symptom is None:
            return []
        whole = now.awake + now.asleep
        order = np.argsort(-whole[:-1], kind="stable")[:WATCH_ROWS]
        if whole[order].sum() < WATCH_MASS * whole[:-1].sum():
            return []
        found = []
        for connector in self._splitting(now):
            machine = self._signatures.machine
            if not permitted(machine, [watch_check(machine, symptom.function, symptom.state, (connector,))]):
                continue
            check = watch_check(machine, symptom.function, symptom.state, (connector,))
            table = self._signatures.apart(symptom.state, check.unplugged)
            lines = table.lines(np.append(now.row[order], self._space.rows))
            levels = likelihood.symptom_levels(table.plugged, lines, symptom.function)
            chances = np.tile(levels[-1], (len(whole), 1))
            chances[order] = levels[:-1]
            joint = np.zeros((3, groups))
            for level in range(3):
                weight = now.awake * chances[:, level] + now.asleep * levels[-1, level]
                joint[level] = np.bincount(now.group, weights=weight, minlength=groups)
            found.append((check, joint))
        return found

    def _symptom(self, evidence: Evidence) -> Symptom | None:
        ladder = {"off": 0, "weak": 1, "on": 2}
        for symptom in evidence.complaint.symptoms:
            function = self._signatures.machine.functions[symptom.function]
            expected = function.expected.get(symptom.state)
            if expected is None:
                continue
            seen = ladder.get(symptom.level, 1)
            if seen > ladder[expected] or function.measure in ("message", "alive"):
                return symptom
        return None

    def _splitting(self, now: Live) -> list[str]:
        """The connectors whose own suspects hold a share of the odds nearest to half, best first."""
        if self._connectors is None:
            self._connectors = tuple(self._at(number) for number in range(len(self._space.faults)))
        share: dict[str, float] = {}
        fault = self._space.row_fault[now.row[:-1]]
        mass = np.bincount(fault, weights=(now.awake + now.asleep)[:-1], minlength=len(self._space.faults))
        for number in np.flatnonzero(mass):
            for connector in self._connectors[int(number)]:
                share[connector] = share.get(connector, 0.0) + float(mass[number])
        split = {name: min(part, 1.0 - part) for name, part in share.items()}
        best = sorted(split, key=lambda name: (-split[name], name))[:WATCH_CONNECTORS]
        return [name for name in best if split[name] >= WATCH_SHARE]

    def _at(self, number: int) -> tuple[str, ...]:
        """Connectors that part a fault from the rest: its own, those of its part, those its wire ends in."""
        machine, fault = self._signatures.machine, self._space.faults[number]
        if fault.owner in machine.connectors:
            return (fault.owner,)
        if fault.owner in machine.parts:
            return tuple(dict.fromkeys(connector for connector, _ in machine.parts[fault.owner].plugs.values()))
        names = [name for name in fault.place.split("+") if name in machine.wires]
        ends = [end.owner for name in names for end in (machine.wires[name].a, machine.wires[name].b)]
        return tuple(dict.fromkeys(end for end in ends if end in machine.connectors))
