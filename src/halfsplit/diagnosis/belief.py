"""The odds over all hypotheses, kept by epoch.

A single-fault hypothesis is either still there or gone (cured or hidden by work on its place); the chance of
each path is carried forward through the epochs. Pairs of faults are followed in ``pairs``. Everything is exact
in this model and runs in log space; observations within an epoch commute.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from halfsplit.diagnosis.evidence import SAID_SLEEPS, Epoch, Evidence
from halfsplit.diagnosis.families import SECOND_FAULT, Family
from halfsplit.diagnosis.pairs import BOTH, FIRST, NONE, SECOND, Pool, empty_pool, follow
from halfsplit.diagnosis.space import Space

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

NO_CHANCE = 1e-12
#: A sleeping fault comes and goes in spells, so looking again soon is only this much of a new look; invented
#: from spells of two or three checks.
NEW_LOOK = 0.4


@dataclass(frozen=True, eq=False)
class Belief:
    """Odds after the evidence so far.

    ``there`` ``[singles]`` is the chance that the hypothesis holds and its fault is still there now; ``gone``
    ``[singles]`` that it held and is gone. ``nothing`` and ``other`` are the two others. ``pairs`` holds for each
    pair of the pool the chance that both, the first, the second or none are left, ``[pairs, 4]``.
    All of them together sum to one. ``log_evidence`` is the log probability of everything observed.
    """

    space: Space
    there: Floats
    gone: Floats
    nothing: float
    other: float
    pool: Pool
    pairs: Floats
    log_evidence: float
    log_prior: Floats

    @property
    def surprise(self) -> float:
        """Chance that no hypothesis in the pool explains the evidence."""
        return self.other

    @property
    def mended(self) -> float:
        """Chance that nothing is wrong any more (or ever was)."""
        return float(self.gone.sum() + self.nothing + self.pairs[:, NONE].sum())

    def row_odds(self) -> Floats:
        """Chance for each row to be there now, alone or in a pair, ``[rows]``; a pair counts for both members."""
        odds = np.bincount(self.space.hyp_row, weights=self.there, minlength=self.space.rows)
        if len(self.pool):
            first = self.pairs[:, BOTH] + self.pairs[:, FIRST]
            second = self.pairs[:, BOTH] + self.pairs[:, SECOND]
            np.add.at(odds, self.pool.rows[:, 0], first)
            np.add.at(odds, self.pool.rows[:, 1], second)
        return odds.astype(np.float64)

    def group_odds(self) -> Floats:
        """Chance for each repair group that it is needed now, ``[groups]``; pairs count for both their groups."""
        space = self.space
        odds = np.bincount(space.hyp_group, weights=self.there, minlength=len(space.groups)).astype(
            np.float64
        )
        if len(self.pool):
            groups = space.row_group[self.pool.rows]
            np.add.at(odds, groups[:, 0], self.pairs[:, BOTH] + self.pairs[:, FIRST])
            # Two faults of one group are one repair.
            other = np.where(
                groups[:, 0] == groups[:, 1],
                self.pairs[:, SECOND],
                self.pairs[:, BOTH] + self.pairs[:, SECOND],
            )
            np.add.at(odds, groups[:, 1], other)
        return odds


def _epoch_terms(evidence: Evidence, epoch: Epoch) -> tuple[Floats, float, float]:
    """Log likelihood of one epoch: per hypothesis that is there ``[singles]``; nothing there; something else."""
    space = evidence.space
    rows, fault = space.hyp_row, space.row_fault[space.hyp_row]
    together, sleeping, flat_volts = evidence.block_terms(epoch)
    steady = together[:-1].copy()
    sleeping = sleeping.copy()
    gone = float(together[-1])
    other = flat_volts
    doubt = np.zeros(space.rows)
    times = np.zeros(space.rows)
    duty = space.row_duty
    asleep_line = evidence.asleep_lines(epoch)
    for observed in epoch.observed():
        item = evidence.weigh(observed)
        log = np.log(item.per_row)
        steady += log[:-1]
        gone += log[-1]
        other += np.log(item.other)
        if item.showing == "yes":
            sleeping += log[:-1]
            continue
        asleep = item.per_row[asleep_line]
        if item.showing == "no":
            sleeping += np.log(asleep)
            continue
        # What speaks for the fault sleeping just now is counted once and a little more, since it sleeps in
        # spells; all else counts in full.
        sleeping += np.log(asleep)
        awake = np.log1p(duty * (item.per_row[:-1] / asleep - 1.0))
        sleeping += np.maximum(awake, 0.0)
        doubt += np.minimum(awake, 0.0)
        times += awake < 0.0
    sleeping += doubt * (1.0 + NEW_LOOK * np.maximum(times - 1.0, 0.0)) / np.maximum(times, 1.0)
    looks, looks_absent, looks_flat = evidence.look_chances(epoch)
    moved, moved_absent, moved_flat = evidence.move_chances(epoch, sleeps=True)
    still, _, _ = evidence.move_chances(epoch, sleeps=False)
    there = (
        np.where(space.hyp_sleeps, sleeping[rows] + moved[fault], steady[rows] + still[fault]) + looks[fault]
    )
    return there, gone + looks_absent + moved_absent, other + looks_flat + moved_flat


def _complaint_terms(evidence: Evidence) -> tuple[Floats, float, float]:
    sleeps = evidence.space.hyp_sleeps
    said = evidence.complaint.comes_and_goes
    chance = np.where(sleeps, SAID_SLEEPS[0], SAID_SLEEPS[1])
    chance = chance if said else 1.0 - chance
    steady = SAID_SLEEPS[1] if said else 1.0 - SAID_SLEEPS[1]
    return np.log(chance), float(np.log(steady)), float(np.log(0.5))


def _follow_family(
    evidence: Evidence, family: Family, log_prior: Floats, said: Floats
) -> tuple[Floats, Floats]:
    """Log weight of each partner being there now and being gone, ``[singles]`` each, the mended row cured."""
    space = evidence.space
    hypotheses = slice(2 * family.row, 2 * family.row + 2)
    own = float(np.logaddexp.reduce(log_prior[hypotheses]))
    present = log_prior[: space.singles] + np.log(SECOND_FAULT) + own + said
    same = space.row_fault[space.hyp_row] == space.row_fault[family.row]
    present[same] = -np.inf
    healed = np.full(space.singles, -np.inf)
    rows, fault = space.hyp_row, space.row_fault[space.hyp_row]
    for number, epoch in enumerate(evidence.epochs):
        if number <= family.ended:
            steady, sleeping = family.before(evidence, number)
            looks, absent, _ = evidence.look_chances(epoch)
            moved, moved_absent, _ = evidence.move_chances(epoch, sleeps=False)
            mended = space.row_fault[family.row]
            shared = looks[mended] + moved[mended] - absent - moved_absent
            present = present + np.where(space.hyp_sleeps, sleeping[rows], steady[rows])
            present = present + looks[fault] + moved[fault] + shared
        else:
            there, clean, _ = _epoch_terms(evidence, epoch)
            present = present + there
            healed = healed + clean
        if epoch.ended_by is not None:
            chance = np.clip(evidence.cures(number)[fault], 0.0, 1.0 - NO_CHANCE)
            if number >= family.ended:
                with np.errstate(divide="ignore"):
                    healed = np.logaddexp(healed, present + np.log(chance))
            present = present + np.log1p(-chance)
    return present, healed


def believe(
    evidence: Evidence, log_prior: Floats, pool: Pool | None = None, families: Sequence[Family] = ()
) -> Belief:
    """The odds given a log prior over ``[singles + 2]``, the pairs in the pool and the families of mended rows.

    What is left of a family is one partner, so families count among the single faults.
    """
    space = evidence.space
    pool = empty_pool() if pool is None else pool
    said, said_steady, said_other = _complaint_terms(evidence)
    present = log_prior[: space.singles] + said
    healed = np.full(space.singles, -np.inf)
    nothing = float(log_prior[space.nothing]) + said_steady
    other = float(log_prior[space.other]) + said_other
    fault = space.row_fault[space.hyp_row]
    for number, epoch in enumerate(evidence.epochs):
        there, clean, flat = _epoch_terms(evidence, epoch)
        present = present + there
        healed = healed + clean
        nothing += clean
        other += flat
        if epoch.ended_by is not None:
            chance = np.clip(evidence.cures(number)[fault], 0.0, 1.0 - NO_CHANCE)
            with np.errstate(divide="ignore"):
                moved = present + np.log(chance)
            healed = np.logaddexp(healed, moved)
            present = present + np.log1p(-chance)
    for family in families:
        partner, partner_gone = _follow_family(evidence, family, log_prior, said)
        present = np.logaddexp(present, partner)
        healed = np.logaddexp(healed, partner_gone)
    pairs = follow(evidence, pool, said_steady)
    total = float(logsumexp(np.concatenate([present, healed, [nothing, other], pairs.ravel()])))
    return Belief(
        space=space,
        there=np.exp(present - total),
        gone=np.exp(healed - total),
        nothing=float(np.exp(nothing - total)),
        other=float(np.exp(other - total)),
        pool=pool,
        pairs=np.exp(pairs - total),
        log_evidence=total,
        log_prior=log_prior,
    )
