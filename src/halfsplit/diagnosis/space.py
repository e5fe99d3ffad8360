"""The hypotheses of one job: every single fault at every severity, steady or sleeping, and the two others.

A *row* is a fault at one severity: what it does to the circuit. A *hypothesis* is a row that is either there
all the time or comes and goes. After the last hypothesis stand two more: "nothing wrong" and "something else".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis.held import Held
from halfsplit.faults.catalogue import Fault
from halfsplit.faults.modes import corrections
from halfsplit.machine.model import Machine

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: Chance that an operator's complaint has no electrical fault behind it at all; from memory.
NOTHING_PRIOR = 0.02
#: Chance that the cause is not in the catalogue; engine-notes part 4 asks for 2 to 5 %.
ELSE_PRIOR = 0.03
#: Conditions for which priors are held; no source.
WEIGHTS_HELD = 8
#: States for which it is held where fuses part severities; no source.
STATES_HELD = 32


@dataclass(frozen=True, eq=False, slots=True)
class Beside:
    """The rows ``before`` and ``after`` each row in severity, ``[rows]`` each; a row itself where it has none."""

    before: Ints
    after: Ints


@dataclass(frozen=True, slots=True)
class RepairGroup:
    """Suspects that need the same repair: what to do, where, minutes, chance that it cures."""

    id: str
    correction: str
    place: str
    owner: str
    zone: str
    access: tuple[str, ...]
    minutes: float
    success: float
    text: str


@dataclass(frozen=True, eq=False)
class Space:
    """All single-fault hypotheses of a machine as arrays.

    ``row_fault``, ``row_grade``, ``row_weight`` have shape ``[rows]``; ``row_before``/``row_after`` name the
    neighbouring severity of the same fault (itself at the ends). ``hyp_row``, ``hyp_sleeps``, ``hyp_group``
    have shape ``[hypotheses]``; they stand in pairs, steady then sleeping, for each row. ``duty`` is the
    share of time a sleeping one is there.
    """

    machine: Machine
    faults: tuple[Fault, ...]
    groups: tuple[RepairGroup, ...]
    row_fault: Ints
    row_grade: Ints
    row_weight: Floats
    row_before: Ints
    row_after: Ints
    hyp_row: Ints
    hyp_sleeps: Bools
    hyp_group: Ints
    hyp_share: Floats
    duty: Floats
    row_group: Ints
    row_duty: Floats

    @property
    def rows(self) -> int:
        """Number of rows; row index ``rows`` stands for the healthy machine."""
        return len(self.row_fault)

    @property
    def singles(self) -> int:
        """Number of single-fault hypotheses."""
        return len(self.hyp_row)

    @property
    def nothing(self) -> int:
        """Index of "nothing wrong"."""
        return self.singles

    @property
    def other(self) -> int:
        """Index of "something else"."""
        return self.singles + 1

    @cached_property
    def seen_at(self) -> Mapping[tuple[str, str], tuple[int, ...]]:
        """Which faults a kind of look at a place could see."""
        found: dict[tuple[str, str], list[int]] = {}
        for number, fault in enumerate(self.faults):
            for kind in fault.mode.looks:
                for place in {fault.owner, fault.place}:
                    found.setdefault((kind, place), []).append(number)
        return {key: tuple(numbers) for key, numbers in found.items()}

    @cached_property
    def fuse_row(self) -> Mapping[str, int]:
        """The row of each fuse that is blown of itself."""
        faults = self.faults
        return {
            faults[fault].place: row
            for row, fault in enumerate(self.row_fault.tolist())
            if faults[fault].mode.id == "fuse-open"
        }

    @cached_property
    def held_weights(self) -> Held[tuple[tuple[str, ...], tuple[str, ...]], Floats]:
        """Prior probabilities ``[faults]`` by the conditions, and what was worked on, that they hold for."""
        return Held(WEIGHTS_HELD)

    @cached_property
    def _held_beside(self) -> Held[str, Beside]:
        return Held(STATES_HELD)

    def beside(self, state: str, blown: Bools) -> Beside:
        """The neighbours of each row in severity in a state where ``blown`` ``[rows + 1, fuses]`` has blown.

        Between a severity that blows a fuse and one that does not there is none: the fuse is open or it is not.
        """
        return self._held_beside.get(state, lambda: self._parted_by(blown[: self.rows]))

    def _parted_by(self, blown: Bools) -> Beside:
        row = np.arange(self.rows)
        alike = [(blown[near] == blown).all(axis=1) for near in (self.row_before, self.row_after)]
        return Beside(np.where(alike[0], self.row_before, row), np.where(alike[1], self.row_after, row))

    def fault_of(self, hypothesis: int) -> Fault:
        """The fault of a single-fault hypothesis."""
        return self.fault_of_row(self.hyp_row[hypothesis])

    def fault_of_row(self, row: int) -> Fault:
        """The fault of a row."""
        return self.faults[int(self.row_fault[row])]

    def foremost_row(self, group: int, weight: Floats) -> int:
        """The row with most ``weight`` ``[rows]`` of the fault that has most in a repair group, all severities."""
        inside = np.flatnonzero(self.row_group == group)
        return _foremost(inside, self.row_fault[inside], weight[inside])

    def foremost(self, group: int, weight: Floats) -> int:
        """The same of the single-fault hypotheses, steady and sleeping, for ``weight`` ``[hypotheses]`` or longer."""
        inside = np.flatnonzero(self.hyp_group == group)
        return _foremost(inside, self.row_fault[self.hyp_row[inside]], weight[inside])

    def log_prior(self, fault_weights: Floats) -> Floats:
        """Log prior over ``[singles + 2]`` from the weight of each fault."""
        fault = self.row_fault[self.hyp_row]
        weights: Floats = fault_weights[fault] * self.hyp_share
        weights *= (1.0 - NOTHING_PRIOR - ELSE_PRIOR) / weights.sum()
        result: Floats = np.log(np.concatenate([weights, np.array([NOTHING_PRIOR, ELSE_PRIOR])]))
        return result


def _foremost(inside: Ints, fault: Ints, weight: Floats) -> int:
    mine = fault == int(np.argmax(np.bincount(fault, weights=weight)))
    return int(inside[mine][int(np.argmax(weight[mine]))])


def build(machine: Machine, faults: Sequence[Fault]) -> Space:
    """The space of ``faults``; a pure rearrangement, no circuit is looked at."""
    groups: dict[str, RepairGroup] = {}
    index: dict[str, int] = {}
    row_fault: list[int] = []
    row_grade: list[int] = []
    row_weight: list[float] = []
    before: list[int] = []
    after: list[int] = []
    hyp_row: list[int] = []
    hyp_sleeps: list[bool] = []
    hyp_group: list[int] = []
    hyp_share: list[float] = []
    duty: list[float] = []
    for number, fault in enumerate(faults):
        if fault.group not in groups:
            index[fault.group] = len(groups)
            correction, _, place = fault.group.partition(":")
            groups[fault.group] = RepairGroup(
                fault.group, correction, place, fault.owner, fault.zone, fault.access,
                fault.repair_min, fault.success, corrections()[correction].text,
            )  # fmt: skip
        first = len(row_fault)
        last = first + len(fault.severities) - 1
        for grade, severity in enumerate(fault.severities):
            row = first + grade
            row_fault.append(number)
            row_grade.append(grade)
            row_weight.append(severity.weight)
            before.append(max(row - 1, first))
            after.append(min(row + 1, last))
            for sleeps in (False, True):
                share = fault.mode.sleeps if sleeps else 1.0 - fault.mode.sleeps
                hyp_row.append(row)
                hyp_sleeps.append(sleeps)
                hyp_group.append(index[fault.group])
                hyp_share.append(severity.weight * share)
                duty.append(fault.mode.duty)
    return Space(
        machine=machine,
        faults=tuple(faults),
        groups=tuple(groups.values()),
        row_fault=np.array(row_fault, dtype=np.int64),
        row_grade=np.array(row_grade, dtype=np.int64),
        row_weight=np.array(row_weight),
        row_before=np.array(before, dtype=np.int64),
        row_after=np.array(after, dtype=np.int64),
        hyp_row=np.array(hyp_row, dtype=np.int64),
        hyp_sleeps=np.array(hyp_sleeps, dtype=bool),
        hyp_group=np.array(hyp_group, dtype=np.int64),
        hyp_share=np.array(hyp_share),
        duty=np.array(duty),
        row_group=np.array(hyp_group[::2], dtype=np.int64),
        row_duty=np.array(duty[::2]),
    )
