"""Pairs of faults in the pool: their exact predictions and their odds, all pairs at once.

A pair is two rows that are there together, both steady. Work may cure either, so each pair is followed through
the epochs as "both left", "only the first", "only the second" and "none".
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis import readings
from halfsplit.diagnosis.evidence import Electrical, Epoch, Evidence
from halfsplit.faults.signatures import Lines
from halfsplit.observations import Reading

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

BOTH, FIRST, SECOND, NONE = range(4)


@dataclass(eq=False)
class Pool:
    """Pairs as rows ``[pairs, 2]`` with their log prior ``[pairs]``; predictions are made by state when asked."""

    rows: Ints
    log_prior: Floats
    _lines: dict[str, Lines] = field(default_factory=dict)
    _weighed: dict[Electrical, Floats] = field(default_factory=dict)
    _blocks: dict[tuple[Reading, ...], Floats] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.rows)

    def lines(self, evidence: Evidence, state: str) -> Lines:
        """What each pair does in a state, solved exactly."""
        if state not in self._lines:
            effects = evidence.signatures.effects
            self._lines[state] = evidence.signatures.state(state).predict(
                [(*effects[a], *effects[b]) for a, b in self.rows.tolist()]
            )
        return self._lines[state]

    def weigh(self, evidence: Evidence, observed: Electrical) -> Floats:
        """Log likelihood of an observation for BOTH, FIRST, SECOND and NONE, ``[pairs, 4]``."""
        if observed not in self._weighed:
            single = np.log(evidence.weigh(observed).per_row)
            result = np.empty((len(self.rows), 4))
            result[:, BOTH] = np.log(evidence.weigh_lines(observed, self.lines(evidence, observed.state)))
            result[:, FIRST] = single[self.rows[:, 0]]
            result[:, SECOND] = single[self.rows[:, 1]]
            result[:, NONE] = single[-1]
            self._weighed[observed] = result
        return self._weighed[observed]

    def volts(self, evidence: Evidence, epoch: Epoch) -> Floats:
        """Log likelihood of an epoch's voltage readings, weighed together, ``[pairs, 4]``."""
        chosen = epoch.volts()
        if not chosen:
            return np.zeros((len(self.rows), 4))
        if chosen not in self._blocks:
            block = readings.block(evidence.signatures, chosen)
            lines = [self.lines(evidence, reading.state) for reading in chosen]
            single, _, _ = evidence.block_terms(epoch)
            result = np.empty((len(self.rows), 4))
            result[:, BOTH] = block.log_likelihood(
                *readings.predicted_lines(evidence.signatures, chosen, lines)
            )
            result[:, FIRST] = single[self.rows[:, 0]]
            result[:, SECOND] = single[self.rows[:, 1]]
            result[:, NONE] = single[-1]
            self._blocks[chosen] = result
        return self._blocks[chosen]

    def take(self, chosen: Ints) -> Pool:
        """The pool of some of the pairs, in the given order."""
        lines = {
            state: Lines(
                one.volts[chosen],
                one.levels[chosen],
                one.codes[chosen],
                one.chatters[chosen],
                one.blown[chosen],
            )
            for state, one in self._lines.items()
        }
        weighed = {observed: table[chosen] for observed, table in self._weighed.items()}
        blocks = {key: table[chosen] for key, table in self._blocks.items()}
        return Pool(self.rows[chosen], self.log_prior[chosen], lines, weighed, blocks)

    def joined(self, evidence: Evidence, rows: Ints, log_prior: Floats) -> Pool:
        """The pool with more pairs after the present ones."""
        more = Pool(rows, log_prior)
        lines = {}
        for state, one in self._lines.items():
            other = more.lines(evidence, state)
            lines[state] = Lines(
                np.concatenate([one.volts, other.volts]),
                np.concatenate([one.levels, other.levels]),
                np.concatenate([one.codes, other.codes]),
                np.concatenate([one.chatters, other.chatters]),
                np.concatenate([one.blown, other.blown]),
            )
        return Pool(np.concatenate([self.rows, rows]), np.concatenate([self.log_prior, log_prior]), lines)


def empty_pool() -> Pool:
    """A pool without pairs."""
    return Pool(np.zeros((0, 2), dtype=np.int64), np.zeros(0))


def follow(evidence: Evidence, pool: Pool, said: float) -> Floats:
    """Log weight of each pair and of what is left of it now, ``[pairs, 4]``."""
    weights = np.full((len(pool), 4), -np.inf)
    if not len(pool):
        return weights
    weights[:, BOTH] = pool.log_prior + said
    space = evidence.space
    faults = space.row_fault[pool.rows]
    for number, epoch in enumerate(evidence.epochs):
        weights = weights + pool.volts(evidence, epoch)
        for observed in epoch.observed():
            weights = weights + pool.weigh(evidence, observed)
        there, absent, _ = evidence.look_chances(epoch)
        moved, moved_absent, _ = evidence.move_chances(epoch, sleeps=False)
        seen = (there - absent + moved - moved_absent)[faults]
        weights = weights + absent + moved_absent
        weights[:, BOTH] += seen.sum(axis=1)
        weights[:, FIRST] += seen[:, 0]
        weights[:, SECOND] += seen[:, 1]
        if epoch.ended_by is not None:
            cure = np.clip(evidence.cures(number), 0.0, 1.0 - 1e-12)[faults]
            weights = _cured(weights, cure)
    return weights


def _cured(weights: Floats, cure: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        gone, stays = np.log(cure), np.log1p(-cure)
    after = np.empty_like(weights)
    after[:, BOTH] = weights[:, BOTH] + stays.sum(axis=1)
    after[:, FIRST] = np.logaddexp(
        weights[:, FIRST] + stays[:, 0], weights[:, BOTH] + stays[:, 0] + gone[:, 1]
    )
    after[:, SECOND] = np.logaddexp(
        weights[:, SECOND] + stays[:, 1], weights[:, BOTH] + gone[:, 0] + stays[:, 1]
    )
    after[:, NONE] = np.logaddexp.reduce(
        [
            weights[:, NONE],
            weights[:, FIRST] + gone[:, 0],
            weights[:, SECOND] + gone[:, 1],
            weights[:, BOTH] + gone.sum(axis=1),
        ]
    )
    return after
