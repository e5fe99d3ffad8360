"""The odds against adding up every path of every hypothesis, on jobs with observations of every kind."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, PLATFORM, machine
from tests.properties.diagnosis.drawn_evidence import job, played
from tests.properties.diagnosis.enumeration import Enumeration, as_array

from halfsplit.circuit.stamps import Floats
from halfsplit.diagnosis.belief import believe
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.families import SECOND_FAULT, open_family
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.pairs import Pool
from halfsplit.faults.priors import fault_weights
from halfsplit.observations import Action, Complaint, Look, Symptom


@cache
def bench(name: str) -> Bench:
    return Bench(machine(name))


def told(name: str, seed: int, states: tuple[str, ...], epochs: int, each: int) -> Evidence:
    it = bench(name)
    complaint, observed, actions = job(it, np.random.default_rng([9, seed]), states, epochs, each)
    evidence = Evidence(it.space, it.signatures, complaint)
    for one in played(observed, actions):
        evidence.add(one)
    return evidence


def prior(evidence: Evidence) -> Floats:
    space = evidence.space
    return space.log_prior(fault_weights(space.machine, space.faults))


def assert_same(evidence: Evidence, pool: Pool | None = None) -> None:
    log_prior = prior(evidence)
    belief = believe(evidence, log_prior, pool)
    pairs = [] if pool is None else [(int(a), int(b)) for a, b in pool.rows]
    pair_prior = [] if pool is None else pool.log_prior.tolist()
    odds = Enumeration(evidence, log_prior).odds(pairs, pair_prior)
    assert np.abs(belief.there - as_array(odds.there)).max() <= 1e-9
    assert np.abs(belief.gone - as_array(odds.gone)).max() <= 1e-9
    assert belief.nothing == pytest.approx(odds.nothing, abs=1e-9)
    assert belief.other == pytest.approx(odds.other, abs=1e-9)
    for number, pair in enumerate(pairs):
        assert belief.pairs[number] == pytest.approx(odds.pairs[pair], abs=1e-9), pair


@pytest.mark.parametrize("seed", range(12))
def test_odds_of_the_sketch_equal_adding_up_every_path(seed: int) -> None:
    evidence = told(CART, seed, ("off", "work", "start"), epochs=1 + seed % 5, each=3)
    assert_same(evidence)


@pytest.mark.parametrize("seed", range(3))
def test_odds_equal_adding_up_every_path_with_codes_of_controllers(seed: int) -> None:
    states = tuple(machine(PLATFORM).states)[1:3]
    assert_same(told(PLATFORM, seed, states, epochs=2, each=4))


@pytest.mark.parametrize("seed", range(6))
def test_odds_of_pairs_equal_adding_up_every_path(seed: int) -> None:
    evidence = told(CART, 100 + seed, ("work", "start"), epochs=1 + seed % 4, each=3)
    space = evidence.space
    rng = np.random.default_rng(seed)
    rows = np.array([rng.choice(space.rows, 2, replace=False) for _ in range(12)], dtype=np.int64)
    rows = rows[space.row_fault[rows[:, 0]] != space.row_fault[rows[:, 1]]]
    # A pair as likely as the two singles together, so that pairs and singles compete.
    assert_same(evidence, Pool(rows, np.full(len(rows), np.log(0.05))))


def test_an_observation_of_every_kind_was_among_the_jobs() -> None:
    kinds = {"symptom": 0, "volts": 0, "ohms": 0, "look": 0, "move": 0, "action": 0}
    for seed in range(12):
        for epoch in told(CART, seed, ("off", "work", "start"), epochs=1 + seed % 5, each=3).epochs:
            kinds["symptom"] += sum(isinstance(one, Symptom) for one in epoch.electrical)
            kinds["volts"] += len(epoch.volts())
            kinds["ohms"] += sum(one.quantity == "ohms" for one in epoch.readings())
            kinds["look"] += len(epoch.looks)
            kinds["move"] += len(epoch.moves)
            kinds["action"] += epoch.ended_by is not None
    assert min(kinds.values()) >= 2, kinds
    codes = [
        len([one for one in epoch.electrical if not isinstance(one, Symptom)])
        for seed in range(3)
        for epoch in told(PLATFORM, seed, tuple(machine(PLATFORM).states)[1:3], epochs=2, each=4).epochs
    ]
    assert sum(codes) >= 1


def test_work_done_again_with_the_very_same_record_cures_less_too() -> None:
    it = bench(CART)
    complaint = Complaint((Symptom("starter", "start", "off", 0.9, "yes"),))
    odds = []
    for second in ("same", "copy"):
        evidence = Evidence(it.space, it.signatures, complaint)
        first = Action("renew-contact", "X1")
        evidence.add(first)
        evidence.add(Look("closed", "X1", found=False))
        evidence.add(first if second == "same" else Action("renew-contact", "X1"))
        odds.append(believe(evidence, prior(evidence)).gone)
    assert np.allclose(odds[0], odds[1], atol=1e-12)


@pytest.mark.parametrize("seed", range(5))
def test_what_is_left_of_a_family_equals_adding_up_its_paths(seed: int) -> None:
    evidence = told(CART, 200 + seed, ("work", "start"), epochs=3, each=3)
    space, log_prior = evidence.space, prior(evidence)
    mended = int(np.random.default_rng(seed).integers(space.rows))
    ended = seed % 2
    family = open_family(evidence, mended, ended, np.ones(space.rows))
    plain, wider = believe(evidence, log_prior), believe(evidence, log_prior, None, [family])
    scale = np.exp(plain.log_evidence - wider.log_evidence)
    there, gone = wider.there - scale * plain.there, wider.gone - scale * plain.gone
    paths = Enumeration(evidence, log_prior)
    own = float(np.exp(log_prior[2 * mended : 2 * mended + 2]).sum())
    partners = [h for h in range(0, space.singles, 2) if space.row_fault[space.hyp_row[h]] != space.row_fault[mended]]
    same = space.row_fault[space.hyp_row] == space.row_fault[mended]
    assert np.abs(there[same]).max() <= 1e-15
    largest = 0.0
    for h in partners[::7]:
        assert not space.hyp_sleeps[h]
        row = int(space.hyp_row[h])
        start = float(np.exp(log_prior[h])) * SECOND_FAULT * own * paths.speaks[0]
        left, cured = paths.partner(row, mended, ended, start)
        total = np.exp(wider.log_evidence)
        assert there[h] == pytest.approx(left / total, rel=1e-6, abs=1e-12)
        assert gone[h] == pytest.approx(cured / total, rel=1e-6, abs=1e-12)
        largest = max(largest, left / total)
    assert largest > 1e-8
