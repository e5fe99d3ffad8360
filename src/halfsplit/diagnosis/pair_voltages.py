"""Voltage readings weighed together for every two classes of rows at once, see ``pairs``."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis import scatter
from halfsplit.diagnosis.compiled_weighing import alike, both_shown
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.stages import LetGo, by_stages
from halfsplit.observations import Reading

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class BothWeighed:
    """Log likelihoods of every two classes ``[classes, classes]``, at most and at least; 0 for one with itself."""

    at_most: Floats
    at_least: Floats


class Together:
    """Readings ``chosen`` and the classes that may be behind them.

    ``chief`` ``[classes]`` is the row that speaks for each class, ``asleep`` ``[classes]`` the line that does while it
    sleeps.
    """

    def __init__(self, evidence: Evidence, chosen: tuple[Reading, ...], chief: Ints, asleep: Ints) -> None:
        count, self.size = len(chosen), len(chief)
        self.block, voltages = evidence.block(chosen), evidence.voltages(chosen)
        self.spreads = [column.spread for column in voltages.columns]
        self.value, self.along = voltages.of(np.append(chief, asleep), np.arange(count))
        self.strays = np.abs(self.value - np.array([column.value[-1] for column in voltages.columns]))
        own = scatter.in_charge(self.spreads, chief)
        parts = np.flatnonzero((own != scatter.SOUND).any(axis=1))
        # Kind 0 scatters as the sound machine does everywhere, the others as their class does: ``[kinds, n]``.
        self.kind = np.zeros(self.size, dtype=np.int64)
        self.kind[parts] = 1 + np.arange(len(parts))
        self.charge = np.concatenate([np.full((1, count), scatter.SOUND), own[parts]])

    def weigh(self, first: Bools, second: Bools, prior: Floats, ahead: float, behind: float | None) -> BothWeighed:
        """Every two classes, each awake or not by class and reading, ``first`` and ``second`` ``[classes, n]``.

        ``prior`` ``[classes, classes]``, ``ahead`` and ``behind`` as for ``stages.by_stages``.
        """
        mirrored = first is second
        one, two = np.triu_indices(self.size, 1) if mirrored else np.nonzero(~np.eye(self.size, dtype=np.bool_))

        def weigh(some: Ints, at: Ints) -> Floats:
            part, mine, theirs = self.block.some(at), one[some], two[some]
            spreads = [self.spreads[number] for number in at]
            shown = both_shown(mine, theirs, first, second, self.value, self.along, self.strays, self.kind, at)
            if shown is not None:
                # Many pairs show the same, above all those of which one is asleep: each is weighed once.
                whole = np.concatenate([shown[0].view(np.int64), shown[1].view(np.int64), shown[2]], axis=1)
                first_of, number = alike(whole)
                own = scatter.precisions(spreads, part.value, self.charge[shown[2][first_of], at])
                return part.one_wrong_at_most(shown[0][first_of], shown[1][first_of], own)[number]
            awake, other_awake = first[np.ix_(mine, at)], second[np.ix_(theirs, at)]
            line = np.where(awake, mine[:, None], mine[:, None] + self.size)
            other = np.where(other_awake, theirs[:, None], theirs[:, None] + self.size)
            # The share of the first one in what both show: all, none, or half where they stray alike.
            leads = 0.5 + 0.5 * np.sign(self.strays[line, at] - self.strays[other, at])
            rest = 1.0 - leads
            value = leads * self.value[line, at] + rest * self.value[other, at]
            along = leads * self.along[line, at] + rest * self.along[other, at]
            # A reading scatters as the circuit of the member does that leads in it.
            kind = np.where(awake, self.kind[mine][:, None], 0)
            other_kind = np.where(other_awake, self.kind[theirs][:, None], 0)
            either = np.maximum(kind, other_kind)  # where both stray alike, so that it does not matter who comes first
            kind = np.where(leads > 0.5, kind, np.where(leads < 0.5, other_kind, either))
            own = scatter.precisions(spreads, part.value, self.charge[kind, at])
            return part.one_wrong_at_most(value, along, own)

        found = by_stages(self.block, prior[one, two], weigh, ahead, behind)
        made = []
        for taken in (LetGo.AT_MOST, LetGo.AT_LEAST):
            square = np.zeros((self.size, self.size))
            square[one, two] = found.taken(taken)
            made.append(square + square.T if mirrored else square)
        return BothWeighed(*made)
