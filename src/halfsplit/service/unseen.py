"""Faults that no meter, function or code within reach can show, and where they would show.

Asked are a voltmeter at and between all points within reach, a clamp around all that one goes around, an ohmmeter
between the lines of a bus, every function and every code, in every state in which people may be there. A fault that is
only seen by eye is listed too: the list is about checks that measure. Many of them bother nobody: a reading has to
move by more than sound machines differ, and a function by more than would be noticed. Going through every state
takes some seconds on a large machine.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis.checks import all_checks
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.likelihood import meter_v
from halfsplit.faults.catalogue import Effect
from halfsplit.faults.priors import fault_weights
from halfsplit.faults.signatures import StateTable
from halfsplit.machine.model import Machine
from halfsplit.service.other_meters import shown_otherwise

Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: A reading shows a fault when it moves it by this many standard deviations; common practice.
SHOWN_AT = 3.0
#: A function level shows it when it moves by this share of its rated value; from memory.
LEVEL_SHOWN = 0.15
#: Leads that are asked for together.
LEADS = 3


@dataclass(frozen=True, slots=True)
class Unseen:
    """One fault that no reachable check shows: its id, words, and the points and state that would show it."""

    fault: str
    text: str
    would_show: tuple[str, ...]
    state: str


@dataclass(frozen=True, slots=True)
class Lead:
    """A test point worth having: a lead brought out from ``point``, read against the chassis in ``states``.

    ``states`` together show all that it shows, the first of them most. ``faults`` are those of the unseen that it
    shows at some severity, and ``share`` what it adds to the leads before it, as a share of the odds of all unseen.
    """

    point: str
    states: tuple[str, ...]
    faults: tuple[str, ...]
    share: float


@dataclass(frozen=True, slots=True)
class Hidden:
    """What no reachable check shows.

    ``odds`` is how likely a fault is one of these before anything was measured, given that there is one. ``leads``
    are at most LEADS test points that together show most of it, and ``showable`` the share of these odds that all
    possible leads together would show.
    """

    faults: tuple[Unseen, ...]
    odds: float
    leads: tuple[Lead, ...]
    showable: float


@dataclass(frozen=True, eq=False)
class _Shown:
    """What one state shows of some rows: whether anything within reach moves, and for points out of it by how much.

    ``away_v`` is ``[rows, nodes]`` in V against the chassis, and 0 where that is less than a reading would tell.
    """

    within_reach: Flags
    away_v: Floats


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
        self._limit = self._limits_v(self._plus, self._minus)
        ground = self.table.nodes[f"body:{machine.bodies[0]}"]
        every = np.arange(len(self._healthy))
        self._ground, self._limit_out = ground, self._limits_v(every, np.full(len(every), ground))
        # Points a probe reaches have shown nothing, and those of our drawing inside a part have no metal of their own.
        self._limit_out[np.union1d(self._plus, self._minus)] = np.inf
        self._limit_out[[k for k, name in enumerate(self.table.netlist.nodes) if _inside(name)]] = np.inf

    def _limits_v(self, plus: Ints, minus: Ints) -> Floats:
        """By how much a reading must move to tell: the meter's doubt and the spread between sound machines."""
        sound = self._healthy[plus] - self._healthy[minus]
        result: Floats = SHOWN_AT * np.hypot(meter_v(sound), self.table.spreads_v(plus, minus))
        return result

    def shows(self, effects: Sequence[tuple[Effect, ...]]) -> _Shown:
        """The same for each set of effects."""
        lines, healthy, ground = self.table.predict([*effects, ()]), self._healthy, self._ground
        volts = lines.volts[:-1]
        shown = (np.abs(lines.levels[:-1] - lines.levels[-1]) > LEVEL_SHOWN).any(axis=1)
        codes = lines.codes[:, : self.table.read_out]
        shown |= (codes[:-1] != codes[-1]).any(axis=1)
        moved = np.abs((volts[:, self._plus] - volts[:, self._minus]) - self._sound) > self._limit
        shown |= moved.any(axis=1)
        away = np.abs((volts - volts[:, [ground]]) - (healthy - healthy[ground]))
        return _Shown(shown, np.where(away > self._limit_out, away, 0.0))


def _inside(node: str) -> bool:
    return node.endswith(("#", ".junction"))


def _working(machine: Machine, state: str) -> int:
    """How many functions work in a state: where most does, most faults show, and least is left to ask after."""
    return sum(function.expected.get(state) == "on" for function in machine.functions.values())


def cover(shown: Mapping[str, Flags], weight: Floats, most: int) -> tuple[tuple[str, float], ...]:
    """Places that together show most: each the one that adds most to those before it, until none adds anything.

    ``shown`` has ``[rows]`` for each place. Gives at most ``most`` places with the weight each adds. Such a choice
    shows at least 1 - (1 - 1/most)^most of what the best one of as many places does (Nemhauser, Wolsey and Fisher
    1978), 70 % for three.
    """
    left = weight.copy()
    chosen: list[tuple[str, float]] = []
    while len(chosen) < most:
        gains = {place: float(left[rows].sum()) for place, rows in shown.items()}
        best = max(gains, key=gains.__getitem__, default=None)
        if best is None or gains[best] <= 0.0:
            break
        chosen.append((best, gains[best]))
        left[shown[best]] = 0.0
    return tuple(chosen)


def unseen(bench: Bench, told: Callable[[int, int], None] | None = None) -> Hidden:
    """Every fault that at no severity moves a reading, function or code in any state, and the leads worth having.

    A fault that was shown once is not asked for again: the severest grades go first, since they show most, and
    only what no state has shown of them is gone through with every grade, what no voltage shows last with the other
    meters. ``told`` hears how many steps of how many are done.
    """
    machine, space = bench.machine, bench.space
    effects = [
        bench.faults[fault].severities[grade].effects
        for fault, grade in zip(space.row_fault.tolist(), space.row_grade.tolist(), strict=True)
    ]
    severest = np.zeros(len(space.faults), dtype=np.int64)
    severest[space.row_fault] = np.arange(space.rows)  # the last grade of each
    hidden = np.ones(len(space.faults), dtype=bool)
    states: dict[str, _State] = {}
    steps = 3 * len(machine.states)
    for name in sorted(machine.states, key=lambda state: -_working(machine, state)):
        states[name] = _State(bench, name)
        rows = severest[hidden]
        shown = states[name].shows([effects[row] for row in rows])
        hidden[space.row_fault[rows[shown.within_reach]]] = False
        if told is not None:
            told(len(states), steps)
    away_v: dict[str, dict[str, Floats]] = {}  # point, then state: how far it moves in each row
    for number, name in enumerate(machine.states):
        state = states[name]
        rows = np.flatnonzero(hidden[space.row_fault])
        shown = state.shows([effects[row] for row in rows])
        hidden[space.row_fault[rows[shown.within_reach]]] = False
        for node in np.flatnonzero(shown.away_v.any(axis=0)):
            moved = np.zeros(space.rows)
            moved[rows] = shown.away_v[:, node]
            away_v.setdefault(state.table.netlist.nodes[int(node)], {})[name] = moved
        if told is not None:
            told(len(states) + number + 1, steps)
    rows = np.flatnonzero(hidden[space.row_fault])
    found = shown_otherwise(
        machine, [effects[row] for row in rows], SHOWN_AT,
        None if told is None else lambda done: told(2 * len(machine.states) + done, steps),
    )  # fmt: skip
    hidden[space.row_fault[rows[found]]] = False
    return _listed(bench, hidden, away_v)


def _listed(bench: Bench, hidden: Flags, away_v: Mapping[str, Mapping[str, Floats]]) -> Hidden:
    """The list of what stayed hidden, each fault with the point that moves most, and the leads for all of them."""
    space = bench.space
    best, where = np.zeros(len(space.faults)), [("", "")] * len(space.faults)
    for point, by_state in away_v.items():
        for state, moved in by_state.items():
            most = np.zeros(len(space.faults))
            np.maximum.at(most, space.row_fault, moved)
            for number in np.flatnonzero(hidden & (most > best)).tolist():
                best[number], where[number] = most[number], (point, state)
    found = []
    for number in np.flatnonzero(hidden).tolist():
        point, state = where[number]
        fault = bench.faults[number]
        found.append(Unseen(fault.id, fault.text, (point,) if point else (), state))
    weight = _row_weights(bench) * hidden[space.row_fault]
    whole = float(weight.sum())
    by_point = {
        point: np.logical_or.reduce([moved > 0.0 for moved in states.values()]) for point, states in away_v.items()
    }
    leads = []
    for point, gain in cover(by_point, weight, LEADS):
        in_states = {state: moved > 0.0 for state, moved in away_v[point].items()}
        enough = tuple(state for state, _ in cover(in_states, weight, len(in_states)))
        faults = np.unique(space.row_fault[by_point[point] & hidden[space.row_fault]])
        leads.append(Lead(point, enough, tuple(bench.faults[one].id for one in faults), gain / whole))
    anywhere = np.logical_or.reduce([*by_point.values(), np.zeros(space.rows, dtype=bool)])
    showable = float(weight[anywhere].sum()) / whole if whole else 0.0
    return Hidden(tuple(found), whole, tuple(leads), showable)


def _row_weights(bench: Bench) -> Floats:
    """How likely each fault at each severity is before anything was measured, ``[rows]``; they sum to one."""
    odds = fault_weights(bench.machine, bench.faults)
    result: Floats = odds[bench.space.row_fault] * bench.space.row_weight
    return result
