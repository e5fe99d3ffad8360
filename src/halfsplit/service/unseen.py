"""Faults that no meter, function or code within reach can show, and where they would show.

A fault that is only seen by eye is listed too: the list is about checks that measure. It is made by going
through every state, so it takes some seconds on a large machine.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis.checks import all_checks
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.likelihood import METER_V, meter_v
from halfsplit.faults.catalogue import Effect
from halfsplit.faults.signatures import StateTable
from halfsplit.machine.model import Machine

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A reading shows a fault when it moves it by this many standard deviations; common practice.
SHOWN_AT = 3.0
#: A function level shows it when it moves by this share of its rated value; from memory.
LEVEL_SHOWN = 0.15


@dataclass(frozen=True, slots=True)
class Unseen:
    """One fault that no reachable check shows: its id, words, and the points and state that would show it."""

    fault: str
    text: str
    would_show: tuple[str, ...]
    state: str


@dataclass(frozen=True, eq=False)
class _Shown:
    """What one state shows of some rows: whether anything within reach moves, and the point that moves most."""

    within_reach: Flags
    most_v: Floats
    point: Ints


class _State:
    """One state of the sound machine with every reading a person can take in it."""

    def __init__(self, bench: Bench, state: str) -> None:
        machine = bench.machine
        self.table = StateTable(machine, state, ())
        self._healthy = self.table.lines.volts[-1]
        pairs = [(c.plus, c.minus) for c in all_checks(machine, (state,)) if c.kind in ("volts", "drop")]
        self._plus = np.array([self.table.nodes[one] for one, _ in pairs], dtype=np.int64)
        self._minus = np.array([self.table.nodes[other] for _, other in pairs], dtype=np.int64)
        self._sound = self._healthy[self._plus] - self._healthy[self._minus]
        spread = self.table.spreads_v(self._plus, self._minus)
        self._limit = SHOWN_AT * np.hypot(meter_v(self._sound), spread)
        self._ground = self.table.nodes[f"body:{machine.bodies[0]}"]

    def shows(self, effects: Sequence[tuple[Effect, ...]]) -> _Shown:
        """The same for each set of effects."""
        lines, healthy, ground = self.table.predict([*effects, ()]), self._healthy, self._ground
        volts = lines.volts[:-1]
        shown = (np.abs(lines.levels[:-1] - lines.levels[-1]) > LEVEL_SHOWN).any(axis=1)
        shown |= (lines.codes[:-1] != lines.codes[-1]).any(axis=1)
        moved = np.abs((volts[:, self._plus] - volts[:, self._minus]) - self._sound) > self._limit
        shown |= moved.any(axis=1)
        away = np.abs((volts - volts[:, [ground]]) - (healthy - healthy[ground]))
        away[:, np.union1d(self._plus, self._minus)] = 0.0  # points a probe reaches have shown nothing
        top = away.argmax(axis=1)
        return _Shown(shown, away[np.arange(len(away)), top].astype(np.float64), top)


def _working(machine: Machine, state: str) -> int:
    """How many functions work in a state: where most does, most faults show, and least is left to ask after."""
    return sum(function.expected.get(state) == "on" for function in machine.functions.values())


def unseen(bench: Bench, told: Callable[[int, int], None] | None = None) -> tuple[Unseen, ...]:
    """Every fault that at no severity moves a reading, function or code in any state.

    A fault that was shown once is not asked for again: the severest grades go first, since they show most, and
    only what no state has shown of them is gone through with every grade. ``told`` hears how many states of how
    many are done.
    """
    machine, space = bench.machine, bench.space
    effects = [
        bench.faults[fault].severities[grade].effects
        for fault, grade in zip(space.row_fault.tolist(), space.row_grade.tolist(), strict=True)
    ]
    severest = np.zeros(len(space.faults), dtype=np.int64)
    severest[space.row_fault] = np.arange(space.rows)  # the last grade of each
    hidden = np.ones(len(space.faults), dtype=bool)
    best, where = np.full(space.rows, SHOWN_AT * METER_V), [("", "")] * space.rows
    states: dict[str, _State] = {}
    steps = 2 * len(machine.states)
    for name in sorted(machine.states, key=lambda state: -_working(machine, state)):
        states[name] = _State(bench, name)
        rows = severest[hidden]
        shown = states[name].shows([effects[row] for row in rows])
        hidden[space.row_fault[rows[shown.within_reach]]] = False
        if told is not None:
            told(len(states), steps)
    for number, name in enumerate(machine.states):
        state = states[name]
        rows = np.flatnonzero(hidden[space.row_fault])
        shown = state.shows([effects[row] for row in rows])
        hidden[space.row_fault[rows[shown.within_reach]]] = False
        for at in np.flatnonzero(shown.most_v > best[rows]):
            best[rows[at]] = shown.most_v[at]
            where[rows[at]] = (state.table.netlist.nodes[int(shown.point[at])], name)
        if told is not None:
            told(len(states) + number + 1, steps)
    found = []
    for number in map(int, np.flatnonzero(hidden)):
        rows = np.flatnonzero(space.row_fault == number)
        row = int(rows[int(np.argmax(best[rows]))])
        point, state_name = where[row]
        found.append(Unseen(bench.faults[number].id, bench.faults[number].text, (point,) if point else (), state_name))
    return tuple(found)
