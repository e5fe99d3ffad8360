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
from halfsplit.diagnosis.families import SECOND_FAULT, Family, open_family
from halfsplit.diagnosis.pairs import Pool
from halfsplit.observations import Symptom

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Odds of "something else" from which pairs are grown: above its prior of 0.03, see engine-notes part 4.
GROW_ABOVE = 0.10
SEEDS = 24
PARTNERS = 12
PAIRS_SOLVED = 96
POOL = 64
#: A report this unlikely under everything believed is a surprise of its own.
UNEXPECTED = 0.06


def must_grow(evidence: Evidence, belief: Belief) -> bool:
    """Whether singles and the pool leave too much to "something else", or leave a symptom unexplained."""
    return belief.other > GROW_ABOVE or _outlived(evidence) or bool(unexplained(evidence, belief))


def _outlived(evidence: Evidence) -> bool:
    """Whether a symptom of the complaint was seen again after a repair."""
    told = {(one.function, one.state, one.level) for one in evidence.complaint.symptoms}
    worked = any(epoch.ended_by is not None and epoch.ended_by.action != "unplug-refit" for epoch in evidence.epochs)
    return worked and any(
        isinstance(seen, Symptom) and (seen.function, seen.state, seen.level) in told
        for seen in evidence.epochs[-1].electrical
    )


def unexplained(evidence: Evidence, belief: Belief) -> list[Symptom]:
    """Symptoms that nothing believed predicts. Those of the last epoch are held against what is left now."""
    space = evidence.space
    alone = belief.there + belief.gone
    left = np.bincount(space.hyp_row, weights=belief.there, minlength=space.rows)
    ever = np.bincount(space.hyp_row, weights=alone, minlength=space.rows)
    found = []
    for number, epoch in enumerate(evidence.epochs):
        last = number == len(evidence.epochs) - 1
        weight = left if last else ever
        rest = belief.nothing + (float(belief.gone.sum()) if last else 0.0)
        for observed in epoch.electrical:
            if not isinstance(observed, Symptom):
                continue
            likely = evidence.weigh(observed).per_row
            expected = float(
                weight @ likely[:-1] + rest * likely[-1] + belief.other * evidence.weigh(observed).other
            )
            if len(belief.pool):
                chances = np.exp(belief.pool.weigh(evidence, observed))
                pairs = (
                    belief.pairs
                    if last
                    else np.stack([belief.pairs.sum(axis=1)] + 3 * [np.zeros(len(chances))], axis=1)
                )
                expected += float((pairs * chances).sum())
            if expected < UNEXPECTED:
                found.append(observed)
    return found


def families(evidence: Evidence, belief: Belief, known: tuple[Family, ...]) -> tuple[Family, ...]:
    """The families of the repairs done so far: of each, the row it most likely mended."""
    space = evidence.space
    rows = np.bincount(space.hyp_row, weights=belief.there + belief.gone, minlength=space.rows)
    weights = np.bincount(
        space.hyp_row, weights=np.exp(belief.log_prior[: space.singles]), minlength=space.rows
    )
    made = list(known)
    for number, epoch in enumerate(evidence.epochs):
        work = epoch.ended_by
        if work is None or work.action == "unplug-refit" or any(one.ended == number for one in made):
            continue
        cured = evidence.cures(number)[space.row_fault] > 0.5
        if not cured.any():
            continue
        row = int(np.argmax(np.where(cured, rows + 1e-300, 0.0)))
        partners: Floats = (weights * np.exp(_since(evidence, number + 1))).astype(np.float64)
        made.append(open_family(evidence, row, number, partners))
    return tuple(made)


def _since(evidence: Evidence, first: int) -> Floats:
    """Log likelihood of every row being there alone, from an epoch on, scaled to its best."""
    space = evidence.space
    total = np.zeros(space.rows)
    for epoch in evidence.epochs[first:]:
        for observed in epoch.everything():
            total += np.log(evidence.weigh(observed).per_row[:-1])
    result: Floats = total - total.max()
    return result


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
        for partner in _one_per_group(
            np.argsort(-together)[: 6 * PARTNERS], space.row_group, PARTNERS
        ).tolist():
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
    for number, epoch in enumerate(evidence.epochs):
        alive.append(left)
        if epoch.ended_by is not None:
            left = left * (1.0 - evidence.cures(number)[space.row_fault])
    return np.array(alive)
