"""The odds over all hypotheses, kept by epoch.

A single-fault hypothesis is either still there or gone (cured or hidden by work on its place); the chance of
each path is carried forward through the epochs. Sets of faults carry the same over every subset of members.
Everything is exact in this model and runs in log space; observations within an epoch commute.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from halfsplit.diagnosis.evidence import SAID_SLEEPS, Evidence
from halfsplit.diagnosis.space import Space
from halfsplit.faults.curing import cure_chances
from halfsplit.faults.signatures import Lines
from halfsplit.observations import Action, CodeSeen, Reading, Symptom

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NO_CHANCE = 1e-12


@dataclass(frozen=True, eq=False)
class FaultSet:
    """Two or three rows that are there together, steady, with their log prior and their own predictions."""

    rows: tuple[int, ...]
    log_prior: float
    lines: tuple[tuple[tuple[int, ...], str, Lines], ...]

    def predicted(self, subset: tuple[int, ...], state: str) -> Lines | None:
        """Lines of the subset of rows in a state; None when they were not computed."""
        for rows, name, lines in self.lines:
            if rows == subset and name == state:
                return lines
        return None


@dataclass(frozen=True, eq=False)
class Belief:
    """Odds after the evidence so far.

    ``there`` ``[singles]`` is the chance that the hypothesis holds and its fault is still there now; ``gone``
    ``[singles]`` that it held and is gone. ``nothing`` and ``other`` are the two others. ``sets`` holds for each
    fault set the chance that it held, and ``set_left`` for each the chance of each remaining subset.
    All of them together sum to one. ``log_evidence`` is the log probability of everything observed.
    """

    space: Space
    there: Floats
    gone: Floats
    nothing: float
    other: float
    sets: tuple[FaultSet, ...]
    set_left: tuple[dict[tuple[int, ...], float], ...]
    log_evidence: float
    log_flat: float

    @property
    def surprise(self) -> float:
        """Chance that no hypothesis in the pool explains the evidence."""
        return self.other

    @property
    def mended(self) -> float:
        """Chance that nothing is wrong any more (or ever was)."""
        empty = sum(left.get((), 0.0) for left in self.set_left)
        return float(self.gone.sum() + self.nothing + empty)

    def group_odds(self) -> Floats:
        """Chance for each repair group that it is needed now, ``[groups]``; sets count for all their members."""
        odds = np.bincount(self.space.hyp_group, weights=self.there, minlength=len(self.space.groups))
        group_of_row = self._group_of_row()
        for left in self.set_left:
            for rows, chance in left.items():
                for group in {int(group_of_row[row]) for row in rows}:
                    odds[group] += chance
        return odds.astype(np.float64)

    def _group_of_row(self) -> Ints:
        groups = np.zeros(self.space.rows, dtype=np.int64)
        groups[self.space.hyp_row] = self.space.hyp_group
        return groups


def _epoch_terms(evidence: Evidence, number: int) -> tuple[Floats, Floats, float, float]:
    """Per hypothesis log likelihood of one epoch when there; when gone ``[singles]``; nothing; something else."""
    space = evidence.space
    epoch = evidence.epochs[number]
    rows, fault = space.hyp_row, space.row_fault[space.hyp_row]
    steady = np.zeros(space.rows)
    sleeping = np.zeros(space.rows)
    gone = 0.0
    other = 0.0
    duty = space.duty[::2]
    for item in epoch.weighed:
        log = np.log(item.per_row)
        steady += log[:-1]
        gone += log[-1]
        other += np.log(item.other)
        if item.showing == "yes":
            sleeping += log[:-1]
        elif item.showing == "no":
            sleeping += log[-1]
        else:
            sleeping += np.log(duty * item.per_row[:-1] + (1.0 - duty) * item.per_row[-1])
    looks, looks_absent, looks_flat = evidence.look_chances(epoch)
    moved, moved_absent, moved_flat = evidence.move_chances(epoch, sleeps=True)
    still, still_absent, _ = evidence.move_chances(epoch, sleeps=False)
    there = np.where(space.hyp_sleeps, sleeping[rows] + moved[fault], steady[rows] + still[fault]) + looks[fault]
    absent = gone + looks_absent + moved_absent
    del still_absent
    return there, np.full(space.singles, absent), absent, other + looks_flat + moved_flat


def _complaint_terms(evidence: Evidence) -> tuple[Floats, float, float]:
    sleeps = evidence.space.hyp_sleeps
    said = evidence.complaint.comes_and_goes
    chance = np.where(sleeps, SAID_SLEEPS[0], SAID_SLEEPS[1])
    chance = chance if said else 1.0 - chance
    steady = SAID_SLEEPS[1] if said else 1.0 - SAID_SLEEPS[1]
    return np.log(chance), float(np.log(steady)), float(np.log(0.5))


def cures(evidence: Evidence, action: Action) -> Floats:
    """Chance for each fault to be gone after an action, ``[faults]``."""
    return cure_chances(evidence.space.machine, evidence.space.faults, action.action, action.place)


def believe(evidence: Evidence, log_prior: Floats, sets: Sequence[FaultSet] = ()) -> Belief:
    """The odds given a log prior over ``[singles + 2]`` and the sets in the pool."""
    space = evidence.space
    said, said_steady, said_other = _complaint_terms(evidence)
    present = log_prior[: space.singles] + said
    healed = np.full(space.singles, -np.inf)
    nothing = float(log_prior[space.nothing]) + said_steady
    other = float(log_prior[space.other]) + said_other
    fault = space.row_fault[space.hyp_row]
    for number, epoch in enumerate(evidence.epochs):
        there, absent, clean, flat = _epoch_terms(evidence, number)
        present = present + there
        healed = healed + absent
        nothing += clean
        other += flat
        if epoch.ended_by is not None:
            chance = np.clip(cures(evidence, epoch.ended_by)[fault], 0.0, 1.0 - NO_CHANCE)
            with np.errstate(divide="ignore"):
                moved = present + np.log(chance)
            healed = np.logaddexp(healed, moved)
            present = present + np.log1p(-chance)
    weights = [_set_weights(evidence, one, said_steady) for one in sets]
    parts = [present, healed, np.array([nothing, other])]
    parts += [np.array(list(one.values())) for one in weights if one]
    total = float(logsumexp(np.concatenate(parts)))
    flat_only = other - float(log_prior[space.other])
    return Belief(
        space=space,
        there=np.exp(present - total),
        gone=np.exp(healed - total),
        nothing=float(np.exp(nothing - total)),
        other=float(np.exp(other - total)),
        sets=tuple(sets),
        set_left=tuple({rows: float(np.exp(value - total)) for rows, value in one.items()} for one in weights),
        log_evidence=total,
        log_flat=flat_only,
    )


def subsets(rows: tuple[int, ...]) -> tuple[tuple[int, ...], ...]:
    """All subsets of a set's rows, largest first, the empty one last."""
    found = []
    for size in range(len(rows), -1, -1):
        found.extend(combinations(rows, size))
    return tuple(found)


def _set_weights(evidence: Evidence, one: FaultSet, said: float) -> dict[tuple[int, ...], float]:
    """Log weight of each subset of the set being what is left now."""
    space = evidence.space
    weights = {subset: -np.inf for subset in subsets(one.rows)}
    weights[one.rows] = one.log_prior + said
    for number, epoch in enumerate(evidence.epochs):
        alive = {subset for subset, weight in weights.items() if weight > -np.inf}
        for subset in alive:
            weights[subset] += _subset_term(evidence, number, one, subset)
        if epoch.ended_by is not None:
            chance = cures(evidence, epoch.ended_by)
            weights = _cured(weights, {row: float(chance[space.row_fault[row]]) for row in one.rows})
    return {subset: float(weight) for subset, weight in weights.items() if weight > -np.inf}


def _cured(
    weights: dict[tuple[int, ...], float], chance: dict[int, float]
) -> dict[tuple[int, ...], float]:
    after = {subset: -np.inf for subset in weights}
    for subset, weight in weights.items():
        if weight == -np.inf:
            continue
        for left in subsets(subset):
            share = 1.0
            for row in subset:
                share *= (1.0 - chance[row]) if row in left else chance[row]
            if share > 0.0:
                after[left] = float(np.logaddexp(after[left], weight + np.log(share)))
    return after


def _subset_term(evidence: Evidence, number: int, one: FaultSet, subset: tuple[int, ...]) -> float:
    """Log likelihood of an epoch's observations when exactly the rows of ``subset`` are there."""
    space = evidence.space
    total = 0.0
    for epoch_number, observation in evidence.electrical:
        if epoch_number == number:
            total += set_log_likelihood(evidence, one, subset, observation)
    epoch = evidence.epochs[number]
    looks, absent, _ = evidence.look_chances(epoch)
    moved, moved_absent, _ = evidence.move_chances(epoch, sleeps=False)
    total += absent + moved_absent
    for row in subset:
        fault = space.row_fault[row]
        total += looks[fault] - absent + moved[fault] - moved_absent
    return float(total)


def set_log_likelihood(
    evidence: Evidence, one: FaultSet, subset: tuple[int, ...], observation: Symptom | Reading | CodeSeen
) -> float:
    """Log likelihood of one observation under a subset of a set."""
    weighed = evidence.weigh(observation)
    if not subset:
        return float(np.log(weighed.per_row[-1]))
    if len(subset) == 1:
        return float(np.log(weighed.per_row[subset[0]]))
    lines = one.predicted(subset, observation.state)
    if lines is None:
        return float(np.log(weighed.other))
    return float(np.log(evidence.weigh_lines(observation, lines)[0]))
