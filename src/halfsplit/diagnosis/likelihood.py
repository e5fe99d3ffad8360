"""How well each hypothesis predicts one observation.

Every function gives the likelihood for each row of the space and, last, for the healthy machine, shape
``[rows + 1]``; ``SOMETHING_ELSE`` predictions are flat. A likelihood never falls to zero, so that one wrong
reading cannot kill the truth.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from halfsplit.circuit.observing import BUS_ERRORS
from halfsplit.diagnosis.space import Beside, Space
from halfsplit.faults.signatures import Lines, StateTable
from halfsplit.machine.model import Function
from halfsplit.observations import OUTLIER_FLOOR, CodeSeen, Reading, Symptom

Floats = NDArray[np.float64]

#: Hand meter on volts: half a percent and two counts; common instrument property, from memory.
METER_SHARE = 0.005
METER_V = 0.02
#: The edge between works, weak and off differs from machine to machine by this share; from memory.
EDGE_SHARE = 0.10
#: A code is read wrongly, or is left over, this often; from memory (a code stored from the last test).
CODE_WRONG = 0.03
#: A controller behind a lost place is still heard, and another is silent by itself; common practice, no source (the
#: figures of the reference numbers bus-7 and bus-8).
SILENCE_MISSED = 0.1
SILENCE_ALONE = 0.01
#: Error frames are not in the log although somebody sends and is not understood (he leaves the bus after some, and not
#: every recorder writes them down), and they are for another reason; common practice, no source.
ERRORS_MISSED = 0.4
ERRORS_ALONE = 0.05
#: Share of the gap to the neighbouring severity that is one standard deviation of the unknown severity.
GRADE_SHARE = 0.5
#: Share of wrong readings that are those of some other point of the machine, and how far what stands there may lie
#: from what the sound machine has, one standard deviation in V; from memory.
OTHER_POINT = 0.8
OTHER_POINT_V = 0.15
#: The true severity lies anywhere between two of the grid: the weights of a row's own, of half way to the one before
#: and of half way to the one after; from memory.
PLACES = np.array([0.5, 0.25, 0.25])
#: Standard deviation of a resistance reading in decades: leads, temperature, tolerance; from memory.
OHMS_DECADES = 0.06
#: Share and width of the wide part of a reading's error: a machine's own tolerances are not quite Gaussian (the
#: resistance of straps and studs scatters on a logarithmic scale); from memory.
TAIL_SHARE = 0.2
TAIL_WIDTH = 3.0
#: How a function that chatters or sleeps is reported when it is watched for a short while; from memory.
NOTICED_CHANGE = 0.5


def beside(table: StateTable, space: Space) -> Beside:
    """The neighbours of each row in severity in a state, see there."""
    return space.beside(table.state, table.lines.blown)


def level_chances(value: Floats, function: Function) -> Floats:
    """Chances of the levels off, weak and on for function values ``[n]``; shape ``[n, 3]``."""
    on = ndtr((value - function.full) / (EDGE_SHARE * function.full))
    above_off = ndtr((value - function.weak) / (0.25 * function.weak))
    off = 1.0 - above_off
    return np.stack([off, np.clip(above_off - on, 0.0, 1.0), np.minimum(on, above_off)], axis=1)


def symptom_levels(table: StateTable, lines: Lines, function: str) -> Floats:
    """Chances of off, weak and on of a function for each line; chattering lines count as weak."""
    what = table.machine.functions[function]
    chances = level_chances(lines.levels[:, table.functions[function]].astype(np.float64), what)
    return _if_chattering(chances, what, lines)


def level_places(table: StateTable, lines: Lines, function: str, near: Beside) -> Floats:
    """The same for the catalogue's rows and the healthy machine, wherever the severity lies: ``[3, rows + 1, 3]``."""
    what = table.machine.functions[function]
    value = lines.levels[:, table.functions[function]].astype(np.float64)
    found = chances_at_places(value, near, lambda some: level_chances(some, what))
    for one in found:
        _if_chattering(one, what, lines)
    return found


def chances_at_places(value: Floats, near: Beside, chances: Callable[[Floats], Floats]) -> Floats:
    """The ``chances`` ``[n, k]`` of what is shown, wherever the severity lies, ``[3, rows + 1, k]``.

    ``value`` ``[rows + 1]`` is what the rows and the healthy machine show; most rows show what that one does.
    """
    between = [0.5 * (value[:-1] + value[one]) for one in (near.before, near.after)]
    sound = chances(value[-1:])
    found = np.tile(sound, (3, len(value), 1))
    for place, shown in enumerate((value[:-1], *between)):
        apart = np.flatnonzero(shown != value[-1])
        found[place, apart] = chances(shown[apart])
    return found


def _if_chattering(chances: Floats, what: Function, lines: Lines) -> Floats:
    if what.measure in ("alive", "pulled", "message"):
        chances[lines.chatters] = 0.5 * chances[lines.chatters] + 0.5 * np.array([0.2, 0.6, 0.2])
    return chances


def anywhere(places: Floats) -> Floats:
    """Chances ``[n, ...]`` of something whose severity lies anywhere, from those at each of its ``[3, n, ...]``."""
    result: Floats = np.tensordot(PLACES, places, axes=1)
    return result


def symptom(observed: Symptom, chances: Floats, healthy: Floats) -> Floats:
    """Likelihood of a symptom given the chances of each level, ``[..., 3]`` and ``[3]`` for the healthy machine.

    "Comes and goes" fits where the level differs from the healthy one.
    """
    right = observed.reliability
    if observed.level == "comes-and-goes":
        differs = 1.0 - chances @ healthy
        return np.clip(right * differs * NOTICED_CHANGE, 0.01, 1.0)
    at = {"off": 0, "weak": 1, "on": 2}[observed.level]
    hit = chances[..., at]
    return np.clip(right * hit + 0.5 * (1.0 - right) * (1.0 - hit), 0.5 * OUTLIER_FLOOR, 1.0)


def meter_v(value: Floats | float) -> Floats:
    """Standard deviation in V of a hand meter that shows ``value``."""
    return np.asarray(METER_V + METER_SHARE * np.abs(value), dtype=np.float64)


def reading_sigma(table: StateTable, space: Space, value: Floats, plus: str, minus: str) -> Floats:
    """Standard deviation in V of a voltage reading for each row and the healthy machine, ``[rows + 1]``.

    Meter, part tolerances, and for a row half the gap to its neighbouring severities, since the true severity
    lies anywhere between.
    """
    fixed = meter_v(value)
    spread = np.full(len(value), table.spread_v(plus, minus))
    parted, _, own = table.parted_spread(plus, minus)
    spread[parted] = own
    grade = np.zeros_like(value)
    near = beside(table, space)
    gap = np.abs(value[near.before] - value[:-1]) + np.abs(value[near.after] - value[:-1])
    grade[:-1] = GRADE_SHARE * 0.5 * gap
    result: Floats = np.sqrt(fixed**2 + spread**2 + grade**2)
    return result


def severity_direction(value: Floats, near: Beside) -> Floats:
    """One deviation of the unknown severity in a prediction ``[rows + 1]``: a share of the step to its neighbours.

    Where the prediction rises to one neighbour and falls to the other, something switches on the way to the nearer of
    the two, and the larger step is that of this row's own side.
    """
    rows = np.arange(len(near.after))
    neighbours = np.maximum((near.after != rows).astype(np.float64) + (near.before != rows), 1.0)
    after, before = value[near.after] - value[:-1], value[:-1] - value[near.before]
    larger = np.where(np.abs(after) > np.abs(before), after, before)
    result = np.zeros_like(value)
    result[:-1] = GRADE_SHARE * np.where(after * before < 0.0, larger, (after + before) / neighbours)
    return result


def volts_of(
    table: StateTable, lines: Lines, plus: str, minus: str, some: NDArray[np.int64] | None = None
) -> Floats:
    """Predicted voltage between two nodes for each line, or for ``some``."""
    chosen = slice(None) if some is None else some
    difference = lines.volts[chosen, table.nodes[plus]].astype(np.float64)
    difference -= lines.volts[chosen, table.nodes[minus]]
    return difference


def gaussian(
    value: float, predicted: Floats, sigma: Floats, spread: float, wrong: float = OUTLIER_FLOOR
) -> Floats:
    """Density of a reading that is ``wrong`` with some chance, then even over ``spread`` (V, or decades for ohms)."""
    z = (value - predicted) / sigma
    wide = z / TAIL_WIDTH
    density = (1.0 - TAIL_SHARE) * np.exp(-0.5 * z * z) + TAIL_SHARE / TAIL_WIDTH * np.exp(-0.5 * wide * wide)
    density = density / (sigma * math.sqrt(2.0 * math.pi))
    result: Floats = (1.0 - wrong) * density + wrong / spread
    return result


def reading_span(table: StateTable, observed: Reading) -> float:
    """Width over which an unexplained reading is spread evenly: V for volts, decades for ohms."""
    return 9.0 if observed.quantity == "ohms" else 1.3 * table.machine.system_v


def stray_width(table: StateTable, observed: Reading) -> float:
    """Width in V that gives the density of a wrong reading of this value, as if it were spread evenly over it.

    Leads on the wrong pin show what stands there, so 0 V and the supply are what a wrong reading mostly shows.
    """
    minus = table.nodes[observed.minus or table.netlist.reference]
    sound = table.lines.volts[-1].astype(np.float64)
    off = (observed.value - (sound - sound[minus])) / OTHER_POINT_V
    there = float(np.exp(-0.5 * off * off).mean()) / (OTHER_POINT_V * math.sqrt(2.0 * math.pi))
    return 1.0 / (OTHER_POINT * there + (1.0 - OTHER_POINT) / reading_span(table, observed))


def code_chances(active: NDArray[np.bool_], near: Beside) -> Floats:
    """Chance of a code being active for each row and the healthy machine, its severity anywhere, ``[rows + 1]``."""
    return anywhere(code_places(active, near))


def code_places(active: NDArray[np.bool_], near: Beside) -> Floats:
    """The same at each place of the severity, ``[3, rows + 1]``; half way to a row that differs it may be either."""
    chance = active.astype(np.float64)
    found = np.stack([chance, chance, chance])
    found[1, :-1] = 0.5 * (chance[:-1] + chance[near.before])
    found[2, :-1] = 0.5 * (chance[:-1] + chance[near.after])
    return found


def _log_chances(code: str, there: NDArray[np.bool_]) -> Floats:
    missed, alone = (ERRORS_MISSED, ERRORS_ALONE) if code == BUS_ERRORS else (SILENCE_MISSED, SILENCE_ALONE)
    return np.where(there, 1.0 - missed, alone)


def told_by_log(observed: CodeSeen, there: NDArray[np.bool_]) -> Floats:
    """Likelihood of a controller being silent on the bus or heard, or of errors, given which lines bring that about.

    Severities between two rows do not count here: who falls silent together at one moment does so at one severity, and
    chances taken for each alone would let a fault near its threshold explain any set of them.
    """
    chance = _log_chances(observed.code, there)
    result: Floats = chance if observed.active else 1.0 - chance
    return result


def told_as_code(code: str, there: NDArray[np.bool_]) -> Floats:
    """The chances with which ``code`` gives what ``told_by_log`` does; slightly outside 0 to 1, which is meant."""
    result: Floats = (_log_chances(code, there) - CODE_WRONG) / (1.0 - 2.0 * CODE_WRONG)
    return result


def code(observed: CodeSeen, chance: Floats) -> Floats:
    """Likelihood of a code being seen active or not, given the chance that each line makes it active."""
    hit = chance if observed.active else 1.0 - chance
    result: Floats = (1.0 - CODE_WRONG) * hit + CODE_WRONG * (1.0 - hit)
    return result
