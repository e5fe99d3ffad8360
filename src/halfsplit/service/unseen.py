"""Faults that no meter, function or code within reach can show, and where they would show.

A fault that is only seen by eye is listed too: the list is about checks that measure. It is made by going
through every state, so it takes some seconds on a large machine.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from halfsplit.diagnosis.checks import all_checks
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.likelihood import METER_SHARE, METER_V

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


def unseen(bench: Bench) -> tuple[Unseen, ...]:
    """Every fault that at its worst severity moves no reading, function or code in any state."""
    machine, space = bench.machine, bench.space
    shown = np.zeros(space.rows, dtype=bool)
    best = np.zeros(space.rows)
    where: list[tuple[str, str]] = [("", "")] * space.rows
    for state in machine.states:
        table = bench.signatures.state(state)
        volts, healthy = table.lines.volts[:-1], table.lines.volts[-1]
        shown |= (np.abs(table.lines.levels[:-1] - table.lines.levels[-1]) > LEVEL_SHOWN).any(axis=1)
        shown |= (table.lines.codes[:-1] != table.lines.codes[-1]).any(axis=1)
        pairs = [(c.plus, c.minus) for c in all_checks(machine, (state,)) if c.kind in ("volts", "drop")]
        plus = np.array([table.nodes[one] for one, _ in pairs], dtype=np.int64)
        minus = np.array([table.nodes[other] for _, other in pairs], dtype=np.int64)
        sound = healthy[plus] - healthy[minus]
        sigma = np.hypot(METER_V + METER_SHARE * np.abs(sound), table.spreads_v(plus, minus))
        moved = np.abs((volts[:, plus] - volts[:, minus]) - sound) > SHOWN_AT * sigma
        shown |= moved.any(axis=1)
        ground = table.nodes[f"body:{machine.bodies[0]}"]
        away = np.abs((volts - volts[:, [ground]]) - (healthy - healthy[ground]))
        away[:, np.union1d(plus, minus)] = 0.0  # points a probe reaches have shown nothing
        top = away.argmax(axis=1)
        for row in map(
            int, np.flatnonzero(~shown & (away.max(axis=1) > np.maximum(best, SHOWN_AT * METER_V)))
        ):
            best[row] = away[row, top[row]]
            where[row] = (table.netlist.nodes[int(top[row])], state)
    found = []
    for number, fault in enumerate(space.faults):
        rows = np.flatnonzero(space.row_fault == number)
        if not shown[rows].any():
            row = int(rows[int(np.argmax(best[rows]))])
            point, state = where[row]
            found.append(Unseen(fault.id, fault.text, (point,) if point else (), state))
    return tuple(found)
