"""What to read again after the repair: the same points, the same states, before and after side by side.

Pure over the job's observations and the healthy machine's readings, which are passed in; nothing is computed from
a circuit here. Source of the habit: trade_practice.md parts 1 and 9.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from halfsplit.observations import Action, Observation, Reading, Symptom

Mark = Literal["read again", "right", "wrong", "no range"]


@dataclass(frozen=True, slots=True)
class Expected:
    """What a sound machine shows at a point: ``low`` to ``high`` in the reading's own unit."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Line:
    """One point: ``reading`` is where and in which state, its value the last one ``before`` the repair.

    ``after`` is the last value since, None while it was not read again. ``was_wrong`` says that the value before
    was outside the range of a sound machine. ``mark``: "read again" not yet done, "right" inside the range,
    "wrong" outside, "no range" read but nothing to hold it against.
    """

    reading: Reading
    before: float
    expected: Expected | None
    after: float | None
    was_wrong: bool
    mark: Mark


@dataclass(frozen=True, slots=True)
class Watched:
    """A function of the complaint: how it was ``before``, and ``after`` (None while not tried since)."""

    before: Symptom
    after: Symptom | None


@dataclass(frozen=True, slots=True)
class Checklist:
    """Points and functions to try after the repair; points that were wrong come first, then in reading order."""

    lines: tuple[Line, ...]
    functions: tuple[Watched, ...]

    @property
    def open(self) -> int:
        """How many are still to be done."""
        return sum(line.after is None for line in self.lines) + sum(one.after is None for one in self.functions)


def point(reading: Reading) -> Reading:
    """The reading with its value and whether the fault showed left out: what two readings of one point share."""
    return replace(reading, value=0.0, showing="unknown")


def last_repair(observations: Sequence[Observation]) -> int:
    """Index of the last correction among the observations; -1 when there was none. Unplugging alone is none."""
    found = [
        at for at, one in enumerate(observations) if isinstance(one, Action) and one.action != "unplug-refit"
    ]
    return found[-1] if found else -1


def checklist(
    observations: Sequence[Observation],
    healthy: Mapping[Reading, Expected],
    complained: Sequence[Symptom] = (),
) -> Checklist:
    """The points read before the last correction, with what was read there since.

    ``healthy`` gives the range by ``point`` of the reading. Without any correction everything read so far counts
    as before it.
    """
    at = last_repair(observations)
    before_all = observations if at < 0 else observations[:at]
    after_all = () if at < 0 else observations[at + 1 :]
    before = {point(one): one.value for one in before_all if isinstance(one, Reading)}
    after = {point(one): one.value for one in after_all if isinstance(one, Reading)}
    # Before the repair the reading that was wrong counts, where one was: an intermittent fault reads well between.
    for one in before_all:
        if isinstance(one, Reading) and _outside(healthy.get(point(one)), one.value):
            before[point(one)] = one.value
    lines = [_line(key, value, healthy.get(key), after.get(key)) for key, value in before.items()]
    lines.sort(key=lambda line: not line.was_wrong)
    seen = {(one.function, one.state): one for one in after_all if isinstance(one, Symptom)}
    functions = tuple(Watched(one, seen.get((one.function, one.state))) for one in complained)
    return Checklist(tuple(lines), functions)


def _line(key: Reading, before: float, expected: Expected | None, after: float | None) -> Line:
    mark: Mark = "read again"
    if after is not None:
        mark = "no range" if expected is None else "wrong" if _outside(expected, after) else "right"
    return Line(key, before, expected, after, _outside(expected, before), mark)


def _outside(expected: Expected | None, value: float) -> bool:
    return expected is not None and not expected.low <= value <= expected.high
