"""Pairs of faults, grown only when single faults do not explain what was seen.

Seeds are the rows that explain most of what the healthy machine does not; each is joined with the rows that
best explain what the seed leaves open. The most promising pairs are solved exactly on the states observed so
far, and the best few stay in the pool. A static list of likely pairs is worthless (engine-notes part 4,
measured), so nothing is kept ready.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis.belief import Belief, believe
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.pairs import Pool

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Odds of "something else" from which pairs are grown: above its prior of 0.03, see engine-notes part 4.
GROW_ABOVE = 0.10
SEEDS = 24
PARTNERS = 12
PAIRS_SOLVED = 96
POOL = 64
#: Odds that a second fault is there, given one: water or an accident seldom harms one place; from memory.
SECOND_FAULT = 0.03


def must_grow(belief: Belief) -> bool:
    """Whether singles and the pool leave too much to "something else"."""
    return belief.other > GROW_ABOVE


def grow(evidence: Evidence, belief: Belief, log_prior: Floats) -> Pool:
    """The pool with the best new pairs, at most ``POOL`` pairs, best first."""
    space = evidence.space
    weights = np.bincount(space.hyp_row, weights=np.exp(log_prior[: space.singles]), minlength=space.rows)
    prior = np.log(np.maximum(weights, 1e-300))
    pool = belief.pool
    fresh = _candidates(evidence, prior, {tuple(pair) for pair in pool.rows.tolist()})
    if not len(fresh):
        return pool
    both = np.log(SECOND_FAULT) + prior[fresh].sum(axis=1)
    wider = pool.joined(evidence, fresh, both)
    odds = believe(evidence, log_prior, wider).pairs.sum(axis=1)
    return wider.take(np.argsort(-odds)[:POOL])


def _candidates(evidence: Evidence, prior: Floats, known: set[tuple[int, ...]]) -> Ints:
    """New pairs by a quick score: each observation explained by the better of the two, cures counted."""
    space = evidence.space
    rows = [
        (np.log(evidence.weigh(observed).per_row), number)
        for number, epoch in enumerate(evidence.epochs)
        for observed in epoch.everything()
    ]
    if not rows:
        return np.zeros((0, 2), dtype=np.int64)
    alive = _alive(evidence)
    # Log likelihood per observation and row, a row that was worked on counting as cured afterwards.
    table = np.stack([alive[number] * log[:-1] + (1.0 - alive[number]) * log[-1] for log, number in rows])
    healthy = np.array([log[-1] for log, _ in rows])
    lift = np.clip(table - healthy[:, None], 0.0, None).sum(axis=0)
    seeds = np.argsort(-(lift + 0.5 * prior))[: 4 * SEEDS]
    seeds = _one_per_group(seeds, space.row_group, SEEDS)
    scored: dict[tuple[int, int], float] = {}
    for seed in seeds.tolist():
        together = np.maximum(table, table[:, seed][:, None]).sum(axis=0) + prior + prior[seed]
        for partner in _one_per_group(np.argsort(-together)[: 6 * PARTNERS], space.row_group, PARTNERS).tolist():
            if space.row_group[partner] == space.row_group[seed]:
                continue
            pair = (min(seed, partner), max(seed, partner))
            if pair not in known:
                scored[pair] = float(together[partner])
    best = sorted(scored, key=lambda pair: -scored[pair])[:PAIRS_SOLVED]
    return np.array(best, dtype=np.int64).reshape(-1, 2)


def _one_per_group(rows: Ints, group: Ints, most: int) -> Ints:
    """The first few rows, at most two of a repair group."""
    count: dict[int, int] = {}
    kept = []
    for row in rows.tolist():
        own = int(group[row])
        if count.get(own, 0) < 2:
            count[own] = count.get(own, 0) + 1
            kept.append(row)
        if len(kept) == most:
            break
    return np.array(kept, dtype=np.int64)


def _alive(evidence: Evidence) -> Floats:
    """Chance of each row not to have been cured before each epoch, ``[epochs, rows]``."""
    space = evidence.space
    left = np.ones(space.rows)
    alive = []
    for epoch in evidence.epochs:
        alive.append(left)
        if epoch.ended_by is not None:
            left = left * (1.0 - evidence.cures(epoch.ended_by)[space.row_fault])
    return np.array(alive)
